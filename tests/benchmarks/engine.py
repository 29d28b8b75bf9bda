"""The fit engine and the forward equation against SciPy and pvlib on the same data."""

import resource
import subprocess
import sys
import warnings

import mpmath as mp
import numpy as np
from pvlib.pvsystem import i_from_v
from scipy.optimize import least_squares

import ivkit
from ivkit.curve import engine
from ivkit.curve.diode import solve_current
from tests import exact
from tests.benchmarks.row import Row, seconds
from tests.published import CELL, readings

RESAMPLED = 100_000
THROUGH_SCIPY = 200


def rows() -> list[Row]:
    """Return the rows of this file."""
    return [*_refits(), *_forward()]


def _refits() -> list[Row]:
    voltage, _ = readings(CELL)
    found = ivkit.fit(ivkit.read_sweep(CELL))
    il, i0, rs, g, a = found.model.raw
    start = np.array([il, np.log(i0), rs, 1 / g, a])
    model = found.model.current(voltage)
    noise = found.rmse * np.random.default_rng(0).standard_normal((RESAMPLED, len(voltage)))

    def one(k: int) -> None:
        noisy = model + noise[k]

        def residual(x):
            return i_from_v(voltage, x[0], np.exp(x[1]), x[2], x[3], x[4]) - noisy

        least_squares(residual, start, method="lm")

    each = seconds(lambda: [one(k) for k in range(THROUGH_SCIPY)]) / THROUGH_SCIPY
    ours = seconds(lambda: _refit_all(voltage, model, noise, found.model.raw)) / RESAMPLED
    trials, memory = _million()
    return [
        Row(
            "warm refit of 10^5 resampled sweeps, one core",
            "scipy least_squares(lm) + pvlib i_from_v",
            f"{each / ours:.0f} x",
            "> 400 x",
            each / ours >= 400,
        ),
        Row(
            "10^6 trials of characterize, both cores",
            "the same through scipy on one core",
            f"{each / trials:.0f} x",
            "> 500 x",
            each / trials >= 500,
        ),
        Row("  its memory", "-", f"{memory:.0f} MB", "< 1000 MB", memory < 1000),
    ]


def _refit_all(voltage, model, noise, raw) -> None:
    """Refit all sweeps from the same start, a few hundred at a time."""
    width = 512
    scale_v, scale_i = np.max(np.abs(voltage)), np.max(np.abs(model))
    il, i0, rs, g, a = raw
    ohm = scale_v / scale_i
    theta = engine.pack(il / scale_i, i0 / scale_i, rs / ohm, g * ohm, a / scale_v)
    for first in range(0, len(noise), width):
        drawn = np.ascontiguousarray((model + noise[first : first + width]).T) / scale_i
        b = drawn.shape[1]
        problem = engine.Problem(
            np.repeat(voltage[:, None] / scale_v, b, axis=1),
            drawn,
            np.ones_like(drawn),
            None,
            np.full(b, scale_v),
            np.full(b, scale_i),
        )
        engine.minimise(
            problem,
            np.repeat(theta[:, None], b, axis=1),
            damping=0.0,
            tolerance=1e-8,
            near=np.repeat(model[:, None] / scale_i, b, axis=1),
        )


def _million() -> tuple[float, float]:
    """Return seconds a trial and the peak memory in MB of a process that draws a million."""
    code = (
        "import time, ivkit\n"
        "from ivkit.curve.montecarlo import run_trials\n"
        f"fit = ivkit.fit(ivkit.read_sweep({str(CELL)!r}))\n"
        "start = time.perf_counter()\n"
        "run_trials(fit, 1_000_000, workers=2)\n"
        "print(time.perf_counter() - start)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1000
    return float(done.stdout) / 1e6, memory


def random_parameters(count: int, seed: int) -> np.ndarray:
    """Return IL, I0, Rs, 1/Rsh, a and Voc of random panels, shape (6, count).

    1 to 72 cells, 2 mA to 10 A, n 0.95 to 2.2, Rs 1e-4 to 0.1 and Rsh 5 to 3000 times Voc / Isc.
    """
    rng = np.random.default_rng(seed)

    def spread(low, high):
        return np.exp(rng.uniform(np.log(low), np.log(high), count))

    cells = rng.integers(1, 73, count)
    i_sc, a = spread(2e-3, 10.0), rng.uniform(0.95, 2.2, count) * cells * 0.025693
    v_oc = rng.uniform(0.5, 0.7, count) * cells
    rs, rsh = spread(1e-4, 0.1) * v_oc / i_sc, spread(5.0, 3000.0) * v_oc / i_sc
    il = i_sc * (1 + rs / rsh)
    return np.array([il, (il - v_oc / rsh) / np.expm1(v_oc / a), rs, 1 / rsh, a, v_oc])


def _forward() -> list[Row]:
    n = 1_000_000
    il, i0, rs, g, a, v_oc = random_parameters(n, 1)
    voltage = np.random.default_rng(2).uniform(-0.2, 1.1, n) * v_oc
    ours = seconds(lambda: solve_current(voltage, il, i0, rs, g, a))
    out = []
    for method in ("lambertw", "newton"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = seconds(lambda m=method: i_from_v(voltage, il, i0, rs, 1 / g, a, method=m), 1)
        out.append(
            Row(
                "forward equation, 10^6 points",
                f"pvlib {method}",
                f"{theirs / ours:.1f} x",
                "> 1 x",
                theirs > ours,
            )
        )
    worst = 0.0
    # Every 40th panel with an exponent that overflows in the textbook form.
    for k in range(0, n, n // 2000):
        few = a[k] / 40 if k % 40 == 0 else a[k]
        p = (il[k], i0[k], rs[k], g[k], few)
        truth = exact.current(voltage[k], *p)
        error = abs(mp.mpf(float(solve_current(voltage[k], *p))) - truth)
        worst = max(worst, float(error / max(il[k], abs(truth))))
    out.append(
        Row(
            "  its worst error, share of Isc",
            "mpmath, 50 digits",
            f"{worst:.1e}",
            "< 1e-12",
            worst < 1e-12,
        )
    )
    return out
