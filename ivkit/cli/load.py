"""``ivkit load``: which resistor gets the most out of the panel."""

import click

from ivkit.cli.inputs import SweepOptions, resistances, sweep_options
from ivkit.cli.output import FiniteNumber, Output, output_options

SERIES = ("E6", "E12", "E24", "E96")


@click.command("load")
@click.argument("sweeps", metavar="[SWEEP]...", nargs=-1)
@click.option(
    "--series",
    type=click.Choice(SERIES, case_sensitive=False),
    help="Series of IEC 60063 to choose from. [E12]",
)
@click.option(
    "--drawer",
    metavar="LIST",
    help="Choose from these parts instead, one or two of them: 10,22,47,4k7. "
    "A value that is there twice is written twice.",
)
@click.option(
    "--weight",
    "weights",
    type=FiniteNumber(0, 1e12),
    multiple=True,
    metavar="N",
    help="How long the condition of each SWEEP lasts, in any unit; one for each. [all alike]",
)
@click.option("--vmp", type=FiniteNumber(1e-9, 1e5, "V"), metavar="V", help="Without a SWEEP: Vmp.")
@click.option("--imp", type=FiniteNumber(1e-9, 1e5, "A"), metavar="A", help="Without a SWEEP: Imp.")
@click.option(
    "--tolerance",
    type=FiniteNumber(0, 50, "percent"),
    default=5.0,
    show_default=True,
    metavar="PCT",
    help="Of the resistor, plus or minus.",
)
@click.option(
    "--ambient",
    type=FiniteNumber(-60, 300, "degC"),
    default=25.0,
    show_default=True,
    metavar="DEGC",
    help="Air around the resistor.",
)
@click.option(
    "--derate-from",
    type=FiniteNumber(-60, 500, "degC"),
    default=70.0,
    show_default=True,
    metavar="DEGC",
    help="Full rating up to here.",
)
@click.option(
    "--derate-to",
    type=FiniteNumber(-60, 500, "degC"),
    default=155.0,
    show_default=True,
    metavar="DEGC",
    help="No rating left here.",
)
@click.option(
    "--margin",
    type=FiniteNumber(1, 100),
    default=2.0,
    show_default=True,
    metavar="N",
    help="Watts of rating for each watt of heat.",
)
@sweep_options
@output_options()
def command(
    sweeps: tuple[str, ...],
    series: str | None,
    drawer: str | None,
    weights: tuple[float, ...],
    vmp: float | None,
    imp: float | None,
    tolerance: float,
    ambient: float,
    derate_from: float,
    derate_to: float,
    margin: float,
    options: SweepOptions,
    output: Output,
) -> None:
    """Which load resistor gets the most out of the panel, and how many watts it must stand.

    SWEEP is a table with voltage and current columns, one row a load. With several, the load
    that gets the most out of all conditions together is chosen. --vmp and --imp from a datasheet
    do instead of a SWEEP, but then what a resistor loses cannot be told.

    Example: ivkit load noon.csv evening.csv --weight 3 --weight 1 --series E24
    """
    if series and drawer is not None:
        raise click.UsageError("--series and --drawer exclude each other; give one")
    point = vmp is not None or imp is not None
    if point and (sweeps or vmp is None or imp is None):
        raise click.UsageError("give either SWEEP files, or --vmp and --imp together")
    if not point and not sweeps:
        raise click.UsageError("give at least one SWEEP, or --vmp and --imp from a datasheet")
    if weights and len(weights) != len(sweeps):
        raise click.UsageError(
            f"{len(weights)} --weight for {len(sweeps)} sweeps; give one for each, in their order"
        )
    if point and output.plot:
        raise click.UsageError("--plot needs a SWEEP: two numbers are no curve")

    from ivkit.verdict.load import Terms, best_load_of_fits, best_load_of_point
    from ivkit.verdict.rating import Derating

    terms = Terms(
        series=(series or "E12").upper(),
        drawer=None if drawer is None else resistances(drawer, "--drawer"),
        ambient=ambient,
        derating=Derating(derate_from, derate_to),
        margin=margin,
        tolerance=tolerance / 100,
    )
    if point:
        fits, bench = [], None
        found = best_load_of_point(vmp, imp, terms)
    else:
        fits, bench = options.fit_all(sweeps), options.load_bench()
        found = best_load_of_fits(fits, weights or None, terms)

    from ivkit.answer import based_on
    from ivkit.report.load_answer import load_answer

    panel = "Vmp and Imp as given" if point else ", ".join(sweeps)
    rests = based_on(panel=panel, bench=bench and bench.path)
    output.deliver(load_answer(found, fits, rests), inputs=options.files(sweeps))
