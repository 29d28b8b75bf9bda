"""A fault: something that is wrong with readings, where, and what to do about it."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: name: (severity, what to do about it). "error": no number from these readings can be trusted;
#: "warning": what they give is off or incomplete; "note": worth knowing, the numbers stand.
KINDS: dict[str, tuple[str, str]] = {
    name: (severity, " ".join(remedy.split()))
    for severity, name, remedy in re.findall(
        r"^(\w+) (\w+): (.*(?:\n    .*)*)",
        """
warning clipped_channel: take a larger divider ratio, a smaller shunt or less gain, and measure
    these points again
warning stuck_channel: check that the channel is converted and logged anew at every load, and its
    wiring
warning coarse_steps: use more of the converter's or meter's range, or average readings that jitter
error reversed_current: swap the leads of shunt or ammeter, or turn the column's sign: current
    counts positive when the panel delivers power
error reversed_voltage: swap the leads of divider or voltmeter
error swapped_columns: name the columns the other way round: --column voltage=... --column
    current=...
error no_light: check the light, the wiring and the range of both channels
error one_voltage: check that the loads were changed, and that the voltage channel follows
warning light_drifted: let the lamp warm up, keep the light steady, and take one load first and last
warning light_jumped: measure again in steady light, or keep only the readings from before or after
    the change
warning warmed_up: let the panel reach a steady temperature first, or take each reading in a second
    or two
warning step_in_curve: look for shade or dirt on some cells, for a bypass diode that conducts, and
    for light that jumped
warning s_shape: check contacts and joints of the panel; five parameters cannot describe it, so use
    the readings themselves
warning no_points_at_knee: add loads about the one of largest power
error voltage_per_cell: check the divider's factor, whether it was applied once, and the number of
    cells
error current_beyond_area: check the shunt and its gain, mA against A, the area, and the irradiance
warning unit_slip: correct the heading; the column itself is not used
warning power_disagrees: check these rows for a wrong digit; the column is not used
warning stray_reading: take this reading again
note repeated_rows: look whether a row was copied, or the logger repeated itself
note series_resistance_in_load: add it to the stated loads: it is in leads, contacts, ammeter or
    switch
warning current_offset: read the current with nothing connected and take it off, or set it as the
    bench's offset
warning noisy_readings: average several readings a load, shorten the leads, and look for a
    flickering lamp
""",
        re.MULTILINE,
    )
}


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a sweep.

    ``name`` is one of `KINDS` or a flag of the fit, ``severity`` note, warning or error; ``points``
    count from 0 in the order taken, empty where it is all of them. ``message`` is a sentence with
    its numbers, without full stop; ``leave_out``: the points have to be left out of any fit.
    """

    name: str
    severity: str
    points: tuple[int, ...]
    message: str
    remedy: str
    leave_out: bool = False

    def __str__(self) -> str:
        return f"{self.message}: {self.remedy}"


def fault(
    name: str, message: str, where: ArrayLike | None = None, leave_out: bool = False
) -> Fault:
    """Return a fault of a known kind; ``where`` is a mask (N,) of the points at fault or their
    numbers.
    """
    severity, remedy = KINDS[name]
    points: Iterable[int] = ()
    if where is not None:
        where = np.asarray(where)
        points = np.flatnonzero(where) if where.dtype == bool else where
    return Fault(name, severity, tuple(int(k) for k in points), message, remedy, leave_out)


def left_out(faults: Iterable[Fault], count: int) -> NDArray[np.bool_]:
    """Return which of ``count`` points the faults take out of a fit, shape (count,)."""
    out = np.zeros(count, dtype=bool)
    for one in faults:
        if one.leave_out:
            out[list(one.points)] = True
    return out


def named_points(points: Iterable[int], rows: NDArray[np.int64] | None) -> str:
    """Return points in words, by their row in the file where it is known.

    >>> named_points([0, 1, 2, 6], None), named_points([1], np.array([4, 5]))
    ('readings 1 to 3, 7', 'row 5')
    """
    numbers = sorted(int(k) + 1 if rows is None else int(rows[k]) for k in points)
    runs: list[list[int]] = []
    for k in numbers:
        if runs and k == runs[-1][1] + 1:
            runs[-1][1] = k
        else:
            runs.append([k, k])
    parts = [f"{a}" if a == b else f"{a}, {b}" if b == a + 1 else f"{a} to {b}" for a, b in runs]
    if len(parts) > 6:
        parts = [*parts[:5], f"and {len(parts) - 5} more"]
    word = "reading" if rows is None else "row"
    return f"{word}{'s' if len(numbers) > 1 else ''} {', '.join(parts)}"
