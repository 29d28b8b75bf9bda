"""What file and bench say besides voltage and current: it does not enter the fit, it checks it."""

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]


def selected(record: Any, keep: NDArray[np.bool_], **changes: Any) -> Any:
    """Return a dataclass with each of its arrays on the points where ``keep`` (N,) is true."""
    values = {each.name: getattr(record, each.name) for each in fields(record)}
    cut = {name: x[keep] for name, x in values.items() if isinstance(x, np.ndarray)}
    return replace(record, **cut, **changes)


@dataclass(frozen=True)
class Evidence:
    """What may be held against a sweep's readings; arrays of shape (N,), None where nothing is
    said.

    ``voltage_read``, ``current_read``: as converter or meter gave them, uncorrected, V (or A).
    ``power``: a column beside voltage and current, W, NaN where blank; ``step_power``: of its last
    digit, W. ``load_at_panel``: what the panel should see by the stated load and front end, ohm;
    None where voltage or current were worked out from it. ``load_tolerance``: plus or minus, as a
    fraction. ``irradiance``, ``temp_cell``: columns, W/m2 and degC, NaN where blank. ``area``: of
    the panel, m2. ``at_end``: where a channel stood at the converter's end. ``taken``: the sweep as
    taken, where readings were left out on the way here.
    """

    voltage_read: Array | None = None
    current_read: Array | None = None
    power: Array | None = None
    step_power: float | None = None
    load_at_panel: Array | None = None
    load_tolerance: float | None = None
    irradiance: Array | None = None
    temp_cell: Array | None = None
    area: float | None = None
    at_end: NDArray[np.bool_] | None = None
    taken: "Sweep | None" = None
