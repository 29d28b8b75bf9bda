"""What a column heading means: the words for a quantity, and the unit beside them.

A name and perhaps a unit (``U (mV)``, ``I/mA``, ``P in mW``, ``U_mV``). Names are matched whole:
``Voc`` or ``battery voltage`` is not the panel's voltage, and a wrong guess costs more than a
question.
"""

import re
import unicodedata
from dataclasses import dataclass, replace

from ivkit.readings.moments import find_format
from ivkit.readings.units import BASE_UNITS, Unit, find_unit

# A heading that is nothing but one of these says too little: s may be a path, K a kilo.
_NOT_ALONE = {"s", "S", "m", "h", "min", "Min", "k", "K", "C", "F", "in"}


def _by_word(table: dict[str, str]) -> dict[str, frozenset[str]]:
    return {w: frozenset(q.split()) for q, words in table.items() for w in words.split()}


# What names may mean -> the names; the unit decides where they may mean several things.
_SYMBOLS = _by_word(
    {
        "voltage": "U V u v Vdc VDC",
        "current": "I i Idc",
        "power": "P p Pdc",
        "load": "R",
        "load distance": "r",
        "time": "t",
        "temperature": "T",
        "irradiance": "G Ee",
        "irradiance illuminance": "E",
        "illuminance": "Ev",
        "angle temperature": "θ",
        "angle": "α φ",
        "distance day": "d D",
    }
)
_WORDS = {
    "voltage": "voltage volt volts spannung tension voltaje",
    "current": "current amp amps ampere amperes strom stromstarke stromstaerke courant corriente",
    "current irradiance illuminance": "intensite intensidad",
    "power": "power watt watts leistung puissance potencia",
    "load": "load resistance resistor rheostat widerstand lastwiderstand last resistencia charge "
    "carga resistances rload",
    "time": "time zeit uhrzeit zeitpunkt zeitstempel temps heure tiempo hora timestamp datetime "
    "seconds elapsed",
    "irradiance": "irradiance irradiation ghi poa bestrahlungsstarke bestrahlungsstaerke "
    "einstrahlung irradiancia irradiation",
    "illuminance": "illuminance lux beleuchtungsstarke beleuchtungsstaerke iluminancia",
    "irradiance illuminance": "eclairement light licht lumiere luz intensity",
    "temperature": "temperature temp temperatur temperatura",
    "angle": "angle winkel angulo theta aoi alpha phi incidence einfallswinkel",
    "distance": "distance abstand entfernung distancia dist",
    "sweep": "sweep curve kurve courbe curva run messreihe serie",
}
_MEANINGS = _by_word(_WORDS)
_AMBIVALENT = {"load", "last", "charge", "carga", "light", "licht", "resistance", "incidence"}
_CODES = {"code", "codes", "count", "counts", "raw", "adc", "lsb", "digits", "cts"}
_LONGEST = 120
_NAMELESS = re.compile(r"[0-9 .,;:+\-|]{0,120}")  # digits name nothing; most cells of a file are
_QUALIFYING = """avg average mean mittel mittelwert moyenne media calc calculated berechnet panel pv
solar module modul cell zelle celule celda panneau solaire solarzelle output out dc measured meas
the of de la du des der am an across through at lamp lampe incident incidence reading value wert
valeur valor l ch channel kanal sensor in plane plan from angle electrical elektrische electrique
electrica stated set"""
_QUALIFIERS = frozenset(_QUALIFYING.split())
_GLUED = re.compile(r"([UVIPRT])[_ ]?(pv|PV|panel|Panel|meas|load|Load|L|cell|mod|out|dc|DC|M)")


@dataclass(frozen=True)
class Heading:
    """What a column heading says.

    ``text`` is as written, ``name`` without the unit; ``meanings`` are the quantities it may mean,
    if any; ``unknown_unit`` is what stands where a unit belongs and is none; ``conflict`` how
    heading and unit row disagree. Empty texts where there is nothing to say.
    """

    text: str
    name: str
    meanings: frozenset[str] = frozenset()
    unit: Unit | None = None
    unknown_unit: str = ""
    conflict: str = ""

    @property
    def quantity(self) -> str | None:
        """The one quantity it means, or None."""
        return next(iter(self.meanings)) if len(self.meanings) == 1 else None

    @property
    def contradiction(self) -> str:
        """Why name and units do not fit, or an empty text."""
        names = name_meanings(self.name)
        if self.conflict or not (self.unit and names and not self.meanings):
            return self.conflict
        kind = f"a unit of {self.unit.quantity}"
        if self.unit.quantity == "code":
            kind = "a converter's"
        return f"it is headed {' or '.join(sorted(names))}, but {self.unit.name} is {kind}"

    def with_unit(self, unit: Unit | None, text: str = "") -> "Heading":
        """Return the heading with the unit of a unit row; ``text``, what stands there, for the
        error.
        """
        if unit is None:
            return self if self.unit else replace(self, unknown_unit=text)
        if self.unit not in (None, unit):
            what = f"its heading says {self.unit.name} and the unit row {unit.name}"
            return replace(self, conflict=what)
        names = self.meanings or name_meanings(self.name)
        return replace(self, meanings=_agree(names, unit), unit=unit, unknown_unit="")


