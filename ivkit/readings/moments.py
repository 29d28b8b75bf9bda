"""Dates and times of day in a column, as seconds since the first of them.

Only what can be read in one way is read: ISO 8601 dates, and times of day with seconds. Day and
month in either order, and 12:30 without a word whether that is minutes or hours, are refused.
"""

import re
from datetime import datetime

from ivkit.readings.units import Unit
from ivkit.readings.written_number import shown

FORMATS = {
    "hh:mm:ss": Unit("hh:mm:ss", "time"),
    "hh:mm": Unit("hh:mm", "time"),
    "mm:ss": Unit("mm:ss", "time"),
    "date and time": Unit("date and time", "time"),
}
"""What may stand where a time's unit belongs and says how it is written."""

_ZONES = {"utc", "gmt", "local", "local time", "iso", "iso 8601", "cet", "cest", "mez", "mesz"}
_CLOCK = re.compile(r"(\d\d?):(\d\d)(?::(\d\d(?:[.,]\d+)?))?", re.ASCII)
_ISO = re.compile(r"\d{4}([-/])\d\d\1\d\d(?:[T ]\d\d:\d\d.*)?", re.ASCII)
_HALF_A_DAY = 43200.0


def find_format(text: str) -> Unit | None:
    """Return the format that a heading's ``(hh:mm)`` or ``(UTC)`` stands for, or None."""
    plain = text.strip().casefold()
    if plain in _ZONES or re.fullmatch(r"[ymdj]{2,4}([-./])[ymdjt]{2}\1[ymdjt]{2,4}.*", plain):
        return FORMATS["date and time"]
    plain = re.sub(r"([hms])\1?", r"\1\1", plain)
    return FORMATS.get(plain)


class Moments:
    """The dates or times of day of one column; ``start`` is the first date, where time is zero."""

    def __init__(self, form: Unit | None) -> None:
        self.form = form.name if form in FORMATS.values() else ""
        self.start: datetime | None = None
        self.used = False
        self._first = self._last = 0.0

    def read(self, text: str) -> float:
        """Return seconds since the first moment that was read.

        ValueError: with two texts, what is wrong with the moment and what to do.
        """
        clock = _CLOCK.fullmatch(text)
        if clock and self.start is None and (clock[3] or self.form in ("hh:mm", "mm:ss")):
            return self._read_clock(text, clock)
        if _ISO.fullmatch(text) and (self.start is not None or not self.used):
            try:
                moment = datetime.fromisoformat(text.replace("/", "-"))
                self.start = self.start or moment
                self.used = True
                return (moment - self.start).total_seconds()
            except (ValueError, TypeError, OverflowError):
                raise ValueError(
                    f"'{shown(text)}' is no date and time like the others",
                    "write 2024-06-05T12:00:00, all with a time zone or all without",
                ) from None
        raise ValueError(
            f"'{shown(text)}' can be read as more than one time",
            "write 2024-06-05T12:00:00, or 12:00:00, or seconds as a number",
        )

    def _read_clock(self, text: str, clock: re.Match) -> float:
        unit = 3600.0 if clock[3] or self.form == "hh:mm" else 60.0
        seconds = unit * int(clock[1]) + unit / 60 * int(clock[2])
        seconds += float((clock[3] or "0").replace(",", "."))
        if not self.used:
            self.used, self._first, self._last = True, seconds, seconds
        if seconds - self._last < -_HALF_A_DAY:
            raise ValueError(
                f"'{shown(text)}' is half a day before the reading above it",
                "write the date too, as 2024-06-05T12:00:00",
            )
        self._last = seconds
        return seconds - self._first
