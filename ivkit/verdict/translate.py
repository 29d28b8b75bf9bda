"""A measured sweep at another irradiance and temperature, in several ways beside each other.

IEC 60891's procedures 1 and 2 move the readings; procedure 3 goes between two sweeps of the same
panel; by the five parameters, the panel of the sweep is predicted in the wanted condition.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from uncertainties import ufloat

from ivkit.curve.fit import Fit
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.many import PARAMETERS
from ivkit.errors import RangeError, SweepError
from ivkit.panel.coefficients import Coefficients, coefficients_of
from ivkit.panel.conditions import LOW_LIGHT
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.iec60891 import STC_IRRADIANCE, STC_TEMPERATURE
from ivkit.panel.measured import Measured
from ivkit.panel.measured_panel import TOLD_APART
from ivkit.panel.translation import (
    FIVE,
    REACH_5,
    Translation,
    beyond_reach,
    by_procedure_1,
    by_procedure_2,
    by_procedure_3,
)
from ivkit.predict.facing import Facing
from ivkit.predict.of_sweep import panel_of_sweep
from ivkit.predict.prediction import predict
from ivkit.predict.scene import At, Mount, Scene, Warmth
from ivkit.predict.score import en_number
from ivkit.shown import Shown
from ivkit.verdict.conformity import DENIED, Conformity, FigureOff, conformity

_STILL = Mount(0.0, 0.0, 0.0)  # facing the light, without any other


@dataclass(frozen=True)
class PredictedPoints(KeyPoints):
    """Key points of a prediction; the power's own curvature is in ``p_mp``, W."""

    p_mp: Any = None


@dataclass(frozen=True)
class Translated(Shown):
    """A sweep at another condition, by every method that applies, and the answer.

    Attributes
    ----------
    fit : Of the sweep as measured.
    irradiance, temp_cell : UFloat. As measured, W/m2 and degC.
    from_voc : Whether the temperature is from the sweep's own Voc against the datasheet's: then Voc
        at the target tests nothing.
    to_irradiance, to_temperature : As wanted.
    by_method : tuple of Translation
    methods : tuple of str. Those that reach the target.
    key_points : The answer: the middle of these methods, with what they differ by as an uncertainty
        of its own. None where no method reaches that far.
    notes : tuple of str. What was assumed.
    warnings : tuple of str. Methods that cannot be used.
    stated : PredictedPoints or None. What the panel should have at the target, by the datasheet.
    conformity : At standard test conditions, to the datasheet.
    """

    fit: Fit
    irradiance: Any
    temp_cell: Any
    from_voc: bool
    to_irradiance: float
    to_temperature: float
    by_method: tuple[Translation, ...]
    methods: tuple[str, ...]
    key_points: KeyPoints | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    sheet: Datasheet | None = None
    stated: PredictedPoints | None = None
    conformity: Conformity | None = None

    @property
    def at_stc(self) -> bool:
        """Whether the target is the condition that a datasheet's power is stated for."""
        return (self.to_irradiance, self.to_temperature) == (STC_IRRADIANCE, STC_TEMPERATURE)


def translate(
    measured: Fit,
    to_irradiance: float = 1000.0,
    to_temperature: float = 25.0,
    *,
    sheet: Datasheet | None = None,
    technology: str = "c-Si",
    partner: Fit | None = None,
) -> Translated:
    """Translate a sweep to another irradiance (W/m2) and cell temperature (degC).

    Parameters
    ----------
    measured : Of a sweep whose condition is known.
    sheet : For the temperature coefficients and the verdict; without it those usual for
        ``technology`` are assumed.
    partner : Of a second sweep of the same panel at another condition, for procedure 3. Fit both
        with `ivkit.curve.fit.fit_each`, so that what they have in common stays so.

    Raises SweepError: the sweep's condition is not known, or no curve runs through it; RangeError:
    a target that makes no sense.
    """
    if not to_irradiance > 0:
        raise RangeError(
            f"target irradiance {to_irradiance:g} W/m2", "", "give one above 0, usually 1000"
        )
    sources = Measured(measured, sheet, technology)
    target = (to_irradiance, to_temperature)
    warnings = []
    by_method = []
    coefficients = None
    try:
        coefficients = _coefficients(sources, target)
    except RangeError as error:
        warnings.append(f"procedures 1 and 2 cannot be used: {error.what}")
    if coefficients is not None:
        by_method += [
            by_procedure_1(sources, coefficients, target),
            by_procedure_2(sources, coefficients, target),
        ]
        if partner is not None:
            by_method.append(by_procedure_3(sources, partner, coefficients, target))
    try:
        by_method.append(by_five_parameters(sources, target))
    except SweepError as error:
        warnings.append(f"the five parameters cannot be used: {error.what}")
    methods, answer = _answer(by_method)
    found = Translated(
        measured,
        sources.light,
        sources.heat,
        sources.from_voc,
        *target,
        tuple(by_method),
        methods,
        answer,
        tuple(sources.notes),
        tuple(warnings),
        sheet,
    )
    if sheet is None:
        return found
    found = replace(
        found,
        stated=predicted_points(
            Scene(sheet, Facing(to_irradiance), Warmth(to_temperature, 0.0), _STILL)
        ),
    )
    if answer is None or not found.at_stc:
        return found
    judged = conformity(answer.p_mp, sheet.p_mp, sheet.p_mp_tolerance, off=_figures_off(found))
    return replace(found, conformity=judged)


