"""``ivkit report``: a whole bench as one HTML page."""

from typing import TYPE_CHECKING

import click

from ivkit.cli.inputs import SweepOptions

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit
    from ivkit.report.page import Section


@click.command("report")
@click.argument("bench", metavar="BENCH")
@click.argument("sweeps", metavar="[SWEEP]...", nargs=-1)
@click.option("--out", metavar="FILE", default="report.html", show_default=True, help="The page.")
@click.option("--title", metavar="TEXT", help="Its title. [the bench's name]")
def command(bench: str, sweeps: tuple[str, ...], out: str, title: str | None) -> None:
    """The whole bench as one HTML page that needs no network: what was measured, and what follows.

    BENCH is a bench file; the tables that were taken on it stand in its [data] section, or are
    given as SWEEP.

    Example: ivkit report bench.toml --out jetty.html
    """
    import hashlib
    from pathlib import Path

    from ivkit import __version__
    from ivkit.bench import load_bench
    from ivkit.cli.output import write_whole
    from ivkit.errors import BenchError
    from ivkit.report.bench_page import CAUTIONS, SOURCES, front_end_section
    from ivkit.report.page import Page, render

    settings = load_bench(bench)
    paths = sweeps or settings.data.sweeps
    if not paths:
        raise BenchError(
            "no sweep to report on",
            bench,
            'give SWEEP files, or add [data] with sweeps = ["sweep.csv"]',
        )
    options = SweepOptions(bench=bench)
    fits = options.fit_all(tuple(paths))
    sections: list[Section] = [front_end_section(settings)]
    answers, more = _sections(settings, fits)
    sections += more
    read = [bench, *paths, *_extra_files(settings)]
    page = Page(
        title or settings.name or Path(bench).stem,
        f"{len(paths)} sweep{'s' if len(paths) > 1 else ''}, "
        f"{sum(len(fit.sweep) for fit in fits)} readings",
        answers,
        sections,
        CAUTIONS,
        SOURCES,
        f"ivkit report {bench} {' '.join(sweeps)}".strip() + f" --out {out}",
        __version__,
        [(name, hashlib.sha256(Path(name).read_bytes()).hexdigest()) for name in read],
    )
    write_whole({out: render(page).encode()}, read)
    for line in answers:
        click.echo(line)
    click.echo(f"\nWritten: {out}")


def _extra_files(settings: "Bench") -> list[str]:
    """Return the other tables that the page is made of."""
    return []


def _sections(settings: "Bench", fits: list["Fit"]) -> tuple[list[str], list["Section"]]:
    """Return the sentences for the top of the page, and its sections."""
    from ivkit.report import load_text
    from ivkit.report.bench_page import load_section, sweep_section
    from ivkit.report.sweep_text import answer
    from ivkit.verdict.load import Terms, best_load

    answers = [answer(fit) for fit in fits]
    told = [fit for fit in fits if fit.model is not None and "knee_not_reached" not in fit.flags]
    sections = []
    choice = None
    if told:
        choice = best_load(
            [fit.model for fit in told], None, Terms(), parameters=[f.parameters for f in told]
        )
    take = None if choice is None else choice.choice.resistance
    for number, fit in enumerate(fits):
        sections.append(sweep_section(fit, f"s{number}", take))
    if choice is not None:
        answers.append(load_text.answer(choice))
        sections.append(load_section(choice, told, "load"))
    return answers, sections
