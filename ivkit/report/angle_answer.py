"""The answer of ``ivkit angle``: a panel that is turned, and readings of it."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from ivkit.answer import Answer, Column, Entry, Table, based_on, drawn_by
from ivkit.answer.text import interval, number, percent, signed
from ivkit.assumptions import ASSUMED
from ivkit.curve.uncertainty import budget
from ivkit.predict.estimate import Estimate
from ivkit.predict.prediction import CURRENT, VOLTAGE
from ivkit.verdict.angle import AngleAnswer, AngleTable

CAUTION = (
    "Caution: a work lamp and a loaded resistor get hot; a panel in the light cannot be switched "
    "off. On a roof or a mast, follow local codes and leave the work to those licensed."
)
_EXPONENT = (
    "Exponent: the power goes as cos(angle) to this. In parallel light 2 below the knee, 1 at "
    "maximum power, near 0 far above the knee; more near a lamp, whose far side of the panel "
    "darkens first."
)


def load_name(load: float) -> str:
    """Return a load as a heading: ``33 ohm`` or ``maximum power``."""
    return "maximum power" if np.isnan(load) else number(load, None, "ohm")


def angle_answer(
    found: AngleAnswer, panel: str = "", bench: str | None = None, notes: Sequence[str] = ()
) -> Answer:
    """Return a panel that is turned as an answer.

    Parameters
    ----------
    found : AngleAnswer
    panel, bench : str
        What it rests on.
    notes : sequence of str
        How files were read.
    """
    turned, told, read = found.turned, found.found, found.read
    summary, tables, warnings = _light(found), {}, []
    if told is not None:
        summary = _told(found, told) | summary
        tables = {"readings": _readings(found), "adjusted_inputs": _adjusted(found)}
        warnings = why_not(found)
        if "light" in told.values and turned.u_light is None:
            warnings.append(
                "the light is fitted, and a wrong load can hide in it: give --irradiance to test "
                "the load too"
            )
    assumed = [*turned.assumed, *(read.assumed if read is not None else ())]
    if told is not None and "stray" in told.values:
        assumed = [one for one in assumed if not one.startswith("stray light")]
    if told is None and not turned.light:
        assumed.append(ASSUMED["facing irradiance"].sentence())
    light = turned.light or f"{turned.scene.light.irradiance:g} W/m2 when the panel faces it"
    if told is not None and "light" in told.values and turned.u_light is None:
        light = "fitted to the readings"
    law = found.turned.scene.panel
    assumed += [*getattr(law, "law_assumed", ())]
    return Answer(
        "angle",
        headline(found),
        None if told is None else told.verdict,
        based_on=based_on(panel=panel, light=light, bench=bench),
        summary=summary,
        tables=tables | {"power": _power(found)},
        curves={name: _curve(one) for name, one in found.curves.items()},
        budget=_budget(found),
        assumptions=tuple(dict.fromkeys(assumed)),
        notes=(*notes, *turned.notes),
        warnings=tuple(warnings),
        skipped=() if read is None else read.skipped,
        cautions=(CAUTION,),
        figure=drawn_by("ivkit.report.angle_figure:angle_figure", found),
    )


def headline(found: AngleAnswer) -> str:
    """Return the answer in a sentence or two."""
    told, table = found.found, found.table
    if told is None:
        one = table.of(np.nan)
        far = int(np.argmax(np.where(np.abs(one.at.angle) < 90, np.abs(one.at.angle), 0)))
        left = (table.of(load) for load in table.loads)
        parts = [
            f"{percent(float(rows.power[far] / np.max(rows.power)))} at {load_name(load)}"
            for load, rows in zip(table.loads, left, strict=True)
        ]
        return (
            f"Turned {one.at.angle[far]:g} deg from facing the light, of the best power are left: "
            f"{', '.join(parts)}."
        )
    zero = f"where the scale shows {told.zero:g} deg, as stated"
    if "zero" in told.unresolved:
        zero = "at an angle that the readings do not tell"
    elif "zero" in told.values:
        zero = f"where the scale shows {_shown(told.values['zero'])} deg"
    word = "agree" if told.agrees else "do NOT agree"
    said = (
        f"The readings {word} with what angle and load make of the panel's curve (chi-square "
        f"{told.chi_square:.1f} of {told.freedom} degrees of freedom, agreement up to "
        f"{told.limit:.1f})"
    )
    facing = f"the panel faces the light {zero}, {_stray(told)}, and facing it gets {_gets(found)}."
    return f"{said}: {facing}" if told.agrees else f"{said}. The best that can be made: {facing}"


def why_not(found: AngleAnswer) -> list[str]:
    """Return what to look at where the readings do not agree."""
    told, said = found.found, []
    if told is None or told.agrees:
        return said
    k, en = told.worst, told.en_of("light")
    if abs(told.en[k]) > 1 or en is None or abs(en) <= 1:
        said.append(
            f"furthest off is the reading at {told.readings.angle[k]:g} deg (E_n "
            f"{told.en[k]:+.1f}): look at it first, then at the load and at how the angle is "
            "counted (0 is facing the light)"
        )
    if en is not None and abs(en) > 1:
        other = "; if the sweep's light was another, give --sweep-irradiance"
        said.append(
            f"the light would have to be {_shown(told.values['light'])} times "
            f"{'that of the sweep' if found.relative else 'what is stated'} (E_n {en:+.1f}): "
            f"check the load and the units{other if found.relative else ''}"
        )
    return said


def _shown(value: Any) -> str:
    return number(value.nominal_value, value.std_dev)


def _stray(told: Estimate) -> str:
    if "stray" not in told.values:
        stray = told.best[2]
        return f"{percent(float(stray))} of the light does not turn with the panel, as stated"
    if "stray" in told.unresolved:
        return f"no stray light is found (below {percent(told.stray_below)}, 95 %)"
    value = 100 * told.values["stray"]
    return f"{number(value.nominal_value, value.std_dev, '%')} of the light does not turn with it"


def _gets(found: AngleAnswer) -> str:
    told = found.found
    if "light" in told.unresolved:
        return "light that the readings do not tell"
    if found.relative:
        return f"{_shown(told.values['light'])} times the light of the sweep"
    light = told.irradiance
    text = f"{_shown(light) if hasattr(light, 'std_dev') else f'{light:g}'} W/m2"
    # Nothing else judges this light: a wrong load can hide in it.
    free = "light" in told.values and found.turned.u_light is None
    return f"{text}, if the load is as stated" if free else text


def _light(found: AngleAnswer) -> dict[str, Any]:
    """Return the light of the table facing, W/m2, or in times of the sweep's."""
    told, scene = found.found, found.turned.scene
    if told is not None and "light" in told.unresolved:
        return {"irradiance_W_m2": None, "light_of_sweep": None}
    if found.relative:
        return {
            "irradiance_W_m2": None,
            "light_of_sweep": 1.0 if told is None else told.values.get("light", 1.0),
        }
    light = scene.light.irradiance if told is None else told.irradiance
    return {"irradiance_W_m2": light, "light_of_sweep": None}


