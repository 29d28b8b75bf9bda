"""Is this the panel that the datasheet promises: a decision with a guard band.

JCGM 106:2012, The role of measurement uncertainty in conformity assessment. The datasheet's
tolerance makes limits. The promise is kept by a panel that has no less than the lower one: it is
accepted where the measured value lies above by a guard band w = r U, U = 2 u being the expanded
uncertainty, and rejected where it lies below by as much. With r = 1 no more than 2.3 % of what is
decided at these very points is decided in error. In between the measurement cannot tell. A value
above the upper limit by a guard band is a case of its own: hardly any panel gives more than its
label, an irradiance that was read too low is the likelier reason.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

GUARD = 1.0  # r: guard band over expanded uncertainty

IS, IS_NOT, MORE, CANNOT_TELL = "is", "is not", "more", "cannot tell"


@dataclass(frozen=True)
class Promise:
    """A measured quantity against what the datasheet promises.

    Attributes
    ----------
    measured : UFloat
    promised : float
        In the same unit.
    low, high : float
        The promise with its tolerance.
    guard : float
        The guard band, in the same unit.
    probability : float
        That the true value lies between ``low`` and ``high``, by the measurement alone.
    verdict : str
        ``"is"``, ``"is not"`` (less), ``"more"`` or ``"cannot tell"``.
    """

    measured: Any
    promised: float
    low: float
    high: float
    guard: float
    probability: float
    verdict: str

    @property
    def needed(self) -> float:
        """Standard uncertainty at which this value would decide, in the same unit."""
        return abs(self.measured.nominal_value - self.low) / (2.0 * GUARD)


def keeps_promise(
    measured: Any, promised: float, tolerance: float, guard: float = GUARD
) -> Promise:
    """Judge a measured quantity against a promised one.

    Parameters
    ----------
    measured : UFloat
        With a standard uncertainty above 0.
    promised : float
        Same unit, above 0.
    tolerance : float
        Plus or minus, as a share of ``promised``.
    guard : float
        r of the guard band w = r U.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> print(keeps_promise(ufloat(10.1, 0.1), 10.0, 0.05).verdict)
    is
    >>> print(keeps_promise(ufloat(9.4, 0.4), 10.0, 0.05).verdict)
    cannot tell
    """
    value, u = measured.nominal_value, measured.std_dev
    low, high = promised * (1.0 - tolerance), promised * (1.0 + tolerance)
    band = guard * 2.0 * u
    probability = float(_below(high, value, u) - _below(low, value, u))
    if value <= low - band:
        verdict = IS_NOT
    elif value >= high + band:
        verdict = MORE
    elif value >= low + band:
        verdict = IS
    else:
        verdict = CANNOT_TELL
    return Promise(measured, promised, low, high, band, probability, verdict)


def _below(limit: float, value: float, u: float) -> float:
    """Return the probability that the true value lies below a limit (JCGM 106:2012, 7.2)."""
    from scipy.special import ndtr

    return float(ndtr((limit - value) / u)) if u > 0 else float(np.heaviside(limit - value, 0.5))


#: E_n of Isc or Voc beyond which a panel is another than its datasheet's: 2.81 u of a normal
#: distribution, so that of two such figures of a sound panel one lies beyond in 1 % of cases.
DENIED = 1.4


def normalised_error(measured: Any, stated: Any) -> float:
    """Return the E_n number of ISO 13528: the difference over both expanded uncertainties.

    Beyond 1 the two are not of one panel. Both are uncertain numbers in the same unit; what they
    have in common counts once.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> print(round(normalised_error(ufloat(20.0, 0.3), ufloat(21.8, 0.4)), 2))
    -1.8
    """
    difference = measured - stated
    return float(difference.nominal_value / (2.0 * difference.std_dev))
