"""What differs between two records of pins: numbers, words, files."""

import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

#: A number in a text, with its standard uncertainty in the last digits if it has one: 1.185(16).
_NUMBER = re.compile(r"(?<![\w.])([+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)(?:\((\d+(?:\.\d+)?)\))?")
_NAMED_BY = ("name", "slip", "kind", "file", "label")


@dataclass(frozen=True)
class Change:
    """One thing that moved.

    Attributes
    ----------
    file, path : str
        The pin, and the place in it; ``group`` is the path without numbers of rows and names.
    before, after : object
        None where it was not there.
    relative : float
        Of a number, |after - before| over the size of what it belongs to; else NaN.
    in_u : float
        Of a number with a standard uncertainty, its change in units of that before; else NaN.
    """

    file: str
    path: str
    group: str
    before: Any
    after: Any
    relative: float = math.nan
    in_u: float = math.nan

    @property
    def command(self) -> str:
        """The command that answered."""
        return Path(self.file).stem.partition("-")[2]

    @property
    def is_number(self) -> bool:
        """Whether it went from one number to another."""
        return not math.isnan(self.relative)


@dataclass(frozen=True)
class _Place:
    path: str = ""
    group: str = ""

    def key(self, name: str, is_name: bool = False) -> "_Place":
        dot = "." if self.path else ""
        return _Place(f"{self.path}{dot}{name}", f"{self.group}{dot}{'*' if is_name else name}")

    def row(self, name: object) -> "_Place":
        return _Place(f"{self.path}[{name}]", f"{self.group}[]")


def compare_folders(before: Path, after: Path, rtol: float = 1e-9, only: str = "*") -> list[Change]:
    """Return what differs between two folders of pins, in the order of their files.

    Parameters
    ----------
    before, after : Path
    rtol : float
        Numbers that differ by less of their size are the same.
    only : str
        Pattern that a file must match, as ``bench-*/*-load.json``.
    """
    names = {
        str(path.relative_to(folder))
        for folder in (before, after)
        for path in folder.rglob("*.json")
    }
    changes: list[Change] = []
    for name in sorted(one for one in names if fnmatch(one, only)):
        one, two = before / name, after / name
        if not (one.is_file() and two.is_file()):
            there = ("there", None) if one.is_file() else (None, "there")
            changes.append(Change(name, "(file)", "(file)", *there))
            continue
        if one.read_bytes() == two.read_bytes():
            continue
        documents = [json.loads(path.read_text(encoding="utf-8")) for path in (one, two)]
        changes += compare(*documents, rtol=rtol, file=name)
    return changes


def compare(before: dict, after: dict, rtol: float = 1e-9, file: str = "") -> list[Change]:
    """Return what differs between two answers; their command lines may."""
    before, after = ({k: v for k, v in d.items() if k != "command"} for d in (before, after))
    return [replace(one, file=file) for one in _moved(before, after, rtol, _Place())]


def _moved(a: Any, b: Any, rtol: float, at: _Place, size: float = 0.0, u: Any = None) -> Iterator:
    """Yield changes; ``size`` is that of the neighbours, ``u`` the standard uncertainty."""
    if isinstance(a, dict) and isinstance(b, dict):
        yield from _dicts(a, b, rtol, at)
    elif isinstance(a, list) and isinstance(b, list):
        yield from _lists(a, b, rtol, at, u)
    elif _is_number(a) and _is_number(b):
        u = u if _is_number(u) else 0.0
        size = max(abs(a), abs(b), size, abs(u))
        if abs(b - a) > rtol * size:
            relative = abs(b - a) / max(abs(a), size if a == 0 else 0.0)
            in_u = abs(b - a) / abs(u) if u else math.nan
            yield Change("", at.path, at.group, a, b, relative, in_u)
    elif isinstance(a, str) and isinstance(b, str):
        yield from _texts(a, b, rtol, at)
    elif a != b or type(a) is not type(b):
        yield Change("", at.path, at.group, a, b)


