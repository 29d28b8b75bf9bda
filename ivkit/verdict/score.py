"""Measured against predicted: the E_n number of ISO 13528:2022, 9.7.

    E_n = (x - X) / sqrt(U(x)^2 + U(X)^2),    U = 2 u

At most 1 in size, the two agree within what both are uncertain by.
"""

from typing import Any

import numpy as np

#: A prediction whose expanded uncertainty is beyond this share of itself tells nothing.
TOO_WIDE = 0.6


def en_number(measured: Any, predicted: Any) -> float:
    """Return the E_n number of two uncertain numbers; what they share cancels.

    >>> from uncertainties import ufloat
    >>> round(en_number(ufloat(1.05, 0.02), ufloat(1.0, 0.03)), 3)
    0.693
    """
    difference = measured - predicted
    u = float(difference.std_dev)
    return float(difference.nominal_value) / (2.0 * u) if u > 0 else float(np.inf)


def verdict(measured: Any, predicted: Any) -> str:
    """Return ``plausible``, ``too high``, ``too low``, or ``cannot tell`` for a wide prediction."""
    size = abs(predicted.nominal_value)
    width = 2.0 * predicted.std_dev / size if size > 0 else np.inf
    score = en_number(measured, predicted)
    if abs(score) <= 1.0:
        return "plausible" if width <= TOO_WIDE else "cannot tell"
    return "too high" if score > 0 else "too low"
