"""A measured sweep at another irradiance and temperature, in several ways beside each other.

IEC 60891's procedures 1 and 2 move the readings; procedure 3 goes between two sweeps of the same
panel; the five-parameter translation moves the fitted curve by De Soto's equations.
"""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from uncertainties import ufloat

from ivkit.curve.fit import Fit
from ivkit.curve.key_points import KeyPoints
from ivkit.errors import RangeError
from ivkit.panel.coefficients import Coefficients, coefficients_of
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.measured import Measured
from ivkit.panel.translation import (
    Translation,
    by_five_parameters,
    by_procedure_1,
    by_procedure_2,
    by_procedure_3,
)
from ivkit.shown import Shown


@dataclass(frozen=True)
class Translated(Shown):
    """A sweep at another condition, by every method that applies, and the answer.

    Attributes
    ----------
    fit : Fit
        Of the sweep as measured.
    irradiance, temp_cell : UFloat
        As measured, W/m2 and degC.
    from_voc : bool
        Whether the temperature is from the sweep's own Voc against the datasheet's: then Voc at the
        target tests nothing.
    to_irradiance, to_temperature : float
        As wanted.
    by_method : tuple of Translation
    methods : tuple of str
        Those that reach the target.
    key_points : KeyPoints or None
        The answer: the middle of these methods, with what they differ by as an uncertainty of its
        own. None where no method reaches that far.
    notes : tuple of str
        What was assumed.
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
    measured : Fit
        Of a sweep whose condition is known.
    sheet : Datasheet, optional
        For the temperature coefficients; without it those usual for ``technology`` are assumed.
    partner : Fit, optional
        Of a second sweep of the same panel at another condition, for procedure 3. Fit both with
        `ivkit.curve.fit.fit_each`, so that what they have in common stays so.

    Raises
    ------
    SweepError
        The sweep's condition is not known, or no curve runs through it.
    RangeError
        A target that makes no sense.
    """
    if not to_irradiance > 0:
        raise RangeError(
            f"target irradiance {to_irradiance:g} W/m2", "", "give one above 0, usually 1000"
        )
    sources = Measured(measured, sheet, technology)
    target = (to_irradiance, to_temperature)
    notes = []
    by_method = []
    coefficients = None
    try:
        coefficients = _coefficients(sources, target)
    except RangeError as error:
        notes.append(f"procedures 1 and 2 cannot be used: {error.what}")
    if coefficients is not None:
        by_method += [
            by_procedure_1(sources, coefficients, target),
            by_procedure_2(sources, coefficients, target),
        ]
        if partner is not None:
            by_method.append(by_procedure_3(sources, partner, coefficients, target))
    by_method.append(by_five_parameters(sources, target))
    notes += sources.notes
    methods, answer = _answer(by_method)
    return Translated(
        measured,
        sources.light,
        sources.heat,
        sources.from_voc,
        to_irradiance,
        to_temperature,
        tuple(by_method),
        methods,
        answer,
        tuple(notes),
    )


def _coefficients(sources: Measured, target: tuple[float, float]) -> Coefficients:
    """Return the procedures' coefficients, moving with what the panel's law is uncertain by.

    Raises
    ------
    RangeError
        No coefficient brings the powers together.
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
