"""One cell driven backwards: what a shaded cell does when its neighbours push current through it.

In the single-diode equation nothing bounds the voltage of a cell that must carry more than its
photocurrent: it falls along the shunt, or without end when there is no shunt. A real junction
breaks down first. Bishop multiplies part of the shunt current,

    I = IL - I0 [exp(u/a) - 1] - (u/Rsh) {1 + A [(1 - u/Vbr)^(-m) - 1]},   u < 0,

where u = V + I Rs is the voltage across the junction. It is written here so that the factor is 1
at u = 0, and it is left out for u > 0: the Rsh of a fit, which is measured forwards, then stays the
Rsh of the cell. Bishop's own form with Rsh', A' has Rsh = Rsh'/(1 + A') and A = A'/(1 + A').

Source: Bishop (1988).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from ivkit.curve.diode import solve_voltage
from ivkit.errors import RangeError


@dataclass(frozen=True)
class Breakdown:
    """Bishop's three numbers for a cell in reverse; RangeError outside their range.

    Attributes
    ----------
    factor : float
        A, the fraction of the shunt current that takes part in the avalanche, between 0 and 1.
    voltage : float
        Vbr, the breakdown voltage of one cell, V, negative. The junction never goes below it.
    exponent : float
        m, greater than 0.
    """

    factor: float
    voltage: float
    exponent: float

    def __post_init__(self) -> None:
        if not 0.0 < self.factor < 1.0:
            raise RangeError(
                f"breakdown factor {self.factor:g} is not a fraction",
                remedy="expected between 0 and 1; no breakdown at all is None",
            )
        if not -np.inf < self.voltage < 0.0:
            raise RangeError(
                f"breakdown voltage {self.voltage:g} V is not negative",
                remedy="write it with its sign, as -15",
            )
        if not 0.0 < self.exponent < np.inf:
            raise RangeError(
                f"breakdown exponent {self.exponent:g} is not positive",
                remedy="silicon has about 3",
            )


SILICON = Breakdown(factor=2e-3, voltage=-15.0, exponent=3.0)
"""Crystalline silicon: the numbers of pvlib's partial-shading example. Cells differ between -10 V
and -30 V and more (Alonso-Garcia and Ruiz, Solar Energy Materials and Solar Cells 90 (2006) 1105,
doi:10.1016/j.solmat.2005.06.006, measured such spread); thin films break down earlier."""


def junction_voltage(
    i: Any, il: Any, i0: Any, g: Any, a: Any, breakdown: Breakdown | None = SILICON
) -> Any:
    """Return the voltage (V) across the junction of a cell that carries ``i`` (A); all broadcast.

    ``g`` is 1/Rsh in siemens. Without ``breakdown`` and without a shunt no voltage drives more than
    IL + I0 backwards: minus infinity. With ``breakdown`` the answer is never below its voltage,
    also without a shunt (the limit of Bishop's equation as Rsh grows).
    """
    u = np.asarray(solve_voltage(i, il, i0, 0.0, g, a))
    if breakdown is None:
        return u[()]
    backwards = u < 0
    if np.any(backwards):
        i, il, i0, g, a = (
            np.broadcast_to(np.asarray(x, dtype=float), u.shape)[backwards]
            for x in (i, il, i0, g, a)
        )
        u = u.copy()
        u[backwards] = _reverse(i - il, u[backwards], i0, g, a, breakdown)
    return u[()]


def _reverse(excess: Any, shunted: Any, i0: Any, g: Any, a: Any, breakdown: Breakdown) -> Any:
    """Return u < 0 for a current ``excess`` above IL; ``shunted`` is u without breakdown.

    Newton on the share w = u/Vbr, kept between bounds. The sum of shunt and avalanche is convex
    in w, so that from above the steps do not overshoot.
    """
    factor, limit, m = breakdown.factor, -breakdown.voltage, breakdown.exponent
    with np.errstate(all="ignore"):
        ratio = excess / (g * limit)
        # The avalanche alone carries less than everything: 1 - w >= (2 ratio / A)^(-1/m).
        tail = np.maximum(0.5, 1.0 - (2.0 * ratio / factor) ** (-1.0 / m))
        high = np.minimum(np.minimum(-shunted / limit, tail), 1.0)
        low = np.zeros_like(high)
        w = np.where(high < 1.0, high, 0.5)
        for _ in range(60):
            power = (1.0 - w) ** -m
            decay = np.exp(-w * limit / a)
            f = g * limit * w * (1.0 + factor * (power - 1.0)) + i0 * (1.0 - decay) - excess
            slope = g * limit * (1.0 - factor + factor * power * (1.0 + m * w / (1.0 - w)))
            new = w - f / (slope + i0 * limit / a * decay)
            high = np.where(f > 0, w, high)
            low = np.where(f > 0, low, w)
            new = np.where((new >= low) & (new <= high), new, 0.5 * (low + high))
            done = np.abs(new - w) <= 4e-16 * w
            w = new
            if np.all(done):
                break
    # Without a shunt only the voltage where it breaks down bounds it.
    return np.where(g > 0, -limit * w, np.maximum(shunted, -limit))


def junction_current(
    u: Any, il: Any, i0: Any, g: Any, a: Any, breakdown: Breakdown | None = SILICON
) -> Any:
    """Return the current (A) of a cell at a junction voltage ``u`` (V); ``g`` is 1/Rsh.

    NaN at and below the breakdown voltage, where no current belongs to a voltage.
    """
    i = il - i0 * np.expm1(u / a) - u * g
    if breakdown is None:
        return i
    u, g = np.broadcast_arrays(u, g)
    backwards = u < 0
    if np.any(backwards):
        share = u[backwards] / breakdown.voltage
        with np.errstate(all="ignore"):
            more = breakdown.factor * ((1.0 - share) ** -breakdown.exponent - 1.0)
        more = np.where(share < 1.0, more, np.nan)
        i = np.array(i)
        i[backwards] -= u[backwards] * g[backwards] * more
    return i


def junction_conductance(
    u: Any, i0: Any, g: Any, a: Any, breakdown: Breakdown | None = SILICON
) -> tuple[Any, Any]:
    """Return -dI/du (S) and its slope in u (S/V) at a junction voltage ``u`` (V), all one shape."""
    with np.errstate(all="ignore"):
        first = i0 / a * np.exp(u / a)
        slope = first / a
        first = first + g
        if breakdown is not None:
            backwards = u < 0
            if np.any(backwards):
                factor, vbr, m = breakdown.factor, breakdown.voltage, breakdown.exponent
                w = u[backwards] / vbr
                avalanche = g[backwards] * factor * (1.0 - w) ** -m
                first[backwards] += avalanche * (1.0 + m * w / (1.0 - w)) - factor * g[backwards]
                bend = m / (1.0 - w) * (2.0 + (m + 1.0) * w / (1.0 - w))
                slope[backwards] += avalanche * bend / vbr
                # Broken down altogether, the cell is a voltage source.
                broken = u <= vbr
                first[broken], slope[broken] = np.inf, 0.0
    return first, slope
