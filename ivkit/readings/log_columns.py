"""The columns of a log: numbers, dates or times of day, and the directions of a drive."""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import TableError
from ivkit.readings.choice import find_column
from ivkit.readings.quantities import Heading
from ivkit.readings.units import Unit, find_unit, unit_names
from ivkit.readings.written_number import BLANKS, RESIDUE, Marks, read_number, without_residue

Array = NDArray[np.float64]

#: Names of the columns that say where a drive points, as people head them.
DIRECTIONS = {
    "pan": {"pan", "azimuth", "az", "yaw", "azimut", "acimut"},
    "tilt": {"tilt", "neigung", "inclinaison", "inclinacion", "inclination"},
    "elevation": {"elevation", "el", "altitude", "alt", "hohe", "elevacion"},
}
_FILLER = {"panel", "head", "drive", "servo", "axis", "angle", "motor", "angular", "position"}
_NANS = {"nan", "null", "none", "na", "n/a", "#n/a", "inf", "-inf", "+inf", "infinity"}
_DAY = 86400.0
_CLOCK = re.compile(r"(\d\d?):(\d\d):(\d\d(?:[.,]\d+)?)", re.ASCII)
_DATE = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d.*)?", re.ASCII)


def direction_columns(
    headings: Sequence[Heading], said: Mapping[str, str], name: str
) -> tuple[dict[str, tuple[int, Unit]], dict[str, str]]:
    """Return the columns of pan, tilt and elevation, and what the user ``said`` of the others.

    TableError: two columns for one direction, a unit that is none of an angle, or a choice that
    names no column.

    >>> from ivkit.readings.quantities import read_heading
    >>> found, _ = direction_columns([read_heading("t_s"), read_heading("pan_deg")], {}, "")
    >>> found["pan"][0], found["pan"][1].name
    (1, 'deg')
    """
    rest = {q: text for q, text in said.items() if q not in DIRECTIONS}
    found: dict[str, tuple[int, Unit]] = {}
    for quantity in DIRECTIONS.keys() & said.keys():
        found[quantity] = _said(quantity, said[quantity], headings, name)
    taken = {place for place, _ in found.values()}
    for place, heading in enumerate(headings):
        if place in taken or heading.meanings:
            continue
        quantity, written = _direction(heading.text)
        if quantity is None or quantity in said:
            continue
        unit = find_unit(written or "deg", "angle")
        if unit is None or unit.quantity != "angle":
            raise _no_angle(written, heading, name, " in the heading")
        if quantity in found:
            other = headings[found[quantity][0]].text
            raise TableError(
                f"columns '{other}' and '{heading.text}' may both be {quantity}",
                name,
                f"choose one with --column {quantity}={place + 1}",
            )
        found[quantity] = (place, unit)
    return found, rest


def _no_angle(written: str, heading: Heading, name: str, place: str = "") -> TableError:
    remedy = f"write one of {unit_names('angle')}{place}"
    what = f"'{written}' is no unit of an angle"
    return TableError(what, f"{name}, column '{heading.text}'", remedy)


def _direction(text: str) -> tuple[str | None, str]:
    """Return which direction a heading names, if any, and what stands where its unit belongs."""
    words = [w for w in re.split(r"[\s_()\[\]{}/,.:-]+", text.strip()) if w]
    names = [w.casefold().replace("ö", "o").replace("é", "e") for w in words]
    for quantity, known in DIRECTIONS.items():
        for k, word in enumerate(names):
            if word in known and all(w in _FILLER for w in names[:k]):
                rest = zip(words[k + 1 :], names[k + 1 :], strict=True)
                after = [w for w, n in rest if n not in _FILLER and n != "in"]
                if len(after) <= 1:
                    return quantity, after[0] if after else ""
    return None, ""


def _said(quantity: str, text: str, headings: Sequence[Heading], name: str) -> tuple[int, Unit]:
    """Return place and unit of the column that the user named."""
    for column, written in ((text, ""), text.rpartition(":")[::2]):
        place = find_column(column, headings)
        if place is not None:
            heading = headings[place]
            unit = find_unit(written, "angle") if written else heading.unit
            unit = unit or find_unit(_direction(heading.text)[1] or "deg", "angle")
            if unit is None or unit.quantity != "angle" or (written and not find_unit(written)):
                raise _no_angle(written, heading, name)
            return place, unit
    listed = ", ".join(f"{k} '{h.text}'" for k, h in enumerate(headings, start=1))
    raise TableError(f"no column '{text}' for {quantity}", name, f"the columns are {listed}")


