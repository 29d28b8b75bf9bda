"""The picture of a log: power over time and what was found in it, angles, and one swing."""

from typing import TYPE_CHECKING

import numpy as np

from ivkit.answer.text import number
from ivkit.report import style
from ivkit.report.track_answer import seconds

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ivkit.verdict.log import CleanLog
    from ivkit.verdict.tracking import Tracking

_POINTS = 2000  # across the picture; beyond, lowest and highest of each stretch are drawn
SHADE = {"darker": "#e1e4e9", "dropout": "#e1e4e9"}  # light enough for words on them
LIT = "#f7e7d8"


def track_figure(found: "Tracking") -> "Figure":
    """Draw the power of a log over time, its steady state, disturbances, and the angles.

    Parameters
    ----------
    found : Tracking
    """
    hunts = found.hunting is not None and found.hunting.swing.coherent
    angles = found.away is not None or (found.law is not None and found.facing is not None)
    heights = [3.0, *([1.9] * angles), *([1.7] * hunts)]
    figure = style.new_figure(7.6, 1.0 + 1.15 * sum(heights))
    rows = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    top = figure.add_subplot(rows[0])
    _power(found, top)
    if angles:
        _angles(found, figure.add_subplot(rows[1], sharex=top))
        top.tick_params(labelbottom=False)
        top.set_xlabel("")
    if hunts:
        _swing(found, figure.add_subplot(rows[len(heights) - 1]))
    return figure


def _power(found: "Tracking", axes: "Axes") -> None:
    log, settling = found.log, found.settling
    k, unit = style.scale_of(max(abs(found.steady.value), abs(settling.first_level)), "W")
    steady = slice(settling.settled, None)
    for d in found.disturbances:
        colour = SHADE.get(d.kind, LIT)
        axes.axvspan(d.start, max(d.end, d.start + 2 * log.interval), color=colour, lw=0)
    _line(axes, *_broken(log, k * log.power), style.INK)
    start, end = log.time[settling.settled], log.time[-1]
    level = k * found.steady.value
    axes.plot([start, end], [level, level], color=style.CURVE, lw=2.0)
    axes.annotate(
        f"steady {number(found.steady.value, found.steady.u, 'W')}",
        (end, level),
        xytext=(0, -6),
        textcoords="offset points",
        ha="right",
        va="top",
        color=style.CURVE,
        fontsize=9,
        bbox={"facecolor": "white", "alpha": 0.8, "edgecolor": "none", "pad": 1},
    )
    if found.facing is not None:
        axes.axhline(k * found.facing.power, color=style.POWER, lw=1.1, ls=(0, (6, 2)))
        axes.annotate(
            f"facing {number(found.facing.power, found.facing.u, 'W')}",
            (log.time[0], k * found.facing.power),
            xytext=(2, 4),
            textcoords="offset points",
            color=style.POWER,
            fontsize=9,
        )
    if found.first is not None:
        leaves = log.time[max(settling.leaves - 1, 0)]
        axes.axvline(leaves, color=style.LOAD, lw=0.9, ls=(0, (1.5, 2)))
        axes.axvline(start, color=style.LOAD, lw=0.9, ls=(0, (1.5, 2)))
        axes.annotate(
            f"acquired\nin {seconds(found.acquire)}",
            (start, 0.5 * k * (found.first.value + found.steady.value)),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            color=style.LOAD,
            fontsize=9,
        )
        axes.annotate(
            f"first {number(found.first.value, found.first.u, 'W')}",
            (start, k * found.first.value),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            color=style.INK,
            fontsize=9,
        )
    for d in sorted(found.disturbances, key=lambda d: -abs(d.ratio - 1))[:4]:
        above = d.ratio > 1
        axes.annotate(
            d.kind,
            (0.5 * (d.start + d.end), k * d.extreme),
            xytext=(0, 3 if above else -3),
            textcoords="offset points",
            ha="center",
            va="bottom" if above else "top",
            color=style.FAULT,
            fontsize=8,
        )
    shown = log.power[steady]
    high = max(float(np.max(shown)), found.facing.power if found.facing else 0.0)
    low = min(0.0, float(np.min(log.power)))
    axes.set_ylim(k * (low - 0.06 * (high - low)), k * (high + 0.12 * (high - low)))
    axes.set_xlim(log.time[0], log.time[-1])
    style.dress(axes, "time (s)", f"power ({unit})")
    axes.set_title(log.name, loc="left", fontsize=10, color=style.INK)


