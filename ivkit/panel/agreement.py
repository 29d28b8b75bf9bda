"""Whether several sweeps are of one panel: their common fit against each sweep's own.

The common panel has fewer parameters than the single curves together, so its chi-square is larger;
by how much more than that it is larger is tested as an F ratio: between the sweeps against within
them, with the degrees of freedom of both (J. Mandel, The Statistical Analysis of Experimental Data
(1964), ch. 12, from memory). What is known of light, temperature and law beforehand counts as
readings do.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc

from ivkit.curve.engine import Array
from ivkit.errors import SweepError
from ivkit.panel.together_model import Light, Model

#: So seldom do sweeps of one panel differ as much as these before it is said (common practice, no
#: source): once in a thousand sets.
SURE = 0.001


@dataclass(frozen=True)
class Agreement:
    """How one panel fits several sweeps.

    Attributes
    ----------
    chi_square, freedom : float
        Of the common panel, with what is known beforehand.
    chi_square_single, freedom_single : float
        Of each sweep's own curve, all together.
    ratio : float
        Residuals around the common panel over those around the single fits, rms.
    probability : float
        With which sweeps of one panel differ as much.
    odd : str or None
        The sweep without which the others agree best, where one panel does not fit; None where
        it does, and with two sweeps.
    rest_agrees : bool
        Without it they are of one panel.
    odd_warmer, odd_brighter : float
        What the others' panel would have it differ from its stated condition by, K and as a
        fraction; NaN where not told.
    """

    chi_square: float
    freedom: float
    chi_square_single: float
    freedom_single: float
    ratio: float
    probability: float
    odd: str | None = None
    rest_agrees: bool = False
    odd_warmer: float = float("nan")
    odd_brighter: float = float("nan")

    @property
    def one_panel(self) -> bool:
        """One panel fits."""
        return not self.probability < SURE

    @property
    def scatter(self) -> float:
        """Chi-square over degrees of freedom."""
        return self.chi_square / self.freedom if self.freedom > 0 else float("nan")

    @property
    def enlarge(self) -> float:
        """What standard uncertainties are enlarged by so that they cover the misfit."""
        between = self.freedom - self.freedom_single
        scatters = [1.0, self.scatter]
        if between > 0 and not self.one_panel:
            scatters.append((self.chi_square - self.chi_square_single) / between)
        return float(np.sqrt(np.nanmax(scatters)))

    def notes(self) -> list[str]:
        """Return what has to be said, if anything."""
        if self.one_panel:
            return []
        said = (
            f"the sweeps differ from one panel: residuals {self.ratio:.2g} times those of the "
            f"single fits, chi-square {self.chi_square:.4g} of {self.freedom:.0f} degrees of "
            f"freedom; uncertainties are enlarged {self.enlarge:.2g} times"
        )
        if self.odd is None:
            return [f"{said}; check temperatures and that the panel is one"]
        rest = "the others agree" if self.rest_agrees else "the others agree best, but do not fit"
        what = f"{self.odd} differs most: without it {rest}"
        if np.isfinite(self.odd_warmer):
            what += (
                f"; their panel has it {abs(self.odd_warmer):.1f} K "
                f"{'warmer' if self.odd_warmer > 0 else 'cooler'} and {abs(self.odd_brighter):.1%} "
                f"{'brighter' if self.odd_brighter > 0 else 'darker'} than stated"
            )
        return [said, f"{what}: check its temperature, its light, and that the panel is one"]


def agreement(model: Model, theta: Array, solve: Callable[..., Array]) -> Agreement:
    """Return how the panel of parameters ``theta`` fits; ``solve`` finds them for fewer sweeps."""
    found = _tested(model, theta)
    if found.one_panel or len(model.fits) < 3:
        return found
    best = None
    for k, one in enumerate(model.fits):
        fewer, start = without(model, k, theta)
        try:
            others = solve(fewer, start)
        except SweepError:
            continue
        tested = _tested(fewer, others)
        excess = tested.chi_square - tested.chi_square_single
        if best is None or excess < best[0]:
            best = (excess, k, one.sweep.name or f"sweep {k + 1}", tested, fewer, others)
    if best is None:
        return found
    _, k, name, tested, fewer, others = best
    warmer, brighter = _asked(model, k, fewer, others)
    return replace(
        found,
        odd=name,
        rest_agrees=tested.one_panel,
        odd_warmer=warmer,
        odd_brighter=brighter,
    )


def without(model: Model, k: int, theta: Array) -> tuple[Model, Array]:
    """Return the model without sweep ``k``, and where its fit starts."""
    light = model.light
    keep = np.arange(len(model.fits)) != k
    u = light.u[keep]
    if not np.any(np.isfinite(u)):  # the one whose light was known
        u = np.where(np.arange(len(u)) == int(np.argmax(light.stated[keep])), 0.0, u)
    seen = model.conditions(theta)[0][keep]
    stated = np.where(np.isfinite(u) & (u > 0), light.stated[keep], seen)
    fewer = Light(stated, u, light.u_common, light.celsius[keep], light.u_celsius[keep])
    fits = [one for one, kept in zip(model.fits, keep, strict=True) if kept]
    out = Model(fits, fewer, model.reference, model.law, model.v_oc)
    gone = np.concatenate([model.at_light[model.free == k], model.at_warm[model.warm == k]])
    start = np.delete(theta, gone.astype(int))
    if len(start) != out.size:
        start = out.starts()[int(np.argmax(stated))]
    return out, start


def _asked(model: Model, k: int, fewer: Model, others: Array) -> tuple[float, float]:
    """Return how much warmer (K) and brighter (fraction) the others' panel has sweep ``k``."""
    from scipy.optimize import least_squares

    points = model.fits[k].model
    voc, isc = float(points.voltage(0.0)), float(points.current(0.0))
    panel = fewer.panel(others)
    light, heat = float(model.light.stated[k]), float(model.light.celsius[k])

    def lack(x: Array) -> Array:
        curve = panel.at(light * np.exp(x[0]), np.clip(heat + 10 * x[1], -90, 190))
        return np.array([float(curve.current(0.0)) / isc - 1, float(curve.voltage(0.0)) / voc - 1])

    found = least_squares(lack, np.zeros(2))
    if not found.success or found.cost > 1e-8:
        return float("nan"), float("nan")
    return 10 * float(found.x[1]), float(np.expm1(found.x[0]))


def _tested(model: Model, theta: Array) -> Agreement:
    residual = model.residual(theta)
    readings = sum(len(sweep) for sweep in model.sweeps)
    single = model.single()
    own = sum(5 - (one.model.raw[2] == 0) - (one.model.raw[3] == 0) for one in model.fits)
    inner = float(readings - own)
    freedom = float(len(residual) - len(theta))
    common, within = float(residual @ residual), float(np.sum(single))
    between = freedom - inner
    probability = float("nan")
    if between > 0 and inner > 0:
        ratio = (common - within) / between / max(within / inner, _least(model))
        probability = float(fdtrc(between, inner, max(ratio, 0.0)))
    return Agreement(
        common,
        freedom,
        within,
        inner,
        float(np.sqrt(np.sum(residual[:readings] ** 2) / max(within, 1e-300))),
        probability,
    )


def _least(model: Model) -> float:
    """Return the least scatter within sweeps that counts: 1 where all noise is stated.

    What is known beforehand has a standard uncertainty, too; readings that scatter less than
    stated make it no sharper.
    """
    return 1.0 if all(sweep.noise_current is not None for sweep in model.sweeps) else 1e-300
