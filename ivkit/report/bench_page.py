"""What stands on the page of a bench: the front end, the sweeps, the load, and what was checked."""

from collections.abc import Sequence
from dataclasses import fields
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.curve.uncertainty import budget
from ivkit.report import load_text
from ivkit.report.angle_text import load_name
from ivkit.report.page import PageFigure, PageTable, Section, inline_svg, unique
from ivkit.report.sweep_text import (
    KEY_POINTS,
    PARAMETERS,
    data_point,
    disagreements,
    headline,
    parameter_text,
    shown,
)
from ivkit.report.text import interval, number, percent
from ivkit.verdict.load import value_and_u

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit
    from ivkit.verdict.load import LoadChoice
    from ivkit.verdict.turned import AnglePoint

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


def sweep_section(fit: "Fit", prefix: str, load_ohm: float | None = None) -> Section:
    """Return one sweep: picture, key points with intervals, parameters, budget, what to mind."""
    from ivkit.report.sweep_figure import sweep_figure

    # The faults hold the flags of the fit, each told once.
    warnings = [
        f"{fault}{' (left out of the fit)' if fault.leave_out else ''}." for fault in fit.faults
    ]
    warnings += [f"{note}." for note in disagreements(fit)]
    caption = (
        "Readings (dots: current, diamonds: power, bars: twice their noise), the fitted curve with "
        "its 95 % band, the point of greatest power and the load line; below, what the fit leaves."
    )
    figures = [PageFigure(inline_svg(sweep_figure(fit, load_ohm), prefix), caption)]
    rows = []
    for label, attribute, _, unit in KEY_POINTS:
        value = getattr(fit.key_points, attribute) if fit.model else None
        told = value is not None and np.isfinite(value.nominal_value)
        half = fit.interval_factor * value.std_dev if told else np.nan
        ends = "-"
        if told and np.isfinite(half):
            center = value.nominal_value
            ends = interval(center - half, center + half, value.std_dev, unit)
        rows.append([label, shown(value, unit), ends, shown(data_point(fit, attribute), unit)])
    tables = [
        PageTable(rows, ("key point", "from the fit", "95 % interval", "from the data alone"))
    ]
    if fit.model:
        tables.append(
            PageTable(
                [
                    [label, parameter_text(fit, name, unit)]
                    for label, name, _, unit in PARAMETERS
                    if name != "ideality_factor" or fit.parameters[name] is not None
                ]
                + [["rms residual", number(fit.rmse, None, "A")]],
                title="Single diode",
            )
        )
    shares: dict[str, float] = {}
    if fit.model and np.isfinite(fit.key_points.p_mp.std_dev):
        shares = budget(fit.key_points.p_mp)
    bars = [(name, share, percent(share)) for name, share in shares.items() if share >= 0.005]
    return Section(
        f"Sweep {PurePath(fit.sweep.name).name}",
        [headline(fit)],
        warnings,
        figures,
        tables,
        bars,
        "Where the uncertainty of Pmp comes from",
        [f"{note}." for note in unique(fit.sweep.notes)],
    )


def load_section(choice: "LoadChoice", fits: Sequence["Fit"], prefix: str) -> Section:
    """Return the choice of load: answer, what each candidate loses, and the picture."""
    from ivkit.report.load_figure import load_figure

    told = [fit for fit in fits if fit.model is not None]
    figure = load_figure(
        choice,
        [fit.model for fit in told],
        [fit.sweep for fit in told],
        [fit.sweep.name for fit in told],
    )
    rows = []
    for one in (choice.choice, *(c for c in choice.candidates if c != choice.choice)):
        power, u = value_and_u(one.power)
        rating = "/".join(f"{w:g} W" for w in one.ratings if np.isfinite(w)) or "none"
        rows.append([one.made_of.label, number(power, u, "W"), percent(one.loss), rating])
    head = ("load", "power into it", "lost", "rating to buy")
    return Section(
        "Which load",
        [load_text.headline(choice)],
        figures=[
            PageFigure(
                inline_svg(figure, prefix),
                "Power against load resistance, with what can be bought or built below the curve.",
            )
        ],
        tables=[PageTable(rows, head)],
    )


def angle_section(
    lines: Sequence[str], points: "Sequence[AnglePoint]", aoi: Any, figure: Any
) -> Section:
    """Return a panel that was turned: answer, picture, and power by angle and load."""
    rows = [
        [f"{angle:g}", *(number(float(one.power[k]), None, "W") for one in points)]
        for k, angle in enumerate(aoi)
    ]
    caption = (
        "Power against the angle on the scale: readings with twice their standard uncertainty, the "
        "curve of each load, and below the E_n number of each reading (ISO 13528): it agrees "
        "within 1."
    )
    return Section(
        "Turning the panel",
        lines,
        figures=[PageFigure(inline_svg(figure, "angle"), caption)],
        tables=[
            PageTable(rows, ("angle, deg", *(load_name(one.load) for one in points)), "To expect")
        ],
    )