def _dicts(a: dict, b: dict, rtol: float, at: _Place) -> Iterator:
    keys = [*a, *(key for key in b if key not in a)]
    if {"value", "u"} <= set(keys) and {"value", "u"} <= set(a) & set(b):
        yield from _moved(a["value"], b["value"], rtol, at, u=a["u"])
        keys.remove("value")
    # Keys with blanks are names, of causes in a budget: one size and one group for all.
    named = any(" " in key for key in keys)
    size = 0.0
    if named:
        size = max((abs(x) for x in (*a.values(), *b.values()) if _is_number(x)), default=0.0)
    for key in keys:
        place = at.key(key, named)
        if key not in a or key not in b:
            yield Change("", place.path, place.group, a.get(key, "(not there)"), b.get(key))
        else:
            yield from _moved(a[key], b[key], rtol, place, size, a.get(f"u_{key}"))


def _lists(a: list, b: list, rtol: float, at: _Place, u: Any) -> Iterator:
    in_lines = at.path in ("text", "errors") or at.path.startswith("files.")
    if in_lines and all(isinstance(x, str) for x in (*a, *b)):  # wherever its lines are broken
        yield from _texts(*(" ".join(" ".join(x).split()) for x in (a, b)), rtol, at)
        return
    names = _names(a, b)
    if names:
        first, second = ({x[names]: x for x in rows} for rows in (a, b))
        common = [name for name in first if name in second]
        if common != [name for name in second if name in first]:
            place = at.key("(order)")
            yield Change("", place.path, place.group, list(first), list(second))
        for name in [*first, *(n for n in second if n not in first)]:
            if name in common:
                yield from _moved(first[name], second[name], rtol, at.row(name))
            else:
                there = ("there", None) if name in first else (None, "there")
                yield Change("", at.row(name).path, at.row(name).group, *there)
        return
    if all(isinstance(x, str) for x in (*a, *b)) and len(a) != len(b):
        for gone in (x for x in a if x not in b):
            yield Change("", at.path, at.group, gone, None)
        for new in (x for x in b if x not in a):
            yield Change("", at.path, at.group, None, new)
        return
    if len(a) != len(b):
        place = at.key("(length)")
        yield Change("", place.path, place.group, f"{len(a)} entries", f"{len(b)} entries")
    size = max((abs(x) for x in (*a, *b) if _is_number(x)), default=0.0)
    for k, (one, two) in enumerate(zip(a, b, strict=False)):
        own = u[k] if isinstance(u, list) and k < len(u) else None
        yield from _moved(one, two, rtol, at.row(k), size, own)


def _names(a: list, b: list) -> str:
    """Return the key that names the rows of both lists, each once, or an empty text."""
    rows = [*a, *b]
    if not rows or not all(isinstance(row, dict) for row in rows):
        return ""
    for key in _NAMED_BY:
        if all(isinstance(row.get(key), str) for row in rows) and all(
            len({row[key] for row in some}) == len(some) for some in (a, b)
        ):
            return key
    return ""


def _texts(a: str, b: str, rtol: float, at: _Place) -> Iterator:
    """Yield the numbers that differ in one wording, or the words around which it differs."""
    if a == b:
        return
    if _NUMBER.sub("#", a) == _NUMBER.sub("#", b):
        pairs = zip(_NUMBER.finditer(a), _NUMBER.finditer(b), strict=True)
        place = replace(at, group=f"{at.group} (numbers in words)")
        for one, two in pairs:
            if one[0] != two[0]:
                u = _last_digits(one)
                if one[1] == two[1]:
                    yield Change("", at.path, place.group, one[0], two[0])
                else:
                    yield from _moved(float(one[1]), float(two[1]), rtol, place, u=u)
        return
    yield Change("", at.path, f"{at.group} (words)", *_differing(a, b))


def _last_digits(found: re.Match) -> float | None:
    """Return the standard uncertainty that stands in brackets behind a number."""
    if not found[2]:
        return None
    decimals = len(found[1].partition("e")[0].partition(".")[2])
    return float(found[2]) * (1.0 if "." in found[2] else 10.0**-decimals)


def _differing(a: str, b: str) -> tuple[str, str]:
    """Return what differs, from word to word, with two words before it."""
    one, two = a.split(), b.split()
    front = 0
    while front < min(len(one), len(two)) and one[front] == two[front]:
        front += 1
    back = 0
    while back < min(len(one), len(two)) - front and one[-1 - back] == two[-1 - back]:
        back += 1
    some = max(front - 2, 0)
    return " ".join(one[some : len(one) - back]), " ".join(two[some : len(two) - back])


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
