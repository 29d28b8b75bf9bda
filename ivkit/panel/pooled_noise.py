"""The noise of sweeps that nobody stated, from the residuals of all of them.

Noise of the voltage shows where a curve is steep, noise of the current everywhere. One sweep has
too few readings to tell the two apart; several of one bench do not. Both are found by maximum
likelihood from residuals around each sweep's own curve, each over what its fit left of it (one
minus its leverage).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ivkit.curve.diode import local
from ivkit.curve.fit import Fit, fit_readings

_ROUNDS = 3
_LEAST = 1e-6  # of the largest current or voltage: no noise is less


def with_pooled_noise(fits: Sequence[Fit]) -> list[Fit]:
    """Return fits with a common noise of voltage and current where none of them states one.

    As they are where one states its noise, or where it cannot be told.
    """
    if any(one.sweep.noise_current is not None for one in fits):
        return list(fits)
    found = list(fits)
    for _ in range(_ROUNDS):
        sigma_v, sigma_i = _noise(found)
        if not sigma_i > 0:
            return list(fits)
        again = []
        for one in fits:
            v, i = (np.full(len(one.sweep), sigma) for sigma in (sigma_v, sigma_i))
            again.append(fit_readings(replace(one.sweep, noise_voltage=v, noise_current=i)))
        if any(one.model is None for one in again):
            return list(fits)
        found = again
    return found


def _noise(fits: Sequence[Fit]) -> tuple[float, float]:
    """Return the standard uncertainty of a voltage (V) and of a current (A)."""
    from scipy.optimize import minimize

    squares, slopes = [], []
    for one in fits:
        p, v = one.model.raw, one.sweep.voltage
        at = local(v, one.sweep.current - one.residuals, *p)
        sigma_i = one.noise_current if one.noise_current is not None else np.full(len(v), one.rmse)
        sigma_v = 0.0 if one.noise_voltage is None else one.noise_voltage
        weight = 1.0 / np.sqrt(sigma_i**2 + (at.slope * sigma_v) ** 2)
        rows = at.di[:, [True, True, p[2] > 0, p[3] > 0, True]] * weight[:, None]
        size = np.linalg.norm(rows, axis=0)
        basis = np.linalg.qr(rows / np.where(size > 0, size, 1.0))[0]
        left = 1.0 - np.sum(basis**2, axis=1)
        kept = left > 0.1
        squares.append(one.residuals[kept] ** 2 / left[kept])
        slopes.append(at.slope[kept])
    square, slope = np.concatenate(squares), np.concatenate(slopes)
    top_v, top_i = (
        max(np.max(np.abs(getattr(one.sweep, n))) for one in fits) for n in ("voltage", "current")
    )
    if not np.all(np.isfinite(square)) or not np.any(square > 0):
        return 0.0, 0.0
    start = np.log([1e-3 * top_v, np.sqrt(np.median(square)) + _LEAST * top_i])

    def unlikely(x: np.ndarray) -> float:
        variance = np.exp(2 * x[1]) + (slope * np.exp(x[0])) ** 2
        return float(np.sum(np.log(variance) + square / variance))

    bounds = [(np.log(_LEAST * top), np.log(top)) for top in (top_v, top_i)]
    best = minimize(unlikely, start, method="Nelder-Mead", bounds=bounds)
    return tuple(float(x) for x in np.exp(best.x))
