"""Ways in which a sweep goes wrong, to teach with and to test what finds them.

Some happen to the experiment (the light drifts, a load is missing) and change its `Course`; some
happen to the readings (a channel sticks, a row is copied) and change the columns written. Each is
drawn at random within what happens on benches; the sizes are common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ivkit.errors import RangeError
from ivkit.readings import broken_columns as columns
from ivkit.readings import broken_course as courses
from ivkit.readings.course import Columns, Course, Setting

__all__ = ["BREAKS", "Break", "Course", "Setting", "named"]


@dataclass(frozen=True)
class Break:
    """One way to go wrong: its name; what happens, in a few words; the faults or flags of the fit
    any of which is the right name for it; and what it changes, as ``change(course or columns,
    setting, rng)``.
    """

    name: str
    what: str
    found_as: tuple[str, ...]
    course: Callable[[Course, Setting, np.random.Generator], Course] | None = None
    columns: Callable[[Columns, Setting, np.random.Generator], Columns] | None = None


def named(name: str) -> Break:
    """Return the way to go wrong of this name. RangeError: there is none."""
    if name not in BREAKS:
        raise RangeError(f"no fault is called '{name}'", "--fault", f"known: {', '.join(BREAKS)}")
    return BREAKS[name]


def _all(*breaks: Break) -> dict[str, Break]:
    return {one.name: one for one in breaks}


BREAKS: dict[str, Break] = _all(
    Break(
        "converter_at_end",
        "more light than the converter's range takes",
        ("clipped_channel",),
        courses.too_bright,
    ),
    Break(
        "clipped_current",
        "an amplifier at its rail ahead of the converter",
        ("clipped_channel",),
        columns=columns.clip("current"),
    ),
    Break(
        "clipped_voltage",
        "a voltage channel at its end",
        ("clipped_channel",),
        columns=columns.clip("voltage"),
    ),
    Break(
        "stuck_current",
        "a current that is not read anew for some loads",
        ("stuck_channel",),
        columns=columns.stick("current"),
    ),
    Break(
        "stuck_voltage",
        "a voltage that is not read anew for some loads",
        ("stuck_channel",),
        columns=columns.stick("voltage"),
    ),
    Break("coarse_steps", "a range far too large", ("coarse_steps",), columns=columns.coarse),
    Break(
        "reversed_current",
        "the current's leads the wrong way round",
        ("reversed_current",),
        columns=columns.scaled("current", lambda s, r: -1.0),
    ),
    Break(
        "reversed_voltage",
        "the voltage's leads the wrong way round",
        ("reversed_voltage",),
        columns=columns.scaled("voltage", lambda s, r: -1.0),
    ),
    Break(
        "swapped_columns",
        "voltage and current under each other's heading",
        ("swapped_columns",),
        columns=columns.swap,
    ),
    Break(
        "no_light", "the lamp is off", ("no_light",), lambda c, s, r: replace(c, light=0 * c.light)
    ),
    Break(
        "one_voltage",
        "a voltage channel that never moves",
        ("one_voltage",),
        columns=columns.frozen,
    ),
    Break("light_drifted", "a lamp that warms up, or a cloud", ("light_drifted",), courses.drift),
    Break("light_jumped", "a cloud, or somebody in the light", ("light_jumped",), courses.jump),
    Break("warmed_up", "cells that warm up under the lamp", ("warmed_up",), courses.warm),
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
        courses.without(-1.0, 0.62),
    ),
    Break("no_knee", "no loads about the best", ("no_points_at_knee",), courses.without(0.4, 2.6)),
    Break(
        "no_open_circuit",
        "no large loads",
        ("open_circuit_not_reached",),
        courses.without(1.45, np.inf),
    ),
    Break(
        "divider_factor",
        "a divider's factor forgotten, or applied twice",
        ("voltage_per_cell",),
        columns=columns.forget,
    ),
    Break(
        "shunt_factor",
        "a current's factor forgotten",
        ("current_beyond_area",),
        columns=columns.scaled("current", lambda s, r: float(r.choice([10.0, 20.0, 1000.0]))),
    ),
    Break(
        "power_unit", "a power column under the wrong unit", ("unit_slip",), columns=columns.power
    ),
    Break(
        "stray_reading",
        "one reading that does not belong",
        ("stray_reading",),
        columns=columns.stray,
    ),
    Break("repeated_rows", "rows copied twice", ("repeated_rows",), columns=columns.repeat),
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
        columns=columns.offset,
    ),
    Break(
        "noisy_readings",
        "readings that scatter by percents",
        ("noisy_readings", "noise_larger_than_stated"),
        columns=columns.noise,
    ),
)
