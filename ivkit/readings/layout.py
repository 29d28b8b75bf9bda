"""How a table is laid out: separator, heading, unit row, first reading, or one quantity a row.
Every way of cutting is tried; that under which heading and readings fit together is taken.
"""

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from ivkit.errors import TableError
from ivkit.readings.lines import (
    SEPARATORS,
    cut,
    is_comment,
    is_empty,
    is_number,
    is_value,
    without_comment_sign,
)
from ivkit.readings.quantities import Heading, read_heading
from ivkit.readings.units import find_unit
from ivkit.readings.written_number import BLANKS, shown

Lines = Sequence[tuple[int, str]]
Cells = list[str]
Headings = tuple[Heading, ...]

# R1 heads a column of loads, or is 0.1 ohm.
_R_NAME = re.compile("R[0-9]{1,2}")
_LONGEST_PREAMBLE = 60
_MOST_QUANTITIES = 60
_MOST_COLUMNS = 500
_LOOKED_AT = 200


@dataclass(frozen=True)
class Layout:
    """How to cut a table.

    ``separator`` is one of `SEPARATORS`. ``headings`` are one a column: "1", "2", ... without a
    heading line, empty where ``transposed`` (one quantity a row). ``start`` is the index of the
    first body line among the lines given, ``skipped`` how many stood before the heading, ``width``
    the cells in a line, empty ones too.
    """

    separator: str
    headings: Headings
    has_heading: bool
    start: int
    skipped: int = 0
    transposed: bool = False
    width: int = 0

    def cut(self, text: str) -> Cells:
        """Return the cells of a line."""
        return cut(text, self.separator, self.width)


def passed_over(lines: int) -> list[str]:
    """Say how many lines before the heading were not read, if any."""
    return [f"passed over {lines} line{'s' * (lines > 1)} before the heading"] * (lines > 0)


def no_reading(name: str) -> TableError:
    """Return the error of a table that ends with its heading."""
    return TableError("no reading below the heading", name, "add rows with readings")


def find_layout(lines: Lines, said: Mapping[str, str], name: str) -> Layout:
    """Return how a table is laid out, from its first few hundred lines (number and text).

    A line with a name of a column that the user ``said`` is the heading; ``name`` is the file.

    TableError: nothing in it, no reading in it, or a comma that is separator and decimal mark.
    """
    whole = "give a table with a heading line and readings"
    if not any(text.strip() for _, text in lines):
        raise TableError("it is empty", name, whole)
    known = {part for text in said.values() for part in (text, text.rpartition(":")[0]) if part}
    declared = [s for s in (_declared_separator(text) for _, text in lines[:3]) if s]
    attempts = [_Attempt(lines, separator, known) for separator in declared or SEPARATORS]
    best = max(attempts, key=lambda attempt: attempt.score)
    layout = best.layout
    if not best.readings:
        if not layout.has_heading:
            raise TableError("no number in it", name, whole)
        if all(is_comment(text) or is_empty(text) for _, text in lines[layout.start :]):
            raise no_reading(name)
    if layout.separator == "," and not best.fits:
        _refuse_two_commas(best, name)
    if layout.has_heading and best.readings and not best.fits:
        (number, text), named = lines[layout.skipped], len(layout.headings)
        remedy = "give each column one name"
        if layout.separator in (" ", "  "):
            remedy += ", and separate the columns by commas or semicolons"
        elif layout.separator == ",":
            remedy += "; if the comma is the decimal mark, separate by semicolons"
        raise TableError(
            f"'{shown(text)}' names {named} column{'s' * (named != 1)}, but the readings have "
            f"{best.width} cells",
            f"{name}, row {number}",
            remedy,
        )
    return layout


def _declared_separator(text: str) -> str:
    """Return the separator that a first line ``sep=;`` declares, as spreadsheets write it."""
    found = re.fullmatch(r'"?sep=(.)"?', text.strip(" "), re.IGNORECASE)
    return found[1] if found and found[1] in SEPARATORS else ""


