"""One line of a table: is it a comment, is it empty, and which cells does it hold."""

import csv
import re
from functools import lru_cache

from ivkit.errors import TableError
from ivkit.readings.resistor_value import resistor_value
from ivkit.readings.written_number import looks_like_number

SEPARATORS = {
    "\t": "tabs",
    ";": "semicolons",
    "|": "vertical bars",
    "  ": "blanks",
    ",": "commas",
    " ": "blanks",
    "": "nothing",
}
"""Separators in the order in which they are preferred, and their names.

One blank is any run of blanks, two are a run of two or more."""

OPEN = frozenset({"open", "oc", "o.c.", "∞", "offen", "leerlauf", "ouvert", "abierto"})
SHORT = frozenset({"short", "sc", "s.c.", "kurzschluss", "court-circuit", "corto"})
"""Words in a load column for no load at all and for a bare wire."""

# What a spreadsheet writes for a failed formula begins like a comment and is none.
_COMMENT = re.compile(r'"?\s*(?:#(?!DIV/0!|N/A|VALUE!|REF!|NUM!|NAME\?|NULL!)|%|//)')
_RULE = re.compile(r"[\s|:+=_-]*")
_CLOCK = r"\d\d?:\d\d(?::\d\d(?:[.,]\d+)?)?"
_DATE = r"(?:\d{4}[-/]\d\d?[-/]\d\d?|\d\d?[./-]\d\d?[./-]\d{2,4})"
_STAMP = re.compile(rf"{_DATE}(?:[T\s]+\d\d?:\d\d.*)?|{_CLOCK}\s*(?:[aApP]\.?[mM]\.?)?")
_DATE_AND_CLOCK = re.compile(r"(\d{4}-\d\d-\d\d)\s+(\d\d:\d\d)")


def is_comment(text: str) -> bool:
    """Tell whether a line is a comment (#, %, //)."""
    return _COMMENT.match(text.lstrip()) is not None


def without_comment_sign(text: str) -> str:
    """Return a comment without the sign that makes it one."""
    return _COMMENT.sub("", text.lstrip(), count=1)


def is_empty(text: str) -> bool:
    """Tell whether a line holds no cell: blanks, separators, or the rule of a Markdown table."""
    return not text.strip(" \t,;|") or (len(text) > 1 and _RULE.fullmatch(text) is not None)


def is_stamp(cell: str) -> bool:
    """Tell whether a cell looks like a date, a time of day or both, in any order."""
    return len(cell) < 60 and _STAMP.fullmatch(cell.strip()) is not None


@lru_cache(maxsize=8192)
def is_number(cell: str) -> bool:
    """Tell whether a cell looks like a number or a resistor value."""
    if cell[:1].isalpha() and cell[:1] not in "Rr":
        return False
    if looks_like_number(cell):
        return True
    try:
        resistor_value(cell)
    except TableError:
        return False
    return True


@lru_cache(maxsize=8192)
def is_value(cell: str) -> bool:
    """Tell whether a cell looks like a reading rather than a word."""
    word = cell.lower()
    return is_number(cell) or is_stamp(cell) or word in _SPOKEN


_SPOKEN = OPEN | SHORT | {"nan", "inf", "-inf", "+inf"}


def cut(text: str, separator: str, width: int = 0) -> list[str]:
    """Return the cells of a line without outer blanks.

    Where blanks separate and there is one cell more than ``width``, a date and a time of day that
    stand side by side are one cell.
    """
    if separator == "":
        return [text.strip().strip('"').strip()]
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
            row = next(csv.reader([text], delimiter=separator, skipinitialspace=separator != "\t"))
            return [c.strip() for c in row]
        except (csv.Error, StopIteration):
            pass
    return [c.strip() for c in text.split(separator)]
