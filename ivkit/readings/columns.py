"""What the columns of a table say at the input of converter or meter, be they codes, volts at the
converter, scaled back, at the panel, or from power: from there the circuit is walked once.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from ivkit.bench import Converter, FrontEnd
from ivkit.errors import SweepError
from ivkit.readings import circuit
from ivkit.readings.circuit import QUANTISATION
from ivkit.readings.table import Table, need

Array = NDArray[np.float64]
CHANNELS = ("voltage", "current")


@dataclass(frozen=True)
class AtInstrument:
    """Readings at the inputs of converter or meter; arrays of shape (N,), one a row.

    ``voltage`` and ``current`` are in V (a current meter: A), NaN where blank, None for the one
    that follows from the load; ``u_...`` is the standard uncertainty of each reading on its own,
    None where nothing is known; ``load`` the stated loads, ohm. ``usable`` rows hold all that is
    needed with no channel at the converter's end, ``at_end`` rows with one there. ``notes`` say
    what was left out or worked out.
    """

    voltage: Array | None
    current: Array | None
    u_voltage: Array | None
    u_current: Array | None
    load: Array | None
    usable: NDArray[np.bool_]
    at_end: NDArray[np.bool_]
    notes: tuple[str, ...]


def at_instrument(table: Table, front_end: FrontEnd) -> AtInstrument:
    """Bring a table's columns to the inputs of converter or meter.

    TableError: voltage and current do not follow from the columns. SweepError: several sweeps in
    one table, codes without a converter, or a code larger than the converter's largest.
    """
    load = table.columns.get("load")
    several = np.unique(table.columns.get("sweep", [0.0]))
    if len(several) > 1:
        by = table.headings.get("sweep", "sweep")
        what = f"holds {len(several)} sweeps, told apart by '{by}'"
        raise SweepError(what, table.name, "put each sweep into a file of its own")
    notes: list[str] = []
    shown, steps = _shown(table, front_end, notes)
    values = _at_input(table, front_end, shown, load)
    noise = {
        channel: _noise(table, front_end, channel, values[channel], steps[channel])
        for channel in CHANNELS
    }
    blank, at_end = _blank(values, load), _saturated(table, front_end, values)
    for mask, why in (
        (blank, "no voltage and current follow from it"),
        (at_end, "the converter was at its end"),
    ):
        if np.any(mask):
            notes.append(f"{named_rows(table, mask)} left out: {why}")
    for channel in CHANNELS:
        mask = _at_zero(table, front_end, channel, values[channel])
        if np.any(mask):
            notes.append(
                f"{named_rows(table, mask)}: {channel} at the converter's zero, below which all "
                f"is cut off; a small offset ahead of the converter shows what is there"
            )
    measured = (*(values[c] for c in CHANNELS), *(noise[c] for c in CHANNELS))
    return AtInstrument(*measured, load, ~(blank | at_end), at_end & ~blank, tuple(notes))


def converter_noise(converter: Converter) -> float:
    """Return the standard uncertainty of one reading (mean of ``averages``) on its own, V.

    Conversions that differ by noise average out the steps too; below half a step of noise they all
    fall on the same code, and one step's part (LSB/sqrt(12), GUM F.2.2.1) stays whole.

    >>> round(1e3 * converter_noise(Converter(bits=12, reference_V=3.3)), 7)
    0.2325752
    """
    noise, steps = converter.noise_counts, QUANTISATION
    if noise > 0.5:
        counts = sqrt((noise**2 + steps**2) / converter.averages)
    else:
        counts = sqrt(noise**2 / converter.averages + steps**2)
    return counts * converter.step


def named_rows(table: Table, mask: NDArray[np.bool_]) -> str:
    """Return the rows of a mask in words: ``row 3``, ``rows 3, 5 and 9 more``."""
    rows = [str(row) for row in np.asarray(table.rows)[mask]]
    if len(rows) > 6:
        return f"rows {', '.join(rows[:5])} and {len(rows) - 5} more"
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(rows)}"


def _shown(
    table: Table, front_end: FrontEnd, notes: list[str]
) -> tuple[dict[str, Array | None], dict[str, Array | float | None]]:
    """Return voltage and current as the table shows them, and the step of the last digit."""
    columns, resolution = table.columns, table.resolution
    power, load = columns.get("power"), columns.get("load")
    shown: dict[str, Array | None] = {}
    steps: dict[str, Array | float | None] = {}
    for channel in CHANNELS:
        code = columns.get(f"{channel}_code")
        shown[channel] = columns.get(channel) if code is None else code
        steps[channel] = resolution.get(channel) if code is None else None
    if front_end.current.measured_by == "load" and shown["current"] is not None:
        if load is None:
            what = 'measured_by = "load", but there is no load column'
            raise SweepError(what, table.name, "add the load resistance of each row in ohm")
        notes.append("current column set aside: the bench takes the current from the load")
        shown["current"] = None
    elif power is not None:
        for missing, other in (CHANNELS, CHANNELS[::-1]):
            if shown[missing] is None and other in columns:
                with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                    shown[missing] = power / columns[other]
                    steps[missing] = resolution.get("power", np.nan) / np.abs(columns[other])
                notes.append(f"{missing} worked out from power and {other}")
        if shown["voltage"] is None and shown["current"] is None and load is not None:
            with np.errstate(invalid="ignore", over="ignore"):
                shown["voltage"] = np.sqrt(power * load)
            notes.append("voltage and current worked out from power and load")
    missing = [channel for channel in CHANNELS if shown[channel] is None]
    if len(missing) == 2 or (missing and load is None):
        need(table, missing[0])  # raises, with the headings and the option that names one
    if missing:
        known = next(channel for channel in CHANNELS if channel not in missing)
        notes.append(f"{missing[0]} worked out from {known} and load resistance")
    return shown, steps


def _at_input(
    table: Table, front_end: FrontEnd, shown: dict[str, Array | None], load: Array | None
) -> dict[str, Array | None]:
    """Return voltage and current at the instruments' inputs."""
    coded = {channel: f"{channel}_code" in table.columns for channel in CHANNELS}
    if front_end.readings == "panel" and not any(coded.values()):
        return _panel_at_input(front_end, shown, load)
    values: dict[str, Array | None] = {}
    for channel in CHANNELS:
        values[channel] = value = shown[channel]
        meter = getattr(front_end, channel).is_meter
        if value is None or (meter and front_end.readings in ("codes", "converter_volts")):
            continue
        if coded[channel]:
            if front_end.converter is None:
                raise SweepError(
                    f"{channel} is in converter codes, and no bench says what a code is",
                    table.name,
                    "add [front_end.converter] with bits and reference_V to the bench file",
                )
            values[channel] = value * front_end.converter.step
        elif front_end.readings == "codes":
            raise SweepError(
                f'readings = "codes", but {channel} is headed in volts or amperes',
                table.name,
                f'head the column "{channel}_code", or set readings to what the column holds',
            )
        elif front_end.readings != "converter_volts":
            values[channel] = value * circuit.nominal_scale(front_end, channel)
    return values


