"""Monte Carlo: refit a sweep with its readings drawn anew, and see where the results fall.

JCGM 101:2008: the readings are drawn from what is known about them, noise for each on its own and
effects for all together, each draw is fitted, and the spread of the results is their uncertainty.
Nothing is linear here, so it also tells whether the linear result was good enough (clause 8).
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import floor, log10
from typing import TYPE_CHECKING

import numpy as np

from ivkit.curve import engine
from ivkit.curve.diode import local, solve_current, solve_max_power, solve_voltage
from ivkit.curve.engine import Array, Problem
from ivkit.curve.many import scaled_problem
from ivkit.errors import RangeError, SweepError

if TYPE_CHECKING:
    from ivkit.curve.fit import Fit

RESULTS = (
    "i_sc",
    "v_oc",
    "v_mp",
    "i_mp",
    "p_mp",
    "fill_factor",
    "best_load",
    "photocurrent",
    "saturation_current",
    "resistance_series",
    "conductance_shunt",
    "nNsVth",
)
FEWEST_TRIALS = 200
#: Trials worked on at once: large enough for two threads not to wait for each other.
_AT_ONCE = 2048
_TOLERANCE = 1e-8  # of the cost: a ten-thousandth of a standard uncertainty, by the last step


@dataclass(frozen=True)
class Spread:
    """One result over all trials.

    Attributes
    ----------
    mean, u : float
        Average and standard deviation.
    low, high : float
        Ends of the shortest interval that holds 95 % of the trials.
    linear_agrees : bool or None
        Whether the linear 95 % interval has the same ends as the one that leaves 2.5 % of the
        trials on each side, to the first figure of u (JCGM 101, clause 8.1 with one significant
        figure); None where the linear result has no uncertainty to compare.
    """

    mean: float
    u: float
    low: float
    high: float
    linear_agrees: bool | None


@dataclass(frozen=True)
class Trials:
    """Monte Carlo of one sweep.

    Attributes
    ----------
    results : dict of str to Spread
        By the names of `RESULTS`; A, V, W, ohm, siemens.
    trials, failed : int
        Draws made; those whose fit did not converge and are left out.
    values : ndarray, shape (trials - failed, len(RESULTS))
        Every result of every trial, for whoever wants another interval.
    seed : int
    """

    results: dict[str, Spread]
    trials: int
    failed: int
    values: Array
    seed: int

    @property
    def linear_agrees(self) -> bool:
        """Whether the linear intervals of Isc, Voc, Pmp and FF all stand."""
        names = ("i_sc", "v_oc", "p_mp", "fill_factor")
        return all(self.results[name].linear_agrees is not False for name in names)


def run_trials(
    fit: "Fit",
    trials: int,
    seed: int = 0,
    workers: int = 1,
    progress: Callable[[int], None] = lambda done: None,
) -> Trials:
    """Refit ``trials`` draws of a fitted sweep.

    Parameters
    ----------
    trials : int
        JCGM 101 asks for 10^6 where two figures of a 95 % interval matter; 10^4 show its size.
    seed : int
        The same seed gives the same draws, whatever ``workers`` (threads) is.
    progress : callable
        Called with the number of trials done since the last call.

    Raises
    ------
    SweepError, RangeError
        A sweep without a curve, or with no noise to draw from; fewer than 200 trials.
    """
    if trials < FEWEST_TRIALS:
        raise RangeError(
            f"{trials} trials do not show a 95 % interval", "", f"ask for {FEWEST_TRIALS} or more"
        )
    if fit.model is None:
        raise SweepError("no curve was fitted, so none can be drawn again", fit.sweep.name)
    draw = _Draws(fit)
    sizes = [min(_AT_ONCE, trials - k) for k in range(0, trials, _AT_ONCE)]
    seeds = np.random.SeedSequence(seed).spawn(len(sizes))
    values = np.empty((trials, len(RESULTS)))

    def work(k: int) -> int:
        first = k * _AT_ONCE
        values[first : first + sizes[k]] = draw(np.random.default_rng(seeds[k]), sizes[k])
        return sizes[k]

    if workers > 1:
        with ThreadPoolExecutor(workers) as pool:
            for done in pool.map(work, range(len(sizes))):
                progress(done)
    else:
        for k in range(len(sizes)):
            progress(work(k))
    good = np.isfinite(values).all(axis=1)
    failed = int(trials - good.sum())
    if failed:
        values = values[good]
    if len(values) < FEWEST_TRIALS:
        raise SweepError(f"{failed} of {trials} trials had no fit", fit.sweep.name)
    results = {name: _spread(values[:, k], _linear(fit, name)) for k, name in enumerate(RESULTS)}
    return Trials(results, trials, failed, values, seed)


class _Draws:
    """Draws of one sweep's readings, and what their fits give."""

    def __init__(self, fit: "Fit") -> None:
        sweep = fit.sweep
        self.fit = fit
        self.v, self.i = sweep.voltage[:, None], sweep.current[:, None]
        self.u_v, self.u_i = (
            None if u is None else u[:, None] for u in (fit.noise_voltage, fit.noise_current)
        )
        if self.u_i is None or not np.all(np.isfinite(self.u_i)):
            raise SweepError(
                "the noise of the readings is not known",
                sweep.name,
                "take more readings than five, or state the noise in a bench file",
            )
        if self.u_v is not None and not np.any(self.u_v):
            self.u_v = None
        used = np.ones(self.v.shape, dtype=bool)
        as_read = scaled_problem(self.v, self.i, self.u_v, self.u_i, used)
        self.weight, self.ratio = as_read.weight, as_read.ratio
        self.scale_v, self.scale_i = float(as_read.scale_v[0]), float(as_read.scale_i[0])
        ohm = self.scale_v / self.scale_i
        self.theta = as_read.scaled(*(np.array([x]) for x in fit.model.raw))
        _, i0, _, _, a = fit.model.raw
        at = local(sweep.voltage, fit.model.current(sweep.voltage), *fit.model.raw)
        self.near = fit.model.current(sweep.voltage)[:, None] / self.scale_i
        self.slope = at.slope[:, None] * ohm
        # The fit's own linear answer is where each draw starts.
        by_v, by_i = (moves.copy() for moves in fit.gradients)
        for moves, unit in ((by_v, self.scale_v), (by_i, self.scale_i)):
            moves *= unit
            log_a = moves[4] / a
            log_diode = moves[1] / i0 - log_a * self.scale_v / a
            moves[:] = moves[0] / self.scale_i, log_diode, moves[2] / ohm, moves[3] * ohm, log_a
        self.by_v, self.by_i = by_v, by_i
        scaled = (self.scale_i, i0, ohm, 1.0 / ohm, a)
        by_theta = at.di * np.array(scaled) / self.scale_i
        by_theta[:, 4] += by_theta[:, 1] * self.scale_v / a
        self.by_theta = by_theta

    def __call__(self, rng: np.random.Generator, count: int) -> Array:
        """Return the results of ``count`` fits, shape (count, len(RESULTS))."""
        n = len(self.v)
        width = 1.0
        if np.isfinite(self.fit.freedom):
            # A noise that was itself estimated from few readings: Student's t (JCGM 101, 6.4.9).
            width = np.sqrt(self.fit.freedom / rng.chisquare(self.fit.freedom, count))
        i = self.i + width * self.u_i * rng.standard_normal((n, count))
        v = np.repeat(self.v, count, axis=1)
        if self.u_v is not None:
            v += width * self.u_v * rng.standard_normal((n, count))
        for effect in self.fit.sweep.effects:
            z = rng.standard_normal(count)
            v += effect.dv[:, None] * z
            i += effect.di[:, None] * z
        v /= self.scale_v
        i /= self.scale_i
        shape = (n, count)
        ratio = None if self.ratio is None else np.broadcast_to(self.ratio, shape)
        scales = (np.full(count, self.scale_v), np.full(count, self.scale_i))
        problem = Problem(v, i, np.broadcast_to(self.weight, shape), ratio, *scales)
        dv, di = v - self.v / self.scale_v, i - self.i / self.scale_i
        shift = self.by_v @ dv + self.by_i @ di
        shift[engine.LOG_A] = np.clip(shift[engine.LOG_A], -0.5, 0.5)
        start = self.theta + shift
        start = np.clip(start, engine.LOW[:, None], engine.HIGH[:, None])
        theta, _, converged = engine.minimise(
            problem,
            start,
            damping=0.0,
            tolerance=_TOLERANCE,
            near=self.near + self.slope * dv + self.by_theta @ (start - self.theta),
        )
        p = problem.unscaled(theta)
        i_sc, v_oc = solve_current(0.0, *p), solve_voltage(0.0, *p)
        v_mp, i_mp = solve_max_power(*p)
        power = v_mp * i_mp
        with np.errstate(all="ignore"):
            values = (i_sc, v_oc, v_mp, i_mp, power, power / (i_sc * v_oc), v_mp / i_mp, *p)
        out = np.stack(values, axis=1)
        out[~converged] = np.nan
        return out


