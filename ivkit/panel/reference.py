"""The curve of a panel from Isc, Voc and maximum power, where ideality and shunt are given.

Ideality and shunt are given (`ivkit.panel.law`), and the series resistance follows: the greater,
the less power.

In units of Isc and Voc, with A = a/Voc, g = Voc/(Rsh Isc) and r = Rs Isc/Voc, photocurrent and
saturation current follow from the two ends of the curve in closed form, and the power falls as r
grows. Where even r = 0 leaves too little power, diode and shunt are made better until it is had,
A by a factor and the far less known conductance of the shunt by its fourth power: a stated fill
factor decides over an ideality that nobody has measured.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.diode import solve_max_power
from ivkit.panel.bracket import rising_root

Array = NDArray[np.float64]

_LEAST = 0.5  # of the given ideality
_MOST_SERIES = 0.9  # of Voc/Isc
_FINE = 2e-15


def curve_through(
    i_sc: ArrayLike,
    v_oc: ArrayLike,
    p_mp: ArrayLike,
    nNsVth: ArrayLike,
    resistance_shunt: ArrayLike,
) -> tuple[Array, Array, Array, Array, Array]:
    """Return IL, I0, Rs, Rsh and a of the curves through two ends with a maximum power.

    Parameters
    ----------
    i_sc, v_oc, p_mp : array_like. Short-circuit current (A), open-circuit voltage (V), maximum
        power (W), positive.
    nNsVth : array_like. a = n Ns k T / q, V.
    resistance_shunt : array_like. ohm. All five broadcast.

    Returns tuple of ndarray: In A, A, ohm, ohm, V; NaN where no curve has that power. ``a`` and Rsh
    are those given, unless the power needs better ones.
    """
    given = (i_sc, v_oc, p_mp, nNsVth, resistance_shunt)
    isc, voc, pmp, a, rsh = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in given))
    with np.errstate(all="ignore"):
        ohm = voc / isc
        wanted, A, g = pmp / (isc * voc), a / voc, ohm / rsh

        def curve(x: Array) -> tuple[Array, ...]:
            """Return the scaled curve: series resistance for x > 0, a better diode for x < 0."""
            r, better = np.maximum(x, 0.0), 1.0 + np.minimum(x, 0.0)
            slope, width = g * better**4, A * better
            i0 = (1.0 - slope * (1.0 - r)) / (np.exp(1.0 / width) - np.exp(r / width))
            return i0 * np.expm1(1.0 / width) + slope, i0, r, slope, width

        def lacks(x: Array) -> Array:
            v, i = solve_max_power(*curve(x))
            return wanted - v * i

        # The curve changes its way at x = 0: one side or the other is smooth.
        series = lacks(np.zeros(wanted.shape)) <= 0
        low = np.where(series, 0.0, _LEAST - 1.0)
        high = np.where(series, _MOST_SERIES, 0.0)
        possible = (lacks(low) <= 0) & (lacks(high) >= 0) & (g < 1.0)
        il, i0, r, g, A = curve(rising_root(lacks, low, high, 2, _FINE))
        found = (il * isc, i0 * isc, r * ohm, ohm / g, A * voc)
        return tuple(np.where(possible, x, np.nan)[()] for x in found)
