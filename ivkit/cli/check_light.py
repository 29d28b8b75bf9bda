"""From the options of ``ivkit check``, the table and the bench to the scene: light and warmth."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.errors import SweepError, about

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.predict.of_sweep import SweepPanel
    from ivkit.predict.scene import Mount, Scene, Warmth

WAYS = ("irradiance", "lux", "share")
_NONE = (
    "say how strong the light was: --irradiance W/m2, --lux with --source, a lamp in [light] of "
    "the bench, a column of TABLE, or with --sweep --share of the sweep's own light (1: the same)"
)


def scene_of(
    given: dict[str, Any],
    panel: Any,
    sweep: "SweepPanel | None",
    set_up: "Bench | None",
    read: dict[str, float],
    notes: list[str],
) -> "tuple[Scene, str]":
    """Return the panel in its light, at its temperature; and how the light was told.

    Parameters
    ----------
    given : dict
        The command's options.
    panel : Datasheet or MeasuredPanel
    sweep : SweepPanel or None
        The sweep that the panel is known by.
    set_up : Bench or None
    read : dict
        Means of light and temperature that the table tells: ``irradiance`` W/m2, ``illuminance``
        lx, ``temperature`` degC.
    notes : list of str
        What was assumed is added.
    """
    from ivkit.predict.scene import Scene

    ways = [way for way in WAYS if given[way] is not None]
    if len(ways) > 1:
        raise click.UsageError(f"--{ways[0]} and --{ways[1]} both say how strong the light was")
    if not ways and "irradiance" in read:
        ways, given = ["irradiance"], {**given, "irradiance": read["irradiance"]}
    if not ways and "illuminance" in read:
        ways, given = ["lux"], {**given, "lux": read["illuminance"]}
    way = ways[0] if ways else "lamp" if _has_lamp(set_up) else ""
    if given["u_irradiance"] is not None and way not in ("irradiance", ""):
        raise click.UsageError("--u-irradiance goes with an irradiance in W/m2")
    mount = _mount(given, notes)
    if way == "share":
        u = given["u_share"]
        if u is None:
            notes.append(ASSUMED["light since the sweep"].sentence("--u-share"))
        light, told = sweep.same_light(given["share"], u), "share"
    elif way in ("lux", "lamp"):
        light, told = _lamp(given, panel, set_up, notes), way
    else:
        light, told = _stated(given, set_up, notes), "irradiance"
    if sweep is not None and sweep.relative and told != "share":
        raise SweepError(
            "the irradiance during the sweep is not known, so its curve cannot be carried to other "
            "light",
            given["sweep"],
            "give --sweep-irradiance, or irradiance_W_m2 in [condition] of its bench; or --share, "
            "if the readings are of light that is a share of the sweep's",
        )
    warm = _warmth(given, sweep, set_up, read, notes)
    return Scene(panel, light, warm, mount), told


def _stated(given: dict[str, Any], set_up: "Bench | None", notes: list[str]) -> Any:
    """Return light that is stated in W/m2: by an option or a column, else by the bench."""
    from ivkit.predict.facing import Facing

    value, u = given["irradiance"], given["u_irradiance"]
    if value is None:
        condition = set_up.condition if set_up is not None else None
        if condition is None or condition.irradiance_W_m2 is None:
            raise click.UsageError(_NONE)
        value = condition.irradiance_W_m2
        u = condition.u_irradiance_W_m2 if u is None else u
        notes.append(f"irradiance {value:g} W/m2, of [condition] of the bench")
    if u is None:
        notes.append(ASSUMED["irradiance"].sentence())
        u = ASSUMED["irradiance"].u_fraction * value
    return Facing.of(value, u)


def _mount(given: dict[str, Any], notes: list[str]) -> "Mount":
    """Return what was told of stray light and of the angle; note what is assumed."""
    from ivkit.predict.scene import Mount

    for option, name, acts in (
        ("stray", "stray light", given["turned"]),
        ("u_angle", "angle", given["turned"]),
        ("u_distance", "distance of the lamp", given["moved"]),
    ):
        if acts and given[option] is None:
            notes.append(ASSUMED[name].sentence())
    told = {name: given[name] for name in ("stray", "u_stray", "u_angle")}
    return Mount(**{name: value for name, value in told.items() if value is not None})


def _has_lamp(set_up: "Bench | None") -> bool:
    from ivkit.bench_light import STRENGTHS

    return set_up is not None and any(getattr(set_up.light, n) is not None for n in STRENGTHS)


def _warmth(
    given: dict[str, Any],
    sweep: "SweepPanel | None",
    set_up: "Bench | None",
    read: dict[str, float],
    notes: list[str],
) -> "Warmth":
    """Return the cell temperature: stated, read, that of the sweep, of the bench, or usual."""
    from ivkit.cli.lamp_parts import stated_or_usual_temperature
    from ivkit.predict.of_sweep import SINCE
    from ivkit.predict.scene import Warmth

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
        return Warmth()  # to start from
    if given["u_open_voltage"] is not None:
        raise click.UsageError("--u-open-voltage goes with --open-voltage")
    celsius, kelvin = given["temperature"], given["u_temperature"]
    if celsius is None:
        celsius = read.get("temperature")
    if celsius is None and sweep is not None:
        if kelvin is None:
            notes.append(ASSUMED[SINCE].sentence())
        return sweep.same_warmth(kelvin)
    condition = set_up.condition if set_up is not None else None
    if celsius is None and condition is not None:
        celsius = condition.temp_cell_degC
    if celsius is None and kelvin is not None:
        raise click.UsageError("--u-temperature needs --temperature")
    if kelvin is None and condition is not None:
        kelvin = condition.u_temp_cell_degC
    return Warmth(*stated_or_usual_temperature(celsius, kelvin, notes))


def _lamp(given: dict[str, Any], panel: Any, set_up: "Bench | None", notes: list[str]) -> Any:
    """Return the lamp of the bench, or of ``--lux``, over the panel."""
    from ivkit.cli.lamp_options import LAMP, with_bench
    from ivkit.cli.lamp_parts import face_of, placed, shape_of, strength_of, uncertain
    from ivkit.light.panel_face import Placement
    from ivkit.predict.facing import DISTANCE
    from ivkit.predict.near import lamp_over

    lamp = dict.fromkeys(LAMP) | {n: given[n] for n in ("lux", "source", "distance", "u_distance")}
    lamp = with_bench(lamp, set_up)
    if given["lux"] is not None and not (lamp["source"] or lamp["spectrum"]):
        raise click.UsageError(
            "--lux says nothing without --source: 1000 lx are 3 to 32 W/m2 to silicon"
        )
    with about("" if set_up is None else Path(set_up.path).name):  # a spectrum is named there
        strength, (shape, beam) = strength_of(lamp, notes), shape_of(lamp, notes)
    face, distance = face_of(lamp, panel, notes), lamp["distance"]
    if given["moved"] and distance is None:
        raise click.UsageError(
            "TABLE has distances, but not the light at one of them: give --lux with --source "
            "and --distance, or [light] of a bench with distance_m"
        )
    if distance is None:
        if strength.terms not in ("panel", "cell"):
            raise click.UsageError(
                "--distance is missing: metres from the lamp to the panel's centre"
            )
        notes.append("even light: the lamp's distance is not known (--distance)")
        face = None
    elif strength.terms in ("panel", "cell") and strength.read_at is None:
        # The reading was flat on the panel as it is mounted.
        tilt = lamp["tilt"] or 0.0
        if given["moved"] or given["aside"]:
            strength = replace(strength, read_at=Placement(distance, tilt, 0.0, lamp["offset"]))
    u_distance, _ = placed({**lamp, "u_tilt": lamp["u_tilt"] or 0.0}, notes)
    found, said = lamp_over(
        panel,
        strength,
        shape,
        1.0 if distance is None else uncertain(distance, u_distance, DISTANCE),
        face,
        beam_angle_deg=beam,
        offset_m=lamp["offset"],
    )
    notes += said
    if given["turned"] and face is not None:
        notes.append("turned about the panel's width under the lamp; the cells' light is unequal")
    return found
