"""What only shows against a fitted curve: a stray reading, light that moved, a step, an S-shape.

Each suspicion is a way to undo a fault: leave these readings out, take the drift off the currents,
lift the voltage by what a blocking contact takes. The readings are undone in every such way, and
fitted anew, all at once; the suspicion that then fits far better than the plain curve, and better
than the others, is named. How much better is an F-test for nested models (Seber and Wild,
Nonlinear Regression, Wiley 1989, section 5.3), at odds of one in ten thousand divided by the
number of ways that were tried for it; and an effect too small to matter is not named at all.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from ivkit.curve.diode import SingleDiode, local
from ivkit.curve.health import FLAGS
from ivkit.curve.many import PARAMETERS, fit_many
from ivkit.readings.fault import Fault, fault, named_points
from ivkit.readings.faults_channels import as_read, step_of
from ivkit.readings.redundancy import USUAL_NOISE, usual_noise
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

ODDS = 1e-4  # of naming one kind of fault in sound readings, over all ways tried for it
PLACES = 24  # where a step is looked for, at most
STRAY_SHARE = 0.15  # of the readings; more are no strays but another fault
#: The least that is named, as a share: of the largest reading, of the light, of Voc, of Isc.
LEAST = {
    "stray_reading": 0.012,
    "light_drifted": 0.02,
    "light_jumped": 0.03,
    "warmed_up": 0.012,
    "step_in_curve": 0.05,
    "s_shape": 0.03,
}
PART = 6  # readings on each side of a step, at least
EXPLAINED = 0.01  # of the range: what still scatters by more is not explained
SCATTER = 0.015  # of the range, about the best curve: more is noise to speak of


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
        The sizes to try, rising, in the share that `LEAST` is in.
    """

    name: str
    extra: int
    points: NDArray[np.int64]
    undo: Callable[[float], tuple[Array, Array]]
    shares: tuple[float, ...] = (1.0,)


@dataclass(frozen=True)
class Suspicion:
    """A way and the size at which it leaves least, with what it leaves: the cost."""

    way: Way
    share: float
    cost: float


def misfits(sweep: Sweep, model: SingleDiode | None, flags: tuple[str, ...]) -> list[Fault]:
    """Return what is wrong with a sweep by the curve that fits it: at most one fault.

    Parameters
    ----------
    sweep : Sweep
        As fitted.
    model : SingleDiode or None
        The best single diode; None where there is none, and then nothing can be said.
    flags : tuple of str
        Of the fit.
    """
    n = len(sweep)
    if n < 8 or (model is None and "straight_line" not in flags):
        return []
    noise = _noise(sweep)
    plain = fit_many(sweep.voltage[None], sweep.current[None], *(x[None] for x in noise))
    base = float(plain.cost[0])
    if not np.isfinite(base):
        return []
    curve = None
    if np.isfinite(plain.nNsVth[0]):
        curve = SingleDiode(*(float(getattr(plain, name)[0]) for name in PARAMETERS))
        if _looks_sound(sweep, curve, noise, base):
            return []
    found = _best(sweep, curve, noise, base)
    if found is not None:
        return [_told(sweep, found)]
    # The usual noise is 0.3 % of the range, and (scatter / usual)^2 what is left of the cost.
    scatter = USUAL_NOISE * np.sqrt(base / max(n - 5, 1))
    if sweep.noise_current is None and scatter > SCATTER and "residuals_not_random" not in flags:
        return [
            fault(
                "noisy_readings",
                f"the readings scatter by {scatter:.1%} of their range about the best curve",
            )
        ]
    return []


def _noise(sweep: Sweep) -> tuple[Array, Array]:
    """Return the noise of V and I, not less than what no curve is followed to: 0.02 %."""
    u_v, u_i = usual_noise(sweep)
    floors = (2e-4 * np.max(np.abs(x)) for x in (sweep.voltage, sweep.current))
    return tuple(np.maximum(u, least) for u, least in zip((u_v, u_i), floors, strict=True))


def _looks_sound(sweep: Sweep, curve: SingleDiode, noise: tuple[Array, Array], base: float) -> bool:
    """Tell at little cost whether nothing at all stands out."""
    n = len(sweep)
    v, i = sweep.voltage, sweep.current
    at = local(v, curve.current(v), *curve.raw)
    sigma = np.hypot(noise[1], at.slope * noise[0])
    residual = (i - curve.current(v)) / sigma
    scatter = base / max(n - 5, 1)
    stated = sweep.noise_current is not None
    # With stated noise the scatter speaks for itself; without, 0.1 % of the range is very good.
    if scatter > (1.5 if stated else 0.1):
        return False
    leverage = _leverage(at.di / sigma[:, None], curve)
    far = np.abs(residual) / np.sqrt(np.maximum(1 - leverage, 1e-3) * max(scatter, 1e-12))
    return bool(np.max(far) < 3.5)


