"""``ivkit track``: a log of a turning panel against physics."""

import math
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions, named_columns
from ivkit.cli.options import Irradiance, Load
from ivkit.cli.output import FiniteNumber, Output, output_options, said_no

if TYPE_CHECKING:
    from ivkit.answer import Answer
    from ivkit.bench import Bench


def _option(name: str, low: float, high: float, unit: str, metavar: str, text: str) -> Any:
    return click.option(name, type=FiniteNumber(low, high, unit), metavar=metavar, help=text)


@click.command("track")
@click.argument("log_file", metavar="LOG")
@click.option(
    "--load",
    type=Load(),
    metavar="OHM",
    help="The fixed load: 68, 4k7, or max for maximum power. [what voltage over current shows]",
)
@click.option("--max-power", is_flag=True, help="Instead of a fixed load: kept at maximum power.")
@click.option("--sweep", metavar="FILE", help="A sweep of this panel, for its curve.")
@click.option(
    "--datasheet",
    metavar="FILE",
    help="Its datasheet (TOML); with a sweep, for what no sweep tells. [that of the bench]",
)
@click.option("--bench", metavar="FILE", help="Front end, panel, condition. [bench.toml here]")
@click.option("--sweep-bench", metavar="FILE", help="Bench of the sweep, if another. [--bench]")
@_option("--sweep-irradiance", 0.001, 5000, "W/m2", "W/m2", "Effective irradiance of the sweep.")
@_option("--sweep-temperature", -90, 200, "degC", "DEGC", "Cell temperature of the sweep.")
@click.option(
    "--same-light",
    is_flag=True,
    help="The sweep was taken facing this very light, so that it gives the facing power.",
)
@_option("--facing-power", 1e-12, 1e5, "W", "W", "Power with the panel held to face this light.")
@_option(
    "--u-facing",
    0,
    50,
    "percent",
    "PCT",
    "Standard uncertainty of the facing power. [2; with --same-light 2.9, of the light]",
)
@click.option(
    "--irradiance",
    type=Irradiance(1e-3),
    metavar="W/m2",
    help="Effective, facing the light: the facing power is then predicted. [that of the bench]",
)
@_option("--u-irradiance", 0, 5000, "W/m2", "W/m2", "Its standard uncertainty. [5 %]")
@_option("--temperature", -90, 200, "degC", "DEGC", "Of the cells. [bench, sweep, else 30 +- 8]")
@_option("--u-temperature", 0, 50, "K", "K", "Its standard uncertainty. [2; 3 since the sweep]")
@_option(
    "--stray", 0, 1, "", "N", "Fraction of the facing light that does not turn with it. [0.01]"
)
@_option("--u-stray", 0, 1, "", "N", "Its standard uncertainty. [0.0058]")
@click.option(
    "--u-angle",
    type=FiniteNumber(0, 45, "deg"),
    default=ASSUMED["angle"].u,
    show_default=True,
    metavar="DEG",
    help="Standard uncertainty of a turn by the logged angles.",
)
@click.option(
    "--tilt-is",
    type=click.Choice(("panel", "elevation")),
    help="What a tilt column counts: the panel's tilt, 0 facing up, or the elevation it looks at.",
)
@_option(
    "--open-voltage",
    1e-3,
    1e5,
    "V",
    "V",
    "Voc read facing this light: the cell temperature comes from it and the datasheet.",
)
@_option(
    "--u-open-voltage",
    0,
    1e4,
    "V",
    "V",
    f"Its standard uncertainty. [{ASSUMED['open-circuit voltage'].brief} %]",
)
@_option("--drive-power", 0, 1e5, "W", "W", "What the drive takes while it moves.")
@_option("--drive-idle", 0, 1e5, "W", "W", "What it takes while it stands still. [0]")
@click.option(
    "--from", "start", type=FiniteNumber(), metavar="S", help="Leave out what is before, s."
)
@click.option("--to", "end", type=FiniteNumber(), metavar="S", help="Leave out what is after, s.")
@click.option(
    "--column",
    multiple=True,
    metavar="QUANTITY=NAME",
    help="Which column of LOG is what: power=P or power=P:mW.",
)
@click.option("--sheet", metavar="NAME", help="Sheet of a workbook.")
@output_options()
def command(output: Output, **given: Any) -> int:
    """What a log of a turning panel says: settling, hunting, pointing error, and the rise.

    LOG is a table with a time column and power, or voltage with current or --load; columns pan
    and tilt, or the angle off the light, are used if there. --column is for LOG, and a SWEEP is
    read with its own headings.

    The exit status is 1 where the rise of the power is not what angle and load predict.

    Example: ivkit track log.csv --load 68 --sweep sweep.csv --facing-power 0.51
    """
    answer, inputs = answered(**given)
    output.deliver(answer, inputs=inputs)
    return said_no(answer)


