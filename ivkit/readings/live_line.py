"""One line of a logger, one reading; a line that makes no sense is a `BadLine` and no more.

Layout, units and marks are found as in a table, from the first lines. A heading that comes again is
passed over; another heading is taken from there on.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from ivkit.errors import TableError
from ivkit.readings.cells import no_load
from ivkit.readings.choice import choose_columns, known_quantities
from ivkit.readings.layout import Layout, find_layout, passed_over
from ivkit.readings.line_split import Line
from ivkit.readings.lines import OPEN, SEPARATORS, SHORT, cut, is_comment, is_empty, is_value
from ivkit.readings.log_columns import LogColumn
from ivkit.readings.quantities import read_heading
from ivkit.readings.resistor_value import resistor_value
from ivkit.readings.units import BASE_UNITS
from ivkit.readings.written_number import find_marks, shown, tidy

#: What a reading can be: beyond, it is a slip of the line (an empty cell often reads 1e35).
POSSIBLE = {
    "voltage": (-1e5, 1e5),
    "current": (-1e5, 1e5),
    "power": (-1e6, 1e6),
    "load": (0.0, math.inf),
    "irradiance": (-100.0, 1e5),
    "illuminance": (-1e3, 1e8),
    "temperature": (-90.0, 200.0),
    "angle": (-180.0, 180.0),
    "voltage_code": (-1e10, 1e10),
    "current_code": (-1e10, 1e10),
}
_NEEDED = ("voltage", "current", "power", "voltage_code", "current_code")
_UNNAMED = 5  # readings after which no better heading is waited for
_HEAD = 60  # lines that wait for a heading; then the oldest are given up
_KEPT = 10
_ONE_LINE = "write one reading a line, below a heading"


@dataclass(frozen=True, slots=True)
class LiveReading:
    """What one line says: its number, and values in SI by quantity as in `Table.columns`.

    NaN where a cell is blank; a quantity without a column is not there.
    """

    line: int
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that is no reading: its number, why, and its text, cut short and printable."""

    line: int
    why: str
    text: str


