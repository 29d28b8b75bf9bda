"""Ways in which a sweep goes wrong, to teach with and to test what finds them.

Some change how the sweep is taken, its `Course`, some the columns written; drawn at random within
what happens on benches. Sizes: common practice, no source.
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


#: A line a way: its name, what goes wrong, and what it is found as where that is not its name.
_WAYS = """
converter_at_end | more light than the converter's range takes | clipped_channel
clipped_current | an amplifier at its rail ahead of the converter | clipped_channel
clipped_voltage | a voltage channel at its end | clipped_channel
stuck_current | a current that is not read anew for some loads | stuck_channel
stuck_voltage | a voltage that is not read anew for some loads | stuck_channel
coarse_steps | a range far too large
reversed_current | the current's leads the wrong way round
reversed_voltage | the voltage's leads the wrong way round
swapped_columns | voltage and current under each other's heading
no_light | the lamp is off
one_voltage | a voltage channel that never moves
light_drifted | a lamp that warms up, or a cloud
light_jumped | a cloud, or somebody in the light
warmed_up | cells that warm up under the lamp
step_in_curve | shade on one cell of two bypassed groups
s_shape | a contact that blocks
no_short_circuit | no small loads | short_circuit_not_reached
no_knee | no loads about the best | no_points_at_knee
no_open_circuit | no large loads | open_circuit_not_reached
divider_factor | a divider's factor forgotten, or applied twice | voltage_per_cell
shunt_factor | a current's factor forgotten | current_beyond_area
power_unit | a power column under the wrong unit | unit_slip
stray_reading | one reading that does not belong
repeated_rows | rows copied twice
series_resistance | leads and switch in series with every load | series_resistance_in_load
current_offset | a current that is not zero with nothing connected
noisy_readings | readings that scatter by percents | noisy_readings noise_larger_than_stated
"""
_COURSES: dict[str, Callable[[Course, Setting, np.random.Generator], Course]] = {
    "converter_at_end": courses.too_bright,
    "no_light": lambda c, s, r: replace(c, light=0 * c.light),
    "light_drifted": courses.drift,
    "light_jumped": courses.jump,
    "warmed_up": courses.warm,
    "step_in_curve": lambda c, s, r: replace(c, shaded=r.uniform(0.3, 0.75)),
    "s_shape": lambda c, s, r: replace(c, barrier=r.uniform(0.15, 0.35)),
    "no_short_circuit": courses.without(-1.0, 0.62),
    "no_knee": courses.without(0.4, 2.6),
    "no_open_circuit": courses.without(1.45, np.inf),
    "series_resistance": lambda c, s, r: replace(c, extra_load=r.uniform(0.05, 0.2) * s.best_load),
}
_COLUMNS: dict[str, Callable[[Columns, Setting, np.random.Generator], Columns]] = {
    "clipped_current": columns.clip("current"),
    "clipped_voltage": columns.clip("voltage"),
    "stuck_current": columns.stick("current"),
    "stuck_voltage": columns.stick("voltage"),
    "coarse_steps": columns.coarse,
    "reversed_current": columns.scaled("current", lambda s, r: -1.0),
    "reversed_voltage": columns.scaled("voltage", lambda s, r: -1.0),
    "swapped_columns": columns.swap,
    "one_voltage": columns.frozen,
    "divider_factor": columns.forget,
    "shunt_factor": columns.scaled("current", lambda s, r: float(r.choice([10.0, 20.0, 1000.0]))),
    "power_unit": columns.power,
    "stray_reading": columns.stray,
    "repeated_rows": columns.repeat,
    "current_offset": columns.offset,
    "noisy_readings": columns.noise,
}


def _way(name: str, what: str, found_as: str = "") -> Break:
    found = tuple((found_as or name).split())
    return Break(name, what, found, _COURSES.get(name), _COLUMNS.get(name))


BREAKS: dict[str, Break] = {
    line.split(" | ")[0]: _way(*line.split(" | ")) for line in _WAYS.split("\n") if line
}