def answered(log_file: str, **given: Any) -> "tuple[Answer, list[str]]":
    """Return the answer to what is asked, by the options' names, and the files that were read."""
    load = math.nan if given["max_power"] else given["load"]
    _refuse(log_file, given)

    from ivkit.answer import based_on
    from ivkit.errors import about
    from ivkit.report.track_answer import track_answer
    from ivkit.verdict.drive import Drive
    from ivkit.verdict.tracked_panel import TRACKED, load_of, tracked
    from ivkit.verdict.tracking import track

    bench = SweepOptions(bench=given["bench"]).load_bench()
    ohm = None if load is None or math.isnan(load) else load
    raw, powers, log = _read(log_file, given, ohm, bench)
    fit, sheet, files, panel = _panel(given, bench)
    assumed: list[str] = []
    load, u_load, notes = load_of(load, powers, bench, assumed)
    told = {name: given[name] for name in TRACKED}
    if told["u_facing"] is not None:
        told["u_facing"] /= 100.0
    with about(raw.name):
        by = tracked(told, load, u_load, bench, sheet, fit)
        found = track(
            log,
            by.law,
            by.facing,
            None
            if given["drive_power"] is None
            else Drive(given["drive_power"], given["drive_idle"] or 0.0),
            u_angle=given["u_angle"],
            tilt_is=given["tilt_is"],
            unit_said=raw.unit_said,
        )
    answer = track_answer(
        found,
        based_on(panel=panel, light=by.light, bench=bench and bench.path),
        [*(assumed if by.law is not None else ()), *by.assumed],
        [*raw.notes, *powers.notes, *(notes if panel else ()), *by.notes],
        raw.damage,
    )
    return answer, [log_file, *files, *([str(bench.path)] if bench else [])]


def _refuse(log_file: str, given: dict[str, Any]) -> None:
    """Refuse options that do not go together."""
    if given["load"] is not None and given["max_power"]:
        raise click.UsageError("--load and --max-power exclude each other; give one")
    if given["load"] is not None and given["load"] in (0.0, math.inf):
        raise click.UsageError("--load: open and short circuit give no power")
    if given["same_light"] and (given["sweep"] is None or given["facing_power"] is not None):
        raise click.UsageError("--same-light goes with --sweep, and instead of --facing-power")
    if given["drive_idle"] is not None and given["drive_power"] is None:
        raise click.UsageError("--drive-idle goes with --drive-power")
    if given["u_open_voltage"] is not None and given["open_voltage"] is None:
        raise click.UsageError("--u-open-voltage goes with --open-voltage")
    if given["open_voltage"] is not None and given["temperature"] is not None:
        raise click.UsageError("--temperature and --open-voltage both tell the cell temperature")
    if given["u_irradiance"] is not None and given["irradiance"] is None:
        raise click.UsageError("--u-irradiance needs --irradiance")
    for name in ("sweep_bench", "sweep_irradiance", "sweep_temperature"):
        if given[name] is not None and given["sweep"] is None:
            raise click.UsageError(f"--{name.replace('_', '-')} needs a --sweep")
    if given["sweep"] == "-" and log_file == "-":
        raise click.UsageError("standard input (-) can be read only once")


def _read(
    log_file: str, given: dict[str, Any], load: float | None, bench: "Bench | None"
) -> tuple[Any, Any, Any]:
    """Return the log as it stands, the power of its readings, and the clean log."""
    from ivkit.readings.log import read_log
    from ivkit.readings.log_pieces import large_log
    from ivkit.verdict.log import ANGLES, clean
    from ivkit.verdict.log_power import log_power
    from ivkit.verdict.long_log import read_long_log

    said, start, end = named_columns(given["column"]), given["start"], given["end"]
    large = large_log(log_file, columns=said) if given["sheet"] is None else None
    if large is not None:
        return read_long_log(large, load, bench, start, end)
    raw = read_log(log_file, columns=said, sheet=given["sheet"])
    powers = log_power(raw, load, bench)
    # A long log is held once: what the power came from is not needed any more.
    raw = raw.only("time", *ANGLES)
    angles = {quantity: raw[quantity] for quantity in ANGLES if quantity in raw}
    log = clean(raw["time"], powers.power, angles, raw.rows, raw.name)
    if start is not None or end is not None:
        log = log.between(start, end)
    return raw.only(), powers, log


def _panel(given: dict[str, Any], bench: "Bench | None") -> tuple[Any, Any, list[str], str]:
    """Return the fit of the sweep, the datasheet, their files, and what the panel is known by."""
    from ivkit.cli.panel_source import load_panel

    datasheet, names_it = given["datasheet"], bench
    if datasheet is None and bench is not None:
        datasheet = bench.panel.datasheet
    if datasheet is None and given["sweep_bench"]:
        names_it = SweepOptions(bench=given["sweep_bench"]).load_bench()
        datasheet = names_it.panel.datasheet
    sheet = None if datasheet is None else load_panel(datasheet, None, names_it)
    files = [] if datasheet is None else [datasheet]
    fit, panel = None, "" if sheet is None else sheet.name
    if given["sweep"] is not None:
        options = SweepOptions(
            bench=given["sweep_bench"] or given["bench"],
            temp_cell=given["sweep_temperature"],
            irradiance=given["sweep_irradiance"],
            sheet=given["sheet"],
        )
        fit = options.fit(given["sweep"])
        files += options.files((given["sweep"],))
        panel = given["sweep"] + (f", with {panel}" if panel else "")
    return fit, sheet, files, panel
