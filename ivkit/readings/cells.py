"""The cells of one column, read block by block into numbers in SI."""

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import TableError
from ivkit.readings.lines import OPEN, SHORT, is_stamp
from ivkit.readings.moments import Moments
from ivkit.readings.resistor_value import resistor_value_and_step
from ivkit.readings.units import BASE_UNITS, Unit
from ivkit.readings.written_number import (
    BLANKS,
    RESIDUE,
    Marks,
    read_number,
    read_plain_numbers,
    shown,
    tidy,
    without_residue,
)

# Beyond these, a value without a unit is worth a word: no small panel gives it.
_MUCH = {"voltage": 200.0, "current": 50.0, "power": 2000.0}

# Beyond these, either way, no panel, meter or clock ever was: a slip of the finger, or damage.
# Generous, for any unit and any logger; only infinity, an open circuit, is a larger load.
_BEYOND = {
    "voltage": 1e6,
    "current": 1e6,
    "power": 1e9,
    "irradiance": 1e6,
    "illuminance": 1e9,
    "angle": 1e6,
    "distance": 1e6,
}
_COLDEST, _HOTTEST = -90.0, 200.0  # degC, as the option --temperature and the bench have it
_BEYOND_ALL = 1e15
_LEAST_LOAD, _MOST_LOAD = 1e-6, 1e15  # ohm, but for a short circuit and an open one


def no_load(ohm: ArrayLike) -> NDArray[np.bool_]:
    """Return which are no loads, neither short and open circuits nor anything between.

    >>> no_load([0.0, 1e-9, 47.0, np.inf, 1e300, -1.0])
    array([False,  True, False, False,  True,  True])
    """
    ohm = np.asarray(ohm, dtype=float)
    return (ohm < _LEAST_LOAD) & (ohm != 0) | (ohm > _MOST_LOAD) & np.isfinite(ohm)


