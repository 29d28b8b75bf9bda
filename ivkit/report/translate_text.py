"""A translated sweep in words, as JSON, and as a table: the methods, and the promise."""

from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.curve.health import FLAGS
from ivkit.curve.uncertainty import budget
from ivkit.panel.iec60891 import STC_IRRADIANCE, STC_TEMPERATURE
from ivkit.panel.temperature import FROM_VOC
from ivkit.report.sweep_answer import KEY_POINTS, shown
from ivkit.report.text import bullets, number, percent, table, wrap
from ivkit.verdict.promise import (
    CANNOT_TELL,
    DENIED,
    IS,
    IS_NOT,
    MORE,
    Promise,
    keeps_promise,
    normalised_error,
)

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.panel.datasheet import Datasheet
    from ivkit.panel.translate import Translated

ANSWER = "middle of these"
_UNIT = {"Isc": "A", "Voc": "V"}
_BETTER = {
    "irradiance": "use a calibrated sensor in the plane of the panel",
    "datasheet Voc": "measure the cell temperature, on the back of the panel",
    "cell temperature": "put a second sensor on the back, or shade the panel until the sweep",
    "choice of procedure": "measure nearer to the target's light and temperature",
}


def promise_of(found: "Translated", sheet: "Datasheet | None") -> Promise | None:
    """Return the verdict on Pmp; None without a datasheet, an answer, or away from STC."""
    if sheet is None or found.key_points is None:
        return None
    if (found.to_irradiance, found.to_temperature) != (STC_IRRADIANCE, STC_TEMPERATURE):
        return None
    return keeps_promise(found.key_points.p_mp, sheet.p_mp, sheet.p_mp_tolerance)


def figures_off(found: "Translated", sheet: "Datasheet") -> list[tuple[str, Any, Any, float]]:
    """Return which of Isc and Voc, where the sheet states them, cannot be those of this panel.

    Label, measured, stated and E_n of each.
    """
    assumed = {a.figure for a in sheet.assumed}
    stated = _promised(found, sheet)
    off = []
    for label, name, key in (("Isc", "i_sc", "isc_A"), ("Voc", "v_oc", "voc_V")):
        ours, theirs = getattr(found.key_points, name), getattr(stated, name)
        circular = found.from_voc and name == "v_oc"
        if circular or key in assumed or not np.isfinite(ours.nominal_value):
            continue
        score = normalised_error(ours, theirs)
        if abs(score) > DENIED:
            off.append((label, ours, theirs, score))
    return off


def verdict_of(found: "Translated", sheet: "Datasheet | None") -> str | None:
    """Return the verdict: that on Pmp, unless another stated figure is not this panel's."""
    promise = promise_of(found, sheet)
    if promise is None:
        return None
    if promise.verdict in (IS, CANNOT_TELL) and figures_off(found, sheet):
        return IS_NOT
    return promise.verdict


def _target(found: "Translated") -> str:
    return f"{found.to_irradiance:g} W/m2 and {found.to_temperature:g} degC"