class LineReader:
    """Reads line after line; ``said`` is what the user says of columns, as in `read_table`.

    >>> reader = LineReader()
    >>> reader.read(Line(1, "t_s;U (mV)"))
    []
    >>> reader.read(Line(2, "0;607,5"))
    [LiveReading(line=2, values={'voltage': 0.6075, 'time': 0.0})]
    >>> reader.read(Line(3, "0,1;6@7"))
    [BadLine(line=3, why="voltage '6@7' is no number", text='0,1;6@7')]
    """

    def __init__(self, said: Mapping[str, str] | None = None, name: str = "the input") -> None:
        known = [q for q in BASE_UNITS if q != "sweep"]
        self.said, self.name = known_quantities(said, known, "a reading"), name
        self.notes: list[str] = []
        self._waiting: list[Line] = []
        self._trouble: TableError | None = None
        self._layout: Layout | None = None
        self._columns: list[LogColumn] = []
        self._heading: list[str] = []

    @property
    def quantities(self) -> tuple[str, ...]:
        """What the columns hold; empty until the heading is known."""
        return tuple(column.quantity for column in self._columns)

    @property
    def resolution(self) -> dict[str, float]:
        """Last digit of voltage, current and power so far, V, A, W."""
        some = ("voltage", "current", "power")
        return {c.quantity: c.resolution for c in self._columns if c.quantity in some}

    def read(self, line: Line) -> list[LiveReading | BadLine]:
        """Return what a line says, after what lines said that waited for their heading.

        TableError: no heading names the columns, or it can be read in two ways.
        """
        if self._layout is None:
            return self._start(line)
        found = self._one(line)
        if isinstance(found, BadLine) and self._is_new_heading(line.text):
            self._layout, self._columns, self._waiting = None, [], []
            return self._start(line)
        return [] if found is None else [found]

    def finish(self) -> list[LiveReading | BadLine]:
        """Return what still waits at the end of the input.

        TableError: there were lines, and none of them was a reading that could be understood.
        """
        if self._layout is None and self._waiting:
            raise self._trouble or TableError("no reading in it", self.name, _ONE_LINE)
        return []

    def _start(self, line: Line) -> list[LiveReading | BadLine]:
        """Try to find the heading; while it is not there, the lines wait."""
        if line.cut or not line.text.replace("\t", " ").isprintable():
            return [_bad(line, "is no text")]  # a wrong baud rate, or half a line
        self._waiting.append(line)
        gone: list[LiveReading | BadLine] = []
        if len(self._waiting) > _HEAD:
            old, self._waiting = self._waiting[:-_KEPT], self._waiting[-_KEPT:]
            gone += [_bad(one, "is no heading and no reading") for one in old]
        head = [(one.number, one.text) for one in self._waiting]
        try:
            layout = find_layout(head, self.said, self.name)
        except TableError as problem:
            self._trouble = problem
            return gone
        if layout.transposed:
            raise TableError("one quantity a row is no log", self.name, _ONE_LINE)
        few = layout.start + _UNNAMED
        most = few if not layout.has_heading and not self.said else 0  # lines to wait for
        try:
            choice = choose_columns(layout.headings, self.said, layout.has_heading, self.name)
            places = choice.columns.items()
            columns = {q: place for q, place in places if q in POSSIBLE or q == "time"}
            if not columns.keys() & set(_NEEDED):
                most = few
                listed = ", ".join(f"{k} '{h.text}'" for k, h in enumerate(layout.headings, 1))
                raise TableError(
                    f"no column is voltage, current or power; the columns are {listed}",
                    self.name,
                    "say which is which, for example --column voltage=2",
                )
            most = _HEAD
            rows = [layout.cut(text) for _, text in head[layout.start :] if not _silent(text)]
            rows = [row for row in rows if len(row) == layout.width]
            cells = ((q, row[place]) for row in rows for q, (place, _) in columns.items())
            marks = find_marks((c for c in cells if ":" not in c[1]), self.name, lone=True)
        except TableError as problem:
            self._trouble = problem
            if len(head) < most:
                return gone
            raise
        self._columns = [
            LogColumn(q, layout.headings[place].text, unit, place, marks)
            for q, (place, unit) in columns.items()
        ]
        for column in self._columns:
            column.look_at([row[column.place] for row in rows])
        self._layout = layout
        self._heading = [h.text for h in layout.headings] if layout.has_heading else []
        self.notes = [note for column in self._columns for note in column.notes()] + choice.notes
        skipped = sum(not _silent(one.text) for one in self._waiting[: layout.skipped])
        self.notes = passed_over(skipped) + self.notes
        waiting, self._waiting = self._waiting[layout.start :], []
        outcomes = (self._one(one) for one in waiting)
        return [*gone, *(one for one in outcomes if one is not None)]

    def _one(self, line: Line) -> LiveReading | BadLine | None:
        """Return what one line says; None for a comment, a blank line or the heading again."""
        text, layout = line.text, self._layout
        if line.cut:
            return _bad(line, f"longer than {len(text)} characters")
        if "\0" in text:
            return _bad(line, "holds NUL bytes")
        if _silent(text):
            return None
        cells = layout.cut(text)
        if cells == self._heading:
            return None
        if len(cells) != layout.width:
            fewer = "fewer" if len(cells) < layout.width else "more"
            return _bad(line, f"has {fewer} cells than the {layout.width} of the others")
        values: dict[str, float] = {}
        for column in self._columns:
            quantity, cell = column.quantity, cells[column.place]
            try:
                value = _load(cell, column) if quantity == "load" else column.read_cell(cell)
            except (ValueError, TableError):
                if quantity == "time":  # no loss: there is the moment at which it came
                    values[quantity] = math.nan
                    continue
                what = quantity.replace("_", " ")
                return _bad(line, f"{what} '{shown(cell)}' is no number")
            if quantity == "time":
                values[quantity] = value if math.isfinite(value) else math.nan
                continue
            low, high = POSSIBLE[quantity]
            if value < low or value > high or (quantity == "load" and no_load(value)):
                what, unit = quantity.replace("_", " "), BASE_UNITS[quantity]
                return _bad(line, f"{what} {value:g} {unit} is no reading")
            values[quantity] = value
        if all(math.isnan(values.get(q, math.nan)) for q in _NEEDED):
            return _bad(line, "holds no voltage, current or power")
        return LiveReading(line.number, values)

    def _is_new_heading(self, text: str) -> bool:
        """Tell whether a line that is no reading heads columns of its own."""
        if len(text) > 1000 or not any(c.isalpha() for c in text):
            return False
        for separator in dict.fromkeys((self._layout.separator, *SEPARATORS)):
            cells = cut(text, separator)
            if len(cells) < 2 or any(is_value(cell) for cell in cells):
                continue
            if any(read_heading(cell).meanings & set(_NEEDED) for cell in cells):
                return True
        return False


def _silent(text: str) -> bool:
    return is_empty(text) or is_comment(text)


def _load(cell: str, column: LogColumn) -> float:
    """Return a load in ohm: a number, ``4k7``, or a word for an open or a short circuit."""
    word = cell.strip().casefold()
    if word in OPEN:
        return math.inf
    if word in SHORT:
        return 0.0
    if re.search("[a-zA-ZΩ]", word) and not re.search(r"\de[+-]?\d|nan|null|none|inf", word):
        return resistor_value(tidy(cell))
    return column.read_cell(cell)


def _bad(line: Line, why: str) -> BadLine:
    return BadLine(line.number, why, shown(line.text[:200]))
