"""Faults of rows and of the course of a sweep: repeated rows, light and warmth that moved, gaps."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.fault import Fault, fault, named_points
from ivkit.readings.faults_channels import as_read, rounding_of
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

MOVED_LIGHT = 0.05  # share by which an irradiance column may move before it matters
MOVED_WARMTH = 3.0  # K; Voc of silicon falls by about 1 % in these
#: How much more power than read could hide between two neighbours (upper voltage times upper
#: current over the largest power read) before the knee counts as missed.
HIDDEN_POWER = 1.9


def repeated(sweep: Sweep) -> Iterator[Fault]:
    """Find rows that stand in the table twice."""
    v, i = as_read(sweep, "voltage"), as_read(sweep, "current")
    n = len(sweep)
    if n < 3:
        return
    load = sweep.load if sweep.load is not None else np.zeros(n)
    rows = np.stack([v, i, load], axis=1)
    _, first, back = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    first = first[back.ravel()]
    again = first != np.arange(n)
    if not np.any(again) or np.mean(again) > 0.6:
        return
    # Where the steps are coarse, equal readings are nothing special.
    fine = all(rounding_of(x[~again]) < np.ptp(x) / 200 for x in (v, i))
    twice = np.flatnonzero(again)
    block = any(k + 1 in set(twice) and first[k + 1] == first[k] + 1 for k in twice)
    # Close readings may agree by chance; single rows have to lie well apart from all others.
    fine &= all(_alone(k, v, i) for k in twice)
    # Loads taken twice on purpose give nearly equal readings; copied rows are all exactly equal.
    if (block or fine) and not _taken_twice(sweep, again):
        said = f"{named_points(twice, sweep.rows)} repeat{'s' if twice.size == 1 else ''} what "
        said += "stands in the table already, to the last digit"
        yield fault("repeated_rows", said, twice, leave_out=True)


def _alone(k: int, v: Array, i: Array) -> bool:
    """Tell whether a copied reading is unlikely to be a second one that happens to agree."""
    others = (v != v[k]) | (i != i[k])
    apart = 1.0
    for x in (v, i):
        levels = np.diff(np.unique(x))
        step = np.min(levels, initial=np.inf, where=levels > 1e-9 * np.ptp(x))
        apart = apart * (1 + np.abs(x[others] - x[k]) / step)
    return bool(np.min(apart, initial=np.inf) > 50)


def _taken_twice(sweep: Sweep, again: NDArray[np.bool_]) -> bool:
    """Tell whether other readings at equal loads differ, as in a sweep taken up and down."""
    if sweep.load is None:
        return False
    rest = ~again & np.isfinite(sweep.load)
    counts = np.unique(sweep.load[rest], return_counts=True)[1]
    return bool(np.sum(counts > 1) >= max(1, again.sum()))


def monitored(sweep: Sweep) -> Iterator[Fault]:
    """Find light and warmth that moved, where the table has columns for them."""
    low, high = _ends(sweep.evidence.irradiance)
    if high > 0 and high - low > MOVED_LIGHT * high:
        said = f"the irradiance column goes from {low:.4g} to {high:.4g} W/m2 during the sweep"
        yield fault("light_drifted", said)
    low, high = _ends(sweep.evidence.temp_cell)
    if high - low > MOVED_WARMTH:
        said = f"the temperature column goes from {low:.1f} to {high:.1f} degC during the sweep"
        yield fault("warmed_up", said)


def _ends(values: Array | None) -> tuple[float, float]:
    """Return the least and the largest of a column smoothed over three rows, NaN if too short."""
    known = np.empty(0) if values is None else values[np.isfinite(values)]
    if known.size < 5:
        return np.nan, np.nan
    smooth = np.median(np.stack([known[:-2], known[1:-1], known[2:]]), axis=0)
    return float(smooth.min()), float(smooth.max())


def gap_at_knee(sweep: Sweep) -> Iterator[Fault]:
    """Find a sweep whose loads leave out the knee: as current falls with voltage, between
    neighbours no more than the upper voltage times the upper current can be had.
    """
    v, i = sweep.voltage, sweep.current
    ok = (v > 0) & (i > 0)
    if ok.sum() < 4:
        return
    order = np.argsort(v[ok])
    v, i = v[ok][order], i[ok][order]
    best = float(np.max(v * i))
    between = v[1:] * i[:-1]
    k = int(np.argmax(between))
    # Only where the curve bends: before the gap it is flat, after it steep.
    flat, steep = i[k] > 0.75 * np.max(i), i[k + 1] < 0.6 * i[k]
    if between[k] >= HIDDEN_POWER * best and flat and steep:
        yield fault(
            "no_points_at_knee",
            f"no reading between {v[k]:.4g} and {v[k + 1]:.4g} V, where the power is largest: it "
            f"may be anything up to {between[k]:.3g} W",
        )
