"""The circuit between panel and number: backward from readings to the panel, forward to readings.

Both directions are written once, over a set of *parts* (resistors, gains, zeros). An effect is
then the same backward step with one part off by a standard uncertainty, and a simulated
experiment is the forward step with hidden parts; the two cannot drift apart.

The circuit, for ``divider_at = "panel"`` and ``"load"``::

    panel +--------+---- series ----+        panel +---- series ----+--------+
          |        |                |              |                |        |
          |     divider           load             |             divider   load
          |        |                |              |                |        |
          +--------+----------------+              +----------------+--------+

``series`` is the shunt, or the ammeter with its leads. At "panel" the divider's current is
missing from the measured current; at "load" the drop over ``series`` is missing from the
measured voltage. Everything here broadcasts: points along the last axis, experiments before it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.bench import FrontEnd, Loads

Array = NDArray[np.float64]
Parts = dict[str, Any]

RECTANGULAR = 1 / sqrt(3)  # standard uncertainty over half-width, GUM 4.3.7
QUANTISATION = 1 / sqrt(12)  # standard uncertainty over one step, GUM F.2.2.1


@dataclass(frozen=True)
class Cause:
    """A part known only within a tolerance: key into the parts, standard uncertainty as a fraction
    of its value (``relative``) or in its own unit, and the points touched (bool, shape (N,); None:
    all).
    """

    part: str
    u: float
    relative: bool = True
    where: NDArray[np.bool_] | None = None


def nominal_parts(front_end: FrontEnd, load: ArrayLike | None = None) -> Parts:
    """Return the parts at their stated values; resistances in ohm, zeros in V (meters: V or A)."""
    volt, ampere, converter = front_end.voltage, front_end.current, front_end.converter
    volt_by_converter = converter is not None and not volt.is_meter
    ampere_by_converter = converter is not None and not ampere.is_meter
    zero_code = converter.offset_counts * converter.step if converter else 0.0
    return {
        "divider top": volt.divider_top_ohm or 0.0,
        "divider bottom": volt.divider_bottom_ohm if volt.has_divider else np.inf,
        "input impedance": volt.input_impedance_ohm or np.inf,
        "voltage gain": volt.gain,
        "voltage offset": volt.offset_V,
        "shunt": ampere.shunt_ohm or 0.0,
        "burden": ampere.burden_ohm,
        "current gain": ampere.gain,
        "current offset": ampere.offset_V,
        "reference": 1.0,
        "voltage by converter": volt_by_converter,
        "current by converter": ampere_by_converter,
        "voltage zero code": zero_code if volt_by_converter else 0.0,
        "current zero code": zero_code if ampere_by_converter else 0.0,
        "zero code": 0.0,
        "voltmeter scale": 1.0,
        "voltmeter zero": 0.0,
        "ammeter scale": 1.0,
        "ammeter zero": 0.0,
        "load": None if load is None else np.asarray(load, dtype=float),
    }


def causes(
    front_end: FrontEnd,
    loads: Loads | None = None,
    load: ArrayLike | None = None,
    from_load: str | None = None,
) -> dict[str, Cause]:
    """Return what is uncertain about the parts, by name.

    ``loads`` has the load resistors' tolerance, or the usual one where it is not stated; ``load``
    the stated load of each point, ohm, shape (N,), each value a resistor of its own unless
    ``loads.shared_tolerance``. ``from_load`` is what is not measured but follows from the load by
    Ohm's law: "voltage", "current" or None.
    """
    volt, ampere, converter = front_end.voltage, front_end.current, front_end.converter
    found: dict[str, Cause] = {}

    def tolerance(name: str, part: str, half_width: float | None, relative: bool = True) -> None:
        if half_width:
            half_width = half_width / 100 if relative else half_width
            found[name] = Cause(part, half_width * RECTANGULAR, relative)

    if volt.has_divider:
        for end in ("top", "bottom"):
            own = getattr(volt, f"divider_{end}_tolerance_pct")
            half_width = volt.tolerance_pct if own is None else own
            tolerance(f"divider {end}", f"divider {end}", half_width)
    if ampere.shunt_ohm is not None:
        tolerance("shunt", "shunt", ampere.shunt_tolerance_pct)
    if ampere.burden_ohm:
        tolerance("burden", "burden", ampere.burden_tolerance_pct)
    by_converter = False
    for word, channel, meter in (("voltage", volt, "voltmeter"), ("current", ampere, "ammeter")):
        if from_load == word:
            continue
        tolerance(f"{word} amplifier gain", f"{word} gain", channel.gain_tolerance_pct)
        tolerance(f"{word} zero", f"{word} offset", channel.offset_tolerance_V, relative=False)
        if channel.is_meter:
            counts = (channel.accuracy_counts or 0.0) * (channel.resolution or 0.0)
            tolerance(f"{meter} scale", f"{meter} scale", channel.accuracy_pct_of_reading)
            tolerance(f"{meter} zero", f"{meter} zero", counts, relative=False)
        by_converter |= converter is not None and not channel.is_meter
    if by_converter:
        counts = (converter.offset_tolerance_counts or 0.0) * converter.step
        tolerance("converter reference", "reference", converter.reference_tolerance_pct)
        tolerance("converter zero", "zero code", counts, relative=False)
    if from_load and loads is not None and loads.u_fraction and load is not None:
        found |= load_causes(loads, np.asarray(load, dtype=float))
    return found


def load_causes(loads: Loads, load: Array) -> dict[str, Cause]:
    """Return the causes that the loads' tolerance makes, by name; ``load`` in ohm, shape (N,)."""
    u = loads.u_fraction
    if loads.shared_tolerance:
        return {"load resistors": Cause("load", u)}
    known = np.unique(load[np.isfinite(load) & (load > 0)])
    return {f"load {value:g} ohm": Cause("load", u, where=load == value) for value in known}