def _refuse_two_commas(attempt: "_Attempt", name: str) -> None:
    """Raise where ``0,5,98,5`` is two numbers or four."""
    layout, rows = attempt.layout, attempt.readings
    pairs = all(
        len(cells) % 2 == 0 and all(c.isdigit() for c in cells[1::2]) and "." not in "".join(cells)
        for _, cells in rows
    )
    width = len(rows[0][1]) if rows else 0
    named = len(layout.headings)
    if pairs and (named * 2 == width if layout.has_heading else width >= 4):
        number, text = attempt.lines[rows[0][0]]
        remedy = "separate by semicolons, or write decimal points"
        if not layout.has_heading:
            remedy += " and a heading line that names the columns"
        raise TableError(
            f"'{shown(text)}' uses the comma as separator and, it seems, as decimal mark",
            f"{name}, row {number}",
            remedy,
        )


class _Attempt:
    """The first lines, cut at one separator.

    ``readings`` are the lines (index, cells) that look like readings, ``width`` the cells in most
    of them; ``fits``: heading and readings have equally many. The highest ``score`` is the
    likeliest.
    """

    def __init__(self, lines: Lines, separator: str, known: Collection[str]) -> None:
        self.lines, self.separator = lines, separator
        self.known = {name.strip().casefold() for name in known}
        self.grid = {
            i: cut(text, separator)
            for i, (_, text) in enumerate(lines)
            if not (is_comment(text) or is_empty(text) or _declared_separator(text))
        }
        values = [(i, c, _values(c[:_LOOKED_AT])) for i, c in self.grid.items()]
        least = 2 if separator else 1
        strict = [(i, c) for i, c, v in values if v == 1 and len(c) >= least]
        self.readings = strict or [(i, c) for i, c, v in values if v >= 0.5 and len(c) >= 2]
        counts = Counter(len(cells) for _, cells in self.readings)
        self.width = max(counts, key=lambda n: (counts[n], n), default=1)
        first = (i for i, cells in self.readings if len(cells) == self.width)
        self.first = next(first, len(lines))
        rank = -list(SEPARATORS).index(separator)

        found = self._find_heading()
        labelled = [] if strict and found else self._labelled_rows()
        if labelled and (found is None or (not strict and found[0] > labelled[0])):
            self.fits = True
            self.layout = Layout(separator, (), True, labelled[0], labelled[0], transposed=True)
            self.score = (True, len(labelled), len(labelled), rank)
        elif found is None:
            self.fits = False
            full = (i for i, c in self.grid.items() if len(c) == self.width)
            start = next((i for i in full if any(map(is_value, self.grid[i]))), 0)
            headings = tuple(Heading(str(k), str(k)) for k in range(1, self.width + 1))
            self.layout = Layout(separator, headings, False, start, start, width=self.width)
            self.score = (False, len(strict), 0, rank)
        else:
            at, headings, start = found
            self.fits = self._fraction_that_fits(headings) > 0.5
            self.layout = Layout(separator, headings, True, start, at, width=len(headings))
            understood = self._understood(headings)
            self.score = (self.fits and understood > 0, len(strict), understood, rank)

    def _fraction_that_fits(self, headings: Headings) -> float:
        """Return the fraction of readings with a cell for each heading and none beyond."""
        n, fit = len(headings), 0
        for i, cells in self.readings:
            if self.separator == " " and len(cells) == n + 1:
                cells = cut(self.lines[i][1], " ", n)
            fit += len(cells) == n or (len(cells) > n and not any(cells[n:]))
        return fit / len(self.readings) if self.readings else 0.0

    def _understood(self, headings: Headings) -> int:
        return sum(
            bool(h.meanings) or not {h.text.casefold(), h.name.casefold()}.isdisjoint(self.known)
            for h in headings
        )

    def _find_heading(self) -> tuple[int, Headings, int] | None:
        """Return (index, headings, index of the first body line), or None."""
        # Cut at the wrong separator every line is text: look no further than a preamble reaches.
        texts = [
            i
            for i, c in self.grid.items()
            if i < self.first
            and len(c) <= _MOST_COLUMNS
            and not any(is_value(x) and not _R_NAME.fullmatch(x) for x in c)
            and 2 * sum(map(bool, c)) >= len(c)
        ][:_LONGEST_PREAMBLE]
        found: tuple[int, Headings] | None = None
        best = (False, 0)
        for i in texts:
            headings = self._headings(self.lines[i][1], self.grid[i])
            score = (len(headings) == self.width, self._understood(headings))
            if not score[1]:
                continue
            above = i - 1
            if above in texts and _is_unit_row(self.grid[i], entirely=True):
                names = self._headings(self.lines[above][1], self.grid[above])
                if len(names) == len(headings):
                    # Units below names, even where the names mean nothing to us.
                    i, headings = above, names
            if score >= best and not (found and found[0] == i):
                found, best = (i, headings), score
        found = found or self._commented_heading()
        if found is None and self.readings:
            # Names that mean nothing to us are still names, for the user to choose by.
            full = [i for i in texts if len(self.grid[i]) == self.width and all(self.grid[i])]
            if full:
                found = full[-1], self._headings(self.lines[full[-1]][1], self.grid[full[-1]])
        if found is None:
            return None
        at, headings = found
        below = next((i for i in self.grid if i > at), None)
        if below is not None and _is_unit_row(self.grid[below]):
            return at, _with_units(headings, self.grid[below]), below + 1
        return at, headings, at + 1

    def _commented_heading(self) -> tuple[int, Headings] | None:
        """Return a heading that stands behind a comment sign, as numpy.savetxt writes it."""
        if not self.readings:
            return None
        for i in range(self.first - 1, -1, -1):
            text = self.lines[i][1]
            if not is_comment(text) or len(text) > 1000:
                continue
            bare = without_comment_sign(text)
            for separator in dict.fromkeys((self.separator, ",", ";", "\t", "  ", " ")):
                headings = self._headings(bare, cut(bare, separator))
                if len(headings) == self.width and self._understood(headings):
                    return i, headings
        return None

    def _headings(self, text: str, cells: Cells) -> Headings:
        if self.separator == " " and len(cells) != self.width:
            cells = _grouped(text, self.width) or cells
        if self.separator not in ("", " ", "  ") and not any(cells[self.width :]):
            cells = cells[: self.width]
        return tuple(read_heading(c) for c in cells)

    def _labelled_rows(self) -> list[int]:
        """Return the lines that are a known quantity followed by values."""
        if len(self.grid) > _MOST_QUANTITIES:
            return []
        parted = ((i, *part_label(cells)) for i, cells in self.grid.items())
        return [
            i
            for i, label, values in parted
            if label and len(values) > 1 and self._understood((read_heading(label),))
        ]


