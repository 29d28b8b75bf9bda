"""``ivkit report``: a whole bench as one HTML page."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ivkit.cli.inputs import SweepOptions
from ivkit.errors import about

if TYPE_CHECKING:
    from ivkit.answer import Answer
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit


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
    import gc

    was_on = gc.isenabled()
    gc.disable()  # a short run with much to load: looking for garbage takes a tenth of it
    try:
        with about(Path(bench).name):  # most of the other files are named there
            _write(bench, sweeps, out, title)
    finally:
        if was_on:
            gc.enable()


def _write(bench: str, sweeps: tuple[str, ...], out: str, title: str | None) -> None:
    """Make the page, write it, and print its answers."""
    import hashlib

    from ivkit import __version__
    from ivkit.answer.text import wrap
    from ivkit.bench import load_bench
    from ivkit.cli.beside import beside
    from ivkit.cli.explain import sources
    from ivkit.cli.output import write_whole
    from ivkit.cli.report_parts import parts
    from ivkit.errors import BenchError
    from ivkit.report.bench_page import CAUTIONS, answer_section, front_end_section
    from ivkit.report.page import Page, render

    settings = load_bench(bench)
    paths = sweeps or settings.data.sweeps
    if not paths:
        raise BenchError(
            "no sweep to report on",
            bench,
            'give SWEEP files, or add [data] with sweeps = ["sweep.csv"]',
        )
    fits = SweepOptions(bench=bench).fit_all(tuple(paths))
    told = [fit for fit in fits if fit.model is not None]
    todo = parts(settings, bench, paths, told)
    # The other parts go to the other core while the sweeps are drawn on this one.
    wait = beside(lambda: [part() for part in todo]) if todo else list
    answers = _sweeps_and_load(fits)
    names = [Path(fit.sweep.name).name for fit in fits]
    sections = [front_end_section(settings)]
    sections += [
        answer_section(answer, f"s{k}", names[k] if k < len(fits) else "")
        for k, answer in enumerate(answers)
    ]
    lines = [answer.headline for answer in answers]
    for answer in wait():
        sections.append(answer_section(answer, answer.command))
        which = f"{sections[-1].title}: " if answer.command == "check" else ""
        lines.append(f"{which}{answer.headline}")
        answers.append(answer)
    read = [bench, *paths, *_extra_files(settings)]
    page = Page(
        title or settings.name or Path(bench).stem,
        f"{len(paths)} sweep{'s' if len(paths) > 1 else ''}, "
        f"{sum(len(fit.sweep) for fit in fits)} readings",
        lines,
        sections,
        CAUTIONS,
        sources([*dict.fromkeys(answer.command for answer in answers), "report"]),
        f"ivkit report {bench} {' '.join(sweeps)}".strip() + f" --out {out}",
        __version__,
        [(name, hashlib.sha256(Path(name).read_bytes()).hexdigest()) for name in read],
    )
    write_whole({out: render(page).encode()}, read)
    click.echo("\n".join(map(wrap, lines)) + f"\n\nWritten: {out}")


def _extra_files(settings: "Bench") -> list[str]:
    """Return the other files that the page may be made of, as far as they are there."""
    tables = (settings.data.angle, settings.data.check, settings.data.track)
    names = (*tables, settings.panel.datasheet, settings.light.spectrum)
    return [name for name in names if name and Path(name).is_file()]


def _sweeps_and_load(fits: list["Fit"]) -> "list[Answer]":
    """Return what the sweeps answer, one each, and which load to take where they tell it."""
    from ivkit.report.load_answer import load_answer
    from ivkit.report.sweep_answer import sweep_answer
    from ivkit.verdict.load import best_load_of_fits

    told = [fit for fit in fits if fit.model is not None and "knee_not_reached" not in fit.flags]
    choice = best_load_of_fits(told) if told else None
    take = choice.choice.resistance if told else None
    answers = [sweep_answer(fit, load_ohm=take) for fit in fits]
    return [*answers, load_answer(choice, told)] if told else answers
