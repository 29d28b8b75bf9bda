"""What tracking is worth: energy over a day or a year, mount against mount.

Three answers for each mount: the light that it takes, the energy at maximum power, and the energy
into a fixed load: below the knee power goes as the square of the light and tracking gains more,
above it hardly at all. How the sky's diffuse light is spread decides 5 to 7 points of a gain, so
everything is computed for three sky models and the spread is part of the answer.

Sources: glass: Martin and Ruiz (2001), direct and diffuse; cell temperature: Faiman (2008), or Ross
(1981) by the nominal module operating temperature; all as pvlib implements them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError
from ivkit.light.incidence import martin_ruiz
from ivkit.light.mount import Fixed, Mount, OneAxis, Orientation, Retilted, TwoAxis
from ivkit.light.place import Place
from ivkit.light.sky import DEFAULT_ALBEDO, PlaneLight, Sky, SkyModel, on_plane
from ivkit.panel.power_table import Panel, PowerTable

GLASS = ASSUMED["glass: angular loss"].value
"""Angular loss coefficient of plain glass; what grazing angles lose besides is not counted."""


class Yield(StrEnum):
    """What a mount is judged by."""

    LIGHT = "light"
    MAX_POWER = "max_power"
    LOAD = "load"


@dataclass(frozen=True)
class Drive:
    """What a tracker's motors and control take.

    Attributes
    ----------
    moving : W while a motor runs, one motor at a time.
    standby : W day and night.
    speed : deg/s of an axis.
    """

    moving: float = 0.0
    standby: float = 0.0
    speed: float = 1.0

    def __post_init__(self) -> None:
        if not (0 <= self.moving < np.inf and 0 <= self.standby < np.inf):
            what = f"a drive that takes {min(self.moving, self.standby):g} W"
            raise RangeError(what, remedy="give watts, 0 or more")
        if not 0 < self.speed <= 360:
            what = f"a drive that turns at {self.speed:g} deg/s"
            raise RangeError(what, remedy="give deg/s, above 0")

    def energy(self, travel: float, hours: float) -> float:
        """Return what it takes, Wh, for a travel in deg within a time in h."""
        return self.moving * travel / self.speed / 3600 + self.standby * hours


@dataclass(frozen=True)
class Collected:
    """What one mount collects under one sky model.

    Attributes
    ----------
    light : ndarray. On the plane at each step, W/m2.
    max_power, load_power : ndarray or None. W at each step, at maximum power and into the load;
        None where not asked for.
    hours : Length of a step, h.
    """

    mount: Mount
    orientation: Orientation
    light: np.ndarray
    max_power: np.ndarray | None
    load_power: np.ndarray | None
    hours: float

    def series(self, what: Yield) -> np.ndarray | None:
        """Return the light (W/m2) or the power (W) at each step."""
        return self.load_power if what is Yield.LOAD else getattr(self, what.value)

    def energy(self, what: Yield) -> float:
        """Return Wh/m2 of light, or Wh of the panel before any drive; NaN where not asked for."""
        series = self.series(what)
        return float("nan") if series is None else float(np.sum(series)) * self.hours


@dataclass(frozen=True)
class Gain:
    """Mounts compared, the first being what the others are compared with.

    Attributes
    ----------
    model : The one that the answer is for.
    by_model : mapping of SkyModel to tuple of Collected. One for each mount.
    albedo, glass, nmot : As given to `gain`.
    """

    sky: Sky
    model: SkyModel
    by_model: dict[SkyModel, tuple[Collected, ...]]
    drive: Drive | None = None
    load_ohm: float | None = None
    albedo: float = DEFAULT_ALBEDO
    glass: float | None = GLASS
    nmot: float | None = None

    @property
    def mounts(self) -> tuple[Collected, ...]:
        """What each mount collects, under the model of the answer."""
        return self.by_model[self.model]

    @property
    def yields(self) -> tuple[Yield, ...]:
        """What was computed: light always, the panel's power where a panel was given."""
        first = self.mounts[0]
        return tuple(what for what in Yield if first.series(what) is not None)

    def drive_energy(self, mount: int) -> float:
        """Return what the drive of a mount takes over the whole time, Wh; 0 for a fixed one."""
        collected = self.mounts[mount]
        if self.drive is None or not collected.mount.turns:
            return 0.0
        return self.drive.energy(collected.orientation.travel, self.sky.total_hours)

    def energy(self, mount: int, what: Yield, model: SkyModel | None = None) -> float:
        """Return Wh of the panel less its drive, or Wh/m2 of light."""
        energy = self.by_model[model or self.model][mount].energy(what)
        return energy if what is Yield.LIGHT else energy - self.drive_energy(mount)

    def over_first(self, mount: int, what: Yield, model: SkyModel | None = None) -> float:
        """Return the gain over the first mount, as a share: 0.3 is 30 % more.

        NaN where the first mount collects nothing.
        """
        first = self.energy(0, what, model)
        return self.energy(mount, what, model) / first - 1 if first > 0 else float("nan")

    def spread(self, mount: int, what: Yield) -> tuple[float, float]:
        """Return the least and the greatest gain over the sky models."""
        gains = [self.over_first(mount, what, model) for model in self.by_model]
        return min(gains), max(gains)

    def break_even(self, mount: int, what: Yield) -> float:
        """Return the mean power (W) at which a drive would take all that the mount gains.

        For light, per rated watt of panel (1 W from 1000 W/m2, temperature left aside).
        """
        collected = self.mounts
        more = collected[mount].energy(what) - collected[0].energy(what)
        return more / self.sky.total_hours / (1000.0 if what is Yield.LIGHT else 1.0)


