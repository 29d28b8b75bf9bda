"""How a fit went, as plain flags: a name, a sentence, and what to do.

A batch keeps its flags as one integer a sweep; bit k stands for the k-th entry of `FLAGS`.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri

from ivkit.curve.diode import solve_current, solve_max_power, solve_voltage
from ivkit.curve.engine import LOG_A, LOW, RS, Array, G, Normal, Problem, unpack

#: name: (what it means, what to do about it)
FLAGS: dict[str, tuple[str, str]] = {
    "too_few_points": (
        "five parameters need more readings than this",
        "take at least eight loads, spread from near short circuit to near open circuit",
    ),
    "no_light": (
        "the panel delivers no power at any reading",
        "check the light, the wiring and the sign of the current",
    ),
    "straight_line": (
        "the readings lie on a straight line, as a resistor's do: no junction can be seen",
        "take readings on both sides of the knee",
    ),
    "not_converged": (
        "the search for the best fit did not come to an end",
        "look at the residuals for a reading that does not belong",
    ),
    "knee_too_sharp": (
        "the knee is sharper than any junction makes it",
        "look for a stray reading near open circuit, or a bypass diode",
    ),
    "series_resistance_at_zero": (
        "the best fit has no series resistance",
        "take more readings between the knee and open circuit",
    ),
    "shunt_at_infinity": (
        "the best fit has no shunt path",
        "take more readings between short circuit and the knee",
    ),
    "series_resistance_unresolved": (
        "the readings do not resolve the series resistance",
        "measure in stronger light, and take more readings between the knee and open circuit",
    ),
    "shunt_unresolved": (
        "the readings do not resolve the shunt resistance",
        "take more readings between short circuit and the knee",
    ),
    "short_circuit_not_reached": (
        "no reading is near short circuit, so Isc and what rests on it cannot be told",
        "add a smaller load, or short the panel through the ammeter",
    ),
    "knee_not_reached": (
        "the readings do not lie on both sides of maximum power",
        "add loads on the missing side of the knee",
    ),
    "open_circuit_not_reached": (
        "no reading is near open circuit, so Voc and what rests on it cannot be told",
        "add a larger load, or read the voltage with no load",
    ),
    "residuals_not_random": (
        "the residuals run in waves: the single-diode curve does not describe these readings",
        "look for light that drifted, a stuck channel, shading, or a wrong row",
    ),
    "noise_larger_than_stated": (
        "the readings scatter more than the stated noise; uncertainties are enlarged to match",
        "check the stated noise, and whether the light was steady",
    ),
}
NAMES = tuple(FLAGS)

#: Beyond these shares of Voc and Isc an end of the curve counts as not reached.
_NEAR_SHORT, _NEAR_OPEN = 0.35, 0.35


def bit(name: str) -> int:
    """Return the integer with only the bit of flag ``name`` set."""
    return 1 << NAMES.index(name)


def names(bits: int) -> tuple[str, ...]:
    """Return the names of the flags that are set in ``bits``.

    >>> names(bit("no_light") | bit("too_few_points"))
    ('too_few_points', 'no_light')
    """
    return tuple(name for k, name in enumerate(NAMES) if int(bits) >> k & 1)


def before(problem: Problem) -> NDArray[np.int64]:
    """Return the flags, shape (B,), that say no five parameters can be had from these readings.

    A straight line is one that five parameters do not describe better than two, by the ratio of
    variances at which a plain F-test would reject it in a case in a thousand.
    """
    used = problem.weight > 0
    n = used.sum(axis=0)
    v, i = np.where(used, problem.v, 0.0), np.where(used, problem.i, 0.0)
    bits = np.zeros(v.shape[1], dtype=np.int64)
    power = v * i
    bits[power.max(axis=0) <= 1e-9] |= bit("no_light")
    mean_v, mean_i = v.sum(axis=0) / n, i.sum(axis=0) / n
    dv, di = np.where(used, v - mean_v, 0.0), np.where(used, i - mean_i, 0.0)
    vv, vi, ii = (dv * dv).sum(axis=0), (dv * di).sum(axis=0), (di * di).sum(axis=0)
    # What is left across the line in whichever direction is steeper: both may be noisy.
    with np.errstate(all="ignore"):
        left = np.minimum(ii - vi**2 / vv, vv - vi**2 / ii)
    left = np.where(np.isfinite(left), left, 0.0)
    bits[left <= 1e-12 * n] |= bit("straight_line")
    return bits


def after(
    problem: Problem, theta: Array, normal: Normal, converged: NDArray[np.bool_], stated: bool
) -> NDArray[np.int64]:
    """Return the flags, shape (B,), of fits at ``theta`` with ``normal`` evaluated there."""
    used = problem.weight > 0
    n = used.sum(axis=0)
    bits = np.zeros(len(n), dtype=np.int64)

    def mark(name: str, where: NDArray[np.bool_]) -> None:
        bits[where] |= bit(name)

    mark("not_converged", ~converged)
    freedom = np.maximum(n - 5, 1)
    scatter = normal.cost / freedom
    spread = np.sqrt(np.einsum("bii->ib", covariance(normal, theta)))
    if stated:
        limit = chdtri(freedom, 0.001) / freedom
        mark("noise_larger_than_stated", (scatter > limit) & (n > 5))
        spread = spread * np.sqrt(np.where(scatter > limit, scatter, 1.0))
    else:
        spread = spread * np.sqrt(scatter)
    mark("knee_too_sharp", theta[LOG_A] <= LOW[LOG_A])
    at_zero, at_infinity = theta[RS] <= 0, theta[G] <= 0
    mark("series_resistance_at_zero", at_zero)
    mark("shunt_at_infinity", at_infinity)
    mark("series_resistance_unresolved", ~at_zero & (2 * spread[RS] > theta[RS]))
    mark("shunt_unresolved", ~at_infinity & (2 * spread[G] > theta[G]))
    mark("straight_line", 2 * spread[LOG_A] > 1.5)

    parameters = unpack(theta)
    with np.errstate(invalid="ignore"):
        i_sc, v_oc = solve_current(0.0, *parameters), solve_voltage(0.0, *parameters)
        v_mp, _ = solve_max_power(*parameters)
        v, i = problem.v, problem.i
        nearest_v, nearest_i, low_v, low_i, other_v = (
            np.where(used, x, np.inf).min(axis=0) for x in (np.abs(v), np.abs(i), v, i, -v)
        )
        mark("short_circuit_not_reached", (nearest_v > _NEAR_SHORT * v_oc) & ~(low_v < 0))
        mark("open_circuit_not_reached", (nearest_i > _NEAR_OPEN * i_sc) & ~(low_i < 0))
        mark("knee_not_reached", (low_v > v_mp) | (-other_v < v_mp))
    mark("residuals_not_random", _waves(problem, normal, used, n))
    return bits


def covariance(normal: Normal, theta: Array) -> Array:
    """Return the inverse normal matrix, shape (B, 5, 5), of the engine's parameters.

    A parameter at a bound is held there: its row and column are zero.
    """
    matrix = normal.matrix
    free = np.ones(theta.shape, dtype=bool)
    free[RS], free[G] = theta[RS] > 0, theta[G] > 0
    both = free.T[:, :, None] & free.T[:, None, :]
    matrix = np.where(both, matrix, 0.0)
    diagonal = np.einsum("bii->bi", matrix)
    scale = 1.0 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    unit = matrix * scale[:, :, None] * scale[:, None, :]
    index = np.arange(5)
    unit[:, index, index] = 1.0 + 1e-14
    inverse = np.linalg.inv(unit) * scale[:, :, None] * scale[:, None, :]
    return np.where(both, inverse, 0.0)


def _waves(
    problem: Problem, normal: Normal, used: NDArray[np.bool_], n: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Return where the signs of the residuals, in order of voltage, make too few runs.

    Wald and Wolfowitz, Ann. Math. Stat. 11 (1940) 147, at one in a thousand; ten points or more.
    """
    order = np.argsort(np.where(used, problem.v, np.inf), axis=0, kind="stable")
    positive = np.take_along_axis(normal.current - problem.i > 0, order, axis=0)
    inside = np.arange(1, len(positive))[:, None] < n
    runs = 1 + ((positive[1:] != positive[:-1]) & inside).sum(axis=0)
    up = (positive & (np.arange(len(positive))[:, None] < n)).sum(axis=0)
    down = n - up
    with np.errstate(all="ignore"):
        mean = 1 + 2 * up * down / n
        sigma = np.sqrt((mean - 1) * (mean - 2) / (n - 1))
        return (n >= 10) & (up > 0) & (down > 0) & ((runs - mean) / sigma < ndtri(0.001))
