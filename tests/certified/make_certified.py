"""Make the certified set: ten sweeps with their optima to 12 digits, by mpmath alone.

    python -m tests.certified.make_certified

In the manner of NIST's Statistical Reference Datasets for nonlinear regression. Nothing of ivkit
is used: SciPy with pvlib's forward equation finds where the optimum is, from the truth and from
twenty starts around it; mpmath then takes Gauss-Newton steps at 40 digits on the residual written
out in full, until the cost stands in 15 digits. A parameter that SciPy leaves on a bound is held
there. Two sweeps are the published ones; the others are drawn with the seed below.
"""

import json
import warnings
from pathlib import Path

import mpmath as mp
import numpy as np
from pvlib.pvsystem import i_from_v
from scipy.optimize import least_squares

from tests.published import CELL, MODULE, readings

HERE = Path(__file__).parent
mp.mp.dps = 40

# name: IL, I0, Rs, Rsh, a, readings, noise of V and of I as a share of Voc and Isc, seed
DRAWN = {
    "module in the sun": (0.62, 3.7e-10, 1.2, 900.0, 1.0175, 30, 0.0005, 0.0005, 1),
    "noise on the current alone": (5.2, 3.2e-10, 0.30, 250.0, 0.98, 40, 0.0, 0.002, 2),
    "indoors, hardly a junction": (1.2e-3, 2e-9, 1.5, 8000.0, 0.40, 25, 0.002, 0.005, 3),
    "high series resistance": (1.0, 1e-8, 4.0, 200.0, 1.0, 30, 0.001, 0.001, 4),
    "leaky shunt": (0.1, 1e-9, 0.5, 60.0, 0.5, 20, 0.001, 0.001, 5),
    "six readings": (0.62, 3.7e-10, 1.2, 900.0, 1.0175, 6, 0.0005, 0.0005, 6),
    "no series resistance to see": (0.02, 1e-8, 0.02, 2e3, 0.25, 30, 0.003, 0.003, 9),
    "hardly any noise": (8.0, 5e-10, 0.2, 300.0, 1.9, 50, 1e-7, 1e-7, 8),
}


def draw(il, i0, rs, rsh, a, n, share_v, share_i, seed):
    """Return readings as a bench would round them, and their noise."""
    rng = np.random.default_rng(seed)
    v_oc = a * np.log(il / i0)
    volts = np.sort(v_oc * (1 - np.geomspace(0.002, 1.0, n)) ** 1.0)
    amperes = i_from_v(volts, il, i0, rs, rsh, a)
    u_v, u_i = share_v * v_oc, share_i * il
    volts = volts + u_v * rng.standard_normal(n)
    amperes = amperes + u_i * rng.standard_normal(n)
    # Ten digits, so that the file holds exactly what was fitted.
    return [float(f"{x:.10g}") for x in volts], [float(f"{x:.10g}") for x in amperes], u_v, u_i


def rough(v, i, u_v, u_i, near):
    """Return IL, log I0, Rs, 1/Rsh, log a of least cost as SciPy finds it."""
    v, i = np.array(v), np.array(i)

    def residual(x):
        il, i0, rs, g, a = x[0], np.exp(x[1]), x[2], max(x[3], 1e-12), np.exp(x[4])
        model = i_from_v(v, il, i0, rs, 1 / g, a)
        g_d = i0 / a * np.exp((v + model * rs) / a) + g
        slope = -g_d / (1 + rs * g_d)
        return (model - i) / np.sqrt(u_i**2 + (slope * u_v) ** 2)

    il, i0, rs, rsh, a = near
    true = np.array([il, np.log(i0), rs, 1 / rsh, np.log(a)])
    low = [-np.inf, -np.inf, 0.0, 0.0, -np.inf]
    rng = np.random.default_rng(0)
    best = None
    for n in range(21):
        x = true.copy()
        if n:
            x[4] += 0.15 * rng.standard_normal()
            # Keep Voc where it is.
            x[1] = np.log(il) - np.log(il / i0) * a / np.exp(x[4])
            x[2:4] *= np.exp(rng.standard_normal(2))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                found = least_squares(
                    residual,
                    x,
                    bounds=(low, np.inf),
                    x_scale="jac",
                    xtol=1e-14,
                    ftol=1e-14,
                    gtol=1e-14,
                    max_nfev=500,
                )
            except ValueError:
                continue
        if best is None or found.cost < best.cost:
            best = found
    return best.x


