"""A long table with many sweeps in it, taken apart as it is read.

The rows of a sweep stand together and a column names it; no more is held than the sweep at hand.
Cells become numbers in `UnreadSweep.read`, perhaps on another machine, exactly as if the sweep
stood in a file of its own; a cell that is no number spoils that sweep only.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, TextIO

import numpy as np

from ivkit.errors import TableError
from ivkit.readings.cells import Column
from ivkit.readings.choice import Choice, choose_columns
from ivkit.readings.layout import Layout, find_layout, no_reading
from ivkit.readings.rows import cut_block, first_lines, shown_marks
from ivkit.readings.source import Source, open_source
from ivkit.readings.sweep_column import SweepColumnWatch
from ivkit.readings.table import Table, assembled, read_transposed
from ivkit.readings.units import Unit
from ivkit.readings.written_number import BLANKS, Marks, shown

#: What a sweep is made of; other columns of the table are not read.
_CODED = ("voltage_code", "current_code")
WANTED = ("voltage", "current", "power", "load", *_CODED, "temperature", "irradiance")
_BLOCK = 5_000  # lines cut in one go

Rows = list[int]
Grid = list[list[str]]


@dataclass(frozen=True)
class TablePlan:
    """What all sweeps of one table have in common.

    ``columns`` are (quantity, heading, unit, place), ``choice`` what was made of the headings,
    ``marks`` the decimal mark: None where no reading has shown one yet.
    """

    file: str
    columns: tuple[tuple[str, str, Unit | None, int], ...]
    choice: Choice
    headings: tuple[str, ...]
    marks: Marks | None = None


@dataclass(frozen=True)
class UnreadSweep:
    """The cells of one sweep, one list a column of the plan.

    ``sweep`` is what the column says that names it, empty where the table holds one sweep; ``rows``
    are lines in the file, from 1; ``trouble`` is why it cannot be read, where that is known
    already.
    """

    plan: TablePlan
    sweep: str
    rows: Rows
    cells: list[list[str]]
    trouble: TableError | None = None

    @property
    def file(self) -> str:
        """The file that it stands in."""
        return self.plan.file

    @property
    def last_row(self) -> int:
        """The line of the file that it ends on."""
        return self.rows[-1]

    @property
    def name(self) -> str:
        """File and sweep, for messages."""
        return f"{self.file}, sweep {shown(self.sweep)}" if self.sweep else self.file

    def read(self) -> Table:
        """Return the sweep as a table of its own.

        TableError: a cell that is no number, at its row and column; a line with too few or too many
        cells; rows that name no sweep.
        """
        if self.trouble:
            raise self.trouble
        plan = self.plan
        readers = [Column(*heads, self.name) for *heads, _ in plan.columns]
        for reader, cells in zip(readers, self.cells, strict=True):
            reader.add(cells, self.rows, plan.marks or Marks())
        rows = np.array(self.rows, dtype=np.int64)
        table = assembled(readers, rows, self.name, plan.headings, plan.choice)
        return replace(table, notes=(), others=tuple(plan.choice.others))


@dataclass(frozen=True)
class ReadSweep:
    """A sweep that stands in a file one quantity a row, and was read as a whole."""

    table: Table
    sweep: str = field(default="", init=False)

    @property
    def file(self) -> str:
        """The file that it stands in."""
        return self.table.name

    @property
    def last_row(self) -> int:
        """How many lines it takes at least."""
        return len(self.table)

    def read(self) -> Table:
        """Return the table."""
        return self.table


def unread_sweeps(
    source: str | Path | TextIO | BinaryIO,
    *,
    columns: Mapping[str, str] | None = None,
    sheet: str | int | None = None,
) -> Iterator[UnreadSweep | ReadSweep]:
    """Yield the sweeps of a table in their order; a table without a sweep column is one sweep.

    Parameters are those of `read_table`; ``columns["sweep"]`` is the column that names the sweep,
    ``"none"`` where no column does.

    FileError, TableError: what `read_table` raises for a table as a whole; a column that may name
    the sweep, or may not; a sweep that goes on after others. What is wrong with one sweep only is
    raised when that is read.

    >>> import io
    >>> text = "run,V,I\\n7,0.0,0.2\\n7,0.5,0.1\\n8,0.0,x\\n"
    >>> [(one.sweep, one.rows) for one in unread_sweeps(io.StringIO(text))]
    [('7', [2, 3]), ('8', [4])]
    """
    said = dict(columns or {})
    with open_source(source, sheet) as opened:
        head = first_lines(opened)
        layout = find_layout(head, said, opened.name)
        if layout.transposed:
            yield ReadSweep(read_transposed(head + list(opened.lines), layout, said, opened))
            return
        choice = choose_columns(layout.headings, said, layout.has_heading, opened.name)
        plan = TablePlan(
            opened.name,
            tuple(
                (quantity, layout.headings[k].text, unit, k)
                for quantity, (k, unit) in choice.columns.items()
                if quantity in WANTED
            ),
            choice,
            tuple(heading.text for heading in layout.headings),
        )
        lines = itertools.chain(head[layout.start :], opened.lines)
        if "sweep" in choice.columns:
            yield from _apart(lines, layout, plan, opened, choice.columns["sweep"][0])
            return
        watch = None
        if "sweep" not in said:
            if "sweep" in choice.doubts:
                raise TableError(choice.doubts["sweep"], opened.name, "choose with --by NAME")
            watch = SweepColumnWatch.of(layout, choice, opened.name)
        yield _as_one(lines, layout, plan, opened, watch)


def _as_one(
    lines: Iterator[tuple[int, str]],
    layout: Layout,
    plan: TablePlan,
    source: Source,
    watch: SweepColumnWatch | None,
) -> UnreadSweep:
    """Return all rows of a table as one sweep."""
    rows: Rows = []
    cells: list[list[str]] = [[] for _ in plan.columns]
    while block := list(itertools.islice(lines, _BLOCK)):
        more, grid = cut_block(block, layout, source, [])
        plan = _with_marks(plan, layout, more, grid)
        if watch:
            watch.look([line[watch.place] for line in grid])
        rows += more
        for column, (*_, place) in zip(cells, plan.columns, strict=True):
            column += [line[place] for line in grid]
    if not rows:
        raise no_reading(plan.file)
    return UnreadSweep(plan, "", rows, cells)


def _apart(
    lines: Iterator[tuple[int, str]], layout: Layout, plan: TablePlan, source: Source, place: int
) -> Iterator[UnreadSweep]:
    """Yield one sweep after the other, told apart by the column at ``place``."""
    heading = layout.headings[place].text
    held: UnreadSweep | None = None
    begun: dict[str, int] = {}  # sweep -> its first row
    while block := list(itertools.islice(lines, _BLOCK)):
        rows, grid, broken = _cut(block, layout, source)
        names = _names(rows, grid, broken, place, held.sweep if held else None)
        good = [rows, grid, names]
        if broken:
            whole = [k for k, row in enumerate(rows) if row not in broken]
            good = [[values[k] for k in whole] for values in good]
        plan = _with_marks(plan, layout, *good)
        for name, run in _runs(names):
            trouble = next((broken[row] for row in rows[run] if row in broken), None)
            where = f"{plan.file}, row {rows[run][0]}"
            if name in BLANKS:
                what = f"no sweep is named in column '{heading}'"
                trouble = TableError(what, where, "name the sweep in every row")
            cells = [[line[k] for line in grid[run]] for *_, k in plan.columns]
            part = UnreadSweep(plan, name, rows[run], cells, trouble)
            if held and held.sweep == name:
                held = _joined(held, part)
                continue
            if held:
                yield held
            if name in begun:
                raise TableError(
                    f"sweep '{shown(name)}' begins in row {begun[name]} and goes on here after "
                    "other sweeps",
                    where,
                    f"sort the rows by '{heading}', or give each sweep a name of its own",
                )
            held = part
            if name not in BLANKS:
                begun[name] = rows[run][0]
    if held is None:
        raise no_reading(plan.file)
    yield held


def _runs(names: Sequence[str]) -> Iterator[tuple[str, slice]]:
    """Yield each name with the rows that follow one another under it."""
    first = 0
    for name, run in itertools.groupby(names):
        last = first + len(list(run))
        yield name, slice(first, last)
        first = last


def _joined(one: UnreadSweep, other: UnreadSweep) -> UnreadSweep:
    """Return two pieces of one sweep as one."""
    return UnreadSweep(
        other.plan,
        one.sweep,
        one.rows + other.rows,
        [a + b for a, b in zip(one.cells, other.cells, strict=True)],
        one.trouble or other.trouble,
    )


def _cut(
    block: Sequence[tuple[int, str]], layout: Layout, source: Source
) -> tuple[Rows, Grid, dict[int, TableError]]:
    """Return rows and cells of a block, and by row what is wrong with lines that are broken."""
    try:
        return *cut_block(block, layout, source, []), {}
    except TableError:
        pass
    rows, grid, broken = [], [], {}
    for line in block:
        try:
            row, cells = cut_block([line], layout, source, [])
        except TableError as error:
            broken[line[0]] = error
            padded = [*layout.cut(line[1]), *[""] * layout.width]
            row, cells = [line[0]], [padded[: layout.width]]
        rows += row
        grid += cells
    return rows, grid, broken


def _names(
    rows: Rows, grid: Grid, broken: dict[int, TableError], place: int, before: str | None
) -> list[str]:
    """Return the sweep of each row; a broken line is a neighbour's, for its own cells may lie."""
    names = [cells[place].strip() for cells in grid]
    if not broken:
        return names
    whole = [k for k, row in enumerate(rows) if row not in broken]
    for k, row in enumerate(rows):
        if row not in broken:
            continue
        after = next((names[j] for j in whole if j > k), None)
        above = names[k - 1] if k else before
        if names[k] not in (above, after) or names[k] in BLANKS:
            names[k] = next((name for name in (above, after) if name is not None), "")
    return names


def _with_marks(
    plan: TablePlan, layout: Layout, rows: Rows, grid: Grid, names: Sequence[str] = ()
) -> TablePlan:
    """Return the plan with the decimal mark, once readings show it; where they disagree, sweeps
    vote by ``names``: one that is written otherwise must not spoil the rest, and cannot be read
    itself.
    """
    if plan.marks is not None or not rows:
        return plan
    probes = [Column(*heads, plan.file) for *heads, _ in plan.columns]

    def marks(run: slice) -> Marks | None:
        used = [[cells[place] for cells in grid[run]] for *_, place in plan.columns]
        return shown_marks(None, rows[run], used, probes, layout, plan.file)

    try:
        return replace(plan, marks=marks(slice(None)))
    except TableError:
        votes: list[Marks] = []
        runs = list(_runs(names))
        for _, run in runs:
            with suppress(TableError):
                votes += filter(None, [marks(run)])
        for one in votes:
            if 2 * votes.count(one) > max(len(runs), 2):
                return replace(plan, marks=one)
        raise
