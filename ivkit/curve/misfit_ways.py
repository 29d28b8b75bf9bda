"""Ways to undo a fault: the readings as they would be without it, at each size and place."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.diode import SingleDiode
from ivkit.readings.faults_channels import as_read
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

PLACES = 24  # where a jump is looked for, at most


@dataclass(frozen=True)
class Way:
    """One way to undo one kind of fault.

    Attributes
    ----------
    name : str
    extra : int
        Parameters that this way has beyond the curve's five.
    points : ndarray of int
        The readings at fault; empty for all.
    undo : callable
        ``undo(share)`` returns voltage and current, shape (N,), as they would be without a fault
        of that size; NaN for readings left out.
    shares : tuple of float
        The sizes to try, rising, as a fraction of what `LEAST` is of.
    finer : callable or None
        ``finer(width)`` yields ways of a like shape, for a closer look at the best.
    """

    name: str
    extra: int
    points: NDArray[np.int64]
    undo: Callable[[float], tuple[Array, Array]]
    shares: tuple[float, ...] = (1.0,)
    finer: Callable[[float], Iterator["Way"]] | None = None


def ways_to_undo(sweep: Sweep, curve: SingleDiode | None) -> Iterator[Way]:
    """Yield every way to undo a fault that these readings might have."""
    yield from _equal_readings(sweep)
    yield from _strays(sweep)
    if _order_tells(sweep):
        yield from _moving_light(sweep, curve)
        yield from _warming(sweep)
    yield from _blocking(sweep)
    yield from _stepping(sweep)


def _without(sweep: Sweep, points: NDArray[np.int64]) -> Callable[[float], tuple[Array, Array]]:
    v = sweep.voltage.copy()
    v[points] = np.nan
    return lambda share: (v, sweep.current)


def _strays(sweep: Sweep) -> Iterator[Way]:
    """Yield the sweep without each of its readings."""
    for k in range(len(sweep)):
        at = np.array([k])
        yield Way("stray_reading", 1, at, _without(sweep, at))


def _equal_readings(sweep: Sweep) -> Iterator[Way]:
    """Yield the sweep without readings that are exactly equal in one channel."""
    n = len(sweep)
    for channel in ("voltage", "current"):
        values = as_read(sweep, channel)
        top = np.flatnonzero(values == np.max(values))
        if 4 <= top.size <= n - 7:
            yield _clipped_or_stuck(sweep, channel, top)
        starts = np.flatnonzero(np.r_[True, values[1:] != values[:-1]])
        for run in np.split(np.arange(n), starts[1:]):
            if 3 <= run.size <= n - 6 and values[run[0]] != np.max(values):
                later = run[1:]
                yield Way("stuck_channel", later.size, later, _without(sweep, later))


def _clipped_or_stuck(sweep: Sweep, channel: str, top: NDArray[np.int64]) -> Way:
    """Return the way without the readings that share the largest value of a channel.

    A channel at its end shows it wherever there is more; one that sticks shows it in a row.
    """
    other = sweep.current if channel == "voltage" else sweep.voltage
    rest = np.setdiff1d(np.arange(len(sweep)), top)
    between = np.mean(other[rest] < np.max(other[top])) > 0.15
    if between and np.all(np.diff(top) == 1):
        return Way("stuck_channel", top.size - 1, top[1:], _without(sweep, top[1:]))
    return Way("clipped_channel", top.size, top, _without(sweep, top))


def _order_tells(sweep: Sweep) -> bool:
    """Tell whether time and voltage went their own ways, so that a drift shows at all."""
    n = len(sweep)
    rank = np.argsort(np.argsort(sweep.voltage, kind="stable"), kind="stable") / (n - 1)
    order = np.arange(n) / (n - 1)
    smooth = np.vander(rank, 4)
    left = order - smooth @ np.linalg.lstsq(smooth, order, rcond=None)[0]
    return bool(left @ left > 0.05 * np.sum((order - order.mean()) ** 2))


_RISING = (0.02, 0.04, 0.06, 0.09, 0.13, 0.18, 0.25, 0.35)
_BOTH = (*(-share for share in _RISING[::-1]), *_RISING)


def _moving_light(sweep: Sweep, curve: SingleDiode | None) -> Iterator[Way]:
    """Yield the sweep with drifts and jumps of light taken off.

    Light moves the curve along (Delta I, -Rs Delta I) (IEC 60891, procedure 1).
    """
    n = len(sweep)
    il = float(np.max(sweep.current)) if curve is None else float(curve.photocurrent)
    rs = 0.0 if curve is None else float(curve.resistance_series)
    passed = np.linspace(0.0, 1.0, n)

    def along(course: Array) -> Callable[[float], tuple[Array, Array]]:
        def undo(share: float) -> tuple[Array, Array]:
            more = il * share * course
            return sweep.voltage + rs * more, sweep.current - more

        return undo

    yield Way("light_drifted", 1, np.array([], dtype=int), along(passed), _BOTH)
    for k in _places(n, 3):
        later = np.arange(n) >= k
        yield Way("light_jumped", 2, np.flatnonzero(later), along(later.astype(float)), _BOTH)


def _warming(sweep: Sweep) -> Iterator[Way]:
    """Yield the sweep with the voltage that warming took given back, and the current it gave.

    Of silicon Voc falls by about 0.32 % and Isc rises by about 0.05 % a kelvin (common practice,
    no source).
    """
    passed = np.linspace(0.0, 1.0, len(sweep))
    top, top_i = np.max(np.abs(sweep.voltage)), np.max(np.abs(sweep.current))

    def along(course: Array) -> Callable[[float], tuple[Array, Array]]:
        return lambda share: (
            sweep.voltage + share * top * course,
            sweep.current - share / 6.4 * top_i * course,
        )

    shares = (0.006, 0.012, 0.018, 0.025, 0.035, 0.05, 0.07, 0.1)
    for course in (passed, (1 - np.exp(-2 * passed)) / (1 - np.exp(-2.0))):
        yield Way("warmed_up", 2, np.array([], dtype=int), along(course), shares)


def _blocking(sweep: Sweep) -> Iterator[Way]:
    """Yield the sweep with the voltage given back that a blocking contact takes.

    It takes up to ``share`` of Voc, most of that already at ``bend`` of Isc.
    """
    v, i = np.max(np.abs(sweep.voltage)), np.max(np.abs(sweep.current))

    def bent(bend: float) -> Callable[[float], tuple[Array, Array]]:
        taken = v * (1 - np.exp(-np.maximum(sweep.current / i, 0.0) / bend))
        return lambda share: (sweep.voltage + share * taken, sweep.current)

    shares = (0.015, 0.03, 0.05, 0.08, 0.12, 0.17, 0.23, 0.3, 0.4)
    for bend in (0.04, 0.08, 0.15, 0.3, 0.5):
        yield Way("s_shape", 2, np.array([], dtype=int), bent(bend), shares)


_STEPS = (0.06, 0.09, 0.13, 0.18, 0.24, 0.3, 0.37, 0.44, 0.52, 0.6, 0.7, 0.8)


def _stepping(sweep: Sweep) -> Iterator[Way]:
    """Yield the sweep with the voltage given back that a shaded part of the panel takes away.

    Above the current that the shade lets through, (1 - share) of the largest, the part is driven
    backwards: it takes voltage through its leak, and at most all that it gave, when its bypass
    diode conducts and the rest of the panel gives ``lit`` of the voltage (Quaschning and Hanitsch,
    Solar Energy 56 (1996) 513, for shaded cells and bypass diodes).
    """
    v, i = sweep.voltage, sweep.current
    top_v, top_i = np.max(np.abs(v)), np.max(np.abs(i))
    own = 1 / sweep.cells if sweep.cells else 0.03  # what the shaded cell gave itself
    usual_drop = 0.8 * own  # 0.5 V, in voltages of a cell

    def way(lit: float, leak: float, drop: float) -> Way:
        def undo(share: float) -> tuple[Array, Array]:
            above = np.maximum(i / top_i - (1 - share), 0.0)
            taken = own * above / (above + 0.01) + leak * above
            most = np.maximum(v + drop * top_v, 0.0) / lit
            return np.maximum(np.minimum(v + taken * top_v, most), v), i

        def finer(width: float) -> Iterator[Way]:
            for one, two, three in product((-width, 0.0, width), repeat=3):
                part = min(max(lit + 0.08 * one, 0.05), 0.97)
                yield way(part, leak * 2.0**two, max(drop + 0.05 * three, 0.0))

        none = np.array([], dtype=int)
        return Way("step_in_curve", 4, none, undo, _STEPS, finer)

    for lit in (1 / 3, 0.5, 2 / 3, 0.85):
        for leak in (0.6, 1.2, 2.5, 5.0, 10.0, 25.0):
            yield way(lit, leak, usual_drop)


def _places(n: int, margin: int) -> NDArray[np.int64]:
    """Return where to look for a step: between all readings, or at `PLACES` of them."""
    places = np.arange(margin, n - margin + 1)
    if places.size > PLACES:
        places = places[np.linspace(0, places.size - 1, PLACES).astype(int)]
    return places
