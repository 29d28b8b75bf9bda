"""What only shows against a fitted curve: a stray reading, light that moved, a step, an S-shape.

Each suspicion is a way to undo a fault: leave these readings out, take the drift off the currents,
lift the voltage by what a blocking contact takes. The readings are undone in every such way, and
fitted anew, all at once; the suspicion that then fits far better than the plain curve, and better
than the others, is named. How much better is an F-test for nested models (Seber and Wild,
Nonlinear Regression, Wiley 1989, section 5.3), at odds of one in two thousand divided by the
number of ways that were tried for it; and an effect too small to matter is not named at all. The
thresholds were set on simulated sweeps of other seeds than those that `tests` score.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from ivkit.curve.diode import SingleDiode
from ivkit.curve.misfit_cost import Residuals, curve_of, least_costs
from ivkit.curve.misfit_step import plateau
from ivkit.curve.misfit_told import told
from ivkit.curve.misfit_ways import Way, ways_to_undo
from ivkit.readings.fault import Fault, fault
from ivkit.readings.faults_channels import as_read, step_of
from ivkit.readings.redundancy import USUAL_NOISE, usual_noise
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

ODDS = 5e-4  # of naming one kind of fault in sound readings, over all ways tried for it
#: The least that is named, as a share: of the largest reading, of the light, of Voc, of Isc.
LEAST = {
    "stray_reading": 0.012,
    "light_drifted": 0.02,
    "light_jumped": 0.03,
    "warmed_up": 0.012,
    "step_in_curve": 0.05,
    "s_shape": 0.03,
}
#: By what the odds of a kind are divided: the places, directions and shapes that are tried for it.
TRIES = {"stray_reading": 30, "light_jumped": 48, "light_drifted": 2, "step_in_curve": 200,
         "s_shape": 5, "warmed_up": 2}  # fmt: skip
#: Of these kinds only the ways of the largest first-order gain are fitted.
MOST_TRIED = {"light_jumped": 8}
SINGLE = ("light_drifted", "light_jumped", "warmed_up", "step_in_curve", "s_shape")
LOOSE = 1e-2  # odds of the first-order gain at which ways are worth a fit at all
CLEAR = 4.0  # variance in units of the noise: beyond, first-order gains are no guide
FEWEST_READINGS = 8
EXPLAINED = 0.015  # of the range: what still scatters by more is not explained
SCATTER = 0.015  # of the range, about the best curve: more is noise to speak of


@dataclass(frozen=True)
class Suspicion:
    """A way and the size at which it leaves least, with what it leaves: the cost."""

    way: Way
    share: float
    cost: float


def misfits(sweep: Sweep, model: SingleDiode | None, flags: tuple[str, ...]) -> list[Fault]:
    """Return what is wrong with a sweep by the curve that fits it: at most one fault.

    ``model`` is its best single diode, None where there is none; ``flags`` are those of the fit.
    """
    n = len(sweep)
    if n < FEWEST_READINGS or (model is None and "straight_line" not in flags):
        return []
    noise = _noise(sweep)
    costs, curves = least_costs(sweep.voltage[None], sweep.current[None], *noise)
    base = float(costs[0])
    if not np.isfinite(base):
        return []
    known = sweep.noise_current is not None
    found = None
    ways = _worth_trying(sweep, curve_of(curves[:, 0]), noise, base)
    if ways:
        found = _or_step(sweep, _best(sweep, ways, noise, base), noise)
    if found is not None:
        return [told(sweep, found.way, found.share)]
    # The usual noise is 0.3 % of the range, and (scatter / usual)^2 what is left of the cost.
    scatter = USUAL_NOISE * np.sqrt(base / max(n - 5, 1))
    if not known and scatter > SCATTER:
        said = f"the readings scatter by {scatter:.1%} of their range about the best curve"
        return [fault("noisy_readings", said)]
    return []


def _or_step(sweep: Sweep, found: Suspicion | None, noise: tuple[Array, Array]) -> Suspicion | None:
    """Return the step that the readings show by themselves, where nothing explains it better.

    A stray makes bends about it; a plateau is there without it as well.
    """
    if found is not None and found.way.name not in ("s_shape", "stray_reading"):
        return found
    if found is not None and found.way.name == "stray_reading":
        rest = np.delete(np.arange(len(sweep)), found.way.points)
        if plateau(sweep.select(rest), *(u[rest] for u in noise)) is None:
            return found
    seen = plateau(sweep, *noise)
    return found if seen is None else Suspicion(*seen, 0.0)


def _noise(sweep: Sweep) -> tuple[Array, Array]:
    """Return the noise of V and I, not less than what no curve is followed to: 0.02 %."""
    floors = (2e-4 * np.max(np.abs(x)) for x in (sweep.voltage, sweep.current))
    u_v, u_i = (np.maximum(u, x) for u, x in zip(usual_noise(sweep), floors, strict=True))
    if sweep.noise_current is None and _from_load(sweep):
        # The current of a small load then holds the noise of its voltage.
        u_i = np.hypot(u_i, u_v / sweep.load)
    return u_v, u_i


def _from_load(sweep: Sweep) -> bool:
    """Tell whether the current was worked out from voltage and load."""
    if sweep.load is None or not np.all(sweep.load > 0):
        return False
    by_load = np.where(np.isinf(sweep.load), 0.0, sweep.voltage / sweep.load)
    return bool(np.allclose(by_load, sweep.current, 1e-6, 0.0))


def _floor(sweep: Sweep) -> float:
    """Return a cost that no fit is believed to fall below: exact readings give absurd odds."""
    return 0.01 * len(sweep) * (0.1 if sweep.noise_current is None else 1.0)


def _worth_trying(
    sweep: Sweep, curve: SingleDiode, noise: tuple[Array, Array], base: float
) -> list[Way]:
    """Return the ways that could explain something; none where nothing stands out."""
    n = len(sweep)
    about = Residuals(sweep, curve, *noise)
    scatter = base / max(n - 5, 1)
    if (
        sweep.noise_current is not None
        and scatter < 1.5
        and np.max(np.abs(about.studentised)) < 3.5
    ):
        return []
    ways = list(ways_to_undo(sweep, curve))
    gains = about.gains(ways)
    extra = np.array([way.points.size or 1 for way in ways])
    extra = np.where([way.name in SINGLE for way in ways], 1, extra)
    freedom = np.maximum(n - 5 - extra, 1)
    left = np.maximum(base - gains, 0.0) + _floor(sweep)
    odds = fdtrc(extra, freedom, gains / extra / (left / freedom))
    if scatter < CLEAR and not np.any(odds < LOOSE):
        return []
    keep = np.ones(len(ways), dtype=bool)
    for name, most in MOST_TRIED.items():
        of_kind = np.array([k for k, way in enumerate(ways) if way.name == name], dtype=int)
        keep[of_kind[np.argsort(-gains[of_kind], kind="stable")[most:]]] = False
    return [way for way, kept in zip(ways, keep, strict=True) if kept]


def _best(
    sweep: Sweep, ways: list[Way], noise: tuple[Array, Array], base: float
) -> Suspicion | None:
    """Return the suspicion that explains the misfit best, None if none does."""
    found = _tried(sweep, ways, noise) + _swapped(sweep, base)
    n, floor = len(sweep), _floor(sweep)
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
            clear = left < 0.5 * (base + floor)
            clear &= _share_of_range(sweep, noise) * np.sqrt(left / freedom) < EXPLAINED
            ratio = (base - each.cost) / way.extra / (left / freedom)
            odds = fdtrc(way.extra, freedom, max(ratio, 0.0))
            if not clear or odds > ODDS / TRIES.get(way.name, 1):
                continue
        if measure < least:
            best, least = each, measure
    return best


def _share_of_range(sweep: Sweep, noise: tuple[Array, Array]) -> float:
    """Return the larger noise of both channels as a share of their largest reading."""
    both = zip(noise, (sweep.voltage, sweep.current), strict=True)
    return max(float(np.median(u) / np.max(np.abs(x))) for u, x in both)


def _tried(sweep: Sweep, ways: list[Way], noise: tuple[Array, Array]) -> list[Suspicion]:
    """Return the best size of the best way of each kind: a grid first, then ever finer."""
    asked = [(way, share) for way in ways for share in way.shares]
    found: dict[str, Suspicion] = {}
    curve: dict[str, Array] = {}
    for width in (None, 1.0, 0.7, 0.45, 0.3):
        if width is not None:
            asked = [
                (way, share)
                for best in found.values()
                for way in _finer(best, width)
                for share in way.shares
            ]
        if not asked:
            break
        undone = [way.undo(share) for way, share in asked]
        costs, curves = least_costs(
            np.stack([v for v, _ in undone]), np.stack([i for _, i in undone]), *noise
        )
        for k, (way, share) in enumerate(asked):
            if way.name not in found or costs[k] <= found[way.name].cost:
                found[way.name] = Suspicion(way, share, float(costs[k]))
                curve[way.name] = curves[:, k]
    if "stray_reading" in found:
        size = _how_far(sweep, found["stray_reading"].way.points[0], curve["stray_reading"])
        found["stray_reading"] = replace(found["stray_reading"], share=size)
    return [one for one in found.values() if np.isfinite(one.cost)]


def _finer(best: Suspicion, width: float) -> list[Way]:
    """Return the ways near the best of a kind, with closer sizes about its own."""
    shares = best.way.shares
    if len(shares) < 2:
        return []
    k = shares.index(best.share)
    low, high = shares[max(k - 1, 0)], shares[min(k + 1, len(shares) - 1)]
    if best.way.finer is None:
        return [replace(best.way, shares=tuple(np.linspace(low, high, 9).tolist()))]
    closer = tuple(np.linspace(low, high, 5).tolist())
    return [replace(way, shares=closer) for way in best.way.finer(width)]


def _how_far(sweep: Sweep, k: int, parameters: Array) -> float:
    """Return how far reading k is from a curve, as a share of the largest reading.

    Where the curve is steep the shorter way to it is along the voltage.
    """
    curve, at = curve_of(parameters), sweep.voltage[k]
    off = abs(sweep.current[k] - float(curve.current(at))) / np.max(np.abs(sweep.current))
    across = abs(at - float(curve.voltage(sweep.current[k]))) / np.max(np.abs(sweep.voltage))
    return float(np.fmin(off, across))


def _swapped(sweep: Sweep, base: float) -> list[Suspicion]:
    """Return the sweep with its columns swapped, if that lies far better on a curve.

    A single diode keeps its form in any units, so that it does not matter which scale either
    column went through. Both ways are held to the same share of their largest reading.
    """
    v, i = (x / np.max(np.abs(x)) for x in (sweep.voltage, sweep.current))
    u = np.full(len(sweep), USUAL_NOISE)
    (as_is, other), _ = least_costs(np.stack([v, i]), np.stack([i, v]), u, u)
    if not (other < 0.1 * as_is and other < 4 * len(sweep)):
        return []
    way = Way("swapped_columns", 1, np.array([], dtype=int), lambda share: (i, v))
    return [Suspicion(way, 1.0, float(base * other / as_is))]


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
