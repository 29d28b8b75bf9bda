"""Resistor values as people write them: ``4k7``, ``10k``, ``0R22``, ``2.2 kohm``."""

import re
import unicodedata

from ivkit.errors import TableError
from ivkit.readings.written_number import shown

# The letter stands where the decimal mark would be (the letter code of IEC 60062).
_LETTER = re.compile(r"(\d*)([RrKkMG])(\d*)(?:ohms?)?", re.ASCII)
_DECIMAL = re.compile(r"(\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE]([+-]?\d{1,3}))?\s*([a-zA-Z]*)", re.ASCII)
_POWER = {"R": 0, "r": 0, "k": 3, "K": 3, "M": 6, "G": 9}
_UNITS = {"": 0, "r": 0, "ohm": 0, "ohms": 0, "k": 3, "kohm": 3, "kohms": 3}
# Capital and small m differ by a factor of 1e9, so these are compared as written.
_EXACT_UNITS = {"M": 6, "Mohm": 6, "MOhm": 6, "G": 9, "Gohm": 9, "mohm": -3, "mOhm": -3}


def resistor_value(text: str) -> float:
    """Return the resistance, ohm, zero or more, of a value as printed on a part or written in a
    list.

    A number (``470``, ``1e3``), a number with a unit (``2.2k``, ``2,2 kohm``, ``10 Ω``) or the
    letter code of IEC 60062, where R, k, M or G stands for the decimal mark (``4k7``, ``0R22``,
    ``1M``).

    TableError: it is no resistance, or could be read in two ways (``10m`` is milli or mega).

    >>> [resistor_value(text) for text in ("4k7", "10k", "0R22", "R22", "2,2 kΩ", "470")]
    [4700.0, 10000.0, 0.22, 0.22, 2200.0, 470.0]
    """
    return resistor_value_and_step(text)[0]


def resistor_value_and_step(text: str) -> tuple[float, float]:
    """Return the resistance and the step of its last written digit, ohm; raises as
    `resistor_value`.

    >>> resistor_value_and_step("4k7")
    (4700.0, 100.0)
    """
    plain = unicodedata.normalize("NFKC", text).strip().replace("Ω", "ohm")
    code = _LETTER.fullmatch(plain)
    if code and (code[1] or code[3]):
        whole, letter, decimals = code.groups()
        digits, power = f"{whole}{decimals}", _POWER[letter] - len(decimals)
        return _scaled(digits, power, text)
    number = _DECIMAL.fullmatch(plain)
    if number:
        mantissa, exponent, unit = number.groups()
        power = _EXACT_UNITS.get(unit, _UNITS.get(unit.lower()))
        if unit == "m":
            raise TableError(
                f"resistance '{shown(text)}' is milli or mega", remedy="write 0R01, 10 mohm or 10M"
            )
        if power is not None:
            whole, _, decimals = mantissa.replace(",", ".").partition(".")
            power += int(exponent or 0) - len(decimals)
            return _scaled(whole + decimals, power, text)
    raise TableError(
        f"'{shown(text)}' is not a resistance",
        remedy="write it like 470, 4k7, 10k, 0R22 or 2.2 kohm",
    )


def _scaled(digits: str, power: int, text: str) -> tuple[float, float]:
    """Return digits * 10**power, rounded once as float() rounds, and 10**power."""
    value = float(f"{digits}e{power}")
    if value == float("inf"):
        raise TableError(f"resistance '{shown(text)}' is too large", remedy="check the exponent")
    return value, float(f"1e{power}")