def read_heading(text: str) -> Heading:
    """Return what a heading says: name, unit and the quantity they mean.

    >>> heading = read_heading("U (mV)")
    >>> heading.quantity, heading.unit.name
    ('voltage', 'mV')
    >>> read_heading("Lastwiderstand [kΩ]").quantity, read_heading("Voc").quantity
    ('load', None)
    """
    if _NAMELESS.fullmatch(text):
        return Heading(text, " ".join(text.split()).strip(" :="))
    text = "".join(c if c.isprintable() else " " for c in text)
    if len(text) > _LONGEST:
        return Heading(text, text)
    # m² is m^2 in a unit, but V² is no voltage.
    plain = re.sub("[⁻¹²³⁴]+", lambda found: "^" + _plain(found[0]), text)
    plain = " ".join(_plain(plain).split()).strip(" :=")
    for name, written, sure in _splits(plain):
        names = name_meanings(name)
        unit = find_unit(written, next(iter(names)) if len(names) == 1 else "")
        if unit is not None:
            meanings = _agree(names, unit)
            if sure or meanings:
                return Heading(text, name, meanings, unit)
        elif sure and names == {"time"} and find_format(written):
            return Heading(text, name, names, find_format(written))
        elif sure and names:
            # "Voltage (panel)" qualifies the name; "Voltage (foo)" is a unit nobody knows.
            whole = name_meanings(f"{name} {written}")
            if whole:
                return Heading(text, f"{name} {written}", whole)
            return Heading(text, name, names, None, written)
    names = name_meanings(plain)
    if names:
        return Heading(text, plain, names)
    unit = find_unit(plain)
    if unit is not None and plain not in _NOT_ALONE and unit.quantity != "code":
        return Heading(text, plain, frozenset({unit.quantity}), unit)
    return Heading(text, plain)


def _plain(text: str) -> str:
    return unicodedata.normalize("NFKC", text)


def _agree(names: frozenset[str], unit: Unit) -> frozenset[str]:
    """Return those meanings of a name that its unit allows."""
    return _coded(names) if unit.quantity == "code" else names & {unit.quantity}


def _coded(names: frozenset[str]) -> frozenset[str]:
    """Return quantities as counted by a converter, as far as there are such."""
    return frozenset(f"{q.removesuffix('_code')}_code" for q in names) & set(BASE_UNITS)


def _splits(text: str):
    """Yield (name, unit, sure) for each way to part a heading; sure where only a unit fits."""
    # u(V) and u_V are the GUM's uncertainty of V, not an instantaneous voltage.
    if re.match(r"u[(_]", text):
        return
    bracket = re.fullmatch(r"(.+?)\s*/?\s*[(\[{<]\s*([^()\[\]{}<>]+?)\s*[)\]}>]", text)
    if bracket:
        yield bracket[1], bracket[2], True
    slash = re.fullmatch(r"(.+?)\s*/\s*(.+)", text)
    if slash and not name_meanings(slash[2]) - {"voltage"}:
        yield slash[1], slash[2], True
    word = re.fullmatch(r"(.+?)\s+(?:in|en)\s+(\S.*)", text)
    if word:
        yield word[1], word[2], True
    mark = re.fullmatch(r"(.+?)\s*[,:]\s*(\S.*)", text)
    if mark:
        yield mark[1], mark[2], False
    for gap in re.finditer(r"[_\s]+", text):
        yield text[: gap.start()], text[gap.end() :], False


def name_meanings(name: str) -> frozenset[str]:
    """Return the quantities a bare name may mean, empty where it is not known.

    >>> sorted(name_meanings("Panel voltage")), sorted(name_meanings("E"))
    (['voltage'], ['illuminance', 'irradiance'])
    """
    name = _plain(name).strip(" :=.")
    if re.match(r"u[(_]", name):
        return frozenset()
    exact = BASE_UNITS.keys() & {name.lower()}
    if exact:
        return frozenset(exact)
    glued = _GLUED.fullmatch(name)
    if glued:
        return _SYMBOLS[glued[1]]
    found: set[frozenset[str]] = set()
    side: set[frozenset[str]] = set()
    code = False
    for token in re.split(r"[\s_\-.#]+", name):
        bare = re.sub(r"[1-9]\d*$", "", token)
        if not bare:
            continue
        if bare in _SYMBOLS:
            found.add(_SYMBOLS[bare])
            continue
        word = _fold(bare)
        if word in _CODES:
            code = True
        elif word in _AMBIVALENT:
            side.add(_MEANINGS[word])
        elif word in _MEANINGS:
            found.add(_MEANINGS[word])
        elif word not in _QUALIFIERS:
            return frozenset()
    found = found or side
    meanings = next(iter(found)) if len(found) == 1 else frozenset()
    return _coded(meanings) if code else meanings


def _fold(word: str) -> str:
    """Return a word in small letters without accents."""
    parts = unicodedata.normalize("NFD", word.casefold())
    return "".join(c for c in parts if not unicodedata.combining(c))
