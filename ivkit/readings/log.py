"""A log as a table: as large as it comes, and with the rubbish that a serial line leaves in it.

Broken lines are left out, counted and named, where a sweep's table is refused. Heading, units and
marks are found as in `table`; pandas reads the rows.
"""

import io
from collections.abc import Mapping
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, TextIO

from ivkit.errors import TableError
from ivkit.readings.choice import choose_columns, known_quantities
from ivkit.readings.layout import Layout, find_layout, no_reading
from ivkit.readings.lines import is_comment, is_empty
from ivkit.readings.log_body import Body, Damage
from ivkit.readings.log_columns import DIRECTIONS, LogColumn, direction_columns
from ivkit.readings.source import is_path, open_source, opened, stream_and_name
from ivkit.readings.table import Table, need, read_table
from ivkit.readings.units import BASE_UNITS
from ivkit.readings.written_number import Marks, find_marks

_HEADS = (24, 300)  # lines to find the heading in: the second where the first do not show it
_START = 1 << 18  # bytes in which heading and first readings are looked for


@dataclass(frozen=True)
class Log(Table):
    """A log as it stands in the file, in SI, nothing judged yet.

    ``columns`` (N,) are by quantity as in `Table.columns`, with ``pan``, ``tilt``, ``elevation`` in
    deg, NaN where the cell is blank or says so; ``time`` is in s since the first reading where the
    file gives dates or times of day, else as it stands, and ``start`` the moment at which it is
    zero, where there are dates. ``rows`` are lines in the file, from 1; ``damage`` is what could
    not be read and is not in ``columns``; ``notes`` what was understood; ``headings`` those in the
    file by quantity; ``unit_said`` the quantities whose unit the user named, so that it is no slip.
    """

    damage: tuple[Damage, ...] = ()
    unit_said: frozenset[str] = frozenset()

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
    said = known_quantities(columns, (*BASE_UNITS, *DIRECTIONS), "a log")
    content = Content(source)
    body = find_body(content, said, sheet)
    if body is None:
        return _from_table(content.whole(), said, sheet, content.name)
    with content.open() as stream:
        body.read_from(stream, content.path)
    return finish(body, content.name, said)


def find_body(
    content: "Content", said: Mapping[str, str], sheet: str | int | None = None
) -> Body | None:
    """Return what reads the rows; None if pandas cannot."""
    start, name = content.start(), content.name
    if start.startswith(b"PK\x03\x04") or b"\n" not in start:
        return None
    if 0 < start.count(0) < 0.02 * len(start):
        start = start.replace(b"\0", b"?")  # a serial line's, not those of UTF-16
    with open_source(_NamedBytes(start, name), sheet) as source:
        if source.encoding.startswith("utf-16"):
            return None
        head = list(islice(source.lines, _HEADS[-1]))
    layout = _layout(head, said, name)
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
    others = [heading for heading in choice.others if heading not in taken]
    return Body(layout, readers, marks, first_row, choice.notes, others)


def _layout(head: list[tuple[int, str]], said: Mapping[str, str], name: str) -> Layout:
    """Return the layout, from few lines if they show it."""
    with suppress(TableError):
        layout = find_layout(head[: _HEADS[0]], said, name)
        if layout.has_heading:
            return layout
    return find_layout(head, said, name)


def units_named(said: Mapping[str, str]) -> frozenset[str]:
    """Return the quantities whose unit the user named."""
    return frozenset(q for q, text in said.items() if ":" in text)


def finish(body: Body, name: str, said: Mapping[str, str]) -> Log:
    """Return the log that was read; TableError: no reading in it, or no time."""
    rows, columns = body.columns()
    if not len(rows):
        raise no_reading(name)
    log = Log(
        columns,
        rows,
        name,
        body.notes(body.layout.skipped),
        headings=body.headings,
        start=next((r.start for r in body.readers if r.start is not None), None),
        damage=body.told_damage(),
        unit_said=units_named(said),
    )
    all_headings = tuple(h.text for h in body.layout.headings)
    need(replace(log, others=tuple(body.others), all_headings=all_headings), "time")
    return log


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
        table.columns,
        table.rows,
        name,
        table.notes,
        headings=table.headings,
        start=table.start,
        unit_said=units_named(said),
    )


class Content:
    """The bytes of a log: a path, or what came from a stream that can be read only once."""

    def __init__(self, source: Any) -> None:
        self.path, self.name = (source, str(source)) if is_path(source) else (None, "")
        if self.path is None:
            stream, self.name = stream_and_name(source)
            content = stream.read()
            self._bytes = content.encode() if isinstance(content, str) else content

    def open(self) -> AbstractContextManager[BinaryIO]:
        """Open it for reading."""
        return io.BytesIO(self._bytes) if self.path is None else opened(self.path)

    def start(self) -> bytes:
        """Return the first lines."""
        with self.open() as stream:
            start = stream.read(_START)
            while start and b"\n" not in start and (more := stream.read(_START)):
                start += more
        return start[: start.rfind(b"\n") + 1] if len(start) >= _START else start

    def whole(self) -> Any:
        """Return what `read_table` can read."""
        return self.path if self.path is not None else _NamedBytes(self._bytes, self.name)


class _NamedBytes(io.BytesIO):
    """Bytes as a stream that has a name for messages."""

    def __init__(self, content: bytes, name: str) -> None:
        super().__init__(content)
        self.name = name


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
