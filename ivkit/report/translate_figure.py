"""The picture of a translated sweep: readings before and after, and power against the datasheet."""

from typing import TYPE_CHECKING

import numpy as np

from ivkit.answer.text import number
from ivkit.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ivkit.verdict.translate import Translated

_MARKERS = {"procedure 1": "s", "procedure 2": "D", "procedure 3": "^", "five parameters": "o"}


def translate_figure(found: "Translated") -> "Figure":
    """Draw the sweep as measured and as translated, and each method's Pmp beside the stated."""
    figure = style.new_figure(7.2, 7.0)
    top, bottom = figure.subplots(2, 1, height_ratios=(3, 1.2))
    _curves(found, top)
    _powers(found, bottom)
    top.set_title(
        f"{found.fit.sweep.name}: {found.irradiance.nominal_value:g} W/m2, "
        f"{found.temp_cell.nominal_value:.1f} degC to {found.to_irradiance:g} W/m2, "
        f"{found.to_temperature:g} degC",
        loc="left",
        fontsize=10,
        color=style.INK,
    )
    return figure


def _colours(found: "Translated") -> dict[str, str]:
    return dict(zip((t.method for t in found.by_method), style.SERIES, strict=False))


def _curves(found: "Translated", axes: "Axes") -> None:
    sweep, colours = found.fit.sweep, _colours(found)
    largest = max(
        [sweep.current.max(), *(t.key_points.i_sc.nominal_value for t in found.by_method)]
    )
    k_i, unit_i = style.scale_of(float(largest), "A")
    axes.plot(
        sweep.voltage,
        sweep.current * k_i,
        "o",
        markersize=4,
        color=style.QUIET,
        markerfacecolor="white",
        label="as measured",
    )
    for t in found.by_method:
        faint = 0.35 if t.too_far else 1.0
        label = f"{t.method}, too far" if t.too_far else t.method
        if t.sweep is not None:
            axes.plot(
                t.sweep.voltage,
                t.sweep.current * k_i,
                _MARKERS[t.method],
                markersize=4,
                color=colours[t.method],
                alpha=faint,
                label=label,
            )
        elif t.model is not None:
            v = np.linspace(0.0, float(t.key_points.v_oc.nominal_value), 300)
            i = t.model.current(v) * k_i
            axes.plot(v, i, color=colours[t.method], alpha=faint, linewidth=1.4, label=label)
    if found.sheet is not None:
        stated = found.sheet.panel().at(found.to_irradiance, found.to_temperature)
        v = np.linspace(0.0, float(stated.key_points().v_oc), 300)
        axes.plot(
            v,
            stated.current(v) * k_i,
            color=style.INK,
            linewidth=1.2,
            linestyle=(0, (5, 2)),
            label="datasheet",
        )
    axes.set_ylim(min(0.0, 1.05 * float(sweep.current.min()) * k_i), None)
    axes.set_xlim(left=min(0.0, float(sweep.voltage.min())))
    style.dress(axes, "voltage (V)", f"current ({unit_i})")
    # Between faint readings near the bottom and translated ones near the top.
    place = {"loc": "center left", "bbox_to_anchor": (0.02, 0.42)}
    axes.legend(frameon=False, fontsize=9, labelcolor=style.INK, **place)


def _powers(found: "Translated", axes: "Axes") -> None:
    colours = _colours(found)
    lines = [(t.method, t.key_points.p_mp, t.too_far) for t in found.by_method]
    if found.key_points is not None:
        lines.append(("middle", found.key_points.p_mp, ()))
    names = []
    for k, (name, power, too_far) in enumerate(lines):
        names.append(f"{name}{', too far' if too_far else ''}")
        if not np.isfinite(power.nominal_value):
            continue
        axes.errorbar(
            [power.nominal_value],
            [k],
            xerr=[2 * power.std_dev],
            fmt=_MARKERS.get(name, "o"),
            color=colours.get(name, style.INK),
            alpha=0.35 if too_far else 1.0,
            markersize=6,
            elinewidth=1.4,
            capsize=3,
        )
    judged = found.conformity
    if judged is not None:
        axes.axvspan(judged.low, judged.high, color=style.LOAD, alpha=0.15, linewidth=0)
        axes.axvline(judged.stated, color=style.LOAD, linewidth=1.2)
        axes.annotate(
            f"stated {number(judged.stated, None, 'W')}",
            (judged.stated, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -10),
            textcoords="offset points",
            color=style.LOAD,
            fontsize=9,
        )
    style.dress(axes, "Pmp (W), with its 95 % interval", "")
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(-0.7, len(names) - 0.1)
    axes.invert_yaxis()
