"""Numbers as people write them: which mark is the decimal one, and what a cell says.

The decimal mark is settled once for a table, from cells that can be read in one way only; a table
that leaves it open is refused: 1,234 is either just over one or over a thousand.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf, nan

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import TableError
from ivkit.readings.units import Unit, find_unit

BLANKS = frozenset({"", "-", "--", "–", "—", "−", "n/a", "N/A", "na", "NA", "#N/A"})
"""What stands in a cell that holds no reading."""

_LOOSE = re.compile(
    r"([+-]?(?:[0-9][0-9.,'’]*|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*([^\s0-9.,+-].*)?"
)
_ENTIRE = re.compile(r"[+-]?(?:[0-9]+(?:[.][0-9]*)?|[.][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_GROUPS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:([.,'’])[0-9]{3})(?:\1[0-9]{3})*(?:[.,][0-9]*)?")
_EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_MOST_LISTED = 12
_QUICK = b"0123456789+-.eE \t"


@dataclass(frozen=True)
class Marks:
    """The decimal mark of a table, and its mark between thousands (empty where none is used)."""

    decimal: str = "."
    thousands: str = ""


def tidy(cell: str) -> str:
    """Return a cell without outer blanks, with a plain minus and no blanks between thousands."""
    cell = cell.strip().replace("−", "-").replace("–", "-")
    return re.sub(r"(?<=[0-9])[\u00a0\u2007\u2009\u202f](?=[0-9]{3})", "", cell)


def shown(text: str) -> str:
    """Return a text fit to stand in a message: printable, and no longer than a line bears."""
    text = "".join(c if c.isprintable() else "?" for c in text.strip())
    return text if len(text) <= 50 else text[:47] + "..."


def listed(texts: Sequence[str], joint: str = ", ") -> str:
    """Return texts as a list for a message, cut short where there are many."""
    more = len(texts) - _MOST_LISTED
    return joint.join(texts[:_MOST_LISTED]) + (f" and {more} more" if more > 0 else "")


def looks_like_number(cell: str) -> bool:
    """Tell whether a cell may be a number, with a unit or not, in any of the usual ways."""
    found = _LOOSE.fullmatch(tidy(cell))
    if not found:
        return False
    number = re.split("[eE]", found[1])[0]
    if len(re.findall("[.,'’]", number)) > 1 and not _GROUPS.fullmatch(number):
        return False
    return not found[2] or find_unit(found[2]) is not None


def find_marks(cells: Iterable[tuple[str, str]], where: str, lone: bool = False) -> Marks:
    """Return the decimal mark that all cells (place, text) agree on; those that are no numbers are
    passed over. ``lone``: only one kind of mark stands in the table, so the first clear cell
    settles it.

    TableError: both marks are used as the decimal one, or the only cells with a comma could as well
    have it between thousands.
    """
    decimal: dict[str, tuple[str, str]] = {}
    thousands: dict[str, tuple[str, str]] = {}
    either: dict[str, tuple[str, str]] = {}
    for place, text in cells:
        found = _LOOSE.fullmatch(tidy(text))
        number = re.split("[eE]", found[1])[0].lstrip("+-") if found else ""
        marks = re.sub("[0-9]", "", number)
        if not marks:
            continue
        kinds = "".join(dict.fromkeys(marks))
        here = (place, shown(text))
        if len(kinds) == 2 and kinds[1] in ".," and marks.count(kinds[1]) == 1:
            thousands.setdefault(kinds[0], here)
            decimal.setdefault(kinds[1], here)
        elif kinds in ("'", "’") or (len(kinds) == 1 and len(marks) > 1):
            thousands.setdefault(kinds, here)
        elif len(marks) == 1 and _EITHER.fullmatch(found[1].lstrip("+-")):
            either.setdefault(kinds, here)
        elif len(marks) == 1:
            decimal.setdefault(kinds, here)
            if lone:
                return Marks(kinds)
    groups = "".join(thousands)
    if len(decimal) == 2:
        raise _mixed(decimal, where)
    if decimal:
        mark = next(iter(decimal))
    elif "." in groups or "," in groups:
        mark = "," if "." in groups else "."
    elif len(either) == 2:
        raise _mixed(either, where)
    elif "," in either:
        place, text = either[","]
        raise TableError(
            f"'{text}' could be {text.replace(',', '.')} or {text.replace(',', '')}, and no other "
            "number in the table tells which",
            f"{where}, {place}",
            "write the decimal mark as a point and leave thousands without a mark",
        )
    else:
        mark = "."
    other = "," if mark == "." else "."
    if other in either and other not in groups:
        raise _mixed({mark: (decimal | either)[mark], other: either[other]}, where)
    if mark in groups:
        place, text = thousands[mark]
        raise TableError(
            f"'{text}' has more than one decimal mark",
            f"{where}, {place}",
            "use the comma, and the point, in one meaning throughout",
        )
    return Marks(mark, groups)


def _mixed(seen: dict[str, tuple[str, str]], where: str) -> TableError:
    (point_place, point), (comma_place, comma) = seen["."], seen[","]
    return TableError(
        f"'{point}' ({point_place}) has a decimal point and '{comma}' ({comma_place}) a decimal "
        "comma",
        where,
        "use one decimal mark throughout",
    )


def read_number(cell: str, marks: Marks) -> tuple[float, float, Unit | None]:
    """Return value, step of the last written digit, and the unit if one stands in the cell.

    ValueError: it is no finite number written with these marks; the text is what is wrong.

    >>> read_number("0,50", Marks(","))
    (0.5, 0.01, None)
    """
    text = tidy(cell)
    loose = _LOOSE.fullmatch(text)
    unit = None
    if loose and loose[2]:
        unit = find_unit(loose[2])
        if unit is None:
            raise ValueError(f"'{shown(cell)}' is not a number")
        text = loose[1]
    if marks.thousands and any(mark in text for mark in marks.thousands):
        if not _GROUPS.fullmatch(re.split("[eE]", text)[0]):
            raise ValueError(f"'{shown(cell)}' has its thousands marked oddly")
        for mark in marks.thousands:
            text = text.replace(mark, "")
    if marks.decimal == ",":
        if "." in text:
            raise ValueError(f"'{shown(cell)}' has a decimal point where others have a comma")
        text = text.replace(",", ".")
    elif "," in text:
        raise ValueError(f"'{shown(cell)}' has a comma where others have a decimal point")
    if text.count(".") > 1:
        raise ValueError(f"'{shown(cell)}' has more than one decimal mark")
    if not _ENTIRE.fullmatch(text):
        raise ValueError(f"'{shown(cell)}' is not a number")
    value = float(text)
    if value in (inf, -inf):
        raise ValueError(f"'{shown(cell)}' is too large")
    return value, _step(text), unit


#: In base units: what is smaller is no reading, but what a spreadsheet left of a difference.
RESIDUE = 1e-15


def without_residue(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
    """Return values with what is smaller than `RESIDUE` taken as zero, and how many were.

    >>> without_residue(np.array([0.1 + 0.2 - 0.3, 1e-320, 1e-9, np.nan]))
    (array([0.e+00, 0.e+00, 1.e-09,    nan]), 2)
    """
    small = (np.abs(values) < RESIDUE) & (values != 0)
    count = int(np.count_nonzero(small))
    return (np.where(small, 0.0, values) if count else values), count


def read_plain_numbers(
    cells: Sequence[str], marks: Marks, power: int = 0
) -> tuple[list[float], float] | None:
    """Return the values of a column of plain numbers and blanks, and their finest step.

    Both are multiplied by 10**``power`` in the text, so that 97.1 mA is rounded once and is 0.0971
    A. Many times faster than cell by cell. None where any cell is something else, or all are blank.
    """
    joined = "".join(cells)
    if marks.decimal == ",":
        if "." in joined:
            return None
        cells, joined = [c.replace(",", ".") for c in cells], joined.replace(",", ".")
    # Only these characters: float() would also take nan, inf and 1_000.
    if not joined.isascii() or joined.encode().translate(None, _QUICK) or not joined.strip():
        return None
    if " " in joined or "\t" in joined:
        cells = [c.strip() for c in cells]
    scientific = "e" in joined or "E" in joined
    if scientific and re.search("[eE][+-]?[0-9]{4}", "\n".join(cells)):
        return None
    try:
        if power and not scientific:
            values = [float(f"{c}e{power}") if c else nan for c in cells]
        else:
            values = [_shifted(c, power) if c else nan for c in cells]
    except ValueError:
        return None
    if inf in values or -inf in values:
        return None
    if scientific:
        return values, min(_step(c, power) for c in cells if c)
    decimals = max(map(len, re.findall(r"\.([0-9]*)", "\n".join(cells))), default=0)
    return values, float(f"1e{power - decimals}")


def _shifted(number: str, power: int) -> float:
    """Return a plain number times a power of ten, rounded once."""
    mantissa, _, exponent = number.lower().partition("e")
    return float(f"{mantissa}e{int(exponent or 0) + power}") if power else float(number)


def _step(number: str, power: int = 0) -> float:
    """Return the step of the last digit of a plain number, times a power of ten."""
    mantissa, _, exponent = number.lower().partition("e")
    return float(f"1e{int(exponent or 0) + power - len(mantissa.partition('.')[2])}")
