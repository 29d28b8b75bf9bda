"""The picture of a fitted sweep: I-V and P-V with readings and fit, and what the fit leaves."""

from pathlib import PurePath
from typing import TYPE_CHECKING

import numpy as np

from ivkit.answer.text import number
from ivkit.report import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.curve.fit import Fit


def sweep_figure(fit: "Fit", load_ohm: float | None = None) -> "Figure":
    """Draw a sweep, its fit, the point of greatest power, the load line and the residuals.

    The bands are the 95 % intervals of the fitted current and power; dots go beyond the readings.

    Parameters
    ----------
    fit : Fit
    load_ohm : float, optional
        The load to draw, ohm; the best load where none is given.
    """
    sweep = fit.sweep
    figure = style.new_figure(7.2, 6.4)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    right = top.twinx()
    k_i, unit_i = style.scale_of(np.max(np.abs(sweep.current)), "A")
    k_p, unit_p = style.scale_of(np.max(np.abs(sweep.power)), "W")
    k_v, unit_v = style.scale_of(np.max(np.abs(sweep.voltage)), "V")
    top_v = float(np.max(sweep.voltage))
    top_i = float(np.max(sweep.current))
    if fit.model is not None:
        ends = fit.model.key_points()
        top_v, top_i = max(top_v, float(ends.v_oc)), max(top_i, float(ends.i_sc))
        v = np.linspace(min(0.0, float(np.min(sweep.voltage))), top_v, 400)
        i = fit.model.current(v)
        inside = (v >= np.min(sweep.voltage)) & (v <= np.max(sweep.voltage))
        half = fit.interval_factor * fit.u_current(v)
        if np.all(np.isfinite(half)):
            for axes, scale, color in ((top, k_i, style.CURVE), (right, v * k_p, style.POWER)):
                axes.fill_between(
                    v * k_v, (i - half) * scale, (i + half) * scale, color=color, alpha=0.18, lw=0
                )
        for shown, dashes in ((np.where(inside, i, np.nan), "-"), (i, (0, (1.5, 2)))):
            top.plot(v * k_v, shown * k_i, color=style.CURVE, linewidth=1.6, linestyle=dashes)
            right.plot(v * k_v, v * shown * k_p, color=style.POWER, lw=1.4, linestyle=dashes)
    u_v, u_i = sweep.noise_voltage, sweep.noise_current
    for axes, y, u_y, marker in (
        (top, sweep.current * k_i, None if u_i is None else u_i * k_i, "o"),
        (right, sweep.power * k_p, _u_power(sweep, k_p), "D"),
    ):
        axes.errorbar(
            sweep.voltage * k_v,
            y,
            xerr=None if u_v is None else 2 * u_v * k_v,
            yerr=None if u_y is None else 2 * u_y,
            fmt=marker,
            markersize=4.2 if marker == "o" else 3,
            markerfacecolor="white" if marker == "D" else style.INK,
            markeredgecolor=style.INK,
            color=style.INK,
            elinewidth=0.8,
            markeredgewidth=0.8,
            zorder=3,
        )
    first = int(np.argmin(np.abs(sweep.voltage - 0.25 * np.max(sweep.voltage))))
    for axes, y, color, word in (
        (top, sweep.current[first] * k_i, style.CURVE, "current"),
        (right, sweep.power[first] * k_p, style.POWER, "power"),
    ):
        axes.annotate(
            word,
            (sweep.voltage[first] * k_v, y),
            xytext=(0, 8) if word == "current" else (-8, 6),
            textcoords="offset points",
            ha="center" if word == "current" else "right",
            color=color,
            fontsize=9,
        )
    _mark_left_out(fit, top, k_v, k_i)
    if fit.taken is not None:
        top_i = max(top_i, float(np.max(fit.taken.current)))
    if fit.model is not None:
        _mark_top(fit, top, right, load_ohm, (k_v, k_i, k_p), top_v)
        residual = fit.residuals * k_i
        k_r = 1e3 if np.max(np.abs(residual)) < 0.1 else 1.0
        unit_r = {"A": "mA", "mA": "µA", "µA": "nA"}[unit_i] if k_r > 1 else unit_i
        bottom.axhline(0.0, color=style.QUIET, linewidth=0.8)
        bottom.errorbar(
            sweep.voltage * k_v,
            residual * k_r,
            yerr=None if u_i is None else 2 * u_i * k_i * k_r,
            fmt="o",
            markersize=3.5,
            color=style.INK,
            elinewidth=0.8,
        )
        style.dress(bottom, f"voltage ({unit_v})", f"reading - fit ({unit_r})")
        edge = np.max(np.abs(bottom.get_ylim()))
        bottom.set_ylim(-edge, edge)
    else:
        bottom.set_visible(False)
        top.tick_params(labelbottom=True)
    style.dress(top, "" if fit.model is not None else f"voltage ({unit_v})", f"current ({unit_i})")
    right.set_ylabel(f"power ({unit_p})", color=style.POWER)
    right.spines[["top", "left"]].set_visible(False)
    right.spines["right"].set_color(style.POWER)
    right.tick_params(axis="y", colors=style.POWER, length=3)
    least_i = float(np.min(sweep.current))
    top.set_ylim(min(0.0, 1.08 * least_i) * k_i, max(1.18 * top_i, -0.05 * least_i) * k_i)
    low, high = top.get_ylim()
    peak = 1.18 * float(np.max(sweep.power)) * k_p
    if high > 0 and peak > 0:  # neither holds where the current is reversed
        right.set_ylim(peak * low / high, peak)
    top.set_title(PurePath(sweep.name).name, loc="left", fontsize=10, color=style.INK)
    figure.align_ylabels([top, bottom])
    return figure


