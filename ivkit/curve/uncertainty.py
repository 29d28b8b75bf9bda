"""From the noise and the effects of a sweep to correlated results and their budget.

Every result of a fit moves with every reading by a known amount. So each result is written as its
estimate plus a sum over one variable a reading (its noise) and one variable an effect; the
`uncertainties` package carries the sum through whatever is calculated next, correlations and all,
and ``error_components`` is the budget. Law of propagation: JCGM 100:2008 (GUM), 5.1 and 5.2.
"""

from collections.abc import Mapping

import numpy as np
from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

from ivkit.curve.diode import local, solve_current, solve_max_power, solve_voltage
from ivkit.curve.engine import Array
from ivkit.readings.sweep import Effect, Sweep

NOISE = "noise"


class Sources:
    """The variables behind the readings of one sweep.

    Parameters
    ----------
    sweep : Sweep
    noise_voltage, noise_current : ndarray, shape (N,), or None
        Standard uncertainty of each reading, V and A; None for none. A noise of the current that
        is NaN is one that cannot be told: every result then has a NaN uncertainty.
    shared : mapping, optional
        Variables of effects by name, for sweeps that were taken with one front end: the same
        divider shifts them all.
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
        """Return ``value`` as an uncertain number.

        Parameters
        ----------
        value : float
            The estimate, in any unit.
        by_voltage, by_current : ndarray, shape (N,)
            How it moves with each voltage (per V) and each current (per A).
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


def parameter_gradients(
    voltage: Array, weights: Array, il: float, i0: float, rs: float, g: float, a: float
) -> tuple[Array, Array]:
    """Return how IL, I0, Rs, 1/Rsh and a move with each voltage and each current.

    Parameters
    ----------
    voltage : ndarray, shape (N,), V
    weights : ndarray, shape (N,)
        One over the effective standard deviation of each current, 1/A.
    il, i0, rs, g, a : float
        The fit. Rs = 0 and g = 0 count as bounds that hold: they do not move.

    Returns
    -------
    by_voltage, by_current : ndarray, shape (5, N)
    """
    at = local(voltage, solve_current(voltage, il, i0, rs, g, a), il, i0, rs, g, a)
    # I0 and a move together; log I at a voltage near open circuit and log a hardly do.
    lever = np.max(np.abs(voltage)) / a
    columns = at.di.copy()
    columns[:, 4] = a * at.di[:, 4] + lever * i0 * at.di[:, 1]
    columns[:, 1] = i0 * at.di[:, 1]
    free = np.array([True, True, rs > 0, g > 0, True])
    weighted = columns[:, free] * weights[:, None]
    size = np.linalg.norm(weighted, axis=0)
    size[size == 0] = 1.0
    inverse = np.linalg.pinv(weighted / size, rcond=1e-13) / size[:, None]
    moves = np.zeros((5, len(voltage)))
    moves[free] = inverse * weights
    moves[1] = i0 * (moves[1] + lever * moves[4])
    moves[4] = a * moves[4]
    return -moves * at.slope, moves


def key_point_gradients(il: float, i0: float, rs: float, g: float, a: float) -> dict[str, Array]:
    """Return how Isc, Voc, Vmp and Imp move with IL, I0, Rs, 1/Rsh and a; each of shape (5,)."""
    p = (il, i0, rs, g, a)
    short = local(0.0, solve_current(0.0, *p), *p)
    v_oc = solve_voltage(0.0, *p)
    opened = local(v_oc, 0.0, *p)
    v_mp, i_mp = solve_max_power(*p)
    top = local(v_mp, i_mp, *p)
    # At the top I + V dI/dV = 0; what a parameter adds to it, the voltage has to take away.
    by_v = 2.0 * top.slope + v_mp * top.curvature
    v_moves = -(top.di + v_mp * top.dslope) / by_v
    return {
        "i_sc": short.di,
        "v_oc": -opened.di / opened.slope,
        "v_mp": v_moves,
        "i_mp": top.di + top.slope * v_moves,
    }


def budget(quantity: UFloat) -> dict[str, float]:
    """Return the share of each effect, and of noise, in the variance, largest first.

    >>> ratio, zero = ufloat(0, 1, "divider ratio"), ufloat(0, 1, "zero offset")
    >>> {name: round(share, 3) for name, share in budget(5 + 2 * ratio - zero).items()}
    {'divider ratio': 0.8, 'zero offset': 0.2}
    """
    variances: dict[str, float] = {}
    for variable, u in quantity.error_components().items():
        name = variable.tag or NOISE
        variances[name] = variances.get(name, 0.0) + u * u
    total = sum(variances.values())
    if not total > 0:
        return {}
    shares = {name: variance / total for name, variance in variances.items() if variance > 0}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def coverage_factor(freedom: float) -> float:
    """Return the half width of the 95 % interval in standard uncertainties (GUM G.3).

    ``freedom`` is the degrees of freedom of the noise; infinity where the noise was stated.

    >>> round(coverage_factor(float("inf")), 3), round(coverage_factor(19), 3)
    (1.96, 2.093)
    """
    from scipy.special import stdtrit

    return float(stdtrit(freedom if np.isfinite(freedom) else 1e12, 0.975))