def gain(
    sky: Sky,
    mounts: Sequence[Mount],
    *,
    panel: Panel | None = None,
    load_ohm: float | None = None,
    drive: Drive | None = None,
    model: SkyModel = SkyModel.HAY_DAVIES,
    models: Sequence[SkyModel] = tuple(SkyModel),
    albedo: float = DEFAULT_ALBEDO,
    glass: float | None = GLASS,
    nmot: float | None = None,
) -> Gain:
    """Return what each mount collects, at maximum power and into a load, under each sky model.

    Parameters
    ----------
    mounts : sequence of Mount. The first is what the others are compared with.
    panel : Without one only the light is compared.
    load_ohm : A fixed load, ohm, greater than 0.
    drive : Taken off the energy of the mounts that turn.
    model : For the answer, and for the choice of the best tilts.
    models : sequence of SkyModel. For the spread.
    albedo : 0 to 1.
    glass : Angular loss coefficient of Martin and Ruiz, above 0; None for a panel without glass.
    nmot : Nominal module operating temperature, degC, which then gives the cell temperature instead
        of Faiman's equation (25 W/m2/K and 6.84 W/m2/K per m/s).

    Raises RangeError: no mounts; a load or a drive without a panel; a value outside its range.
    """
    if not mounts:
        raise RangeError("no mounts to compare", remedy="give at least one")
    if panel is None and (load_ohm is not None or drive is not None):
        what = "a load's power" if load_ohm is not None else "what a drive takes"
        raise RangeError(
            f"{what} needs a panel to be compared with",
            remedy="give the panel too (--datasheet), or leave it out for the light alone",
        )
    if nmot is not None and not 20 <= nmot <= 90:
        what = f"nominal module operating temperature {nmot:g} degC is outside 20 to 90 degC"
        raise RangeError(what, remedy="45 degC is usual")
    model = SkyModel(model)
    held = [mount.orientation(sky, model, albedo) for mount in mounts]
    kinds = [kind for kind in SkyModel if kind in {model, *map(SkyModel, models)}]
    lights, conditions = {}, {}
    for kind in kinds:
        for k, looks in enumerate(held):
            light = on_plane(sky, looks.tilt, looks.azimuth, kind, albedo)
            lights[kind, k] = light.total
            if panel is not None:
                conditions[kind, k] = (
                    through_glass(light, looks.tilt, glass),
                    cell_temperature(light.total, sky, nmot),
                )
    table = None if panel is None else _table(panel, load_ohm, list(conditions.values()))

    def collected(kind: SkyModel, k: int) -> Collected:
        powers = (None, None) if table is None else table.look_up(*conditions[kind, k])
        return Collected(mounts[k], held[k], lights[kind, k], *powers, sky.hours)

    by_model = {kind: tuple(collected(kind, k) for k in range(len(mounts))) for kind in kinds}
    return Gain(sky, model, by_model, drive, load_ohm, albedo, glass, nmot)


def _table(panel: Panel, load_ohm: float | None, conditions: list[tuple]) -> PowerTable:
    """Return the panel's table of powers, as wide as the conditions (W/m2, degC) need."""
    return PowerTable.of(
        panel,
        load_ohm,
        brightest=max(float(light.max()) for light, _ in conditions),
        coldest=min(float(cells.min()) for _, cells in conditions),
        hottest=max(float(cells.max()) for _, cells in conditions),
    )


def through_glass(light: PlaneLight, tilt: np.ndarray | float, glass: float | None) -> np.ndarray:
    """Return the effective irradiance (W/m2): what of the light reaches the cells.

    The spectrum is taken as AM1.5G throughout. ``glass`` is the angular loss coefficient of
    Martin and Ruiz, None for no glass.

    Raises RangeError: a coefficient outside 0 to 1.
    """
    if glass is None:
        return light.total
    from pvlib import iam

    aoi = np.degrees(np.arccos(np.clip(light.cos_aoi, -1.0, 1.0)))
    direct = martin_ruiz(aoi, glass)
    diffuse = iam.martin_ruiz_diffuse(tilt, a_r=glass)
    return (
        (light.beam + light.circumsolar) * direct
        + light.sky * diffuse["sky"]
        + light.ground * diffuse["ground"]
    )


def cell_temperature(light: np.ndarray, sky: Sky, nmot: float | None = None) -> np.ndarray:
    """Return the cell temperature outdoors, degC, from the light on the plane (W/m2) and the air.

    Steady: a small panel takes some minutes to follow a cloud.
    """
    from pvlib import temperature

    if nmot is not None:
        return temperature.ross(light, sky.temp_air, noct=nmot)
    return temperature.faiman(light, sky.temp_air, sky.wind_speed)


def usual_mounts(place: Place, days: float) -> list[Mount]:
    """Return the mounts worth comparing: fixed at the latitude, tilted by hand, one and two axes.

    Tilt equal to latitude, towards the equator, is common practice for a fixed panel.

    ``days``: How long the time is: up to 40 days the hand tilts daily, beyond monthly.
    """
    return [
        Fixed(round(abs(place.latitude), 1), place.equator),
        Retilted("day" if days < 40 else "month", place.equator),
        OneAxis(0.0, place.equator),
        TwoAxis(),
    ]
