"""A log as a table: as large as it comes, and with the rubbish that a serial line leaves in it.

A sweep's table is refused where a cell makes no sense, because each reading counts. A log of a
million rows has broken lines in it as a matter of course: they are left out, counted and named.
Heading, units, separator and decimal mark are found as in `table`; the rows are read by pandas,
piece by piece, and only pieces that do not go that way are looked at line by line.
"""

import io
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, TextIO

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import FileError, TableError
from ivkit.readings.choice import choose_columns
from ivkit.readings.layout import Layout, find_layout, is_comment, is_empty
from ivkit.readings.log_body import Body
from ivkit.readings.log_columns import DIRECTIONS, LogColumn, direction_columns
from ivkit.readings.source import open_source
from ivkit.readings.table import Table, need, read_table
from ivkit.readings.units import BASE_UNITS
from ivkit.readings.written_number import Marks, find_marks

Array = NDArray[np.float64]
_HEADS = (24, 300)  # lines to find the heading in: the second where the first do not show it
_START = 1 << 18  # bytes in which heading and first readings are looked for
_SHOWN = 5


@dataclass(frozen=True)
class Damage:
    """Rows that could not be read: what is wrong, how many, and the first of them."""

    what: str
    count: int
    rows: tuple[int, ...]


@dataclass(frozen=True)
class Log:
    """A log as it stands in the file, in SI, nothing judged yet.

    ``columns`` (N,) are by quantity as in `Table.columns`, with ``pan``, ``tilt``, ``elevation`` in
    deg, NaN where the cell is blank or says so; ``time`` is in s since the first reading where the
    file gives dates or times of day, else as it stands, and ``start`` the moment at which it is
    zero, where there are dates. ``rows`` are lines in the file, from 1; ``damage`` is what could
    not be read and is not in ``columns``; ``notes`` what was understood; ``headings`` those in the
    file by quantity; ``unit_said`` the quantities whose unit the user named, so that it is no slip.
    """

    columns: dict[str, Array]
    rows: NDArray[np.int64]
    name: str = ""
    damage: tuple[Damage, ...] = ()
    notes: tuple[str, ...] = ()
    headings: dict[str, str] = field(default_factory=dict)
    unit_said: frozenset[str] = frozenset()
    start: datetime | None = None

    def __len__(self) -> int:
        return len(self.rows)

    def __contains__(self, quantity: object) -> bool:
        return quantity in self.columns

    def __getitem__(self, quantity: str) -> Array:
        return self.columns[quantity]

    def only(self, *quantities: str) -> "Log":
        """Return the log with these of its columns, so that the others need not be held."""
        kept = {q: self.columns[q] for q in quantities if q in self.columns}
        return replace(self, columns=kept)

    def table(self) -> Table:
        """Return the log as a table, for what works on tables."""
        return Table(self.columns, self.rows, self.name, self.notes, headings=self.headings)


def read_log(
    source: str | Path | TextIO | BinaryIO,
    *,
    columns: Mapping[str, str] | None = None,
    sheet: str | int | None = None,
) -> Log:
    """Read a log: CSV, TSV, semicolons or blanks fast, other layouts as `read_table` does.

    ``source`` is a path, ``-`` (standard input) or an open stream; ``columns`` says which column is
    a quantity, by heading or number, with a unit if wanted: ``{"pan": "servo 1:deg"}``; ``sheet``
    is that of a workbook, by name or counted from 1.

    FileError: it cannot be opened or is no text. TableError: no time column, no reading, or a
    heading that can be read in two ways.

    >>> log = read_log(io.StringIO("t/s;P/mW\\n0;5,1\\n1;4,9\\n2;@#!\\n3;5,0\\n"))
    >>> log["power"].round(6), log.damage[0].rows
    (array([0.0051, 0.0049, 0.005 ]), (4,))
    """
    said = dict(columns or {})
    quantities = (*BASE_UNITS, *DIRECTIONS)
    for quantity in said:
        if quantity not in quantities:
            raise TableError(
                f"'{quantity}' is no quantity of a log",
                "column",
                f"choose from {', '.join(quantities)}",
            )
    content = _Content(source)
    start = content.start()
    found = None
    if not start.startswith(b"PK\x03\x04") and b"\n" in start:
        found = _find_body(start, said, sheet, content.name)
    if found is None:
        return _from_table(content.whole(), said, sheet, content.name)
    layout, readers, marks, first_row, doubts, others = found
    body = Body(layout, readers, marks)
    with content.open() as stream:
        body.read_from(stream, first_row, content.path)
    return _finish(body, content.name, doubts, others, said, layout)


def _find_body(
    start: bytes, said: dict[str, str], sheet: str | int | None, name: str
) -> tuple[Layout, list[LogColumn], Marks, int, list[str], list[str]] | None:
    """Return how to read the rows, and the line they start at; None if pandas cannot."""
    if 0 < start.count(0) < 0.02 * len(start):
        start = start.replace(b"\0", b"?")  # a serial line's, not those of UTF-16
    known = {part for text in said.values() for part in (text, text.rpartition(":")[0]) if part}
    with open_source(_named(start, name), sheet) as opened:
        if opened.encoding.startswith("utf-16"):
            return None
        head = list(islice(opened.lines, _HEADS[-1]))
    layout = _layout(head, known, name)
    if layout.transposed or layout.separator not in ("\t", ";", ",", " ") or layout.width < 2:
        return None
    directions, plain_said = direction_columns(layout.headings, said, name)
    choice = choose_columns(layout.headings, plain_said, layout.has_heading, name)
    columns = choice.columns | directions
    cells = _head_cells(head, layout, [place for place, _ in columns.values()])
    marks = _marks(cells, columns, name)
    if marks is None:
        return None
    readers = []
    for quantity, (place, unit) in columns.items():
        heading = layout.headings[place].text
        readers.append(LogColumn(quantity, heading, unit, place, marks))
        readers[-1].look_at([row[place] for row in cells])
    first_row = head[layout.start][0] if layout.start < len(head) else head[-1][0] + 1
    taken = {reader.heading for reader in readers}
    return (
        layout,
        readers,
        marks,
        first_row,
        choice.notes,
        [heading for heading in choice.others if heading not in taken],
    )