def _mark_left_out(fit: "Fit", top, k_v: float, k_i: float) -> None:
    """Draw a cross through every reading that the fit does without."""
    if fit.taken is None or not np.any(fit.left_out):
        return
    v, i = fit.taken.voltage[fit.left_out] * k_v, fit.taken.current[fit.left_out] * k_i
    top.plot(v, i, "x", color=style.FAULT, markersize=7, markeredgewidth=1.6, zorder=5)
    k = int(np.argmin(v))
    top.annotate(
        "left out",
        (v[k], i[k]),
        xytext=(0, -14),
        textcoords="offset points",
        ha="center",
        color=style.FAULT,
        fontsize=9,
    )


def _u_power(sweep, scale: float):
    """Return the noise of each power, W times ``scale``, or None."""
    if sweep.noise_current is None:
        return None
    u_v = 0.0 if sweep.noise_voltage is None else sweep.noise_voltage
    return scale * np.hypot(sweep.voltage * sweep.noise_current, sweep.current * u_v)


def _mark_top(fit: "Fit", top, right, load_ohm, scales, top_v: float) -> None:
    """Draw the point of greatest power and the load line, each with its name beside it."""
    k_v, k_i, k_p = scales
    points = fit.key_points
    if not np.isfinite(points.p_mp.nominal_value):
        return
    v, i, p = (q.nominal_value for q in (points.v_mp, points.i_mp, points.p_mp))
    right.plot([v * k_v], [p * k_p], "s", color=style.POWER, markersize=7, zorder=4)
    right.annotate(
        f"Pmp {number(p, points.p_mp.std_dev, 'W')}",
        (v * k_v, p * k_p),
        xytext=(-8, 7),
        textcoords="offset points",
        ha="right",
        color=style.POWER,
        fontsize=9,
    )
    load = v / i if load_ohm is None else load_ohm
    at = fit.model.operating_point(load)
    end_v = min(top_v, 1.12 * float(at.current) * load)
    top.plot([0, end_v * k_v], [0, end_v / load * k_i], color=style.LOAD, lw=1.2, ls=(0, (6, 2)))
    words = "best load" if load_ohm is None else "load"
    top.annotate(
        f"{words} {number(load, None, 'ohm')}",
        (0.45 * end_v * k_v, 0.45 * end_v / load * k_i),
        xytext=(6, -10),
        textcoords="offset points",
        color=style.LOAD,
        fontsize=9,
    )
