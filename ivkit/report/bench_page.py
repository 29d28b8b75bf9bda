"""What stands on the page of a bench: the front end, and the answers about it."""

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from ivkit.answer import Answer
from ivkit.answer.lines import capital, grid, summary_rows
from ivkit.answer.quantities import heading_of
from ivkit.answer.text import number, percent
from ivkit.report.page import PageFigure, PageTable, Section, inline_svg

if TYPE_CHECKING:
    from ivkit.bench import Bench

CAUTIONS = (
    "Caution: a work lamp and a loaded resistor get hot enough to burn skin and bench tops. Let "
    "them cool before touching, on something that does not burn.",
    "A panel in the light is a DC source that cannot be switched off: cover it before touching "
    "the wiring. Roofs are high. For strings of panels, roofs and mains follow your local code "
    "and leave the work to those licensed for it.",
)


def front_end_section(bench: "Bench") -> Section:
    """Return how the readings were taken: every part of the front end that the bench states."""
    rows = []
    if bench.front_end is None:
        return Section(
            "How it was measured",
            ["The bench states no front end: the readings count as they stand."],
        )
    for title, part in (
        ("voltage", bench.front_end.voltage),
        ("current", bench.front_end.current),
        ("converter", bench.front_end.converter),
    ):
        if part is None:
            continue
        for one in fields(part):
            declared = one.metadata.get("key")
            value = getattr(part, one.name)
            if declared is None or value is None or value == one.default:
                continue
            rows.append([f"{title}: {_meaning(declared.meaning)}", _stated(value, declared)])
    where = {
        "panel": "The voltage is taken straight across the panel, ahead of the shunt.",
        "load": "The voltage is taken across the load, behind the shunt.",
    }
    lines = [where[bench.front_end.divider_at]] if bench.front_end.divider_at else []
    return Section("How it was measured", lines, tables=[PageTable(rows, ("part", "as stated"))])


def _meaning(words: str) -> str:
    """Return what a key means as the name of a part."""
    return words.partition(" as plus or minus")[0].removeprefix("the ")


def _stated(value: Any, declared: Any) -> str:
    """Return what the bench states, with its unit; a tolerance with its two signs."""
    if isinstance(value, str):
        return value
    sign = "± " if "as plus or minus" in declared.meaning else ""
    if declared.unit in ("ohm", "V", "A"):
        return sign + number(float(value), None, declared.unit)
    return f"{sign}{value:g} {declared.unit}".rstrip()


#: Command -> title of its part of the page, and what its figure shows.
_PARTS = {
    "characterize": (
        "Sweep {of}",
        "Readings (dots: current, diamonds: power, bars: twice their noise), the fitted curve with "
        "its 95 % band, the point of greatest power and the load line; below, what the fit leaves.",
    ),
    "load": (
        "Which load",
        "Power against load resistance, with what can be bought or built below the curve.",
    ),
    "lamp": (
        "Under the lamp",
        "The light that each cell can use, and the curve to expect of the panel, beside that of "
        "the same light spread evenly.",
    ),
    "angle": (
        "Turning the panel",
        "Power against the angle on the scale: readings with twice their standard uncertainty, the "
        "curve of each load, thin before the inputs were adjusted, and below the E_n number of "
        "each reading (ISO 13528): it agrees within 1.",
    ),
    "check": ("Readings to check", ""),
    "track": (
        "Turning to the light",
        "Power over time, the steady state, and what broke in; below, where the log tells them, "
        "the angle off the light and one swing.",
    ),
}


def answer_section(answer: Answer, prefix: str, of: str = "") -> Section:
    """Return an answer as a part of the page; ``prefix`` keeps its figure's names apart."""
    title, caption = _PARTS[answer.command]
    figures, tables = [], []
    if answer.figure is not None and caption:
        figures.append(PageFigure(inline_svg(answer.figure(), prefix), caption))
    rows = summary_rows(answer)
    tables += [PageTable(rows)] if rows else []
    for one in answer.tables.values():
        if one.most_rows and len(one):
            head, rows, left = grid(one)
            named = "" if one.title in head else one.title
            tables.append(PageTable(rows, head, named, left=left, note=one.note))
    key = next(iter(answer.budget), "")
    parts = [(name, part, percent(part)) for name, part in answer.budget.get(key, {}).items()]
    return Section(
        title.format(of=of),
        [line for line in (answer.headline, *answer.paragraphs, answer.next) if line],
        [capital(line) for line in answer.warnings],
        figures,
        tables,
        [one for one in parts if one[1] >= 0.005],
        f"Where the uncertainty of {heading_of(key)} comes from",
        [*answer.assumptions, *answer.notes, *answer.skipped],
    )