def _linear(fit: "Fit", name: str) -> tuple[float, float]:
    """Return estimate and half width of the linear 95 % interval; NaN where there is none."""
    if name == "conductance_shunt":
        quantity = fit.parameters["resistance_shunt"]
        if quantity is not None:
            quantity = 1.0 / quantity
    elif name in fit.parameters:
        quantity = fit.parameters[name]
    else:
        quantity = getattr(fit.key_points, name)
    if quantity is None or not quantity.std_dev > 0:
        return np.nan, np.nan
    return quantity.nominal_value, fit.interval_factor * quantity.std_dev


def _spread(values: Array, linear: tuple[float, float]) -> Spread:
    """Return mean, standard deviation and shortest 95 % interval (JCGM 101, 7.7)."""
    low, high = shortest_interval(values)
    u = float(np.std(values, ddof=1))
    center, half = linear
    agrees = None
    if np.isfinite(half) and u > 0:
        tolerance = 0.5 * 10.0 ** floor(log10(u))
        ends = np.quantile(values, (0.025, 0.975))
        agrees = bool(np.all(np.abs(ends - (center - half, center + half)) <= tolerance))
    return Spread(float(np.mean(values)), u, low, high, agrees)


def shortest_interval(values: Array, share: float = 0.95) -> tuple[float, float]:
    """Return the ends of the shortest interval that holds ``share`` of the values.

    >>> shortest_interval(np.array([0.0, 1.0, 1.1, 1.2, 9.0]), 0.6)
    (1.0, 1.2)
    """
    ordered = np.sort(values)
    inside = min(int(np.ceil(share * len(ordered))), len(ordered))
    widths = ordered[inside - 1 :] - ordered[: len(ordered) - inside + 1]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + inside - 1])
