"""Changes of pins in words: one line a command and place, or each on its own."""

import math
from collections.abc import Iterable
from typing import Any

from tests.pins.moved import Change

_LONG = 70


def told(changes: list[Change], every: bool = False) -> str:
    """Return the changes as text: grouped, or each of them."""
    if not changes:
        return "nothing moved"
    groups: dict[tuple[str, str], list[Change]] = {}
    for change in changes:
        groups.setdefault((change.command, change.group), []).append(change)
    lines = []
    for (command, group), some in sorted(groups.items(), key=_order):
        if every:
            lines += [f"{one.file}  {one.path}: {_one(one)}" for one in some]
            continue
        lines.append(f"{command:13} {group}: {_counted(some)}")
        lines.append(f"{'':14}{_one(_largest(some))}  [{_largest(some).file}]")
    files = len({change.file for change in changes})
    lines.append(f"{len(changes)} changes at {len(groups)} places in {files} files")
    return "\n".join(lines)


def _order(item: tuple[tuple[str, str], list[Change]]) -> tuple:
    """Sort by command; what tells most first: files, status, then by the largest change."""
    (command, group), some = item
    first = 0 if group in ("(file)", "status") else 1 if not some[0].is_number else 2
    largest = _largest(some)
    return command, first, -_number(largest.in_u), -_number(largest.relative), group


def _number(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _largest(some: Iterable[Change]) -> Change:
    return max(some, key=lambda one: (_number(one.in_u), _number(one.relative)))


def _counted(some: list[Change]) -> str:
    count = f"{len(some)} change{'s' if len(some) > 1 else ''}"
    numbers = [one for one in some if one.is_number]
    parts = [count]
    if numbers:
        parts.append(f"up to {max(one.relative for one in numbers):.2g} relative")
    in_u = [one.in_u for one in numbers if not math.isnan(one.in_u)]
    if in_u:
        parts.append(f"up to {max(in_u):.2g} u")
    return ", ".join(parts)


def _one(change: Change) -> str:
    text = f"{_short(change.before)} -> {_short(change.after)}"
    if change.is_number:
        text += f" ({change.relative:.2g} relative"
        text += ")" if math.isnan(change.in_u) else f", {change.in_u:.2g} u)"
    return text


def _short(value: Any) -> str:
    if value is None:
        return "nothing"
    text = f"{value:.12g}" if isinstance(value, float) else str(value)
    return text if len(text) <= _LONG else f"{text[: _LONG - 3]}..."
