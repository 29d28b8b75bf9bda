"""Which column is which quantity: what the user says, then what the headings say."""

import difflib
import shlex
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from ivkit.errors import TableError
from ivkit.readings.quantities import Heading
from ivkit.readings.units import BASE_UNITS, Unit, find_unit, unit_names
from ivkit.readings.written_number import listed, shown

# A wrong guess in one of these is a wrong answer, so doubt is an error at once; doubt in the
# others matters only to the command that needs them.
_ESSENTIAL = {"voltage", "current", "power", "load", "voltage_code", "current_code"}


@dataclass
class Choice:
    """Columns by quantity as (index, unit), what was left out, and why."""

    columns: dict[str, tuple[int, Unit | None]] = field(default_factory=dict)
    others: list[str] = field(default_factory=list)
    doubts: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def known_quantities(
    said: Mapping[str, str] | None, known: Collection[str], what: str
) -> dict[str, str]:
    """Return what the user said of the columns of ``what``; TableError for no known quantity."""
    for quantity in said or {}:
        if quantity not in known:
            remedy = f"choose from {', '.join(known)}"
            raise TableError(f"'{quantity}' is no quantity of {what}", "column", remedy)
    return dict(said or {})


def choose_columns(
    headings: Sequence[Heading], said: Mapping[str, str], has_heading: bool, name: str
) -> Choice:
    """Return which column holds which quantity.

    ``said`` is the user's choice: quantity to heading or number, perhaps with ``:unit``; ``none``
    where no column is to be read as the quantity. ``has_heading``: the table names its columns at
    all; ``name``: file, for errors.

    TableError: no heading and no choice; a choice that names no column; two columns for one
    quantity; a unit that is unknown or of another quantity.
    """
    if not has_heading and not said:
        n = len(headings)
        example = "--column voltage=1" + (" --column current=2" if n > 1 else "")
        raise TableError(
            f"no heading names the {n} column{'s' * (n > 1)}",
            name,
            f"add a heading line, or say which is which, for example {example} (or 2:mA)",
        )
    choice = Choice()
    taken: dict[int, str] = {}
    for quantity, text in said.items():
        if text.strip().casefold() == "none" and find_column(text, headings) is None:
            continue
        k, unit = _said_column(quantity, text, headings, name)
        if k in taken:
            raise TableError(
                f"column '{headings[k].text}' is said to be {taken[k]} and {quantity}",
                name,
                "name each column once",
            )
        taken[k] = quantity
        choice.columns[quantity] = (k, unit)
    found: dict[str, list[int]] = {}
    for k, heading in enumerate(headings):
        if k in taken or not has_heading:
            continue
        if heading.contradiction:
            raise TableError(
                heading.contradiction,
                f"{name}, column '{heading.text}'",
                "correct the heading, or say what it is with --column "
                f"{heading.unit.quantity}={shlex.quote(heading.text)}",
            )
        for quantity in heading.meanings - said.keys():
            found.setdefault(quantity, []).append(k)
    for quantity in BASE_UNITS:
        candidates = found.get(quantity, [])
        sure = [k for k in candidates if headings[k].quantity == quantity]
        if len(sure) == 1:
            heading = headings[sure[0]]
            if heading.unknown_unit:
                trouble = _unknown_unit(heading.unknown_unit, quantity, heading, name)
                if quantity in _ESSENTIAL:
                    raise trouble
                choice.doubts[quantity] = f"{trouble.what} ('{heading.text}')"
                continue
            choice.columns[quantity] = (sure[0], heading.unit)
            taken[sure[0]] = quantity
        elif len(sure) > 1:
            columns = listed([f"{k + 1} '{shown(headings[k].text)}'" for k in sure], " and ")
            what = f"columns {columns} may all be {quantity.replace('_', ' ')}"
            if quantity in _ESSENTIAL:
                options = [f"--column {quantity}={_option(headings, k)}" for k in sure[:3]]
                remedy = f"choose with {' or '.join(options)}, or leave out with "
                raise TableError(what, name, f"{remedy}--column {quantity}=none")
            choice.doubts[quantity] = what
        elif candidates:
            heading = headings[candidates[0]]
            meanings = " or ".join(sorted(heading.meanings))
            choice.doubts[quantity] = f"'{heading.text}' may be {meanings}"
    choice.others = [h.text for k, h in enumerate(headings) if k not in taken and h.text]
    choice.notes = [f"{what}; not read" for what in dict.fromkeys(choice.doubts.values())]
    choice.columns = {q: choice.columns[q] for q in BASE_UNITS if q in choice.columns}
    return choice


def _option(headings: Sequence[Heading], k: int) -> str:
    """Return how to name a column on the command line: by heading, or number where not unique."""
    text = headings[k].text
    if sum(h.text == text for h in headings) > 1 or not text:
        return str(k + 1)
    return shlex.quote(text)


def _said_column(
    quantity: str, text: str, headings: Sequence[Heading], name: str
) -> tuple[int, Unit | None]:
    """Return index and unit of the column that the user named."""
    k = find_column(text, headings)
    written = ""
    if k is None:
        column, _, written = text.rpartition(":")
        k = find_column(column, headings) if column else None
    if k is None:
        names = [h.text for h in headings]
        near = difflib.get_close_matches(text.rpartition(":")[0] or text, names, 1, 0.5)
        columns = listed([f"{i} '{shown(n)}'" for i, n in enumerate(names, start=1)])
        remedy = f"the columns are {columns}" + (f"; did you mean '{near[0]}'?" if near else "")
        raise TableError(f"no column '{text}'", name, remedy)
    heading = headings[k]
    kind = "code" if quantity.endswith("_code") else quantity
    if not written:
        unit = heading.unit
        if unit is not None and unit.quantity != kind:
            example = f"--column {quantity}={k + 1}:{BASE_UNITS[quantity]}"
            raise TableError(
                f"column '{heading.text}' is in {unit.name}, which is no unit of {quantity}",
                name,
                f"add the unit that it is in, as in {example}",
            )
        if unit is None and heading.unknown_unit:
            raise _unknown_unit(heading.unknown_unit, quantity, heading, name)
        return k, unit
    unit = find_unit(written, quantity)
    if unit is None or unit.quantity != kind:
        raise TableError(
            f"'{written}' is no unit of {quantity}",
            f"{name}, column '{heading.text}'",
            f"write one of {unit_names(quantity)}",
        )
    return k, unit


def find_column(text: str, headings: Sequence[Heading]) -> int | None:
    """Return the index of the one column with that heading, number, or name without unit."""
    wanted = text.strip()
    for same in (
        [k for k, h in enumerate(headings) if h.text.strip() == wanted],
        [k for k, h in enumerate(headings) if h.text.strip().casefold() == wanted.casefold()],
        [int(wanted) - 1] if wanted.isdecimal() and len(wanted) < 6 else [],
        [k for k, h in enumerate(headings) if h.name.casefold() == wanted.casefold()],
    ):
        if len(same) == 1 and 0 <= same[0] < len(headings):
            return same[0]
    return None


def _unknown_unit(written: str, quantity: str, heading: Heading, name: str) -> TableError:
    return TableError(
        f"'{written}' is no known unit of {quantity}",
        f"{name}, column '{heading.text}'",
        f"write one of {unit_names(quantity)} in the heading, or say --column "
        f"{quantity}={shlex.quote(heading.text)}:{BASE_UNITS[quantity] or 'unit'}",
    )
