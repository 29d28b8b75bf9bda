"""The picture of a choice of load: power against load resistance, with what can be had below."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ivkit.answer.text import number, percent
from ivkit.report import style
from ivkit.verdict.load import LoadChoice, value_and_u
from ivkit.verdict.loaded import LoadedPanel

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ivkit.curve.diode import SingleDiode
    from ivkit.readings.sweep import Sweep

_DASHES = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))


def load_figure(
    found: LoadChoice,
    models: "Sequence[SingleDiode]",
    sweeps: "Sequence[Sweep]" = (),
    names: Sequence[str] = (),
) -> "Figure":
    """Draw the power into a resistor against its resistance, and the candidates below it.

    Parameters
    ----------
    found : LoadChoice
    models : sequence of SingleDiode
        The curves that it was chosen on.
    sweeps : sequence of Sweep
        Readings to draw beside the curves, at V/I and V I.
    names : sequence of str
        Of the conditions; shown where there are several.
    """
    panel = LoadedPanel.of(models, found.weights)
    best, u_best = value_and_u(found.best_resistance)
    places = [c.resistance for c in found.candidates]
    places += [value_and_u(r)[0] for r in found.best_resistances]
    limits = min(places) / 5, max(places) * 5
    k, unit = style.scale_of(float(panel.max_powers.max()), "W")

    rows = len(found.candidates)
    figure = style.new_figure(7.2, 4.4 + 0.24 * rows)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(4.0, 0.24 * rows + 0.15))
    top.set_xscale("log")
    top.set_xlim(limits)
    _curves(top, panel, sweeps, names, limits, k)
    for axes in (top, bottom):
        axes.axvline(best, color=style.QUIET, lw=1.0, ls=(0, (3, 3)))
        if np.isfinite(u_best):
            axes.axvspan(best - 2 * u_best, best + 2 * u_best, color=style.QUIET, alpha=0.18, lw=0)
    top.annotate(
        f"best load {number(best, u_best, 'ohm')}",
        (best, 0.95),
        xycoords=("data", "axes fraction"),
        xytext=(7, 0),
        textcoords="offset points",
        color=style.QUIET,
        fontsize=9,
    )
    for c in found.candidates:
        top.plot([c.resistance], [value_and_u(c.power)[0] * k], **_marker(found, c), zorder=5)
    _candidates(bottom, found, best)
    style.dress(top, "", f"power into the load ({unit})")
    style.dress(bottom, "load resistance (ohm)", "")
    bottom.grid(False, axis="y")
    top.set_ylim(0, 1.2 * k * float(panel.max_powers.max()))
    _ohm_ticks(bottom)
    return figure


def _curves(
    axes: "Axes",
    panel: LoadedPanel,
    sweeps: "Sequence[Sweep]",
    names: Sequence[str],
    limits: tuple[float, float],
    k: float,
) -> None:
    """Draw each condition with its readings, and the weighted mean of several."""
    r = np.geomspace(*limits, 500)
    each = panel.powers(r)
    several = len(each) > 1
    for j, curve in enumerate(each):
        colour = style.SERIES[(j + 1) % len(style.SERIES)]
        axes.plot(r, curve * k, color=colour, lw=1.3, ls=_DASHES[(j + several) % len(_DASHES)])
        if j < len(sweeps):
            _readings(axes, sweeps[j], limits, k, colour if several else style.INK)
        if several:
            name = Path(names[j]).name if j < len(names) else f"condition {j + 1}"
            peak = int(np.argmax(curve))
            _label(axes, name, (r[peak], curve[peak] * k), (0, 6), "center", colour)
    if several:
        mean = panel.power(r)
        axes.plot(r, mean * k, color=style.CURVE, lw=2.2)
        flank = int(np.argmax(mean > 0.6 * mean.max()))
        _label(axes, "weighted mean", (r[flank], mean[flank] * k), (9, -6), "left", style.CURVE)


def _label(axes, text, place, offset, side, colour) -> None:
    axes.annotate(
        text,
        place,
        xytext=offset,
        textcoords="offset points",
        ha=side,
        color=colour,
        fontsize=9,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
    )


def _readings(axes, sweep: "Sweep", limits: tuple[float, float], k: float, colour: str) -> None:
    """Draw the readings that lie on a positive load within the limits."""
    delivers = (sweep.current > 0) & (sweep.voltage > 0)
    load = sweep.voltage[delivers] / sweep.current[delivers]
    inside = (load >= limits[0]) & (load <= limits[1])
    axes.plot(load[inside], sweep.power[delivers][inside] * k, "o", ms=3.4, color=colour)


def _marker(found: LoadChoice, candidate) -> dict:
    taken = candidate is found.choice
    return {
        "marker": "s" if taken else "D",
        "ms": 8 if taken else 5,
        "mfc": style.LOAD if taken else "white",
        "mec": style.LOAD,
        "ls": "none",
    }


def _candidates(axes: "Axes", found: LoadChoice, best: float) -> None:
    """Give each candidate a line of its own, at its resistance, with what it loses."""
    for row, c in enumerate(found.candidates):
        axes.plot([c.resistance], [row], **_marker(found, c))
        left = c.resistance < best
        axes.annotate(
            f"{c.made_of.label}: {percent(c.loss)} lost",
            (c.resistance, row),
            xytext=(-9 if left else 9, 0),
            textcoords="offset points",
            ha="right" if left else "left",
            va="center",
            color=style.LOAD,
            fontsize=9,
            weight="bold" if c is found.choice else "normal",
        )
    axes.set_ylim(len(found.candidates) - 0.4, -0.6)
    axes.set_yticks([])


def _ohm_ticks(axes: "Axes") -> None:
    """Label 1, 2 and 5 of each decade in plain ohms."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.xaxis.set_major_locator(LogLocator(base=10, subs=(1.0, 2.0, 5.0), numticks=30))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
