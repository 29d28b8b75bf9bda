"""Ways in which a sweep goes wrong, to teach with and to test what finds them.

Some happen to the experiment (the light drifts, a load is missing) and change its `Course`; some
happen to the readings (a channel sticks, a row is copied) and change the columns written. Each is
drawn at random within what happens on benches; the sizes are common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError

Array = NDArray[np.float64]
Columns = dict[str, Array]


@dataclass(frozen=True)
class Course:
    """How one sweep is taken.

    Attributes
    ----------
    loads : ndarray, shape (N,)
        Stated loads in the order taken, ohm; 0 short circuit, infinity open.
    light : ndarray, shape (N,)
        Light at each reading, as a share of what was meant.
    warming : ndarray, shape (N,)
        How much warmer the cells are than was meant, K.
    shaded : float
        Light on one cell, as a share of the others'; the panel then has two bypass diodes.
    barrier : float
        Voltage that a blocking contact can take up, as a share of Voc.
    extra_load : float
        Resistance in series with every load that nobody stated, ohm.
    """

    loads: Array
    light: Array
    warming: Array
    shaded: float = 1.0
    barrier: float = 0.0
    extra_load: float = 0.0

    @classmethod
    def plain(cls, loads: Any) -> "Course":
        """Return a course in which nothing goes wrong."""
        loads = np.asarray(loads, dtype=float)
        return cls(loads, np.ones(loads.shape), np.zeros(loads.shape))

    def reordered(self, order: Array) -> "Course":
        """Return the course with its loads in another order; light and warming keep theirs."""
        plain = Course.plain(self.loads[order])
        return replace(self, loads=plain.loads, light=plain.light, warming=plain.warming)


@dataclass(frozen=True)
class Setting:
    """What a fault has to know of the panel and the bench.

    Attributes
    ----------
    i_sc, v_oc : float
        A and V.
    best_load : float
        ohm.
    full_scale : float
        Current at which the converter is at its end, A; infinite without one.
    divider_factor : float
        Volts before the divider per volt behind it.
    """

    i_sc: float
    v_oc: float
    best_load: float
    full_scale: float = np.inf
    divider_factor: float = 1.0


@dataclass(frozen=True)
class Break:
    """One way to go wrong.

    Attributes
    ----------
    name : str
    what : str
        In a few words.
    found_as : tuple of str
        Faults, or flags of the fit, any of which is the right name for it.
    course : callable or None
        Changes the course: ``course(course, setting, rng)``.
    columns : callable or None
        Changes the columns written: ``columns(columns, setting, rng)``.
    """

    name: str
    what: str
    found_as: tuple[str, ...]
    course: Callable[[Course, Setting, np.random.Generator], Course] | None = None
    columns: Callable[[Columns, Setting, np.random.Generator], Columns] | None = None


def named(name: str) -> Break:
    """Return the way to go wrong of this name.

    Raises
    ------
    RangeError
        There is none.
    """
    if name not in BREAKS:
        raise RangeError(f"no fault is called '{name}'", "--fault", f"known: {', '.join(BREAKS)}")
    return BREAKS[name]


# Courses


def _back_and_forth(course: Course, rng: np.random.Generator) -> Course:
    """Return the loads in an order in which time and load do not go together."""
    n = len(course.loads)
    if rng.random() < 0.5:
        return course.reordered(rng.permutation(n))
    up = np.argsort(course.loads, kind="stable")
    return course.reordered(np.concatenate([up[::2], up[1::2][::-1]]))


def _either(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))


def _drift(course: Course, _: Setting, rng: np.random.Generator) -> Course:
    course = _back_and_forth(course, rng)
    passed = np.linspace(0.0, 1.0, len(course.loads))
    return replace(course, light=1.0 + _either(rng, 0.05, 0.2) * passed)


def _jump(course: Course, _: Setting, rng: np.random.Generator) -> Course:
    course = _back_and_forth(course, rng)
    n = len(course.loads)
    later = np.arange(n) >= rng.integers(n // 4, n - n // 4)
    return replace(course, light=np.where(later, 1.0 + _either(rng, 0.07, 0.3), 1.0))


def _warm(course: Course, _: Setting, rng: np.random.Generator) -> Course:
    course = _back_and_forth(course, rng)
    passed = np.linspace(0.0, rng.uniform(1.0, 3.0), len(course.loads))
    return replace(course, warming=rng.uniform(8.0, 20.0) * (1.0 - np.exp(-passed)))


def _without(low: float, high: float) -> Callable:
    def change(course: Course, setting: Setting, rng: np.random.Generator) -> Course:
        edges = np.array([low, high]) * setting.best_load * rng.uniform(0.9, 1.1)
        keep = (course.loads < edges[0]) | (course.loads > edges[1])
        return course.reordered(np.flatnonzero(keep))

    return change


def _too_bright(course: Course, setting: Setting, rng: np.random.Generator) -> Course:
    brighter = rng.uniform(1.1, 1.5) * setting.full_scale / setting.i_sc
    if not np.isfinite(brighter):
        raise RangeError("without a converter there is none that can be at its end", "--fault")
    return replace(course, light=course.light * max(brighter, 1.0))


# Columns


def _key(columns: Columns, channel: str) -> str:
    return channel if channel in columns else f"{channel}_code"


def _changed(columns: Columns, channel: str, values: Array) -> Columns:
    return {**columns, _key(columns, channel): values}


def _clip(channel: str) -> Callable:
    low, high = (0.7, 0.92) if channel == "current" else (0.8, 0.93)

    def change(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
        values = columns[_key(columns, channel)]
        limit = rng.uniform(low, high) * np.max(values)
        if "code" in _key(columns, channel):
            limit = np.round(limit)
        return _changed(columns, channel, np.minimum(values, limit))

    return change


def _stick(channel: str) -> Callable:
    """Return what repeats a channel's reading, for loads that move voltage and current."""

    def change(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
        values = columns[_key(columns, channel)].copy()
        across = columns[_key(columns, "current" if channel == "voltage" else "voltage")]
        n, length = len(values), int(rng.integers(4, 8))
        starts = np.arange(1, n - length)

        def moves(x: Array) -> Array:
            return np.array([np.ptp(x[k : k + length]) for k in starts]) / np.max(np.abs(x))

        seen = np.minimum(moves(values), 2 * moves(across))
        likely = starts[seen > min(0.25, 0.8 * np.max(seen))]
        k = int(rng.choice(likely))
        values[k : k + length] = values[k]
        return _changed(columns, channel, values)

    return change


def _coarse(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    channel = str(rng.choice(["voltage", "current"]))
    values = columns[_key(columns, channel)]
    step = np.max(np.abs(values)) / rng.uniform(8.0, 25.0)
    return _changed(columns, channel, np.round(values / step) * step)


def _scaled(channel: str, factor: Callable[[Setting, np.random.Generator], float]) -> Callable:
    def change(columns: Columns, setting: Setting, rng: np.random.Generator) -> Columns:
        values = columns[_key(columns, channel)]
        return _changed(columns, channel, values * factor(setting, rng))

    return change


def _swap(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    one, other = _key(columns, "voltage"), _key(columns, "current")
    return {**columns, one: columns[other], other: columns[one]}


def _power(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    watts = columns["voltage"] * columns["current"]
    return {**columns, "power": watts * float(rng.choice([1e-6, 1e-3, 1e3]))}


def _stray(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Put one reading off where it shows: a current where it is flat, a voltage where steep."""
    channel = str(rng.choice(["voltage", "current"]))
    key = _key(columns, channel)
    values, current = columns[key].copy(), columns[_key(columns, "current")]
    inner = np.arange(1, len(values) - 1)
    flat = current[inner] > 0.7 * np.max(current)
    likely = inner[flat if channel == "current" else ~flat]
    k = int(rng.choice(likely if likely.size else inner))
    top, off = np.max(np.abs(values)), _either(rng, 0.08, 0.3)
    if not 0 <= values[k] + off * top <= top:
        off = -off
    values[k] += off * top
    return {**columns, key: values}


def _repeat(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    n = len(next(iter(columns.values())))
    length = int(rng.integers(2, 5))
    k = int(rng.integers(0, n - length))
    order = np.concatenate([np.arange(k + length), np.arange(k, n)])
    return {name: values[order] for name, values in columns.items()}


def _offset(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    values = columns[_key(columns, "current")]
    return _changed(columns, "current", values + _either(rng, 0.02, 0.06) * np.max(values))


def _noise(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    for channel in ("voltage", "current"):
        values = columns[_key(columns, channel)]
        noise = rng.normal(0.0, rng.uniform(0.03, 0.06) * np.max(values), values.shape)
        columns = _changed(columns, channel, values + noise)
    return columns


def _frozen(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    values = columns[_key(columns, "voltage")]
    return _changed(columns, "voltage", np.full(values.shape, rng.choice(values[values > 0])))


def _forget(columns: Columns, setting: Setting, rng: np.random.Generator) -> Columns:
    """Forget the divider's factor, or apply it twice; codes can only be too small."""
    factor = setting.divider_factor if setting.divider_factor > 3 else 7.667
    key = _key(columns, "voltage")
    if "code" in key or rng.random() < 0.5:
        factor = 1.0 / factor
    return _changed(columns, "voltage", columns[key] * factor)


def _all(*breaks: Break) -> dict[str, Break]:
    return {one.name: one for one in breaks}


BREAKS: dict[str, Break] = _all(
    Break(
        "converter_at_end",
        "more light than the converter's range takes",
        ("clipped_channel",),
        _too_bright,
    ),
    Break(
        "clipped_current",
        "an amplifier at its rail ahead of the converter",
        ("clipped_channel",),
        columns=_clip("current"),
    ),
    Break(
        "clipped_voltage",
        "a voltage channel at its end",
        ("clipped_channel",),
        columns=_clip("voltage"),
    ),
    Break(
        "stuck_current",
        "a current that is not read anew for some loads",
        ("stuck_channel",),
        columns=_stick("current"),
    ),
    Break(
        "stuck_voltage",
        "a voltage that is not read anew for some loads",
        ("stuck_channel",),
        columns=_stick("voltage"),
    ),
    Break("coarse_steps", "a range far too large", ("coarse_steps",), columns=_coarse),
    Break(
        "reversed_current",
        "the current's leads the wrong way round",
        ("reversed_current",),
        columns=_scaled("current", lambda s, r: -1.0),
    ),
    Break(
        "reversed_voltage",
        "the voltage's leads the wrong way round",
        ("reversed_voltage",),
        columns=_scaled("voltage", lambda s, r: -1.0),
    ),
    Break(
        "swapped_columns",
        "voltage and current under each other's heading",
        ("swapped_columns",),
        columns=_swap,
    ),
    Break(
        "no_light", "the lamp is off", ("no_light",), lambda c, s, r: replace(c, light=0 * c.light)
    ),
    Break(
        "one_voltage",
        "a voltage channel that never moves",
        ("one_voltage",),
        columns=_frozen,
    ),
    Break("light_drifted", "a lamp that warms up, or a cloud", ("light_drifted",), _drift),
    Break("light_jumped", "a cloud, or somebody in the light", ("light_jumped",), _jump),
    Break("warmed_up", "cells that warm up under the lamp", ("warmed_up",), _warm),
    Break(
        "step_in_curve",
        "shade on one cell of two bypassed groups",
        ("step_in_curve",),
        lambda c, s, r: replace(c, shaded=r.uniform(0.3, 0.75)),
    ),
    Break(
        "s_shape",
        "a contact that blocks",
        ("s_shape",),
        lambda c, s, r: replace(c, barrier=r.uniform(0.15, 0.35)),
    ),
    Break(
        "no_short_circuit",
        "no small loads",
        ("short_circuit_not_reached",),
        _without(-1.0, 0.62),
    ),
    Break("no_knee", "no loads about the best", ("no_points_at_knee",), _without(0.4, 2.6)),
    Break(
        "no_open_circuit",
        "no large loads",
        ("open_circuit_not_reached",),
        _without(1.45, np.inf),
    ),
    Break(
        "divider_factor",
        "a divider's factor forgotten, or applied twice",
        ("voltage_per_cell",),
        columns=_forget,
    ),
    Break(
        "shunt_factor",
        "a current's factor forgotten",
        ("current_beyond_area",),
        columns=_scaled("current", lambda s, r: float(r.choice([10.0, 20.0, 1000.0]))),
    ),
    Break("power_unit", "a power column under the wrong unit", ("unit_slip",), columns=_power),
    Break("stray_reading", "one reading that does not belong", ("stray_reading",), columns=_stray),
    Break("repeated_rows", "rows copied twice", ("repeated_rows",), columns=_repeat),
    Break(
        "series_resistance",
        "leads and switch in series with every load",
        ("series_resistance_in_load",),
        lambda c, s, r: replace(c, extra_load=r.uniform(0.05, 0.2) * s.best_load),
    ),
    Break(
        "current_offset",
        "a current that is not zero with nothing connected",
        ("current_offset",),
        columns=_offset,
    ),
    Break(
        "noisy_readings",
        "readings that scatter by percents",
        ("noisy_readings", "noise_larger_than_stated"),
        columns=_noise,
    ),
)
