"""The sections of the page that are other commands' answers: lamp, readings to check, a log.

They are made of what the command delivers: the sentence is the first paragraph of its text, the
numbers are those of its JSON document, the picture is its picture.
"""

from typing import TYPE_CHECKING, Any

from ivkit.report.bench_page import answer_section
from ivkit.report.page import PageFigure, PageTable, Section, inline_svg
from ivkit.report.text import number, percent
from ivkit.report.track_text import seconds

if TYPE_CHECKING:
    from ivkit.report.delivered import Delivered

_POINTS = (
    ("Isc", "isc_A", "A"),
    ("Voc", "voc_V", "V"),
    ("Vmp", "vmp_V", "V"),
    ("Imp", "imp_A", "A"),
    ("Pmp", "pmp_W", "W"),
    ("fill factor", "fill_factor", ""),
    ("best load", "best_load_ohm", "ohm"),
)


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


def _bars(shares: dict[str, float]) -> list[tuple[str, float, str]]:
    return [(name, share, percent(share)) for name, share in shares.items() if share >= 0.01]


def _figure(delivered: "Delivered", prefix: str, caption: str) -> list[PageFigure]:
    return [PageFigure(inline_svg(delivered.figure(), prefix), caption)]


def lamp_part(delivered: "Delivered") -> tuple[str, Section]:
    """Return what the lamp should give, and whether the sweep agrees."""
    found = delivered.document
    points = found["tables"]["key_points"]["columns"]
    rows = []
    for label, key, unit in _POINTS:
        pairs = zip(points[key], points[f"u_{key}"], strict=True)
        rows.append([label, *(_shown({"value": v, "u": u}, unit) for v, u in pairs)])
    head = ("key point", "expected, cell by cell", "with uniform irradiance")
    lines = [found["headline"], *found["paragraphs"][:1]]
    return lines[-1], Section(
        "Under the lamp",
        lines,
        figures=_figure(
            delivered,
            "lamp",
            "The light that each cell can use, and the curve to expect of the panel, beside that "
            "of the same light spread evenly.",
        ),
        tables=[PageTable(rows, head)],
        budget=_bars(found["budget"]["pmp_W"]),
        budget_title="Where the uncertainty of the expected Pmp comes from",
        remarks=[f"{line[0].upper()}{line[1:]}." for line in found["assumptions"]],
    )


def check_part(delivered: "Delivered") -> tuple[str, Section]:
    """Return whether readings are plausible, and which slips would explain them."""
    found, text = delivered.document, delivered.text
    units = {"power": "W", "voltage": "V", "current": "A"}
    rows = []
    for one in found["readings"]:
        unit = units[one["quantity"]]
        rows.append(
            [
                one["load"] or number(one["load_ohm"], None, "ohm"),
                f"{one['angle_deg']:g}",
                _shown(one[f"measured_{unit}"], unit),
                _shown(one[f"predicted_{unit}"], unit),
                "-" if one["en"] is None else f"{one['en']:+.2f}",
            ]
        )
    head = ("load", "angle, deg", "read", "expected", "E_n")
    tables = [PageTable(rows, head)]
    if found["slips"]:
        slips = [
            [one["name"], one["size"], percent(one["belief"]), one["explains"], one["check"]]
            for one in found["slips"][:5]
        ]
        head = ("slip", "size", "belief", "what it explains", "how to tell")
        tables.append(PageTable(slips, head, "What would explain it, likeliest first", words=True))
    return _paragraph(text), Section(
        "Readings to check",
        [_paragraph(text), "E_n compares with both uncertainties: up to 1 the two agree."],
        tables=tables,
        budget=_bars(found["budget"]),
        budget_title="Where the uncertainty of the expectation comes from",
        remarks=_list_of(text, "Assumed"),
    )


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
    return {"lamp": lamp_part, "check": check_part, "track": track_part}[name](delivered)


def _off(aoi: float | None) -> str:
    return "" if aoi is None else f"{aoi:.0f} deg off the light"
