"""The section of the page about a log: the command `track` makes no `Answer` yet.

The sentence is the first paragraph of its text, the numbers are those of its JSON document, the
picture is its picture.
"""

from typing import TYPE_CHECKING, Any

from ivkit.answer.text import number
from ivkit.report.bench_page import answer_section
from ivkit.report.page import PageFigure, PageTable, Section, inline_svg
from ivkit.report.track_text import seconds

if TYPE_CHECKING:
    from ivkit.report.delivered import Delivered


def _paragraph(text: str, which: int = 0) -> str:
    """Return a paragraph of a command's text as one line."""
    return " ".join(text.split("\n\n")[which].split())


def _list_of(text: str, title: str) -> list[str]:
    """Return the bullets below a title in a command's text."""
    for block in text.split("\n\n"):
        head, _, body = block.partition("\n")
        if head.strip().rstrip(":") == title:
            found = " ".join(body.split()).split(" - ")
            lines = [one.removeprefix("- ").rstrip(".") for one in found]
            return [f"{line[0].upper()}{line[1:]}." for line in lines if line.strip()]
    return []


def _shown(pair: Any, unit: str = "") -> str:
    """Return ``{"value", "u"}``, a plain number or null as text."""
    if pair is None:
        return "-"
    if isinstance(pair, dict):
        return number(pair["value"], pair.get("u"), unit)
    return number(pair, None, unit)


def _figure(delivered: "Delivered", prefix: str, caption: str) -> list[PageFigure]:
    return [PageFigure(inline_svg(delivered.figure(), prefix), caption)]


def track_part(delivered: "Delivered") -> tuple[str, Section]:
    """Return what a log of the turning panel says."""
    found, text = delivered.document, delivered.text
    first, steady, rise = found["first"], found["steady"], found["rise"]
    hunting, pointing, energy = found["hunting"], found["pointing_error"], found["energy"]
    rows = []
    if first:
        rows.append(["first power", _shown(first["power_W"], "W"), _off(first.get("aoi_deg"))])
    since = f"from {seconds(steady['from_s'])}, {steady['readings']} readings"
    rows.append(["steady power", _shown(steady["power_W"], "W"), since])
    if found["acquire_s"] is not None:
        rows.append(["time to acquire", seconds(found["acquire_s"]), ""])
    if found["overshoot_W"]:
        rows.append(["overshoot", _shown(found["overshoot_W"], "W"), ""])
    if hunting:
        period = hunting.get("period_s")
        period = period["value"] if isinstance(period, dict) else period
        every = "" if period is None else f"every {seconds(period)}"
        rows.append(["hunting", _shown(hunting.get("swing_W"), "W"), every])
    if pointing and pointing["high_deg"] is not None:
        ends = f"{pointing['low_deg']:.1f} to {pointing['high_deg']:.1f} deg"
        rows.append(["pointing error, 95 %", ends, "off the light"])
    if rise:
        for word in ("measured", "predicted"):
            one = rise.get(word)
            if one and one["value"] is not None:
                ends = f"95 %: {one['low']:.3g} to {one['high']:.3g}"
                rows.append([f"rise, {word}", f"{one['value']:.3g} times", ends])
        rows.append(["verdict on the rise", rise["verdict"], rise.get("reason") or ""])
    if energy and energy.get("panel_J") is not None:
        rows.append(["energy", _shown(energy["panel_J"], "J"), ""])
    return _paragraph(text), Section(
        "Turning to the light",
        [_paragraph(text)],
        _list_of(text, "Cannot tell, and what to do next time"),
        _figure(
            delivered,
            "track",
            "Power over time, the steady state, and what broke in; below, where the log tells "
            "them, the angle off the light and one swing.",
        ),
        [PageTable(rows, ("found", "value", ""), words=True)],
        remarks=_list_of(text, "Left out"),
    )


def part(name: str, delivered: "Delivered") -> tuple[str, Section]:
    """Return the sentence and the section of a command, whether or not it makes an `Answer`."""
    if delivered.answer is not None:
        return delivered.answer.headline, answer_section(delivered.answer, name)
    return track_part(delivered)


def _off(aoi: float | None) -> str:
    return "" if aoi is None else f"{aoi:.0f} deg off the light"