def predicted_points(scene: Scene, tied: Mapping[str, Any] | None = None) -> PredictedPoints:
    """Return the key points that a panel should have, facing its light.

    ``tied`` are variables 0 +- 1 that take the place of the panel's sources, by their names.
    """
    found, own = predict(scene, At.of(), ends=True), scene.variables
    points = {field.name: found.number(field.name) for field in fields(PredictedPoints)}
    for name in set(tied or ()) & set(own):
        for key, point in points.items():
            slope = point.derivatives.get(own[name], 0.0)
            points[key] = point + slope * (tied[name] - own[name]) if slope else point
    return PredictedPoints(**points)


def by_five_parameters(s: Measured, target: tuple[float, float]) -> Translation:
    """Return what the panel of the sweep should give at a target: W/m2 and degC.

    It is tied to what the procedures are tied to, but for the noise of the readings.

    Raises SweepError: one standard uncertainty off, it is no panel.
    """
    panel = panel_of_sweep(s.fit, s.sheet, s.kind.name, own_light=False).panel
    scene = Scene(panel, Facing(target[0]), Warmth(target[1], 0.0), _STILL)
    quantities = (s.light, s.heat, *s.law, *(s.fit.parameters[name] for name in PARAMETERS))
    variables = {v for q in quantities for v in getattr(q, "derivatives", {})}
    tied = {TOLD_APART.get(v.tag, v.tag): v for v in variables}
    remarks = ["five parameters by De Soto's equations, with the coefficients of the technology"]
    if min(s.here[0], target[0]) < LOW_LIGHT:
        remarks.append(
            f"below {LOW_LIGHT:g} W/m2 no module was measured: how the shunt goes on there is "
            "between constant and inverse to the irradiance"
        )
    too_far = tuple(beyond_reach(s, target, REACH_5))
    model = panel.panel().at(*target)
    return Translation(FIVE, predicted_points(scene, tied), model, None, too_far, tuple(remarks))


def _figures_off(found: Translated) -> tuple[FigureOff, ...]:
    """Return which of Isc and Voc, where the sheet states them, cannot be those of this panel."""
    assumed = {a.figure for a in found.sheet.assumed}
    off = []
    for label, name, key in (("Isc", "i_sc", "isc_A"), ("Voc", "v_oc", "voc_V")):
        ours, theirs = getattr(found.key_points, name), getattr(found.stated, name)
        circular = found.from_voc and name == "v_oc"
        if circular or key in assumed or not np.isfinite(ours.nominal_value):
            continue
        en = en_number(ours, theirs)
        if abs(en) > DENIED:
            off.append(FigureOff(label, ours, theirs, en))
    return tuple(off)


def _coefficients(sources: Measured, target: tuple[float, float]) -> Coefficients:
    """Return the procedures' coefficients, moving with what the panel's law is uncertain by.

    Raises RangeError: no coefficient brings the powers together.
    """
    middle = coefficients_of(sources.panel, *sources.here, *target)
    told = {field.name: getattr(middle, field.name) for field in fields(middle)}
    variables, panels = sources.varied()
    found = [coefficients_of(panel, *sources.here, *target) for panel in panels]
    for variable, up in zip(variables, found, strict=True):
        for name in told:
            moved = float(getattr(up, name) - getattr(middle, name))
            told[name] = told[name] + moved / variable.std_dev * variable
    return Coefficients(**told)


def _answer(by_method: list[Translation]) -> tuple[tuple[str, ...], KeyPoints | None]:
    """Return the methods that reach the target, and the middle between them.

    Which of them is right for this panel nobody knows: the truth may lie anywhere between the least
    and the greatest, a rectangle (GUM 4.3.7).
    """

    def told(t: Translation) -> bool:
        return bool(np.isfinite(t.key_points.p_mp.nominal_value))

    near = [t for t in by_method if not t.too_far and told(t)]
    if not near:
        return (), None
    if len(near) == 1:
        return (near[0].method,), near[0].key_points
    choice = ufloat(0.0, 1.0, "choice of procedure")
    points = {}
    for name in ("i_sc", "v_oc", "v_mp", "i_mp"):
        values = [getattr(t.key_points, name) for t in near]
        values = [q for q in values if np.isfinite(q.nominal_value)]
        if not values:
            points[name] = ufloat(np.nan, np.nan)
            continue
        least, most = (f(values, key=lambda q: q.nominal_value) for f in (min, max))
        spread = (most.nominal_value - least.nominal_value) / np.sqrt(12.0)
        points[name] = 0.5 * (least + most) + float(spread) * choice
    return tuple(t.method for t in near), KeyPoints(**points)
