"""The answer of ``ivkit check``: the verdict on readings."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from uncertainties import ufloat

from ivkit.answer.answer import Answer, Column, Table, based_on
from ivkit.answer.text import number, signed
from ivkit.panel.temperature import FROM_VOC
from ivkit.predict.score import INCONSISTENT, PLAUSIBLE, UNDETERMINED
from ivkit.report.gross_errors import (
    checks,
    explains_table,
    gross_errors_table,
    likeliest,
    what_next,
)

if TYPE_CHECKING:
    from ivkit.verdict.limits import Limit
    from ivkit.verdict.plausibility import Judgement

UNITS = {"power": "W", "voltage": "V", "current": "A"}
MOST_ROWS = 20
_WORDS = {
    "plausible": "what this panel should give in this light",
    "too high": "more than this panel should give in this light",
    "too low": "less than this panel should give in this light",
    "inconsistent": "not consistent with one another",
    "undetermined": "within a prediction that is too wide to tell anything",
}


def headline(found: "Judgement") -> str:
    """Return the verdict in a sentence or two."""
    if found.limits:
        return _sentence(found.limits[0])
    compared, k = found.compared, found.compared.worst
    each, word = compared.each, found.verdict
    unit = UNITS[each.quantities[k]]
    read = number(float(each.measured[k]), float(each.u_measured[k]), unit)
    expected = number(float(each.predicted[k]), float(each.u_predicted[k]), unit)
    if compared.single:
        what = f"the {each.quantities[k]} is"
    else:
        what = f"the {len(each.en)} readings together are"
    said = f"{word[0].upper()}{word[1:]}: {what} {_WORDS[word]}. "
    if compared.single and word == INCONSISTENT:
        given = compared.readings
        return (
            f"Inconsistent: V/I is {number(float(given.ratio[k]), None, 'ohm')}, and the stated "
            f"load {number(float(given.stated[k]), None, 'ohm')} (E_n = {each.en_load[k]:.2f}, "
            f"agreement up to 1). At V/I the power is plausible: read {read}, expected {expected}."
        )
    told = "Read" if compared.single else "Furthest off: read"
    said += f"{told} {read}, expected {expected} (E_n = {signed(compared.en)}, agreement up to 1"
    alone = not compared.single and word == PLAUSIBLE and abs(compared.en) > 1
    said += "; alone it would not agree, one of so many may)." if alone else ")."
    return said


def _sentence(limit: "Limit") -> str:
    said = str(limit)
    return f"{said[0].upper()}{said[1:]}."


def check_answer(
    found: "Judgement",
    *,
    panel: str = "",
    bench: str | None = None,
    assumptions: Sequence[str] = (),
    warnings: Sequence[str] = (),
) -> Answer:
    """Return the verdict, the readings beside the prediction, and what would explain them."""
    compared, scene = found.compared, found.seen.scene
    each, k, word = compared.each, compared.worst, found.verdict
    said, first = headline(found), next(iter(compared.budget), "light")
    judged = word not in (PLAUSIBLE, UNDETERMINED)
    if judged and found.gross_errors:
        said += f" {likeliest(found.gross_errors)}"
    following = ""
    if word == UNDETERMINED:
        following = what_next(first)
        if not compared.together.freedom:
            following = "state the load of each reading, or read voltage and current at once"
    tables = {"readings": _readings(found)}
    if found.explains and (judged or word == UNDETERMINED or compared.single):
        tables["explained_by"] = explains_table(found.explains)
    if found.gross_errors:
        tables["gross_errors"] = gross_errors_table(found.gross_errors)
    if not compared.single:
        tables["adjusted_inputs"] = _adjusted(found)
    paragraphs = [_sentence(limit) for limit in found.limits[1:]]
    if compared.together.freedom > 1:
        paragraphs.append(
            f"All together: chi-square {compared.together.chi_square:.1f} of "
            f"{compared.together.freedom} degrees of freedom, agreement up to {compared.limit:.1f}."
        )
    warm = scene.temp_cell
    if warm.from_voc is not None:
        paragraphs.append(f"Cell temperature {warm.from_voc:.2uS} degC from {FROM_VOC}.")
    paragraphs += [f"To tell: {line}." for line in checks(found.gross_errors)]
    quantity = each.quantities[k]
    unit = UNITS[quantity]
    summary: dict[str, Any] = {
        "quantity": quantity,
        "en": float(each.en[k]),
        f"measured_{unit}": _pair(each.measured[k], each.u_measured[k]),
        f"predicted_{unit}": _pair(each.predicted[k], each.u_predicted[k]),
        "chi_square": compared.together.chi_square,
        "chi_square_limit": compared.limit if np.isfinite(compared.limit) else None,
        "degrees_of_freedom": compared.together.freedom,
        "irradiance_W_m2": None
        if found.seen.told == "share"
        else _pair(scene.irradiance, scene.light.u * scene.irradiance),
        "temp_cell_degC": warm.from_voc or _pair(warm.celsius, warm.total),
        "impossible": [str(limit) for limit in found.limits],
        "tried_on": found.tried_on,
    }
    light = "in units of the sweep's own"
    if found.seen.told != "share":
        value = scene.irradiance
        light = f"{number(value, scene.light.u * value)} W/m2 effective, facing"
    return Answer(
        "check",
        said,
        word,
        based_on(panel=panel, light=light, bench=bench),
        summary,
        tables,
        budget={"measured_less_predicted": compared.budget},
        assumptions=list(dict.fromkeys(assumptions)),
        warnings=warnings,
        paragraphs=paragraphs,
        next=following,
    )


def _readings(found: "Judgement") -> Table:
    """Return the readings beside the prediction; the text has those that are furthest off."""
    given, each = found.compared.readings, found.compared.each
    load, name = given.at.load, "V/I" if given.load is None else "load"
    columns = [Column("load_ohm", load, show=[_load(float(x)) for x in load], heading=name)]
    if given.distance is not None:
        columns.append(Column("distance_m", given.distance))
    columns.append(Column("angle_deg", given.angle))
    quantities = np.array(each.quantities)
    several = len(set(each.quantities)) > 1
    if several:
        columns.append(Column("quantity", list(each.quantities)))
    for quantity in dict.fromkeys(each.quantities):
        here, unit = quantities == quantity, UNITS[quantity]
        for key, heading, values, u in (
            (f"{quantity}_{unit}", "read", each.measured, each.u_measured),
            (f"predicted_{quantity}_{unit}", "expected", each.predicted, each.u_predicted),
        ):
            columns.append(
                Column(key, np.where(here, values, np.nan), np.where(here, u, np.nan), heading)
            )
    columns.append(Column("en", each.en, show=signed))
    if not found.compared.single:
        quantity = each.quantities[0]
        columns.append(Column("adjusted", found.compared.adjusted_prediction, heading=None))
    if np.any(np.isfinite(each.en_load)):
        columns.append(Column("en_load", each.en_load, heading="E_n of V/I"))
    columns.append(Column("verdict", list(each.words), heading=None))
    return Table("", columns, MOST_ROWS)


def _adjusted(found: "Judgement") -> Table:
    """Return the inputs as the readings have them."""
    shifts = found.compared.adjusted
    return Table(
        "Inputs as these readings have them, in standard uncertainties:",
        [
            Column("input_quantity", list(shifts), heading="input quantity"),
            Column("shift", [a for a, _ in shifts.values()], [u for _, u in shifts.values()]),
        ],
        most_rows=6,
    )


def _load(ohm: float) -> str:
    if np.isnan(ohm):
        return "maximum power"
    if np.isinf(ohm):
        return "open"
    return "short" if ohm == 0 else number(ohm, None, "ohm")


def _pair(value: float, u: float) -> Any:
    """Return a value with its standard uncertainty, or None for a blank."""
    return ufloat(float(value), max(float(u), 1e-300)) if np.isfinite(value) else None
