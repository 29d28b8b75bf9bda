"""From the noise and the effects of a sweep to correlated results and their budget.

Every result of a fit moves with every reading by a known amount. So each result is written as its
estimate plus a sum over one variable a reading (its noise) and one variable an effect; the
`uncertainties` package carries the sum through whatever is calculated next, correlations and all,
and ``error_components`` is the budget. Law of propagation: JCGM 100:2008 (GUM), 5.1 and 5.2.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.special import stdtrit
from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

from ivkit.curve.diode import (
    SingleDiode,
    local,
    solve_current,
    solve_max_power,
    solve_voltage,
)
from ivkit.curve.engine import LEAST_NOISE, Array
from ivkit.curve.health import bit
from ivkit.curve.many import PARAMETERS, Fits
from ivkit.readings.sweep import Effect, Sweep

NOISE = "noise"


class Sources:
    """The variables behind the readings of one sweep.

    ``noise_voltage`` and ``noise_current``, shape (N,), are the standard uncertainty of each
    reading, V and A; None for none. A noise of the current that is NaN is one that cannot be told:
    every result then has a NaN uncertainty. ``shared`` are variables of effects by name, for sweeps
    that were taken with one front end: the same divider shifts them all.
    """

    def __init__(
        self,
        sweep: Sweep,
        noise_voltage: Array | None,
        noise_current: Array | None,
        shared: Mapping[str, UFloat] | None = None,
    ) -> None:
        self.effects: tuple[Effect, ...] = sweep.effects
        known = dict(shared or {})
        self.variables = {e.name: known.get(e.name, ufloat(0.0, 1.0, e.name)) for e in self.effects}
        self._v = _variables(noise_voltage)
        unknown = noise_current is not None and not np.all(np.isfinite(noise_current))
        self._i = [] if unknown else _variables(noise_current)
        self._unknown = ufloat(0.0, np.nan, NOISE) if unknown else None

    def quantity(self, value: float, by_voltage: Array, by_current: Array) -> UFloat:
        """Return the estimate ``value`` as an uncertain number.

        It moves with each voltage by ``by_voltage`` (per V) and with each current by ``by_current``
        (per A), shape (N,).
        """
        # The sum in the package's own expanded form: a term at a time it takes a hundred times
        # as long, and a fit has a thousand terms.
        terms: dict[UFloat, float] = {}
        for gradient, variables in ((by_voltage, self._v), (by_current, self._i)):
            for g, (u, variable) in zip(gradient, variables, strict=bool(variables)):
                if u > 0:
                    terms[variable] = float(g * u)
        for effect in self.effects:
            shift = float(by_voltage @ effect.dv + by_current @ effect.di)
            variable = self.variables[effect.name]
            terms[variable] = terms.get(variable, 0.0) + shift
        if self._unknown is not None:
            terms[self._unknown] = 1.0
        return AffineScalarFunc(float(value), LinearCombination(terms))


def _variables(noise: Array | None) -> list[tuple[float, UFloat]]:
    """Return the noise of each reading and its variable, of standard deviation 1."""
    return [] if noise is None else [(float(u), ufloat(0.0, 1.0, NOISE)) for u in noise]


def noise_as_taken(
    fits: Fits, which: Any, v: Array, i: Array, u_v: Array | None, u_i: Array | None
) -> tuple[Array | None, Array, Array, Array]:
    """Return the noise of V and I that some fits took, the weights and the degrees of freedom.

    Noise is as stated, enlarged where the readings scatter more, or found from the residuals (NaN
    where there are too few). All are of shape (B, N), V, A and 1/A, 0 where ``v`` is NaN; the last
    is (B,).
    """
    used = np.isfinite(v)
    v, i = np.where(used, v, 0.0), np.where(used, i, 0.0)
    model = SingleDiode(*(getattr(fits, name)[which, None] for name in PARAMETERS))
    n = used.sum(axis=1)
    freedom = n - (5 - (model.raw[2] == 0) - (model.raw[3] == 0))[:, 0]
    left = np.where(freedom > 0, freedom, np.nan)
    if u_i is None:
        weights = np.where(used, 1.0, 0.0)
        return None, (fits.rmse[which] * np.sqrt(n / left))[:, None] * weights, weights, freedom
    floor = LEAST_NOISE * np.max(np.abs(i), axis=1, keepdims=True)
    steep = 0.0 if u_v is None else model.slope(v) * u_v
    weights = np.where(used, 1.0 / np.hypot(np.maximum(u_i, floor), steep), 0.0)
    large = fits.flag_bits[which] & bit("noise_larger_than_stated") > 0
    enlarge = np.where(large, np.sqrt(fits.cost[which] / left), 1.0)[:, None]
    return None if u_v is None else u_v * enlarge, u_i * enlarge, weights, freedom


def parameter_gradients(
    voltage: Array, weights: Array, il: Any, i0: Any, rs: Any, g: Any, a: Any
) -> tuple[Array, Array]:
    """Return how IL, I0, Rs, 1/Rsh and a move with each voltage and each current, (..., 5, N).

    ``voltage`` (V, any finite number where padded) and ``weights`` (one over the effective standard
    deviation of each current, 1/A; 0 where padded) are of shape (..., N), the fits of shape (...).
    Rs = 0 and 1/Rsh = 0 count as bounds that hold: they do not move.
    """
    p = [np.asarray(x, dtype=float)[..., None] for x in (il, i0, rs, g, a)]
    _, i0, rs, g, a = p
    at = local(voltage, solve_current(voltage, *p), *p)
    used = weights > 0
    # I0 and a move together; log I at a voltage near open circuit and log a hardly do.
    lever = np.max(np.abs(np.where(used, voltage, 0.0)), axis=-1, keepdims=True) / a
    columns = at.di.copy()
    columns[..., 4] = a * at.di[..., 4] + lever * i0 * at.di[..., 1]
    columns[..., 1] *= i0
    columns[..., 2] *= rs > 0
    columns[..., 3] *= g > 0
    weighted = np.where(used[..., None], columns * weights[..., None], 0.0)
    size = np.linalg.norm(weighted, axis=-2, keepdims=True)
    size[size == 0] = 1.0
    inverse = np.linalg.pinv(weighted / size, rcond=1e-13) / np.swapaxes(size, -1, -2)
    moves = inverse * weights[..., None, :]
    moves[..., 1, :] = i0 * (moves[..., 1, :] + lever * moves[..., 4, :])
    moves[..., 4, :] *= a
    return np.where(used[..., None, :], -moves * at.slope[..., None, :], 0.0), moves


def key_point_gradients(il: Any, i0: Any, rs: Any, g: Any, a: Any) -> dict[str, Array]:
    """Return how Isc, Voc, Vmp and Imp move with IL, I0, Rs, 1/Rsh and a, each (..., 5)."""
    p = (il, i0, rs, g, a)
    short = local(0.0, solve_current(0.0, *p), *p)
    opened = local(solve_voltage(0.0, *p), 0.0, *p)
    v_mp, i_mp = (x[..., None] for x in solve_max_power(*p))
    top = local(v_mp[..., 0], i_mp[..., 0], *p)
    slope, curvature, steep = (x[..., None] for x in (top.slope, top.curvature, opened.slope))
    with np.errstate(divide="ignore", invalid="ignore"):
        # At the top I + V dI/dV = 0; what a parameter adds to it, the voltage has to take away.
        by_v = -(top.di + v_mp * top.dslope) / (2.0 * slope + v_mp * curvature)
        by_oc = -opened.di / steep
    return {"i_sc": short.di, "v_oc": by_oc, "v_mp": by_v, "i_mp": top.di + slope * by_v}


def budget(quantity: UFloat) -> dict[str, float]:
    """Return the fraction of each effect, and of noise, in the variance, largest first.

    >>> ratio, zero = ufloat(0, 1, "divider ratio"), ufloat(0, 1, "zero offset")
    >>> {name: round(part, 3) for name, part in budget(5 + 2 * ratio - zero).items()}
    {'divider ratio': 0.8, 'zero offset': 0.2}
    """
    variances: dict[str, float] = {}
    for variable, u in quantity.error_components().items():
        name = variable.tag or NOISE
        variances[name] = variances.get(name, 0.0) + u * u
    total = sum(variances.values())
    ordered = sorted(variances.items(), key=lambda item: -item[1])
    return {name: variance / total for name, variance in ordered if variance > 0 < total}


def coverage_factor(freedom: float) -> float:
    """Return the half width of the 95 % interval in standard uncertainties (GUM G.3).

    ``freedom`` is that of the noise; infinity where the noise was stated.

    >>> round(coverage_factor(float("inf")), 3), round(coverage_factor(19), 3)
    (1.96, 2.093)
    """
    return float(stdtrit(freedom if np.isfinite(freedom) else 1e12, 0.975))
