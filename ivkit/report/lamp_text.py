"""What a panel should give under a lamp: in words, as JSON, and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.curve.uncertainty import budget
from ivkit.report.sweep_text import KEY_POINTS, shown
from ivkit.report.text import bullets, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.panel.datasheet import Datasheet
    from ivkit.panel.under_lamp import UnderLamp

CAUTION = (
    "Caution: a lamp this near gets hot enough to burn skin, bench and panel; keep it off what "
    "burns and do not leave it alone. Its mains side is for your local code and those licensed."
)


def answer(found: "UnderLamp", sheet: "Datasheet") -> str:
    """Return the answer in one or two sentences."""
    points = found.key_points
    light = found.effective_irradiance
    loads = [
        f"{shown(power, 'W')} into {number(ohm, None, 'ohm')}" for ohm, power in found.loads.items()
    ]
    into = f", {', '.join(loads)}" if loads else ""
    return (
        f"Under this lamp the panel should give {shown(points.p_mp, 'W')} at its best load, "
        f"{number(points.best_load.nominal_value, None, 'ohm')}{into}. The label says "
        f"{number(sheet.p_mp, None, 'W')} because that is for 1000 W/m2 of sunlight; the lamp is "
        f"worth {shown(light, '')} W/m2 of it to these cells."
    )


def describe(
    found: "UnderLamp",
    sheet: "Datasheet",
    judged: str = "",
    distances: Sequence[tuple[float, "UnderLamp"]] = (),
) -> str:
    """Return the prediction as text: answer, key points, light, budget, what was assumed."""
    blocks = [wrap(answer(found, sheet))]
    if judged:
        blocks.append(wrap(judged))
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
    width = 2 * found.key_points.p_mp.std_dev / found.key_points.p_mp.nominal_value
    blocks.append(
        wrap(f"95 % interval of Pmp: +-{percent(width)}. It comes from: {', '.join(parts)}.")
    )
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
    return f"{head} (darkest is {percent(evenness)} of brightest):\n{table(rows)}"


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
    sheet: "Datasheet",
    distances: Sequence[tuple[float, "UnderLamp"]] = (),
) -> dict[str, Any]:
    """Return the prediction as JSON will hold it."""
    return {
        "label_pmp_W": sheet.p_mp,
        "effective_irradiance_W_m2": found.effective_irradiance,
        "cells_W_m2": found.cells,
        "limiting_cell": found.limiting_cell,
        "key_points": {key: getattr(found.key_points, name) for _, name, key, _ in KEY_POINTS},
        "uniform_light": {key: getattr(found.even, name) for _, name, key, _ in KEY_POINTS},
        "loads": [{"load_ohm": ohm, "power_W": power} for ohm, power in found.loads.items()],
        "budget": {"pmp_W": budget(found.key_points.p_mp)},
        "curve": {"voltage_V": found.voltage, "current_A": found.current},
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
        return DataFrame({"voltage_V": found.voltage, "current_A": found.current})
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
