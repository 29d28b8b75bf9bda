"""``ivkit track``: a log of a turning panel against physics."""

from typing import Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions, named_columns, sweep_options
from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.track_panel import Panel


@click.command("track")
@click.argument("log_file", metavar="LOG")
@click.option(
    "--load",
    "load_ohm",
    type=FiniteNumber(1e-3, 1e9, "ohm"),
    metavar="OHM",
    help="The fixed load. [what voltage over current shows]",
)
@click.option("--max-power", is_flag=True, help="Instead of a fixed load: kept at maximum power.")
@click.option(
    "--sweep",
    "sweep_file",
    metavar="FILE",
    help="A sweep of this panel, for its curve.",
)
@click.option(
    "--datasheet",
    metavar="FILE",
    help="Its datasheet (TOML), where there is no sweep. [that of the bench]",
)
@click.option(
    "--same-light",
    is_flag=True,
    help="The sweep was taken facing this very light, so that it gives the facing power.",
)
@click.option(
    "--facing-power",
    type=FiniteNumber(1e-12, 1e5, "W"),
    metavar="W",
    help="Power with the panel held to face this light.",
)
@click.option(
    "--u-facing",
    type=FiniteNumber(0, 50, "percent"),
    metavar="PCT",
    help="Standard uncertainty of the facing power. [2; with --same-light 2.9, of the light]",
)
@click.option(
    "--diffuse",
    type=FiniteNumber(0, 100, "percent"),
    metavar="PCT",
    help="Share of the facing light that stays when the panel turns away. [1]",
)
@click.option(
    "--u-diffuse",
    type=FiniteNumber(0, 50, "percent"),
    metavar="PCT",
    help="Its standard uncertainty, in percent of the facing light. [0.6]",
)
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
@click.option(
    "--open-voltage",
    type=FiniteNumber(1e-3, 1e5, "V"),
    metavar="V",
    help="Voc read facing this light: the cell temperature comes from it and the datasheet.",
)
@click.option(
    "--u-open-voltage",
    type=FiniteNumber(0, 1e4, "V"),
    metavar="V",
    help=f"Its standard uncertainty. [{ASSUMED['open-circuit voltage'].brief} %]",
)
@click.option(
    "--drive-power",
    type=FiniteNumber(0, 1e5, "W"),
    metavar="W",
    help="What the drive takes while it moves.",
)
@click.option(
    "--drive-idle",
    type=FiniteNumber(0, 1e5, "W"),
    metavar="W",
    help="What it takes while it stands still. [0]",
)
@click.option(
    "--from", "start", type=FiniteNumber(), metavar="S", help="Leave out what is before, s."
)
@click.option("--to", "end", type=FiniteNumber(), metavar="S", help="Leave out what is after, s.")
@sweep_options
@output_options()
@click.pass_context
def command(
    context: click.Context,
    log_file: str,
    load_ohm: float | None,
    max_power: bool,
    sweep_file: str | None,
    datasheet: str | None,
    same_light: bool,
    facing_power: float | None,
    u_facing: float | None,
    diffuse: float | None,
    u_diffuse: float | None,
    u_angle: float,
    tilt_is: str | None,
    open_voltage: float | None,
    u_open_voltage: float | None,
    drive_power: float | None,
    drive_idle: float | None,
    start: float | None,
    end: float | None,
    options: SweepOptions,
    output: Output,
) -> None:
    """What a log of a turning panel says: settling, hunting, pointing error, and the rise.

    LOG is a table with a time column and power, or voltage with current or --load; columns pan
    and tilt, or the angle off the light, are used if there. --column is for LOG, and a SWEEP is
    read with its own headings.

    The exit status is 1 where the rise of the power is not what angle and load predict.

    Example: ivkit track log.csv --load 68 --sweep sweep.csv --facing-power 0.51
    """
    if load_ohm is not None and max_power:
        raise click.UsageError("--load and --max-power exclude each other; give one")
    if sweep_file is not None and datasheet is not None:
        raise click.UsageError("--sweep and --datasheet exclude each other; give one")
    if same_light and (sweep_file is None or facing_power is not None):
        raise click.UsageError("--same-light goes with --sweep, and instead of --facing-power")
    if drive_idle is not None and drive_power is None:
        raise click.UsageError("--drive-idle goes with --drive-power")
    if u_open_voltage is not None and open_voltage is None:
        raise click.UsageError("--u-open-voltage goes with --open-voltage")
    if open_voltage is not None and options.temp_cell is not None:
        raise click.UsageError("--temperature and --open-voltage both tell the cell temperature")
    if sweep_file == "-" and log_file == "-":
        raise click.UsageError("standard input (-) can be read only once")

    from ivkit.errors import about
    from ivkit.readings.log import read_log
    from ivkit.readings.log_pieces import large_log
    from ivkit.verdict.drive import Drive
    from ivkit.verdict.log import ANGLES, clean
    from ivkit.verdict.log_power import log_power
    from ivkit.verdict.long_log import read_long_log
    from ivkit.verdict.pointing import Facing
    from ivkit.verdict.tracking import track

    said, bench = named_columns(options.columns), options.load_bench()
    large = large_log(log_file, columns=said) if options.sheet is None else None
    if large is not None:
        raw, powers, log = read_long_log(large, load_ohm, bench, start, end)
    else:
        raw = read_log(log_file, columns=said, sheet=options.sheet)
        powers = log_power(raw, load_ohm, bench)
        # A long log is held once: what the power came from is not needed any more.
        raw = raw.only("time", *ANGLES)
        angles = {quantity: raw[quantity] for quantity in ANGLES if quantity in raw}
        log = clean(raw["time"], powers.power, angles, raw.rows, raw.name)
        raw = raw.only()
        if start is not None or end is not None:
            log = log.between(start, end)
    remarks = [*raw.notes, *powers.notes]
    facing = None
    if facing_power is not None:
        if u_facing is None:
            u_facing = ASSUMED["reading"].u
            remarks.append(f"facing power: {ASSUMED['reading'].sentence('--u-facing')}")
        facing = Facing(facing_power, facing_power * u_facing / 100)
    if datasheet is None and sweep_file is None and bench is not None:
        datasheet = bench.panel.datasheet
    law = None
    fit, sheet = None, None
    if sweep_file is not None:
        fit = options.with_(columns=()).fit(sweep_file)
    elif datasheet is not None:
        from ivkit.cli.panel_source import load_panel

        sheet = load_panel(datasheet, None, bench)
    if open_voltage is not None and (sheet is None or facing is not None):
        raise click.UsageError(
            "--open-voltage serves the facing power by a datasheet: it needs --datasheet, and "
            "neither --sweep nor --facing-power"
        )
    if fit is not None or sheet is not None:
        load, u_load = _load(load_ohm, max_power, powers, bench, remarks)
        if load is not None or max_power:
            panel = Panel(load, u_load, facing, remarks)
            with about(raw.name):
                if fit is not None:
                    law, facing = panel.of_sweep(fit, diffuse, u_diffuse, same_light, u_facing)
                else:
                    law, facing = panel.of_sheet(
                        sheet, diffuse, u_diffuse, options, bench, (open_voltage, u_open_voltage)
                    )
    with about(raw.name):
        found = track(
            log,
            law,
            facing,
            None if drive_power is None else Drive(drive_power, drive_idle or 0.0),
            u_angle=u_angle,
            tilt_is=tilt_is,
            unit_said=raw.unit_said,
        )

    from ivkit.report.track_document import document, frame
    from ivkit.report.track_text import describe

    def figure():
        from ivkit.report.track_figure import track_figure

        return track_figure(found)

    inputs = options.files([name for name in (log_file, sweep_file, datasheet) if name])
    output.deliver(
        describe(found, remarks, raw.damage),
        document(found, remarks, raw.damage),
        lambda: frame(found),
        figure,
        inputs,
    )
    if found.rise is not None and found.rise.verdict in ("too high", "too low"):
        context.exit(1)


def _load(
    stated: float | None, max_power: bool, powers: Any, bench: Any, remarks: list[str]
) -> tuple[float | None, float]:
    """Return the load and its standard uncertainty, ohm; None at maximum power or where unknown."""
    if max_power:
        return None, 0.0
    if powers.load_seen is not None:
        remarks.append(f"voltage over current shows a fixed load of {powers.load_seen:.4g} ohm")
        return powers.load_seen, powers.u_load_seen
    if stated is not None:
        if bench is not None and bench.loads.tolerance_pct is not None:
            return stated, stated * bench.loads.u_fraction
        usual = ASSUMED["load resistor"]
        remarks.append(usual.sentence())
        return stated, stated * usual.u_fraction
    if powers.load_varies:
        remarks.append(
            "voltage over current changes with the power: no fixed load; say --max-power if a "
            "converter keeps it at maximum power"
        )
    return None, 0.0
