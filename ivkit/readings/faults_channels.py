"""Faults of a channel: at its end, stuck, in coarse steps, reversed, or under the wrong heading."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.fault import Fault, fault, named_points
from ivkit.readings.redundancy import usual_noise
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

FEWEST_STEPS = 50  # over a channel's range; below, the steps rather than the panel are fitted


def as_read(sweep: Sweep, channel: str) -> Array:
    """Return a channel as converter or meter gave it, shape (N,): there, equal means equal."""
    read = getattr(sweep.evidence, f"{channel}_read")
    return getattr(sweep, channel) if read is None else read


def equal_runs(values: Array, least: int) -> list[NDArray[np.int64]]:
    """Return the runs of at least ``least`` readings in a row that are exactly equal, as their
    numbers.
    """
    starts = np.flatnonzero(np.r_[True, values[1:] != values[:-1]])
    runs = np.split(np.arange(len(values)), starts[1:])
    return [run for run in runs if len(run) >= least]


def step_of(values: Array) -> float:
    """Return the step that all values are multiples of from the least, 0 if there is none.

    >>> step_of(np.array([0.0, 0.5, 1.5, 1.5, 2.0, 2.0, 2.5, 3.0, 3.0]))
    0.5
    >>> step_of(np.array([0.0, 0.31, 0.7, 1.0]))
    0.0
    """
    levels, often = np.unique(values, return_counts=True)
    if levels.size < 3:
        return 0.0
    levels = levels - levels[0]
    apart = np.diff(levels)
    apart = apart[apart > 1e-9 * levels[-1]]
    if not apart.size:
        return 0.0
    step = levels[-1] / np.round(levels[-1] / apart.min())
    counts = levels / step
    # Steps written with a few digits are multiples only nearly.
    if np.any(np.abs(counts - np.round(counts)) > 0.1):
        return 0.0
    # A few levels may fall on multiples by chance, unless readings repeat several of them.
    by_chance = 0.2 ** (levels.size - 2) * 0.5 ** (values.size - levels.size - often.max() + 1)
    return float(step) if by_chance < 5e-3 or levels[-1] / step > 200 else 0.0


def rounding_of(values: Array) -> float:
    """Return the step that values were rounded to, 0 if none or if it was chosen.

    A supply set to even voltages gives multiples of a step as well. A plan takes every level
    equally often, give or take one, with gaps that hardly alternate, or nearly every level once, a
    few having got lost; rounding lays readings on its steps as they come.

    >>> rounding_of(np.array([0.0, 0.5, 1.5, 1.5, 2.0, 2.0, 2.5, 3.0, 3.0]))
    0.5
    >>> rounding_of(np.linspace(0.0, 21.0, 30)), rounding_of(np.arange(8.0)[[0, 2, 4, 6, 7]])
    (0.0, 0.0)
    >>> rounding_of(np.delete(np.linspace(0.0, 21.0, 17), [1, 13]))
    0.0
    """
    step = step_of(values)
    if step <= 0:
        return 0.0
    levels, often = np.unique(np.round((values - np.min(values)) / step), return_counts=True)
    usual = np.bincount(often).argmax()
    equally = np.sum(often != usual) <= 2 and np.max(np.abs(often - usual)) <= 1
    turns = np.diff(levels, 2)
    turns = np.sign(turns[turns != 0])
    planned = equally and np.sum(turns[1:] != turns[:-1]) <= 1
    # So many readings fall on so many levels by chance without meeting once.
    places = levels[-1] + 1.0
    by_chance = np.prod(1.0 - np.arange(values.size) / places)
    planned |= often.max() == 1 and levels.size >= 0.8 * places and by_chance < 1e-3
    return 0.0 if planned else step


def at_end(sweep: Sweep) -> Iterator[Fault]:
    """Find readings at the converter's end, and voltages held where the current still falls."""
    stood = sweep.evidence.at_end
    ended = np.zeros(len(sweep), dtype=bool) if stood is None else stood
    if np.any(ended):
        where = named_points(np.flatnonzero(ended), sweep.rows)
        said = f"the converter was at its end in {where}: more was there than it shows"
        yield fault("clipped_channel", said, ended, leave_out=True)
    for channel, other, told in (
        ("voltage", "current", _held_voltage(sweep)),
        ("current", "voltage", _held_current(sweep)),
    ):
        if told is not None and not np.all(ended[told]):
            largest, unit = np.max(getattr(sweep, channel)[told]), "VA"[channel == "current"]
            said = (
                f"the {channel} stands at {largest:.4g} {unit} in "
                f"{named_points(np.flatnonzero(told), sweep.rows)} while the {other} moves "
                "further than any junction lets it: the channel is at its end"
            )
            yield fault("clipped_channel", said, told, leave_out=True)


