"""Whether a cold fit finds the lowest cost that thirty starts of SciPy find, and how fast.

5,000 random sweeps; SciPy starts from the truth and from 29 points drawn around it and far from
it, with the engine's own bounds, on the same residual written out plainly. That takes SciPy some
hours of one core, so the default run takes a part of the sweeps: ``--all`` takes them all.
"""

import sys

import numpy as np
from scipy.optimize import least_squares

from ivkit.curve.diode import local, solve_current
from ivkit.curve.engine import HIGH, LOW
from ivkit.curve.many import fit_many
from tests.benchmarks.engine import random_parameters
from tests.benchmarks.row import Row, seconds

SWEEPS, PART, STARTS = 5000, 60, 30


def rows(part: int = PART) -> list[Row]:
    """Return the rows of this file; ``part`` sweeps are checked against SciPy."""
    v, i, u_v, u_i, truth = sweeps(SWEEPS, 11)
    took = seconds(lambda: fit_many(v, i, u_v, u_i), 2)
    cost = fit_many(v, i, u_v, u_i).cost
    chosen = np.random.default_rng(0).choice(SWEEPS, part, replace=False)
    above = np.array([_above(k, v, i, u_v, u_i, truth, cost[k]) for k in chosen])
    off, far = int((above > 1e-6).sum()), int((above > 1e-3).sum())
    return [
        Row(
            "cold fits, 12 to 60 readings, one core",
            "-",
            f"{SWEEPS / took:.0f} a second",
            "> 5000",
            SWEEPS / took >= 5000,
        ),
        Row(
            f"  of {part} checked, above the lowest known cost by more than 1e-6",
            f"scipy, {STARTS} starts, truth included",
            str(off),
            "at most 1 in 5000",
            off <= max(1, part // 5000),
        ),
        Row("  above it by more than 1e-3", "the same", str(far), "0", far == 0),
        Row(
            "  of these, below what scipy found by more than 1e-6",
            "the same",
            str(int((above < -1e-6).sum())),
            "-",
            True,
        ),
    ]


def sweeps(count: int, seed: int):
    """Return voltage, current (count, 60), their noise (count, 1) and the truth (5, count)."""
    il, i0, rs, g, a, v_oc = random_parameters(count, seed)
    rng = np.random.default_rng(seed + 1)
    i_sc = il / (1 + rs * g)
    v, i = np.full((count, 60), np.nan), np.full((count, 60), np.nan)
    noise = np.exp(rng.uniform(np.log(5e-4), np.log(1e-2), count))
    for k in range(count):
        n = rng.integers(12, 61)
        if rng.random() < 0.5:
            volts = np.linspace(0.0, v_oc[k], n)
            amperes = solve_current(volts, il[k], i0[k], rs[k], g[k], a[k])
        else:
            load = np.geomspace(0.05, 20.0, n) * v_oc[k] / i_sc[k]
            amperes = solve_current(0.0, il[k], i0[k], rs[k] + load, g[k], a[k])
            volts = amperes * load
        v[k, :n] = volts + noise[k] * v_oc[k] * rng.standard_normal(n)
        i[k, :n] = amperes + noise[k] * i_sc[k] * rng.standard_normal(n)
    return v, i, (noise * v_oc)[:, None], (noise * i_sc)[:, None], np.array([il, i0, rs, g, a])


def _above(k, v, i, u_v, u_i, truth, ours) -> float:
    """Return by how much our cost is above the lowest that SciPy finds, as a share."""
    used = np.isfinite(v[k])
    volts, amperes = v[k, used], i[k, used]
    scale_v, scale_i = np.max(np.abs(volts)), np.max(np.abs(amperes))
    volts, amperes = volts / scale_v, amperes / scale_i
    s_v, s_i = float(u_v[k, 0]) / scale_v, float(u_i[k, 0]) / scale_i

    def residual(x):
        a = np.exp(x[4])
        p = (x[0], np.exp(x[1] - 1 / a), x[2], x[3], a)
        model = solve_current(volts, *p)
        slope = local(volts, model, *p).slope
        return (model - amperes) / np.sqrt(s_i**2 + (slope * s_v) ** 2)

    il, i0, rs, g, a = truth[:, k]
    ohm, a = scale_v / scale_i, a / scale_v
    true = np.array([il / scale_i, np.log(i0 / scale_i) + 1 / a, rs / ohm, g * ohm, np.log(a)])
    rng = np.random.default_rng(k)
    best = np.inf
    for n in range(STARTS):
        x = true.copy()
        if n:
            width = 1.0 if n % 2 else 0.3
            x = x + width * rng.standard_normal(5) * np.array([0.1, 1.0, 0.0, 0.0, 0.4])
            x[2:4] = np.abs(x[2:4]) * np.exp(width * 2 * rng.standard_normal(2))
        x = np.clip(x, LOW + 1e-9, HIGH - 1e-9)
        try:
            found = least_squares(
                residual,
                x,
                bounds=(LOW, HIGH),
                x_scale="jac",
                xtol=1e-12,
                ftol=1e-12,
                gtol=1e-12,
                max_nfev=200,
            )
        except ValueError:
            continue
        best = min(best, 2 * found.cost)
    return ours / best - 1


if __name__ == "__main__":
    for row in rows(SWEEPS if "--all" in sys.argv else PART):
        print(*row, sep=" | ")