def _panel_at_input(
    front_end: FrontEnd, shown: dict[str, Array | None], load: Array | None
) -> dict[str, Array | None]:
    """Return what the instruments must have seen for values that are corrected already."""
    parts = circuit.nominal_parts(front_end, load)
    voltage, current = shown["voltage"], shown["current"]
    if voltage is None or current is None:
        seen = circuit.load_at_panel(parts, front_end.divider_at)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            voltage = current * seen if voltage is None else voltage
            current = voltage / seen if current is None else current
    found = circuit.to_readings(parts, front_end.divider_at, voltage, current)
    return {
        channel: None if shown[channel] is None else value
        for channel, value in zip(CHANNELS, found, strict=True)
    }


def _noise(
    table: Table, front_end: FrontEnd, channel: str, value: Array | None, step: Array | float | None
) -> Array | None:
    """Return the noise of one channel at its instrument, from steps and conversions."""
    if value is None:
        return None
    settings, converter = getattr(front_end, channel), front_end.converter
    scale = 1.0
    if front_end.readings in ("scaled", "panel"):
        scale = circuit.nominal_scale(front_end, channel)
    written = None if step is None else np.asarray(step) * scale
    if settings.is_meter:
        digit = settings.resolution if settings.resolution is not None else written
        return None if digit is None else np.broadcast_to(digit * QUANTISATION, value.shape)
    if converter is None:
        return None
    rounding = 0.0 if written is None else np.nan_to_num(written) * QUANTISATION
    return np.broadcast_to(np.hypot(converter_noise(converter), rounding), value.shape)


def _blank(values: dict[str, Array | None], load: Array | None) -> NDArray[np.bool_]:
    given = [value for value in values.values() if value is not None]
    blank = ~np.all(np.isfinite(given), axis=0)
    if values["current"] is None:
        blank |= np.isnan(load) | (load == 0)  # Ohm's law says nothing at a short circuit
    elif values["voltage"] is None:
        blank |= ~np.isfinite(load)  # nor at an open one
    return blank


def _saturated(
    table: Table, front_end: FrontEnd, values: dict[str, Array | None]
) -> NDArray[np.bool_]:
    """Return where a channel stood at the converter's largest code, or beyond it."""
    converter, found = front_end.converter, np.zeros(len(table.rows), dtype=bool)
    if converter is None:
        return found
    margin = _margin(converter)
    for channel in CHANNELS:
        value = values[channel]
        if value is None or getattr(front_end, channel).is_meter:
            continue
        code = value / converter.step
        if f"{channel}_code" in table.columns and np.any(code > converter.top + 0.5):
            wrong = code > converter.top + 0.5
            raise SweepError(
                f"{channel} code {code[wrong][0]:g} is above the largest of "
                f"{converter.bits} bits, {converter.top}",
                f"{table.name}, {named_rows(table, wrong)}",
                "check bits in [front_end.converter]",
            )
        found |= code >= converter.top - margin
    return found


def _at_zero(
    table: Table, front_end: FrontEnd, channel: str, value: Array | None
) -> NDArray[np.bool_]:
    """Return where a channel stood at code zero; negative codes mean that nothing is cut off."""
    converter, meter = front_end.converter, getattr(front_end, channel).is_meter
    if converter is None or value is None or meter or np.any(value < -converter.step):
        return np.zeros(len(table.rows), dtype=bool)
    return value / converter.step < _margin(converter)


def _margin(converter: Converter) -> float:
    """Return how near to its ends a converter cuts off: a mean hides which conversions it hit."""
    return 0.5 + (3 * converter.noise_counts if converter.averages > 1 else 0.0)
