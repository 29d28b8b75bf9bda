"""The coefficients that IEC 60891's procedures need besides those of temperature.

The standard finds them by measuring one panel in several conditions and choosing what brings the
translated maximum power onto the measured one. Here the same choice is made on the curves that the
sweep's own five parameters give there. So the procedures agree with the five-parameter translation
in what light does, and are an independent answer only in what temperature does.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.iec60891 import procedure_1, procedure_2

Array = NDArray[np.float64]

# A change of condition smaller than these tells nothing about a coefficient: taken are these.
LEAST_LIGHT, LEAST_WARMER = 1.2, 10.0
# Standard uncertainty of coefficients found this way, as a share: between one choice of conditions
# and another they differ by so much on the synthetic module of the tests.
U_RESISTANCE, U_KAPPA, U_LOG = 0.1, 0.15, 0.07


@dataclass(frozen=True)
class Coefficients:
    """What the procedures need besides alpha and beta.

    Attributes
    ----------
    resistance_1, kappa_1 : Rs (ohm) and kappa (ohm/K) of procedure 1.
    resistance_2, kappa_2 : R's (ohm) and kappa' (ohm/K) of procedure 2.
    a : How Voc follows the logarithm of the light in procedure 2.
    """

    resistance_1: float
    kappa_1: float
    resistance_2: float
    kappa_2: float
    a: float


def coefficients_of(
    panel: ReferencePanel, g1: float, t1: float, g2: float, t2: float
) -> Coefficients:
    """Return the coefficients for a step from ``g1, t1`` to ``g2, t2`` (W/m2, degC).

    Raises RangeError: no coefficient brings the powers together.
    """
    if abs(np.log(g2 / g1)) < np.log(LEAST_LIGHT):
        g2 = g1 * (LEAST_LIGHT if g2 >= g1 else 1 / LEAST_LIGHT)
    if abs(t2 - t1) < LEAST_WARMER:
        t2 = t1 + (LEAST_WARMER if t2 > t1 else -LEAST_WARMER)
    measured, brighter, there = panel.at(g1, t1), panel.at(g2, t1), panel.at(g2, t2)
    start, lit, end = (curve.key_points() for curve in (measured, brighter, there))
    cold = panel.at(g2, 25.0).key_points()  # what relative coefficients are relative to
    a = float((lit.v_oc / start.v_oc - 1.0) / np.log(g2 / g1))
    v = np.linspace(0.5, 1.08, 600) * float(start.v_oc)
    v_lit = np.linspace(0.5, 1.08, 600) * float(lit.v_oc)
    i, i_lit = measured.current(v), brighter.current(v_lit)
    # The procedures take the current to be in proportion to the irradiance.
    straight = g2 * (g1 / g2) ** (1.0 + float(panel.current_exponent))
    same, warmer = (straight, t1, g2, t1), (g2, t1, g2, t2)
    alpha = (end.i_sc - lit.i_sc) / (t2 - t1)
    beta = (end.v_oc - lit.v_oc) / (t2 - t1)
    ohm = float(start.v_oc / start.i_sc)

    def by_light_1(r: float) -> tuple[Array, Array]:
        return procedure_1(v, i, start.i_sc, *same, 0.0, 0.0, r, 0.0)

    def by_heat_1(kappa: float) -> tuple[Array, Array]:
        return procedure_1(v_lit, i_lit, lit.i_sc, *warmer, alpha, beta, 0.0, kappa)

    def by_light_2(r: float) -> tuple[Array, Array]:
        return procedure_2(v, i, start.v_oc, *same, 0.0, 0.0, a, r, 0.0)

    def by_heat_2(kappa: float) -> tuple[Array, Array]:
        rel = (alpha / cold.i_sc, beta / cold.v_oc)
        return procedure_2(v_lit, i_lit, lit.v_oc, *warmer, *rel, a, resistance_2, kappa)

    resistance_1 = _meet(by_light_1, float(lit.p_mp), ohm)
    resistance_2 = _meet(by_light_2, float(lit.p_mp), ohm)
    kappa_1 = _meet(by_heat_1, float(end.p_mp), ohm / 50)
    kappa_2 = _meet(by_heat_2, float(end.p_mp), ohm / 50)
    return Coefficients(resistance_1, kappa_1, resistance_2, kappa_2, a)


def _meet(curve: Callable[[float], tuple[Array, Array]], power: float, scale: float) -> float:
    """Return the coefficient within plus or minus ``scale`` whose curve has this power, W."""
    from scipy.optimize import brentq

    def lacks(x: float) -> float:
        v, i = curve(x)
        p = v * i
        k = int(np.clip(np.argmax(p), 1, len(p) - 2))
        left, top, right = p[k - 1 : k + 2]
        bend = left - 2.0 * top + right
        # The vertex of the parabola through three neighbours.
        return float(top - (right - left) ** 2 / (8.0 * bend) if bend < 0 else top) - power

    if lacks(-scale) * lacks(scale) > 0:
        what = "no coefficient of the procedure brings the powers together"
        raise RangeError(what, remedy="translate by the five parameters instead")
    return float(brentq(lacks, -scale, scale, xtol=1e-10 * scale))
