"""What three or four readings can tell without a model: between what the key points must lie.

The current of a lit panel falls with voltage, and ever faster: the curve is concave. So between
two readings it runs above the straight line through them, and beyond them below it. That bounds
every key point, with the readings taken as exact. (A panel with a shaded cell and a bypass diode
is not concave; such few readings could not show it either.)
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

_FINE = 400  # places between two readings at which the bounds of the power are worked out


@dataclass(frozen=True)
class Between:
    """Least and largest Isc (A), Voc (V), Pmp (W) that the readings allow; NaN for an open side."""

    i_sc: tuple[float, float]
    v_oc: tuple[float, float]
    p_mp: tuple[float, float]


def key_points_between(voltage: ArrayLike, current: ArrayLike) -> Between | None:
    """Return the bounds of Isc, Voc and Pmp, or None where the readings are not of a concave curve.

    ``voltage`` (V) and ``current`` (A), shape (N,), in any order; readings that deliver power are
    used.

    >>> found = key_points_between([0.0, 8.0, 16.0, 20.0], [0.60, 0.59, 0.54, 0.10])
    >>> found.i_sc, tuple(round(v, 2) for v in found.v_oc)
    ((0.6, 0.6), (20.0, 20.91))
    >>> tuple(round(p, 2) for p in found.p_mp)
    (8.64, 10.32)
    """
    v, i = np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    used = (v >= 0) & (i >= 0)
    order = np.argsort(v[used], kind="stable")
    v, i = v[used][order], i[used][order]
    if len(v) < 2 or np.any(np.diff(v) <= 0) or np.any(np.diff(i) > 0):
        return None
    slopes = np.diff(i) / np.diff(v)
    if np.any(np.diff(slopes) > 1e-12 * np.max(np.abs(slopes))):
        return None
    i_sc = (float(i[0]), float(i[0] - slopes[0] * v[0]))
    last = np.inf if slopes[-1] == 0 else float(v[-1] - i[-1] / slopes[-1])
    v_oc = (float(v[-1]), last if np.isfinite(last) else np.nan)
    chords = np.concatenate([np.linspace(a, b, _FINE) for a, b in pairwise(v)])
    least = float(np.max(chords * np.interp(chords, v, i)))
    most = np.nan
    if np.isfinite(last):
        places = np.linspace(0.0, last, _FINE * len(v))
        lines = i[:-1, None] + slopes[:, None] * (places - v[:-1, None])
        here = np.searchsorted(v, places, side="right") - 1
        # The line through the two readings on both sides of a place does not bound it; the
        # others do, and so does the reading to its left.
        own = np.arange(len(slopes))[:, None] == here
        above = np.min(np.where(own, np.inf, lines), axis=0)
        above = np.minimum(above, np.where(here >= 0, i[np.maximum(here, 0)], np.inf))
        # The places are 1 in 400 of an interval apart: what could hide between two of them.
        most = float(np.max(places * above)) * (1.0 + 1.0 / _FINE)
    return Between(i_sc, v_oc, (least, most))
