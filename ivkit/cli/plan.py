"""``ivkit plan``: before measuring, which loads, and is the front end good enough."""

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions, resistances, sweep_options
from ivkit.cli.output import Output, output_options
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.curve.diode import SingleDiode


@click.command("plan")
@click.argument("sweep", metavar="[SWEEP]", required=False)
@panel_options
@sweep_options
@click.option(
    "--count",
    type=click.IntRange(5, 100),
    default=8,
    show_default=True,
    metavar="N",
    help="Readings to take.",
)
@click.option(
    "--aim",
    type=click.Choice(("power", "parameters", "both")),
    default="both",
    show_default=True,
    help="What the sweep is to tell best.",
)
@click.option(
    "--series",
    type=click.Choice(("E6", "E12", "E24", "E96"), case_sensitive=False),
    default="E12",
    show_default=True,
    help="Series of IEC 60063, where no loads are at hand.",
)
@click.option(
    "--drawer", metavar="LIST", help="The loads at hand: 10,22,47,4k7. [those of the bench]"
)
@click.option("--no-ends", is_flag=True, help="Do not use short circuit and open circuit.")
@output_options(plot=False)
def command(
    sweep: str | None,
    datasheet: str | None,
    module: str | None,
    options: SweepOptions,
    count: int,
    aim: str,
    series: str,
    drawer: str | None,
    no_ends: bool,
    output: Output,
) -> None:
    """Before measuring: which loads tell most, and what uncertainty will come out.

    SWEEP is a first, rough sweep of the panel in the light that the real one will be taken in;
    instead of it a datasheet will do, with --irradiance and --temperature.

    Example: ivkit plan --datasheet panel.toml --irradiance 140 --temperature 33
    """
    from ivkit.answer import based_on
    from ivkit.errors import about
    from ivkit.report.plan_answer import plan_answer
    from ivkit.verdict.plan import plan_sweep

    if sweep is not None and (datasheet or module):
        raise click.UsageError("give either a SWEEP or a datasheet to plan from")
    model = _measured(sweep, options) if sweep else _promised(datasheet, module, options)
    inputs = options.files(tuple(name for name in (sweep, datasheet) if name))
    bench, loads = options.load_bench(), resistances(drawer, "--drawer") if drawer else ()
    with about(", ".join(inputs)):
        plan = plan_sweep(
            model,
            bench,
            count=count,
            aim=aim,
            series=series.upper(),
            drawer=loads,
            ends=not no_ends,
        )
    if sweep is None and options.temp_cell is None:
        plan = replace(plan, notes=(*plan.notes, ASSUMED["cell temperature"].sentence()))
    panel = f"the curve of {sweep}" if sweep else datasheet or module
    rests = based_on(panel=panel, bench=bench and bench.path)
    output.deliver(plan_answer(plan, rests), inputs=inputs)


def _measured(sweep: str, options: SweepOptions) -> "SingleDiode":
    """Return the curve of a first sweep."""
    from ivkit.errors import SweepError

    fit = options.fit(sweep)
    if fit.model is None:
        raise SweepError(
            f"no curve to plan from ({', '.join(fit.flags)})", sweep, "take a few more readings"
        )
    return fit.model


def _promised(datasheet: str | None, module: str | None, options: SweepOptions) -> "SingleDiode":
    """Return the curve that a datasheet promises in the light and at the temperature given."""
    if options.irradiance is None:
        raise click.UsageError(
            "a datasheet needs --irradiance: the effective W/m2 that the sweep will be taken in"
        )
    sheet = load_panel(datasheet, module)
    usual = ASSUMED["cell temperature"]
    celsius = usual.value if options.temp_cell is None else options.temp_cell
    return sheet.panel().at(options.irradiance, celsius)
