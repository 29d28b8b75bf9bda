"""Readings of a logger, a few at a time, brought to the panel's terminals.

Columns may be missing and cells blank from line to line, so each reading says itself what its power
follows from.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.bench import Bench, FrontEnd
from ivkit.errors import SweepError
from ivkit.readings.columns import at_instrument
from ivkit.readings.front_end import AtPanel, corrected
from ivkit.readings.live_line import LiveReading
from ivkit.readings.sweep import Effect
from ivkit.readings.table import Table

Array = NDArray[np.float64]

_MEASURED = ("time", "voltage", "current", "power", "load", "angle")
QUANTITIES = (*_MEASURED, "irradiance", "illuminance", "temperature")
BOTH, VOLTAGE, CURRENT, POWER = "voltage and current", "voltage", "current", "power"


@dataclass(frozen=True)
class AtTerminals:
    """N readings at the panel's terminals; arrays of shape (N,), NaN where nothing is known.

    ``values`` are by `QUANTITIES`, SI, ``power`` worked out where it was not written down;
    ``given`` says what each power follows from: `BOTH`, `VOLTAGE` or `CURRENT` with the load, or
    `POWER`, empty where none follows; ``trouble`` why a reading cannot be used, empty where it can.
    ``effects`` are those of the front end; ``noise_...`` is the standard uncertainty of each
    reading on its own, V and A, None where no front end says.
    """

    lines: tuple[int, ...]
    values: dict[str, Array]
    given: tuple[str, ...]
    trouble: tuple[str, ...]
    effects: tuple[Effect, ...] = ()
    noise_voltage: Array | None = None
    noise_current: Array | None = None

    def __len__(self) -> int:
        return len(self.lines)

    def __getitem__(self, quantity: str) -> Array:
        return self.values[quantity]


def uses_front_end(quantities: Sequence[str], bench: Bench | None) -> bool:
    """Tell whether readings of these quantities are corrected for the bench's front end.

    SweepError: they are codes, and no bench says what a code is.
    """
    front_end = bench.front_end if bench is not None else None
    coded = any(q.endswith("_code") for q in quantities)
    if coded and (front_end is None or front_end.converter is None):
        raise SweepError(
            "the readings are converter codes, and no bench says what a code is",
            "",
            "give --bench FILE with [front_end.converter], bits and reference_V",
        )
    both = "voltage" in quantities and "current" in quantities
    return coded or (front_end is not None and both and front_end.readings != "codes")


def at_terminals(
    readings: Sequence[LiveReading], load_ohm: float | None = None, bench: Bench | None = None
) -> AtTerminals:
    """Return readings, all with the same quantities, at the panel's terminals.

    ``load_ohm`` is the load where a reading has none. SweepError: codes without a converter.

    >>> one = LiveReading(7, {"voltage": 5.0})
    >>> found = at_terminals([one], 50.0)
    >>> found["power"], found.given
    (array([0.5]), ('voltage',))
    """
    names = tuple(readings[0].values) if readings else ()
    raw = {q: np.full(len(readings), np.nan) for q in QUANTITIES}
    raw |= {q: np.array([one.values[q] for one in readings], dtype=float) for q in names}
    if load_ohm is not None:
        raw["load"] = np.where(np.isnan(raw["load"]), load_ohm, raw["load"])
    lines = tuple(one.line for one in readings)
    trouble = [""] * len(readings)
    found = None
    if readings and uses_front_end(names, bench):
        found = _corrected(raw, names, bench, trouble)
        raw = raw | {"voltage": found.voltage, "current": found.current}
    values = {q: raw[q] for q in QUANTITIES}
    values["power"], given = _power(values)
    for k in np.flatnonzero(np.isnan(values["power"])):
        trouble[k] = trouble[k] or _why_no_power(values, int(k))
    if found is None:
        return AtTerminals(lines, values, given, tuple(trouble))
    noise = found.noise_voltage, found.noise_current
    return AtTerminals(lines, values, given, tuple(trouble), found.effects, *noise)


def _why_no_power(values: dict[str, Array], k: int) -> str:
    """Return why no power follows from a reading, and what would help."""
    there = [q for q in ("voltage", "current") if np.isfinite(values[q][k])]
    if there and np.isnan(values["load"][k]):
        return f"{there[0]} alone gives no power: state --load, or read both"
    return "holds no reading that a power follows from"


def _power(values: dict[str, Array]) -> tuple[Array, tuple[str, ...]]:
    v, i, p, r = (values[q] for q in ("voltage", "current", "power", "load"))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # A short circuit has no voltage to square, an open one no current.
        from_v = np.where(r > 0, v**2 / r, np.nan)
        from_i = np.where(np.isfinite(r), i**2 * r, np.nan)
    power = np.full(v.shape, np.nan)
    given = np.full(v.shape, "", dtype=object)
    for source, found in ((BOTH, v * i), (POWER, p), (VOLTAGE, from_v), (CURRENT, from_i)):
        new = np.isnan(power) & np.isfinite(found)
        power = np.where(new, found, power)
        given[new] = source
    return power, tuple(given)


def _corrected(
    raw: dict[str, Array], names: tuple[str, ...], bench: Bench, trouble: list[str]
) -> AtPanel:
    """Return voltage and current at the panel; say which readings are in trouble."""
    front_end = bench.front_end or FrontEnd()
    columns = {q: raw[q].copy() for q in names if q not in ("time", "angle")}
    if not np.all(np.isnan(raw["load"])):
        columns["load"] = raw["load"]
    converter = front_end.converter
    for channel in ("voltage_code", "current_code"):
        if channel in columns and converter is not None:
            beyond = columns[channel] > converter.top + 0.5
            columns[channel][beyond] = np.nan
            for k in np.flatnonzero(beyond):
                trouble[k] = f"code beyond the largest of {converter.bits} bits"
    table = Table(columns, np.arange(len(trouble)), "the input")
    seen = at_instrument(table, front_end)
    for k in np.flatnonzero(seen.at_end):
        trouble[k] = "the converter was at its end"
    return corrected(front_end, seen, bench.loads)
