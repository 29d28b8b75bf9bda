"""What a sweep leaves when it is undone in many ways: quick costs, and which ways are worth a fit.

A cost that only has to be told from others need not be brought to its last digit: a few steps from
the usual starts. And before any way is fitted, its first-order gain says whether it can matter:
the residuals of the plain curve are laid along what the way would move, with everything taken out
that the five parameters can take up themselves (the score test: Rao, Proc. Camb. Phil. Soc. 44
(1948) 50).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.diode import SingleDiode, local
from ivkit.curve.engine import Array
from ivkit.curve.many import best_of_starts, scaled_problem
from ivkit.curve.misfit_ways import Way
from ivkit.readings.sweep import Sweep

FEWEST = 6  # readings that a curve is held against
_STEPS = 18
_NEARLY = 1e-3  # of the cost
_AT_ONCE = 8192  # readings


def least_costs(v: Array, i: Array, u_v: Array, u_i: Array) -> tuple[Array, Array]:
    """Return the cost of each sweep's best curve, shape (B,), and the curves, shape (5, B).

    ``v`` and ``i``, shape (B, N), are in V and A, NaN for readings left out; ``u_v`` and ``u_i``,
    shape (N,), are their noise.
    """
    cost, curves = np.full(len(v), np.inf), np.full((5, len(v)), np.nan)
    width = max(_AT_ONCE // v.shape[1], 1)
    for start in range(0, len(v), width):
        some = slice(start, start + width)
        cost[some], curves[:, some] = _costs(v[some], i[some], u_v, u_i)
    return cost, curves


def _costs(v: Array, i: Array, u_v: Array, u_i: Array) -> tuple[Array, Array]:
    used = np.isfinite(v) & np.isfinite(i)
    problem = scaled_problem(v.T, i.T, u_v[:, None], u_i[:, None], used.T)
    theta, best, _, _ = best_of_starts(problem, _STEPS, tolerance=_NEARLY)
    curves = np.stack(problem.unscaled(theta))
    told = (used.sum(axis=1) >= FEWEST) & np.isfinite(best)
    return np.where(told, best, np.inf), curves


def curve_of(parameters: Array) -> SingleDiode:
    """Return IL, I0, Rs, 1/Rsh and a, shape (5,), as a curve."""
    il, i0, rs, g, a = (float(x) for x in parameters)
    return SingleDiode(il, i0, rs, 1.0 / g if g > 0 else np.inf, a)


class Residuals:
    """The residuals of a sweep about its best curve, and what a way to undo a fault would gain.

    ``u_v`` and ``u_i``, shape (N,), are the noise of voltage and current, V and A.
    """

    def __init__(self, sweep: Sweep, curve: SingleDiode, u_v: Array, u_i: Array) -> None:
        v, i = sweep.voltage, sweep.current
        at = local(v, curve.current(v), *curve.raw)
        self.sweep = sweep
        self.slope = at.slope
        self.sigma = np.hypot(u_i, at.slope * u_v)
        self.residual = (i - curve.current(v)) / self.sigma
        jacobian = at.di / self.sigma[:, None]
        size = np.linalg.norm(jacobian, axis=0)
        free = (size > 0) & np.isfinite(size)
        free &= np.array([True, True, curve.raw[2] > 0, curve.raw[3] > 0, True])
        self.taken_up, _ = np.linalg.qr(jacobian[:, free] / size[free])
        self.left = self.residual - self.taken_up @ (self.taken_up.T @ self.residual)

    @property
    def studentised(self) -> Array:
        """Residuals over their own standard deviation, shape (N,), in units of the noise."""
        leverage = np.sum(self.taken_up**2, axis=1)
        return self.residual / np.sqrt(np.maximum(1 - leverage, 1e-3))

    def gains(self, ways: Sequence[Way]) -> Array:
        """Return by how much each way would lower the cost, to first order, shape (len(ways),)."""
        out = np.empty(len(ways))
        moving, moves = [], []
        for k, way in enumerate(ways):
            v, i = way.undo(way.shares[len(way.shares) // 2])
            lost = np.flatnonzero(~np.isfinite(v))
            if lost.size:
                out[k] = self._without(lost)
            else:
                moving.append(k)
                moves.append(i - self.sweep.current - self.slope * (v - self.sweep.voltage))
        if moving:
            d = np.array(moves) / self.sigma
            d -= (d @ self.taken_up) @ self.taken_up.T
            square = np.sum(d**2, axis=1)
            out[moving] = (d @ self.left) ** 2 / np.maximum(square, 1e-300)
        return out

    def _without(self, lost: NDArray[np.int64]) -> float:
        """Return the decrease of the cost without these readings."""
        q = self.taken_up[lost]
        rest = np.eye(lost.size) * (1 + 1e-6) - q @ q.T
        return float(self.left[lost] @ np.linalg.solve(rest, self.left[lost]))
