"""The units of a table's quantities, in the spellings that people use."""

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

import numpy as np

BASE_UNITS = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "load": "ohm",
    "time": "s",
    "irradiance": "W/m2",
    "illuminance": "lx",
    "temperature": "degC",
    "angle": "deg",
    "distance": "m",
    "voltage_code": "counts",
    "current_code": "counts",
    "sweep": "",
}
"""The quantities a table can hold, and the unit in which `Table.columns` gives them."""


@dataclass(frozen=True)
class Unit:
    """A unit: value in the base unit = value * up / down + offset.

    Two factors, because dividing by 1000 rounds once where multiplying by 0.001 rounds twice.
    """

    name: str
    quantity: str
    up: float = 1.0
    down: float = 1.0
    offset: float = 0.0

    def to_base(self, value):
        """Return the value (float or array) in the base unit of the quantity."""
        if self.offset == 0:
            return value * self.up / self.down
        return value * self.up / self.down + self.offset

    def number_to_base(self, value: float) -> float:
        """Return one number in the base unit, rounded as if it had been written in it.

        >>> find_unit("mA").number_to_base(97.1), 97.1 / 1000
        (0.0971, 0.09709999999999999)
        """
        if self.power is None:
            return float(self.to_base(value))
        return float(Decimal(repr(float(value))).scaleb(self.power))

    @cached_property
    def power(self) -> int | None:
        """The power of ten that the unit is of the base unit; None where it is none."""
        exponent = round(float(np.log10(self.up / self.down)))
        same = self.offset == 0 and float(f"1e{exponent}") == self.up / self.down
        return exponent if same else None

    def step_to_base(self, step: float) -> float:
        """Return a difference, such as a resolution, in the base unit."""
        return step * self.up / self.down


def _make_units() -> dict[str, Unit]:
    units: dict[str, Unit] = {}

    def add(quantity, names, up=1.0, down=1.0, offset=0.0):
        names = names.split()
        for name in names:
            units[name] = Unit(names[0], quantity, up, down, offset)

    # No mega for V, A and W: who writes MA or MV in a table of a small panel means milli.
    prefixes = {"": (1, 1), "m": (1, 1e3), "u": (1, 1e6), "n": (1, 1e9), "k": (1e3, 1)}
    long = {"": "", "m": "milli", "u": "micro", "n": "nano", "k": "kilo"}
    words = {
        "voltage": ("V", "v volt volts Volt Volts Vdc VDC"),
        "current": ("A", "a amp amps Amp Amps ampere amperes Ampere Amperes Adc ADC"),
        "power": ("W", "w watt watts Watt Watts"),
    }
    for quantity, (symbol, others) in words.items():
        for prefix, factors in prefixes.items():
            names = [f"{prefix}{symbol}", *(f"{prefix}{other}" for other in others.split())]
            if prefix:
                names += [f"{long[prefix]}{o.lower()}" for o in others.split() if len(o) > 2]
            if prefix == "k":
                names += [f"K{symbol}"]
            add(quantity, " ".join(names), *factors)
    # "ADC" alone is a converter, "a" and "na" are words, "uv" is light.
    for name in ("ADC", "na", "a", "uv"):
        del units[name]
    add("temperature", "K kelvin Kelvin degK", offset=-273.15)
    add("load", "ohm Ohm OHM ohms Ohms")
    # After kelvin: K alone is a kiloohm unless the quantity says otherwise.
    add("load", "kohm kOhm Kohm KOhm KOHM kohms kOhms k K kiloohm kiloohms", up=1e3)
    add("load", "Mohm MOhm MOHM Mohms MOhms megaohm megohm", up=1e6)
    add("load", "mohm mOhm mohms mOhms milliohm milliohms", down=1e3)
    add("time", "s sec secs second seconds S Sekunde Sekunden seconde secondes segundos")
    add("time", "ms msec millis millisecond milliseconds", down=1e3)
    add("time", "us usec micros microsecond microseconds", down=1e6)
    add("time", "min mins minute minutes Min Minute Minuten minutos", up=60.0)
    add("time", "h hr hrs hour hours Stunde Stunden heure heures horas", up=3600.0)
    add("irradiance", "W/m2 W/m**2 Wm-2 W/qm W_m2 w/m2 W/sqm Wpm2")
    add("irradiance", "kW/m2 kW/m**2 kWm-2 kW_m2", up=1e3)
    add("irradiance", "mW/cm2 mW/cm**2 mWcm-2 mW_cm2", up=10.0)
    add("irradiance", "mW/m2 mWm-2 mW_m2", down=1e3)
    add("irradiance", "W/cm2 W/cm**2 Wcm-2 W_cm2", up=1e4)
    add("illuminance", "lx lux Lux LUX Lx lm/m2")
    add("illuminance", "klx klux kLux klm/m2", up=1e3)
    add("temperature", "degC C celsius Celsius degcelsius degCelsius degc")
    add("temperature", "degF F fahrenheit Fahrenheit degf", up=5.0, down=9.0, offset=-160 / 9)
    add("angle", "deg degree degrees Grad grad Degrees Degree degs grados degres")
    add("angle", "rad radian radians", up=180.0, down=np.pi)
    add("distance", "m metre metres meter meters Meter")
    add("distance", "cm centimetre centimetres centimeter centimeters", down=1e2)
    add("distance", "mm millimetre millimetres millimeter millimeters", down=1e3)
    add("distance", "in inch inches", up=0.0254)
    add("distance", "ft foot feet", up=0.3048)
    add("code", "counts count cts code codes lsb LSB LSBs digit digits Digits raw Raw adc ADC")
    return units


_UNITS = _make_units()
_KELVIN = _UNITS["kelvin"]
_FILLER = re.compile(r"(?:en|in|unit|units|einheit|einheiten|unite|unites|unidad|unidades)\s*:?\s+")


def find_unit(text: str, quantity: str = "") -> Unit | None:
    """Return the unit that a text means (``mV``, ``[kΩ]``, ``W/m²``, ``°C``, ``µA``, ``en V``), or
    None.

    ``quantity`` decides where the text alone does not: K is kelvin or kiloohm.

    >>> find_unit("[µA]")
    Unit(name='uA', quantity='current', up=1, down=1000000.0, offset=0.0)
    """
    plain = unicodedata.normalize("NFKC", text).strip().strip("()[]{}<>").strip()
    if plain != plain.strip("/"):
        return None
    plain = _FILLER.sub("", plain, count=1) if _FILLER.match(plain.lower()) else plain
    plain = plain.replace("Ω", "ohm").replace("μ", "u").replace("°", "deg").replace("º", "deg")
    plain = re.sub(r"[\s·*^]+", "", plain.replace("−", "-").replace("**", ""))
    if plain in ("K", "degK") and quantity == "temperature":
        return _KELVIN
    if plain == "m" and quantity == "time":
        return None
    return _UNITS.get(plain)


def unit_names(quantity: str) -> str:
    """Return the usual units of a quantity as a list for an error message.

    >>> unit_names("load")
    'ohm, kohm, Mohm, mohm'
    """
    kind = "code" if quantity.endswith("_code") else quantity
    names = {u.name: None for u in _UNITS.values() if u.quantity == kind}
    return ", ".join(sorted(names, key=lambda name: name != BASE_UNITS[quantity]))
