"""Each way to translate a sweep, and how far it may be trusted.

Limits: procedure 1 within 20 % of the irradiance (the usual statement of IEC 60891, from memory,
its text not at hand); the others common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from uncertainties import ufloat

from ivkit.curve.diode import SingleDiode, solve_voltage
from ivkit.curve.fit import Fit, fit
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.many import PARAMETERS
from ivkit.errors import SweepError
from ivkit.panel.coefficients import U_KAPPA, U_LOG, U_RESISTANCE, Coefficients
from ivkit.panel.iec60891 import procedure_1, procedure_2, procedure_3
from ivkit.panel.measured import Measured, plain, uncertain
from ivkit.panel.translated_sweep import Procedure, translated_sweep
from ivkit.readings.sweep import Condition, Sweep

ONE, TWO, THREE, FIVE = "procedure 1", "procedure 2", "procedure 3", "five parameters"

REACH_1, REACH_2, REACH_5 = 1.25, 2.0, 5.0  # of the irradiances, either way
REACH_3 = 0.2  # beyond the two sweeps, as a part of the way between them
WIDE_3 = 3.0  # of the two sweeps' irradiances: Voc follows the logarithm, the procedure a line
FAR_TEMPERATURE = 40.0  # K

Target = tuple[float, float]  # irradiance (W/m2) and cell temperature (degC)


@dataclass(frozen=True)
class Translation:
    """A sweep at another condition, by one method.

    Attributes
    ----------
    method : ``"procedure 1"``, ``"procedure 2"``, ``"procedure 3"`` or ``"five parameters"``.
    key_points : As uncertain numbers; NaN for what cannot be told.
    model : The curve there.
    sweep : The translated readings; None for the five parameters, which translate the curve.
    too_far : tuple of str. Why the translation reaches further than the method allows; empty where
        it does not.
    remarks : tuple of str. What weakens a part of it.
    """

    method: str
    key_points: KeyPoints
    model: SingleDiode | None
    sweep: Sweep | None
    too_far: tuple[str, ...]
    remarks: tuple[str, ...]


def _of_procedure(q: Mapping[str, float], g2: float) -> tuple[float, float]:
    """Return alpha (A/K) and beta (V/K) at the wanted irradiance, of the panel itself."""
    i_sc = q["i_sc1"] * g2 / q["g1"]
    v_oc = q["v_oc1"] / (1.0 + q["beta"] * (q["t1"] - 25.0))
    return q["alpha"] * i_sc, q["beta"] * v_oc


def by_procedure_1(s: Measured, c: Coefficients, target: Target) -> Translation:
    """Move the readings by procedure 1 of IEC 60891."""

    def procedure(v, i, q):
        alpha, beta = _of_procedure(q, target[0])
        return procedure_1(
            v, i, q["i_sc1"], q["g1"], q["t1"], *target, alpha, beta, q["rs"], q["kappa"]
        )

    inputs = s.inputs(target) | {
        "rs": c.resistance_1 + _share(c.resistance_1, U_RESISTANCE, "Rs of procedure 1"),
        "kappa": c.kappa_1 + _share(c.kappa_1, U_KAPPA, "kappa of procedure 1"),
    }
    note = (
        f"procedure 1 with Rs {plain(c.resistance_1):.3g} ohm and kappa "
        f"{1e3 * plain(c.kappa_1):.3g} mohm/K, from the sweep's own five parameters"
    )
    return _moved(s, ONE, procedure, inputs, target, beyond_reach(s, target, REACH_1), note)


def by_procedure_2(s: Measured, c: Coefficients, target: Target) -> Translation:
    """Move the readings by procedure 2 of IEC 60891, edition 2."""

    def procedure(v, i, q):
        own = (q[name] for name in ("alpha", "beta", "a", "rs", "kappa"))
        return procedure_2(v, i, q["v_oc1"], q["g1"], q["t1"], *target, *own)

    inputs = s.inputs(target) | {
        "rs": c.resistance_2 + _share(c.resistance_2, U_RESISTANCE, "R's of procedure 2"),
        "kappa": c.kappa_2 + _share(c.kappa_2, U_KAPPA, "kappa' of procedure 2"),
        "a": c.a + _share(c.a, U_LOG, "a of procedure 2"),
    }
    note = (
        f"procedure 2 with R's {plain(c.resistance_2):.3g} ohm, kappa' "
        f"{1e3 * plain(c.kappa_2):.3g} mohm/K and a {plain(c.a):.3g}, from the sweep's own five "
        "parameters"
    )
    return _moved(s, TWO, procedure, inputs, target, beyond_reach(s, target, REACH_2), note)


def by_procedure_3(s: Measured, partner: Fit, c: Coefficients, target: Target) -> Translation:
    """Interpolate between two sweeps, then take what temperature is left by procedure 1.

    The readings of the first sweep are paired with the fitted curve of the second.

    Raises SweepError: the two have the same irradiance, or the second has no condition or no curve.
    """
    other = Measured(partner, s.sheet, s.kind.name)
    if not other.from_voc:
        other.heat = _other_name(other.heat, "cell temperature of the second sweep")
    other.light = _other_name(other.light, "irradiance of the second sweep")
    s.notes += s.coefficient_seen(other)
    s.notes += [note for note in other.notes if note not in s.notes]
    light_a, light_b = s.here[0], other.here[0]
    if abs(light_b / light_a - 1.0) < 0.05:
        raise SweepError(
            f"both sweeps have about {light_a:g} W/m2",
            partner.sweep.name,
            "procedure 3 needs two irradiances: give each sweep its own, or one sweep at a time",
        )
    named = [name for name in PARAMETERS if partner.parameters[name] is not None]
    curve = dict(zip(PARAMETERS, partner.model.raw, strict=True))

    def step(q):
        part = (target[0] - q["g1"]) / (q["g_b"] - q["g1"])
        return part, q["t1"] + part * (q["t_b"] - q["t1"])

    def procedure(v, i, q):
        part, heat = step(q)
        five = [q.get(f"b {name}", curve[name]) for name in PARAMETERS]
        if "b resistance_shunt" in q:
            five[3] = 1.0 / q["b resistance_shunt"]
        i_b = i + q["i_sc_b"] - q["i_sc1"]
        v3, i3 = procedure_3(v, i, solve_voltage(i_b, *five), i_b, part)
        alpha, beta = _of_procedure(q, target[0])
        return procedure_1(v3, i3, 0.0, 1.0, heat, 1.0, target[1], alpha, beta, 0.0, q["kappa"])

    inputs = s.inputs(None) | {
        "g_b": other.light,
        "t_b": other.heat,
        "i_sc_b": partner.key_points.i_sc,
        "kappa": c.kappa_1 + _share(c.kappa_1, U_KAPPA, "kappa of procedure 1"),
        **{f"b {name}": partner.parameters[name] for name in named},
    }
    part, heat = step({k: plain(q) for k, q in inputs.items()})
    too_far = []
    if not -REACH_3 <= part <= 1 + REACH_3:
        beyond = max(-part, part - 1.0)
        too_far.append(
            f"{target[0]:g} W/m2 lies outside of the two sweeps by {beyond:.3g} of the way between "
            f"them, more than {REACH_3:g}: add a sweep on the other side"
        )
    if max(light_a / light_b, light_b / light_a) > WIDE_3:
        too_far.append(
            f"the sweeps at {light_a:g} and {light_b:g} W/m2 are more than a factor of {WIDE_3:g} "
            "apart: take them nearer together"
        )
    if abs(target[1] - heat) > FAR_TEMPERATURE:
        too_far.append(_far_in_temperature(heat, target[1]))
    note = (
        f"procedure 3 with a = {part:.3g} between {light_a:g} and {light_b:g} W/m2, which lands at "
        f"{heat:.1f} degC; the other {target[1] - heat:.1f} K by procedure 1"
    )
    return _moved(s, THREE, procedure, inputs, target, too_far, note)


def _moved(
    s: Measured,
    method: str,
    procedure: Procedure,
    inputs: Mapping[str, Any],
    target: Target,
    too_far: list[str],
    note: str,
) -> Translation:
    """Return a translation of the readings, fitted again."""
    told, named = translated_sweep(
        s.fit.sweep, procedure, inputs, s.effects, Condition(*target), note
    )
    again = fit(told, named)
    remarks = [note]
    lowest = float(told.current.min())
    if again.model is not None and lowest > 0.02 * float(told.current.max()):
        remarks.append(
            f"{method}: no translated reading comes nearer to open circuit than {lowest:.3g} A, so "
            "that Voc is the curve's, beyond the readings; read at negative current, or in light "
            "as bright as the target's"
        )
    nothing = ufloat(np.nan, np.nan)
    points = again.key_points or KeyPoints(nothing, nothing, nothing, nothing)
    return Translation(method, points, again.model, told, tuple(too_far), tuple(remarks))


def beyond_reach(s: Measured, target: Target, reach: float) -> list[str]:
    """Return why a step is too far for a method, in light and in temperature."""
    light, heat = s.here
    too_far = []
    factor = target[0] / light
    if max(factor, 1.0 / factor) > reach * (1 + 1e-9):
        too_far.append(
            f"{light:g} to {target[0]:g} W/m2 is a factor of {factor:.3g}, and it is good for "
            f"{1 / reach:.2g} to {reach:.3g}: measure between {target[0] / reach:.0f} and "
            f"{target[0] * reach:.0f} W/m2"
        )
    if abs(target[1] - heat) > FAR_TEMPERATURE:
        too_far.append(_far_in_temperature(heat, target[1]))
    return too_far


def _far_in_temperature(heat: float, wanted: float) -> str:
    return (
        f"{heat:.1f} to {wanted:g} degC is more than {FAR_TEMPERATURE:g} K: measure nearer to the "
        "target's temperature"
    )


def _share(value: Any, share: float, name: str) -> Any:
    """Return 0 with an uncertainty of so much of a value, of its own."""
    size = abs(share * getattr(value, "nominal_value", value))
    return uncertain(0.0, size, name) if size else 0.0


def _other_name(quantity: Any, name: str) -> Any:
    """Return the condition of the second sweep: another variable than that of the first."""
    return uncertain(quantity.nominal_value, quantity.std_dev, name)
