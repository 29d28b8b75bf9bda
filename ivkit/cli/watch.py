"""``ivkit watch``: lines of a logger, judged as they come."""

from typing import Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import named_columns
from ivkit.cli.lamp_options import CellTemperature
from ivkit.cli.options import Irradiance, Load
from ivkit.cli.output import FiniteNumber
from ivkit.cli.panel_source import panel_options


def _number(name: str, low: float, high: float, unit: str, text: str, **more: Any) -> Any:
    kind = FiniteNumber(low, high, unit)
    return click.option(name, type=kind, metavar=unit or "N", help=text, **more)


@click.command("watch")
@click.argument("source", metavar="[FILE]", default="-")
@click.option("--follow", is_flag=True, help="FILE grows: wait for more lines. Ctrl-C ends.")
@panel_options
@click.option("--sweep", metavar="FILE", help="The panel, by a sweep of it.")
@click.option("--bench", metavar="FILE", help="The front end. [bench.toml here, if any]")
@click.option("--sweep-bench", metavar="FILE", help="That of the sweep, if another.")
@_number("--sweep-irradiance", 0, 5000, "W/m2", "Effective irradiance of the sweep.")
@_number("--sweep-temperature", -90, 200, "degC", "Cell temperature of the sweep.")
@click.option("--same-light", is_flag=True, help="The sweep was taken facing this very light.")
@click.option(
    "--irradiance",
    type=Irradiance(1e-3),
    metavar="W/m2",
    help="Effective, facing the light. [a column]",
)
@_number("--lux", 1e-3, 1e6, "lx", "Instead of it, with --source. [a column]")
@click.option("--source", "kind", metavar="KIND", help="What gives the lux: halogen, led, sun, ...")
@_number(
    "--u-irradiance",
    0,
    5000,
    "W/m2",
    f"Standard uncertainty of the light; of a column, at its brightest so far. "
    f"[{ASSUMED['irradiance'].brief} %; {ASSUMED['lux meter'].brief} % of lux]",
)
@_number(
    "--u-share",
    0,
    1,
    "",
    f"Of --same-light, as a fraction. [{ASSUMED['light since the sweep'].u_fraction:.2g}]",
)
@click.option(
    "--temperature",
    type=CellTemperature(-90, 200, "degC"),
    metavar="degC",
    help=f"Of the cells. [a column; the sweep's; {ASSUMED['cell temperature'].brief}]",
)
@_number(
    "--u-temperature",
    0,
    50,
    "K",
    f"Its standard uncertainty, or that of a column. [{ASSUMED['stated cell temperature'].brief}]",
)
@click.option(
    "--load", type=Load(), metavar="OHM", help="The load: 47, 4k7, or max. [a column; V/I]"
)
@click.option("--max-power", is_flag=True, help="The same as --load max: kept at maximum power.")
@_number("--angle", -180, 180, "deg", "Off facing the light. [a column; unknown]")
@_number("--u-angle", 0, 45, "deg", f"Its standard uncertainty. [{ASSUMED['angle'].brief}]")
@_number("--stray", 0, 1, "", "Fraction of the light that does not turn with the panel. [0.01]")
@_number("--u-stray", 0, 1, "", "Its standard uncertainty. [0.0058]")
@_number(
    "--u-reading",
    0.01,
    50,
    "percent",
    f"Standard uncertainty of each reading. [{ASSUMED['reading'].brief}]",
)
@click.option("--column", multiple=True, metavar="QUANTITY=NAME", help="Which column is what.")
@click.option("--log", metavar="FILE", help="Add what is seen to FILE; - is standard output.")
@click.option("--plain", is_flag=True, help="Lines, even on a terminal.")
@click.option("--json", "json_file", metavar="FILE", help="The summary at the end, as JSON.")
def command(
    source: str,
    follow: bool,
    column: tuple[str, ...],
    plain: bool,
    json_file: str | None,
    **given: Any,
) -> None:
    """Lines of a logger on standard input or in FILE, one reading a line, judged as they come.

    On a terminal: power and percent of what is to be expected, large; the verdict; how far
    below the best so far. Elsewhere a line a reading. A line that makes no sense is counted, and
    that is all. Light that is not stated is not assumed.

    FILE may be a device. A log is added to in whole lines and brought to the disk every second.
    Ctrl-C ends with a summary and status 0.

    Example: ivkit watch shed_track.csv --sweep shed_sweep.csv --same-light --load 68
    """
    import json
    import os
    import sys

    if follow and source == "-":
        raise click.UsageError("--follow wants a FILE; standard input is followed anyway")
    if json_file == "-":
        raise click.UsageError("--json: the lines go to standard output; name a file")
    if given["load"] is not None and given["max_power"]:
        raise click.UsageError("--load and --max-power exclude each other; give one")
    if given["load"] != given["load"]:
        given["load"], given["max_power"] = None, True
    if source == "-" and (sys.stdin is None or sys.stdin.isatty()):
        raise click.UsageError("nothing to watch: pipe a logger's lines in, or name its FILE")
    given["source"] = given.pop("kind")

    from ivkit.cli.append_log import AppendLog
    from ivkit.cli.output import write_whole
    from ivkit.cli.watch_loop import make_show, watch
    from ivkit.cli.watch_setting import setting_of
    from ivkit.readings.line_source import open_lines
    from ivkit.readings.live_line import LineReader
    from ivkit.report.watch_text import log_head

    name = "standard input" if source == "-" else source
    reader = LineReader(named_columns(column), name)
    setting = setting_of(given)
    lines = open_lines(source, follow)
    log = None
    try:
        if given["log"] not in (None, "-"):
            log = AppendLog(given["log"], log_head(), [source, *setting.files])
        show = make_show(plain, given["log"] == "-")
        answer = watch(lines, reader, setting, show, log, given["load"])
        if json_file is not None:
            text = json.dumps(answer.to_dict(), indent=2) + "\n"
            write_whole({json_file: text.encode()}, [source, *setting.files])
    except BrokenPipeError:  # the reader of our lines went away (`ivkit watch ... | head`)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    finally:
        lines.close()
        if log is not None:
            log.close()
