"""A settings file in TOML, read against a table of keys.

The table *is* a frozen dataclass: every field carries a `Key` (meaning, unit, range) in its
metadata, or names the dataclass of a section below it. A new section is one more dataclass and
one field; reading, checking and the wording of errors follow from the declaration. Bench files
and datasheets are both read this way.
"""

import dataclasses
import difflib
import math
import re
import tomllib
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, TypeVar

from ivkit.errors import BenchError, FileError, TableError
from ivkit.readings.resistor_value import resistor_value

Section = TypeVar("Section")


class Kind(Enum):
    """What may stand behind a key."""

    NUMBER = "a number"
    INTEGER = "a whole number"
    TEXT = "text in quotes"
    YES_NO = "true or false"
    RESISTANCE = "a resistance"
    RESISTANCES = "a list of resistances"
    FILE = "the name of a file in quotes"
    FILES = "a list of names of files in quotes"


#: By unit: the least that a quantity above zero can be, and the most that any can be, on any
#: bench for small panels. Wide on purpose (common practice, no source): what is beyond is a slip
#: of the keyboard, and would come to nothing or overflow in what follows.
LIMITS = {
    "V": (1e-12, 1e5),
    "A": (1e-15, 1e5),
    "W": (1e-12, 1e7),
    "ohm": (1e-6, 1e12),
    "V/V": (1e-6, 1e9),
    "m": (1e-4, 1e5),
    "cm": (1e-3, 1e5),
    "cm2": (1e-4, 1e8),
    "W/m2": (0.0, 1e6),
    "lx": (0.0, 1e7),
    "lm/W": (1e-3, 683.0),
    "deg": (0.01, 1e4),
    "degC": (0.0, 1e4),
    "K": (0.0, 1e5),
    "%/K": (0.0, 100.0),
    "counts": (0.0, 1e12),
}


@dataclass(frozen=True)
class Key:
    """What one key of a settings file means and which values make sense.

    Attributes
    ----------
    meaning : str
        In words that complete "give ...": ``"the shunt's resistance"``.
    unit : str
        Unit of the value; empty for a pure number.
    kind : Kind
    low, high : float
        Range of sense, both ends included, in ``unit``; none wider than `LIMITS`.
    above : float or None
        A bound that the value must exceed; where it is zero, `LIMITS` says by how much.
    choices : tuple of str
        For text: the words that are allowed; empty for any.
    """

    meaning: str
    unit: str = ""
    kind: Kind = Kind.NUMBER
    low: float = -math.inf
    high: float = math.inf
    above: float | None = None
    choices: tuple[str, ...] = ()


def key(meaning: str, unit: str = "", default: Any = None, **limits: Any) -> Any:
    """Declare a field of a section: its `Key` and the value it has when the file is silent."""
    declared = Key(meaning, unit, **limits)
    return dataclasses.field(default=default, metadata={"key": declared})


def section(declared: type, optional: bool = False) -> Any:
    """Declare a section below this one; an optional one is None when the file lacks it."""
    if optional:
        return dataclasses.field(default=None, metadata={"section": declared})
    return dataclasses.field(default_factory=declared, metadata={"section": declared})


def load_settings(path: str | Path, declared: type[Section]) -> Section:
    """Read a TOML file into the dataclass that declares it.

    Parameters
    ----------
    path : str or Path
    declared : type
        Frozen dataclass whose fields were made by `key` and `section`.

    Raises
    ------
    FileError
        The file cannot be read.
    BenchError
        It is not TOML, a key is unknown, or a value has the wrong type or makes no sense.
    """
    path = Path(path)
    name = path.name
    try:
        return _fill(declared, _parse(path, name), name, "", path.parent)
    except BenchError as error:
        if error.where.startswith(name):
            raise
        where = f"{name}, {error.where}" if error.where else name
        raise BenchError(error.what, where, error.remedy) from None


def _parse(path: Path, name: str) -> dict[str, Any]:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise FileError("no such file", str(path), "check the name and the folder") from None
    except IsADirectoryError:
        raise FileError("is a folder, not a file", str(path), "name the file in it") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"cannot be read ({reason})", str(path), "check the file") from None
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise BenchError(
            f"byte 0x{raw[error.start]:02x} is not UTF-8 text",
            f"{name}, line {line}",
            "save the file as UTF-8",
        ) from None
    except RecursionError:
        raise BenchError(
            "is nested too deep to read", name, "write [section] and key = value"
        ) from None
    except ValueError as error:  # a TOMLDecodeError, or a number of thousands of digits
        text = str(error)
        place = re.search(r"\(at (line \d+, column \d+|end of document)\)", text)
        where = f"{name}, {place[1]}" if place else name
        reason = re.sub(r"\s*\(at .*?\)$", "", text.split(";")[0]).strip() or "cannot be parsed"
        raise BenchError(
            f"not valid TOML: {_shown(reason, 80)}",
            where,
            "write key = value, text in double quotes",
        ) from None


