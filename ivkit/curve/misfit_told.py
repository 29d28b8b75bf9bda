"""A suspicion about the curve in words."""

import numpy as np

from ivkit.curve.misfit_ways import Way
from ivkit.readings.fault import Fault, fault, named_points
from ivkit.readings.sweep import Sweep


def told(sweep: Sweep, way: Way, share: float) -> Fault:
    """Return a way to undo a fault, at the size that leaves least, as a fault in words."""
    at, name, size = way.points, way.name, abs(share)
    if name == "step_in_curve" and not at.size:
        at = np.flatnonzero(sweep.current > (1 - 0.7 * size) * np.max(sweep.current))
    rows = named_points(at, sweep.rows)
    low = np.max(sweep.voltage[at]) if at.size else 0.0
    first = named_points(at[:1], sweep.rows)
    words = {
        "stray_reading": f"{rows} lies off the curve of the others",
        "clipped_channel": f"one channel shows the same largest value in {rows}, and the other "
        "readings say that there was more",
        "stuck_channel": f"one channel repeats itself in {rows}, and the other readings say that "
        "it should have moved",
        "light_drifted": f"in the order taken, the light changed by about {size:.0%}",
        "light_jumped": f"from {first} on, the light was about {size:.0%} other than before",
        "warmed_up": f"in the order taken, the voltage fell by about {size:.1%}, as it does when "
        f"silicon warms by about {size / 0.0032:.0f} K",
        "step_in_curve": f"the current steps down by about {size:.0%} of its largest near "
        f"{low:.4g} V",
        "s_shape": "the curve bends the wrong way before open circuit, as when a contact blocks",
        "swapped_columns": "voltage and current seem to be swapped: the other way round they lie "
        "on a panel's curve, as they stand they do not",
    }
    takes_out = name in ("stray_reading", "clipped_channel", "stuck_channel")
    points = at if takes_out or name in ("light_jumped", "step_in_curve") else None
    return fault(name, words[name], points, leave_out=takes_out)
