"""Does a panel conform to its datasheet: a decision with a guard band.

JCGM 106:2012. The datasheet's tolerance makes limits. A panel conforms that has no less than the
lower one: it is accepted where the measured value lies above by a guard band w = r U, U = 2 u being
the expanded uncertainty, and rejected where it lies below by as much. With r = 1 no more than 2.3 %
of what is decided at these very points is decided in error. A value above the upper limit by a
guard band is rejected too: hardly any panel gives more than its label, an irradiance that was read
too low is the likelier reason.
"""

from dataclasses import dataclass
from typing import Any

from scipy.special import ndtr

GUARD = 1.0  # r: guard band over expanded uncertainty

CONFORMS, DOES_NOT, IN_GUARD_BAND = "conforms", "does not conform", "in the guard band"
#: E_n of Isc or Voc beyond which a panel is another than its datasheet's: 2.81 u of a normal
#: distribution, so that of two such figures of a sound panel one lies beyond in 1 % of cases.
DENIED = 1.4


@dataclass(frozen=True)
class FigureOff:
    """A stated figure that cannot be this panel's; ``measured`` and ``stated`` are uncertain."""

    figure: str
    measured: Any
    stated: Any
    en: float


@dataclass(frozen=True)
class Conformity:
    """A measured power against a datasheet's.

    Attributes
    ----------
    measured : UFloat
    stated : In the same unit.
    low, high : The same less and plus its tolerance.
    guard : The guard band, in the same unit.
    probability : That the true value lies between ``low`` and ``high``, by the measurement alone.
    power : `CONFORMS`, `DOES_NOT` or `IN_GUARD_BAND`, by the power alone.
    off : tuple of FigureOff. Other figures that deny the panel.
    """

    measured: Any
    stated: float
    low: float
    high: float
    guard: float
    probability: float
    power: str
    off: tuple[FigureOff, ...] = ()

    @property
    def verdict(self) -> str:
        """That on the power, unless another figure is not this panel's."""
        return DOES_NOT if self.off else self.power

    @property
    def above(self) -> bool:
        """Whether it gives more than the upper limit."""
        return self.measured.nominal_value >= self.high + self.guard

    @property
    def needed(self) -> float:
        """Standard uncertainty at which this value would decide, in the same unit."""
        return abs(self.measured.nominal_value - self.low) / (2.0 * GUARD)


def conformity(
    measured: Any,
    stated: float,
    tolerance: float,
    guard: float = GUARD,
    off: tuple[FigureOff, ...] = (),
) -> Conformity:
    """Judge a measured quantity against a stated one.

    Parameters
    ----------
    measured : UFloat. With a standard uncertainty above 0.
    stated : Same unit, above 0.
    tolerance : Plus or minus, as a fraction of ``stated``.
    guard : r of the guard band w = r U.
    off : tuple of FigureOff. Of the same panel.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> print(conformity(ufloat(10.1, 0.1), 10.0, 0.05).verdict)
    conforms
    >>> print(conformity(ufloat(9.4, 0.4), 10.0, 0.05).verdict)
    in the guard band
    """
    value, u = measured.nominal_value, measured.std_dev
    low, high = stated * (1.0 - tolerance), stated * (1.0 + tolerance)
    band = guard * 2.0 * u
    probability = float(ndtr((high - value) / u) - ndtr((low - value) / u))
    if value <= low - band or value >= high + band:
        power = DOES_NOT
    else:
        power = CONFORMS if value >= low + band else IN_GUARD_BAND
    return Conformity(measured, stated, low, high, band, probability, power, off)