def _fill(declared: type[Section], found: Any, name: str, path: str, folder: Path) -> Section:
    """Return ``declared`` filled from the mapping ``found`` of the section called ``path``."""
    where = f"{name}, [{path}]" if path else name
    if not isinstance(found, dict):
        raise BenchError(
            f"{_shown(found)} is not a section", where, f"write [{path}] on a line of its own"
        )
    fields = {f.name: f for f in dataclasses.fields(declared) if not f.metadata.get("hidden")}
    values: dict[str, Any] = {}
    for word, value in found.items():
        if word not in fields:
            raise _unknown(word, value, fields, where)
        below = fields[word].metadata.get("section")
        if below is not None:
            values[word] = _fill(below, value, name, f"{path}.{word}" if path else word, folder)
        else:
            place = f"{where} {word}" if path else f"{where}, {word}"
            values[word] = _checked(fields[word].metadata["key"], value, place, folder)
    return declared(**values)


def _unknown(word: str, value: Any, fields: dict[str, Any], where: str) -> BenchError:
    what = f"unknown {'section' if isinstance(value, dict) else 'key'} '{_shown(word, 40)}'"
    near = difflib.get_close_matches(word, fields, n=1, cutoff=0.6)
    remedy = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(fields)}"
    return BenchError(what, where, remedy)


def _checked(declared: Key, value: Any, where: str, folder: Path) -> Any:
    """Return ``value`` as its kind, or raise with the place, the value and what to give."""
    give = f"give {declared.meaning}" + (f" in {declared.unit}" if declared.unit else "")
    kind = declared.kind
    if kind in (Kind.TEXT, Kind.FILE):
        if not isinstance(value, str) or not value.strip() or "\0" in value:
            raise BenchError(f"{_shown(value)} is not {kind.value}", where, give)
        if declared.choices and value not in declared.choices:
            allowed = " or ".join(f'"{choice}"' for choice in declared.choices)
            raise BenchError(f"{_shown(value)} is not one of the choices", where, f"give {allowed}")
        return str(folder / value) if kind is Kind.FILE else value
    if kind is Kind.YES_NO:
        if not isinstance(value, bool):
            raise BenchError(f"{_shown(value)} is not {kind.value}", where, give)
        return value
    if kind is Kind.FILES:
        names = value if isinstance(value, list) else [value]
        if not names or not all(isinstance(n, str) and n.strip() and "\0" not in n for n in names):
            raise BenchError(f"{_shown(value)} is not {kind.value}", where, give)
        return tuple(str(folder / name) for name in names)
    if kind is Kind.RESISTANCES:
        if not isinstance(value, list) or not value:
            raise BenchError(f"{_shown(value)} is not {kind.value}", where, give)
        return tuple(
            _in_range(declared, _number(kind, item, where, give), item, where, give)
            for item in value
        )
    return _in_range(declared, _number(kind, value, where, give), value, where, give)


def _number(kind: Kind, value: Any, where: str, give: str) -> float:
    number = None
    if kind in (Kind.RESISTANCE, Kind.RESISTANCES) and isinstance(value, str):
        try:
            number = resistor_value(value)
        except TableError as error:
            raise BenchError(error.what, where, error.remedy) from None
    elif isinstance(value, int | float) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
    if number is None:
        kind = Kind.RESISTANCE if kind is Kind.RESISTANCES else kind
        raise BenchError(f"{_shown(value)} is not {kind.value}", where, give)
    if not math.isfinite(number):
        raise BenchError(f"{_shown(value)} is not a finite number", where, give)
    if kind is Kind.INTEGER:
        if number != int(number):
            raise BenchError(f"{_shown(value)} is not a whole number", where, give)
        return int(number)
    return number


def _in_range(declared: Key, number: float, value: Any, where: str, give: str) -> float:
    unit = f" {declared.unit}" if declared.unit else ""
    floor = declared.above if declared.above is not None else declared.low
    least, most = LIMITS.get(declared.unit, (0.0, math.inf))
    low, high = max(declared.low, -most), min(declared.high, most)
    if declared.above == 0:
        low = max(low, least)
    wrong = ""
    if number < 0 <= floor:
        wrong = "is negative"
    elif declared.above is not None and number <= declared.above:
        wrong = "is not above zero" if floor == 0 else f"is not above {floor:g}{unit}"
    elif number < low:
        wrong = f"is below {low:g}{unit}"
    elif number > high:
        wrong = f"is above {high:g}{unit}"
    if wrong:
        raise BenchError(f"{_shown(value)} {wrong}", where, give)
    return number


def _shown(value: Any, length: int = 30) -> str:
    """Return a value on one short line, as it stands in the file."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, dict | list):
        return "a section" if isinstance(value, dict) else "a list"
    else:
        try:
            text = str(value)
        except ValueError:  # an integer of thousands of digits
            text = "a number of thousands of digits"
    text = "".join(c if c.isprintable() else "?" for c in text)
    text = text if len(text) <= length else text[: length - 3] + "..."
    return f"'{text}'" if isinstance(value, str) and length == 30 else text
