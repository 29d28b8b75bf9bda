"""The picture of a panel that is turned: share of the facing power against angle, by load."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ivkit.report import style
from ivkit.report.angle_text import load_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.verdict.angle import AngleFit, AnglePoint, AngleReadings

_DASHES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), "-.", (0, (6, 2, 1.5, 2)), ":")


def angle_figure(
    aoi,
    points: "Sequence[AnglePoint]",
    fit: "AngleFit | None" = None,
    readings: "AngleReadings | None" = None,
) -> "Figure":
    """Draw power against angle, readings with their bars, and below what the fit leaves.

    Parameters
    ----------
    aoi : ndarray, shape (N,), deg
        A fine grid.
    points : sequence of AnglePoint
    fit, readings : optional
        With readings the scale is that of the stand, and power is in W.
    """
    with_readings = fit is not None and readings is not None
    figure = style.new_figure(7.2, 6.0 if with_readings else 4.6)
    if with_readings:
        axes, below = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    else:
        axes, below = figure.subplots(), None
    zero = fit.zero.nominal_value if with_readings and fit.zero is not None else 0.0
    top = max(float(np.max(one.power)) for one in points)
    k, unit = style.scale_of(top, "W")
    labels = []
    for one, color, dashes in zip(points, style.SERIES, _DASHES, strict=False):
        axes.plot(aoi + zero, one.power * k, color=color, ls=dashes, lw=1.5)
        labels.append((load_name(one.load), one, color))
    # Names stand at facing, over their curve; the lower of two that nearly meet goes under it.
    heights = [float(np.max(one.power)) * k for _, one, _ in labels]
    for (name, _, color), height in zip(labels, heights, strict=True):
        crowded = any(0 <= other - height < 0.07 * top * k for other in heights if other != height)
        axes.annotate(
            name,
            (zero, height),
            xytext=(0, -14 if crowded else 4),
            textcoords="offset points",
            ha="center",
            color=color,
            fontsize=9,
        )
    if with_readings:
        axes.errorbar(
            readings.angle,
            readings.power * k,
            yerr=2 * readings.u_power * k,
            fmt="o",
            markersize=4.5,
            color=style.INK,
            elinewidth=0.9,
            zorder=4,
        )
        below.axhline(0.0, color=style.QUIET, lw=0.8)
        below.axhspan(-2, 2, color=style.QUIET, alpha=0.12, lw=0)
        below.plot(readings.angle, fit.score, "o", color=style.INK, markersize=4)
        edge = max(3.0, 1.1 * float(np.max(np.abs(fit.score))))
        below.set_ylim(-edge, edge)
        style.dress(below, "angle on the scale (deg)", "(read - fit) / u")
        style.dress(axes, "", f"power ({unit})")
    else:
        style.dress(axes, "angle from facing the light (deg)", f"power ({unit})")
    axes.set_ylim(0, 1.14 * max(heights))
    return figure
