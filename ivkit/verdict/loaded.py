"""The mean power of a panel on one resistor, over one condition or several, with derivatives.

A resistor R in series with the panel's own Rs makes a short-circuited panel of series resistance
Rs + R. So the current into R and how it moves with R and with the five parameters are those of
the single-diode equation at V = 0, and are exact.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.diode import SingleDiode, local, solve_current, solve_max_power
from ivkit.curve.many import PARAMETERS
from ivkit.errors import RangeError, SweepError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LoadedPanel:
    """A panel at K conditions, each with the share of the time that it lasts.

    Attributes
    ----------
    models : tuple of SingleDiode. One curve a condition, scalar parameters.
    shares : shape (K,). Sum 1.
    """

    models: tuple[SingleDiode, ...]
    shares: Array

    @classmethod
    def of(cls, models: Sequence[SingleDiode], weights: Sequence[float] | None) -> "LoadedPanel":
        """Check the curves and their weights, and bring the weights to a sum of 1.

        Raises RangeError: weights that are negative, not finite, all zero, or not one a curve;
        SweepError: no curve, one that could not be fitted, or one that delivers no power.
        """
        if not models:
            raise SweepError("no curve to load", remedy="give at least one sweep")
        w = np.ones(len(models)) if weights is None else np.asarray(weights, dtype=float)
        if w.shape != (len(models),):
            what = f"{w.size} weights for {len(models)} conditions"
            raise RangeError(what, remedy="give one for each")
        if not np.all(np.isfinite(w)) or w.min() < 0 or w.sum() <= 0:
            what = f"weights {', '.join(f'{x:g}' for x in w)}"
            raise RangeError(what, remedy="give numbers of 0 or more, such as hours, not all zero")
        for place, model in enumerate(models, 1):
            power = np.asarray(model.key_points().p_mp)
            if power.ndim:
                raise SweepError(f"curve {place} holds {power.size} curves", remedy="give one")
            if not power > 0:
                what = f"curve {place} delivers no power"
                raise SweepError(what, remedy="check the light and the polarity")
        return cls(tuple(models), w / w.sum())

    @cached_property
    def raw(self) -> tuple[Array, ...]:
        """IL, I0, Rs, 1/Rsh and a, each of shape (K, 1)."""
        rows = [[float(x) for x in model.raw] for model in self.models]
        return tuple(np.array(column)[:, None] for column in zip(*rows, strict=True))

    @cached_property
    def top(self) -> tuple[Array, Array]:
        """Voltage (V) and current (A) of maximum power of each condition, shape (K,)."""
        v, i = solve_max_power(*self.raw)
        return np.atleast_2d(v)[:, 0], np.atleast_2d(i)[:, 0]

    @property
    def best_resistances(self) -> Array:
        """Vmp / Imp of each condition, ohm, shape (K,)."""
        return self.top[0] / self.top[1]

    @property
    def max_powers(self) -> Array:
        """Maximum power of each condition, W, shape (K,)."""
        return self.top[0] * self.top[1]

    @property
    def max_power(self) -> float:
        """Mean maximum power, W: what a load that follows every condition would get."""
        return float(self.shares @ self.max_powers)

    def powers(self, resistance: ArrayLike) -> Array:
        """Return the power in W on ``resistance`` (ohm, shape (C,)) as shape (K, C)."""
        il, i0, rs, g, a = self.raw
        r = np.atleast_1d(np.asarray(resistance, dtype=float))
        return np.atleast_2d(solve_current(0.0, il, i0, rs + r, g, a)) ** 2 * r

    def power(self, resistance: ArrayLike) -> Array:
        """Return the mean power in W on ``resistance`` (ohm, shape (C,)) as shape (C,)."""
        return self.shares @ self.powers(resistance)

    def loss(self, resistance: ArrayLike) -> Array:
        """Return the lost part of `max_power`, 0 to 1, shape (C,)."""
        return np.maximum(0.0, 1.0 - self.power(resistance) / self.max_power)

    def _at(self, resistance: float) -> "_Slopes":
        """Return how power and its slope in R move with R and the parameters, at one R."""
        il, i0, rs, g, a = self.raw
        i = solve_current(0.0, il, i0, rs + resistance, g, a)
        at = local(0.0, i, il, i0, rs + resistance, g, a)
        i, s, di, ds = i[:, 0], at.slope[:, 0], at.di[:, 0], at.dslope[:, 0]
        # P = I^2 R and dI/dR = s I, so dP/dR = I^2 (1 + 2 R s). Rs and R move I and s alike.
        lean = 1.0 + 2.0 * resistance * s
        bend = 2.0 * (i * lean)[:, None] * di + 2.0 * resistance * (i**2)[:, None] * ds
        return _Slopes(
            by_r=float(self.shares @ (i**2 * lean)),
            by_r2=float(self.shares @ (bend[:, 2] + 2.0 * i**2 * s)),
            by_p=self.shares[:, None] * 2.0 * resistance * i[:, None] * di,
            by_r_p=self.shares[:, None] * bend,
        )

    def best_resistance(self) -> float:
        """Return the resistance of greatest mean power, ohm.

        The mean of several curves may have more than one maximum, so the best of a fine grid
        between the single best loads is refined to where the slope vanishes.
        """
        each = self.best_resistances[self.shares > 0]
        low, high = each.min(), each.max()
        if high / low < 1.0 + 1e-9:
            return float(low)
        from scipy.optimize import brentq

        grid = np.geomspace(low, high, 401)
        k = int(np.argmax(self.power(grid)))
        left, right = grid[max(k - 1, 0)], grid[min(k + 1, 400)]
        if self._at(left).by_r <= 0 or self._at(right).by_r >= 0:
            return float(grid[k])
        return float(brentq(lambda r: self._at(r).by_r, left, right, xtol=1e-12, rtol=1e-14))

    def bend(self, resistance: float) -> float:
        """Return d2(loss)/d(ln R)2 at a resistance in ohm."""
        at = self._at(resistance)
        return -(resistance * at.by_r + resistance**2 * at.by_r2) / self.max_power

    def gradient_best(self, best: float) -> Array:
        """Return how the best resistance moves with the parameters, shape (K, 5)."""
        at = self._at(best)
        return -at.by_r_p / at.by_r2

    def gradient_power(self, resistance: float) -> Array:
        """Return how the mean power on a resistance moves with the parameters, shape (K, 5)."""
        return self._at(resistance).by_p


@dataclass(frozen=True)
class _Slopes:
    """Derivatives of the mean power by R, and by IL, I0, Rs, 1/Rsh and a of each condition."""

    by_r: float
    by_r2: float
    by_p: Array
    by_r_p: Array


def uncertain(value: float, gradient: Array, parameters: Sequence[Mapping[str, Any]] | None) -> Any:
    """Return a value as an uncertain number, correlated with the parameters it came from.

    Parameters
    ----------
    gradient : shape (K, 5). How it moves with IL, I0, Rs, 1/Rsh and a of each condition.
    parameters : sequence of K mappings of str to UFloat or None. Uncertain parameters by name; one
        that is missing or None does not move. Without ``parameters`` the value comes back as a
        plain float.
    """
    if parameters is None:
        return float(value)
    total: Any = float(value)
    for row, known in zip(gradient, parameters, strict=True):
        for slope, name in zip(row, PARAMETERS, strict=True):
            p = known.get(name)
            if p is None:
                continue
            if name == "resistance_shunt":
                p = 1.0 / p
            total = total + float(slope) * (p - p.nominal_value)
    return total
