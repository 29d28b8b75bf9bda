"""``ivkit lamp``: what the panel should give under this lamp."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions
from ivkit.cli.lamp_options import lamp_options
from ivkit.cli.output import Output, output_options, said_no
from ivkit.cli.panel_source import panel_of, panel_options

if TYPE_CHECKING:
    from ivkit.answer import Answer
    from ivkit.predict.readings import Readings


@click.command("lamp")
@panel_options
@lamp_options
@output_options()
def command(output: Output, **given: Any) -> int:
    """What the panel should give under this lamp, and whether a reading fits.

    Say how strong the lamp is by --lux, --irradiance, --watts or --cell-isc, and what its light is
    by --source or --spectrum; or write it into [light] of the bench. The light is worked out cell
    by cell where the cells' places are known. Exit status 1: the reading does not fit.

    Example: ivkit lamp --datasheet panel.toml --lux 6000 --source halogen --distance 0.35
    """
    answer, inputs = answered(**given)
    output.deliver(answer, inputs=inputs)
    return said_no(answer)


def answered(
    bench: str | None, datasheet: str | None, module: str | None, **given: Any
) -> "tuple[Answer, list[str]]":
    """Return the answer to what is asked, by the options' names, and the files that were read."""
    from pathlib import Path

    from ivkit.answer import based_on, drawn_by
    from ivkit.errors import about
    from ivkit.predict.build import mount_of, warmth_of
    from ivkit.predict.build_lamp import U_TILT, lamp_of, with_bench
    from ivkit.predict.scene import Scene
    from ivkit.predict.under_lamp import around, under_lamp
    from ivkit.report.lamp_answer import lamp_answer
    from ivkit.verdict.plausibility import judge

    set_up = SweepOptions(bench=bench).load_bench()
    files = SweepOptions(bench=bench).files(())
    own = given["temperature"], given["u_temperature"]
    given = with_bench(given | {"u_tilt": given.pop("u_angle")}, set_up)
    assumed: list[str] = []
    told = (set_up, bench, datasheet, module, files, assumed)
    panel, sweep = panel_of(given, *told, own_light=False)
    if given["distance"] is None:
        silent = f" ({files[0]} gives none either)" if set_up is not None else ""
        raise click.UsageError(
            f"--distance is missing: metres from the lamp to the panel's centre{silent}"
        )
    tilt, loads = given["tilt"] or 0.0, tuple(dict.fromkeys(given["load"]))
    with about(", ".join(name for name in (given["spectrum"], *files) if name)):
        light = lamp_of(given, panel, assumed, uniform=given["uniform"])
        # A sweep brings its own temperature; what the bench states is that of a datasheet's panel.
        heat = (given["temperature"], given["u_temperature"]) if sweep is None else own
        warm = warmth_of(*heat, assumed, sweep)
        mount = mount_of(
            assumed,
            u_angle=given["u_tilt"],
            stray=given["stray"],
            u_stray=given["u_stray"],
            instead=U_TILT,
        )
        scene = Scene(panel, light, warm, mount)
        stated = set_up is not None and set_up.loads.tolerance_pct is not None
        u_load = set_up.loads.u_fraction if stated else ASSUMED["load resistor"].u_fraction
        readings = _readings(given, loads, u_load, assumed)
        resistors = [ohm for ohm in loads if ohm == ohm]  # NaN is maximum power
        if resistors and not stated:
            assumed.append(ASSUMED["load resistor"].sentence())
        far = around(scene) if given["wanted"] else ()
        found = under_lamp(scene, tilt, resistors, u_load, far, assumed)
        judged = None if readings is None else judge(scene, readings, told="lamp")
    source = given["sweep"] or datasheet or module or (set_up and set_up.panel.datasheet)
    answer = lamp_answer(
        found,
        judged,
        based_on(
            panel=" ".join(filter(None, [panel.name, source and f"({Path(source).name})"])),
            light=_light(given),
            bench=set_up and Path(set_up.path).name,
        ),
        drawn_by("ivkit.report.lamp_figure:lamp_figure", found),
    )
    named = (datasheet, given["sweep"], given["spectrum"])
    return answer, [*files, *(name for name in named if name)]


def _light(given: dict[str, Any]) -> str:
    """Return the lamp in a few words."""
    units = {"lux": "lx", "irradiance": "W/m2", "watts": "W", "cell_isc": "A of a known cell"}
    (way,) = (name for name in units if given[name] is not None)
    kind = given["source"] or given["spectrum"] or ""
    if given["colour_temperature"] is not None:
        kind = f"{kind} {given['colour_temperature']:g} K".strip()
    there = f"{given[way]:g} {units[way]}" + (f" of {kind}" if kind else "")
    return f"{there}, {given['distance']:g} m away"


def _readings(
    given: dict[str, Any], loads: tuple[float, ...], u_load: float, assumed: list[str]
) -> "Readings | None":
    """Return the measured power, if there is one."""
    power, u = given["measured"], given["u_measured"]
    if power is None:
        return None
    import numpy as np

    from ivkit.errors import RangeError
    from ivkit.predict.readings import Readings

    if len(loads) > 1:
        raise click.UsageError("--measured compares with one --load, or with none")
    load = loads[0] if loads else float("nan")
    if load == 0 or load == float("inf"):
        raise RangeError("--measured is a power, and an open or short circuit takes none")
    if u is None:
        assumed.append(ASSUMED["reading"].sentence("--u-measured"))
        u = ASSUMED["reading"].u_fraction * power
    return Readings.of(
        power=power,
        load=load,
        angle=given["tilt"] or 0.0,
        u=max(u / power, 1e-6) if power > 0 else 0.0,
        noise={} if power > 0 else {"power": np.array([u])},
        u_load=u_load,
    )
