"""The picture of a panel that is turned: power against angle, by load."""

from typing import TYPE_CHECKING

import numpy as np

from ivkit.report import style
from ivkit.report.angle_answer import load_name, power_of
from ivkit.verdict.angle import AngleAnswer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DASHES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), "-.", (0, (6, 2, 1.5, 2)), ":")


def angle_figure(found: AngleAnswer) -> "Figure":
    """Draw power against angle, readings with their bars, and below the E_n numbers.

    After a fit each load has its curve as predicted, thin, and with the inputs adjusted; the scale
    is that of the stand.
    """
    told = found.found
    figure = style.new_figure(7.2, 4.6 if told is None else 6.0)
    if told is None:
        axes, below, zero = figure.subplots(), None, 0.0
    else:
        axes, below = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
        zero = told.zero
    best = found.curves["predicted" if told is None else "adjusted"]
    k, unit = style.scale_of(float(np.max(best.power)), "W")
    for load, color, dashes in zip(best.loads, style.SERIES, _DASHES, strict=False):
        one, name = best.of(load), load_name(load)
        at = one.at.angle + zero
        axes.plot(at, one.power * k, color=color, ls=dashes, lw=1.5, label=name)
        if told is None and np.any(one.u_power > 0):
            low, high = ((one.power + side * one.u_power) * k for side in (-2, 2))
            axes.fill_between(at, low, high, color=color, alpha=0.12, lw=0)
        if told is not None:
            before = found.curves["predicted"].of(load)
            axes.plot(at, before.power * k, color=color, ls=dashes, lw=0.7, alpha=0.85)
    if told is not None:
        axes.plot([], [], color=style.QUIET, lw=0.7, label="thin: before adjustment")
    # The curves meet where they are highest, and all are low at the edge.
    axes.legend(loc="upper right", frameon=False, fontsize=9, labelcolor="linecolor")
    if told is None:
        style.dress(axes, "angle from facing the light (deg)", f"power ({unit})")
    else:
        power, u = power_of(told)
        angle = told.readings.angle
        axes.errorbar(
            angle,
            power * k,
            yerr=2 * u * k,
            fmt="o",
            markersize=4.5,
            color=style.INK,
            elinewidth=0.9,
            zorder=4,
        )
        below.axhline(0.0, color=style.QUIET, lw=0.8)
        below.axhspan(-1, 1, color=style.QUIET, alpha=0.12, lw=0)
        below.plot(angle, told.en, "o", color=style.INK, markersize=4)
        edge = max(1.5, 1.1 * float(np.max(np.abs(told.en))))
        below.set_ylim(-edge, edge)
        style.dress(below, "angle on the scale (deg)", "E_n")
        style.dress(axes, "", f"power ({unit})")
    axes.set_ylim(bottom=0)
    return figure