def _told(found: AngleAnswer, told: Estimate) -> dict[str, Any]:
    """Return what the readings tell: best values with their 95 % intervals."""
    out: dict[str, Any] = {}
    of_light = ("light, times the sweep's", 1.0)
    if not found.relative:
        of_light = ("irradiance, W/m2", told.scene.light.irradiance)
    for name, key, (heading, per), text in (
        ("zero", "zero_deg", ("zero of the scale, deg", 1.0), 1.0),
        ("stray", "stray_fraction", ("stray light, %", 1.0), 100.0),
        ("light", "light", of_light, 1.0),
    ):
        if name not in told.values:
            if name != "light":
                at = told.zero if name == "zero" else float(told.best[2])
                out[key] = Entry(at, heading, show=f"{at * text:g}, as stated")
            continue
        low, high = (end * per for end in told.intervals[name])
        value = None if name in told.unresolved else told.values[name] * per
        best = "-" if value is None else _shown(value * text)
        ends = interval(low * text, high * text, (high - low) * text / 4.0)
        out[key] = Entry(value, heading, show=f"{best}, 95 % interval {ends}")
        out[f"{key}_interval_95"] = [low, high]
    en = told.en_of("light")
    return out | {
        "stray_below_95_fraction": told.stray_below,
        "light_en": en,
        "chi_square": told.chi_square,
        "chi_square_limit": told.limit,
        "degrees_of_freedom": told.freedom,
    }