def _leverage(jacobian: Array, curve: SingleDiode) -> Array:
    """Return how far each reading drags the curve along, 0 to 1."""
    size = np.linalg.norm(jacobian, axis=0)
    free = (size > 0) & np.array([1, 1, curve.raw[2] > 0, curve.raw[3] > 0, 1], dtype=bool)
    q, _ = np.linalg.qr(jacobian[:, free] / size[free])
    return np.sum(q**2, axis=1)


def _best(
    sweep: Sweep, curve: SingleDiode | None, noise: tuple[Array, Array], base: float
) -> Suspicion | None:
    """Return the suspicion that explains the misfit best, None if none does."""
    ways = list(_ways(sweep, curve))
    tries = {way.name: 0 for way in ways}
    for way in ways:
        tries[way.name] += 1
    found = [_sized(sweep, noise, each) for each in _tried(ways, noise)]
    found += _swapped(sweep, base) + _stepped(sweep, noise)
    if not found:
        return None
    n = len(sweep)
    # Nobody follows a curve to better than this; it keeps exact readings from absurd odds.
    floor = 0.01 * n * (0.1 if sweep.noise_current is None else 1.0)
    best, least = None, np.inf
    for each in found:
        way = each.way
        freedom = n - 5 - way.extra
        if freedom < 2 or abs(each.share) < LEAST.get(way.name, 0.0):
            continue
        left = each.cost + floor
        measure = n * np.log(left) + way.extra * np.log(n)
        if _too_equal(sweep, noise, way, left / freedom) and left < base + floor:
            # Readings give themselves away that are equal where others scatter.
            measure = n * np.log(0.1 * left)
        else:
            # What still scatters by percents is not explained.
            clear = left < (0.5 if sweep.noise_current is None else 0.3) * (base + floor)
            clear &= _share_of_range(sweep, noise) * np.sqrt(left / freedom) < EXPLAINED
            ratio = (base - each.cost) / way.extra / (left / freedom)
            odds = fdtrc(way.extra, freedom, max(ratio, 0.0))
            if not clear or odds > ODDS / tries.get(way.name, 1):
                continue
        if measure < least:
            best, least = each, measure
    return best


def _share_of_range(sweep: Sweep, noise: tuple[Array, Array]) -> float:
    """Return the larger noise of both channels as a share of their largest reading."""
    both = zip(noise, (sweep.voltage, sweep.current), strict=True)
    return max(float(np.median(u) / np.max(np.abs(x))) for u, x in both)


def _sized(sweep: Sweep, noise: tuple[Array, Array], found: Suspicion) -> Suspicion:
    """Return a suspicion with the size of a stray put right: how far it is from the others' curve.

    Where the curve is steep, the way to it is along the voltage.
    """
    if found.way.name != "stray_reading":
        return found
    v, i = found.way.undo(1.0)
    fits = fit_many(v[None], i[None], noise[0][None], noise[1][None])
    k = found.way.points[0]
    if not np.isfinite(fits.nNsVth[0]):
        return found
    curve = SingleDiode(*(float(getattr(fits, name)[0]) for name in PARAMETERS))
    at = sweep.voltage[k]
    off = abs(sweep.current[k] - float(curve.current(at)))
    top_v, top_i = np.max(np.abs(sweep.voltage)), np.max(np.abs(sweep.current))
    # From a far stray the way along the current is endless: the shorter way counts.
    across = abs(at - float(curve.voltage(sweep.current[k])))
    share = min(off / top_i, across / top_v)
    return replace(found, share=share)


def _too_equal(sweep: Sweep, noise: tuple[Array, Array], way: Way, scatter: float) -> bool:
    """Tell whether so many readings cannot be equal to the last digit by chance.

    ``scatter`` is the variance of the others about their curve, in units of the noise.
    """
    if way.name not in ("clipped_channel", "stuck_channel"):
        return False
    for channel, u in zip(("voltage", "current"), noise, strict=True):
        values = as_read(sweep, channel)
        if np.ptp(values[way.points]) == 0 and np.ptp(values) > 0:
            share = float(np.median(u)) / np.ptp(getattr(sweep, channel)) * np.sqrt(scatter)
            one = min(1.0, step_of(values) / np.ptp(values) / (2.5 * share))
            if one ** (way.points.size - 1) < 1e-6:
                return True
    return False


