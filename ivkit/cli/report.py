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
    from functools import partial

    from ivkit import __version__
    from ivkit.answer.text import wrap
    from ivkit.bench import load_bench
    from ivkit.cli.beside import beside
    from ivkit.cli.explain import sources
    from ivkit.cli.output import write_whole
    from ivkit.cli.report_parts import parts, without_picture
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
    options = SweepOptions(bench=bench)
    fits = options.fit_all(tuple(paths))
    sections: list[Section] = [front_end_section(settings)]
    told = [fit for fit in fits if fit.model is not None]
    todo = parts(settings, bench, paths, told)
    # Turning the panel takes longest and goes to the other core, with what else has no picture:
    # the pictures' library would have to be loaded there too. Else all further parts go there.
    turns = bool(settings.data.angle and told)
    there = [part for part in todo if not turns or without_picture(part)]
    first = partial(_turned, settings, told[0]) if turns else tuple
    wait = beside(lambda: (first(), [part() for part in there])) if turns or todo else None
    here = {id(part): part() for part in todo if part not in there}
    answers, more = _sections(fits)
    sections += more
    used = ["characterize", "load"]
    turned, found = wait() if wait else ((), [])
    if turned:
        answers.append(turned.headline)
        sections.append(answer_section(turned, "angle"))
    used += ["angle"] if settings.data.angle else []
    told_there = iter(found)
    for part in todo:
        name, answer, section = here[id(part)] if id(part) in here else next(told_there)
        used.append(name)
        answers.append(f"{section.title}: {answer}")
        sections.append(section)
    read = [bench, *paths, *_extra_files(settings)]
    page = Page(
        title or settings.name or Path(bench).stem,
        f"{len(paths)} sweep{'s' if len(paths) > 1 else ''}, "
        f"{sum(len(fit.sweep) for fit in fits)} readings",
        answers,
        sections,
        CAUTIONS,
        sources([*used, "report"]),
        f"ivkit report {bench} {' '.join(sweeps)}".strip() + f" --out {out}",
        __version__,
        [(name, hashlib.sha256(Path(name).read_bytes()).hexdigest()) for name in read],
    )
    write_whole({out: render(page).encode()}, read)
    click.echo("\n".join(map(wrap, answers)) + f"\n\nWritten: {out}")


def _extra_files(settings: "Bench") -> list[str]:
    """Return the other files that the page may be made of, as far as they are there."""
    tables = (settings.data.angle, settings.data.check, settings.data.track)
    names = (*tables, settings.panel.datasheet, settings.light.spectrum)
    return [name for name in names if name and Path(name).is_file()]


def _sections(fits: list["Fit"]) -> tuple[list[str], list["Section"]]:
    """Return the sentences for the top of the page, and its sections."""
    from ivkit.report.bench_page import answer_section
    from ivkit.report.load_answer import load_answer
    from ivkit.report.sweep_answer import sweep_answer
    from ivkit.verdict.load import best_load_of_fits

    told = [fit for fit in fits if fit.model is not None and "knee_not_reached" not in fit.flags]
    choice = best_load_of_fits(told) if told else None
    take = choice.choice.resistance if told else None
    answers = [sweep_answer(fit, load_ohm=take) for fit in fits]
    sections = [
        answer_section(answer, f"s{k}", Path(fits[k].sweep.name).name)
        for k, answer in enumerate(answers)
    ]
    if choice is not None:
        answers.append(load_answer(choice, told))
        sections.append(answer_section(answers[-1], "load"))
    return [answer.headline for answer in answers], sections


def _turned(settings: "Bench", fit: "Fit") -> "Answer":
    """Return the answer about a panel turned in the light of a sweep; its picture is not yet."""
    from ivkit.cli.angle import read_angles
    from ivkit.panel.datasheet import load_datasheet
    from ivkit.predict.build_turned import turned_of
    from ivkit.report.angle_answer import angle_answer
    from ivkit.verdict.angle import turned_power

    read = read_angles(settings.data.angle, tolerance=settings.loads.tolerance_pct)
    sheet = settings.panel.datasheet and load_datasheet(settings.panel.datasheet)
    turned = turned_of({}, settings, sheet or None, fit)
    return angle_answer(turned_power(turned, (), read), fit.sweep.name, settings.path)
