"""What a bench would write down for a panel that is known: hidden errors, noise, steps, limits.

The forward direction of `ivkit.readings.front_end`. Points run along the last axis, experiments
along the one before: hidden errors of shape (B, 1) belong to B experiments at once.
"""

from collections.abc import Mapping
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.bench import Converter, FrontEnd, Loads
from ivkit.errors import BenchError
from ivkit.readings import circuit
from ivkit.readings.circuit import Cause, Parts
from ivkit.readings.columns import CHANNELS

Array = NDArray[np.float64]
Hidden = Mapping[str, ArrayLike]


def draw_hidden(
    front_end: FrontEnd,
    rng: np.random.Generator,
    experiments: int | None = None,
    load: ArrayLike | None = None,
    loads: Loads | None = None,
) -> dict[str, Any]:
    """Draw what is wrong with one bench, or with B ``experiments``, from the tolerances it states.

    The error of each part in standard uncertainties, a float or shape (B, 1): rectangular, within
    sqrt(3) either way, that is within the tolerance. With ``load`` and ``loads``, as in
    `write_readings`, the load resistors' errors too.
    """
    size = None if experiments is None else (experiments, 1)
    return {name: rng.uniform(-sqrt(3), sqrt(3), size) for name in _causes(front_end, load, loads)}


def load_at_panel(
    front_end: FrontEnd, load: ArrayLike, hidden: Hidden | None = None, loads: Loads | None = None
) -> Array:
    """Return the resistance that the panel sees, ohm: load, shunt, leads and divider together.

    ``load`` (N,) are the stated ones, ohm (0 for a short circuit, infinity for none), ``loads``
    their tolerance, which ``hidden`` of `draw_hidden` refers to.
    """
    return circuit.load_at_panel(_parts(front_end, hidden, load, loads), front_end.divider_at)


def write_readings(
    voltage: ArrayLike,
    current: ArrayLike,
    front_end: FrontEnd,
    rng: np.random.Generator | None = None,
    hidden: Hidden | None = None,
    load: ArrayLike | None = None,
    loads: Loads | None = None,
) -> dict[str, Array]:
    """Return the columns that this bench would write for a panel's voltage and current.

    ``voltage`` (V) and ``current`` (A), shape (N,) or (B, N), are those at the panel's terminals.
    Which columns come out (``voltage_code`` and ``current_code``, or ``voltage`` and ``current``,
    as `make_sweep` takes them) is decided by ``front_end.readings``. Without ``rng`` noise is left
    out, steps and limits stay. ``hidden`` are errors of the parts in standard uncertainties, float
    or (B, 1), from `draw_hidden`; without them every part is as stated. ``load`` (N,), ohm, and its
    tolerance are needed only where ``hidden`` names them.

    BenchError: ``hidden`` names a part that has no tolerance.
    """
    parts = _parts(front_end, hidden, load, loads)
    voltage, current = np.broadcast_arrays(
        np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    )
    if rng is not None:
        voltage = voltage + rng.normal(0.0, front_end.voltage.noise_V or 0.0, voltage.shape)
        current = current + rng.normal(0.0, front_end.current.noise_A or 0.0, current.shape)
    at_input = circuit.to_readings(parts, front_end.divider_at, voltage, current)
    converter = front_end.converter
    written: dict[str, Array] = {}
    for channel, value in zip(CHANNELS, at_input, strict=True):
        settings = getattr(front_end, channel)
        if settings.is_meter:
            digit = settings.resolution
            written[channel] = value if digit is None else np.round(value / digit) * digit
        elif converter is not None:
            code = _converted(value / converter.step, converter, rng)
            coded = front_end.readings == "codes"
            written[f"{channel}_code" if coded else channel] = (
                code if coded else code * converter.step
            )
        else:
            written[channel] = np.array(value)
    if front_end.readings == "scaled":
        return {c: value / circuit.nominal_scale(front_end, c) for c, value in written.items()}
    if front_end.readings == "panel":
        nominal = circuit.nominal_parts(front_end)
        found = circuit.to_panel(nominal, front_end.divider_at, *(written[c] for c in CHANNELS))
        return dict(zip(CHANNELS, map(np.array, found), strict=True))
    return written


def _converted(level: Array, converter: Converter, rng: np.random.Generator | None) -> Array:
    """Return codes for levels in steps: the mean of rounded, limited conversions."""
    if rng is None or converter.noise_counts == 0:
        return np.clip(np.round(level), 0, converter.top)
    total = np.zeros_like(level)
    for _ in range(converter.averages):  # one at a time: many experiments stay in memory
        noisy = level + rng.normal(0.0, converter.noise_counts, level.shape)
        total += np.clip(np.round(noisy), 0, converter.top)
    return total / converter.averages


def _parts(
    front_end: FrontEnd, hidden: Hidden | None, load: ArrayLike | None, loads: Loads | None
) -> Parts:
    parts = circuit.nominal_parts(front_end, load)
    known = _causes(front_end, load, loads)
    used = {}
    for name, count in (hidden or {}).items():
        if name in known:
            used[name] = count
        elif not name.startswith("load ") or load is not None:
            what = f"no tolerance is stated for '{name}'"
            raise BenchError(what, "hidden errors", f"known here: {', '.join(known) or 'none'}")
    return circuit.shifted(parts, known, used)


def _causes(front_end: FrontEnd, load: ArrayLike | None, loads: Loads | None) -> dict[str, Cause]:
    known = circuit.causes(front_end)
    if loads is not None and loads.tolerance_pct and load is not None:
        known |= circuit.load_causes(loads, np.asarray(load, dtype=float))
    return known