def _tried(ways: list[Way], noise: tuple[Array, Array]) -> list[Suspicion]:
    """Return the best size of the best way of each kind: a grid first, then twice finer."""
    asked = [(way, share) for way in ways for share in way.shares]
    found: dict[str, Suspicion] = {}
    for finer in (False, True, True):
        if finer:
            asked = []
            for best in found.values():
                shares = best.way.shares
                if len(shares) > 1:
                    k = shares.index(best.share)
                    low, high = shares[max(k - 1, 0)], shares[min(k + 1, len(shares) - 1)]
                    way = replace(best.way, shares=tuple(np.linspace(low, high, 9).tolist()))
                    asked += [(way, share) for share in way.shares]
        if not asked:
            break
        undone = [way.undo(share) for way, share in asked]
        fits = fit_many(
            np.stack([v for v, _ in undone]),
            np.stack([i for _, i in undone]),
            noise[0][None],
            noise[1][None],
        )
        for (way, share), cost in zip(asked, fits.cost, strict=True):
            if np.isfinite(cost) and (way.name not in found or cost <= found[way.name].cost):
                found[way.name] = Suspicion(way, share, float(cost))
    return list(found.values())


def _swapped(sweep: Sweep, base: float) -> list[Suspicion]:
    """Return the sweep with its columns swapped, if that lies far better on a curve.

    A single diode keeps its form in any units, so that it does not matter which scale either
    column went through. Both ways are held to the same share of their largest reading.
    """
    v, i = (x / np.max(np.abs(x)) for x in (sweep.voltage, sweep.current))
    u = np.full((1, 1), USUAL_NOISE)
    fits = fit_many(np.stack([v, i]), np.stack([i, v]), u, u)
    as_is, other = fits.cost
    if not (other < 0.1 * as_is and other < 4 * len(sweep)):
        return []
    way = Way("swapped_columns", 1, np.array([], dtype=int), lambda share: (i, v))
    return [Suspicion(way, 1.0, float(base * other / as_is))]


def _stepped(sweep: Sweep, noise: tuple[Array, Array]) -> list[Suspicion]:
    """Return the sweep as two curves that meet, one at low and one at high voltages.

    So it looks when some cells get less light and a bypass diode conducts at low voltages: each
    part bends as a panel's curve does, and where they meet the bend is the wrong way.
    """
    n, top = len(sweep), np.max(np.abs(sweep.current))
    order = np.argsort(sweep.voltage, kind="stable")
    places = np.arange(PART, n - PART + 1)
    if not places.size:
        return []
    v, i, u_v, u_i = (x[order] for x in (sweep.voltage, sweep.current, *noise))
    before = np.arange(n) < places[:, None]
    parts = np.concatenate([np.where(side, v, np.nan) for side in (before, ~before)])
    cost = fit_many(parts, np.broadcast_to(i, parts.shape), u_v, u_i).cost
    cost = cost[: places.size] + cost[places.size :]
    # A step goes down, and leaves current enough to be a plateau.
    left = np.array([np.median(i[k : k + 3]) for k in places]) / top
    cost = np.where((left < 1 - LEAST["step_in_curve"]) & (left > 0.1), cost, np.inf)
    k = int(np.nanargmin(np.where(np.isfinite(cost), cost, np.inf)))
    if not np.isfinite(cost[k]):
        return []
    low = order[: places[k]]
    way = Way("step_in_curve", 6, low, lambda share: (sweep.voltage, sweep.current))
    return [Suspicion(way, float(1 - left[k]), float(cost[k]))]


def _ways(sweep: Sweep, curve: SingleDiode | None) -> Iterator[Way]:
    """Yield every way to undo a fault that these readings might have."""
    yield from _equal_readings(sweep)
    yield from _strays(sweep)
    if _order_tells(sweep):
        yield from _moving_light(sweep, curve)
        yield from _warming(sweep)
    yield from _blocking(sweep)


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

    A channel at its end shows it wherever there is more; one that sticks shows it in a row, also
    where others in between say that there is less.
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
    """Yield the sweep with the voltage that warming took given back."""
    passed = np.linspace(0.0, 1.0, len(sweep))
    top = np.max(np.abs(sweep.voltage))

    def along(course: Array) -> Callable[[float], tuple[Array, Array]]:
        return lambda share: (sweep.voltage + share * top * course, sweep.current)

    shares = (0.006, 0.012, 0.018, 0.025, 0.035, 0.05, 0.07, 0.1)
    for course in (passed, (1 - np.exp(-2 * passed)) / (1 - np.exp(-2.0))):
        yield Way("warmed_up", 2, np.array([], dtype=int), along(course), shares)


