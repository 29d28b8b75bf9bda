"""The picture of a panel under a lamp: the light on each cell, and the curve to expect."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ivkit.report import style
from ivkit.report.text import number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.panel.under_lamp import UnderLamp


def lamp_figure(
    found: "UnderLamp", distances: Sequence[tuple[float, "UnderLamp"]] = ()
) -> "Figure":
    """Draw the irradiance map and the expected curves; power against distance where there is any.

    Parameters
    ----------
    found : UnderLamp
    distances : sequence of (m, UnderLamp)
        The same panel at other distances.
    """
    if found.light is None:
        figure = style.new_figure(7.2, 3.6 + (3.4 if distances else 0.0))
        names = [["curve"], ["distance"]] if distances else [["curve"]]
        axes = figure.subplot_mosaic(names)
    else:
        # The map and the curves stand side by side, the distances below both.
        figure = style.new_figure(9.6, 4.0 + (3.6 if distances else 0.0))
        names = [["map", "curve"]] + ([["distance", "distance"]] if distances else [])
        axes = figure.subplot_mosaic(names, width_ratios=[0.85, 1.15])
        _map(figure, axes["map"], found)
    _curves(axes["curve"], found)
    if distances:
        _distances(axes["distance"], distances)
    return figure


def _map(figure, axes, found: "UnderLamp") -> None:
    cells = found.cells
    image = axes.imshow(cells, origin="lower", cmap="cividis", aspect="equal")
    rows, columns = cells.shape
    if rows * columns <= 120:
        from matplotlib.colors import to_hex

        for (row, column), value in np.ndenumerate(cells):
            ground = to_hex(image.cmap(image.norm(value)))
            axes.text(
                column,
                row,
                f"{value:.0f}",
                ha="center",
                va="center",
                fontsize=8.5,
                color=style.readable_on(ground),
            )
    else:
        # Too many to read one by one: a scale instead.
        bar = figure.colorbar(image, ax=axes, shrink=0.8)
        bar.outline.set_visible(False)
        bar.ax.tick_params(colors=style.INK, length=3)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.spines[:].set_visible(False)
    axes.set_anchor("NW")
    axes.set_title(
        "effective irradiance of each cell, W/m²", loc="left", fontsize=10, color=style.INK
    )


def _curves(axes, found: "UnderLamp") -> None:
    """Draw current and power of the string, thin beside them those of even light."""
    points = found.key_points
    top = float(max(np.max(found.current), np.max(found.even_current)))
    k_i, unit_i = style.scale_of(top, "A")
    k_p, unit_p = style.scale_of(points.p_mp.nominal_value, "W")
    right = axes.twinx()
    v = found.voltage
    if found.light is not None:
        axes.plot(v, found.even_current * k_i, color=style.CURVE, lw=0.9, ls=(0, (4, 2)))
        right.plot(v, v * found.even_current * k_p, color=style.POWER, lw=0.9, ls=(0, (4, 2)))
    axes.plot(v, found.current * k_i, color=style.CURVE, lw=1.6)
    right.plot(v, v * found.current * k_p, color=style.POWER, lw=1.4)
    for ohm, power in found.loads.items():
        at = (max(power.nominal_value, 0.0) * ohm) ** 0.5
        right.plot([at], [power.nominal_value * k_p], "o", color=style.LOAD, markersize=5)
        right.vlines(at, 0.0, power.nominal_value * k_p, color=style.LOAD, lw=0.8, ls=":")
        right.annotate(
            number(ohm, None, "ohm"),
            (at, 0.0),
            xytext=(3, 5),
            textcoords="offset points",
            rotation=90,
            color=style.LOAD,
            fontsize=8.5,
        )
    v_mp, p = points.v_mp.nominal_value, points.p_mp.nominal_value
    right.errorbar(
        [v_mp],
        [p * k_p],
        yerr=[2 * points.p_mp.std_dev * k_p],
        fmt="s",
        color=style.POWER,
        markersize=6,
        capsize=3,
        elinewidth=1.0,
    )
    style.dress(axes, "voltage (V)", f"current ({unit_i})")
    axes.yaxis.label.set_color(style.CURVE)
    axes.tick_params(axis="y", colors=style.CURVE)
    axes.set_ylim(0, 1.2 * top * k_i)
    axes.set_xlim(0, 1.03 * float(v[-1]))
    even = points.p_mp if found.light is None else found.even.p_mp
    right.set_ylim(
        0, 1.1 * max((p + 2 * points.p_mp.std_dev), 1.05 * float(even.nominal_value)) * k_p
    )
    right.set_ylabel(f"power ({unit_p})", color=style.POWER)
    right.tick_params(axis="y", colors=style.POWER, length=3)
    right.spines[["top", "left"]].set_visible(False)
    right.spines["right"].set_color(style.POWER)
    said = f"{number(p, points.p_mp.std_dev, 'W')} at {number(v_mp, None, 'V')}, bar: 95 %"
    if found.light is not None:
        said += "; dashed: even light"
    axes.set_title(said, loc="left", fontsize=10, color=style.INK)


def _distances(axes, distances: Sequence[tuple[float, "UnderLamp"]]) -> None:
    far = np.array([distance for distance, _ in distances])
    series = [("best load", [one.key_points.p_mp for _, one in distances])]
    for ohm in distances[0][1].loads:
        series.append((number(ohm, None, "ohm"), [one.loads[ohm] for _, one in distances]))
    top = max(q.nominal_value for _, values in series for q in values)
    k, unit = style.scale_of(top, "W")
    for (name, values), color, dashes in zip(
        series, style.SERIES, ("-", (0, (6, 2)), (0, (1.5, 1.5)), "-.", ":", "-"), strict=False
    ):
        power = np.array([q.nominal_value for q in values]) * k
        half = 2 * np.array([q.std_dev for q in values]) * k
        axes.fill_between(
            far, np.maximum(power - half, 1e-9), power + half, color=color, alpha=0.13, lw=0
        )
        axes.plot(far, power, color=color, ls=dashes, lw=1.5)
        axes.annotate(
            name,
            (far[-1], power[-1]),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            color=color,
            fontsize=9,
            annotation_clip=False,
        )
    axes.set_xscale("log")
    axes.set_yscale("log")
    steps = [m * 10.0**k for k in range(-3, 4) for m in (1, 2, 3, 5)]
    ticks = [x for x in steps if far[0] <= x <= far[-1]]
    axes.set_xticks(ticks, [f"{x:g}" for x in ticks])
    axes.minorticks_off()
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    style.dress(axes, "distance from the lamp (m)", f"power ({unit})")
    axes.set_xlim(far[0], far[-1] * 1.25)
    axes.set_title("power against distance, bands: 95 %", loc="left", fontsize=10, color=style.INK)
