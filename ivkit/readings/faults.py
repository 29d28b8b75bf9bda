"""What is wrong with these readings, and where: everything that can be told without a fit.

Each fault is found by one function in `CHECKS`. What only shows against a fitted curve (a stray
reading, light that drifted, a step, an S-shape) is found by `ivkit.curve.misfit`.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.fault import Fault, left_out
from ivkit.readings.faults_channels import at_end, coarse, reversed_or_dark, stuck, swapped
from ivkit.readings.faults_rows import gap_at_knee, monitored, repeated
from ivkit.readings.faults_scale import (
    current_beyond_area,
    power_column,
    stated_loads,
    voltage_per_cell,
)
from ivkit.readings.sweep import Sweep

__all__ = ["CHECKS", "Checked", "Fault", "check", "find_faults"]

CHECKS: tuple[Callable[[Sweep], Iterable[Fault]], ...] = (
    *(at_end, stuck, repeated, coarse, reversed_or_dark, swapped),
    *(voltage_per_cell, current_beyond_area, power_column, stated_loads, monitored, gap_at_knee),
)
#: Faults that explain others away: with one of them, these are not told as well.
_EXPLAINS = {
    "no_light": {"coarse_steps", "stuck_channel", "voltage_per_cell", "no_points_at_knee",
                 "current_offset", "series_resistance_in_load", "power_disagrees",
                 "repeated_rows", "one_voltage", "swapped_columns"},
    "one_voltage": {"stuck_channel", "clipped_channel", "coarse_steps", "current_offset",
                    "series_resistance_in_load", "swapped_columns", "no_points_at_knee"},
    "swapped_columns": {"voltage_per_cell", "current_beyond_area", "current_offset",
                        "series_resistance_in_load", "stuck_channel", "clipped_channel"},
    "voltage_per_cell": {"current_offset", "series_resistance_in_load"},
    "current_beyond_area": {"current_offset", "series_resistance_in_load"},
    "stuck_channel": {"current_offset", "series_resistance_in_load"},
    "clipped_channel": {"current_offset", "series_resistance_in_load", "no_points_at_knee"},
    "coarse_steps": {"stuck_channel", "clipped_channel", "repeated_rows"},
}  # fmt: skip


@dataclass(frozen=True)
class Checked:
    """A sweep that was looked through: every reading as ``taken``, in which the points of the
    ``faults`` count, and those that a fit may use, ``keep`` (N,).
    """

    taken: Sweep
    faults: tuple[Fault, ...]
    keep: NDArray[np.bool_]

    @property
    def sweep(self) -> Sweep:
        """The readings that a fit may use."""
        return self.taken if np.all(self.keep) else self.taken.select(self.keep)


def find_faults(sweep: Sweep) -> list[Fault]:
    """Return what is wrong with a sweep; points count from 0 in the order taken, and still stand in
    it.
    """
    found = [one for look in CHECKS for one in look(sweep)]
    hidden = set().union(*(_EXPLAINS.get(one.name, ()) for one in found))
    return [one for one in found if one.name not in hidden]


def check(sweep: Sweep) -> Checked:
    """Look through a sweep and say which readings a fit may use.

    >>> sweep = Sweep(np.array([1.0, 2.0, 3.0]), np.array([-0.3, -0.2, -0.1]))
    >>> [str(one) for one in check(sweep).faults][0][:58]
    'the current is negative where the panel delivers power: sw'
    """
    taken = sweep.evidence.taken or sweep
    if taken is not sweep:
        taken = replace(taken, notes=sweep.notes)
    faults = tuple(find_faults(taken))
    return Checked(taken, faults, ~left_out(faults, len(taken)))
