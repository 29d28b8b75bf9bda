"""What file and bench say besides voltage and current: it does not enter the fit, it checks it."""

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """What may be held against a sweep's readings; None where nothing is said.

    Attributes
    ----------
    voltage_read, current_read : ndarray, shape (N,), or None
        As converter or meter gave them, before any correction: V, or A.
    power : ndarray, shape (N,), or None
        A power column that stands beside voltage and current, W; NaN where blank.
    step_power : float or None
        Step of its last digit, W.
    load_at_panel : ndarray, shape (N,), or None
        What the panel should see by the stated load and the stated parts of the front end, ohm.
        None where voltage or current were worked out from it.
    load_tolerance : float or None
        Of the stated loads, plus or minus, as a share.
    irradiance, temp_cell : ndarray, shape (N,), or None
        Columns of the table, W/m2 and degC; NaN where blank.
    area : float or None
        Area of the panel, m2.
    at_end : ndarray of bool, shape (N,), or None
        Where a channel stood at the converter's end.
    taken : Sweep or None
        The sweep as taken, where readings were left out on the way here.
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

    def select(self, keep: NDArray[np.bool_]) -> "Evidence":
        """Return the evidence on the points where ``keep`` (shape (N,), bool) is true."""
        cut: dict[str, Any] = {"taken": None}
        for each in fields(self):
            value = getattr(self, each.name)
            if isinstance(value, np.ndarray):
                cut[each.name] = value[keep]
        return replace(self, **cut)
