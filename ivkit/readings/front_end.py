"""From the columns of a table to a sweep at the panel's terminals.

The front end is corrected for, and what it leaves uncertain is said as effects and noise. Without a
bench the columns are taken as they are, and nothing is claimed about their uncertainty.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.assumptions import ASSUMED
from ivkit.bench import Bench, FrontEnd, Loads
from ivkit.errors import SweepError
from ivkit.readings import circuit
from ivkit.readings.circuit import Parts
from ivkit.readings.columns import CHANNELS, AtInstrument, at_instrument
from ivkit.readings.effects import effects
from ivkit.readings.evidence import Evidence, selected
from ivkit.readings.sweep import Condition, Effect, Sweep
from ivkit.readings.table import Table

Array = NDArray[np.float64]


@dataclass(frozen=True)
class AtPanel:
    """Readings with the front end corrected for, shape (..., N): V and A at the panel's terminals,
    the standard uncertainty of each reading on its own (None: not known), and effects.
    """

    voltage: Array
    current: Array
    noise_voltage: Array | None
    noise_current: Array | None
    effects: tuple[Effect, ...]


def at_panel(
    front_end: FrontEnd,
    voltage: ArrayLike | None,
    current: ArrayLike | None,
    load: ArrayLike | None = None,
    loads: Loads | None = None,
    u_voltage: ArrayLike | None = None,
    u_current: ArrayLike | None = None,
) -> AtPanel:
    """Correct for the front end and return what is known about the panel.

    ``voltage`` and ``current`` (..., N) are those at the converter's input or as a meter shows
    them: V; for a current meter A. One may be None, then ``load`` (N,), ohm, gives it by Ohm's law;
    ``loads`` has the tolerance. ``u_...``: standard uncertainty of each reading on its own, same
    units.
    """
    from_load = "voltage" if voltage is None else "current" if current is None else None
    parts = circuit.nominal_parts(front_end, load)
    known = circuit.causes(front_end, loads, load, from_load)

    def walk(with_parts: Parts, up_v: ArrayLike = 0.0, up_i: ArrayLike = 0.0):
        return circuit.to_panel(
            with_parts,
            front_end.divider_at,
            None if voltage is None else np.asarray(voltage, dtype=float) + up_v,
            None if current is None else np.asarray(current, dtype=float) + up_i,
        )

    volts, amperes = (np.array(values, dtype=float) for values in walk(parts))
    squares_v, squares_i = np.zeros_like(volts), np.zeros_like(amperes)
    noisy = {"up_v": u_voltage} if voltage is not None else {}
    noisy |= {"up_i": u_current} if current is not None else {}
    stated = all(u is not None for u in noisy.values())
    if stated:
        for name, u in noisy.items():
            moved_v, moved_i = walk(parts, **{name: u})
            squares_v += (moved_v - volts) ** 2
            squares_i += (moved_i - amperes) ** 2
        if from_load:
            # Ohm's law makes both noises one: they add up instead of by squares, (a + b)^2. A
            # sweep holds independent ones, and 2 (a^2 + b^2) is never less; it is equal at the
            # knee, where the load's slope is the curve's.
            squares_v, squares_i = 2 * squares_v, 2 * squares_i
    extra_v, extra_i = front_end.voltage.noise_V, front_end.current.noise_A
    if stated or (extra_v is not None and extra_i is not None):
        noise_v = np.sqrt(squares_v + (extra_v or 0.0) ** 2)
        noise_i = np.sqrt(squares_i + (extra_i or 0.0) ** 2)
    else:
        noise_v = noise_i = None
    return AtPanel(volts, amperes, noise_v, noise_i, effects(parts, known, walk))


def corrected(front_end: FrontEnd, raw: AtInstrument, loads: Loads) -> AtPanel:
    """Return `at_panel` of readings at the instruments."""
    measured, noise = (raw.voltage, raw.current), (raw.u_voltage, raw.u_current)
    return at_panel(front_end, *measured, raw.load, loads, *noise)


def make_sweep(
    table: Table,
    bench: Bench | None = None,
    cells: int | None = None,
    temp_cell: float | None = None,
    irradiance: float | None = None,
) -> Sweep:
    """Turn a table's columns into a sweep at the panel's terminals.

    Columns in SI: voltage, current, power, load (two of these are enough), voltage_code,
    current_code, temperature, irradiance. ``cells`` in series goes before the bench; ``temp_cell``
    (degC) and ``irradiance`` (effective, W/m2) before the table's columns, and these before the
    bench.

    TableError: columns from which voltage and current do not follow. SweepError: several sweeps in
    one table, codes without a converter, or no point left.
    """
    bench = bench or Bench()
    front_end = bench.front_end or FrontEnd()
    raw = at_instrument(table, front_end)
    if not np.any(raw.usable):
        raise SweepError(
            f"no row can be used ({'; '.join(raw.notes) or 'the table is empty'})",
            table.name,
            "give voltage and current, or one of them and the load, in every row",
        )

    keep = raw.usable | raw.at_end
    kept = selected(raw, keep)
    found = corrected(front_end, kept, bench.loads)
    taken = Sweep(
        found.voltage,
        found.current,
        found.noise_voltage,
        found.noise_current,
        found.effects,
        _condition(table, bench, temp_cell, irradiance, raw.usable),
        cells if cells is not None else bench.panel.cells,
        kept.load,
        np.asarray(table.rows)[keep],
        table.name,
        evidence=_evidence(table, bench, raw, keep),
    )
    sweep = taken
    if np.any(kept.at_end):
        sweep = taken.select(~kept.at_end)
        sweep = replace(sweep, evidence=replace(sweep.evidence, taken=taken))
    said = (*table.notes, *raw.notes, *_corrections(front_end, sweep), *_untold(bench, raw))
    return replace(sweep, notes=said)


def _evidence(table: Table, bench: Bench, raw: AtInstrument, keep: NDArray[np.bool_]) -> Evidence:
    """Return what table and bench say besides voltage and current."""
    front_end = bench.front_end or FrontEnd()
    columns = table.columns

    def kept(values: Array | None) -> Array | None:
        return None if values is None else np.asarray(values, dtype=float)[keep]

    measured = all(c in columns or f"{c}_code" in columns for c in CHANNELS)
    seen = None
    if measured and raw.load is not None and raw.current is not None:
        parts = circuit.nominal_parts(front_end, raw.load)
        seen = np.broadcast_to(circuit.load_at_panel(parts, front_end.divider_at), keep.shape)
    tolerance = bench.loads.tolerance_pct
    area = bench.panel.area_cm2
    return Evidence(
        kept(raw.voltage),
        kept(raw.current),
        kept(columns.get("power")) if measured else None,
        table.resolution.get("power"),
        kept(seen),
        None if tolerance is None else tolerance / 100,
        kept(columns.get("irradiance")),
        kept(columns.get("temperature")),
        None if area is None else area * 1e-4,
        raw.at_end[keep],
    )


def _condition(
    table: Table,
    bench: Bench,
    temp_cell: float | None,
    irradiance: float | None,
    keep: NDArray[np.bool_],
) -> Condition:
    """Return light and temperature: as asked for, else the table's mean, else the bench's."""
    stated = bench.condition

    def pick(given: float | None, column: str, fallback: float | None) -> float | None:
        if given is not None:
            return given
        values = table.columns.get(column)
        if values is not None and np.any(np.isfinite(values[keep])):
            return float(np.nanmean(values[keep]))
        return fallback

    return Condition(
        pick(irradiance, "irradiance", stated.irradiance_W_m2),
        pick(temp_cell, "temperature", stated.temp_cell_degC),
        stated.u_irradiance_W_m2,
        stated.u_temp_cell_degC,
    )


def _corrections(front_end: FrontEnd, found: AtPanel | Sweep) -> list[str]:
    """Say what was corrected for and how much it was at most."""
    parts, most, said = circuit.nominal_parts(front_end), 0.0, ""
    if front_end.readings == "panel":
        return []
    if front_end.divider_at == "panel":
        most = np.max(np.abs(found.voltage / circuit.divider_resistance(parts)))
        said = f"current corrected for what divider or voltmeter draw, up to {most:.2g} A"
    elif front_end.divider_at == "load":
        most = np.max(np.abs(found.current * circuit.series_resistance(parts)))
        said = f"voltage corrected for the drop over shunt or ammeter, up to {most:.2g} V"
    return [said] if most > 0 else []


def _untold(bench: Bench, raw: AtInstrument) -> list[str]:
    """Say which tolerances were assumed, or parts taken as exact, because the bench is silent."""
    said = []
    if (raw.current is None or raw.voltage is None) and bench.loads.tolerance_pct is None:
        said.append(ASSUMED["load resistor"].sentence())
    if bench.front_end is None:
        return said
    front_end = bench.front_end
    volt, ampere, converter = front_end.voltage, front_end.current, front_end.converter
    each = (volt.divider_top_tolerance_pct, volt.divider_bottom_tolerance_pct)
    exact = {
        "divider": volt.has_divider and volt.tolerance_pct is None and None in each,
        "shunt": ampere.shunt_ohm is not None and ampere.shunt_tolerance_pct is None,
        "voltage amplifier": volt.gain != 1 and volt.gain_tolerance_pct is None,
        "current amplifier": ampere.gain != 1 and ampere.gain_tolerance_pct is None,
        "converter reference": converter is not None and converter.reference_tolerance_pct is None,
        "voltmeter": volt.is_meter and volt.accuracy_pct_of_reading is None,
        "ammeter": ampere.is_meter and ampere.accuracy_pct_of_reading is None,
    }
    exact["ammeter"] &= raw.current is not None
    names = [name for name, is_exact in exact.items() if is_exact]
    if names:
        said.append(f"taken as exact, no tolerance stated: {', '.join(names)}")
    return said
