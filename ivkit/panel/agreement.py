"""Whether several sweeps are of one panel: their common fit against each sweep's own.

The common panel has fewer parameters than the single curves together, so its chi-square is larger;
by how much more than that it is larger is tested as an F ratio: between the sweeps against within
them, with the degrees of freedom of both. What is known of light, temperature and law beforehand
counts as readings do. One wrong temperature among many hardly shows in that, so light and
temperature of each sweep are held against what everything else says of them, too: the chi-square
that would go with them if they were not stated (deletion residuals: R. D. Cook and S. Weisberg,
Residuals and Influence in Regression (1982), 2.2, from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc, fdtrc

from ivkit.curve.engine import Array
from ivkit.errors import SweepError
from ivkit.panel.together_model import Light, Model

#: So seldom do sweeps of one panel differ as much as these before it is said (common practice, no
#: source): once in a thousand sets.
SURE = 0.001
_BENT = 1.3  # times the residuals of the single fits: the curves differ, not the conditions


@dataclass(frozen=True)
class Agreement:
    """How one panel fits several sweeps.

    Attributes
    ----------
    chi_square, freedom : Of the common panel, with what is known beforehand.
    chi_square_single, freedom_single : Of each sweep's own curve, all together.
    ratio : Residuals around the common panel over those around the single fits, rms.
    probability : With which sweeps of one panel differ as much; NaN where they cannot differ.
    odd : The sweep without which chi-square is least, where one panel does not fit; None where it
        does, and with two sweeps.
    rest_agrees : Without it they are of one panel.
    odd_warmer, odd_brighter : What everything else has it differ from its stated condition by, K
        and as a fraction; NaN where that is exact or not known, and where curves differ in shape.
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
            f"the sweeps differ from one panel: residuals {self.ratio:.3g} times those of the "
            f"single fits, chi-square {self.chi_square:.0f} of {self.freedom:.0f} degrees of "
            f"freedom, by chance with a probability of {self.probability:.1g}; uncertainties are "
            f"enlarged {self.enlarge:.2g} times"
        )
        if self.odd is None:
            return [f"{said}; check temperatures and that the panel is one"]
        rest = "the others agree" if self.rest_agrees else "the others agree best, but do not fit"
        what = f"{self.odd} differs most: without it {rest}"
        asked = []
        if np.isfinite(self.odd_warmer):
            word = "warmer" if self.odd_warmer > 0 else "cooler"
            asked.append(f"{abs(self.odd_warmer):.1f} K {word}")
        if np.isfinite(self.odd_brighter):
            word = "brighter" if self.odd_brighter > 0 else "darker"
            asked.append(f"{abs(self.odd_brighter):.1%} {word}")
        if asked:
            what += f"; by its curve and the others it was {' and '.join(asked)} than stated"
        check = "shading and that the panel is the same" if self.ratio > _BENT else "both"
        if not asked and self.ratio <= _BENT:
            check = "its light, its temperature, and that the panel is the same"
        return [said, f"{what}: check {check}"]


def agreement(model: Model, theta: Array, solve: Callable[..., Array]) -> Agreement:
    """Return how the panel of parameters ``theta`` fits; ``solve`` finds them for fewer sweeps."""
    found, readings, conditions, asked = _tested(model, theta)
    if found.one_panel or len(model.fits) < 3:
        return found
    bent = found.ratio > _BENT
    k = int(np.argmax(readings if bent else conditions))
    warmer, brighter = (float("nan"), float("nan")) if bent else asked[k]
    name = model.sweeps[k].name or f"sweep {k + 1}"
    found = replace(found, odd=name, odd_warmer=warmer, odd_brighter=brighter)
    fewer, start = without(model, k, theta)
    try:
        rest, *_ = _tested(fewer, solve(fewer, start))
    except SweepError:
        return found
    return replace(found, rest_agrees=rest.one_panel)


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


def _tested(
    model: Model, theta: Array
) -> tuple[Agreement, Array, Array, list[tuple[float, float]]]:
    """Return how one panel fits; and by sweep what chi-square loses without it, what it loses
    without its stated condition, and what everything else has that differ by.
    """
    residual, slopes = model.residual(theta), model.jacobian(theta)
    size = np.linalg.norm(slopes, axis=0)
    basis = np.linalg.qr(slopes / np.where(size > 0, size, 1.0))[0]
    lengths = [len(sweep) for sweep in model.sweeps]
    count, owner = sum(lengths), model.owner()
    single = model.single()
    own = sum(5 - (one.model.raw[2] == 0) - (one.model.raw[3] == 0) for one in model.fits)
    inner, freedom = float(count - own), float(len(residual) - len(theta))
    common, within = float(residual @ residual), float(np.sum(single))
    between = freedom - inner
    level = within / inner if inner > 0 else np.nan
    if all(sweep.noise_current is not None for sweep in model.sweeps):
        level = max(level, 1.0)  # what is known beforehand is no sharper than stated
    chances = [float("nan")]
    if between > 0 and level > 0:
        ratio = (common - within) / between / level
        chances.append(float(fdtrc(between, inner, max(ratio, 0.0))))
    ends = np.cumsum([0, *lengths])
    (by_sweep, by_condition), asked = np.zeros((2, len(lengths))), []
    for k in range(len(lengths)):
        stated = count + np.flatnonzero(owner == k)
        rows = np.r_[ends[k] : ends[k + 1], stated]
        lost, _ = _deleted(residual, basis, rows)
        by_sweep[k] = lost - single[k]
        by_condition[k], moved = _deleted(residual, basis, stated)
        if len(stated):
            tail = chdtrc(len(stated), by_condition[k] / max(level, 1.0))
            chances.append(float(min(len(lengths) * tail, 1.0)))
        asked.append(_asked(model, k, moved))
    probability = float(np.nanmin(chances)) if np.any(np.isfinite(chances)) else float("nan")
    bent = float(np.sqrt(np.sum(residual[:count] ** 2) / max(within, 1e-300)))
    told = Agreement(common, freedom, within, inner, bent, probability)
    return told, by_sweep, by_condition, asked


def _deleted(residual: Array, basis: Array, rows: Array) -> tuple[float, Array]:
    """Return what chi-square loses without some rows, and what these are then off by."""
    part = basis[rows]
    left = np.eye(len(rows)) - part @ part.T
    moved = np.linalg.pinv(left, rcond=1e-8, hermitian=True) @ residual[rows]
    return float(residual[rows] @ moved), moved


def _asked(model: Model, k: int, moved: Array) -> tuple[float, float]:
    """Return by how much sweep ``k`` is warmer (K) and brighter (fraction) than stated."""
    light, heat = model.light, float("nan")
    bright, rest = float("nan"), list(moved)
    if np.isfinite(light.u[k]) and light.u[k] > 0:
        bright = float(rest.pop(0) * light.u[k] / light.stated[k])
    if light.u_celsius[k] > 0:
        heat = float(rest.pop(0) * light.u_celsius[k])
    return heat, bright