#: Voc over a. Larger means a sharper knee; the best silicon cell, 0.75 V with n = 1, gives 29.
SHARPEST = 30.0


def _held_voltage(sweep: Sweep) -> NDArray[np.bool_] | None:
    """Return where the voltage stands at its largest while the current falls.

    dV/dI near open circuit is -(a/IL + Rs) or steeper, and a is at least Voc over `SHARPEST`.
    """
    values, i = as_read(sweep, "voltage"), sweep.current
    if len(sweep) < 6:
        return None
    top = values == np.max(values)
    falls = np.ptp(i[top]) / max(np.max(np.abs(i)), 1e-300)
    finer = step_of(values) < 0.4 * falls / SHARPEST * np.ptp(values)
    few = 3 if falls > 0.3 else 4
    held = few <= top.sum() <= len(sweep) - 4 and falls > 0.2 and finer
    # At its end it stands for the smallest currents; elsewhere it is stuck rather.
    return top if held and np.mean(i[~top] < np.max(i[top])) < 0.1 else None


def _held_current(sweep: Sweep) -> NDArray[np.bool_] | None:
    """Return where the current stands at its largest at voltages where it has to fall.

    At the voltage V it is less than Isc by at least exp(-(1 - V/Voc) Voc/a), more with Rs.
    """
    values, v = as_read(sweep, "current"), sweep.voltage
    if len(sweep) < 6 or np.max(values) <= 0 or np.min(values) > 0.3 * np.max(values):
        return None
    top = values == np.max(values)
    reach = np.max(v[top])
    if not 4 <= top.sum() <= len(sweep) - 2 or np.mean(top[v <= reach]) < 0.8:
        return None
    step, span = step_of(values), np.ptp(values)
    falls = span * np.exp(-SHARPEST * (1 - reach / np.max(v)))
    if max(3 * step, 8e-4 * span) < falls:
        return top
    # Readings that are noisier than their steps are not equal so often by chance.
    noise = 0.0 if sweep.noise_current is None else float(np.median(sweep.noise_current[top]))
    one = min(1.0, max(step, 1e-12 * span) / max(2.5 * noise, 1e-300))
    return top if step < falls and one ** (top.sum() - 1) < 1e-6 else None


def stuck(sweep: Sweep) -> Iterator[Fault]:
    """Find a channel that repeats itself while the other one, or the load, says it moved."""
    load = sweep.evidence.load_at_panel
    u_v, u_i = usual_noise(sweep)
    for channel, other in (("voltage", "current"), ("current", "voltage")):
        values, across = as_read(sweep, channel), getattr(sweep, other)
        if not np.ptp(values) > 0:
            continue
        for run in equal_runs(values, 3):
            topmost = channel == "voltage" and np.all(values[run] == np.max(values))
            if topmost and _held_voltage(sweep) is not None:
                continue  # at its end rather than stuck
            moved = np.ptp(across[run]) / max(np.max(np.abs(across)), 1e-300)
            said = False
            if load is not None and np.all(np.isfinite(load[run]) & (load[run] > 0)):
                with np.errstate(all="ignore"):
                    ratio = np.abs(sweep.voltage[run] / sweep.current[run] / load[run])
                    loose = np.hypot(u_v / sweep.voltage, u_i / sweep.current)[run]
                if np.all((ratio > 0) & np.isfinite(ratio) & np.isfinite(loose)):
                    said = np.ptp(np.log(ratio)) > 0.35 + 5 * np.max(loose)
                    # A resistance in series with every load leaves the same between V/I and each.
                    more = sweep.voltage[run] / sweep.current[run] - load[run]
                    said &= np.ptp(more) > 0.2 * np.ptp(load[run])
            # A voltage moves with the current everywhere but near open circuit, where it still
            # moves by a share of Voc; see `at_end`.
            if channel == "voltage":
                said |= moved > 0.25 and step_of(values) < 0.002 * np.ptp(values)
                said |= moved > 0.1 and np.all(np.abs(values[run]) < 0.6 * np.max(np.abs(values)))
            if said and len(run) < len(sweep) - 2:
                where = named_points(run, sweep.rows)
                said = f"repeats itself in {where} while the {other} moves by {moved:.0%}"
                said = f"the {channel} {said} of its range"
                yield fault("stuck_channel", said, run[1:], leave_out=True)