def _blocking(sweep: Sweep) -> Iterator[Way]:
    """Yield the sweep with the voltage that a blocking contact takes given back.

    It takes up to ``share`` of Voc, most of that already at ``bend`` of Isc.
    """
    v, i = np.max(np.abs(sweep.voltage)), np.max(np.abs(sweep.current))

    def bent(bend: float) -> Callable[[float], tuple[Array, Array]]:
        taken = v * (1 - np.exp(-np.maximum(sweep.current / i, 0.0) / bend))
        return lambda share: (sweep.voltage + share * taken, sweep.current)

    shares = (0.015, 0.03, 0.05, 0.08, 0.12, 0.17, 0.23, 0.3, 0.4)
    for bend in (0.04, 0.08, 0.15, 0.3, 0.5):
        yield Way("s_shape", 2, np.array([], dtype=int), bent(bend), shares)


def _places(n: int, margin: int) -> NDArray[np.int64]:
    """Return where to look for a step: between all readings, or at `PLACES` of them."""
    places = np.arange(margin, n - margin + 1)
    if places.size > PLACES:
        places = places[np.linspace(0, places.size - 1, PLACES).astype(int)]
    return places


def _told(sweep: Sweep, found: Suspicion) -> Fault:
    """Return a suspicion as a fault, in words."""
    at, name, size = found.way.points, found.way.name, abs(found.share)
    rows = named_points(at, sweep.rows)
    low = np.max(sweep.voltage[at]) if at.size else 0.0
    words = {
        "stray_reading": f"{rows} lies off the curve of the others",
        "clipped_channel": f"one channel shows the same largest value in {rows}, and the other "
        "readings say that there was more",
        "stuck_channel": f"one channel repeats itself in {rows}, and the other readings say that "
        "it should have moved",
        "light_drifted": f"in the order taken, the light changed by about {size:.0%}",
        "light_jumped": f"from {rows.split(' to ')[0]} on, the light was about {size:.0%} other "
        "than before",
        "warmed_up": f"in the order taken, the voltage fell by about {size:.1%}, as it does when "
        f"silicon warms by about {size / 0.0032:.0f} K",
        "step_in_curve": f"the current steps down by about {size:.0%} of its largest near "
        f"{low:.4g} V",
        "s_shape": "the curve bends the wrong way before open circuit, as when a contact blocks",
        "swapped_columns": "voltage and current seem to be swapped: the other way round they lie "
        "on a panel's curve, as they stand they do not",
    }
    takes_out = name in ("stray_reading", "clipped_channel", "stuck_channel")
    points = at if takes_out or name in ("light_jumped", "step_in_curve") else None
    return fault(name, words[name], points, leave_out=takes_out)


#: Flags that a fault of the readings explains: told with it, they would only repeat it.
_FOLLOW = {
    "no_light": {"straight_line", "too_few_points"},
    "reversed_current": {"no_light", "straight_line"},
    "reversed_voltage": {"no_light", "straight_line"},
    "one_voltage": {"straight_line", "no_light"},
}
_SHAPED = {
    "light_drifted",
    "light_jumped",
    "warmed_up",
    "step_in_curve",
    "s_shape",
    "noisy_readings",
    "coarse_steps",
    "swapped_columns",
}
_SWAPPED_EXPLAINS = {
    "voltage_per_cell",
    "current_beyond_area",
    "series_resistance_in_load",
    "current_offset",
    "stuck_channel",
}
#: Flags that say what the readings do not resolve: no fault of theirs.
_LIMITS = {
    "series_resistance_at_zero",
    "shunt_at_infinity",
    "series_resistance_unresolved",
    "shunt_unresolved",
}


def all_faults(found: list[Fault], flags: tuple[str, ...]) -> tuple[Fault, ...]:
    """Return the faults of readings with the flags of their fit, each told once."""
    names = {one.name for one in found}
    hidden = set(names)
    for name in names:
        hidden |= _FOLLOW.get(name, set())
    if "swapped_columns" in names:
        found = [one for one in found if one.name not in _SWAPPED_EXPLAINS]
    if names & _SHAPED:
        hidden |= {"residuals_not_random", "noise_larger_than_stated", "knee_too_sharp"}
    told = list(found)
    for flag in flags:
        if flag not in hidden:
            severity = "note" if flag in _LIMITS else "warning"
            told.append(Fault(flag, severity, (), *FLAGS[flag]))
    return tuple(told)