def sentence(found: "Translated", sheet: "Datasheet | None") -> str:
    """Return the answer to: is this the panel that the datasheet promises."""
    if found.key_points is None:
        furthest = found.by_method[-1]
        why = furthest.too_far[0] if furthest.too_far else "maximum power cannot be told"
        return (
            f"Cannot tell what {found.fit.sweep.name or 'the sweep'} is at {_target(found)}. No "
            f"method reaches that far; of {furthest.method}: {why}."
        )
    points = found.key_points
    at = (
        f"{shown(points.p_mp, 'W')} at {_target(found)}, from "
        f"{number(found.irradiance.nominal_value, found.irradiance.std_dev)} W/m2 and "
        f"{number(found.temp_cell.nominal_value, found.temp_cell.std_dev)} degC"
    )
    if found.from_voc:
        at += f" (from {FROM_VOC})"
    promise = promise_of(found, sheet)
    if promise is None:
        why = (
            "give --datasheet or --module to hear whether that is what was promised"
            if sheet is None
            else "a datasheet promises for 1000 W/m2 and 25 degC: translate there for a verdict"
        )
        return f"{found.fit.sweep.name or 'The sweep'}: {at}; {why}."
    limit = (
        f"{number(promise.low, None, 'W')} ({number(promise.promised, None, 'W')} - "
        f"{100 * sheet.p_mp_tolerance:g} %)"
    )
    off = figures_off(found, sheet)
    if promise.verdict in (IS, CANNOT_TELL) and off:
        figures = ", ".join(
            f"{label} {shown(ours, _UNIT[label])} against {shown(theirs, _UNIT[label])} "
            f"(E_n {score:+.1f})"
            for label, ours, theirs, score in off
        )
        power = "though it gives the power" if promise.verdict == IS else "whatever its power"
        return (
            f"This is not the panel the datasheet promises, {power}: {at}; but {figures}. Look for "
            "another panel's sheet, or an irradiance or front end that is off."
        )
    guard = f"the guard band of {number(float(f'{promise.guard:.2g}'), None, 'W')}"
    if promise.verdict == IS:
        return (
            f"This is the panel the datasheet promises: {at}, above the least promised, {limit}, "
            f"by more than {guard}."
        )
    if promise.verdict == IS_NOT:
        return (
            f"This is not the panel the datasheet promises: {at}, below the least promised, "
            f"{limit}, by more than {guard}."
        )
    if promise.verdict == MORE:
        return (
            f"This is not the panel the datasheet promises, it gives more: {at}, above the most "
            f"promised, {number(promise.high, None, 'W')}, by more than {guard}. Look at the "
            "irradiance first: one read too low does this."
        )
    return (
        f"Cannot tell whether this is the panel the datasheet promises: {at}, is within {guard} "
        f"of the least promised, {limit}. {_next(promise, points)}"
    )


def _next(promise: Promise, points: Any) -> str:
    """Return what to measure next so that the verdict can be told."""
    shares = budget(points.p_mp)
    first = next(iter(shares), "")
    better = _BETTER.get(first, "find this one out first")
    if promise.needed < 0.003 * promise.promised:
        return (
            "It lies so near that limit that no bench would decide it; "
            f"{percent(shares.get(first, 0.0))} of the variance is {first}."
        )
    enough = float(f"{promise.needed:.2g}")
    return (
        f"If this value stays, a standard uncertainty of {number(enough, None, 'W')} "
        f"decides; {percent(shares.get(first, 0.0))} of the variance now is {first}: {better}."
    )


def describe(found: "Translated", sheet: "Datasheet | None") -> str:
    """Return the translation as text: the sentence, the methods, the promise, the budget."""
    blocks = [wrap(sentence(found, sheet))]
    head = ["", "as measured", *(t.method for t in found.by_method)]
    columns = [found.fit.key_points, *(t.key_points for t in found.by_method)]
    rows = [
        [label, *(shown(getattr(points, name), unit) for points in columns)]
        for label, name, _, unit in KEY_POINTS
        if name != "best_load"
    ]
    rows.append(["reaches", "", *("too far" if t.too_far else "yes" for t in found.by_method)])
    blocks.append(table(rows, head))
    if found.key_points is not None:
        blocks.append(_against(found, sheet))
        shares = budget(found.key_points.p_mp)
        parts = [f"{percent(share)} {name}" for name, share in shares.items() if share >= 0.01]
        if found.key_points.p_mp.nominal_value > 0:
            width = 2 * found.key_points.p_mp.std_dev / found.key_points.p_mp.nominal_value
            blocks.append(
                wrap(
                    f"95 % interval of Pmp: +-{percent(width)}. Its variance comes from: "
                    f"{', '.join(parts)}."
                )
            )
    far = [f"{t.method}: {why}" for t in found.by_method for why in t.too_far]
    if far:
        blocks.append("Too far:\n" + bullets(far))
    remarks = [f"as measured, {': '.join(FLAGS[flag])}" for flag in found.fit.flags]
    remarks += [remark for t in found.by_method for remark in t.remarks]
    if sheet is not None:
        remarks += sheet.notes
    remarks += found.notes
    blocks.append("Mind:\n" + bullets(remarks))
    blocks.append("In parentheses: the standard uncertainty (1 sigma) of the last digits.")
    return "\n\n".join(blocks)


