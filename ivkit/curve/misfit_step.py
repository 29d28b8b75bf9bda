"""A plateau that the readings themselves show: a step, whatever curve lies on either side of it."""

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.misfit_ways import Way
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

LEAST_STEP = 0.04  # of the largest current, by which the corner lies below a sound curve
LEAST_WIDTH = 0.08  # of the range of voltages, of a plateau
SURE = 6.0  # standard deviations


def plateau(sweep: Sweep, u_v: Array, u_i: Array) -> tuple[Way, float] | None:
    """Return the widest step that four readings show, and its height as a fraction of Isc.

    In order of voltage the current falls from the first to the second, hardly to the third, and
    falls again to the fourth. The current of a sound curve falls ever more steeply: no reading
    of it stays below the straight line between two others. The noise ``u_v`` (V) and ``u_i`` (A),
    shape (N,), gives way to what neighbours scatter by where that is more.
    """
    order = np.argsort(sweep.voltage, kind="stable")
    v, i, u_v, u_i = (x[order] for x in (sweep.voltage, sweep.current, u_v, u_i))
    top, span = float(np.max(np.abs(i))), float(np.ptp(v))
    if not (top > 0 and span > 0) or len(v) < 8:
        return None
    u_i = np.maximum(u_i, _scatter(v, i))
    best, corner = 0.0, 0
    for b in range(1, len(v) - 2):
        if not 0.1 * top < i[b] < 0.93 * top:
            continue
        before = np.flatnonzero(v < v[b] - 1e-3 * span)
        for c in np.flatnonzero(v - v[b] > LEAST_WIDTH * span):
            flat = (i[b] - i[c]) / (v[c] - v[b])
            after = np.flatnonzero(v > v[c] + 1e-3 * span)
            if not (before.size and after.size) or flat < -2 * u_i[b] / (v[c] - v[b]):
                continue
            falls = (i[before] - i[b]) / (v[b] - v[before])
            again = (i[c] - i[after]) / (v[after] - v[c])
            doubt = SURE * (u_i[b] + u_i[c] + max(flat, 0.0) * (u_v[b] + u_v[c]))
            least = max(LEAST_STEP * top, doubt)
            # How far the corner lies below, and the plateau's end above, the straight lines.
            share = (v[b] - v[before]) / (v[c] - v[before])
            below = i[before] * (1 - share) + i[c] * share - i[b]
            share = (v[c] - v[b]) / (v[after] - v[b])
            above = i[c] - (i[b] * (1 - share) + i[after] * share)
            steep = (falls > 3 * flat) & (below > least)
            if np.any(steep) and np.any((again > 2 * flat) & (above > least)):
                size = float(np.max(below[steep]))
                if size > best:
                    best, corner = size, b
    if not best:
        return None
    low = order[:corner]
    return Way("step_in_curve", 6, low, lambda share: (sweep.voltage, sweep.current)), best / top


def _scatter(v: Array, i: Array) -> float:
    """Return by how much a current differs from the line through its neighbours, 1 sigma, A.

    The median of all: half of the readings lie where the curve is straight.
    """
    apart = v[2:] - v[:-2]
    part = (v[1:-1] - v[:-2]) / np.where(apart > 0, apart, np.inf)
    off = i[1:-1] - (i[:-2] * (1 - part) + i[2:] * part)
    return float(1.4826 * np.median(np.abs(off)) / np.sqrt(1.5))
