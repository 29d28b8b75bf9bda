"""``ivkit translate``: this sweep at STC; does the panel conform to its datasheet."""

from typing import TYPE_CHECKING

import click

from ivkit.cli.inputs import SweepOptions, sweep_options
from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.panel_source import load_panel, panel_options
from ivkit.panel.technology import TECHNOLOGY

if TYPE_CHECKING:
    from ivkit.panel.datasheet import Datasheet


@click.command("translate")
@click.argument("sweep", metavar="SWEEP")
@click.argument("second", metavar="[SECOND]", required=False)
@sweep_options
@panel_options
@click.option(
    "--to-irradiance",
    type=FiniteNumber(1, 5000, "W/m2"),
    default=1000.0,
    show_default=True,
    metavar="W_M2",
    help="Irradiance wanted.",
)
@click.option(
    "--to-temperature",
    type=FiniteNumber(-90, 200, "degC"),
    default=25.0,
    show_default=True,
    metavar="DEGC",
    help="Cell temperature wanted.",
)
@click.option(
    "--technology",
    type=click.Choice(tuple(TECHNOLOGY)),
    default="c-Si",
    show_default=True,
    help="Of the cells, where there is no datasheet.",
)
@click.option(
    "--temperature-from-voc",
    is_flag=True,
    help="Cell temperature from the sweep's own Voc and Isc against the datasheet's. [where it is "
    "not known otherwise]",
)
@click.option(
    "--second-bench", metavar="FILE", help="Bench of the SECOND sweep. [that of the first]"
)
@click.option(
    "--second-irradiance",
    type=FiniteNumber(0, 5000, "W/m2"),
    metavar="W_M2",
    help="Effective irradiance during the SECOND sweep.",
)
@output_options()
def command(
    sweep: str,
    second: str | None,
    options: SweepOptions,
    datasheet: str | None,
    module: str | None,
    to_irradiance: float,
    to_temperature: float,
    technology: str,
    temperature_from_voc: bool,
    second_bench: str | None,
    second_irradiance: float | None,
    output: Output,
) -> int:
    """This sweep at STC or another condition; does the panel conform to its datasheet.

    By IEC 60891's procedures 1 and 2, by the five parameters, and with a SECOND sweep of the same
    panel in other light by procedure 3. SWEEP is a table as for characterize; irradiance and
    temperature come from its columns, the bench, or the options. Exit status 1: it does not.

    Example: ivkit translate jetty_sweep.csv --bench jetty.toml
    """
    other = options.with_(
        bench=second_bench or options.bench,
        irradiance=options.irradiance if second_irradiance is None else second_irradiance,
    )
    if second is None and (second_bench or second_irradiance is not None):
        raise click.UsageError("--second-bench and --second-irradiance need a SECOND sweep")
    if sweep == second == "-":
        raise click.UsageError("standard input (-) can be read only once")
    sheet, sheet_file = _sheet(options, datasheet, module)
    if temperature_from_voc and sheet is None:
        raise click.UsageError("--temperature-from-voc needs --datasheet or --module")
    if temperature_from_voc and options.temp_cell is not None:
        raise click.UsageError("--temperature and --temperature-from-voc both tell the temperature")

    from dataclasses import replace

    from ivkit.curve.fit import fit_each

    sweeps = [options.read(sweep), *([other.read(second)] if second else [])]
    if temperature_from_voc:
        sweeps = [replace(s, condition=replace(s.condition, temp_cell=None)) for s in sweeps]
    fits = fit_each(sweeps)
    inputs = {*options.files((sweep,)), *(other.files((second,)) if second else [])}

    from ivkit.answer import based_on, drawn_by
    from ivkit.report.translate_text import translate_answer
    from ivkit.verdict.conformity import DOES_NOT
    from ivkit.verdict.translate import translate

    found = translate(
        fits[0],
        to_irradiance,
        to_temperature,
        sheet=sheet,
        technology=technology,
        partner=fits[1] if second else None,
    )
    bench = options.load_bench()
    answer = translate_answer(
        found,
        based_on(panel=sheet_file or module, bench=bench and bench.path),
        drawn_by("ivkit.report.translate_figure:translate_figure", found),
    )
    output.deliver(answer, inputs=[*inputs, *([sheet_file] if sheet_file else [])])
    return 1 if answer.verdict == DOES_NOT else 0


def _sheet(
    options: SweepOptions, datasheet: str | None, module: str | None
) -> "tuple[Datasheet | None, str | None]":
    """Return the datasheet of the options, or of the bench, and its file."""
    bench = options.load_bench()
    if datasheet is None and module is None:
        datasheet = bench.panel.datasheet if bench is not None else None
        if datasheet is None:
            return None, None
    return load_panel(datasheet, module, bench), datasheet
