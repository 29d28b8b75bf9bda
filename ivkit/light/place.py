"""A place on earth and times that carry their zone: what a sun position needs.

A naive time would be read as UTC and put the sun in the wrong place without a word, so it is
refused; so are coordinates that do not exist, and a time zone from another part of the world.
"""

from dataclasses import dataclass
from typing import Any

from ivkit.errors import RangeError


@dataclass(frozen=True)
class Place:
    """A point on the earth.

    Attributes
    ----------
    latitude, longitude : float
        deg, -90 to 90, north positive; -180 to 180, east positive.
    altitude : float
        m above the sea, -430 (Dead Sea) to 9000.

    Raises
    ------
    RangeError
        Coordinates that no place on earth has.
    """

    latitude: float
    longitude: float
    altitude: float = 0.0

    def __post_init__(self) -> None:
        for word, limit in (("latitude", 90.0), ("longitude", 180.0)):
            value = getattr(self, word)
            if abs(value) <= limit:
                continue
            swapped = word == "latitude" and abs(value) <= 180 and abs(self.longitude) <= 90
            raise RangeError(
                f"{word} {value:g} deg is outside {-limit:g} to {limit:g} deg",
                remedy="latitude and longitude look swapped: give latitude (north positive) "
                "first, then longitude (east positive)"
                if swapped
                else "give degrees, north and east positive",
            )
        if not -430 <= self.altitude <= 9000:
            raise RangeError(
                f"altitude {self.altitude:g} m is outside -430 to 9000 m",
                remedy="give metres above the sea",
            )

    def __str__(self) -> str:
        north = "N" if self.latitude >= 0 else "S"
        east = "E" if self.longitude >= 0 else "W"
        return f"{abs(self.latitude):g}° {north}, {abs(self.longitude):g}° {east}"

    @property
    def equator(self) -> float:
        """Azimuth (deg) of the equator from here: 180 in the north, 0 in the south."""
        return 180.0 if self.latitude >= 0 else 0.0


@dataclass(frozen=True)
class Steps:
    """Middles of equal steps of time, a DatetimeIndex with its zone; and their length, h."""

    times: Any
    hours: float

    def __post_init__(self) -> None:
        explicit_times(self.times)


def explicit_times(times: Any) -> Any:
    """Return ``times`` as a DatetimeIndex that carries a time zone; RangeError for naive times.

    >>> explicit_times(["2026-06-21T12:00+01:00"])[0].isoformat()
    '2026-06-21T12:00:00+01:00'
    """
    import pandas as pd

    index = pd.DatetimeIndex(times)
    if index.tz is None:
        first = index[0].isoformat() if len(index) else "an empty list"
        raise RangeError(
            f"the time {first} has no time zone",
            remedy="write the offset, as in 2026-06-21T12:00+01:00, "
            "or name the zone, as in Europe/London",
        )
    return index


def time_zone(name: str, place: Place | None = None) -> Any:
    """Return the time zone ``name``, checked against the longitude where a place is given.

    A named zone whose noon is more than 50 deg (3 h 20 min) from the place's own noon belongs
    to another part of the world (the widest real one, western China, is 46 deg off): the sign
    of the longitude, or its order, is wrong. UTC and fixed offsets are taken for any place.
    RangeError for an unknown zone, or one from elsewhere.
    """
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    try:
        zone = ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise RangeError(
            f"time zone {name!r} is not known",
            remedy="give a name such as Europe/London, America/Denver, UTC or Etc/GMT-1",
        ) from None
    if place is None or "/" not in name or name.startswith("Etc/"):
        return zone
    january = datetime(2026, 1, 1, tzinfo=UTC).astimezone(zone)
    standard = (january.utcoffset() - january.dst()).total_seconds() / 240
    apart = (place.longitude - standard + 180) % 360 - 180
    if abs(apart) > 50:
        raise RangeError(
            f"longitude {place.longitude:g} deg is {abs(apart):.0f} deg away from the time zone "
            f"{name}, whose noon is at {standard:g} deg",
            remedy="check the sign (east positive), check that latitude and longitude are not "
            "swapped, or give the zone of the place (UTC is taken anywhere)",
        )
    return zone


def day_steps(day: str, zone: Any, minutes: float = 1.0) -> Steps:
    """Return the steps of one calendar day, ``day`` as 2026-06-21, in a time zone."""
    start = midnight(day, zone)
    import pandas as pd

    return _steps(start, start + pd.DateOffset(days=1), minutes)


def year_steps(year: int, zone: Any, minutes: float = 1.0) -> Steps:
    """Return the steps of one calendar year in a time zone."""
    return _steps(midnight(f"{year}-01-01", zone), midnight(f"{year + 1}-01-01", zone), minutes)


def midnight(day: str, zone: Any) -> Any:
    """Return the beginning of a day of 1900 to 2100, written as 2026-06-21, in a zone.

    RangeError for anything else.
    """
    from datetime import date

    import pandas as pd

    try:
        written = date.fromisoformat(day)
    except ValueError:
        raise RangeError(
            f"{day!r} is not a day", remedy="write year-month-day, as in 2026-06-21"
        ) from None
    if not 1900 <= written.year <= 2100:
        raise RangeError(
            f"the year {written.year} is outside 1900 to 2100",
            remedy="the sun's position is only computed there",
        )
    # Some zones put their clocks forward at midnight: that day begins at one o'clock.
    return pd.Timestamp(written).tz_localize(zone, nonexistent="shift_forward", ambiguous=True)


def _steps(start: Any, end: Any, minutes: float) -> Steps:
    import pandas as pd

    if not 0 < minutes <= 60:
        raise RangeError(
            f"a step of {minutes:g} minutes is outside 0 to 60 minutes",
            remedy="1 minute is a good choice for a day, 5 for a year",
        )
    step = pd.Timedelta(minutes=minutes)
    times = pd.date_range(start, end, freq=step, inclusive="left") + step / 2
    return Steps(times, minutes / 60)