def _readings(found: AngleAnswer) -> Table:
    """Return the readings beside what was expected of them before and after."""
    told, read = found.found, found.read.readings
    power, own = power_of(told)
    light = told.values.get("light", 1.0)
    light = getattr(light, "nominal_value", light)
    key = "light_of_sweep" if found.relative else "irradiance_W_m2"
    facing = light if found.relative else light * told.scene.light.irradiance
    stars = [signed(en) + (" *" if abs(en) > 1 else "  ") for en in told.en]
    load = read.at.load
    ohm = [float("nan") if np.isnan(one) else float(one) for one in load]
    return Table(
        "Readings",
        [
            Column("angle_deg", read.angle, heading="scale, deg", show="{:g}".format),
            Column("load_ohm", ohm, heading="load", show=[load_name(float(x)) for x in load]),
            Column("power_W", power, own, heading="read"),
            Column("predicted_W", _watts(told, told.prior), heading="predicted"),
            Column("adjusted_W", _watts(told, told.adjusted), heading="adjusted"),
            Column("en", told.en, heading="E_n  ", show=stars),
            Column(key, np.full(len(power), facing), heading=None),
        ],
        note="Predicted: zero, stray light and light as found, or as they were known, all inputs "
        "at their estimates. Adjusted: with the inputs as these readings have them. E_n is "
        "against the adjusted one.",
    )


def power_of(told: Estimate) -> tuple[Any, Any]:
    """Return the readings as power at the stated load and their own standard uncertainty, W."""
    return _watts(told, told.read), _watts(told, told.read, told.u_own)


def _watts(told: Estimate, values: Any, u: Any = None) -> Any:
    """Return what is compared as power at the stated load, W, or its standard uncertainty."""
    load = told.readings.stated
    out = np.array(values if u is None else u, dtype=float)
    by = np.array(told.quantities)
    for quantity, times in ((VOLTAGE, 1.0 / load), (CURRENT, load)):
        squared = values**2 * times if u is None else 2.0 * np.abs(values) * u * times
        out = np.where(by == quantity, squared, out)
    return out


def _adjusted(found: AngleAnswer) -> Table:
    """Return the inputs as the readings have them."""
    told, turned = found.found, found.turned
    shifts = told.adjustments
    values = []
    for name, (shift, left) in shifts.items():
        text = "-"
        if name.startswith("load "):
            text = number(*told.load(float(name.split()[1])), "ohm")
        elif name == "light" and found.relative:
            text = f"{_shown(told.values['light'])} times the sweep's"
        elif name == "light":
            text = f"{_shown(told.irradiance)} W/m2"
        elif name == turned.scene.temp_cell.name and not turned.scene.temp_cell.by:
            warm = turned.scene.temp_cell
            text = number(warm.celsius + shift * warm.u, left * warm.u, "degC")
        values.append(text)
    return Table(
        "Inputs as these readings have them: shift in their standard uncertainties",
        [
            Column("input_quantity", list(shifts), heading="input quantity"),
            Column("shift", [a for a, _ in shifts.values()], [u for _, u in shifts.values()]),
            Column("now", values),
        ],
        most_rows=12,
    )


def _power(found: AngleAnswer) -> Table:
    """Return power and exponent by angle and load."""
    table = found.table
    loads = [float(x) for x in table.at.load]
    return Table(
        "Power to expect, from facing the light",
        [
            Column("angle_deg", table.at.angle, heading="angle, deg", show="{:g}".format),
            Column("load_ohm", loads, heading="load", show=[load_name(x) for x in loads]),
            Column("voltage_V", table.voltage, heading=None),
            Column("current_A", table.current, heading=None),
            Column("power_W", table.power, table.u_power, heading="power"),
            Column("exponent", table.exponent, show="{:.2f}".format),
        ],
        note=_EXPONENT,
    )


def _curve(one: AngleTable) -> Table:
    return Table(
        "",
        [
            Column("angle_deg", one.at.angle),
            Column("load_ohm", one.at.load),
            Column("power_W", one.power),
        ],
    )


def _budget(found: AngleAnswer) -> dict[str, dict[str, float]]:
    told = found.found
    if told is None:
        return {"power_W": found.table.prediction.budget()}
    keys = {"zero": "zero_deg", "stray": "stray_fraction", "light": "light"}
    return {
        keys[name]: budget(value)
        for name, value in told.values.items()
        if name not in told.unresolved and value.std_dev > 0
    }
