"""How a panel leaves its datasheet's condition: twelve quantities that no thin sheet states.

Isc, Voc and maximum power at 1000 W/m2 and 25 degC are stated; what the panel does elsewhere hangs
on its temperature coefficients, the diode's ideality, the shunt and how it follows the light, and
what measured modules do besides (`ivkit.panel.conditions`). Each is an input quantity with a prior
that its technology gives (`ivkit.panel.technology`). What a datasheet states besides, as Vmp, the
coefficient of Pmp or the power at 200 W/m2, or measured key points in several conditions,
constrain them together: generalised least squares with the prior, linearised at the solution
(JCGM 100:2008, 5.2; its Bayesian reading: Gelman et al., Bayesian Data Analysis, 3rd ed.
(2013), 14.8, from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.diode import SingleDiode
from ivkit.curve.many import PARAMETERS
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.reference import curve_through

Array = NDArray[np.float64]

#: What the law consists of, in the order of its vectors: coefficients of Isc and Voc (%/K), the
#: logarithms of a/Voc and of Rsh Isc/Voc at 200 W/m2, and the exponents and coefficients of
#: `ivkit.panel.conditions.ReferencePanel` by their names there.
LAW = (
    "alpha",
    "beta",
    "ideality",
    "shunt",
    "shunt_exponent",
    "shunt_exponent_low",
    "current_exponent",
    "diode_exponent",
    "diode_bend",
    "series_per_K",
    "series_exponent",
    "shunt_per_K",
)
#: The same for people, as names of input quantities.
NAMES = (
    "temperature coefficient of Isc",
    "temperature coefficient of Voc",
    "diode ideality factor",
    "shunt at 200 W/m2",
    "shunt against irradiance",
    "shunt below 100 W/m2",
    "linearity of Isc",
    "Voc against irradiance",
    "Voc against irradiance, curvature",
    "series resistance against temperature",
    "series resistance against irradiance",
    "shunt against temperature",
)
#: What the best law leaves of a measured power far from the reference, rms, as a fraction: 0.4 to
#: 0.8 % for silicon in the matrices of NREL/TP-5200-61610. It is not shared between conditions.
LEFT_OVER = 0.006
LOW = 200.0  # W/m2, where the shunt is stated, and where EN 50380 asks for the power
_ASIDE = 20.0  # K to either side of 25 degC, between which a coefficient of Pmp is taken
_STEPS, _SETTLED = 8, 0.02  # of a Gauss-Newton search, and the step in prior u that ends it
_MANY = 12  # statements, from which on their scatter is told
_STEP = 0.1  # of a prior standard uncertainty, to either side, for a slope


@dataclass(frozen=True)
class Statement:
    """One thing that is known of a panel besides Isc, Voc and Pmp at the reference.

    Attributes
    ----------
    quantity : ``i_sc``, ``v_oc``, ``v_mp``, ``i_mp``, ``p_mp``; or ``gamma``, the coefficient of
        Pmp.
    value : A, V, W; or %/K.
    u : Its standard uncertainty against the reference's figures, as a fraction; or in %/K.
    irradiance, temp_cell : W/m2 and degC; without a meaning for ``gamma``.
    """

    quantity: str
    value: float
    u: float
    irradiance: float = 1000.0
    temp_cell: float = 25.0


def left_over(panel: ReferencePanel, irradiance: ArrayLike, temp_cell: ArrayLike) -> Array:
    """Return what no law of a panel accounts for in one condition, as a fraction, 1 sigma.

    Nothing at the panel's own reference; all of `LEFT_OVER` at a half or a twice of its irradiance,
    or 20 K away from it.
    """
    light = np.asarray(irradiance, dtype=float) / panel.irradiance_ref
    doublings = np.abs(np.log2(np.maximum(light, 1e-9)))
    warmer = np.abs(np.asarray(temp_cell, dtype=float) - panel.temp_ref) / 20.0
    return LEFT_OVER * np.minimum(np.hypot(doublings, warmer), 1.0)


def panel_by_law(
    i_sc: ArrayLike, v_oc: ArrayLike, p_mp: ArrayLike, law: ArrayLike, cells: int | None = None
) -> ReferencePanel:
    """Return the panel with these figures at 1000 W/m2 and 25 degC, and this law.

    Parameters
    ----------
    i_sc, v_oc, p_mp : array_like, shape (...). A, V, W.
    law : array_like, shape (..., 12). In the order of `LAW`.

    Returns ReferencePanel: Of arrays; NaN where no curve has these figures.
    """
    alpha, beta, width, shunt, *others = np.moveaxis(np.asarray(law, dtype=float), -1, 0)
    isc, voc, pmp = (np.asarray(x, dtype=float) for x in (i_sc, v_oc, p_mp))
    A = np.exp(width)
    fraction = LOW / 1000.0
    v_low = voc * np.maximum(1.0 + A * np.log(fraction), 0.1)
    rsh = np.exp(shunt) * v_low / (isc * fraction) * fraction ** others[0]
    il, i0, rs, rsh, a = curve_through(isc, voc, pmp, A * voc, rsh)
    moves = dict(zip(LAW[4:], others, strict=True))
    panel = ReferencePanel(
        il, i0, rs, rsh, a, alpha / 100 * isc, cells, EgRef=1.2, dEgdT=0.0, **moves
    )
    return panel.with_beta(beta / 100)


def panel_of_curve(
    model: SingleDiode,
    effective_irradiance: ArrayLike,
    temp_cell: ArrayLike,
    law: ArrayLike,
    cells: int | None = None,
) -> ReferencePanel:
    """Return the panel that has a curve in one light, and leaves it by a law.

    Parameters
    ----------
    model : Of parameters of shape (...).
    effective_irradiance, temp_cell : array_like, shape (...). W/m2, above 0, and degC.
    law : array_like, shape (..., 12). In the order of `LAW`; the curve itself says what ideality
        and shunt are.

    Returns ReferencePanel: Whose reference is this condition.
    """
    alpha, beta, _, _, *others = np.moveaxis(np.asarray(law, dtype=float), -1, 0)
    light, heat = (np.asarray(x, dtype=float) for x in (effective_irradiance, temp_cell))
    moves = dict(zip(LAW[4:], others, strict=True))
    # The parabola in the logarithm of the irradiance is given about 1000 W/m2.
    bend = 2.0 * moves["diode_bend"] * np.log(light / 1000.0)
    moves["diode_exponent"] = moves["diode_exponent"] + bend
    at_25 = model.photocurrent / (1.0 + alpha / 100 * (heat - 25.0))
    five = (getattr(model, name) for name in PARAMETERS)
    reference = {"EgRef": 1.2, "dEgdT": 0.0, "irradiance_ref": light, "temp_ref": heat}
    panel = ReferencePanel(*five, alpha / 100 * at_25, cells, **reference, **moves)
    return panel.with_beta(beta / 100)


def gamma_of(i_sc: float, v_oc: float, p_mp: float, law: ArrayLike) -> float:
    """Return the coefficient of Pmp at 1000 W/m2 between 5 and 45 degC that a law gives, %/K.

    The arguments are those of `panel_by_law`, of one panel.
    """
    hot, cold = (25.0 + sign * _ASIDE for sign in (1, -1))
    power = panel_by_law(i_sc, v_oc, p_mp, law).at(1000.0, [hot, cold]).key_points().p_mp
    return float(100 * (power[0] - power[1]) / (hot - cold) / p_mp)


def constrain(
    i_sc: float,
    v_oc: float,
    p_mp: float,
    prior: Array,
    u_prior: Array,
    statements: Sequence[Statement],
) -> tuple[Array, Array]:
    """Return the law that statements leave of its prior, and a factor of its covariance.

    Parameters
    ----------
    i_sc, v_oc, p_mp : At the reference, A, V, W.
    prior, u_prior : shape (12,). Value and standard uncertainty of each quantity; their errors are
        independent.
    statements : sequence of Statement. Those without a finite value, uncertainty and condition are
        passed over.

    Returns law: ndarray, shape (12,); factor: ndarray, shape (12, 12). Row j is what one standard
    uncertainty of the j-th independent input quantity does to the law: the covariance is ``factor.T
    @ factor``. Upper triangular: the j-th moves nothing that stands before it in `LAW`.
    """
    statements = [s for s in statements if _says_something(s)]
    law, normal, lack = _settled(i_sc, v_oc, p_mp, prior, u_prior, statements)
    enlarged = _enlarged(statements, lack, len(LAW) - np.trace(np.linalg.inv(normal)))
    if enlarged != statements:
        law, normal, _ = _settled(i_sc, v_oc, p_mp, law, u_prior, enlarged, prior)
    covariance = np.linalg.inv(normal) * np.outer(u_prior, u_prior)
    return law, np.linalg.cholesky(covariance).T


def _settled(
    i_sc: float,
    v_oc: float,
    p_mp: float,
    start: Array,
    u_prior: Array,
    statements: Sequence[Statement],
    prior: Array | None = None,
) -> tuple[Array, Array, Array]:
    """Return the law of least cost, its normal matrix in prior u, and what statements lack, in u.

    The prior is where it starts, unless given.
    """
    prior = start if prior is None else prior
    law, count = np.array(start, dtype=float), len(LAW)
    aside = np.diag(_STEP * u_prior)
    steps = np.concatenate([np.zeros((1, count)), aside, -aside])
    normal, lack = np.eye(count), np.zeros(len(statements))
    for _ in range(_STEPS if statements else 0):
        found = _lacks(i_sc, v_oc, p_mp, law + steps, statements)
        slopes = (found[1 : 1 + count] - found[1 + count :]).T / (2 * _STEP)  # a prior u each
        # Where no panel is, a statement says nothing.
        slopes = np.where(np.isfinite(slopes), slopes, 0.0)
        lack = np.where(np.isfinite(found[0]), found[0], 0.0)
        normal = slopes.T @ slopes + np.eye(count)
        step = np.linalg.solve(normal, -slopes.T @ lack - (law - prior) / u_prior)
        # A long step leaves what the tangent is good for.
        step *= min(1.0, 1.5 / max(np.max(np.abs(step)), 1e-300))
        law = law + step * u_prior
        if np.max(np.abs(step)) < _SETTLED:
            break
    return law, normal, lack


def _enlarged(statements: Sequence[Statement], lack: Array, used: float) -> list[Statement]:
    """Return statements with the uncertainty by which they scatter about the law, if it is more.

    Birge's ratio (R. T. Birge, Phys. Rev. 40 (1932) 207, from memory), where there are `_MANY`
    or more; ``used`` is how many parameters they determine.
    """
    if len(statements) < _MANY:
        return list(statements)
    ratio = np.sqrt(np.sum(lack**2) / max(len(lack) - used, 0.2 * len(lack)))
    return [replace(s, u=s.u * max(1.0, float(ratio))) for s in statements]


def _says_something(statement: Statement) -> bool:
    """Return whether a statement has a value at all: a reading that failed holds none."""
    numbers = (statement.value, statement.u, statement.irradiance, statement.temp_cell)
    sense = statement.quantity == "gamma" or min(statement.value, statement.irradiance) > 0
    return bool(np.all(np.isfinite(numbers)) and statement.u > 0 and sense)


def _lacks(
    i_sc: float, v_oc: float, p_mp: float, laws: Array, statements: Sequence[Statement]
) -> Array:
    """Return what laws, shape (B, 12), make of statements against what they say, in u: (B, S)."""
    panel = panel_by_law(*np.full((3, len(laws)), np.array([[i_sc], [v_oc], [p_mp]])), laws)
    rows = panel.each(lambda values: values[:, None])
    # Each condition is solved once; the last two are those of the coefficient of Pmp.
    aside = [(1000.0, 25.0 + sign * _ASIDE) for sign in (1, -1)]
    told = [(s.irradiance, s.temp_cell) for s in statements if s.quantity != "gamma"]
    places = {condition: k for k, condition in enumerate(dict.fromkeys([*told, *aside]))}
    light, heat = np.array(list(places)).T
    out = np.empty((len(laws), len(statements)))
    with np.errstate(all="ignore"):
        points = rows.at(light, heat).key_points()
        for k, statement in enumerate(statements):
            if statement.quantity == "gamma":
                hot, cold = (points.p_mp[:, places[condition]] for condition in aside)
                gamma = 100 * (hot - cold) / (2 * _ASIDE * p_mp)
                out[:, k] = (gamma - statement.value) / statement.u
            else:
                at = places[statement.irradiance, statement.temp_cell]
                value = getattr(points, statement.quantity)[:, at]
                out[:, k] = np.log(value / statement.value) / statement.u
    return out
