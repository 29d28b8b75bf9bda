"""A table as people write it, read into named columns in SI; what can be read in two ways is
refused. `need` is how a command asks for the columns that it cannot do without.
"""

import itertools
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, TextIO

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import TableError
from ivkit.readings.cells import Column
from ivkit.readings.choice import Choice, choose_columns, known_quantities
from ivkit.readings.layout import Layout, find_layout, no_reading, part_label, passed_over
from ivkit.readings.lines import SEPARATORS, is_comment, is_empty
from ivkit.readings.quantities import read_heading
from ivkit.readings.rows import BLOCK, cut_block, first_lines, shown_marks
from ivkit.readings.source import Source, open_source
from ivkit.readings.units import BASE_UNITS, find_unit
from ivkit.readings.written_number import Marks, listed, shown


@dataclass(frozen=True)
class Table:
    """Readings as they stand in a file, by quantity.

    ``columns`` (N,): ``voltage`` (V), ``current`` (A), ``power`` (W), ``load`` (ohm, infinite where
    the table says ``open``), ``time`` (s; dates count from the first, ``start``), ``irradiance``
    (W/m2), ``illuminance`` (lx), ``temperature`` (degC), ``angle`` (deg), ``distance`` (m),
    ``voltage_code`` and ``current_code`` (counts), ``sweep`` (its number); NaN where the cell is
    blank. ``rows``: line of each reading from 1, or its place in a table with one quantity a row.
    ``notes``: what was understood. ``others``: headings that are not in ``columns``.

    ``resolution``: by quantity, the step of the last digit written, in the unit of the column: 60.2
    mA gives 1e-4; the reading is uncertain by that at least. ``headings``: in the file, by
    quantity; ``all_headings``: in order. ``doubts``: by quantity, why a column that may hold it was
    not read; `need` raises it.
    """

    columns: dict[str, NDArray[np.float64]]
    rows: NDArray[np.int64]
    name: str = ""
    notes: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    resolution: dict[str, float] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)
    all_headings: tuple[str, ...] = ()
    start: datetime | None = None
    doubts: dict[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)

    def __contains__(self, quantity: object) -> bool:
        return quantity in self.columns

    def __getitem__(self, quantity: str) -> NDArray[np.float64]:
        return self.columns[quantity]

    def __str__(self) -> str:
        return "\n".join((f"{self.name}: {len(self)} readings", *self.notes))


def need(table: Table, *quantities: str) -> tuple[NDArray[np.float64], ...]:
    """Return the columns of the quantities named, in that order.

    TableError: one of them is not in the table, or could be one of several columns; it lists the
    columns and shows the option that names one.

    >>> import io
    >>> need(read_table(io.StringIO("U/mV I/mA\\n500 60.2\\n")), "voltage", "current")
    (array([0.5]), array([0.0602]))
    """
    for quantity in quantities:
        if quantity in table.columns:
            continue
        if quantity in table.doubts:
            raise TableError(
                table.doubts[quantity], table.name, f"name one with --column {quantity}=NAME"
            )
        used = {heading: f" ({q})" for q, heading in table.headings.items()}
        each = enumerate(table.all_headings, start=1)
        columns = listed([f"{k} '{shown(h)}'{used.get(h, '')}" for k, h in each])
        example = table.others[0] if table.others else "NAME"
        raise TableError(
            f"no column is headed as {quantity.replace('_', ' ')}"
            + (f"; the columns are {columns}" if columns else ""),
            table.name,
            f"name one with --column {quantity}={shlex.quote(example)}",
        )
    return tuple(table.columns[quantity] for quantity in quantities)


def read_table(
    source: str | Path | TextIO | BinaryIO,
    *,
    columns: Mapping[str, str] | None = None,
    sheet: str | int | None = None,
) -> Table:
    """Read a table of readings: CSV, TSV, semicolons, blanks, Markdown or a workbook, ``-`` for
    standard input; rows in the order of the file.

    ``columns`` is what the user says a column is: quantity to heading or number from 1, with a unit
    if wanted (``{"voltage": "U2:mV", "current": "3"}``), ``"none"`` where no column is to be read
    as a quantity. ``sheet`` of a workbook is by name or number.

    FileError: it cannot be opened, or is no text and no workbook. TableError: it cannot be read, or
    in more than one way; names file, row, column, value and remedy.

    >>> import io
    >>> table = read_table(io.StringIO("U (mV);I (mA)\\n425;60,2\\n550;60,3\\n"))
    >>> table["voltage"], table.resolution["current"]
    (array([0.425, 0.55 ]), 0.0001)
    >>> print(table)
    table: 2 readings
    read 'U (mV)' as voltage in mV
    read 'I (mA)' as current in mA
    read cells separated by semicolons
    read the comma as decimal mark
    """
    columns = known_quantities(columns, BASE_UNITS, "a table")
    with open_source(source, sheet) as opened:
        head = first_lines(opened)
        layout = find_layout(head, columns, opened.name)
        if layout.transposed:
            return read_transposed(head + list(opened.lines), layout, columns, opened)
        return _read_columns(head, layout, columns, opened)


