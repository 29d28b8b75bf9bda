"""Fit many sweeps at once: plain arrays in, plain arrays out.

Each sweep is started from the best nodes of a grid (`start`), each start is brought to its end
(`engine`), and the lowest cost is kept.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve import engine, health
from ivkit.curve.diode import PARAMETERS, SingleDiode
from ivkit.curve.engine import Array, Problem
from ivkit.curve.start import starts
from ivkit.errors import SweepError
from ivkit.shown import Shown

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.readings.sweep import Sweep

UNITS = dict(zip(PARAMETERS, ("A", "A", "ohm", "ohm", "V"), strict=True))
#: Key points by their name in tables.
KEY_POINTS = {
    "isc_A": "i_sc",
    "voc_V": "v_oc",
    "vmp_V": "v_mp",
    "imp_A": "i_mp",
    "pmp_W": "p_mp",
    "fill_factor": "fill_factor",
}
FEWEST_POINTS = 5

_ELEMENTS = 8192  # readings worked on at once: the engine's arrays then fit a core's cache
_PATIENT = 400  # steps that a sweep gets at most
_QUICK = 12  # steps after which what has not converged is collected, to be done together


@dataclass(frozen=True)
class Fits(Shown):
    """Fits of B sweeps.

    Attributes
    ----------
    photocurrent, saturation_current : ndarray, shape (B,), A
    resistance_series, resistance_shunt : ndarray, shape (B,), ohm
        The shunt is infinite where the fit found none.
    nNsVth : ndarray, shape (B,), V
    rmse : ndarray, shape (B,), A
        Root mean square of measured minus modelled current, all points alike.
    cost : ndarray, shape (B,)
        What was minimised: the sum of squared residuals in units of their standard deviation,
        or in A2 where no noise was stated.
    points : ndarray of int, shape (B,)
        Readings used.
    converged : ndarray of bool, shape (B,)
    flag_bits : ndarray of int, shape (B,)
        Bit k set: ``ivkit.curve.health.FLAGS[k]`` applies.

    A sweep that cannot be fitted has NaN parameters and a flag that says why.
    """

    photocurrent: Array
    saturation_current: Array
    resistance_series: Array
    resistance_shunt: Array
    nNsVth: Array
    rmse: Array
    cost: Array
    points: NDArray[np.int64]
    converged: NDArray[np.bool_]
    flag_bits: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.rmse)

    @property
    def model(self) -> SingleDiode:
        """The curves, with parameters of shape (B,)."""
        return SingleDiode(*(getattr(self, name) for name in PARAMETERS))

    @property
    def flags(self) -> list[tuple[str, ...]]:
        """The flags of each sweep by name."""
        return [health.names(bits) for bits in self.flag_bits]

    def to_frame(self) -> "DataFrame":
        """Return one row a sweep: parameters, key points, rmse, points, flags."""
        from pandas import DataFrame

        points = self.model.key_points()
        told = {f"{name}_{unit}": getattr(self, name) for name, unit in UNITS.items()}
        told |= {key: getattr(points, name) for key, name in KEY_POINTS.items()}
        told |= {"rmse_A": self.rmse, "points": self.points, "converged": self.converged}
        return DataFrame(told | {"flags": [" ".join(names) for names in self.flags]})


def fit_many(
    voltage: ArrayLike,
    current: ArrayLike,
    noise_voltage: ArrayLike | None = None,
    noise_current: ArrayLike | None = None,
) -> Fits:
    """Fit B sweeps of up to N readings each.

    Parameters
    ----------
    voltage, current : array_like, shape (B, N)
        V and A, current positive when the panel delivers; in any order. NaN in either pads
        sweeps of unequal length.
    noise_voltage, noise_current : array_like, optional
        Standard uncertainty of each reading, V and A; anything that broadcasts to (B, N).
        Without a noise of the current every current counts alike.

    Raises
    ------
    SweepError
        Arrays that do not fit together, or a negative noise.

    Examples
    --------
    >>> panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    >>> v = np.linspace(0.0, 21.5, 30)
    >>> fits = fit_many([v], [panel.current(v)])
    >>> print(fits.resistance_series.round(6), fits.nNsVth.round(6))
    [1.2] [1.0175]
    """
    v, i = np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    if v.ndim != 2 or v.shape != i.shape:
        raise SweepError(
            f"voltage has shape {v.shape} and current {i.shape}",
            remedy="give both as (sweeps, readings), padded with NaN",
        )
    sigma_v = _noise(noise_voltage, v.shape, "voltage")
    sigma_i = _noise(noise_current, v.shape, "current")
    good = np.isfinite(v) & np.isfinite(i)
    if not np.all(good):
        # Readings to the front, so that short sweeps make narrow batches.
        order = np.argsort(~good, axis=1, kind="stable")
        v, i, good = (np.take_along_axis(x, order, axis=1) for x in (v, i, good))
        sigma_v, sigma_i = (
            x if x is None else np.take_along_axis(x, order, axis=1) for x in (sigma_v, sigma_i)
        )
    points = good.sum(axis=1)
    readings = _Readings(v, i, sigma_v, sigma_i, points)
    out = _empty(points)
    out["flag_bits"][points < FEWEST_POINTS] = health.bit("too_few_points")
    enough = np.argsort(points, kind="stable")
    enough = enough[points[enough] >= FEWEST_POINTS]
    late = [_fit_batch(readings, rows, _QUICK, out) for rows in _batches(enough, points)]
    for rows in _batches(np.concatenate([*late, np.array([], dtype=int)]), points):
        _fit_batch(readings, rows, _PATIENT, out)
    return Fits(points=points, **out)


@dataclass(frozen=True)
class _Readings:
    """Readings of all sweeps, shape (B, N), the used ones first in each row."""

    v: Array
    i: Array
    sigma_v: Array | None
    sigma_i: Array | None
    points: NDArray[np.int64]

    def problem(self, rows: NDArray[np.int64]) -> Problem:
        """Return the scaled problem of some sweeps."""
        n = self.points[rows].max()
        parts = (self.v, self.i, self.sigma_v, self.sigma_i)
        columns = (None if x is None else x[rows, :n].T for x in parts)
        return scaled_problem(*columns, np.arange(n)[:, None] < self.points[rows])


def scaled_problem(
    v: Array, i: Array, u_v: Array | None, u_i: Array | None, used: NDArray[np.bool_]
) -> Problem:
    """Return readings (V, A) and their noise as the engine takes them; all broadcast to (N, B)."""

    def cut(values: Array) -> Array:
        return np.ascontiguousarray(np.where(used, values, 0.0))

    v, i = cut(v), cut(i)
    scale_v, scale_i = (np.maximum(np.abs(x).max(axis=0), 1e-300) for x in (v, i))
    v, i = v / scale_v, i / scale_i
    noise, ratio = np.ones_like(v), None
    if u_i is not None:
        noise = np.maximum(cut(u_i) / scale_i, engine.LEAST_NOISE)
    if u_v is not None and np.any(u_v > 0):
        if u_i is None:
            raise SweepError(
                "a noise of the voltage is stated and none of the current",
                remedy="state both, or neither",
            )
        ratio = cut(u_v) / scale_v / noise
    return Problem(v, i, np.where(used, 1.0 / noise, 0.0), ratio, scale_v, scale_i)


def one_problem(sweep: "Sweep") -> Problem:
    """Return one sweep as the engine takes it, B = 1."""
    noise = (None if sweep.noise_current is None else sweep.noise_voltage, sweep.noise_current)
    parts = (sweep.voltage, sweep.current, *noise)
    columns = (None if x is None else x[:, None] for x in parts)
    return scaled_problem(*columns, np.ones((len(sweep), 1), dtype=bool))


def _noise(value: ArrayLike | None, shape: tuple[int, ...], name: str) -> Array | None:
    """Return a stated noise broadcast to ``shape``, or None."""
    if value is None:
        return None
    array = np.asarray(value, dtype=float)
    if not np.all(array >= 0):
        raise SweepError(f"noise of the {name} is {np.min(array):g}, expected 0 or more")
    try:
        return np.broadcast_to(array, shape)
    except ValueError:
        raise SweepError(f"noise of the {name} has shape {array.shape}, readings {shape}") from None


def _batches(rows: NDArray[np.int64], points: NDArray[np.int64]) -> Iterator[NDArray[np.int64]]:
    """Yield ``rows`` in pieces whose readings fit a core's cache."""
    start = 0
    while start < len(rows):
        width = max(_ELEMENTS // int(points[rows[start]]), 32)
        yield rows[start : start + width]
        start += width


def _empty(points: NDArray[np.int64]) -> dict[str, Any]:
    """Return the arrays of `Fits` as they stand before any fit."""
    b = len(points)
    out: dict[str, Any] = {name: np.full(b, np.nan) for name in (*PARAMETERS, "rmse", "cost")}
    return out | {"converged": np.zeros(b, dtype=bool), "flag_bits": np.zeros(b, dtype=np.int64)}


def _fit_batch(
    readings: _Readings, rows: NDArray[np.int64], steps: int, out: dict[str, Any]
) -> NDArray[np.int64]:
    """Fit some sweeps into ``out``; return those that want more than ``steps`` steps."""
    problem = readings.problem(rows)
    hopeless = health.before(problem)
    out["flag_bits"][rows] = hopeless
    if np.any(hopeless):
        rows = rows[hopeless == 0]
        if not rows.size:
            return rows
        problem = readings.problem(rows)
    theta, _, converged, late = best_of_starts(problem, steps)
    if steps < _PATIENT:
        done = ~late
        if not np.all(done):
            problem, theta, converged = problem.take(done), theta[:, done], converged[done]
    else:
        done = np.ones(len(rows), dtype=bool)
    if np.any(done):
        _record(problem, theta, converged, rows[done], out, readings.sigma_i is not None)
    return rows[~done]


def best_of_starts(
    problem: Problem, steps: int, **how: Any
) -> tuple[Array, Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the best parameters (5, B), cost, convergence, and which sweeps want longer."""
    trials = [engine.minimise(problem, one, iterations=steps, **how) for one in starts(problem)]
    theta, cost, converged = trials[0]
    late = ~converged
    for other, other_cost, other_converged in trials[1:]:
        late = late | ~other_converged
        better = other_cost < cost
        theta = np.where(better, other, theta)
        cost = np.where(better, other_cost, cost)
        converged = np.where(better, other_converged, converged)
    return theta, cost, converged, late


def _record(
    problem: Problem,
    theta: Array,
    converged: NDArray[np.bool_],
    rows: NDArray[np.int64],
    out: dict[str, Any],
    stated: bool,
) -> None:
    """Write the fits at ``theta`` into ``out``, in V, A and ohm."""
    normal = engine.evaluate(problem, theta)
    bits = health.after(problem, theta, normal, converged, stated)
    il, i0, rs, g, a = problem.unscaled(theta)
    with np.errstate(divide="ignore"):
        values = (il, i0, rs, 1.0 / g, a)
    used = problem.weight > 0
    residual = np.where(used, normal.current - problem.i, 0.0)
    # A curve without a junction has no five parameters to give.
    told = (bits & health.bit("straight_line")) == 0
    for name, value in zip(PARAMETERS, values, strict=True):
        out[name][rows] = np.where(told, value, np.nan)
    rmse = np.sqrt((residual**2).sum(axis=0) / used.sum(axis=0)) * problem.scale_i
    out["rmse"][rows] = rmse
    out["cost"][rows] = normal.cost * (1.0 if stated else problem.scale_i**2)
    out["converged"][rows] = converged
    out["flag_bits"][rows] |= bits
