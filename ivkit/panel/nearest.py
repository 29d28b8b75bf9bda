"""The panel nearest to a datasheet whose figures no physical panel has to the last digit.

About every fifth module of the open CEC table has an Imp or a Vmp, rounded as it is printed,
that would need a negative resistance. Isc, Voc, Pmp and both temperature coefficients are then
kept as they stand; the resistance that turned negative is left out, and the maximum-power point
moves along the curve to where Pmp is had. In the table that moves Vmp by half a percent in the
median and by 4 % at most.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.diode import solve_max_power
from ivkit.curve.many import PARAMETERS
from ivkit.panel.bracket import rising_root
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.desoto import Array, Outcome, Scaled, solve_desoto

_SUBSTITUTIONS = 12  # each takes two digits off what A lacks


@dataclass(frozen=True)
class NearestPanel:
    """Five parameters of each panel, exact or nearest.

    Attributes
    ----------
    panel : ReferencePanel
        With arrays of the figures' shape; NaN where not even the fill factor can be had.
    outcome : ndarray of int
        Values of `ivkit.panel.desoto.Outcome` of the exact solution.
    v_mp, i_mp : ndarray
        Maximum-power point of the panel, V and A: the stated one where there is an exact
        solution.
    """

    panel: ReferencePanel
    outcome: NDArray[np.int64]
    v_mp: Any
    i_mp: Any


def nearest_panel(
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
) -> NearestPanel:
    """Return the five parameters that meet the figures, or come nearest to them.

    The arguments are those of `ivkit.panel.desoto.solve_desoto`.

    Examples
    --------
    >>> near = nearest_panel(8.59, 37.62, 8.17, 30.6, 0.004615, -0.134078)
    >>> print(near.panel.resistance_shunt, near.v_mp.round(2), near.i_mp.round(2))
    inf 30.7 8.14
    """
    reference = {"EgRef": EgRef, "dEgdT": dEgdT, "temp_ref": temp_ref}
    exact = solve_desoto(i_sc, v_oc, i_mp, v_mp, alpha_sc, beta_voc, cells, **reference)
    figures = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (i_sc, v_oc, i_mp, v_mp, alpha_sc, beta_voc))
    )
    isc, voc, imp, vmp, *_ = figures
    parameters = [np.array(getattr(exact.panel, name)) for name in PARAMETERS]
    v_top, i_top = np.array(vmp), np.array(imp)
    no_shunt = np.isin(exact.outcome, (Outcome.NEGATIVE_SHUNT, Outcome.TOO_SQUARE))
    for where, edge in (
        (no_shunt, _without_shunt),
        (exact.outcome == Outcome.NEGATIVE_SERIES, _without_series),
    ):
        if not np.any(where):
            continue
        ohm = (voc / isc)[where]
        scaled = Scaled.of([x[where] for x in figures], EgRef, dEgdT, temp_ref)
        with np.errstate(all="ignore"):
            il, i0, r, g, a, v, i = _keep_power(scaled, edge)
            for kept, value in zip(
                parameters,
                (il * isc[where], i0 * isc[where], r * ohm, ohm / g, a * voc[where]),
                strict=True,
            ):
                kept[where] = value
        v_top[where], i_top[where] = v * voc[where], i * isc[where]
    panel = ReferencePanel(*(x[()] for x in parameters), figures[4][()], cells, **reference)
    return NearestPanel(panel, exact.outcome, v_top[()], i_top[()])


def _keep_power(scaled: Scaled, edge) -> tuple[Array, ...]:
    """Return the scaled curve at the edge of what is physical that has the stated power."""
    wanted = scaled.m * scaled.w
    low = np.zeros(wanted.shape)

    def lacks(x: Array) -> Array:
        v, i = solve_max_power(*edge(scaled, x))
        return wanted - v * i

    possible = lacks(low) <= 0
    at = rising_root(lacks, low, np.full(wanted.shape, 0.99), 2)
    curve = edge(scaled, at)
    v, i = solve_max_power(*curve)
    return tuple(np.where(possible, x, np.nan) for x in (*curve, v, i))


def _without_shunt(scaled: Scaled, r: Array) -> tuple[Array, ...]:
    """Return IL, I0, r, 0 and A through both ends, with the right warmer Voc."""
    return _warmer(scaled, r, np.zeros(r.shape))


def _without_series(scaled: Scaled, g: Array) -> tuple[Array, ...]:
    """Return IL, I0, 0, G and A through both ends, with the right warmer Voc."""
    return _warmer(scaled, np.zeros(g.shape), g)


def _warmer(scaled: Scaled, r: Array, g: Array) -> tuple[Array, ...]:
    """Return the five of the curve with this r and G through short and open circuit."""

    def ends(A: Array) -> tuple[Array, Array]:
        i0 = (1.0 - g * (1.0 - r)) / (np.exp(1.0 / A) - np.exp(r / A))
        return i0 * np.expm1(1.0 / A) + g, i0

    rise = 1.0 - scaled.warm_v * scaled.ratio
    A = np.broadcast_to(rise / scaled.log_rho, r.shape)
    for _ in range(_SUBSTITUTIONS):
        il, i0 = ends(A)
        warm = il + scaled.more_i - scaled.warm_v * g + i0 * np.exp(scaled.log_rho)
        A = rise / (scaled.log_rho - np.log(warm / i0) + 1.0 / A)
    return *ends(A), r, g, A
