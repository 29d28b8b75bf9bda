"""What a panel should give under a lamp: in words, as JSON, and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.curve.uncertainty import budget
from ivkit.report.slips_text import listed
from ivkit.report.sweep_text import KEY_POINTS, shown
from ivkit.report.text import bullets, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.panel.under_lamp import Panel, UnderLamp
    from ivkit.verdict.plausibility import Explanation

CAUTION = (
    "Caution: a lamp this near gets hot enough to burn skin, bench and panel; keep it off what "
    "burns and do not leave it alone. Its mains side is for your local code and those licensed."
)


#: What to find out first, by the beginning of the name of the largest part of the budget.
NEXT = {
    "lux meter": "read the light again, or by the Isc of a known cell of the same kind",
    "thermopile": "read the light again, or by the Isc of a known cell of the same kind",
    "spectrum": "read the light by the Isc of a known cell: that needs no spectrum",
    "fitting": "read the lux on the panel instead of reckoning from watts",
    "luminous": "read the lux on the panel instead of reckoning from watts",
    "beam angle": "read the lux on the panel instead of reckoning from watts",
    "cell temperature": "measure the temperature on the panel's back",
    "distance": "measure the distance again, or read the light on the panel",
    "shunt in faint light": "measure a sweep in this light",
    "irradiance of the sweep": "take the sweep again beside a better irradiance sensor",
    "datasheet": "measure a sweep of the panel in known light, and give it by --sweep",
}


def answer(found: "UnderLamp", sheet: "Panel") -> str:
    """Return the answer in one sentence."""
    points = found.key_points
    light = found.effective_irradiance
    power = points.p_mp
    if power.std_dev < 0.5 * power.nominal_value:
        most = f"{shown(power, 'W')} at its best load, {shown(points.best_load, 'ohm')}"
        most += "".join(
            f", {shown(into, 'W')} into {number(ohm, None, 'ohm')}"
            for ohm, into in found.loads.items()
        )
    else:
        # As uncertain as it is large: the bound is all that can be told.
        high = power.nominal_value + 2 * power.std_dev
        most = f"no more than {number(high, None, 'W')}, and how much of it cannot be told"
    if sheet.label is not None:
        sun = f"the label says {number(sheet.label, None, 'W')} because that is for"
    else:
        sun = f"{number(sheet.p_mp, None, 'W')} is what it gives in"
    return (
        f"Under this lamp the panel should give {most}; {sun} 1000 W/m2 of sunlight: here its "
        f"cells get light worth {shown(light, '')} W/m2."
    )


def what_next(found: "UnderLamp") -> str:
    """Return what to find out first, by the largest part of the budget; empty if nothing helps."""
    shares = budget(found.key_points.p_mp)
    first = next(iter(shares), "")
    hint = next((hint for name, hint in NEXT.items() if first.startswith(name)), "")
    return f"To know it better, {hint}." if hint else ""


def describe(
    found: "UnderLamp",
    sheet: "Panel",
    judged: str = "",
    distances: Sequence[tuple[float, "UnderLamp"]] = (),
    slips: "Sequence[Explanation]" = (),
) -> str:
    """Return the prediction as text: answer, key points, light, budget, what was assumed."""
    blocks = [wrap(answer(found, sheet))]
    if judged:
        blocks.append(wrap(judged))
    if slips:
        blocks.append(listed(slips))
    rows = [
        [
            label,
            shown(getattr(found.key_points, name), unit),
            shown(getattr(found.even, name), unit),
        ]
        for label, name, _, unit in KEY_POINTS
    ]
    blocks.append(table(rows, ("expected", "cell by cell", "uniform light would give")))
    if found.light is not None:
        blocks.append(_map(found))
    if distances:
        blocks.append(_distances(distances))
    shares = budget(found.key_points.p_mp)
    parts = [f"{percent(share)} {name}" for name, share in shares.items() if share >= 0.01]
    if found.key_points.p_mp.nominal_value > 0:
        width = 2 * found.key_points.p_mp.std_dev / found.key_points.p_mp.nominal_value
        text = f"95 % interval of Pmp: +-{percent(width)}. It comes from: {', '.join(parts)}."
        blocks.append(wrap(f"{text} {what_next(found)}"))
    said = [*map(str, found.assumed), *map(str, sheet.assumed), *sheet.notes]
    if said:
        blocks.append("Assumed:\n" + bullets(said))
    blocks.append(wrap(CAUTION))
    return "\n\n".join(blocks)


def _map(found: "UnderLamp") -> str:
    """Return the light of each cell, upper row first, as the panel is seen from the lamp."""
    cells = found.cells[::-1]
    rows = [["", *(f"{value:.0f}" for value in row)] for row in cells]
    evenness = float(np.min(cells) / np.max(cells)) if np.max(cells) > 0 else 0.0
    head = "Effective irradiance of each cell, W/m2"
    if cells.shape[1] > 16:
        rows = [["lowest, highest", f"{cells.min():.0f}", f"{cells.max():.0f}"]]
    return f"{head} (darkest {percent(evenness)} of the brightest):\n{table(rows)}"


def _distances(distances: Sequence[tuple[float, "UnderLamp"]]) -> str:
    first = distances[0][1]
    head = ["distance", "W/m2", "at best load", *(number(r, None, "ohm") for r in first.loads)]
    rows = [
        [
            f"{distance:.3g} m",
            shown(found.effective_irradiance, ""),
            shown(found.key_points.p_mp, "W"),
            *(shown(power, "W") for power in found.loads.values()),
        ]
        for distance, found in distances
    ]
    return table(rows, head)


def document(
    found: "UnderLamp",
    sheet: "Panel",
    distances: Sequence[tuple[float, "UnderLamp"]] = (),
) -> dict[str, Any]:
    """Return the prediction as JSON will hold it."""
    return {
        "label_pmp_W": sheet.label,
        "stc_pmp_W": sheet.p_mp,
        "effective_irradiance_W_m2": found.effective_irradiance,
        "cells_W_m2": found.cells,
        "limiting_cell": found.limiting_cell,
        "key_points": {key: getattr(found.key_points, name) for _, name, key, _ in KEY_POINTS},
        "uniform_light": {key: getattr(found.even, name) for _, name, key, _ in KEY_POINTS},
        "loads": [{"load_ohm": ohm, "power_W": power} for ohm, power in found.loads.items()],
        "budget": {
            "pmp_W": budget(found.key_points.p_mp),
            "effective_irradiance_W_m2": budget(found.effective_irradiance),
            **{f"power_{ohm:g}_ohm_W": budget(into) for ohm, into in found.loads.items()},
        },
        "curve": {
            "voltage_V": found.voltage,
            "current_A": found.current,
            "uniform_light_current_A": found.even_current,
        },
        "distances": [
            {
                "distance_m": distance,
                "effective_irradiance_W_m2": one.effective_irradiance,
                "pmp_W": one.key_points.p_mp,
                "loads": [{"load_ohm": r, "power_W": p} for r, p in one.loads.items()],
            }
            for distance, one in distances
        ],
        "assumed": [*map(str, found.assumed), *map(str, sheet.assumed), *sheet.notes],
    }


def frame(found: "UnderLamp", distances: Sequence[tuple[float, "UnderLamp"]] = ()) -> "DataFrame":
    """Return power against distance where asked for, else the expected curve."""
    from pandas import DataFrame

    if not distances:
        return DataFrame(
            {
                "voltage_V": found.voltage,
                "current_A": found.current,
                "uniform_light_current_A": found.even_current,
            }
        )
    rows = []
    for distance, one in distances:
        row = {
            "distance_m": distance,
            "effective_irradiance_W_m2": one.effective_irradiance.nominal_value,
            "pmp_W": one.key_points.p_mp.nominal_value,
            "u_pmp_W": one.key_points.p_mp.std_dev,
        }
        for ohm, power in one.loads.items():
            row[f"power_{ohm:g}_ohm_W"] = power.nominal_value
            row[f"u_power_{ohm:g}_ohm_W"] = power.std_dev
        rows.append(row)
    return DataFrame(rows)