def _layout(head: list[tuple[int, str]], known: set[str], name: str) -> Layout:
    """Return the layout, from few lines if they show it."""
    try:
        layout = find_layout(head[: _HEADS[0]], known, name)
        if layout.has_heading:
            return layout
    except TableError:
        pass
    return find_layout(head, known, name)


def _finish(
    body: Body,
    name: str,
    doubts: list[str],
    others: list[str],
    said: Mapping[str, str],
    layout: Layout,
) -> Log:
    rows, columns, notes = body.columns()
    damage = tuple(
        Damage(what, len(at), tuple(sorted(at)[:_SHOWN])) for what, at in body.damage.items()
    )
    if layout.skipped:
        lines = f"{layout.skipped} line{'s' * (layout.skipped > 1)}"
        notes.append(f"passed over {lines} before the heading")
    notes += doubts
    if others:
        notes.append("not used: " + ", ".join(f"'{h}'" for h in others))
    headings = {r.quantity: r.heading for r in body.readers}
    table = Table(
        columns,
        rows,
        name,
        headings=headings,
        others=tuple(others),
        all_headings=tuple(h.text for h in layout.headings),
    )
    if not len(rows):
        raise TableError("no reading below the heading", name, "add rows with readings")
    need(table, "time")
    start = next((r.start for r in body.readers if r.start is not None), None)
    return Log(
        columns,
        rows,
        name,
        damage,
        tuple(notes),
        headings,
        frozenset(q for q, text in said.items() if ":" in text),
        start,
    )


def _from_table(source: Any, said: dict[str, str], sheet: str | int | None, name: str) -> Log:
    """Read what is laid out in another way as a table of readings is read."""
    extra = [q for q in ("pan", "tilt", "elevation") if q in said]
    if extra:
        raise TableError(
            f"--column {extra[0]}=... needs a log separated by commas, semicolons, tabs or blanks",
            name,
            "save it as CSV",
        )
    table = read_table(source, columns=said, sheet=sheet)
    need(table, "time")
    return Log(
        dict(table.columns),
        np.asarray(table.rows),
        name,
        (),
        table.notes,
        dict(table.headings),
        frozenset(q for q, text in said.items() if ":" in text),
        table.start,
    )


class _Content:
    """The bytes of a log: a path, or what came from a stream that can be read only once."""

    def __init__(self, source: Any) -> None:
        self.path: str | Path | None = None
        if isinstance(source, str | Path) and str(source) != "-":
            self.path, self.name = source, str(source)
            return
        stream = source
        self.name = getattr(source, "name", "table")
        if isinstance(source, str | Path):
            self.name, stream = "standard input", getattr(sys.stdin, "buffer", sys.stdin)
        self.name = self.name if isinstance(self.name, str) else "table"
        content = stream.read()
        self._bytes = content.encode() if isinstance(content, str) else content

    @contextmanager
    def open(self) -> Iterator[BinaryIO]:
        """Open it for reading."""
        if self.path is None:
            yield io.BytesIO(self._bytes)
            return
        try:
            with open(self.path, "rb") as stream:
                yield stream
        except ValueError:
            raise FileError("the name holds a NUL", repr(self.name), "check the path") from None
        except OSError as problem:
            if isinstance(problem, FileError):
                raise
            raise FileError(
                f"cannot read: {problem.strerror or problem}",
                self.name,
                "give a file" if isinstance(problem, IsADirectoryError) else "check the path",
            ) from None

    def start(self) -> bytes:
        """Return the first lines."""
        with self.open() as stream:
            start = stream.read(_START)
            while start and b"\n" not in start and (more := stream.read(_START)):
                start += more
        return start[: start.rfind(b"\n") + 1] if len(start) >= _START else start

    def whole(self) -> Any:
        """Return what `read_table` can read."""
        return self.path if self.path is not None else _named(self._bytes, self.name)


def _named(content: bytes, name: str) -> io.BytesIO:
    """Return bytes as a stream that has a name for messages."""
    stream = _NamedBytes(content)
    stream.name = name
    return stream


class _NamedBytes(io.BytesIO):
    name = ""


def _head_cells(head: list[tuple[int, str]], layout: Layout, places: list[int]) -> list[list[str]]:
    """Return the cells of the first readings that have all their cells."""
    lines = (text for _, text in head[layout.start :] if not (is_comment(text) or is_empty(text)))
    grid = [layout.cut(text) for text in lines]
    return [c for c in grid if len(c) == layout.width and any(c[p] for p in places)]


def _marks(
    cells: list[list[str]], columns: Mapping[str, tuple[int, Any]], name: str
) -> Marks | None:
    """Return the decimal mark, or None where thousands are marked and pandas would stumble."""
    shown = [
        (f"row of {quantity}", row[place])
        for row in cells
        for quantity, (place, _) in columns.items()
        if quantity != "time" or ":" not in row[place]
    ]
    if not any("," in text for _, text in shown):
        return Marks()
    marks = find_marks(iter(shown), name, lone=not any("." in text for _, text in shown))
    return None if marks.thousands else marks
