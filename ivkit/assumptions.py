"""Every default that stands for something that nobody stated: once, for all commands.

What is usual for a cell technology stands in `ivkit.panel.technology`. An answer names each entry
that it used by `Assumed.sentence`, with the option or bench key that replaces it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ivkit.inputs import Input

PRACTICE = "common practice, no source"
#: Half width over standard uncertainty of a rectangular distribution (GUM 4.3.7).
_EVENLY = sqrt(3.0)


@dataclass(frozen=True)
class Assumed:
    """One default.

    Attributes
    ----------
    name : str
    value : float or None
        None where the quantity itself is stated, and only its uncertainty is assumed.
    u : float or None
        Standard uncertainty, in the same unit; of a stated quantity a unit of % is of its value.
        None where it is not counted.
    unit : str
    instead : str
        The option or bench key that replaces it.
    source : str
    rectangular : bool
        The quantity is within sqrt(3) u, all values alike.

    Examples
    --------
    >>> print(ASSUMED["cell temperature"].sentence())
    cell temperature 30 +- 8 degC assumed (common practice, no source); --temperature replaces it
    >>> print(ASSUMED["lux meter"].sentence())
    lux meter, u = 10 %, assumed (common practice, no source); --u-reading replaces it
    """

    name: str
    value: float | None
    u: float | None
    unit: str
    instead: str
    source: str = PRACTICE
    rectangular: bool = False

    @property
    def fraction(self) -> float:
        """The value where it is in percent, as a fraction."""
        return self.value / 100

    @property
    def u_fraction(self) -> float:
        """The standard uncertainty where it is in percent, as a fraction."""
        return self.u / 100

    @property
    def brief(self) -> str:
        """Value and uncertainty as a help text shows them: ``30 +- 8``."""
        parts = [f"{x:.2g}" if x < 100 else f"{x:g}" for x in (self.value, self.u) if x is not None]
        return " +- ".join(parts)

    def sentence(self, instead: str | None = None) -> str:
        """Return what is assumed, why, and what replaces it; ``instead`` where it differs."""
        unit = f" {self.unit}" if self.unit else ""
        value = f", u = {self.brief}{unit}," if self.value is None else f" {self.brief}{unit}"
        by = self.instead if instead is None else instead
        return f"{self.name}{value} assumed ({self.source})" + (f"; {by} replaces it" if by else "")

    def input(self, value: float | None = None) -> "Input":
        """Return the quantity, or a stated ``value`` of it with the assumed uncertainty."""
        from ivkit.inputs import Distribution, Input

        source, u = f"assumed: {self.source}", self.u or 0.0
        at = self.value if value is None else value
        if self.value is None and self.unit == "%":
            u *= abs(at) / 100
        if self.rectangular:
            return Input.within(self.name, at, _EVENLY * u, self.unit, source=source)
        return Input(self.name, at, u, self.unit, Distribution.NORMAL, source=source)


def _plus_minus(name: str, value: float | None, half: float, unit: str, *more: str) -> Assumed:
    return Assumed(name, value, half / _EVENLY, unit, *more, rectangular=True)


_LAMPS = "TRILUX, lighting practice; archlight 2007"
_FRONTS = "King, Boyson and Kratochvil 2004; Martin and Ruiz 2001"
_ALL = (
    # Cells under a lamp, in a room or on a mast: 8 K covers 15 degC of a cool shed and 45 degC
    # close to a lamp at two standard uncertainties.
    Assumed("cell temperature", 30.0, 8.0, "degC", "--temperature"),
    # A sensor on the back of the panel and its place there.
    Assumed("stated cell temperature", None, 2.0, "K", "--u-temperature"),
    Assumed("cell temperature since the sweep", 0.0, 3.0, "K", "--temperature"),
    # How strong the light is.
    Assumed("irradiance", None, 5.0, "%", "--u-irradiance"),
    Assumed("facing irradiance", 1000.0, None, "W/m2", "--irradiance", "that of STC, IEC 60904-3"),
    Assumed("lux meter", None, 10.0, "%", "--u-reading"),
    Assumed("known cell", None, 2.0, "%", "--u-reading"),
    Assumed("lamp power", None, 2.0, "%", "--u-reading"),
    Assumed("stated luminous efficacy", None, 5.0, "%", "--lux"),
    Assumed("halogen efficacy", 20.0, 2.3, "lm per electrical W", "--efficacy", _LAMPS),
    Assumed("incandescent efficacy", 12.0, 2.0, "lm per electrical W", "--efficacy"),
    Assumed("led efficacy", 90.0, 20.0, "lm per electrical W", "--efficacy"),
    Assumed("fluorescent efficacy", 70.0, 12.0, "lm per electrical W", "--efficacy"),
    _plus_minus("light that leaves the fitting", 80.0, 20.0, "%", "--lux"),
    _plus_minus("light since the sweep", None, 5.0, "%", "--u-light"),
    # Where the light comes from.
    _plus_minus(
        *("stray light", 1.0, 1.0, "%", "--stray"),
        f"0 to 2 % of the facing light under one lamp, outdoors 10 to 20 %: {PRACTICE}",
    ),
    Assumed("angle", None, 1.0, "deg", "--u-angle"),
    _plus_minus("angle set by hand", None, 0.5, "deg", "--u-angle"),
    Assumed("distance of the lamp", None, 0.005, "m", "--u-distance"),
    Assumed("beam angle", None, 10.0, "%", ""),
    # Mean and scatter of eight fronts (one of each kind of module in NREL/TP-5200-61610, the curve
    # that most modules of a public database share, the published 0.16 and 0), a maker's two modules
    # as one: for a ninth, and as wide as Student's t of seven degrees of freedom at 95 %.
    Assumed("glass: angular loss", 0.19, 0.027, "", "glass in the datasheet", _FRONTS),
    Assumed("glass: grazing angles", 0.06, 0.12, "", "glass in the datasheet", _FRONTS),
    # Instruments and parts.
    Assumed("reading", None, 2.0, "%", "--u-reading"),
    _plus_minus(
        *("open-circuit voltage", None, 1.0, "%", "--u-open-voltage"),
        f"a hand-held multimeter: {PRACTICE}",
    ),
    Assumed("scatter of a voltage or current", None, 1.0, "%", "--u-reading"),
    Assumed("scatter of a power", None, 2.0, "%", "--u-reading"),
    Assumed("noise, of the largest reading", None, 0.3, "%", "noise in [front_end] of the bench"),
    _plus_minus(
        *("load resistor", None, 5.0, "%", "tolerance_pct in [loads] of the bench"),
        f"a 5 % part: {PRACTICE}",
    ),
    Assumed("scale of voltage over current", None, 2.0, "%", ""),
    # Outdoors.
    Assumed("air temperature", 20.0, None, "degC", "--air-temperature"),
    Assumed("wind", 1.0, None, "m/s", "--wind"),
    Assumed("ground albedo", 20.0, None, "%", "--albedo"),
    Assumed("Linke turbidity", 3.0, None, "", "--turbidity"),
)
ASSUMED: Mapping[str, Assumed] = {one.name: one for one in _ALL}


def is_assumption(note: str) -> bool:
    """Return whether a note on a file is the sentence of an assumption.

    >>> is_assumption(ASSUMED["load resistor"].sentence()), is_assumption("read 'V' as voltage")
    (True, False)
    """
    return any(note.startswith(one.name) and f"assumed ({one.source})" in note for one in _ALL)
