"""Measured against predicted: the E_n number of ISO 13528:2022, 9.7, and the words for it.

    E_n = (x - X) / sqrt(U(x)^2 + U(X)^2),    U = 2 u

At most 1 in size, the two agree within what both are uncertain by. Where a prediction is skew, as
that of a fixed load near the knee, its quantiles take the place of U: E_n is half of the normal
deviate with the same probability (JCGM 101:2008, 7.7).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.float64]

PLAUSIBLE, HIGH, LOW = "plausible", "too high", "too low"
INCONSISTENT, IMPOSSIBLE, UNDETERMINED = "inconsistent", "impossible", "undetermined"
#: A prediction whose expanded uncertainty is beyond this fraction of itself tells nothing.
TOO_WIDE = 0.6
#: Of several numbers together: so many tables without a fault are called one.
FALSE_ALARM = 0.02
#: Skewness from which on the distribution itself is taken.
SKEW = 0.1
#: E_n below which a reading is plausible whatever the skewness.
_CLEAR = 0.5
#: Standard uncertainties at which an input that bends is taken, and between which f is straight.
NODES = np.linspace(-4.0, 4.0, 17)
_FINE = np.linspace(-4.0, 4.0, 81)
_BETWEEN = np.array([np.interp(_FINE, NODES, row) for row in np.eye(len(NODES))]).T


def en_number(measured: Any, predicted: Any) -> float:
    """Return the E_n number of two uncertain numbers; what they share cancels.

    >>> from uncertainties import ufloat
    >>> round(en_number(ufloat(1.05, 0.02), ufloat(1.0, 0.03)), 3)
    0.693
    """
    difference = measured - predicted
    u = float(difference.std_dev)
    return float(difference.nominal_value) / (2.0 * u) if u > 0 else float(np.inf)


def word(en: float, width: float) -> str:
    """Return the verdict on an E_n number and a prediction's 2 u over its value."""
    if abs(en) <= 1.0:
        return PLAUSIBLE if width <= TOO_WIDE else UNDETERMINED
    return HIGH if en > 0 else LOW


def skewness(moves: Array, bends: Array, u: Array) -> Array:
    """Return the skewness of a difference, shape (N,).

    Parameters
    ----------
    moves, bends : ndarray, shape (K, N)
        As in `ivkit.predict.prediction.Quantity`.
    u : ndarray, shape (N,)
        Standard uncertainty of the difference.
    """
    third = np.sum(bends * (3.0 * moves**2 + bends**2), axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(u > 0, third / u**3, 0.0)


def en_of_skew(apart: Array, by_input: Array, rest: Array) -> Array:
    """Return E_n of N readings whose predictions are bent by up to two inputs.

    Parameters
    ----------
    apart : ndarray, shape (N,)
        Measured less predicted at the estimates.
    by_input : ndarray, shape (2, 17, N)
        What each such input adds to the prediction at `NODES`; zeros where there is but one.
    rest : ndarray, shape (N,)
        Standard uncertainty of all else.
    """
    one, by_one = _BETWEEN @ by_input[0], _weights(_FINE)
    two, by_two = (_BETWEEN @ by_input[1])[::2], _weights(_FINE[::2])
    if not np.any(two):
        two, by_two = np.zeros((1, len(rest))), np.ones(1)
    over = ndtr((apart - one[:, None] - two[None]) / rest)
    over = np.einsum("f,g,fgn->n", by_one, by_two, over)
    en = 0.5 * ndtri(np.clip(over, 1e-9, 1.0 - 1e-9))
    return np.where(np.abs(over - 0.5) < 0.5 - 1e-9, en, np.copysign(3.0, over - 0.5))


def _weights(nodes: Array) -> Array:
    weights = np.exp(-0.5 * nodes**2)
    return weights / weights.sum()


def matters(en: Array, skew: Array) -> NDArray[np.bool_]:
    """Return where the distribution is worth knowing: skew, and not clear of the limits."""
    return (np.abs(skew) > SKEW) & (np.abs(en) > _CLEAR) & (np.abs(en) < 3.0)
