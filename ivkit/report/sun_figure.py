"""The picture of what tracking is worth: a day by the hour, or a year by the month."""

from typing import TYPE_CHECKING

import numpy as np

from ivkit.answer.text import number
from ivkit.report import style
from ivkit.verdict.gain import Yield

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ivkit.verdict.gain import Gain


def sun_figure(gain: "Gain", when: str) -> "Figure":
    """Draw each mount's light, or its power at maximum and into the load.

    A time of up to three days is drawn step by step, a longer one as the mean day of each month.
    """
    shown = [what for what in gain.yields if what is not Yield.LIGHT] or [Yield.LIGHT]
    figure = style.new_figure(7.2, 3.0 + 2.4 * len(shown))
    rows = figure.subplots(len(shown), 1, sharex=True, squeeze=False)[:, 0]
    long = gain.sky.total_hours > 73
    for axes, what in zip(rows, shown, strict=True):
        (_months if long else _hours)(axes, gain, what)
    rows[0].set_title(
        f"{when}, {gain.sky.place}: {gain.sky.source}", loc="left", fontsize=9, color=style.INK
    )
    rows[0].legend(frameon=False, fontsize=8, labelcolor=style.INK, handlelength=3.2)
    for axes in rows[:-1]:
        axes.set_xlabel("")
    return figure


def _unit(gain: "Gain", what: Yield, per_day: bool) -> tuple[float, str]:
    """Return the scale and the name of an axis."""
    if what is Yield.LIGHT:
        return (1e-3, "light (kWh/m² a day)") if per_day else (1.0, "light (W/m²)")
    top = max(float(c.series(what).max()) for c in gain.mounts)
    where = (
        "at maximum power"
        if what is Yield.MAX_POWER
        else f"into {number(gain.load_ohm, None, 'ohm')}"
    )
    scale, unit = style.scale_of(top, "W")
    return scale, f"{where} ({unit}{'h a day' if per_day else ''})"


def _hours(axes: "Axes", gain: "Gain", what: Yield) -> None:
    times = gain.sky.times
    start = times[0].normalize()
    hour = (times - start).total_seconds().to_numpy() / 3600
    scale, name = _unit(gain, what, False)
    for k, collected in enumerate(gain.mounts):
        # Night, and any other gap, breaks the line.
        values = collected.series(what) * scale
        gap = np.flatnonzero(np.diff(hour) > 1.5 * gain.sky.hours) + 1
        axes.plot(
            np.insert(hour, gap, np.nan),
            np.insert(values, gap, np.nan),
            color=style.SERIES[k % len(style.SERIES)],
            linestyle=style.DASHES[k % len(style.DASHES)],
            linewidth=1.5,
            label=str(collected.mount),
        )
    style.dress(axes, f"clock time, {times.tz} (h)", name)
    axes.xaxis.set_major_locator(_every_three_hours())
    axes.set_ylim(bottom=0)


def _every_three_hours():
    from matplotlib.ticker import MultipleLocator

    return MultipleLocator(3)


def _months(axes: "Axes", gain: "Gain", what: Yield) -> None:
    times = gain.sky.times
    month = times.month.to_numpy()
    days = {m: len(np.unique(gain.sky.solar_day[month == m])) for m in np.unique(month)}
    scale, name = _unit(gain, what, True)
    for k, collected in enumerate(gain.mounts):
        daily = [
            collected.series(what)[month == m].sum() * gain.sky.hours / n for m, n in days.items()
        ]
        axes.plot(
            list(days),
            np.array(daily) * scale,
            marker="o",
            markersize=4,
            color=style.SERIES[k % len(style.SERIES)],
            linestyle=style.DASHES[k % len(style.DASHES)],
            linewidth=1.5,
            label=str(collected.mount),
        )
    style.dress(axes, "month", name)
    axes.set_xticks(range(1, 13))
    axes.set_ylim(bottom=0)
