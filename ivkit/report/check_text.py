"""The verdict on readings: in words, as JSON, and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from uncertainties import ufloat

from ivkit.report.text import bullets, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.verdict.limits import Limit
    from ivkit.verdict.plausibility import Judgement, Readings

UNITS = {"power": "W", "voltage": "V", "current": "A"}
_WORDS = {
    "plausible": "what this panel, light and load should give",
    "too high": "more than this panel, light and load should give",
    "too low": "less than this panel, light and load should give",
    "cannot tell": "within a prediction that is too wide to tell anything",
}


def answer(found: "Judgement", limits: "Sequence[Limit]" = ()) -> str:
    """Return the verdict in a sentence or two."""
    if limits:
        return f"{str(limits[0])[0].upper()}{str(limits[0])[1:]}."
    count = len(found.scores)
    what = f"the {found.quantity} is" if count == 1 else f"the {count} readings together are"
    worst = int(np.argmax(np.abs(found.scores)))
    unit = UNITS[found.quantity]
    read = number(float(found.measured[worst]), None, unit)
    expected = number(float(found.predicted[worst]), float(found.u_predicted[worst]), unit)
    said = f"{found.verdict[0].upper()}{found.verdict[1:]}: {what} {_WORDS[found.verdict]}. "
    said += f"Furthest off: {read} where {expected} is to be expected (E_n = {found.en:.2f})."
    if found.verdict == "cannot tell":
        said += f" To know more, measure the {next(iter(found.budget))} better."
    elif found.slips and found.slips[0].agrees:
        said += f" Likeliest slip: {found.slips[0].name}."
    elif found.verdict != "plausible":
        said += " No usual slip explains all of it."
    return said


def describe(
    found: "Judgement",
    readings: "Readings",
    limits: "Sequence[Limit]" = (),
    notes: Sequence[str] = (),
) -> str:
    """Return the verdict, the readings beside the prediction, and the slips with their checks."""
    unit = UNITS[found.quantity]
    rows = [
        [
            "maximum power" if np.isnan(load) else number(float(load), None, "ohm"),
            f"{angle:g}",
            number(float(m), None, unit),
            number(float(p), float(u), unit),
            f"{score:+.2f}",
        ]
        for load, angle, m, p, u, score in zip(
            readings.load,
            readings.angle,
            found.measured,
            found.predicted,
            found.u_predicted,
            found.scores,
            strict=True,
        )
    ]
    head = ("load", "angle, deg", f"{found.quantity} read", "expected", "E_n")
    blocks = [wrap(answer(found, limits)), table(rows, head)]
    if len(limits) > 1:
        blocks.append("Also:\n" + bullets(str(limit) for limit in limits[1:]))
    if found.slips:
        rows = [
            f"{slip.name} ({percent(slip.weight)} of the belief"
            f"{'' if slip.agrees else '; does not explain all of it'}): {slip.explains}. To tell: "
            f"{slip.check}."
            for slip in found.slips[:5]
        ]
        blocks.append("What would explain it, likeliest first:\n" + bullets(rows))
        if len(found.slips) > 1 and found.slips[1].weight > 0.3 * found.slips[0].weight:
            blocks.append(
                wrap(
                    "These readings do not tell the first of them apart: do their checks, or take "
                    "readings at other loads and angles."
                )
            )
    parts = [f"{percent(share)} {name}" for name, share in found.budget.items() if share >= 0.02]
    blocks.append(wrap(f"The prediction is uncertain by: {', '.join(parts)}."))
    if notes:
        blocks.append("Assumed:\n" + bullets(notes))
    return "\n\n".join(blocks)


def document(
    found: "Judgement",
    readings: "Readings",
    limits: "Sequence[Limit]" = (),
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the verdict as JSON will hold it."""
    worst = int(np.argmax(np.abs(found.scores)))
    nothing = 0.0 * ufloat(0.0, 1.0)
    predicted = ufloat(float(found.predicted[worst]), max(float(found.u_predicted[worst]), 1e-300))
    u = max(readings.u * abs(float(found.measured[worst])), 1e-300)
    return {
        "verdict": found.verdict,
        "impossible": [str(limit) for limit in limits],
        "quantity": found.quantity,
        "en": found.en,
        "measured": ufloat(float(found.measured[worst]), u) + nothing,
        "predicted": predicted,
        "chi_square": found.chi_square,
        "freedom": found.freedom,
        "budget": found.budget,
        "slips": [
            {
                "name": slip.name,
                "explains": slip.explains,
                "check": slip.check,
                "weight": slip.weight,
                "agrees": slip.agrees,
            }
            for slip in found.slips
        ],
        "readings": frame(found, readings).to_dict("records"),
        "notes": list(notes),
    }


def frame(found: "Judgement", readings: "Readings") -> "DataFrame":
    """Return one row a reading."""
    from pandas import DataFrame

    unit = UNITS[found.quantity]
    return DataFrame(
        {
            "load_ohm": readings.load,
            "angle_deg": readings.angle,
            f"{found.quantity}_{unit}": found.measured,
            f"predicted_{unit}": found.predicted,
            f"u_predicted_{unit}": found.u_predicted,
            "en": found.scores,
        }
    )
