"""The picture of a panel under a lamp: the light on each cell, and the curve to expect."""

from typing import TYPE_CHECKING

import numpy as np

from ivkit.answer.text import number
from ivkit.report import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.predict.under_lamp import UnderLamp


def lamp_figure(found: "UnderLamp") -> "Figure":
    """Draw the irradiance map and the expected curves; power against distance where asked for."""
    distances = found.distances is not None
    if found.cells is None:
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
        _distances(axes["distance"], found)
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
    points, by_cell = found.key_points, found.cells is not None
    p_mp = points["p_mp"]
    v, current, even_current = found.curves
    top = float(max(np.max(current), np.max(even_current)))
    k_i, unit_i = style.scale_of(top, "A")
    k_p, unit_p = style.scale_of(p_mp.nominal_value, "W")
    right = axes.twinx()
    if by_cell:
        axes.plot(v, even_current * k_i, color=style.CURVE, lw=0.9, ls=(0, (4, 2)))
        right.plot(v, v * even_current * k_p, color=style.POWER, lw=0.9, ls=(0, (4, 2)))
    axes.plot(v, current * k_i, color=style.CURVE, lw=1.6)
    right.plot(v, v * current * k_p, color=style.POWER, lw=1.4)
    into = zip(found.loads, found.expected.voltage[1:], found.expected.power[1:], strict=True)
    for ohm, at, power in into:
        right.plot([at], [power * k_p], "o", color=style.LOAD, markersize=5)
        right.vlines(at, 0.0, power * k_p, color=style.LOAD, lw=0.8, ls=":")
        right.annotate(
            number(float(ohm), None, "ohm"),
            (at, 0.0),
            xytext=(3, 5),
            textcoords="offset points",
            rotation=90,
            color=style.LOAD,
            fontsize=8.5,
        )
    v_mp, p = points["v_mp"].nominal_value, p_mp.nominal_value
    right.errorbar(
        [v_mp],
        [p * k_p],
        yerr=[2 * p_mp.std_dev * k_p],
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
    even = found.even_key_points["p_mp"].nominal_value if by_cell else p
    right.set_ylim(0, 1.1 * max(p + 2 * p_mp.std_dev, 1.05 * even) * k_p)
    right.set_ylabel(f"power ({unit_p})", color=style.POWER)
    right.tick_params(axis="y", colors=style.POWER, length=3)
    right.spines[["top", "left"]].set_visible(False)
    right.spines["right"].set_color(style.POWER)
    said = f"{number(p, p_mp.std_dev, 'W')} at {number(v_mp, None, 'V')}, bar: 95 %"
    if by_cell:
        said += "; dashed: uniform irradiance"
    axes.set_title(said, loc="left", fontsize=10, color=style.INK)


def _distances(axes, found: "UnderLamp") -> None:
    rows, each = found.distances, len(found.loads) + 1
    far = rows.at.distance[::each]
    series = [("best load", rows["p_mp"].value[::each], rows["p_mp"].u[::each])]
    for j, ohm in enumerate(found.loads, 1):
        power = rows["power"]
        told = number(float(ohm), None, "ohm")
        series.append((told, power.value[j::each], power.u[j::each]))
    k, unit = style.scale_of(max(float(np.max(values)) for _, values, _ in series), "W")
    for (name, values, u), color, dashes in zip(
        series, style.SERIES, ("-", (0, (6, 2)), (0, (1.5, 1.5)), "-.", ":", "-"), strict=False
    ):
        power, half = values * k, 2 * u * k
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
