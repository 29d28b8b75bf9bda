"""Weather as light: hours or minutes of GHI, DNI and DHI, from wherever they were read.

A step's light is taken at the middle of the step: weather files give means, and the sun at the
end of an hour is half an hour away from the light that was measured.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ivkit.errors import RangeError, TableError
from ivkit.light.place import Place, Steps, explicit_times
from ivkit.light.sky import DEFAULT_TEMP_AIR, DEFAULT_WIND_SPEED, Sky
from ivkit.light.sun import extraterrestrial, sun_position, sunlit

# W/m2. Direct light cannot exceed what arrives above the atmosphere (1.03 x 1361); the bright
# edge of a cloud has been seen to lift the global to 1.8 kW/m2 (Yordanov et al. 2013).
_HIGHEST = {"ghi": 2000.0, "dni": 1450.0, "dhi": 1200.0}
# Instruments read a little below zero at night.
_LOWEST = -30.0


@dataclass(frozen=True)
class Weather:
    """Light and air of a place, step by step, nights included; NaN where a value is missing.

    Attributes
    ----------
    place : Place
    times : pandas.DatetimeIndex
        Middle of each step, with its time zone, rising.
    hours : float
        Length of a step, h.
    ghi, dni, dhi : ndarray
        W/m2. At most one of the three may be missing throughout.
    temp_air, wind_speed : ndarray
        degC; m/s.
    source : str
        Name of the file, for the reader.
    notes : tuple of str

    Raises
    ------
    TableError
        Light that no sky gives, or times that do not rise.
    """

    place: Place
    times: Any
    hours: float
    ghi: np.ndarray
    dni: np.ndarray
    dhi: np.ndarray
    temp_air: np.ndarray
    wind_speed: np.ndarray
    source: str
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        explicit_times(self.times)
        for name, highest in _HIGHEST.items():
            values = getattr(self, name)
            odd = np.flatnonzero((values > highest) | (values < _LOWEST))
            if len(odd):
                at = odd[0]
                raise TableError(
                    f"{name.upper()} is {values[at]:g} W/m2 at {self.times[at]}, "
                    f"outside {_LOWEST:g} to {highest:g} W/m2",
                    self.source,
                    "check the column's unit, or leave the cell blank",
                )

    def during(self, day: str | None = None, year: int | None = None) -> "Weather":
        """Return the steps of one day (2026-06-21) or one year, by the times' own zone.

        TableError where nothing in the table is from then.
        """
        if day is not None:
            pick = np.asarray(self.times.strftime("%Y-%m-%d")) == day
        elif year is not None:
            pick = self.times.year.to_numpy() == year
        else:
            return self
        if not pick.any():
            raise TableError(
                f"no light on {day or year}",
                self.source,
                f"it runs from {self.times[0]:%Y-%m-%d} to {self.times[-1]:%Y-%m-%d}",
            )
        return self._take(pick)

    def finer(self, minutes: float) -> "Weather":
        """Return steps of at most ``minutes``, the light the same within each old step.

        The sun moves 15 deg in an hour: what a tracker loses between two moves cannot be seen
        in hourly steps.
        """
        import pandas as pd

        parts = int(np.ceil(self.hours * 60 / minutes - 1e-9))
        if parts <= 1:
            return self
        hours = self.hours / parts
        offsets = pd.to_timedelta((np.arange(parts) + 0.5) * hours - self.hours / 2, unit="h")
        times = self.times.repeat(parts) + pd.TimedeltaIndex(np.tile(offsets, len(self.times)))
        times = times.round("ms")
        note = f"each step of {self.hours * 60:g} min parted into {parts} of the same light"
        fine = self._take(np.repeat(np.arange(len(self.times)), parts))
        return replace(fine, times=times, hours=hours, notes=(*self.notes, note))

    def _take(self, pick: Any) -> "Weather":
        names = ("times", "ghi", "dni", "dhi", "temp_air", "wind_speed")
        return replace(self, **{name: getattr(self, name)[pick] for name in names})

    def sky(
        self, temp_air: float = DEFAULT_TEMP_AIR, wind_speed: float = DEFAULT_WIND_SPEED
    ) -> Sky:
        """Return the light of the steps with the sun up, as the planes below it see it.

        A missing one of GHI, DNI and DHI follows from GHI = DNI cos(zenith) + DHI. Light in steps
        whose middle is dark (the hours of sunrise and sunset) is left out and counted. ``temp_air``
        (degC) and ``wind_speed`` (m/s) are taken where the file has none. RangeError where the sun
        does not rise, or two of the three are missing.
        """
        from pvlib import atmosphere

        index, sun = sunlit(self.place, Steps(self.times, self.hours))
        day = self._take(index)
        notes = list(self.notes)
        ghi, dni, dhi, completed = _complete(day.ghi, day.dni, day.dhi, sun.apparent_zenith)
        if completed:
            notes.append(completed)
        good = np.isfinite(ghi + dni + dhi)
        if not good.any():
            raise RangeError(
                "no step with the sun up has all of GHI, DNI and DHI",
                self.source,
                "two of the three are needed, the third follows",
            )
        if not good.all():
            notes.append(f"{np.count_nonzero(~good)} of {len(good)} steps without light left out")
        notes += self._left_in_the_dark(index)
        air = []
        for name, default, unit in (
            ("temp_air", temp_air, "°C of air"),
            ("wind_speed", wind_speed, "m/s of wind"),
        ):
            values = getattr(day, name)
            missing = np.isnan(values)
            if missing.any():
                many = (
                    "" if missing.all() else f" in {np.count_nonzero(missing)} of {len(good)} steps"
                )
                notes.append(f"{default:g} {unit} assumed{many}")
            air.append(np.where(missing, default, values)[good])
        zenith = sun.apparent_zenith[good]
        times = sun.times[good]
        return Sky(
            self.place,
            times,
            self.hours,
            len(self.times) * self.hours,
            zenith,
            sun.azimuth[good],
            *(np.maximum(x[good], 0.0) for x in (ghi, dni, dhi)),
            extraterrestrial(times),
            atmosphere.get_relative_airmass(zenith),
            *air,
            self.source,
            tuple(notes),
        )

    def _left_in_the_dark(self, index: np.ndarray) -> list[str]:
        """Say how much beam falls in steps whose middle is dark, where it is worth a word."""
        whole = np.nansum(self.dni)
        lost = whole - np.nansum(self.dni[index])
        if lost <= 0.001 * whole:
            return []
        return [
            f"{lost * self.hours:.0f} of {whole * self.hours:.0f} Wh/m² of beam fall in steps "
            "whose middle is dark and are left out"
        ]


def _complete(
    ghi: np.ndarray, dni: np.ndarray, dhi: np.ndarray, zenith: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, str]:
    """Return all three, the one that is missing throughout from the other two, and a note."""
    cosine = np.cos(np.radians(zenith))
    if np.isnan(dni).all():
        beam = np.maximum(ghi - dhi, 0.0)
        # Next to the horizon the quotient is all error: at 87 deg one W/m2 becomes twenty.
        high = zenith < 87
        dni = np.where(high, beam / np.where(high, cosine, 1.0), 0.0)
        return ghi, np.minimum(dni, _HIGHEST["dni"]), dhi, "DNI from GHI and DHI"
    if np.isnan(dhi).all():
        return ghi, dni, np.maximum(ghi - dni * cosine, 0.0), "DHI from GHI and DNI"
    if np.isnan(ghi).all():
        return dni * cosine + dhi, dni, dhi, "GHI from DNI and DHI"
    return ghi, dni, dhi, ""


def closure(weather: Weather, shift_hours: float) -> float:
    """Return how badly GHI = DNI cos(zenith) + DHI holds with the times moved, W/m2 rms.

    A stamp read as the middle of a step when it is the end shows here: the sun is then half a
    step from where the light was measured. Infinite where one of the three is missing.
    """
    import pandas as pd

    lit = np.flatnonzero(weather.ghi > 20)
    lit = lit[:: max(1, len(lit) // 2000)]
    if not len(lit) or not np.isfinite(weather.ghi + weather.dni + weather.dhi)[lit].any():
        return float("inf")
    sun = sun_position(weather.place, weather.times[lit] + pd.Timedelta(hours=shift_hours))
    cosine = np.maximum(np.cos(np.radians(sun.apparent_zenith)), 0.0)
    gap = weather.dni[lit] * cosine + weather.dhi[lit] - weather.ghi[lit]
    return float(np.sqrt(np.nanmean(gap**2)))
