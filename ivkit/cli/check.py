"""``ivkit check``: is this reading, or this table of readings, plausible."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions
from ivkit.cli.lamp_options import CellTemperature
from ivkit.cli.options import Irradiance, Load
from ivkit.cli.output import FiniteNumber, Output, output_options, said_no
from ivkit.cli.panel_source import panel_of, panel_options

if TYPE_CHECKING:
    from ivkit.answer import Answer


def _number(name: str, low: float, high: float, unit: str, text: str, *, metavar: str = "N") -> Any:
    return click.option(name, type=FiniteNumber(low, high, unit), metavar=metavar, help=text)


@click.command("check")
@click.argument("table", metavar="[TABLE]", required=False)
@panel_options
@click.option("--sweep", metavar="FILE", help="The panel, by a sweep taken in known light.")
@click.option("--bench", metavar="FILE", help="Lamp, mount and panel. [bench.toml here, if any]")
@click.option("--sweep-bench", metavar="FILE", help="Bench of that sweep. [--bench]")
@_number("--sweep-irradiance", 0, 5000, "W/m2", "Effective irradiance of that sweep.")
@_number("--sweep-temperature", -90, 200, "degC", "Cell temperature of that sweep.")
@_number("--voltage", -1e5, 1e5, "V", "One reading, without a TABLE.")
@_number("--current", -1e5, 1e5, "A", "Likewise.")
@_number("--power", -1e6, 1e6, "W", "Likewise.")
@click.option(
    "--load",
    type=Load(),
    metavar="OHM",
    help="Of the reading, or of a TABLE without loads: 47, 4k7, open, short, or max for maximum "
    "power. [V/I]",
)
@_number("--angle", -90, 90, "deg", "From facing the light. [0, or the bench's tilt]")
@click.option(
    "--irradiance", type=Irradiance(1e-3), metavar="W/M2", help="Effective, facing the light."
)
@_number(
    "--u-irradiance", 0, 1e4, "W/m2", f"Its standard uncertainty. [{ASSUMED['irradiance'].brief} %]"
)
@_number("--lux", 1e-3, 1e6, "lx", "Instead of it, with --source.")
@click.option("--source", metavar="KIND", help="What gives the lux: halogen, led, sun, ...")
@_number("--distance", 1e-3, 1e3, "m", "From the lamp to the panel's centre. [the bench's]")
@_number("--share", 1e-3, 100, "", "Instead: of the light of --sweep, whatever that was.")
@_number("--u-share", 0, 1, "", "Its standard uncertainty, as a fraction of it. [0.029]")
@click.option(
    "--temperature",
    type=CellTemperature(-90, 200, "degC"),
    metavar="N",
    help=f"Of the cells. [{ASSUMED['cell temperature'].brief}]",
)
@_number(
    "--u-temperature",
    0,
    50,
    "K",
    f"Its standard uncertainty. [{ASSUMED['stated cell temperature'].brief}]",
)
@_number(
    "--open-voltage",
    1e-3,
    1e5,
    "V",
    "Voc read facing this light: the cell temperature is taken from it.",
    metavar="V",
)
@_number(
    "--u-open-voltage",
    0,
    1e4,
    "V",
    f"Its standard uncertainty. [{ASSUMED['open-circuit voltage'].brief} %]",
    metavar="V",
)
@_number("--stray", 0, 1, "", "Fraction of the light that does not turn with the panel. [0.01]")
@_number("--u-stray", 0, 1, "", "Its standard uncertainty. [0.0058]")
@_number(
    "--u-angle",
    0,
    45,
    "deg",
    f"Standard uncertainty of the angle's zero. [{ASSUMED['angle'].brief}]",
)
@_number(
    "--u-distance",
    0,
    10,
    "m",
    f"Standard uncertainty of the distance. [{ASSUMED['distance of the lamp'].brief}]",
)
@_number(
    "--u-load", 0, 50, "percent", "Standard uncertainty of each load. [bench, else 2.9: a 5 % part]"
)
@_number(
    "--u-reading",
    0.01,
    50,
    "percent",
    f"Standard uncertainty of each reading. [{ASSUMED['reading'].brief}]",
)
@click.option("--outdoors", is_flag=True, help="The light is the sky's.")
@click.option("--column", multiple=True, metavar="QUANTITY=NAME", help="Which column is what.")
@output_options(plot=False)
def command(output: Output, **given: Any) -> int:
    """Is this reading, or this table of readings, what physics says it should be.

    TABLE has voltage, current or power, one row a reading; and if you like load, angle, distance
    from the lamp, irradiance or lux, temperature. Exit status 1: it is not plausible.

    Example: ivkit check --datasheet panel.toml --power 0.2 --load 33 --irradiance 800
    """
    answer, inputs = answered(**given)
    output.deliver(answer, inputs=inputs)
    return said_no(answer)


def answered(
    table: str | None,
    bench: str | None,
    datasheet: str | None,
    module: str | None,
    **given: Any,
) -> "tuple[Answer, list[str]]":
    """Return the answer to what is asked, by the options' names, and the files that were read."""
    from ivkit.cli.check_readings import of_options, of_table, with_uncertainty
    from ivkit.errors import about
    from ivkit.predict.build_scene import scene_of
    from ivkit.report.check_answer import check_answer
    from ivkit.verdict.limits import at_a_cloud_edge
    from ivkit.verdict.plausibility import judge

    if given["share"] is not None and given["sweep"] is None:
        raise click.UsageError("--share is of the light of a sweep: give it by --sweep")
    notes: list[str] = []
    options = SweepOptions(bench=bench)
    set_up, files = options.load_bench(), options.files(())
    if given["angle"] is None:
        given["angle"] = (set_up.mount.tilt_deg if set_up is not None else None) or 0.0
    with about(table or ""):
        readings, means = of_table(table, given, notes) if table else of_options(given)
    readings = with_uncertainty(readings, given, set_up, notes)
    asked = {**given, "technology": "c-Si", "bypass_groups": None}
    if set_up is not None:
        asked["bypass_groups"] = set_up.panel.bypass_groups
    panel, sweep = panel_of(asked, set_up, bench, datasheet, module, files, notes)
    with about("" if set_up is None else Path(set_up.path).name):
        scene, told = scene_of(given, panel, sweep, set_up, means, readings, notes)
    found = judge(scene, readings, outdoors=given["outdoors"], told=told)
    warnings = []
    if given["outdoors"] and at_a_cloud_edge(scene.light.irradiance):
        warnings.append(
            f"{scene.light.irradiance:.4g} W/m2 outdoors is more than the sun gives above the "
            "atmosphere: only the edge of a cloud does that, for a minute or so"
        )
    notes += [*map(str, panel.assumed), *panel.notes]
    notes += panel.law_assumed if sweep is None else ()
    source = given["sweep"] or datasheet or module or panel.path
    named = ", ".join(dict.fromkeys(x for x in (panel.name, source) if x))
    answer = check_answer(
        found,
        panel=f"{named}, by its {'datasheet' if sweep is None else 'sweep'}",
        bench=None if set_up is None else Path(set_up.path).name,
        assumptions=notes,
        warnings=warnings,
    )
    read = (table, datasheet, given["sweep"])
    return answer, [*files, *(name for name in read if name)]
