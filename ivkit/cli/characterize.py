"""``ivkit characterize``: what is this panel."""

from typing import TYPE_CHECKING

import click

from ivkit.cli.inputs import SweepOptions, sweep_options
from ivkit.cli.output import FiniteNumber, Output, output_options

if TYPE_CHECKING:
    from ivkit.curve.fit import Fit
    from ivkit.curve.montecarlo import Trials
    from ivkit.readings.sweep import Sweep


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
@click.option(
    "--together",
    is_flag=True,
    help="The sweeps are of one panel: fit one set of reference parameters through all.",
)
@click.option(
    "--trials",
    type=click.IntRange(200, 10_000_000),
    metavar="N",
    help="Refit N Monte Carlo draws of the readings: 10000 shows, 1000000 settles.",
)
@click.option(
    "--correct-loads",
    is_flag=True,
    help="Add to the stated loads what voltage over current shows in series with them.",
)
@click.option("--seed", type=click.IntRange(0), default=0, help="Of the draws.", show_default=True)
@output_options()
def command(
    sweeps: tuple[str, ...],
    options: SweepOptions,
    load_ohm: float | None,
    together: bool,
    trials: int | None,
    correct_loads: bool,
    seed: int,
    output: Output,
) -> None:
    """What is this panel: key points, five parameters, uncertainty, and what is wrong.

    SWEEP is a table with voltage and current columns (or voltage and load), one row a load:
    CSV, TSV, spaces, or - for standard input.

    Example: ivkit characterize sweep.csv --cells 36 --temperature 25
    """
    if output.plot and len(sweeps) > 1:
        raise click.UsageError("--plot draws one sweep; give one SWEEP with it")
    if together and len(sweeps) < 2:
        raise click.UsageError("--together needs two sweeps or more of one panel")
    fits = options.fit_all(sweeps, _corrected if correct_loads else None)
    panel = None
    if together:
        from ivkit.errors import about
        from ivkit.panel.together import fit_together

        with about(", ".join(sweeps)):
            panel = fit_together([fit.sweep for fit in fits])

    from ivkit.answer import based_on
    from ivkit.report.sweep_answer import sweep_answer

    drawn = {k: _draw(fit, trials, seed) for k, fit in enumerate(fits) if trials and fit.model}
    bench = options.load_bench()
    rests = based_on(readings=", ".join(sweeps), bench=bench and bench.path)
    answer = sweep_answer(fits, panel, drawn, rests, load_ohm)
    output.deliver(answer, inputs=options.files(sweeps))


def _corrected(sweep: "Sweep") -> "Sweep":
    from ivkit.readings.redundancy import with_series_resistance

    return with_series_resistance(sweep)


def _draw(fit: "Fit", trials: int, seed: int) -> "Trials":
    """Return the Monte Carlo trials of one fit, on all cores, with a bar for whoever watches."""
    import os

    from ivkit.cli.progress import progress_bar
    from ivkit.curve.montecarlo import run_trials

    with progress_bar(trials, "trials") as progress:
        return run_trials(fit, trials, seed, workers=os.cpu_count() or 1, progress=progress)
