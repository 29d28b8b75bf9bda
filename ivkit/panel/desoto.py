"""From a datasheet's figures to the five parameters: one panel or a table of thousands.

Conditions, as De Soto, Klein and Beckman, Solar Energy 80 (2006) 78,
doi:10.1016/j.solener.2005.06.010, and Duffie and Beckman, Solar Engineering of Thermal Processes,
ch. 23, doi:10.1002/9781118671603, set them, and as pvlib's ``fit_desoto`` does: the curve passes
through short circuit, open circuit and the stated maximum-power point, dP/dV is 0 there, and two
kelvin warmer the open-circuit voltage has moved by twice its temperature coefficient.

In units of Isc and Voc, with A = a/Voc and r = Rs Isc/Voc, the three points on the curve are
linear in IL, J = I0 exp(1/A) and G = Voc/(Rsh Isc), and J and G follow in closed form. The
condition on temperature then is A = num / (ln rho - ln q), where q differs from 1 by per mille
only, so that a few substitutions settle it. What is left is dP/dV = 0 as a function of r alone,
bracketed between a negative and the largest possible r, where the diode at the maximum-power
point would stand at Voc. A bracketed search cannot miss the root or call something else one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.panel.bracket import rising_root
from ivkit.panel.conditions import BOLTZMANN_EV, KELVIN, ReferencePanel

Array = NDArray[np.float64]

WARMER = 2.0  # K above the reference, where the temperature coefficient of Voc is required
CONDITIONS = ("short circuit", "open circuit", "maximum-power point", "dP/dV", "Voc when warmer")
SOLVED_TO = 1e-8  # relative residual that counts as solved
_SUBSTITUTIONS, _FEW = 12, 3  # each takes two digits off what A lacks


class Outcome(IntEnum):
    """How the search for the five parameters ended, one value a panel."""

    SOLVED = 0
    NO_ORDER = 1
    NO_DIODE = 2
    NEGATIVE_SHUNT = 3
    NEGATIVE_SERIES = 4
    TOO_SQUARE = 5

    @property
    def reason(self) -> str:
        """Why there are no five parameters, in words; empty where there are."""
        return _REASONS[self]


_REASONS = {
    Outcome.SOLVED: "",
    Outcome.NO_ORDER: (
        "a figure is missing, not positive, or out of order: 0 < Imp < Isc and Voc/2 < Vmp < Voc"
    ),
    Outcome.NO_DIODE: (
        "no diode has this temperature coefficient of Voc: its warmer Voc cannot be met"
    ),
    Outcome.NEGATIVE_SHUNT: (
        "dP/dV = 0 at the stated maximum-power point would need a negative shunt resistance: even "
        "without a shunt path the power still rises there"
    ),
    Outcome.NEGATIVE_SERIES: (
        "dP/dV = 0 at the stated maximum-power point would need a negative series resistance: even "
        "without one the power falls there already"
    ),
    Outcome.TOO_SQUARE: (
        "the three points and the temperature coefficient of Voc together would need a negative "
        "series or shunt resistance: the fill factor is more than such a diode can have"
    ),
}


@dataclass(frozen=True)
class DeSotoSolution:
    """Five parameters of each panel, and how well they meet the five conditions.

    Attributes
    ----------
    panel : ReferencePanel
        With arrays of the figures' shape; NaN where there is no physical solution.
    residual : ndarray, shape (..., 5)
        What each of `CONDITIONS` lacks, as a share of Isc (of Imp for dP/dV); NaN without a
        solution.
    outcome : ndarray of int
        Values of `Outcome`.
    slope : ndarray
        dP/dV at the stated maximum-power point, as a share of Imp, of the physical curve that
        comes nearest: through the three points, with the right temperature coefficient, and with
        no shunt path (or no series resistance). 0 where solved, NaN where no such curve exists.
    """

    panel: ReferencePanel
    residual: Array
    outcome: NDArray[np.int64]
    slope: Array

    @property
    def solved(self) -> NDArray[np.bool_]:
        """Which panels have five physical parameters."""
        return self.outcome == Outcome.SOLVED


@dataclass(frozen=True)
class Scaled:
    """The figures in units of Isc and Voc, and what temperature does to the diode.

    Everything is an array of the figures' shape; A is a/Voc and r is Rs Isc/Voc.
    """

    m: Array  # Imp / Isc
    w: Array  # Vmp / Voc
    warm_v: Array  # Voc two kelvin warmer / Voc
    more_i: Array  # what two kelvin add to the photocurrent / Isc
    ratio: float  # T / T two kelvin warmer
    log_rho: float  # log of what two kelvin make of I0

    @classmethod
    def of(cls, figures: Sequence[Array], EgRef: float, dEgdT: float, temp_ref: float) -> "Scaled":
        """Return Isc, Voc, Imp, Vmp, alpha and beta in units of Isc and Voc."""
        isc, voc, imp, vmp, alpha, beta = figures
        cold = temp_ref + KELVIN
        warm = cold + WARMER
        gap = EgRef / cold - EgRef * (1.0 + dEgdT * WARMER) / warm
        return cls(
            imp / isc,
            vmp / voc,
            1.0 + WARMER * beta / voc,
            WARMER * alpha / isc,
            cold / warm,
            3.0 * np.log(warm / cold) + gap / BOLTZMANN_EV,
        )

    def linear(self, A: Array, r: Array) -> tuple[Array, Array]:
        """Return J and G of the curve through the three points."""
        short, top = -np.expm1((r - 1.0) / A), -np.expm1((self.w + self.m * r - 1.0) / A)
        left = 1.0 - self.w - self.m * r
        scale = 1.0 / (short * left - (1.0 - r) * top)
        return (left - self.m * (1.0 - r)) * scale, (self.m * short - top) * scale

    def at(self, r: Array, A: Array, times: int = _SUBSTITUTIONS) -> tuple[Array, Array, Array]:
        """Return A, J and G where the warmer Voc is met too; ``A`` is a first guess."""
        rise = 1.0 - self.warm_v * self.ratio
        for _ in range(times):
            J, G = self.linear(A, r)
            dark = np.exp(-1.0 / A)
            q = 1.0 - dark + (G * (1.0 - self.warm_v) + self.more_i) / J
            A = rise / (self.log_rho - np.log(q + dark * np.exp(self.log_rho)))
        return A, *self.linear(A, r)

    def slope(self, r: Array, A: Array, J: Array, G: Array) -> Array:
        """Return minus dP/dV at the maximum-power point, times (1 + r s): 0 at the solution."""
        return self.conductance(r, A, J, G) * (self.w - self.m * r) - self.m

    def conductance(self, r: Array, A: Array, J: Array, G: Array) -> Array:
        """Return that of diode and shunt together at the maximum-power point."""
        return J / A * np.exp((self.w + self.m * r - 1.0) / A) + G

    def take(self, where: NDArray[np.bool_]) -> "Scaled":
        """Return some of the panels."""
        return Scaled(
            *(x[where] for x in (self.m, self.w, self.warm_v, self.more_i)),
            self.ratio,
            self.log_rho,
        )


def solve_desoto(
    i_sc: ArrayLike,
    v_oc: ArrayLike,
    i_mp: ArrayLike,
    v_mp: ArrayLike,
    alpha_sc: ArrayLike,
    beta_voc: ArrayLike,
    cells: int | None = None,
    EgRef: float = 1.121,
    dEgdT: float = -0.0002677,
    temp_ref: float = 25.0,
) -> DeSotoSolution:
    """Return the five parameters that meet the datasheet's figures, for any number of panels.

    Parameters
    ----------
    i_sc, i_mp : array_like
        Short-circuit current and current of greatest power at 1000 W/m2 and ``temp_ref``, A.
    v_oc, v_mp : array_like
        Open-circuit voltage and voltage of greatest power, V.
    alpha_sc : array_like
        Temperature coefficient of Isc, A/K (not %/K).
    beta_voc : array_like
        Temperature coefficient of Voc, V/K, negative (not %/K). All six broadcast.
    cells : int, optional
        Kept with the panel; the solution does not need it.
    EgRef, dEgdT : float
        Band gap in eV and its relative change with temperature, 1/K; silicon by default.
    temp_ref : float
        degC.

    Notes
    -----
    Nothing is raised for figures without a solution: `DeSotoSolution.outcome` tells them.

    Examples
    --------
    >>> found = solve_desoto(9.43, 38.3, 8.71, 31.0, 0.005658, -0.13788)
    >>> print(found.solved, found.panel.resistance_series.round(9))
    True 0.297814724
    """
    figures = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (i_sc, v_oc, i_mp, v_mp, alpha_sc, beta_voc))
    )
    isc, voc, imp, vmp, alpha, beta = figures
    order = np.isfinite(alpha) & np.isfinite(beta)
    order &= (imp > 0) & (imp < isc) & (vmp > 0.5 * voc) & (vmp < voc)
    order &= np.isfinite(isc) & np.isfinite(voc)
    with np.errstate(all="ignore"):
        scaled = Scaled.of(figures, EgRef, dEgdT, temp_ref)
        r, A, J, G, bracketed = _root(scaled)
        outcome = np.full(isc.shape, int(Outcome.SOLVED))
        outcome[G < 0] = Outcome.NEGATIVE_SHUNT
        outcome[r < 0] = Outcome.NEGATIVE_SERIES
        # The shunt conductance falls with Rs: negative without any Rs, it is so everywhere.
        outcome[scaled.at(np.zeros(r.shape), A)[2] < 0] = Outcome.TOO_SQUARE
        outcome[~(bracketed & (A > 0) & (J > 0))] = Outcome.NO_DIODE
        outcome[~order] = Outcome.NO_ORDER
        slope = _nearest_slope(scaled, r, A, outcome)
        solved = outcome == Outcome.SOLVED
        A, J, G, r = (np.where(solved, x, np.nan) for x in (A, J, G, r))
        dark = J * np.exp(-1.0 / A)
        photo = 1.0 + dark * np.expm1(r / A) + r * G
        residual = _residual(scaled, photo, J, r, G, A)
        ohm = voc / isc
        panel = ReferencePanel(
            (photo * isc)[()],
            (dark * isc)[()],
            (r * ohm)[()],
            (ohm / G)[()],
            (A * voc)[()],
            alpha[()],
            cells,
            EgRef=EgRef,
            dEgdT=dEgdT,
            temp_ref=temp_ref,
        )
    return DeSotoSolution(panel, residual, outcome, slope)


def _root(scaled: Scaled) -> tuple[Array, Array, Array, Array, NDArray[np.bool_]]:
    """Return r, A, J, G of the only root, physical or not, and whether it was bracketed."""
    largest = np.minimum((1.0 - scaled.w), scaled.w) / scaled.m
    low, high = -largest, (1.0 - 1e-9) * largest
    start = np.asarray((1.0 - scaled.warm_v * scaled.ratio) / scaled.log_rho)
    bottom, top = (scaled.slope(r, *scaled.at(r, start)) for r in (low, high))
    nearby = _Nearby(scaled, start)
    r = rising_root(lambda r: scaled.slope(r, *nearby.at(r)), low, high)
    return r, *scaled.at(r, nearby.A), (bottom < 0) & (top > 0)


class _Nearby:
    """A, J and G of a search in r, each from the A before: few substitutions do."""

    def __init__(self, scaled: Scaled, A: Array) -> None:
        self.scaled, self.start, self.A = scaled, A, A

    def at(self, r: Array) -> tuple[Array, Array, Array]:
        """Return A, J and G at ``r``."""
        found = self.scaled.at(r, self.A, _FEW)
        self.A = np.where(np.isfinite(found[0]) & (found[0] > 0), found[0], self.start)
        return found


def _nearest_slope(scaled: Scaled, r: Array, A: Array, outcome: NDArray[np.int64]) -> Array:
    """Return dP/dV, as a share of Imp, where the way to the root leaves what is physical."""
    share = np.where(outcome <= Outcome.SOLVED, 0.0, np.nan)
    for kind in (Outcome.NEGATIVE_SHUNT, Outcome.NEGATIVE_SERIES):
        where = outcome == kind
        if not np.any(where):
            continue
        some, edge, a = scaled.take(where), np.zeros(np.count_nonzero(where)), A[where]
        if kind == Outcome.NEGATIVE_SHUNT:
            nearby = _Nearby(some, a)  # G falls with r: find where it vanishes
            edge = rising_root(lambda r, near=nearby: -near.at(r)[2], edge, r[where], 2)
        at = some.at(edge, a)
        s = some.conductance(edge, *at)
        share[where] = -some.slope(edge, *at) / (some.m * (1.0 + edge * s))
    return share


def _residual(scaled: Scaled, photo: Array, J: Array, r: Array, G: Array, A: Array) -> Array:
    """Return what each condition lacks, put into the equations as they stand."""
    m, w = scaled.m, scaled.w
    dark = J * np.exp(-1.0 / A)

    def lacks(v: Any, i: Any) -> Array:
        u = v + i * r
        return photo - dark * np.expm1(u / A) - u * G - i

    s = dark / A * np.exp((w + m * r) / A) + G  # not as above: I0 itself
    warm_a = A / scaled.ratio
    warm_dark = dark * np.exp(scaled.log_rho)
    warm = photo + scaled.more_i - warm_dark * np.expm1(scaled.warm_v / warm_a)
    return np.stack(
        [
            lacks(0.0, 1.0),
            lacks(1.0, 0.0),
            lacks(w, m),
            (m - w * s / (1.0 + r * s)) / m,
            warm - scaled.warm_v * G,
        ],
        axis=-1,
    )