class Column:
    """One column on its way from cells to numbers.

    Without a unit the values are taken as they stand, in the base unit. ``name`` is the file, for
    errors; ``line`` that of the quantity where the table holds one quantity a row, 0 otherwise.
    """

    def __init__(
        self, quantity: str, heading: str, unit: Unit | None, name: str, line: int = 0
    ) -> None:
        self.quantity, self.heading, self.unit = quantity, heading, unit
        self.name, self.line = name, line
        self.resolution: float | None = None
        self._moments = Moments(unit)
        self._parts: list[NDArray[np.float64]] = []
        self._cell_units: set[str] = set()
        self._residue = 0
        self._labels: dict[str, int] = {}

    @property
    def start(self) -> datetime | None:
        """The first date in a column of dates, at which time is zero."""
        return self._moments.start

    def add(self, cells: Sequence[str], rows: Sequence[int], marks: Marks) -> None:
        """Read the cells of a block; ``rows`` are their line numbers.

        TableError: a cell that is no number (or resistance, or time), at its row and column.
        """
        power = self.unit.power if self.unit else 0
        quick = None if self._moments.form else read_plain_numbers(cells, marks, power or 0)
        if quick is not None:
            values, step = np.array(quick[0]), quick[1]
            if self.unit and power is None:
                values, step = self.unit.to_base(values), self.unit.step_to_base(step)
            self._note_step(step)
            self._parts.append(values)
        else:
            self._parts.append(
                np.array([self._read(c, r, marks) for c, r in zip(cells, rows, strict=True)])
            )
        if self.quantity not in ("time", "sweep"):
            self._parts[-1], count = without_residue(self._parts[-1])
            self._residue += count
        self._refuse_beyond(cells, rows)

    def finish(self) -> tuple[NDArray[np.float64], list[str]]:
        """Return all values in the base unit, and what was understood."""
        values = np.concatenate(self._parts) if self._parts else np.empty(0)
        label, base = self.quantity.replace("_", " "), BASE_UNITS[self.quantity]
        if self._moments.used:
            return values, [f"read '{self.heading}' as {label} in s since the first"]
        if self._labels:
            return values, [f"numbered the {len(self._labels)} sweeps of '{self.heading}'"]
        if self.unit is not None:
            said = f"read '{self.heading}' as {label} in {self.unit.name}"
        elif self._cell_units:
            said = f"read '{self.heading}' as {label}, with the units in its cells"
        else:
            said = f"read '{self.heading}' as {label}" + f" in {base} (no unit given)" * bool(base)
        notes = [said]
        blank = int(np.isnan(values).sum())
        if blank:
            notes.append(f"'{self.heading}' is blank in {blank} of {len(values)} readings")
        if self._residue:
            notes.append(
                f"'{self.heading}': {self._residue} of {len(values)} readings, smaller than "
                f"{RESIDUE:g}{f' {base}' if base else ''}, taken as 0"
            )
        most = np.nanmax(np.abs(values), initial=0.0, where=~np.isnan(values))
        if self.unit is None and not self._cell_units and most > _MUCH.get(self.quantity, np.inf):
            notes.append(
                f"'{self.heading}' reaches {most:g} {base}, which is much for a small panel; if it "
                f"is in m{base}, say --column {self.quantity}='{self.heading}:m{base}'"
            )
        return values, notes

    def _place(self, row: int) -> str:
        if self.line:
            return f"{self.name}, row {self.line} ('{self.heading}'), value {row}"
        return f"{self.name}, row {row}, column '{self.heading}'"

    def _note_step(self, step: float) -> None:
        step = max(step, RESIDUE) if step > 0 else step
        self.resolution = step if self.resolution is None else min(step, self.resolution)

    def _read(self, cell: str, row: int, marks: Marks) -> float:
        text = cell.strip()
        if text in BLANKS:
            return np.nan
        if self.quantity == "time" and is_stamp(text):
            try:
                return self._moments.read(text)
            except ValueError as problem:
                what, remedy = problem.args
                raise TableError(what, self._place(row), remedy) from None
        if self.quantity == "time" and self._moments.form:
            raise TableError(
                f"'{shown(text)}' is no time written as {self._moments.form}",
                self._place(row),
                "write 2024-06-05T12:00:00, or 12:00:00, or name the unit in the heading",
            )
        if self.quantity == "load":
            if text.casefold() in OPEN:
                return np.inf
            if text.casefold() in SHORT:
                return 0.0
            if re.search("[a-zA-ZΩΩ]", text) and not re.search("[eE]", text):
                try:
                    value, step = resistor_value_and_step(tidy(text))
                except TableError as problem:
                    raise TableError(problem.what, self._place(row), problem.remedy) from None
                self._note_step(step)
                self._cell_units.add("")
                return value
        if self.quantity == "sweep" and not text.isdecimal():
            return float(self._labels.setdefault(text, len(self._labels) + 1))
        try:
            value, step, unit = read_number(text, marks)
        except ValueError as problem:
            remedy = "write a number or leave the cell blank"
            raise TableError(str(problem), self._place(row), remedy) from None
        if unit is not None:
            kind = "code" if self.quantity.endswith("_code") else self.quantity
            if unit.quantity != kind or (self.unit is not None and unit != self.unit):
                expected = self.unit.name if self.unit else f"a unit of {self.quantity}"
                raise TableError(
                    f"'{shown(text)}' is in {unit.name} where {expected} belongs",
                    self._place(row),
                    "write all values of a column in its unit",
                )
            self._cell_units.add(unit.name)
        unit = unit or self.unit
        self._note_step(unit.step_to_base(step) if unit else step)
        return unit.number_to_base(value) if unit else value

    def _refuse_beyond(self, cells: Sequence[str], rows: Sequence[int]) -> None:
        values, remedy = self._parts[-1], "correct the value or its unit, or leave the cell blank"
        negative = values < 0
        if self.quantity == "load" and negative.any():
            k = int(np.argmax(negative))
            what = f"'{shown(cells[k])}' is negative, which no load is"
            raise TableError(what, self._place(rows[k]), remedy.replace(" or its unit,", ""))
        if self.quantity == "temperature":
            beyond = (values < _COLDEST) | (values > _HOTTEST)
            remedy = "give the temperature of cells or air in degC; 298 K is 25 degC"
        elif self.quantity == "load":
            beyond = no_load(values)
        else:
            beyond = np.abs(values) > _BEYOND.get(self.quantity, _BEYOND_ALL)
        if beyond.any():
            k = int(np.argmax(beyond))
            label = self.quantity.replace("_", " ")
            unit = self.unit.name if self.unit else BASE_UNITS[self.quantity]
            what = f"'{shown(cells[k])}'" + f" {unit}" * bool(unit)
            raise TableError(f"{what} is no {label} that can be", self._place(rows[k]), remedy)
