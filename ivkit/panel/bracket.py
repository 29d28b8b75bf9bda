"""The root of a rising function between two bounds, for many functions at once.

Halving cannot miss it; once near, the Illinois rule (Dowell and Jarratt, BIT 11 (1971) 168,
doi:10.1007/BF01934364) triples the digits in three evaluations, and keeps the bracket.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MOST = 100
_FINE = 4e-16  # of the first bracket's width


def rising_root(
    function: Callable[[Array], Array],
    low: Array,
    high: Array,
    halvings: int = 8,
    fine: float = _FINE,
) -> Array:
    """Return where ``function`` changes from negative to positive.

    Parameters
    ----------
    function : callable. Takes and returns arrays of one shape.
    low, high : ndarray. Bounds. Where the function has the same sign at both, the answer is one of
        them.
    halvings : Taken first, against functions that are steep at one end.
    fine : Width of the last bracket over that of the first; or the step that no longer matters.

    Examples
    --------
    >>> print(rising_root(lambda x: x**3 - [8.0, 27.0], np.zeros(2), np.full(2, 9.0)).round(12))
    [2. 3.]
    """
    low, high = np.array(low, dtype=float), np.array(high, dtype=float)
    width = np.abs(high - low)
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        below = function(middle) < 0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    f_low, f_high = function(low), function(high)
    was_below = np.zeros(low.shape, dtype=bool)
    before = np.full(low.shape, np.inf)
    for step in range(_MOST):
        span = f_high - f_low
        x = np.where(span > 0, low - f_low * (high - low) / np.where(span > 0, span, 1.0), low)
        inside = (x > low) & (x < high)
        # Now and then a halving, so that no corner of the curve holds it up.
        x = np.where(inside & (step % 8 != 7), x, 0.5 * (low + high))
        f = function(x)
        below = f < 0
        again = np.where(below == was_below, 0.5, 1.0)
        f_high = np.where(below, again * f_high, f)
        f_low = np.where(below, f, again * f_low)
        was_below = below
        low, high = np.where(below, x, low), np.where(below, high, x)
        near = np.minimum(np.abs(high - low), np.abs(x - before)) <= fine * width
        if np.all((f == 0) | near | np.isnan(f)):
            break
        before = x
    return x
