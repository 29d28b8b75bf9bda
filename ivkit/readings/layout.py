"""How a table is laid out: separator, heading, unit row, first reading, or one quantity a row.

Every way of cutting the first lines into cells is tried, and the one under which a heading and
the readings below it fit together is taken.
"""

import csv
import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from ivkit.errors import TableError
from ivkit.readings.quantities import Heading, read_heading
from ivkit.readings.resistor_value import resistor_value
from ivkit.readings.units import find_unit
from ivkit.readings.written_number import BLANKS, looks_like_number

Lines = Sequence[tuple[int, str]]

SEPARATORS = {
    "\t": "tabs",
    ";": "semicolons",
    "|": "vertical bars",
    "  ": "blanks",
    ",": "commas",
    " ": "blanks",
    "": "nothing",
}
"""Separators in the order in which they are preferred, and their names."""

_COMMENT = re.compile(r'\s*"?\s*(?:#(?!DIV/0!|N/A|VALUE!|REF!|NUM!|NAME\?|NULL!)|%|//)')
_MOST_QUANTITIES = 60
_LONGEST_PREAMBLE = 60
_RULE = re.compile(r"[\s|:+=_-]*")
_STAMP = re.compile(
    r"\d{4}-\d\d?-\d\d?(?:[T\s]+\d\d?:\d\d.*)?|\d\d?:\d\d(?::\d\d(?:[.,]\d+)?)?\s*(?:[aApP]\.?[mM]\.?)?"
    r"|\d\d?[./-]\d\d?[./-]\d{2,4}(?:[T\s]+\d\d?:\d\d.*)?|\d{4}/\d\d?/\d\d?(?:[T\s]+\d\d?:\d\d.*)?"
)
_DATE_AND_CLOCK = re.compile(r"(\d{4}-\d\d-\d\d)\s+(\d\d:\d\d)")


@dataclass(frozen=True)
class Layout:
    """How to cut a table.

    Attributes
    ----------
    separator : str
        One of `SEPARATORS`; one blank is any run of blanks, two are a run of two or more.
    headings : tuple of Heading
        One a column (or, transposed, a row); without a heading line they are "1", "2", ...
    has_heading : bool
    start : int
        Index of the first body line among the lines that were given.
    skipped : int
        Lines before the heading that were passed over.
    transposed : bool
        One quantity a row.
    width : int
        Cells in a line, counting empty ones.
    """

    separator: str
    headings: tuple[Heading, ...]
    has_heading: bool
    start: int
    skipped: int = 0
    transposed: bool = False
    width: int = 0

    def cut(self, text: str) -> list[str]:
        """Return the cells of a line."""
        return cut(text, self.separator, self.width)


def is_comment(text: str) -> bool:
    """Tell whether a line is a comment (#, %, //)."""
    return _COMMENT.match(text) is not None


def is_empty(text: str) -> bool:
    """Tell whether a line holds no cell: blanks, separators, or the rule of a Markdown table."""
    return not text.strip(" \t,;|") or (len(text) > 1 and _RULE.fullmatch(text) is not None)


def is_stamp(cell: str) -> bool:
    """Tell whether a cell looks like a date, a time of day or both, in any order."""
    return _STAMP.fullmatch(cell.strip()) is not None


def cut(text: str, separator: str, width: int = 0) -> list[str]:
    """Return the cells of a line without outer blanks."""
    if separator == "":
        return [text.strip().strip('"')]
    if separator == " ":
        cells = text.split()
        if width and len(cells) == width + 1:
            return _DATE_AND_CLOCK.sub(r"\1T\2", text).split()
        return cells
    if separator == "  ":
        return re.split(r"\s{2,}|\t", text.strip())
    if separator == "|":
        text = text.strip()
        return [c.strip() for c in text.removeprefix("|").removesuffix("|").split("|")]
    if '"' in text:
        try:
            return [c.strip() for c in next(csv.reader([text], delimiter=separator))]
        except (csv.Error, StopIteration):
            pass
    return [c.strip() for c in text.split(separator)]


