"""Where to start a fit, from the readings alone.

For a given ``a`` and Rs the single-diode equation, with the measured current in its exponent, is
linear in IL, I0 and 1/Rsh. So a grid over the two, free of any scale, with a small linear solve
at each node shows where the good fits lie; the engine goes on from the best few of them.

The linear residual is the exact one times 1 + Rs g (g: conductance of the junction), which would
weigh the steep end of the sweep far too high; each node's residuals are divided by it, with the
slope of the best node without series resistance standing for the sweep's own.
"""

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.engine import Array, Problem, pack

#: Largest voltage over a, from a sweep that stops well below open circuit to a fine junction.
REACH = np.geomspace(4.0, 45.0, 10)
#: Rs over largest voltage / largest current.
SERIES = np.array([0.0, 0.01, 0.04, 0.1, 0.25])
#: One start is taken from each of these ranges of Rs: a sweep can have one minimum at Rs = 0 and
#: another inside, and noise decides which is the lower.
GROUPS = ((0.0, 0.0), (0.01, 1.0))


def starts(problem: Problem) -> NDArray[np.float64]:
    """Return the best start of each of `GROUPS`, shape (len(GROUPS), 5, B)."""
    v, i = problem.v, problem.i
    weight = problem.weight**2
    nodes = len(REACH)
    flat = np.zeros_like(v)
    cost, linear = _solve_nodes(v, i, weight, 0.0, flat)
    best = np.argmin(cost, axis=0)
    sweep = np.arange(v.shape[1])
    a = 1.0 / REACH[best]
    _, c, g = linear[:, best, sweep]
    slope = -(c / a * np.exp((v - 1.0) / a) + g)
    if problem.ratio is not None:
        weight = weight / (1.0 + (slope * problem.ratio) ** 2)
    parts = [_solve_nodes(v, i, weight, rs, slope) for rs in SERIES]
    cost = np.concatenate([part[0] for part in parts])  # (nodes * len(SERIES), B)
    linear = np.concatenate([part[1] for part in parts], axis=1)
    which_a, rs_of = np.tile(np.arange(nodes), len(SERIES)), np.repeat(SERIES, nodes)
    out = []
    for low, high in GROUPS:
        inside = (rs_of >= low) & (rs_of <= high)
        best = np.argmin(np.where(inside[:, None], cost, np.inf), axis=0)
        a, rs = 1.0 / REACH[which_a[best]], rs_of[best]
        il, c, g = linear[:, best, sweep]
        # c is the diode's current at u = 1; the engine's parameters hold it as it is.
        i0 = np.maximum(c, 1e-12) * np.exp(-1.0 / a)
        out.append(pack(il - i0, i0, rs, g, a))
    return np.stack(out)


def _solve_nodes(v: Array, i: Array, weight: Array, rs: float, slope: Array) -> tuple[Array, Array]:
    """Return cost (nodes, B) and IL + I0, diode current at u = 1, 1/Rsh (3, nodes, B)."""
    u = v + rs * i
    w = weight * (1.0 + rs * np.maximum(slope, -0.95 / max(rs, 1e-9))) ** 2
    wu, wi = w * u, w * i
    s_11, s_1u, s_uu = w.sum(axis=0), wu.sum(axis=0), np.einsum("nb,nb->b", wu, u)
    t_1, t_u = wi.sum(axis=0), np.einsum("nb,nb->b", wi, u)
    total = np.einsum("nb,nb->b", wi, i)
    n, b = len(REACH), v.shape[1]
    s = np.empty((4, n, b))
    for k, reach in enumerate(REACH):
        e = np.exp(np.minimum((u - 1.0) * reach, 50.0))
        s[0, k] = np.einsum("nb,nb->b", w, e)
        s[1, k] = np.einsum("nb,nb->b", wu, e)
        s[2, k] = np.einsum("nb,nb->b", wi, e)
        e *= e
        s[3, k] = np.einsum("nb,nb->b", w, e)
    s_1e, s_ue, t_e, s_ee = s
    # Take the constant out of everything, then solve for the diode and the shunt.
    with np.errstate(all="ignore"):
        ee, uu, ue = s_ee - s_1e**2 / s_11, s_uu - s_1u**2 / s_11, s_ue - s_1e * s_1u / s_11
        te, tu = t_e - s_1e * t_1 / s_11, t_u - s_1u * t_1 / s_11
        determinant = ee * uu - ue * ue
        c = -(te * uu - tu * ue) / determinant
        g = -(tu * ee - te * ue) / determinant
        no_shunt = ~(g > 0) | ~np.isfinite(determinant)
        c = np.where(no_shunt, -te / ee, c)
        g = np.where(no_shunt, 0.0, g)
        no_diode = ~(c > 0)
        g = np.where(no_diode, np.maximum(-tu / uu, 0.0), g)
        c = np.where(no_diode, 0.0, c)
        il = (t_1 + c * s_1e + g * s_1u) / s_11
        cost = total - t_1**2 / s_11 + c * te + g * tu
        # A start without a diode is kept as a last resort only.
        cost = np.where(np.isfinite(cost), np.where(no_diode, total + cost, cost), 1e300)
    return cost, np.nan_to_num(np.stack([il, c, g]))
