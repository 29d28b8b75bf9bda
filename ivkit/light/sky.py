"""How much light a clear sky or a weather file gives a plane, however tilted.

Angles in degrees. Azimuth counts from north, clockwise. Tilt is the angle between the panel and
the ground: 0 lies flat, 90 stands upright.

Sources: clear sky: Ineichen and Perez (2002). Sky diffuse light: isotropic; Hay and Davies (1980);
Perez et al. (1990); all as pvlib implements them.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError
from ivkit.light.place import Place, Steps
from ivkit.light.sun import extraterrestrial, sunlit

# Sky models with a bright patch round the sun divide by cos(zenith) and make light out of nothing
# when it is low (1375 W/m2 for 352 at 89.9 deg). The cosine is held where Perez et al. hold it.
LOW_SUN = 85.0
_DARK = 1e-9  # W/m2 of diffuse light, below which there is none

DEFAULT_ALBEDO = ASSUMED["ground albedo"].fraction
DEFAULT_TURBIDITY = ASSUMED["Linke turbidity"].value
DEFAULT_TEMP_AIR = ASSUMED["air temperature"].value
DEFAULT_WIND_SPEED = ASSUMED["wind"].value


class SkyModel(StrEnum):
    """How the sky's diffuse light is spread; this choice moves a tracker's gain by 5 to 7 %."""

    ISOTROPIC = "isotropic"
    HAY_DAVIES = "hay-davies"
    PEREZ = "perez"


@dataclass(frozen=True)
class Sky:
    """The light of every step in which the sun is up; every array has one value a step.

    Attributes
    ----------
    place : Place
    times : pandas.DatetimeIndex
        Middle of each step.
    hours, total_hours : float
        Length of a step, and of the whole period, nights included, h.
    zenith, azimuth : ndarray
        The sun as seen, deg.
    ghi, dni, dhi : ndarray
        Global horizontal, direct normal and diffuse horizontal irradiance, W/m2.
    dni_extra : ndarray
        Direct normal irradiance above the atmosphere, W/m2.
    airmass : ndarray
        Relative air mass.
    temp_air, wind_speed : ndarray
        degC; m/s.
    source : str
        Where the light comes from, in a few words.
    notes : tuple of str
        What was assumed or left out.
    """

    place: Place
    times: Any
    hours: float
    total_hours: float
    zenith: np.ndarray
    azimuth: np.ndarray
    ghi: np.ndarray
    dni: np.ndarray
    dhi: np.ndarray
    dni_extra: np.ndarray
    airmass: np.ndarray
    temp_air: np.ndarray
    wind_speed: np.ndarray
    source: str
    notes: tuple[str, ...] = ()

    @property
    def solar_day(self) -> np.ndarray:
        """Number of the day by mean solar time, which no daylight period straddles."""
        seconds = self.times.as_unit("s").asi8
        return np.floor_divide(seconds + round(self.place.longitude * 240), 86400)

    def every(self, stride: int) -> "Sky":
        """Return every ``stride``-th step, each standing for ``stride`` of them."""
        pick = slice(stride // 2, None, stride)
        return replace(self.take(pick), hours=self.hours * stride)

    def take(self, pick: Any) -> "Sky":
        """Return the steps that ``pick`` (mask, slice or indices) chooses."""
        light = ("ghi", "dni", "dhi", "dni_extra", "airmass")
        names = ("times", "zenith", "azimuth", *light, "temp_air", "wind_speed")
        return replace(self, **{name: getattr(self, name)[pick] for name in names})


@dataclass(frozen=True)
class PlaneLight:
    """The light on a tilted plane, each an array, W/m2; ``cos_aoi`` without a unit.

    ``beam`` comes straight from the sun's disc; ``circumsolar`` is diffuse, from the bright patch
    round the sun (0 in the isotropic model); ``sky`` from the rest of the sky; ``ground`` is
    reflected by the ground. ``cos_aoi`` is the cosine of the angle of incidence, negative with the
    sun behind the panel.
    """

    beam: np.ndarray
    circumsolar: np.ndarray
    sky: np.ndarray
    ground: np.ndarray
    cos_aoi: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """All light on the plane, W/m2."""
        return self.beam + self.circumsolar + self.sky + self.ground


def clear_sky(
    place: Place,
    steps: Steps,
    *,
    turbidity: float | None = DEFAULT_TURBIDITY,
    temp_air: float = DEFAULT_TEMP_AIR,
    wind_speed: float = DEFAULT_WIND_SPEED,
) -> Sky:
    """Return the light of a cloudless sky by the model of Ineichen and Perez (2002).

    Parameters
    ----------
    place : Place
    steps : Steps
    turbidity : float or None
        Linke turbidity, 1 (no haze at all) to 10; about 2 in cold clear air, 3 in a temperate
        climate, 5 in a polluted town (common practice, no source). None takes the monthly
        world map that comes with pvlib.
    temp_air, wind_speed : float
        degC and m/s, the same all the time: a clear-sky model does not know them.

    Raises
    ------
    RangeError
        The sun does not rise, or a turbidity that no air has.
    """
    from pvlib import atmosphere, clearsky

    index, sun = sunlit(place, steps)
    note = f"air at {temp_air:g} °C and wind of {wind_speed:g} m/s all the time"
    if turbidity is None:
        linke = clearsky.lookup_linke_turbidity(
            sun.times, place.latitude, place.longitude, interp_turbidity=False
        ).to_numpy()
        spread = f"{linke.min():.1f} to {linke.max():.1f}"
        source = f"clear sky (Linke turbidity {spread} from the monthly world map in pvlib)"
    else:
        if not 1 <= turbidity <= 10:
            raise RangeError(
                f"Linke turbidity {turbidity:g} is outside 1 to 10",
                remedy="3 suits clear days in a temperate climate",
            )
        linke = turbidity
        source = f"clear sky (Linke turbidity {turbidity:g})"
    dni_extra = extraterrestrial(sun.times)
    airmass = atmosphere.get_relative_airmass(sun.apparent_zenith)
    light = clearsky.ineichen(
        sun.apparent_zenith,
        atmosphere.get_absolute_airmass(airmass, atmosphere.alt2pres(place.altitude)),
        linke,
        altitude=place.altitude,
        dni_extra=dni_extra,
    )
    still = np.ones(len(index))
    return Sky(
        place,
        sun.times,
        steps.hours,
        len(steps.times) * steps.hours,
        sun.apparent_zenith,
        sun.azimuth,
        light["ghi"],
        light["dni"],
        light["dhi"],
        dni_extra,
        airmass,
        temp_air * still,
        wind_speed * still,
        source,
        (note,),
    )


def on_plane(
    sky: Sky,
    tilt: Any,
    azimuth: Any,
    model: SkyModel = SkyModel.HAY_DAVIES,
    albedo: float = DEFAULT_ALBEDO,
) -> PlaneLight:
    """Return the light on a plane of any tilt and azimuth, one for all steps or one for each.

    Parameters
    ----------
    sky : Sky
    tilt, azimuth : float or ndarray
        deg; tilt 0 to 180, azimuth from north, clockwise.
    model : SkyModel
    albedo : float
        Fraction of light that the ground gives back, 0 to 1; 0.2 for grass or bare earth.

    Raises
    ------
    RangeError
        An albedo or tilt outside its range.
    """
    from pvlib import irradiance

    if not 0 <= albedo <= 1:
        raise RangeError(
            f"albedo {albedo:g} is outside 0 to 1", remedy="0.2 suits grass, 0.8 fresh snow"
        )
    tilt = np.asarray(tilt, dtype=float)
    if tilt.size and not (tilt.min() >= 0 and tilt.max() <= 180):
        raise RangeError(f"tilt {tilt.min():g} to {tilt.max():g} deg is outside 0 to 180 deg")
    cos_aoi = irradiance.aoi_projection(tilt, azimuth, sky.zenith, sky.azimuth)
    model = SkyModel(model)
    if model is SkyModel.ISOTROPIC:
        circumsolar, diffuse = np.zeros(()), irradiance.isotropic(tilt, sky.dhi)
    else:
        circumsolar, diffuse = _sky_light(sky, tilt, azimuth, model, cos_aoi)
    ground = irradiance.get_ground_diffuse(tilt, sky.ghi, albedo)
    beam = sky.dni * np.maximum(cos_aoi, 0.0)
    parts = (beam, circumsolar, diffuse, ground, cos_aoi)
    whole = np.broadcast_shapes(*(part.shape for part in parts))
    return PlaneLight(*(np.broadcast_to(part, whole) for part in parts))


def _sky_light(
    sky: Sky, tilt: np.ndarray, azimuth: Any, model: SkyModel, cos_aoi: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the light from round the sun and from the rest of the sky, W/m2."""
    from pvlib import irradiance

    if model is SkyModel.HAY_DAVIES:
        ratio = np.maximum(cos_aoi, 0) / np.cos(np.radians(np.minimum(sky.zenith, LOW_SUN)))
        parts = irradiance.haydavies(
            tilt,
            azimuth,
            sky.dhi,
            sky.dni,
            sky.dni_extra,
            projection_ratio=ratio,
            return_components=True,
        )
        return parts["poa_circumsolar"], parts["poa_isotropic"]
    # The model divides by the diffuse light; where there is none there is none on the plane.
    lit = sky.dhi > _DARK
    parts = irradiance.perez(
        tilt,
        azimuth,
        np.where(lit, sky.dhi, 0.0),
        sky.dni,
        sky.dni_extra,
        sky.zenith,
        sky.azimuth,
        sky.airmass,
        return_components=True,
    )
    near = np.where(lit, parts["poa_circumsolar"], 0.0)
    return near, np.where(lit, parts["poa_sky_diffuse"], 0.0) - near