def _angles(found: "Tracking", axes: "Axes") -> None:
    """Draw the angle that the power implies, and the logged one."""
    log = found.log
    labels = []
    if found.law is not None and found.facing is not None:
        order = np.argsort(found.law.ratio)
        implied = np.interp(
            log.power / found.facing.power, found.law.ratio[order], found.law.aoi[order]
        )
        # What a shadow or a bright edge does to the power is no angle.
        implied[found.settling.settled :][found.off] = np.nan
        _line(axes, *_broken(log, implied), style.POWER)
        labels.append(("off the light, by the power", style.POWER))
        told = found.pointing
        if told is not None and told.aoi is not None:
            axes.fill_between(
                [log.time[found.settling.settled], log.time[-1]],
                told.low,
                told.high,
                color=style.CURVE,
                alpha=0.25,
                lw=0,
            )
            labels.append(("95 % interval in the end", style.CURVE))
    if found.away is not None:
        _line(axes, *_broken(log, found.away), style.LOAD)
        by = "off the light, by the scale" if found.turned.from_scale else "from its last direction"
        labels.append((by, style.LOAD))
    for row, (text, colour) in enumerate(labels):
        axes.annotate(
            text,
            (0.98, 0.95 - 0.11 * row),
            xycoords="axes fraction",
            ha="right",
            va="top",
            color=colour,
            fontsize=9,
            bbox={"facecolor": "white", "alpha": 0.8, "edgecolor": "none", "pad": 1},
        )
    style.dress(axes, "time (s)", "angle (deg)")
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))


def _swing(found: "Tracking", axes: "Axes") -> None:
    """Draw one period of the swing, with the readings that it comes from."""
    swing = found.hunting.swing
    k, unit = style.scale_of(swing.size, "W")
    phase = np.linspace(0.0, 1.0, swing.shape.size, endpoint=False)
    axes.plot(
        np.append(phase, 1.0) * swing.period,
        k * np.append(swing.shape, swing.shape[0]),
        color=style.CURVE,
        lw=1.8,
        zorder=3,
    )
    log, settling = found.log, found.settling
    time, power = (v[settling.settled :][~found.off] for v in (log.time, log.power))
    stride = slice(None, 4000)
    at = np.mod(time[stride] - time[0], swing.period)
    axes.plot(at, k * (power[stride] - found.steady.value), ".", ms=2, color=style.QUIET, alpha=0.8)
    reach = 1.6 * k * max(-swing.low, swing.high)
    axes.set_ylim(-max(reach, 1e-12), max(reach, 1e-12))
    style.dress(axes, "time in one swing (s)", f"swing ({unit})")
    word = "hunting" if found.hunting.moves is not False else "flicker"
    axes.set_title(
        f"{word}: {number(swing.period, swing.u_period, 's')}",
        loc="left",
        fontsize=9,
        color=style.INK,
    )


def _broken(log: "CleanLog", values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return times and values with a break wherever the log has a gap."""
    at = np.searchsorted(log.time, [gap.end for gap in log.gaps])
    return np.insert(log.time, at, log.time[at] - 1e-9), np.insert(values, at, np.nan)


def _line(axes: "Axes", x: np.ndarray, y: np.ndarray, colour: str) -> None:
    """Draw a line; of a long one, what lies between lowest and highest of each stretch."""
    if x.size <= 2 * _POINTS:
        axes.plot(x, y, color=colour, lw=0.9)
        return
    size = x.size // _POINTS
    cut = slice(x.size % size, None)
    parts = y[cut].reshape(-1, size)
    at = x[cut].reshape(-1, size)[:, 0]
    axes.fill_between(
        at,
        np.fmin.reduce(parts, axis=1),
        np.fmax.reduce(parts, axis=1),
        color=colour,
        alpha=0.35,
        lw=0,
    )
    axes.plot(at, np.median(parts[:, :: 1 + size // 200], axis=1), color=colour, lw=0.9)
