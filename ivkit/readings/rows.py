"""Lines of a table to rows of cells, a block at a time, alike for one table and for a long one."""

import re
from collections.abc import Sequence

from ivkit.errors import TableError
from ivkit.readings.cells import Column
from ivkit.readings.layout import Layout
from ivkit.readings.lines import is_comment, is_empty, is_stamp
from ivkit.readings.source import Source
from ivkit.readings.written_number import Marks, find_marks, shown

BLOCK = 50_000  # lines cut in one go
_HEAD = 300
_POINTS = re.compile(r"\d\.\d{3}\.\d")
_PLAIN = ("\t", ";", ",")
_NUMERIC = b"0123456789+-.,;:eETZ\t"


def first_lines(source: Source) -> list[tuple[int, str]]:
    """Return the first lines, so many that some hundred of them are not comments or blank."""
    head, filled = [], 0
    for number, text in source.lines:
        head.append((number, text))
        filled += not (is_comment(text) or is_empty(text))
        if filled == _HEAD or len(head) == BLOCK:
            break
    return head


def cut_block(
    block: Sequence[tuple[int, str]], layout: Layout, source: Source, notes: list[str]
) -> tuple[list[int], list[list[str]]]:
    """Return line numbers and cells of the lines that hold readings."""
    width, separator = layout.width, layout.separator
    if separator in _PLAIN and width > 1:
        joined = "".join(text for _, text in block)
        if joined.isascii() and not joined.encode().translate(None, _NUMERIC):
            grid = [text.split(separator) for _, text in block]
            if set(map(len, grid)) == {width} and all(map(any, grid)):
                return [number for number, _ in block], grid
    rows, grid = [], []
    for number, text in block:
        if separator in _PLAIN and '"' not in text:
            cells = text.split(separator)
        elif is_empty(text):
            continue
        else:
            cells = layout.cut(text)
        if text[:1] in "#%/\"' \t" and is_comment(text):
            continue
        if len(cells) != width:
            if is_empty(text):
                continue
            if len(cells) > width and not any(c.strip() for c in cells[width:]):
                cells = cells[:width]
            elif len(cells) < width and number == source.unended:
                notes.append(f"left out row {number}, which is not written to its end")
                continue
            else:
                raise _ragged(number, text, cells, layout, source.name)
        elif not any(cells) or is_empty(text):
            continue
        rows.append(number)
        grid.append(cells)
    return rows, grid


def _ragged(row: int, text: str, cells: list[str], layout: Layout, name: str) -> TableError:
    what = (
        f"'{shown(text)}' has {len(cells)} cell{'s' * (len(cells) != 1)} where the table has "
        f"{layout.width} columns"
    )
    remedy = "write one cell for each column"
    if layout.separator == ",":
        remedy += "; if the comma is the decimal mark, separate by semicolons"
    if layout.separator in (" ", "  "):
        remedy += "; where cells are blank, separate by commas or semicolons"
    return TableError(what, f"{name}, row {row}", remedy)


def shown_marks(
    marks: Marks | None,
    rows: Sequence[int],
    used: Sequence[Sequence[str]],
    chosen: Sequence[Column],
    layout: Layout,
    name: str,
) -> Marks | None:
    """Return the decimal mark, settled by the first block that shows one."""
    if marks is not None:
        return marks
    numeric = [
        (column, cells)
        for column, cells in zip(chosen, used, strict=True)
        if column.quantity != "time" or not any(map(is_stamp, cells[:5]))
    ]
    seen = set(".,'’") & set().union(*("".join(cells) for _, cells in numeric))
    if not seen:
        return None
    if seen == {"."} and not any(_POINTS.search("\n".join(cells)) for _, cells in numeric):
        return Marks()
    unit = "value" if layout.transposed else "row"
    placed = (
        (f"{unit} {row}, column '{column.heading}'", cell)
        for column, cells in numeric
        for row, cell in zip(rows, cells, strict=True)
    )
    return find_marks(placed, name, lone=len(seen) == 1)
