"""The picture of a panel that is turned: share of the facing power against angle, by load."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ivkit.report import style
from ivkit.report.angle_text import load_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.verdict.angle import AngleFit
    from ivkit.verdict.angle_readings import AngleReadings
    from ivkit.verdict.turned import AnglePoint

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
    for one, color, dashes in zip(points, style.SERIES, _DASHES, strict=False):
        name = load_name(one.load)
        axes.plot(aoi + zero, one.power * k, color=color, ls=dashes, lw=1.5, label=name)
        if np.any(one.u_power > 0):
            low, high = ((one.power + side * one.u_power) * k for side in (-2, 2))
            axes.fill_between(aoi + zero, low, high, color=color, alpha=0.12, lw=0)
    # The curves meet where they are highest, and all are low at the edge.
    axes.legend(loc="upper right", frameon=False, fontsize=9, labelcolor="linecolor")
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
        below.axhspan(-1, 1, color=style.QUIET, alpha=0.12, lw=0)
        below.plot(readings.angle, fit.en, "o", color=style.INK, markersize=4)
        edge = max(1.5, 1.1 * float(np.max(np.abs(fit.en))))
        below.set_ylim(-edge, edge)
        style.dress(below, "angle on the scale (deg)", "E_n")
        style.dress(axes, "", f"power ({unit})")
    else:
        style.dress(axes, "angle from facing the light (deg)", f"power ({unit})")
    axes.set_ylim(bottom=0)
    return figure
