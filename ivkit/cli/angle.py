"""``ivkit angle``: power against incidence angle, and readings against it."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions, named_columns
from ivkit.cli.options import Irradiance, Load
from ivkit.cli.output import FiniteNumber, Output, output_options, understood
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.predict.angle_readings import AngleReadings
    from ivkit.predict.build_turned import Turned


def _option(name: str, low: float, high: float, unit: str, metavar: str, text: str) -> Any:
    return click.option(name, type=FiniteNumber(low, high, unit), metavar=metavar, help=text)


@click.command("angle")
@click.argument("readings", metavar="[READINGS]", required=False)
@panel_options
@click.option("--sweep", metavar="FILE", help="The panel, by a sweep taken facing the light.")
@click.option(
    "--bench",
    metavar="FILE",
    help="Of the sweep; its lamp and its panel's cells too. [bench.toml here, if any]",
)
@click.option("--sweep-bench", metavar="FILE", help="Bench of the sweep, if another. [--bench]")
@click.option(
    "--load",
    "loads",
    type=Load(),
    multiple=True,
    metavar="OHM",
    help="47, 4k7 or max; may be repeated. With READINGS without a load column, theirs.",
)
@click.option("--max-power", is_flag=True, help="READINGS were taken at maximum power.")
@click.option(
    "--irradiance",
    type=Irradiance(1e-3),
    metavar="W/m2",
    help="Effective, facing the light. [that of the sweep, else 1000; fitted]",
)
@_option("--u-irradiance", 0, 5000, "W/m2", "W/m2", "Its standard uncertainty. [5 %]")
@_option("--sweep-irradiance", 0.001, 5000, "W/m2", "W/m2", "Effective irradiance of the sweep.")
@_option("--temperature", -90, 200, "degC", "DEGC", "Of the cells. [the sweep's, else 30 +- 8]")
@click.option(
    "--iam",
    type=click.Choice(("martin-ruiz", "ashrae", "physical", "none")),
    help="What the glass loses at an angle. [as measured modules do, by the datasheet]",
)
@_option(
    "--stray",
    0,
    1,
    "",
    "N",
    "Fraction of the light that does not turn. [0.01; fitted]",
)
@_option("--u-stray", 0, 1, "", "N", "Its standard uncertainty. [0.0058]")
@_option(
    "--zero",
    -90,
    90,
    "deg",
    "DEG",
    "What the scale shows when the panel faces the light. [0; fitted]",
)
@_option(
    "--lamp-distance",
    0.001,
    1000,
    "m",
    "M",
    "The light is a lamp this near. [that of the bench]",
)
@click.option(
    "--about",
    type=click.Choice(("width", "height")),
    default="width",
    show_default=True,
    help="Under a near lamp: the side of the panel that it is turned about.",
)
@click.option("--parallel", is_flag=True, help="The light is parallel, whatever the bench says.")
@click.option(
    "--sweep-light",
    type=click.Choice(("lamp", "even")),
    help="Under a near lamp: the sweep's light was the lamp's, or even. [as its curve shows]",
)
@_option("--u-reading", 0.001, 50, "percent", "PCT", "1 sigma of each reading. [1; of power 2]")
@_option("--u-angle", 0, 20, "deg", "DEG", "1 sigma of each angle set. [0.29]")
@_option("--u-temperature", 0, 50, "K", "K", "1 sigma of the cells. [2; 3 since the sweep]")
@_option(
    "--u-light", 0, 100, "percent", "PCT", "1 sigma of the light staying that of the sweep. [2.9]"
)
@_option("--tolerance", 0, 50, "percent", "PCT", "Of the load, plus or minus. [bench, else 5]")
@click.option("--small", is_flag=True, help="Angles within 1.6 are meant in degrees.")
@click.option(
    "--column",
    multiple=True,
    metavar="QUANTITY=NAME",
    help="Which column is what: angle=tilt or power=P:mW.",
)
@output_options()
def command(readings: str | None, output: Output, **given: Any) -> int:
    """Power against incidence angle, at a load and at maximum power; compared with readings.

    READINGS is a table with the angle and V with I or a load, or P with a load. From it the zero
    of the scale, the stray light and the light are fitted, unless they are given, and the load and
    other inputs adjusted. Exit status 1: the readings do not agree.

    Example: ivkit angle turned.csv --sweep facing.csv --load 220
    """
    from ivkit.report.angle_answer import angle_answer
    from ivkit.verdict.angle import turned_power

    bench = SweepOptions(bench=given["bench"]).load_bench()
    files = [name for name in (readings, bench and bench.path) if name]
    loads = tuple(ohm for ohm in given["loads"] if ohm == ohm)
    if any(not 0 < ohm < float("inf") for ohm in loads):
        raise click.UsageError("--load: open and short circuit give no power")
    max_power = given["max_power"] or (readings is not None and len(loads) < len(given["loads"]))
    if given["zero"] is not None and readings is None:
        raise click.UsageError("--zero is of the scale of READINGS")
    if given["u_irradiance"] is not None and given["irradiance"] is None:
        raise click.UsageError("--u-irradiance needs --irradiance")
    turned, panel = _turned(given, bench, files)
    read = None
    if readings is not None:
        read = read_angles(
            readings,
            loads,
            given["column"],
            small=given["small"],
            max_power=max_power,
            u_reading=given["u_reading"],
            u_angle=given["u_angle"],
            tolerance=tolerance_of(given["tolerance"], bench),
        )
    usual, tolerance = ASSUMED["load resistor"], tolerance_of(given["tolerance"], bench)
    u_load = usual.u_fraction if tolerance is None else tolerance / 100 / 3**0.5
    if tolerance is None and loads and read is None:
        turned.assumed.append(usual.sentence(f"--tolerance, or {usual.instead},"))
    held = {name: given[name] for name in ("zero", "stray")}
    found = turned_power(turned, loads, read, **held, u_load=u_load)
    output.deliver(angle_answer(found, panel, bench and bench.path), inputs=files)
    return 1 if found.found is not None and not found.found.agrees else 0


def _turned(given: dict[str, Any], bench: "Bench | None", files: list[str]) -> "tuple[Turned, str]":
    """Return the panel that turns, and what it is known by: its sweep, or its datasheet."""
    from ivkit.predict.build_turned import TURNED, turned_of

    if given["parallel"] and given["lamp_distance"] is not None:
        raise click.UsageError("--parallel and --lamp-distance exclude each other")
    sweep, datasheet = given["sweep"], given["datasheet"]
    if sweep is None:
        for name in ("sweep_irradiance", "sweep_light", "sweep_bench", "u_light"):
            if given[name] is not None:
                raise click.UsageError(f"--{name.replace('_', '-')} needs a --sweep")
    names_it = bench
    if datasheet is None and given["module"] is None:
        datasheet = bench.panel.datasheet if bench is not None else None
        if datasheet is None and given["sweep_bench"]:
            names_it = SweepOptions(bench=given["sweep_bench"]).load_bench()
            datasheet = names_it.panel.datasheet
    named = datasheet is not None or given["module"] is not None
    if sweep is None and not named:
        raise click.UsageError("name the panel: --sweep FILE, --datasheet FILE or --module NAME")
    sheet = load_panel(datasheet, given["module"], names_it) if named else None
    files += [datasheet] if datasheet else []
    told = {name: given[name] for name in TURNED}
    if told["u_light"] is not None:
        told["u_light"] /= 100.0
    fit, panel = None, None if sheet is None else sheet.name
    if sweep is not None:
        options = SweepOptions(
            bench=given["sweep_bench"] or given["bench"], irradiance=given["sweep_irradiance"]
        )
        fit = options.fit(sweep)
        files += options.files((sweep,))
        panel = f"{sweep}" + (f", with {panel}" if panel else "")
    where = {name: given[name] for name in ("parallel", "lamp_distance", "about")}
    return turned_of(told, bench, sheet, fit, **where), panel


def read_angles(
    path: str, loads: tuple[float, ...] = (), column: tuple[str, ...] = (), **more: Any
) -> "AngleReadings":
    """Return the readings of a file; the arguments are those of `angle_readings`."""
    from ivkit.predict.angle_readings import angle_readings
    from ivkit.readings.table import read_table

    table = read_table(path, columns=named_columns(column))
    understood(path, table.notes)
    return angle_readings(table, path, loads, **more)


def tolerance_of(given: float | None, bench: "Bench | None") -> float | None:
    """Return the tolerance of the load, plus or minus percent; None where nobody states it."""
    if given is None and bench is not None:
        return bench.loads.tolerance_pct
    return given