def _read_columns(
    head: list[tuple[int, str]], layout: Layout, columns: dict[str, str], source: Source
) -> Table:
    choice = choose_columns(layout.headings, columns, layout.has_heading, source.name)
    chosen = [
        Column(quantity, layout.headings[k].text, unit, source.name)
        for quantity, (k, unit) in choice.columns.items()
    ]
    places = [k for k, _ in choice.columns.values()]
    numbers: list[NDArray[np.int64]] = []
    marks: Marks | None = None
    lines = itertools.chain(head[layout.start :], source.lines)
    notes: list[str] = []
    while block := list(itertools.islice(lines, BLOCK)):
        rows, grid = cut_block(block, layout, source, notes)
        used = [[cells[k] for cells in grid] for k in places]
        marks = shown_marks(marks, rows, used, chosen, layout, source.name)
        for column, cells in zip(chosen, used, strict=True):
            column.add(cells, rows, marks or Marks())
        numbers.append(np.array(rows, dtype=np.int64))
    if not sum(map(len, numbers)):
        raise no_reading(source.name)
    notes += _punctuation(layout, marks) + passed_over(layout.skipped)
    return _finish(chosen, np.concatenate(numbers), layout.headings, choice, source, notes)


def read_transposed(
    lines: list[tuple[int, str]], layout: Layout, columns: dict[str, str], source: Source
) -> Table:
    """Return a table that is written one quantity a row."""
    headings, values, at = [], [], []
    for number, text in lines:
        if is_comment(text) or is_empty(text):
            continue
        label, cells = part_label(layout.cut(text))
        if cells:
            headings.append(read_heading(label))
            values.append(cells)
            at.append(number)
        elif headings and (unit := find_unit(label, headings[-1].quantity or "")):
            headings[-1] = headings[-1].with_unit(unit)
    choice = choose_columns(tuple(headings), columns, True, source.name)
    used = [values[k] for k, _ in choice.columns.values()]
    counts = {q: len(values[k]) for q, (k, _) in choice.columns.items()}
    if len(set(counts.values())) > 1:
        numbers = ", ".join(f"{q} {n}" for q, n in counts.items())
        raise TableError(
            f"the quantities have unequal numbers of values: {numbers}",
            source.name,
            "write one value of each quantity for each reading",
        )
    chosen = [
        Column(quantity, headings[k].text, unit, source.name, line=at[k])
        for quantity, (k, unit) in choice.columns.items()
    ]
    rows = list(range(1, max(counts.values(), default=0) + 1))
    marks = shown_marks(None, rows, used, chosen, layout, source.name) or Marks()
    for column, cells in zip(chosen, used, strict=True):
        column.add(cells, rows, marks)
    notes = ["read one quantity a row", *_punctuation(layout, marks)]
    return _finish(chosen, np.array(rows, dtype=np.int64), headings, choice, source, notes)


def _punctuation(layout: Layout, marks: Marks | None) -> list[str]:
    """Say how cells are separated and numbers written, where it is not comma and point."""
    notes = []
    if layout.separator not in (",", ""):
        notes.append(f"read cells separated by {SEPARATORS[layout.separator]}")
    if marks and marks.decimal == ",":
        notes.append("read the comma as decimal mark")
    if marks and marks.thousands:
        notes.append(f"read {' and '.join(marks.thousands)} as mark between thousands")
    return notes


def assembled(
    chosen: Sequence[Column], rows: NDArray, name: str, headings: Sequence[str], choice: Choice
) -> Table:
    """Return the columns that were read as a table; a blank one is a doubt, and not used."""
    said: list[str] = []
    columns: dict[str, NDArray[np.float64]] = {}
    others, doubts = list(choice.others), dict(choice.doubts)
    for column in chosen:
        values, remarks = column.finish()
        if np.isnan(values).all():
            doubts[column.quantity] = f"column '{column.heading}' ({column.quantity}) is blank"
            others.append(column.heading)
            continue
        columns[column.quantity] = values
        said += remarks
    return Table(
        columns,
        rows,
        name,
        tuple(said),
        tuple(others),
        {c.quantity: c.resolution for c in chosen if c.quantity in columns and c.resolution},
        {c.quantity: c.heading for c in chosen if c.quantity in columns},
        tuple(headings),
        next((c.start for c in chosen if c.start is not None), None),
        doubts,
    )


def _finish(chosen, rows, headings, choice, source: Source, notes: Sequence[str]) -> Table:
    """Put the columns together, and say what was understood."""
    table = assembled(chosen, rows, source.name, [h.text for h in headings], choice)
    said = list(table.notes)
    if source.encoding in ("cp1252", "utf-16", "utf-16-le", "utf-16-be"):
        label = "latin-1" if source.encoding == "cp1252" else "UTF-16"
        said.append(f"read the file as {label}")
    if source.sheet:
        said.append(f"read sheet '{source.sheet}'")
    said += [*notes, *choice.notes]
    if table.others:
        said.append("not used: " + listed([f"'{shown(h)}'" for h in table.others]))
    return replace(table, notes=tuple(said))
