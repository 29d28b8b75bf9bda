"""``ivkit characterize``: what is this panel."""

import click

from ivkit.cli.inputs import SweepOptions, sweep_options
from ivkit.cli.output import FiniteNumber, Output, output_options


@click.command("characterize")
@click.argument("sweeps", metavar="SWEEP...", nargs=-1, required=True)
@sweep_options
@click.option(
    "--load",
    "load_ohm",
    type=FiniteNumber(0, 1e9, "ohm"),
    metavar="OHM",
    help="Load line to draw in the plot. [the best load]",
)
@output_options()
def command(
    sweeps: tuple[str, ...], options: SweepOptions, load_ohm: float | None, output: Output
) -> None:
    """What is this panel: key points, five parameters, uncertainty, and what is wrong.

    SWEEP is a table with voltage and current columns (or voltage and load), one row a load:
    CSV, TSV, spaces, or - for standard input.

    Example: ivkit characterize sweep.csv --cells 36 --temperature 25
    """
    if output.plot and len(sweeps) > 1:
        raise click.UsageError("--plot draws one sweep; give one SWEEP with it")
    fits = options.fit_all(sweeps)

    from ivkit.report.sweep_text import describe, document, frame

    def figure():
        from ivkit.report.sweep_figure import sweep_figure

        return sweep_figure(fits[0], load_ohm)

    output.deliver(
        "\n\n".join(describe(fit) for fit in fits),
        {"sweeps": [document(fit) for fit in fits]},
        lambda: frame(fits),
        figure,
        options.files(sweeps),
    )