def exact_residuals(v, i, u_v, u_i, x):
    """Return the residuals of IL, log I0, Rs, 1/Rsh, log a as mpmath numbers."""
    il, log_i0, rs, g, log_a = x
    i0, a = mp.e**log_i0, mp.e**log_a
    out = []
    for volts, amperes in zip(v, i, strict=True):
        current = mp.mpf(amperes)
        for _ in range(200):
            e = i0 * mp.e ** ((volts + current * rs) / a)
            g_d = e / a + g
            step = (il + i0 - e - (volts + current * rs) * g - current) / (1 + rs * g_d)
            current += step
            if abs(step) < mp.mpf(10) ** -38 * (abs(current) + 1):
                break
        else:
            raise RuntimeError("the equation was not solved")
        e = i0 * mp.e ** ((volts + current * rs) / a)
        slope = -(e / a + g) / (1 + rs * (e / a + g))
        out.append((current - amperes) / mp.sqrt(u_i**2 + (slope * u_v) ** 2))
    return out


def certify(v, i, u_v, u_i, start):
    """Return cost and parameters at the optimum, and which parameters are on a bound."""
    v, i = [mp.mpf(x) for x in v], [mp.mpf(x) for x in i]
    u_v, u_i = mp.mpf(u_v), mp.mpf(u_i)
    x = [mp.mpf(float(s)) for s in start]
    scale = max(abs(q) for q in i) / max(abs(q) for q in v)
    held = []
    for k, small in ((2, mp.mpf("1e-6") / scale), (3, mp.mpf("1e-6") * scale)):
        if x[k] < small:
            x[k], held = mp.mpf(0), [*held, k]
    free = [k for k in range(5) if k not in held]
    last = None
    for _ in range(200):
        r = exact_residuals(v, i, u_v, u_i, x)
        cost = sum(q * q for q in r)
        if last is not None and abs(cost - last) < mp.mpf(10) ** -22 * cost:
            break
        last = cost
        columns = []
        for k in free:
            h = mp.mpf(10) ** -18 * (abs(x[k]) + mp.mpf(10) ** -6)
            up, down = list(x), list(x)
            up[k] += h
            down[k] -= h
            a, b = exact_residuals(v, i, u_v, u_i, up), exact_residuals(v, i, u_v, u_i, down)
            columns.append([(p - q) / (2 * h) for p, q in zip(a, b, strict=True)])
        normal = mp.matrix(len(free), len(free))
        rhs = mp.matrix(len(free), 1)
        for m, one in enumerate(columns):
            rhs[m] = -sum(p * q for p, q in zip(one, r, strict=True))
            for n, other in enumerate(columns):
                normal[m, n] = sum(p * q for p, q in zip(one, other, strict=True))
        step = mp.lu_solve(normal, rhs)
        for m, k in enumerate(free):
            x[k] += step[m]
    else:
        raise RuntimeError("not certified")
    return cost, x, held


def main() -> None:
    """Write the certified set."""
    sets = {}
    for name, path, near in (
        ("published cell", CELL, (0.76, 3e-7, 0.036, 53.0, 0.039)),
        ("published module", MODULE, (1.03, 2.6e-6, 1.2, 820.0, 1.3)),
    ):
        v, i = (list(map(float, x)) for x in readings(path))
        sets[name] = (v, i, 0.0, 1.0, near)
    for name, (*near, n, share_v, share_i, seed) in DRAWN.items():
        sets[name] = (*draw(*near, n, share_v, share_i, seed), tuple(near))
    out = {}
    for name, (v, i, u_v, u_i, near) in sets.items():
        cost, x, held = certify(v, i, u_v, u_i, rough(v, i, u_v, u_i, near))
        out[name] = {
            "voltage_V": v,
            "current_A": i,
            # The published sweeps state no noise: all currents count alike, the cost is in A2.
            "u_voltage_V": None if u_i == 1.0 else u_v,
            "u_current_A": None if u_i == 1.0 else u_i,
            "cost": mp.nstr(cost, 15),
            "held_at_zero": [("Rs", "1/Rsh")[k - 2] for k in held],
            "photocurrent_A": mp.nstr(x[0], 12),
            "saturation_current_A": mp.nstr(mp.e ** x[1], 12),
            "resistance_series_ohm": mp.nstr(x[2], 12),
            "conductance_shunt_S": mp.nstr(x[3], 12),
            "nNsVth_V": mp.nstr(mp.e ** x[4], 12),
        }
        print(name, out[name]["cost"], held)
    (HERE / "optima.json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
