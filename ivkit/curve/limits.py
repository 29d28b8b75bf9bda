"""What a sweep says of a parameter that it does not resolve: a limit, not a number.

The cost is followed while the parameter is held away from the best fit and all others are fitted
again (its profile). Where it has risen by the square of the one-sided 95 % factor, the readings
rule out what lies beyond. Profile likelihood: Venzon and Moolgavkar (1988).
"""

import numpy as np
from scipy.special import stdtrit

from ivkit.curve import engine
from ivkit.curve.engine import RS, Array, G, Problem

_STEPS = 8
_WIDEST = 1e3  # times the scale of the sweep: beyond it there is no limit to tell


def upper_limit(
    problem: Problem, theta: Array, which: int, freedom: float, variance: float
) -> float:
    """Return the value of a parameter above which the readings rule it out, at 95 %.

    Parameters
    ----------
    problem, theta : Problem and ndarray, shape (5, 1)
        One sweep, B = 1, and its best fit.
    which : int
        `engine.RS` or `engine.G`; in the engine's units, as the limit; infinity for none.
    freedom : float
        Degrees of freedom of the noise; infinite where it was stated.
    variance : float
        Cost of one standard deviation: 1 where the noise was stated, else the variance of the
        residuals.
    """
    best = float(engine.evaluate(problem, theta).cost[0])
    factor = stdtrit(min(freedom, 1e12), 0.95)
    allowed = best + factor**2 * variance
    found = float(theta[which, 0])
    low = max(found, 1e-6)
    ladder = low * np.geomspace(1.0, _WIDEST / low, _STEPS)
    for _ in range(3):
        cost = _profile(problem, theta, which, ladder)
        beyond = np.flatnonzero(cost > allowed)
        if not beyond.size:
            return np.inf
        first = int(beyond[0])
        if first == 0:
            return float(ladder[0])
        ladder = np.geomspace(ladder[first - 1], ladder[first], _STEPS)
    return float(ladder[_STEPS // 2])


def _profile(problem: Problem, theta: Array, which: int, ladder: Array) -> Array:
    """Return the least cost with the parameter held at each rung, shape (len(ladder),)."""
    free = np.ones(5, dtype=bool)
    free[which] = False
    costs = np.empty(len(ladder))
    held = theta.copy()
    for k, value in enumerate(ladder):
        # Each rung starts from the one below: far out the others have moved with it.
        held[which] = value
        held, cost, _ = engine.minimise(problem, held, free=free, iterations=200)
        costs[k] = cost[0]
    return np.where(np.isfinite(costs), costs, np.inf)


def resistance_limits(
    problem: Problem, theta: Array, freedom: float, variance: float, series: bool, shunt: bool
) -> dict[str, float]:
    """Return the largest Rs and the least Rsh that the readings allow at 95 %, in ohm.

    Of those asked for; infinity for Rs, 0 for Rsh where the readings say nothing.
    """
    ohm = float(problem.scale_v[0] / problem.scale_i[0])
    out = {}
    if series:
        out["resistance_series"] = ohm * upper_limit(problem, theta, RS, freedom, variance)
    if shunt:
        most = upper_limit(problem, theta, G, freedom, variance)
        out["resistance_shunt"] = 0.0 if np.isinf(most) else ohm / most
    return out