def coarse(sweep: Sweep) -> Iterator[Fault]:
    """Find a channel whose readings stand on few steps that nobody chose."""
    # A row that was copied says nothing new about the steps.
    channels = ("voltage", "current")
    rows = np.unique(np.stack([as_read(sweep, name) for name in channels]), axis=1)
    for channel, values in zip(channels, rows, strict=True):
        step, span = rounding_of(values), np.ptp(values) if len(sweep) else 0.0
        if len(sweep) < 6 or step <= 0 or span <= 0:
            continue
        steps = span / step
        if steps < FEWEST_STEPS and np.unique(values).size >= 3:
            yield fault(
                "coarse_steps",
                f"the {channel} was read in {steps:.0f} steps from its least to its largest: "
                f"its rounding, {0.5 / steps:.1%} of the range, is what limits the result",
            )


def reversed_or_dark(sweep: Sweep) -> Iterator[Fault]:
    """Find reversed polarity, darkness, and a voltage that never moves."""
    v, i = sweep.voltage, sweep.current
    if len(sweep) < 3:
        return
    stated = sweep.noise_voltage is not None and sweep.noise_current is not None
    u_v, u_i = usual_noise(sweep)
    within = np.all(np.abs(v) < 5 * u_v) or np.all(np.abs(i) < 5 * u_i)
    if stated and within and not _related(v, i):
        which = "voltages" if np.all(np.abs(v) < 5 * u_v) else "currents"
        yield fault("no_light", f"all {which} are within their noise of zero")
        return
    power = v * i
    strong = np.abs(power) > 0.1 * np.max(np.abs(power))
    if not np.any(strong):
        yield fault("no_light", "voltage or current is zero in every reading")
        return
    # A sweep may run past both ends: then the current changes its sign once as voltage rises.
    rising = i[np.argsort(v, kind="stable")]
    sign = np.sign(rising[np.abs(rising) > 0.1 * np.max(np.abs(i))])
    if np.sum(sign[1:] != sign[:-1]) > 1:
        yield fault("no_light", "voltage and current change sign from reading to reading")
        return
    falls = _falls(np.abs(v), np.abs(i))
    taken_up = strong & (power < 0)
    # With one lead pair reversed the current rises with the voltage, also past open circuit, where
    # its sign changes; that of a panel falls, and so does that of a dark one that is driven.
    if np.mean(taken_up[strong]) > 0.5 and not _falls(v, i) and (falls or not np.all(taken_up)):
        turned = ["current" if np.median(i[taken_up]) < 0 else "voltage"]
    elif np.mean(((v < 0) & (i < 0))[strong]) > 0.5 and _falls(-v, -i):
        turned = ["voltage", "current"]
    else:
        turned = []
    for which in turned:
        yield fault(f"reversed_{which}", f"the {which} is negative where the panel delivers power")
    if np.ptp(v) < 0.01 * np.max(np.abs(v)) and np.ptp(i) > 0.1 * np.max(np.abs(i)):
        yield fault(
            "one_voltage",
            f"the voltage is {np.mean(v):.4g} V in every reading while the current goes from "
            f"{np.min(i):.4g} to {np.max(i):.4g} A",
        )


def _related(v: Array, i: Array) -> bool:
    """Tell whether one channel falls as the other rises, as noise about zero does not."""
    if len(v) < 10 or np.ptp(v) == 0 or np.ptp(i) == 0:
        return False
    return bool(np.corrcoef(_ranks(v), _ranks(i))[0, 1] < -0.75)


def _ranks(values: Array) -> Array:
    """Return the ranks of values, those of equal ones shared."""
    _, back, count = np.unique(values, return_inverse=True, return_counts=True)
    return (np.cumsum(count) - (count - 1) / 2)[back]


def _falls(v: Array, i: Array) -> bool:
    """Tell whether the current is less at large voltages than at small ones."""
    middle = np.median(v)
    return bool(np.mean(i[v >= middle]) < np.mean(i[v < middle])) if np.any(v < middle) else True


def swapped(sweep: Sweep) -> Iterator[Fault]:
    """Find voltage and current under each other's heading, by the stated loads."""
    v, i, load = sweep.voltage, sweep.current, sweep.evidence.load_at_panel
    if load is None:
        return
    ok = np.isfinite(load) & (load > 0)
    for x in (v, i):
        ok &= np.abs(x) > 0.02 * np.max(np.abs(x), initial=0.0)
    if ok.sum() >= 4:
        v, i, load = v[ok], i[ok], load[ok]
        as_is = np.abs(np.log(np.abs(v / i / load)))
        other = np.abs(np.log(np.abs(i / v / load)))
        if np.median(other) < 0.15 and np.median(as_is) > 0.5:
            yield fault(
                "swapped_columns",
                "voltage and current seem to be swapped: current over voltage, not voltage over "
                "current, is the stated load",
            )