def _against(found: "Translated", sheet: "Datasheet | None") -> str:
    """Return the answer beside what the datasheet says at the same condition."""
    promised = None
    if sheet is not None:
        promised = _promised(found, sheet)
    rows = []
    for label, name, _, unit in KEY_POINTS:
        row = [label, shown(getattr(found.key_points, name), unit)]
        if promised is not None:
            ours, theirs = getattr(found.key_points, name), getattr(promised, name)
            row.append(shown(theirs, unit))
            ratio = (ours / theirs).nominal_value - 1.0
            row.append("-" if not np.isfinite(ratio) else f"{100 * ratio:+.1f} %")
        rows.append(row)
    head = ["", ANSWER]
    return table(rows, [*head, "datasheet", "difference"] if promised is not None else head)


def _promised(found: "Translated", sheet: "Datasheet") -> Any:
    from ivkit.panel.expected import expected_key_points

    return expected_key_points(sheet, found.to_irradiance, found.to_temperature)


def document(found: "Translated", sheet: "Datasheet | None") -> dict[str, Any]:
    """Return the translation as JSON will hold it."""

    def points(of: Any) -> dict[str, Any]:
        return {key: getattr(of, name) if of else None for _, name, key, _ in KEY_POINTS}

    promise = promise_of(found, sheet)
    return {
        "file": found.fit.sweep.name,
        "from": {
            "irradiance_W_m2": found.irradiance,
            "temp_cell_degC": found.temp_cell,
            "temp_cell_from": FROM_VOC if found.from_voc else None,
        },
        "to": {"irradiance_W_m2": found.to_irradiance, "temp_cell_degC": found.to_temperature},
        "as_measured": points(found.fit.key_points),
        "flags": list(found.fit.flags),
        "translations": [
            {
                "method": t.method,
                "reaches": not t.too_far,
                "key_points": points(t.key_points),
                "too_far": list(t.too_far),
                "remarks": list(t.remarks),
                "sweep": None
                if t.sweep is None
                else {"voltage_V": t.sweep.voltage, "current_A": t.sweep.current},
            }
            for t in found.by_method
        ],
        "answer": {
            "methods": list(found.methods),
            "key_points": points(found.key_points),
            "budget": {"pmp_W": budget(found.key_points.p_mp)} if found.key_points else {},
        },
        "verdict": None
        if promise is None
        else {
            "verdict": verdict_of(found, sheet),
            "pmp": promise.verdict,
            "figures_off": [
                {"figure": label, "measured": ours, "stated": theirs, "en": score}
                for label, ours, theirs, score in figures_off(found, sheet)
            ],
            "promised_pmp_W": promise.promised,
            "least_W": promise.low,
            "most_W": promise.high,
            "guard_band_W": promise.guard,
            "probability_within": promise.probability,
        },
        "assumed": [*found.notes, *([] if sheet is None else map(str, sheet.assumed))],
    }


def frame(found: "Translated", sheet: "Datasheet | None") -> "DataFrame":
    """Return one row a method, and one each for the answer and the datasheet."""
    from pandas import DataFrame

    lines = [("as measured", True, found.fit.key_points)]
    lines += [(t.method, not t.too_far, t.key_points) for t in found.by_method]
    if found.key_points is not None:
        lines.append(("answer", True, found.key_points))
    if sheet is not None:
        lines.append(("datasheet", True, _promised(found, sheet)))
    rows = []
    for method, reaches, points in lines:
        row: dict[str, Any] = {"method": method, "reaches": reaches}
        for _, name, key, _ in KEY_POINTS:
            value = getattr(points, name)
            told = bool(np.isfinite(value.nominal_value))
            row[key] = value.nominal_value if told else None
            row[f"u_{key}"] = value.std_dev if told else None
        rows.append(row)
    return DataFrame(rows)