def find_layout(lines: Lines, known: Collection[str], name: str) -> Layout:
    """Return how a table is laid out, from its first lines.

    Parameters
    ----------
    lines : sequence of (int, str)
        Line number and text of the first lines (a few hundred).
    known : collection of str
        Column names that the user gave; a line with one of them is the heading.
    name : str
        File, for the error.

    Raises
    ------
    TableError
        Nothing in it, no reading in it, or a comma that is separator and decimal mark.
    """
    if not any(text.strip() for _, text in lines):
        raise TableError("it is empty", name, "give a table with a heading line and readings")
    separators = list(SEPARATORS)
    for _, text in lines[:3]:
        if text.strip().strip('"').lower().startswith("sep=") and len(text.strip().strip('"')) > 4:
            separators = [text.strip().strip('"')[4]]
    if separators[0] not in SEPARATORS:
        separators = list(SEPARATORS)
    attempts = [_Attempt(lines, separator, known) for separator in separators]
    best = max(attempts, key=lambda attempt: attempt.score)
    layout = best.layout
    if not best.numeric:
        body = [n for n, text in lines[layout.start :] if not (is_comment(text) or is_empty(text))]
        if layout.has_heading and body:
            return layout
        if layout.has_heading:
            raise TableError("no reading below the heading", name, "add rows with readings")
        raise TableError("no number in it", name, "give a table with a heading line and readings")
    if best.separator == "," and not layout.transposed and not best.fits:
        rows = [cells for _, cells in best.numeric]
        halves = all(
            len(cells) % 2 == 0 and all(c.isdigit() for c in cells[1::2]) for cells in rows
        )
        plain = not any("." in c for cells in rows for c in cells)
        names = len(layout.headings)
        if (
            plain
            and halves
            and (names * 2 == len(rows[0]) if layout.has_heading else len(rows[0]) >= 4)
        ):
            row, text = lines[best.numeric[0][0]]
            raise TableError(
                f"'{text.strip()}' uses the comma as separator and, it seems, as decimal mark",
                f"{name}, row {row}",
                "separate by semicolons, or write decimal points"
                + ("" if layout.has_heading else " and a heading line that names the columns"),
            )
    return layout


class _Attempt:
    """The first lines, cut at one separator."""

    def __init__(self, lines: Lines, separator: str, known: Collection[str]) -> None:
        self.separator, self.known = separator, {k.strip().casefold() for k in known}
        self.lines = lines
        self.grid = {
            i: cut(text, separator)
            for i, (_, text) in enumerate(lines)
            if not (is_comment(text) or is_empty(text) or text.lower().startswith("sep="))
        }
        strict = [(i, cells) for i, cells in self.grid.items() if self._is_reading(cells)]
        loose = [(i, cells) for i, cells in self.grid.items() if self._is_mostly_numbers(cells)]
        self.fits = False
        self.numeric = strict or loose
        heading = self._find_heading() if self.numeric or not loose else None
        if heading is None or (not strict and not heading[2]):
            rows = self._labelled_rows()
            if rows:
                self.numeric, self.fits = [(i, cells) for i, cells in loose], True
                self.layout = Layout(separator, (), True, rows[0], transposed=True)
                self.score = (True, len(rows), len(rows), self._rank())
                return
        if heading is None:
            width = self._width()
            start = next(
                (i for i, c in self.grid.items() if len(c) == width and any(map(_is_value, c))), 0
            )
            headings = tuple(Heading(str(k + 1), str(k + 1)) for k in range(width))
            self.layout = Layout(separator, headings, False, start, start, width=width)
            self.score = (False, len(strict), 0, self._rank())
            return
        at, headings, understood, after = heading
        self.fits = self._fitting(headings) > 0.5
        self.layout = Layout(separator, headings, True, after, at, width=len(headings))
        self.score = (self.fits and understood > 0, len(strict), understood, self._rank())

    def _rank(self) -> int:
        return -list(SEPARATORS).index(self.separator)

    def _is_reading(self, cells: list[str]) -> bool:
        """All cells are values or blank, and one at least is a number."""
        if len(cells) < 2 and self.separator:
            return False
        return all(_is_value(c) or c in BLANKS for c in cells) and any(map(_is_number, cells))

    def _is_mostly_numbers(self, cells: list[str]) -> bool:
        if len(cells) < 2:
            return False
        return 2 * sum(_is_value(c) or c in BLANKS for c in cells) >= len(cells) and any(
            map(_is_number, cells)
        )

    def _width(self) -> int:
        counts = Counter(len(cells) for _, cells in self.numeric)
        return max(counts, key=lambda n: (counts[n], n)) if counts else 1

    def _fitting(self, headings: tuple[Heading, ...]) -> float:
        """Return the share of readings that have a cell for each heading and none beyond."""
        n = len(headings)
        fit = [
            len(c) == n or (len(c) > n and not any(c[n:])) or len(cut(self._raw(i), " ", n)) == n
            if self.separator == " "
            else len(c) == n or (len(c) > n and not any(c[n:]))
            for i, c in self.numeric
        ]
        return sum(fit) / len(fit) if fit else 0.0

    def _raw(self, index: int) -> str:
        return self.lines[index][1]

    def _understood(self, headings: Sequence[Heading]) -> int:
        return sum(bool(h.meanings) or self._named(h) for h in headings)

    def _named(self, heading: Heading) -> bool:
        return bool({heading.text.casefold(), heading.name.casefold()} & self.known)

    def _find_heading(self) -> tuple[int, tuple[Heading, ...], int, int] | None:
        """Return (index, headings, how many are understood, index of the first body line)."""
        width = self._width()
        first = next((i for i, c in self.numeric if len(c) == width), len(self.lines))
        texts = [
            (i, c)
            for i, c in self.grid.items()
            if i < first and not any(_is_value(x) for x in c) and sum(map(bool, c)) * 2 >= len(c)
        ]
        best: tuple[int, int, tuple[Heading, ...]] | None = None
        # Cut at the wrong separator, every line is text: look no further than a preamble reaches.
        for place, (i, cells) in enumerate(texts[:_LONGEST_PREAMBLE]):
            headings = self._headings(i, cells, width)
            understood = self._understood(headings)
            if not understood:
                continue
            previous = texts[place - 1] if place else None
            if _is_unit_row(cells) and previous and len(previous[1]) == len(cells):
                if best is not None and best[1] == previous[0]:
                    continue
                i, headings = previous[0], self._headings(previous[0], previous[1], width)
            fit = len(headings) == width
            if best is None or (fit, understood) > (best[3], best[0]):
                best = (understood, i, headings, fit)
        if best is None:
            best = self._commented_heading(first, width)
        if best is None:
            unknown = [(i, c) for i, c in texts if len(c) == width and all(c)]
            if unknown and self.numeric:
                i, cells = unknown[-1]
                best = (0, i, self._headings(i, cells, width), True)
        if best is None:
            return None
        understood, at, headings, _ = best
        after = at + 1
        below = next((i for i in self.grid if i > at), None)
        if below is not None and _is_unit_row(self.grid[below]):
            headings = _with_units(headings, self.grid[below], self.lines[below][0])
            after = below + 1
        return at, headings, understood, after

    def _commented_heading(self, first: int, width: int):
        """Return a heading that stands behind a comment sign, as numpy.savetxt writes it."""
        for i in range(first - 1, -1, -1):
            text = self._raw(i)
            if not is_comment(text):
                continue
            bare = _COMMENT.sub("", text, count=1)
            for separator in dict.fromkeys((self.separator, ",", ";", "\t", "  ", " ")):
                cells = cut(bare, separator)
                headings = self._headings(i, cells, width, bare)
                if len(headings) == width and self._understood(headings):
                    return self._understood(headings), i, headings, True
        return None

    def _headings(self, i: int, cells: list[str], width: int, text: str = ""):
        if self.separator == " " and len(cells) != width:
            cells = _group(text or self._raw(i), width) or cells
        if self.separator not in ("", " ", "  ") and len(cells) > width and not any(cells[width:]):
            cells = cells[:width]
        return tuple(read_heading(c) for c in cells)

    def _labelled_rows(self) -> list[int]:
        """Return the lines that are a known quantity followed by values."""
        if len(self.grid) > _MOST_QUANTITIES:
            return []
        found = []
        for i, cells in self.grid.items():
            label, values = part_label(cells)
            if label and len(values) > 1:
                heading = read_heading(label)
                if heading.meanings or self._named(heading):
                    found.append(i)
        return found