def _values(cells: Cells) -> float:
    """Return the fraction of cells that are readings or blank, 0 where none is a number."""
    if not any(map(is_number, cells)):
        return 0.0
    return sum(is_value(c) or c in BLANKS for c in cells) / len(cells)


def part_label(cells: Sequence[str]) -> tuple[str, Cells]:
    """Return the leading text of a row that holds one quantity, and the cells after it."""
    first = next(
        (k for k, c in enumerate(cells) if is_value(c) and not (k == 0 and _R_NAME.fullmatch(c))),
        len(cells),
    )
    if first < len(cells):
        # Blank cells between label and first value are blank readings.
        while first > 1 and cells[first - 1] in BLANKS:
            first -= 1
    return " ".join(c for c in cells[:first] if c), list(cells[first:])


def _is_unit_row(cells: Sequence[str], entirely: bool = False) -> bool:
    filled = [c for c in cells[:_MOST_COLUMNS] if c not in BLANKS]
    units = sum(find_unit(c) is not None for c in filled)
    needed = len(filled) if entirely else len(filled) / 2
    return bool(filled) and units >= needed and not any(map(is_value, filled))


def _with_units(headings: Headings, cells: Sequence[str]) -> Headings:
    """Return the headings with the units of the row below them."""
    return tuple(
        h if cell in BLANKS else h.with_unit(find_unit(cell, h.quantity or ""), cell)
        for h, cell in zip(headings, [*cells, *[""] * len(headings)], strict=False)
    )


def _grouped(text: str, width: int) -> Cells | None:
    """Return a heading of words as ``width`` names, where there is only one way to do so."""
    joined = re.sub(r"\s+(?=[(\[{/])|(?<=[/])\s+", "\u2007", text.strip())
    joined = re.sub(r"\s+(in|en)\s+", "\u2007\\1\u2007", joined)
    tokens = [t.replace("\u2007", " ") for t in joined.split(" ") if t]
    if len(tokens) == width:
        return tokens
    if not width < len(tokens) <= 12:
        return None
    ways: list[Cells] = []

    def extend(start: int, groups: Cells) -> None:
        if len(groups) == width:
            if start == len(tokens):
                ways.append(groups)
            return
        for end in range(start + 1, len(tokens) - (width - len(groups) - 1) + 1):
            group = " ".join(tokens[start:end])
            if read_heading(group).meanings:
                extend(end, [*groups, group])

    extend(0, [])
    return ways[0] if len(ways) == 1 else None