class LogColumn:
    """One column, ``place`` from 0 in the file, on its way from pieces of it to an array in SI;
    without a unit its values are in the base unit.
    """

    def __init__(
        self, quantity: str, heading: str, unit: Unit | None, place: int, marks: Marks
    ) -> None:
        self.quantity, self.heading, self.unit = quantity, heading, unit
        self.place, self.marks = place, marks
        self.kind = "number"
        self.start: datetime | None = None
        self._zoned = False
        self._days = 0
        self._last = -np.inf
        self._first: float | None = None
        self._parts: list[Array] = []
        self._step = np.inf

    @property
    def resolution(self) -> float:
        """Last digit of the cells read one by one so far, SI; 0 before the first."""
        if not self._step < np.inf:
            return 0.0
        return self._step if self.unit is None else self.unit.step_to_base(self._step)

    @property
    def dtype(self) -> Any:
        """What pandas is to make of it."""
        return "float64" if self.kind == "number" else "str"

    def look_at(self, cells: Sequence[str]) -> None:
        """Find out from the first cells whether a time column holds dates or times of day."""
        if self.quantity != "time":
            return
        written = [c.strip() for c in cells if c.strip() not in BLANKS]
        for kind, pattern in (("clock", _CLOCK), ("date", _DATE)):
            if written and 2 * sum(bool(pattern.fullmatch(c)) for c in written) > len(written):
                self.kind = kind
        if self.kind == "date":
            first = next(c for c in written if _DATE.fullmatch(c))
            try:
                self.start = datetime.fromisoformat(first)
            except ValueError:
                self.kind = "number"
                return
            self._zoned = self.start.tzinfo is not None

    def convert(self, values: Any) -> Array | None:
        """Return a column that pandas has read, in SI; None where it does not go as a whole."""
        if self.kind == "number":
            return self._in_si(values.to_numpy())
        from pandas import Timestamp, to_datetime, to_timedelta

        try:
            if self.kind == "clock":
                seconds = to_timedelta(values.str.strip().str.replace(",", ".")).dt.total_seconds()
                return self._over_midnight(seconds.to_numpy(dtype=float))
            moments = to_datetime(values, format="ISO8601", utc=self._zoned)
            start = np.datetime64(self.start) if not self._zoned else Timestamp(self.start)
            return (moments - start).dt.total_seconds().to_numpy(dtype=float)
        except (ValueError, TypeError, AttributeError, OverflowError):
            return None

    def read_cell(self, cell: str) -> float:
        """Return one cell in SI, NaN where it is blank. ValueError: it does not belong in this
        column.
        """
        text = cell.strip()
        if text in BLANKS or text.casefold() in _NANS:
            return np.nan
        if self.kind == "clock":
            clock = _CLOCK.fullmatch(text)
            if clock is None:
                raise ValueError(text)
            hours, minutes, seconds = (float(part.replace(",", ".")) for part in clock.groups())
            seconds += 3600.0 * hours + 60.0 * minutes
            return float(self._over_midnight(np.array([seconds]))[0])
        if self.kind == "date":
            try:
                return (datetime.fromisoformat(text) - self.start).total_seconds()
            except (TypeError, OverflowError):
                raise ValueError(text) from None
        value, step, unit = read_number(text, self.marks)
        if unit is not None and unit != self.unit:
            raise ValueError(text)
        if step < self._step:
            self._step = max(step, RESIDUE)
        return float(self._in_si(np.array([value]))[0])

    def add(self, values: Array) -> None:
        """Take the next piece, in SI."""
        self._parts.append(values if self.quantity == "time" else without_residue(values)[0])

    def finish(self) -> Array:
        """Return all values, in SI."""
        if not self._parts:
            return np.empty(0)
        values = self._parts[0] if len(self._parts) == 1 else np.concatenate(self._parts)
        self._parts = []
        if self.kind == "clock":
            known = np.isfinite(values)
            if self._first is None and known.any():
                self._first = float(values[known][0])
            values = values - (self._first or 0.0)
        return values

    def notes(self) -> list[str]:
        """Say how the column was understood."""
        label = "angle of incidence" if self.quantity == "angle" else self.quantity
        label = label.replace("_", " ")
        if self.kind == "date":
            zone = "" if self._zoned else "; no time zone is given, and none is needed"
            return [f"read '{self.heading}' as dates, in s since the first{zone}"]
        if self.kind == "clock":
            return [f"read '{self.heading}' as times of day, in s since the first; no date given"]
        if self.unit is None:
            return [f"read '{self.heading}' as {label} (no unit given)"]
        return [f"read '{self.heading}' as {label} in {self.unit.name}"]

    def _in_si(self, values: Array) -> Array:
        unit = self.unit
        if unit is None or (unit.up == unit.down == 1.0 and unit.offset == 0.0):
            return values
        return unit.to_base(values)

    def _over_midnight(self, seconds: Array) -> Array:
        """Count on where times of day start again after midnight."""
        known = np.flatnonzero(np.isfinite(seconds))
        if not known.size:
            return seconds
        out = seconds.copy()
        steps = np.diff(
            seconds[known], prepend=self._last if np.isfinite(self._last) else seconds[known[0]]
        )
        out[known] += _DAY * (self._days + np.cumsum(steps < -_DAY / 2))
        self._days += int(np.sum(steps < -_DAY / 2))
        self._last = float(seconds[known[-1]])
        return out