def part_label(cells: Sequence[str]) -> tuple[str, list[str]]:
    """Return the leading text of a row that holds one quantity, and the cells after it."""
    k = next((k for k, c in enumerate(cells) if _is_value(c)), len(cells))
    if k < len(cells):
        # Blank cells between label and first value are blank readings.
        while k > 1 and cells[k - 1] in BLANKS:
            k -= 1
    return " ".join(c for c in cells[:k] if c), list(cells[k:])


def _is_number(cell: str) -> bool:
    if cell[:1].isalpha() and cell[:1] not in "Rr":
        return False
    if looks_like_number(cell):
        return True
    try:
        resistor_value(cell)
    except TableError:
        return False
    return True


def _is_value(cell: str) -> bool:
    return _is_number(cell) or is_stamp(cell) or cell.lower() in ("nan", "inf", "-inf", "+inf")


def _is_unit_row(cells: Sequence[str]) -> bool:
    filled = [c for c in cells if c not in BLANKS]
    units = sum(find_unit(c) is not None for c in filled)
    return bool(filled) and 2 * units >= len(filled) and not any(map(_is_value, filled))


def _with_units(headings, cells: Sequence[str], row: int) -> tuple[Heading, ...]:
    """Return the headings with the units of the row below them."""
    result = []
    for k, heading in enumerate(headings):
        cell = cells[k] if k < len(cells) else ""
        if cell not in BLANKS and (heading.unit is None or not heading.meanings):
            heading = heading.with_unit(find_unit(cell, heading.quantity or ""), cell)
        result.append(heading)
    return tuple(result)


def _group(text: str, width: int) -> list[str] | None:
    """Return a heading of words as ``width`` names, where there is only one way to do so."""
    joined = re.sub(r"\s+(?=[(\[{/])|(?<=[/])\s+", "\u2007", text.strip())
    joined = re.sub(r"\s+(in|en)\s+", "\u2007\\1\u2007", joined)
    tokens = [t.replace("\u2007", " ") for t in joined.split(" ") if t]
    if len(tokens) == width:
        return tokens
    if not width < len(tokens) <= 12:
        return None
    ways: list[list[str]] = []

    def extend(start: int, groups: list[str]) -> None:
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
