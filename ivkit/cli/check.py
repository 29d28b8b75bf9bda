"""``ivkit check``: is this reading, or this table of readings, plausible."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.check_readings import Load
from ivkit.cli.inputs import SweepOptions
from ivkit.cli.lamp_options import CellTemperature
from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.panel_source import panel_of, panel_options

if TYPE_CHECKING:
    from ivkit.verdict.stated import Readings, Setting


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
@_number("--irradiance", 1e-3, 1e4, "W/m2", "Effective, facing the light.")
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
def command(
    table: str | None,
    output: Output,
    bench: str | None,
    datasheet: str | None,
    module: str | None,
    **given: Any,
) -> int:
    """Is this reading, or this table of readings, what physics says it should be.

    TABLE has voltage, current or power, one row a reading; and if you like load, angle, distance
    from the lamp, irradiance or lux, temperature. Exit status 1: it is not plausible.

    Example: ivkit check --datasheet panel.toml --power 0.2 --load 33 --irradiance 800
    """
    from ivkit.cli.check_light import setting_of
    from ivkit.cli.check_readings import of_options, of_table, with_uncertainty
    from ivkit.cli.lamp_parts import open_voltage
    from ivkit.errors import about
    from ivkit.report.check_text import describe, document, frame
    from ivkit.verdict.limits import at_a_cloud_edge
    from ivkit.verdict.plausibility import judge
    from ivkit.verdict.scene import Scene

    if given["share"] is not None and given["sweep"] is None:
        raise click.UsageError("--share is of the light of a sweep: give it by --sweep")
    notes: list[str] = []
    with about(table or ""):
        readings, means = of_table(table, given, notes) if table else of_options(given)
    options = SweepOptions(bench=bench)
    set_up, files = options.load_bench(), options.files(())
    readings = with_uncertainty(readings, given, set_up, notes)
    asked = {**given, "technology": "c-Si", "bypass_groups": None}
    if set_up is not None:
        asked["bypass_groups"] = set_up.panel.bypass_groups
    sheet = panel_of(asked, set_up, bench, datasheet, module, files)
    moved = readings.distance is not None
    turned = given["angle"] is not None or bool((readings.angle != 0).any())
    setting = setting_of({**given, "moved": moved, "turned": turned}, sheet, set_up, means, notes)
    if moved and setting.distance_m is None:
        raise click.UsageError(
            f"{table} has distances, but not the light at one of them: give --lux with --source "
            "and --distance, or [light] of a bench with distance_m"
        )
    if given["open_voltage"] is not None:
        v_oc = open_voltage(given["open_voltage"], given["u_open_voltage"], notes)
        setting = setting.by_voc(v_oc)
    scene = Scene(setting, readings)
    found = judge(scene)
    limits = _limits(setting, readings, given)
    if given["outdoors"] and at_a_cloud_edge(setting.irradiance):
        notes.append(
            f"{setting.irradiance:.4g} W/m2 outdoors is more than the sun gives above the "
            "atmosphere: only the edge of a cloud does that, for a minute or so"
        )
    notes += [*map(str, sheet.assumed), *sheet.law_assumed, *sheet.notes]
    output.deliver(
        describe(found, scene, limits, notes),
        document(found, scene, limits, notes),
        lambda: frame(found, scene),
        inputs=[*files, *(name for name in (table, datasheet, given["sweep"]) if name)],
    )
    return 1 if limits or found.verdict in ("too high", "too low") else 0


def _limits(setting: "Setting", readings: "Readings", given: dict[str, Any]) -> list[Any]:
    """Return the hard limits that the readings break, in three times as much doubt as stated."""
    import numpy as np

    from ivkit.verdict.limits import broken_limits

    def most(values: Any) -> float | None:
        if values is None or np.all(np.isnan(values)):
            return None
        return float(np.nanmax(np.abs(values)))

    power = readings.power
    if power is None and readings.voltage is not None and readings.current is not None:
        power = readings.voltage * readings.current
    sheet = setting.sheet
    light = setting.irradiance * float(np.max(readings.light)) * (1 + 3 * setting.u_light)
    if readings.distance is not None and setting.distance_m is not None:
        light *= (setting.distance_m / float(np.min(readings.distance))) ** 2
    return broken_limits(
        voltage=most(readings.voltage),
        current=most(readings.current),
        power=most(power),
        irradiance=light if given["share"] is None else None,
        stated_irradiance=setting.irradiance if given["share"] is None else None,
        area_m2=sheet.area_m2,
        cells=sheet.cells,
        strings=sheet.strings,
        band_gap=sheet.kind.EgRef,
        outdoors=given["outdoors"],
    )
