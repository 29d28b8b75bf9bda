"""What several sweeps of one panel should be: parameters, residuals and their derivatives.

The vector of parameters is: photocurrent, saturation current (as a logarithm at a voltage of the
sweeps), Rs, 1/Rsh and log a of the reference, the quantities of the law that are free, the
logarithm of the light of each sweep that is not exact, what each temperature is off by, and what
all lights are off by together. Whatever has a standard uncertainty beforehand adds a residual of
its own.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ivkit.curve.diode import local, solve_current
from ivkit.curve.engine import Array
from ivkit.curve.fit import Fit
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.law import LAW, LOW

BASE = 5
_STEP = 1e-5  # of a parameter's size, to either side, for the slope of a condition's parameters


@dataclass(frozen=True)
class Light:
    """The light and the temperature of the sweeps as they are known.

    Attributes
    ----------
    stated : shape (K,). W/m2; what the currents suggest where nothing is stated.
    u : shape (K,). Of each on its own, W/m2; 0 for exact, infinite for not known.
    u_common : What all stated ones share, as a fraction.
    celsius, u_celsius : shape (K,). Cell temperatures, and what each is uncertain by; 0 for exact.
    """

    stated: Array
    u: Array
    u_common: float
    celsius: Array
    u_celsius: Array


class Model:
    """The sweeps and one panel through them.

    Parameters
    ----------
    fits : sequence of Fit. Each sweep on its own.
    reference : What of it is not free: band gap, reference condition, alpha_sc; its five parameters
        do not matter.
    law : mapping of str to (float, float, str). Quantities of `LAW` that are free: value and
        standard uncertainty beforehand, and name. ``ideality`` and ``shunt`` act on a and Rsh.
    v_oc : At the reference, about, V.
    """

    def __init__(
        self,
        fits: Sequence[Fit],
        light: Light,
        reference: ReferencePanel,
        law: Mapping[str, tuple[float, float, str]],
        v_oc: float,
    ) -> None:
        self.fits, self.light, self.reference, self.law = fits, light, reference, law
        self.v_oc = v_oc
        self.sweeps = [one.sweep for one in fits]
        self.extra = [name for name in LAW if name in law and name not in ("ideality", "shunt")]
        self.free = np.flatnonzero(light.u > 0)
        self.warm = np.flatnonzero(light.u_celsius > 0)
        self.common = light.u_common > 0
        self.scale_v = max(float(np.max(np.abs(s.voltage))) for s in self.sweeps)
        first = BASE + len(self.extra)
        self.at_light = first + np.arange(len(self.free))
        self.at_warm = first + len(self.free) + np.arange(len(self.warm))
        self.size = first + len(self.free) + len(self.warm) + self.common
        self.sigma = [
            np.full(len(one.sweep), one.rmse)
            if one.noise_current is None or not np.all(np.isfinite(one.noise_current))
            else one.noise_current
            for one in fits
        ]

    def panel(self, theta: ArrayLike) -> ReferencePanel:
        """Return the panel of parameters of shape (..., P)."""
        il, diode, rs, g, log_a, *rest = np.moveaxis(np.asarray(theta, dtype=float), -1, 0)
        a = np.exp(log_a)
        moves = dict(zip(self.extra, rest, strict=False))
        beta, alpha = moves.pop("beta", None), moves.pop("alpha", None)
        with np.errstate(divide="ignore"):
            shunt = np.where(g > 0, 1.0 / np.where(g > 0, g, 1.0), np.inf)
        panel = replace(
            self.reference,
            photocurrent=il,
            saturation_current=np.exp(diode - self.scale_v / a),
            resistance_series=rs,
            resistance_shunt=shunt[()],
            nNsVth=a,
            alpha_sc=self.reference.alpha_sc if alpha is None else alpha / 100 * il,
            **moves,
        )
        return panel if beta is None else panel.with_beta(beta / 100)

    def conditions(self, theta: ArrayLike) -> tuple[Array, Array]:
        """Return light and temperature of each sweep, W/m2 and degC, both of shape (..., K)."""
        theta = np.asarray(theta, dtype=float)
        shape = (*theta.shape[:-1], len(self.fits))
        light = np.broadcast_to(self.light.stated, shape).copy()
        heat = np.broadcast_to(self.light.celsius, shape).copy()
        light[..., self.free] = self.reference.irradiance_ref * np.exp(theta[..., self.at_light])
        heat[..., self.warm] += theta[..., self.at_warm]
        return light, heat

    def curves(self, theta: ArrayLike) -> Array:
        """Return IL, I0, Rs, 1/Rsh and a of every sweep, shape (..., K, 5)."""
        light, heat = self.conditions(theta)
        panel = self.panel(theta).each(lambda values: values[..., None])
        found = panel.at(light, np.clip(heat, -90.0, 190.0))
        parts = [found.photocurrent, found.saturation_current, found.resistance_series]
        parts += [1.0 / found.resistance_shunt, found.nNsVth]
        return np.stack(np.broadcast_arrays(*parts), axis=-1)

    def named(self) -> list[str]:
        """Return the names of what is known beforehand, in the order of `beforehand`."""
        names = [self.law[name][2] for name in LAW if name in self.law]
        names += [f"irradiance, {self.sweeps[k].name}" for k in self._stated]
        names += [f"temperature, {self.sweeps[k].name}" for k in self.warm]
        return names + ["irradiance, all sweeps"] * self.common

    @property
    def _stated(self) -> list[int]:
        return [int(k) for k in self.free if np.isfinite(self.light.u[k])]

    def owner(self) -> Array:
        """Return the sweep that each residual of `beforehand` belongs to; -1 for none."""
        none = [-1] * len(self.law)
        return np.array([*none, *self._stated, *self.warm, *([-1] * self.common)], dtype=int)

    def beforehand(self, theta: ArrayLike) -> Array:
        """Return how far what is known beforehand is off, in standard uncertainties, (..., R)."""
        theta = np.asarray(theta, dtype=float)
        parts = []
        for name in LAW:
            if name not in self.law:
                continue
            value, u, _ = self.law[name]
            parts.append((self._quantity(theta, name) - value) / u)
        common = 1.0 + (theta[..., -1] if self.common else 0.0)
        light, heat = self.conditions(theta)
        for k in self._stated:
            parts.append((light[..., k] / common - self.light.stated[k]) / self.light.u[k])
        parts += [
            (heat[..., k] - self.light.celsius[k]) / self.light.u_celsius[k] for k in self.warm
        ]
        if self.common:
            parts.append(theta[..., -1] / self.light.u_common)
        return np.stack(parts, axis=-1) if parts else np.zeros((*theta.shape[:-1], 0))

    def _quantity(self, theta: Array, name: str) -> Array:
        log_ideality = theta[..., 4] - np.log(self.v_oc)
        if name == "ideality":
            return log_ideality
        if name == "shunt":  # log(Rsh Isc / Voc) at 200 W/m2
            fraction = LOW / self.reference.irradiance_ref
            v_low = self.v_oc * np.maximum(1.0 + np.exp(log_ideality) * np.log(fraction), 0.1)
            k = theta[..., BASE + self.extra.index("shunt_exponent")]
            least = 1e-12 * theta[..., 0] / self.v_oc
            g = np.maximum(theta[..., 3], least) * fraction**k
            return np.log(theta[..., 0] * fraction / v_low / g)
        return theta[..., BASE + self.extra.index(name)]

    def _weight(self, k: int, slope: Array) -> Array:
        sigma_v = self.fits[k].noise_voltage
        steep = 0.0 if sigma_v is None else slope * sigma_v
        return 1.0 / np.sqrt(self.sigma[k] ** 2 + steep**2)

    def single(self) -> Array:
        """Return chi-square of each sweep around its own curve, shape (K,)."""
        out = []
        for k, one in enumerate(self.fits):
            at = local(one.sweep.voltage, one.sweep.current - one.residuals, *one.model.raw)
            out.append(float(np.sum((one.residuals * self._weight(k, at.slope)) ** 2)))
        return np.array(out)

    def residual(self, theta: Array) -> Array:
        """Return all residuals in standard deviations: the readings', then `beforehand`."""
        parts = []
        for k, (sweep, p) in enumerate(zip(self.sweeps, self.curves(theta), strict=True)):
            i = solve_current(sweep.voltage, *p)
            slope = local(sweep.voltage, i, *p).slope
            parts.append((i - sweep.current) * self._weight(k, slope))
        return np.concatenate([*parts, self.beforehand(theta)])

    def jacobian(self, theta: Array) -> Array:
        """Return the derivatives of the residuals, shape (residuals, P).

        Exact from a sweep's five parameters on; those themselves by differences.
        """
        step = _STEP * np.maximum(np.abs(theta), 1e-3)
        step[2:4] = _STEP * np.maximum(np.abs(theta[2:4]), [1e-3 * self.scale_v / theta[0], 1e-12])
        up, down = theta + np.diag(step), theta - np.diag(step)
        down[[2, 3], [2, 3]] = np.maximum(down[[2, 3], [2, 3]], 0.0)  # no resistance is below
        aside, apart = np.concatenate([up, down]), np.diag(up - down)
        count = len(theta)

        def slopes(values: Array) -> Array:
            return (values[:count] - values[count:]) / apart[:, *[None] * (values.ndim - 1)]

        chains = slopes(self.curves(aside))  # parameter, sweep, its five
        rows = []
        for k, (sweep, p) in enumerate(zip(self.sweeps, self.curves(theta), strict=True)):
            chain = chains[:, k].T
            i = solve_current(sweep.voltage, *p)
            at = local(sweep.voltage, i, *p)
            weight = self._weight(k, at.slope)
            d = weight[:, None] * (at.di @ chain)
            sigma_v = self.fits[k].noise_voltage
            if sigma_v is not None:
                pull = (i - sweep.current) * weight**3 * at.slope * sigma_v**2
                d -= pull[:, None] * (at.dslope @ chain)
            rows.append(d)
        return np.concatenate([*rows, slopes(self.beforehand(aside)).T])

    def starts(self) -> list[Array]:
        """Return where a fit may start: each sweep's own curve, taken to the reference."""
        rest = np.zeros(self.size)
        rest[BASE : BASE + len(self.extra)] = [self.law[name][0] for name in self.extra]
        ref, light = self.reference, self.light
        rest[self.at_light] = np.log(light.stated[self.free] / ref.irradiance_ref)
        found = []
        for one, s, t in zip(self.fits, light.stated, light.celsius, strict=True):
            theta = rest.copy()
            il, i0, rs, g, a = one.model.raw
            theta[:BASE] = il, np.log(i0) + self.scale_v / a, rs, g, np.log(a)
            here = replace(self.panel(theta), irradiance_ref=float(s), temp_ref=float(t))
            p = here.at(ref.irradiance_ref, ref.temp_ref)
            il, i0, rs, g, a = (float(x) for x in p.raw)
            theta[:BASE] = il, np.log(i0) + self.scale_v / a, rs, g, np.log(a)
            theta[2] = max(rs, 1e-6 * self.scale_v / il)
            found.append(theta)
        middle = float(np.median([theta[3] for theta in found]))
        for theta in found:
            theta[3] = max(middle, 1e-6 * theta[0] / self.scale_v)
        return found

    def with_ideality(self, theta: Array, factor: float) -> Array:
        """Return parameters whose a is larger by a factor, with the same Voc at the reference."""
        out = theta.copy()
        a = np.exp(theta[4])
        out[4] += np.log(factor)
        v = a * (np.log(theta[0]) - theta[1] + self.scale_v / a)
        out[1] = np.log(theta[0]) - v / (a * factor) + self.scale_v / (a * factor)
        return out
