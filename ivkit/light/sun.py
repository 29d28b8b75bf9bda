"""Where the sun stands.

Angles in degrees. Azimuth counts from north, clockwise: 90 is east, 180 south, as in pvlib.

Source: Reda and Andreas, Solar position algorithm, NREL/TP-560-34302 (2008), as pvlib
implements it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ivkit.errors import RangeError
from ivkit.light.place import Place, Steps, explicit_times


@dataclass(frozen=True)
class SunPosition:
    """Where the sun stands, each an array like ``times``.

    ``zenith`` is the true angle from the zenith, ``apparent_zenith`` the same as seen through the
    bending air, ``azimuth`` from north, clockwise; deg.
    """

    times: Any
    zenith: np.ndarray
    apparent_zenith: np.ndarray
    azimuth: np.ndarray


def sun_position(
    place: Place,
    times: Any,
    *,
    pressure: float | None = None,
    temp_air: float = 12.0,
    delta_t: float | None = None,
) -> SunPosition:
    """Return where the sun stands at times that carry their zone, else RangeError.

    Parameters
    ----------
    place : Place
    times : sequence of times with a time zone
    pressure, temp_air : float, optional
        Pa and degC, for the bending of light near the horizon; the pressure from the altitude if
        left out.
    delta_t : float, optional
        Terrestrial minus universal time, s; estimated from the date if left out.
    """
    from pvlib import solarposition

    times = explicit_times(times)
    frame = solarposition.get_solarposition(
        times,
        place.latitude,
        place.longitude,
        altitude=place.altitude,
        pressure=pressure,
        method="nrel_numpy",
        temperature=temp_air,
        delta_t=delta_t,
    )
    return SunPosition(
        times,
        frame["zenith"].to_numpy(),
        frame["apparent_zenith"].to_numpy(),
        frame["azimuth"].to_numpy(),
    )


def may_be_up(place: Place, times: Any) -> np.ndarray:
    """Return where the sun may be above the horizon: a quick test with 3 deg to spare.

    The exact position is by far the dearest part of a year of minutes, and half of it is night.
    Uses the series of Spencer (1971), good to a few tenths of a degree.
    """
    from pvlib import solarposition

    utc = times.tz_convert("UTC")
    day = utc.day_of_year.to_numpy()
    hour = utc.as_unit("s").asi8 % 86400 / 3600
    minutes = solarposition.equation_of_time_spencer71(day)
    declination = solarposition.declination_spencer71(day)
    hour_angle = np.radians((hour - 12 + minutes / 60) * 15 + place.longitude)
    latitude = np.radians(place.latitude)
    height = np.sin(latitude) * np.sin(declination)
    height = height + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return height > np.cos(np.radians(93.0))


def extraterrestrial(times: Any) -> np.ndarray:
    """Return the direct normal irradiance above the atmosphere, W/m2 (Spencer, 1971)."""
    from pvlib import irradiance

    # By the number of the day: pvlib's own way to it uses a name that pandas is giving up.
    return irradiance.get_extra_radiation(times.tz_convert("UTC").day_of_year.to_numpy())


def sunlit(place: Place, steps: Steps, temp_air: float = 12.0) -> tuple[np.ndarray, SunPosition]:
    """Return the indices of the steps with the sun up, and its position in them.

    RangeError where the sun does not rise in this time.
    """
    index = np.flatnonzero(may_be_up(place, steps.times))
    if len(index):
        sun = sun_position(place, steps.times[index], temp_air=temp_air)
        up = sun.apparent_zenith < 90
        index = index[up]
        sun = SunPosition(sun.times[up], sun.zenith[up], sun.apparent_zenith[up], sun.azimuth[up])
    if not len(index):
        span = f"{steps.times[0]:%Y-%m-%d %H:%M}" if len(steps.times) else "no time at all"
        if len(steps.times) > 1:
            span += f" to {steps.times[-1]:%Y-%m-%d %H:%M}"
        raise RangeError(
            f"the sun does not rise at {place} in this time ({span})",
            remedy="there is nothing for a tracker to gain; take another day, "
            "or check the coordinates and the time zone",
        )
    return index, sun
