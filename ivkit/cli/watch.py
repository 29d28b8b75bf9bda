"""``ivkit watch``: lines of a logger, judged as they come."""

from typing import Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import named_columns
from ivkit.cli.options import Irradiance
from ivkit.cli.output import FiniteNumber
from ivkit.cli.panel_source import panel_options


def _number(name: str, low: float, high: float, unit: str, text: str, **more: Any) -> Any:
    kind = FiniteNumber(low, high, unit)
    return click.option(name, type=kind, metavar="N", help=text, **more)


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
    type=Irradiance(),
    metavar="W/m2",
    help="Effective, facing the light. [a column]",
)
@_number("--lux", 0, 1e7, "lx", "Instead of it, with --source. [a column]")
@click.option("--source", "kind", metavar="KIND", help="What gives the lux: halogen, led, sun, ...")
@_number(
    "--u-light",
    0,
    100,
    "percent",
    "Standard uncertainty of the light. [5; 10 of lux; 2.9 if the same]",
)
@_number("--temperature", -90, 200, "degC", "Of the cells. [a column; the sweep's; 30 +- 8]")
@_number("--load", 1e-3, 1e9, "ohm", "The load. [a column; V/I]")
@click.option("--max-power", is_flag=True, help="Instead of a load: kept at maximum power.")
@_number("--angle", -180, 180, "deg", "Off facing the light. [a column; unknown]")
@_number("--u-angle", 0, 45, "deg", "Its standard uncertainty. [1]", default=ASSUMED["angle"].u)
@_number("--stray", 0, 1, "", "Fraction of the light that does not turn with the panel. [0.01]")
@_number("--u-reading", 0.01, 50, "percent", "Standard uncertainty of each reading. [2]")
@click.option("--column", multiple=True, metavar="QUANTITY=NAME", help="Which column is what.")
@click.option("--log", metavar="FILE", help="Add what is seen to FILE; - is standard output.")
@click.option("--plain", is_flag=True, help="Lines, even on a terminal.")
def command(source: str, follow: bool, column: tuple[str, ...], plain: bool, **given: Any) -> None:
    """Lines of a logger on standard input or in FILE, one reading a line, judged as they come.

    On a terminal: power and percent of what is to be expected, large; the verdict; how far
    below the best so far. Elsewhere a line a reading. A line that makes no sense is counted, and
    that is all. Light that is not stated is not assumed.

    FILE may be a device. A log is added to in whole lines and brought to the disk every second.
    Ctrl-C ends with a summary and status 0.

    Example: ivkit watch shed_track.csv --sweep shed_sweep.csv --same-light --load 68
    """
    import os
    import sys

    if follow and source == "-":
        raise click.UsageError("--follow wants a FILE; standard input is followed anyway")
    if given["load"] is not None and given["max_power"]:
        raise click.UsageError("--load and --max-power exclude each other; give one")
    if source == "-" and (sys.stdin is None or sys.stdin.isatty()):
        raise click.UsageError("nothing to watch: pipe a logger's lines in, or name its FILE")
    given["source"] = given.pop("kind")

    from ivkit.cli.append_log import AppendLog
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
        watch(lines, reader, setting, make_show(plain, given["log"] == "-"), log, given["load"])
    except BrokenPipeError:  # the reader of our lines went away (`ivkit watch ... | head`)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    finally:
        lines.close()
        if log is not None:
            log.close()
