"""The engine of the fit: damped Gauss-Newton on the exact residual, many sweeps at once.

One sweep and a million go through the same code. Inside, arrays are laid out (N, B): points
first, sweeps last, so that a parameter of shape (B,) meets its readings without copying, and each
numpy call works on a few hundred sweeps that fit the core's own cache.

The residual of a point is its current minus the current that the equation gives at its voltage,
over its effective standard deviation ``sqrt(u(I)^2 + (dI/dV)^2 u(V)^2)``, Orear (1982); the slope
moves with the parameters and is differentiated with them. Steps are those of Levenberg and
Marquardt (1963), with parameters at a bound held there while the cost pushes them out.

The parameters that the engine works in are scaled and turned so that they hinder each other
least: IL, the logarithm of the diode's current at V = 1, Rs, 1/Rsh and log a, with volts and
amperes divided by the largest of the sweep.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.diode import solve_current

Array = NDArray[np.float64]

IL, LOG_DIODE, RS, G, LOG_A = range(5)

#: Where each parameter may go. Rs and 1/Rsh end at 0. The least a is a sixtieth of the largest
#: voltage: 1.5 V a cell at n = 1, more than any cell gives; below it the curve can be so steep at
#: a stray reading that its weight vanishes, and the cost has minima that mean nothing. The others
#: only keep a sweep that holds no diode (a resistor, a dark panel) from running to infinity.
LOW = np.array([-1e3, -200.0, 0.0, 0.0, np.log(1 / 60.0)])
HIGH = np.array([1e3, 50.0, 1e3, 1e3, np.log(30.0)])

LEAST_NOISE = 1e-7  # least noise that is believed, as a share of the largest reading
_LONGEST_LOG_A = 0.5  # longest step in log a: further out the linear step means nothing
_NEAR = 0.02  # largest change of exponent for which the series below is as good as a solve
_TINY = 1e-6  # change of exponent whose square is nothing
_STUCK = 1e8  # damping at which no step, however short, lowers the cost any more
_RIGHT_ANGLE = 1e-6  # cosine between residuals and any derivative that counts as none
_TOLERANCE = 1e-12  # foreseen decrease of the cost, relative, below which a sweep is done


@dataclass(frozen=True)
class Problem:
    """Readings of B sweeps, scaled, padded to N points each.

    Attributes
    ----------
    v, i : ndarray, shape (N, B)
        Voltage and current over ``scale_v`` (V) and ``scale_i`` (A), shape (B,); 0 where padded.
    weight : ndarray, shape (N, B)
        One over the standard uncertainty of each current, scaled; 0 where padded.
    ratio : ndarray, shape (N, B), or None
        Standard uncertainty of each voltage over that of its current, scaled; None where
        voltages count as exact.
    """

    v: Array
    i: Array
    weight: Array
    ratio: Array | None
    scale_v: Array
    scale_i: Array

    def take(self, which: Any) -> "Problem":
        """Return the problem of only the sweeps ``which`` (an index into B)."""
        ratio = None if self.ratio is None else self.ratio[:, which]
        parts = (self.v[:, which], self.i[:, which], self.weight[:, which], ratio)
        return Problem(*parts, self.scale_v[which], self.scale_i[which])

    def unscaled(self, theta: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Return IL (A), I0 (A), Rs (ohm), 1/Rsh (S) and a (V) of parameters, shape (5, B)."""
        il, i0, rs, g, a = unpack(theta)
        ohm = self.scale_v / self.scale_i
        return il * self.scale_i, i0 * self.scale_i, rs * ohm, g / ohm, a * self.scale_v

    def scaled(self, il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Array:
        """Return the engine's parameters of IL (A), I0 (A), Rs (ohm), 1/Rsh (S) and a (V)."""
        ohm = self.scale_v / self.scale_i
        return pack(il / self.scale_i, i0 / self.scale_i, rs / ohm, g * ohm, a / self.scale_v)


@dataclass(frozen=True)
class Normal:
    """The cost at some parameters and what the next step needs.

    ``cost`` (B,) is the sum of squared residuals, ``matrix`` (B, 5, 5) J^T J, ``gradient`` (B, 5)
    J^T r, ``current`` (N, B) that of the model at each voltage, for the next evaluation to start
    from.
    """

    cost: Array
    matrix: Array
    gradient: Array
    current: Array


def unpack(theta: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Return IL, I0, Rs, 1/Rsh and a (scaled) from the engine's parameters, shape (5, ...)."""
    a = np.exp(theta[LOG_A])
    return theta[IL], np.exp(theta[LOG_DIODE] - 1.0 / a), theta[RS], theta[G], a


def pack(il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Array:
    """Return the engine's parameters, shape (5, ...), from scaled IL, I0, Rs, 1/Rsh and a."""
    with np.errstate(divide="ignore"):
        log_diode = np.log(i0) + 1.0 / np.asarray(a)
    theta = np.stack(np.broadcast_arrays(il, log_diode, rs, g, np.log(a))).astype(float)
    return np.clip(theta, *_shaped_bounds(theta))


def _shaped_bounds(theta: Array) -> tuple[Array, Array]:
    shape = (5,) + (1,) * (theta.ndim - 1)
    return LOW.reshape(shape), HIGH.reshape(shape)


def evaluate(problem: Problem, theta: Array, near: Array | None = None) -> Normal:
    """Return cost, normal matrix and gradient at ``theta``, shape (5, B).

    ``near`` (N, B) is a current close to the solution; where it is not close enough, or not
    given, the equation is solved afresh.
    """
    il, i0, rs, g, a = unpack(theta)
    v, weight = problem.v, problem.weight
    if near is None:
        near = solve_current(v, il, i0, rs, g, a)
    shift, per_a = theta[LOG_DIODE] - 1.0 / a, 1.0 / a
    whole, rs_per_a, none = il + i0, rs / a, 1.0 + rs * g

    def state(i: Array) -> tuple[Array, Array, Array, Array]:
        u = i * rs
        u += v
        e = u * per_a
        e += shift
        np.exp(e, out=e)
        d = e * rs_per_a
        d += none
        step = whole - e
        step -= u * g
        step -= i
        step /= d
        return u, e, d, step

    with np.errstate(over="ignore", invalid="ignore"):  # what comes of it is far, and solved
        u, e, d, step = state(near)
        t = step * rs_per_a
        largest = np.abs(t).max(axis=0)
    far = np.flatnonzero(~(largest < _NEAR))
    if far.size:
        near = near.copy()
        near[:, far] = solve_current(v[:, far], il[far], i0[far], rs[far], g[far], a[far])
        u, e, d, step = state(near)
        t = step * rs_per_a
        largest[far] = 0.0
    if np.max(largest) > _TINY:
        # After Newton's step the equation is off by -e (exp(t) - 1 - t): take that out as well.
        half = t * t * (0.5 + t * (1.0 / 6.0))
        step -= e * half / d
        t = step * rs_per_a
        half += 1.0
    else:
        half = 1.0
    i = near + step
    u += step * rs
    x = u * per_a
    t += half
    e *= t
    q = e * per_a
    slope = -g - q
    d = 1.0 - rs * slope
    slope /= d

    j = np.empty((6, *v.shape))
    residual = np.subtract(i, problem.i, out=j[5])
    if problem.ratio is not None:
        lean = slope * problem.ratio
        spread = lean * lean
        spread += 1.0
        weight = weight / np.sqrt(spread)
        # The weight moves with the slope: d(r w) = w dr - r w^3 (var_v / var_i) ds.
        pull = residual * lean * problem.ratio / spread
    k = np.divide(weight, d, out=j[IL])
    np.multiply(k, i0 - e, out=j[LOG_DIODE])
    np.multiply(slope * weight, i, out=j[RS])
    np.multiply(k, u, out=j[G])
    np.negative(j[G], out=j[G])
    lever = x - per_a
    np.multiply(k, e * lever + i0 * per_a, out=j[LOG_A])
    j[5] *= weight
    if problem.ratio is not None:
        per_d2 = pull / (d * d)
        second = q * per_a
        j[:5] *= 1.0 + per_d2 * second * rs
        per_d2 *= weight
        j[LOG_DIODE] += per_d2 * q
        j[RS] += per_d2 * second * i - weight * pull * slope * slope
        j[G] += per_d2
        j[LOG_A] -= per_d2 * q * (1.0 + lever)
    products = np.einsum("inb,jnb->bij", j, j)
    return Normal(products[:, 5, 5], products[:, :5, :5], products[:, :5, 5], i)


def minimise(
    problem: Problem,
    theta: Array,
    *,
    free: Array | None = None,
    damping: float = 1e-3,
    iterations: int = 80,
    tolerance: float = _TOLERANCE,
    near: Array | None = None,
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return parameters (5, B), cost (B,) and whether each sweep converged, from a start (5, B).

    Parameters
    ----------
    free : ndarray of bool, shape (5,) or (5, B), optional
        Parameters to move; the others are held.
    damping : float
        First damping: 0 for a start that is known to be near, 1e-3 for one that is not.
    iterations : int
        Steps at most; a sweep still going then is returned as not converged.
    tolerance : float
        Relative decrease of the cost, as the linear model foresees it, at which to stop.
    near : ndarray, shape (N, B), optional
        Currents of the model at the start, where they are known already.
    """
    total = theta.shape[1]
    result, cost = theta.copy(), np.full(total, np.nan)
    converged = np.zeros(total, dtype=bool)
    may_move = np.ones((5, total), dtype=bool)
    if free is not None:
        may_move &= free if free.ndim == 2 else free[:, None]
    index = np.arange(total)  # where the sweeps still in work belong in the result
    theta = theta.copy()
    lam = np.full(total, damping)
    floor = 1e-27 * (problem.weight**2).sum(axis=0)
    normal = evaluate(problem, theta, near)
    for _ in range(iterations):
        step, foreseen, angle = _step(normal, theta, lam, may_move)
        # A strongly damped step foresees little wherever it stands: it proves nothing.
        arrived = (foreseen <= tolerance * normal.cost + floor) & (lam < 0.1)
        stuck = lam > _STUCK
        done = arrived | stuck
        trial = np.clip(theta + step, LOW[:, None], HIGH[:, None])
        if np.any(done):
            # The last step is too small to be worth an evaluation, and free to take.
            out = index[done]
            result[:, out] = np.where(arrived, trial, theta)[:, done]
            cost[out] = normal.cost[done]
            converged[out] |= (arrived | (angle < _RIGHT_ANGLE))[done]
            stay = ~done
            if not np.any(stay):
                return result, cost, converged
            if stay.sum() < 0.8 * stay.size:
                index, theta, trial, lam = index[stay], theta[:, stay], trial[:, stay], lam[stay]
                may_move, floor = may_move[:, stay], floor[stay]
                problem, normal = problem.take(stay), _take(normal, stay)
        fresh = evaluate(problem, trial, normal.current)
        better = fresh.cost <= normal.cost
        if np.all(better):
            theta, normal = trial, fresh
        else:
            theta = np.where(better, trial, theta)
            normal = Normal(
                np.where(better, fresh.cost, normal.cost),
                np.where(better[:, None, None], fresh.matrix, normal.matrix),
                np.where(better[:, None], fresh.gradient, normal.gradient),
                np.where(better, fresh.current, normal.current),
            )
        lam = np.where(better, lam * 0.1, np.clip(lam * 8.0, 1e-4, 10 * _STUCK))
        lam[lam < 1e-9] = 0.0
    result[:, index], cost[index] = theta, normal.cost
    return result, cost, converged


def _take(normal: Normal, which: NDArray[np.bool_]) -> Normal:
    return Normal(
        normal.cost[which],
        normal.matrix[which],
        normal.gradient[which],
        np.ascontiguousarray(normal.current[:, which]),
    )


def _step(
    normal: Normal, theta: Array, lam: Array, may_move: NDArray[np.bool_]
) -> tuple[Array, Array, Array]:
    """Return the damped step (5, B), the decrease of the cost that it foresees (B,), and the
    largest cosine between the residuals and the derivative by a free parameter (B,).
    """
    gradient = normal.gradient
    move = may_move & ~((theta <= LOW[:, None]) & (gradient.T > 0))
    move &= ~((theta >= HIGH[:, None]) & (gradient.T < 0))
    # Scaled to a unit diagonal, or the solve loses what the parameters' sizes differ by. A
    # parameter without influence gets a scale of 0 and stays where it is.
    diagonal = np.einsum("bii->bi", normal.matrix)
    with np.errstate(divide="ignore", over="ignore"):
        scale = np.where(diagonal > 1e-290, 1.0 / np.sqrt(diagonal), 0.0)
    unit = normal.matrix * (scale[:, :, None] * scale[:, None, :])
    rhs = gradient * scale
    if not np.all(move):
        unit *= move.T[:, :, None] & move.T[:, None, :]
        rhs = np.where(move.T, rhs, 0.0)
    np.einsum("bii->bi", unit)[...] = 1.0 + 1e-15 + lam[:, None]
    try:
        solved = np.linalg.solve(unit, rhs[..., None])[..., 0]
    except np.linalg.LinAlgError:
        solved = np.linalg.solve(unit + 1e-10 * np.eye(5), rhs[..., None])[..., 0]
    solved = np.where(np.isfinite(solved), solved, 0.0)
    step = -(solved * scale).T
    long = np.abs(step[LOG_A]) > _LONGEST_LOG_A
    if np.any(long):
        factor = np.where(long, _LONGEST_LOG_A / np.maximum(np.abs(step[LOG_A]), 1e-9), 1.0)
        step, solved = step * factor, solved * factor[:, None]
    foreseen = np.abs(np.einsum("bi,bi->b", solved, rhs))
    cosine = np.abs(rhs).max(axis=1) / np.sqrt(np.maximum(normal.cost, 1e-300))
    return step, foreseen, cosine
