"""The verdict on readings: in words, as JSON, and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from uncertainties import ufloat

from ivkit.curve.uncertainty import budget
from ivkit.panel.temperature import FROM_VOC
from ivkit.report.lamp_text import NEXT
from ivkit.report.slips_text import likeliest, listed, slips_document
from ivkit.report.text import bullets, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.verdict.limits import Limit
    from ivkit.verdict.plausibility import Judgement
    from ivkit.verdict.scene import Scene

UNITS = {"power": "W", "voltage": "V", "current": "A"}
WIDE = 80
MOST_ROWS = 20
_WORDS = {
    "plausible": "what this panel should give in this light",
    "too high": "more than this panel should give in this light",
    "too low": "less than this panel should give in this light",
    "cannot tell": "within a prediction that is too wide to tell anything",
}
#: What to do first, by the beginning of the name of the largest part of the budget.
_NEXT = {
    "irradiance of": "take the sweep again beside a better irradiance sensor",
    "irradiance": "read the light again, or by the Isc of a known cell of the same kind",
    "stray light": "hide the lamp with a card and read what is left",
    "zero of the angle": "read the same angle to either side: its middle is where the panel faces",
    "glass": "read at angles below 60 deg as well, where the front takes little",
    "load": "measure the load resistors with an ohmmeter, and state how well by --u-load",
    "the readings": "read with a better meter, or on a smaller range, and state it by --u-reading",
    "open-circuit voltage": "read Voc with a better meter, and state it by --u-open-voltage",
    "uneven light": "move the lamp away, until all cells get the same",
    "temperature of the sweep": "measure the temperature on the panel's back during the sweep",
    **NEXT,
}


def answer(found: "Judgement", limits: "Sequence[Limit]" = ()) -> str:
    """Return the verdict in a sentence or two."""
    if limits:
        return f"{str(limits[0])[0].upper()}{str(limits[0])[1:]}."
    count = len(found.scores)
    what = f"the {found.quantities[0]} is" if count == 1 else f"the {count} readings together are"
    unit = UNITS[found.quantities[found.worst]]
    read = number(float(found.measured[found.worst]), float(found.u_measured[found.worst]), unit)
    expected = _expected(found, found.worst)
    said = f"{found.verdict[0].upper()}{found.verdict[1:]}: {what} {_WORDS[found.verdict]}. "
    if count == 1:
        said += f"Read {read}, to be expected {expected}"
    else:
        said += f"Furthest off: {read} where {expected} is to be expected"
    if found.verdict == "plausible" and abs(found.en) > 1:
        said += f" (E_n = {found.en:.2f}: alone it would not agree, one of so many may)."
    else:
        said += f" (E_n = {found.en:.2f}, agreement up to 1)."
    if found.verdict == "cannot tell":
        said += f" To know more, {what_next(found)}."
    return said


def what_next(found: "Judgement") -> str:
    """Return what to measure better, by the largest part of the budget."""
    if not found.freedom:
        return "state the load of each reading, or read voltage and current at once"
    first = next(iter(found.budget), "light")
    hints = (hint for name, hint in _NEXT.items() if first.startswith(name))
    return next(hints, f"find out the {first} better")


def describe(
    found: "Judgement",
    scene: "Scene",
    limits: "Sequence[Limit]" = (),
    notes: Sequence[str] = (),
) -> str:
    """Return the verdict, the readings beside the prediction, and the slips with their checks."""
    said = answer(found, limits)
    if found.verdict in ("too high", "too low"):
        said += f" {likeliest(found.slips, found.told_apart)}"
    blocks = [wrap(said, WIDE), _readings(found, scene)]
    if len(limits) > 1:
        blocks.append("Also:\n" + bullets(map(str, limits[1:]), WIDE))
    if found.slips:
        blocks.append(listed(found.slips))
    if found.freedom > 1:
        blocks.append(
            wrap(
                f"All together: chi-square {found.chi_square:.1f} of {found.freedom} degrees of "
                f"freedom, agreement up to {found.limit:.1f}.",
                WIDE,
            )
        )
    warm = scene.setting.from_voc
    if warm is not None:
        shares = [f"{percent(x)} {name}" for name, x in budget(warm).items() if x >= 0.1]
        said = f"Cell temperature {warm:.2uS} degC from {FROM_VOC}, uncertain by: "
        blocks.append(wrap(f"{said}{', '.join(shares)}.", WIDE))
    parts = [f"{percent(share)} {name}" for name, share in found.budget.items() if share >= 0.02]
    blocks.append(wrap(f"The comparison is uncertain by: {', '.join(parts)}.", WIDE))
    if notes:
        blocks.append("Assumed:\n" + bullets(dict.fromkeys(notes), WIDE))
    return "\n\n".join(blocks)


def _readings(found: "Judgement", scene: "Scene") -> str:
    """Return the readings beside the prediction; of many, those that are furthest off."""
    given = scene.readings
    order = np.arange(len(given))
    told = ""
    if len(given) > MOST_ROWS:
        far = np.argsort(-np.nan_to_num(np.abs(found.scores)), kind="stable")[:MOST_ROWS]
        order = np.sort(far)
        told = f"The {MOST_ROWS} of {len(given)} readings that are furthest off:\n"
    loads = _loads(scene)
    rows = []
    for k in order:
        unit = UNITS[found.quantities[k]]
        row = [_load(loads[k]) if given.load is not None or loads[k] >= 0 else "-"]
        if given.distance is not None:
            row.append(f"{given.distance[k]:g} m")
        rows.append(
            [
                *row,
                f"{given.angle[k]:g}",
                number(float(found.measured[k]), float(found.u_measured[k]), unit),
                _expected(found, k),
                f"{found.scores[k]:+.2f}" if np.isfinite(found.scores[k]) else "-",
            ]
        )
    head = ["load" if given.load is not None else "V/I"]
    head += ["distance"] if given.distance is not None else []
    return told + table(rows, [*head, "angle, deg", "read", "expected", "E_n"])


def _expected(found: "Judgement", k: int) -> str:
    """Return a prediction as text; what is lost in its doubt as nought."""
    value, u = float(found.predicted[k]), float(found.u_predicted[k])
    return number(value if abs(value) > 1e-3 * u else 0.0, u, UNITS[found.quantities[k]])


def _loads(scene: "Scene") -> Any:
    given = scene.readings
    if given.load is not None:
        return given.load
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return np.abs(given.voltage / given.current)


def _load(ohm: float) -> str:
    if np.isnan(ohm):
        return "maximum power"
    if np.isinf(ohm):
        return "open"
    return "short" if ohm == 0 else number(float(ohm), None, "ohm")


def document(
    found: "Judgement",
    scene: "Scene",
    limits: "Sequence[Limit]" = (),
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the verdict as JSON will hold it."""
    worst = found.worst
    given, loads = scene.readings, _loads(scene)
    return {
        "verdict": found.verdict,
        "impossible": [str(limit) for limit in limits],
        "quantity": found.quantities[worst],
        "en": found.en,
        "measured": _pair(found.measured[worst], found.u_measured[worst]),
        "predicted": _pair(found.predicted[worst], found.u_predicted[worst]),
        "next": f"{what_next(found)}" if found.verdict == "cannot tell" else None,
        "chi_square": found.chi_square,
        "chi_square_limit": found.limit if np.isfinite(found.limit) else None,
        "freedom": found.freedom,
        "budget": found.budget,
        "temp_cell_degC": _pair(scene.setting.temp_cell, scene.setting.u_temp_cell)
        if scene.setting.from_voc is None
        else scene.setting.from_voc,
        "temp_cell_from": None if scene.setting.from_voc is None else FROM_VOC,
        "slips": slips_document(found.slips),
        "readings": [
            {
                "load_ohm": float(loads[k]) if np.isfinite(loads[k]) else None,
                "load": _load(loads[k]) if given.load is not None else None,
                "angle_deg": float(given.angle[k]),
                "distance_m": None if given.distance is None else float(given.distance[k]),
                "quantity": quantity,
                f"measured_{UNITS[quantity]}": _pair(found.measured[k], found.u_measured[k]),
                f"predicted_{UNITS[quantity]}": _pair(found.predicted[k], found.u_predicted[k]),
                "en": float(found.scores[k]) if np.isfinite(found.scores[k]) else None,
            }
            for k, quantity in enumerate(found.quantities)
        ],
        "notes": list(dict.fromkeys(notes)),
    }


def _pair(value: float, u: float) -> Any:
    """Return a value with its standard uncertainty, or None for a blank."""
    return ufloat(float(value), max(float(u), 1e-300)) if np.isfinite(value) else None


def frame(found: "Judgement", scene: "Scene") -> "DataFrame":
    """Return one row a reading; each quantity in columns of its own."""
    from pandas import DataFrame

    given, quantities = scene.readings, np.array(found.quantities)
    columns = {"load_ohm": _loads(scene), "angle_deg": given.angle}
    if given.distance is not None:
        columns["distance_m"] = given.distance
    for quantity in dict.fromkeys(found.quantities):
        unit, here = UNITS[quantity], quantities == quantity
        for name, values in (
            (f"{quantity}_{unit}", found.measured),
            (f"u_{quantity}_{unit}", found.u_measured),
            (f"predicted_{quantity}_{unit}", found.predicted),
            (f"u_predicted_{quantity}_{unit}", found.u_predicted),
        ):
            columns[name] = np.where(here, values, np.nan)
    columns["en"] = found.scores
    return DataFrame(columns)
