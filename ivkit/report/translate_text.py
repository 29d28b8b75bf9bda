"""The answer of `ivkit translate`: the sweep elsewhere by every method, and its conformity."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from ivkit.answer import Answer, Column, Table
from ivkit.answer.lines import shown
from ivkit.answer.quantities import heading_of
from ivkit.answer.text import percent
from ivkit.curve.health import FLAGS
from ivkit.curve.uncertainty import budget
from ivkit.panel.temperature import FROM_VOC
from ivkit.report.key_points import KEY_POINTS, key_points
from ivkit.verdict.conformity import CONFORMS, DOES_NOT, IN_GUARD_BAND, Conformity

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.verdict.translate import Translated

_UNIT = {"Isc": "A", "Voc": "V"}
_BETTER = {
    "irradiance": "use a calibrated sensor in the plane of the panel",
    "datasheet Voc": "measure the cell temperature, on the back of the panel",
    "cell temperature": "put a second sensor on the back, or shade the panel until the sweep",
    "choice of procedure": "measure nearer to the target's irradiance and temperature",
}


def translate_answer(
    found: "Translated",
    based_on: Sequence[str] = (),
    figure: "Callable[[], Figure] | None" = None,
) -> Answer:
    """Return a translated sweep as an answer."""
    judged, sheet, points = found.conformity, found.sheet, key_points(found.key_points)
    verdict = judged.verdict if judged else None
    if sheet and found.at_stc and not found.methods:
        verdict = "undetermined"
    methods = [("as measured", (), found.fit.key_points)]
    methods += [(t.method, t.too_far, t.key_points) for t in found.by_method]
    ends = [("middle of these", (), found.key_points)] if found.methods else []
    ends += [("datasheet", (), found.stated)] if found.stated else []
    shares = budget(points["pmp_W"]) if points["pmp_W"] is not None else {}
    note = _differences(found) if found.methods else ""
    return Answer(
        "translate",
        headline(found),
        verdict,
        based_on,
        summary={
            "file": found.fit.sweep.name,
            "irradiance_W_m2": found.irradiance,
            "temp_cell_degC": found.temp_cell,
            "temp_cell_from": FROM_VOC if found.from_voc else None,
            "to_irradiance_W_m2": found.to_irradiance,
            "to_temp_cell_degC": found.to_temperature,
            **points,
            "methods": list(found.methods),
            "flags": list(found.fit.flags),
            **(_judged(judged) if judged else {}),
        },
        tables={
            "translations": _points(methods + ends, most_rows=0),
            "methods": _points(methods),
            **({"answer": _points(ends, note=note)} if found.methods else {}),
        },
        curves={
            t.method.replace(" ", "_"): Table(
                "", [Column("voltage_V", t.sweep.voltage), Column("current_A", t.sweep.current)]
            )
            for t in found.by_method
            if t.sweep is not None
        },
        budget={"pmp_W": shares} if shares else {},
        assumptions=[
            *found.notes,
            *(t.remarks[0] for t in found.by_method),
            *(map(str, sheet.assumed) if sheet else ()),
        ],
        notes=sheet.notes if sheet else (),
        warnings=[
            *(f"too far for {t.method}: {why}" for t in found.by_method for why in t.too_far),
            *(f"as measured, {': '.join(FLAGS[flag])}" for flag in found.fit.flags),
            *(remark for t in found.by_method for remark in t.remarks[1:]),
            *found.warnings,
        ],
        next=_next(judged, shares) if judged and judged.verdict == IN_GUARD_BAND else "",
        figure=figure,
    )


def _points(rows: Sequence[tuple[str, Sequence[str], Any]], **more: Any) -> Table:
    """Return key points, one row a method, and whether it reaches so far."""
    values = [key_points(points) for _, _, points in rows]
    made = [Column("method", [name for name, _, _ in rows])]
    for key in KEY_POINTS:
        u = [getattr(one[key], "std_dev", None) for one in values]
        made.append(Column(key, [one[key] for one in values], u))
    if any(far for _, far, _ in rows):
        made.append(Column("reaches", [not far for _, far, _ in rows]))
        made.append(Column("too_far", ["; ".join(far) for _, far, _ in rows], heading=None))
    return Table("", made, sideways=True, **more)


def _differences(found: "Translated") -> str:
    """Say how well Pmp is known, and how far the answer is from the datasheet."""
    power, told = found.key_points.p_mp, []
    known = f"95 % interval of Pmp: +-{percent(2 * power.std_dev / power.nominal_value)}."
    for key, stated in key_points(found.stated).items():
        ours = key_points(found.key_points)[key]
        if ours is not None and stated is not None:
            told.append(f"{heading_of(key)} {100 * (ours / stated - 1.0).nominal_value:+.1f} %")
    return f"{known} Against the datasheet: {', '.join(told)}." if told else known


def _judged(judged: Conformity) -> dict[str, Any]:
    """Return the decision by key."""
    return {
        "stated_pmp_W": judged.stated,
        "pmp_least_W": judged.low,
        "pmp_most_W": judged.high,
        "guard_band_W": judged.guard,
        "probability_within": judged.probability,
        "verdict_by_pmp": judged.power,
        "figures_off": [one.figure for one in judged.off],
        **{f"{one.figure.lower()}_en": one.en for one in judged.off},
    }


def headline(found: "Translated") -> str:
    """Return the answer to: does the panel conform to its datasheet."""
    name = found.fit.sweep.name or "the sweep"
    target = f"{found.to_irradiance:g} W/m2 and {found.to_temperature:g} degC"
    if found.key_points is None:
        furthest = found.by_method[-1]
        why = furthest.too_far[0] if furthest.too_far else "its maximum power is not resolved"
        return (
            f"What {name} gives at {target} could not be determined. No method reaches that far; "
            f"of {furthest.method}: {why}."
        )
    at = (
        f"{shown(found.key_points.p_mp, 'W')} at {target}, from {shown(found.irradiance)} W/m2 and "
        f"{shown(found.temp_cell)} degC{f' (from {FROM_VOC})' if found.from_voc else ''}"
    )
    judged = found.conformity
    if judged is None:
        why = "a datasheet's power is stated for 1000 W/m2 and 25 degC: translate there"
        if found.sheet is None:
            why = "give --datasheet or --module"
        return f"{name}: {at}; {why} to have its conformity judged."
    tolerance = f"{100 * found.sheet.p_mp_tolerance:g} %"
    low = f"the lower limit, {shown(judged.low, 'W')} ({shown(judged.stated, 'W')} - {tolerance})"
    guard = f"the guard band of {shown(float(f'{judged.guard:.2g}'), 'W')}"
    no = "The panel does not conform to its datasheet"
    if judged.off and judged.power != DOES_NOT:
        figures = ", ".join(
            f"{one.figure} {shown(one.measured, _UNIT[one.figure])} against "
            f"{shown(one.stated, _UNIT[one.figure])} (E_n {one.en:+.1f})"
            for one in judged.off
        )
        power = "though it gives the power" if judged.power == CONFORMS else "whatever its power"
        return (
            f"{no}, {power}: {at}; but {figures}. Look for another panel's sheet, or an irradiance "
            "or front end that is off."
        )
    if judged.power == CONFORMS:
        return f"The panel conforms to its datasheet: {at}, above {low}, by more than {guard}."
    if judged.power == IN_GUARD_BAND:
        return f"In the guard band: {at}, is within {guard} of {low}: the panel may conform or not."
    if judged.above:
        return (
            f"{no}, it gives more: {at}, above the upper limit, {shown(judged.high, 'W')}, by more "
            f"than {guard}. Look at the irradiance first: one read too low does this."
        )
    return f"{no}: {at}, below {low}, by more than {guard}."


def _next(judged: Conformity, shares: dict[str, float]) -> str:
    """Return what to measure next so that it can be decided."""
    first = next(iter(shares), "")
    part = percent(shares.get(first, 0.0))
    if judged.needed < 0.003 * judged.stated:
        return (
            "It lies so near that limit that no bench would decide it; "
            f"{part} of the variance is {first}."
        )
    return (
        "If this value stays, a standard uncertainty of "
        f"{shown(float(f'{judged.needed:.2g}'), 'W')} decides; {part} of the variance now is "
        f"{first}: {_BETTER.get(first, 'find this one out first')}."
    )