def shifted(parts: Parts, known: Mapping[str, Cause], by: Mapping[str, ArrayLike]) -> Parts:
    """Return the parts with some causes off by ``by`` standard uncertainties, scalar or shape (B,
    1).
    """
    parts = dict(parts)
    for name, count in by.items():
        cause = known[name]
        change = np.asarray(count, dtype=float) * cause.u
        if cause.where is not None:
            change = change * cause.where
        old = parts[cause.part]
        parts[cause.part] = old * (1 + change) if cause.relative else old + change
    return parts


def divider_ratio(parts: Parts) -> Any:
    """Return volts behind the divider per volt before it, what it feeds included."""
    if np.all(np.isinf(parts["divider bottom"])):
        return 1.0
    lower = _parallel(parts["divider bottom"], parts["input impedance"])
    return lower / (parts["divider top"] + lower)


def divider_resistance(parts: Parts) -> Any:
    """Return the resistance that the voltage channel puts across the circuit, ohm."""
    return parts["divider top"] + _parallel(parts["divider bottom"], parts["input impedance"])


def series_resistance(parts: Parts) -> Any:
    """Return the resistance of shunt, ammeter and leads in the load's branch, ohm."""
    return parts["shunt"] + parts["burden"]


def _parallel(one: Any, other: Any) -> Any:
    with np.errstate(divide="ignore"):  # 1/0 is an ideal conductor, 1/inf none at all
        return 1 / (1 / np.asarray(one) + 1 / np.asarray(other))


def _amperes_to_volts(parts: Parts) -> Any:
    """Return what the current channel makes of one ampere: V with a shunt, 1 with a meter."""
    shunt = parts["shunt"]
    return parts["current gain"] * (1.0 if np.all(shunt == 0) else shunt)


