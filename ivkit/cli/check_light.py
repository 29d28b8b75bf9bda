"""How strong the light was, for ``ivkit check``: told straight, by a lamp, or by a sweep's own."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.panel_source import OWN_LIGHT
from ivkit.errors import about

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.verdict.stated import Setting

WAYS = ("irradiance", "lux", "share")
_NONE = (
    "say how strong the light was: --irradiance W/m2, --lux with --source, a lamp in [light] of "
    "the bench, a column of TABLE, or with --sweep --share of the sweep's own light (1: the same)"
)


def setting_of(
    given: dict[str, Any],
    sheet: Any,
    set_up: "Bench | None",
    read: dict[str, float],
    notes: list[str],
) -> "Setting":
    """Return the panel in its light, at its temperature.

    Parameters
    ----------
    given : dict
        The command's options.
    sheet : Datasheet or MeasuredPanel
    set_up : Bench or None
    read : dict
        Means of light and temperature that the table tells: ``irradiance`` W/m2, ``illuminance``
        lx, ``temperature`` degC.
    notes : list of str
        What was assumed is added.
    """
    from ivkit.verdict.stated import Setting

    ways = [way for way in WAYS if given[way] is not None]
    if len(ways) > 1:
        raise click.UsageError(f"--{ways[0]} and --{ways[1]} both say how strong the light was")
    if given["u_irradiance"] is not None and ways != ["irradiance"]:
        raise click.UsageError("--u-irradiance goes with --irradiance")
    told = _geometry(given, notes)
    if not ways and "irradiance" in read:
        ways, given = ["irradiance"], {**given, "irradiance": read["irradiance"]}
    if not ways and "illuminance" in read:
        ways, given = ["lux"], {**given, "lux": read["illuminance"]}
    if ways == ["lux"] or (not ways and _has_lamp(set_up)):
        return _under_lamp(given, sheet, set_up, read, told, notes)
    if not ways:
        condition = set_up.condition if set_up is not None else None
        if condition is None or condition.irradiance_W_m2 is None:
            raise click.UsageError(_NONE)
        given = {
            **given,
            "irradiance": condition.irradiance_W_m2,
            "u_irradiance": condition.u_irradiance_W_m2,
        }
        notes.append(f"irradiance {given['irradiance']:g} W/m2, of [condition] of the bench")
    celsius, kelvin = _warmth(given, set_up, read, notes)
    if ways == ["share"]:
        notes.append("light told as a share of the sweep's own: its W/m2 do not matter")
        u_share = given["u_share"]
        if u_share is None:
            u_share = ASSUMED["light since the sweep"].u_fraction
            notes.append(ASSUMED["light since the sweep"].sentence("--u-share"))
        share = {"light against the sweep's": u_share} if u_share else {}
        return Setting(sheet, OWN_LIGHT * given["share"], share, celsius, kelvin, **told)
    return Setting(sheet, given["irradiance"], _doubt(given, notes), celsius, kelvin, **told)


def _doubt(given: dict[str, Any], notes: list[str]) -> dict[str, float]:
    u = given["u_irradiance"]
    if u is None:
        notes.append(ASSUMED["irradiance"].sentence())
        return {"irradiance": ASSUMED["irradiance"].u_fraction}
    return {"irradiance": u / given["irradiance"]} if u > 0 and given["irradiance"] > 0 else {}


def _geometry(given: dict[str, Any], notes: list[str]) -> dict[str, Any]:
    """Return what was told of stray light, the angle and the distance; note what is assumed."""
    for option, name, acts in (
        ("stray", "stray light", given["turned"]),
        ("u_angle", "angle", given["turned"]),
        ("u_distance", "distance of the lamp", given["moved"]),
    ):
        if acts and given[option] is None:
            notes.append(ASSUMED[name].sentence())
    told = {
        "stray": given["stray"],
        "u_stray": given["u_stray"],
        "u_angle": given["u_angle"],
        "u_distance_m": given["u_distance"],
    }
    return {name: value for name, value in told.items() if value is not None}


def _has_lamp(set_up: "Bench | None") -> bool:
    from ivkit.bench_light import STRENGTHS

    return set_up is not None and any(getattr(set_up.light, n) is not None for n in STRENGTHS)


def _warmth(
    given: dict[str, Any],
    set_up: "Bench | None",
    read: dict[str, float],
    notes: list[str],
) -> tuple[float, float]:
    """Return the cell temperature and its standard uncertainty, degC and K."""
    from ivkit.cli.lamp_parts import stated_or_usual_temperature

    if given["open_voltage"] is not None:
        for name in ("temperature", "u_temperature"):
            if given[name] is not None:
                raise click.UsageError(
                    f"--open-voltage and --{name.replace('_', '-')} both tell the cell temperature"
                )
        if "temperature" in read:
            raise click.UsageError(
                "--open-voltage and a temperature column of TABLE both tell the cell temperature"
            )
        return ASSUMED["cell temperature"].value, ASSUMED["cell temperature"].u  # to start from
    if given["u_open_voltage"] is not None:
        raise click.UsageError("--u-open-voltage goes with --open-voltage")
    condition = set_up.condition if set_up is not None else None
    celsius, kelvin = given["temperature"], given["u_temperature"]
    if celsius is None:
        celsius = read.get("temperature")
    if celsius is None and condition is not None:
        celsius = condition.temp_cell_degC
    if celsius is None and kelvin is not None:
        raise click.UsageError("--u-temperature needs --temperature")
    if kelvin is None and condition is not None:
        kelvin = condition.u_temp_cell_degC
    return stated_or_usual_temperature(celsius, kelvin, notes)


def _under_lamp(
    given: dict[str, Any],
    sheet: Any,
    set_up: "Bench | None",
    read: dict[str, float],
    told: dict[str, Any],
    notes: list[str],
) -> "Setting":
    """Return the setting under the lamp of the bench, or of ``--lux``, with the panel facing it."""
    from dataclasses import replace

    from ivkit.cli.lamp_options import LAMP, with_bench
    from ivkit.cli.lamp_parts import (
        face_of,
        placed,
        shape_of,
        strength_of,
        uncertain,
    )
    from ivkit.light.panel_face import Placement
    from ivkit.panel.under_lamp import under_lamp
    from ivkit.verdict.lamp_light import setting_under

    lamp = dict.fromkeys(LAMP) | {n: given[n] for n in ("lux", "source", "distance", "u_distance")}
    lamp = with_bench(lamp, set_up)
    if given["lux"] is not None and not (lamp["source"] or lamp["spectrum"]):
        raise click.UsageError(
            "--lux says nothing without --source: 1000 lx are 3 to 32 W/m2 to silicon"
        )
    with about("" if set_up is None else Path(set_up.path).name):  # a spectrum is named there
        strength, (shape, beam) = strength_of(lamp, notes), shape_of(lamp, notes)
    face = face_of(lamp, sheet, notes)
    distance = lamp["distance"]
    if distance is None:
        if strength.terms not in ("panel", "cell"):
            raise click.UsageError(
                "--distance is missing: metres from the lamp to the panel's centre"
            )
        notes.append("even light: the lamp's distance is not known (--distance)")
        distance, face = 1.0, None
    tilt = lamp["tilt"] or 0.0
    turned = given["turned"]
    if turned and tilt and strength.terms in ("panel", "cell") and strength.read_at is None:
        # The reading was flat on the panel as it is mounted; angles count from facing the lamp.
        strength = replace(strength, read_at=Placement(distance, tilt, 0.0, lamp["offset"]))
    u_distance, u_tilt = placed(lamp, notes)
    warm = _warmth(given, set_up, read, notes)
    found = under_lamp(
        sheet,
        strength,
        shape,
        distance if lamp["distance"] is None else uncertain(distance, u_distance, "distance"),
        face,
        tilt_deg=0.0 if turned else uncertain(tilt, u_tilt, "tilt"),
        beam_angle_deg=beam,
        offset_m=lamp["offset"],
        temp_cell=warm[0],
        assumed=notes,
    )
    notes[:] = found.assumed
    near = None
    if turned and face is not None:
        from ivkit.verdict.turned import near_lamp

        near = near_lamp(face, distance, shape, sheet.iam, offset_m=lamp["offset"])
        notes.append("turned about the panel's width under the lamp; the cells' light is unequal")
    return setting_under(
        found,
        sheet,
        uncertain(*warm, "cell temperature"),
        **told,
        near=near,
        distance_m=lamp["distance"] if given["moved"] else None,
    )
