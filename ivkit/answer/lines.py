"""An answer as text for a terminal."""

import math
import re
from collections.abc import Sequence
from typing import Any

from ivkit.answer.answer import Answer, Column, Entry, Table, nothing
from ivkit.answer.quantities import FRACTION, heading_of, unit_of
from ivkit.answer.text import bullets, number, percent, table, wrap

ENDS = 5
"""Rows at the end of a table that is too long."""

PARENTHESES = "In parentheses: the standard uncertainty (1 sigma) of the last digits."

HEADED = (
    ("Warnings", "warnings"),
    ("Assumptions", "assumptions"),
    ("How the file was read", "notes"),
    ("Skipped rows", "skipped"),
)
"""Lists of an answer with their heading, in this order."""


def shown(value: Any, unit: str = "", u: float | None = None) -> str:
    """Return any value as text: an uncertain number with its u, a `FRACTION` in percent.

    >>> shown(0.0123, "fraction"), shown(None), shown(True), shown(4), shown(["a", 2.5], "V")
    ('1.2 %', '-', 'yes', '4', 'a, 2.5 V')
    """
    if value is None or value == "":
        return "-"
    if isinstance(value, str):
        return value
    if isinstance(value, list | tuple):
        return ", ".join(shown(one, unit) for one in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    u = getattr(value, "std_dev", u)
    value = getattr(value, "nominal_value", value)
    if isinstance(value, int) and u is None:
        return f"{value} {unit}".rstrip()
    if math.isinf(value):
        return "infinite"
    if unit == FRACTION:
        told = math.isfinite(value) and u is not None and u > 0
        if told:
            return number(100 * value, 100 * u, "%")
        return percent(value) if math.isfinite(value) else "-"
    return number(value, u, unit)


def cells_of(column: Column) -> list[str]:
    """Return the values of a column as text."""
    if column.show is not None:
        return list(column.show)
    none = [None] * len(column.values)
    units = [column.unit] * len(none) if isinstance(column.unit, str) else column.unit
    return [
        column.missing if nothing(value) else shown(value, unit, u)
        for value, unit, u in zip(column.values, units, column.u or none, strict=True)
    ]


def grid(one: Table) -> tuple[list[str], list[list[str]], set[int]]:
    """Return a table as text: head, rows, and which columns are words, on their left."""
    columns = [column for column in one.columns if column.heading is not None]
    cells = [cells_of(column) for column in columns]
    if one.sideways:
        named = _wordy(columns[0])
        rows = [[c.heading, *line] for c, line in zip(columns, cells, strict=True)]
        return ([one.title, *cells[0]] if named else []), rows[named:], {0}
    rows = [list(row) for row in zip(*cells, strict=True)]
    if len(rows) > one.most_rows:
        gap = [f"... {len(rows) - one.most_rows} more", *[""] * (len(columns) - 1)]
        rows = [*rows[: max(one.most_rows - ENDS, 1)], gap, *rows[-ENDS:]]
    left = {k for k, column in enumerate(columns) if _wordy(column)}
    return [column.heading for column in columns], rows, left


def _wordy(column: Column) -> bool:
    return any(isinstance(value, str) for value in column.values)


def budget_line(key: str, parts: Any) -> str:
    """Return what the variance of a quantity comes from, as a sentence."""
    largest = sorted(parts.items(), key=lambda item: -item[1])
    told = ", ".join(f"{percent(part)} {name}" for name, part in largest if part >= 0.005)
    return f"The variance of {heading_of(key)} comes from: {told}."


def summary_rows(answer: Answer) -> list[list[str]]:
    """Return what the summary shows, as rows of heading and value."""
    return [
        [one.heading or heading_of(key), one.show or shown(one.value, one.unit or unit_of(key))]
        for key, one in answer.summary.items()
        if isinstance(one, Entry)
    ]


def capital(text: str) -> str:
    """Return a sentence with a capital."""
    return text[:1].upper() + text[1:]


def lines(answer: Answer, width: int | None = None) -> str:
    """Return the answer as text.

    What it rests on, headline, summary, tables, budget, warnings, assumptions, how the file was
    read, skipped rows, cautions.
    """
    blocks = [wrap(capital("; ".join(answer.based_on)), width)]
    blocks += [wrap(line, width) for line in answer.headline.split("\n")]
    blocks += [wrap(line, width) for line in answer.paragraphs]
    rows = summary_rows(answer)
    blocks.append(table(rows, width=width) if rows else "")
    for one in answer.tables.values():
        blocks += _table(one, width)
    blocks += [wrap(budget_line(*item), width) for item in list(answer.budget.items())[:1]]
    if any(re.search(r"\d\(\d+\)", block) for block in blocks):
        blocks.append(wrap(PARENTHESES, width))
    for heading, name in HEADED:
        said: Sequence[str] = getattr(answer, name)
        if said:
            blocks.append(f"{heading}:\n{bullets(said, width)}")
    blocks += [wrap(line, width) for line in answer.cautions]
    blocks.append(wrap(answer.next, width) if answer.next else "")
    return "\n\n".join(block for block in blocks if block)


def _table(one: Table, width: int | None) -> list[str]:
    """Return a table under its title, and its note."""
    if not one.most_rows or not len(one):
        return []
    head, rows, left = grid(one)
    body = table(rows, head if any(head) else (), left, width)
    if one.title and one.title not in head:
        body = f"{wrap(one.title, width)}\n{body}"
    return [body, wrap(one.note, width) if one.note else ""]