def nominal_scale(front_end: FrontEnd, channel: str) -> float:
    """Return the factor by which people's own programs turn instrument volts back, inverted.

    Volts at the converter per volt before the divider, or per ampere, from the stated parts alone:
    nobody's program knows what the divider feeds.
    """
    volt, ampere = front_end.voltage, front_end.current
    if channel == "current":
        return ampere.gain * (1.0 if ampere.shunt_ohm is None else ampere.shunt_ohm)
    if not volt.has_divider:
        return volt.gain
    return volt.gain * volt.divider_bottom_ohm / (volt.divider_top_ohm + volt.divider_bottom_ohm)


def to_panel(
    parts: Parts, divider_at: str | None, voltage: ArrayLike | None, current: ArrayLike | None
) -> tuple[Array, Array]:
    """Return voltage (V) and current (A) at the panel's terminals.

    ``voltage`` and ``current`` are those at the converter's input (at its nominal reference) or as
    the meter shows them: V; with a current meter A. One of them may be None, the known load then
    gives it by Ohm's law. ``divider_at`` is "panel", "load", or None, which corrects nothing.
    """
    across, series = divider_resistance(parts), series_resistance(parts)
    if voltage is None or current is None:
        between = {  # what the measured voltage and current have between them
            "panel": lambda: parts["load"] + series,
            "load": lambda: _parallel(parts["load"], across),
            None: lambda: parts["load"],
        }[divider_at]()
    if voltage is not None:
        behind = _unread(parts, "voltage", voltage) - parts["voltage offset"]
        volts = behind / (divider_ratio(parts) * parts["voltage gain"])
    if current is not None:
        amperes = _unread(parts, "current", current) - parts["current offset"]
        amperes = amperes / _amperes_to_volts(parts)
    if voltage is None:
        volts = amperes * between
    if current is None:
        amperes = volts / between
    if divider_at == "panel":
        amperes = amperes + volts / across
    elif divider_at == "load":
        volts = volts + amperes * series
    return np.broadcast_arrays(volts, amperes)


def to_readings(
    parts: Parts, divider_at: str | None, voltage: ArrayLike, current: ArrayLike
) -> tuple[Array, Array]:
    """Return what converter or meter see of a panel's voltage (V) and current (A), before noise and
    steps: the exact inverse of `to_panel`.
    """
    volts, amperes = np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    if divider_at == "panel":
        amperes = amperes - volts / divider_resistance(parts)
    elif divider_at == "load":
        volts = volts - amperes * series_resistance(parts)
    volts = volts * divider_ratio(parts) * parts["voltage gain"] + parts["voltage offset"]
    amperes = amperes * _amperes_to_volts(parts) + parts["current offset"]
    return _read(parts, "voltage", volts), _read(parts, "current", amperes)


def load_at_panel(parts: Parts, divider_at: str | None) -> Array:
    """Return the resistance that the panel sees when the parts' load is connected, ohm."""
    load, across, series = parts["load"], divider_resistance(parts), series_resistance(parts)
    with np.errstate(divide="ignore"):  # a short circuit conducts without limit
        if divider_at == "panel":
            return _parallel(load + series, across)
        if divider_at == "load":
            return series + _parallel(load, across)
    return np.asarray(load)


def _instrument(parts: Parts, channel: str) -> tuple[Any, Any, Any]:
    meter = "voltmeter" if channel == "voltage" else "ammeter"
    scale, zero = parts[f"{meter} scale"], parts[f"{meter} zero"]
    if parts[f"{channel} by converter"]:
        scale, zero = scale * parts["reference"], zero + parts["zero code"]
    return scale, zero, parts[f"{channel} zero code"]


def _unread(parts: Parts, channel: str, reading: ArrayLike) -> Array:
    """Return what was truly there when converter or meter gave this reading."""
    scale, zero, zero_code = _instrument(parts, channel)
    return (np.asarray(reading, dtype=float) - zero_code) * scale + zero


def _read(parts: Parts, channel: str, truth: Array) -> Array:
    scale, zero, zero_code = _instrument(parts, channel)
    return (truth - zero) / scale + zero_code
