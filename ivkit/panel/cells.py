"""A panel taken apart into its cells, each in its own light.

One cell of N equal ones in series carries the panel's current at 1/N of its voltage: photocurrent
and saturation current are the panel's, both resistances and nNsVth are 1/N of it.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ivkit.curve.diode import SingleDiode
from ivkit.curve.reverse import SILICON, Breakdown
from ivkit.curve.string import SeriesString
from ivkit.errors import RangeError
from ivkit.light.panel_face import PanelFace
from ivkit.panel.conditions import ReferencePanel


def cells_under(
    panel: ReferencePanel,
    effective_irradiance: ArrayLike,
    temp_cell: ArrayLike,
    *,
    bypass_groups: int | Sequence[int] = 0,
    bypass_drop: float = 0.5,
    breakdown: Breakdown | None = SILICON,
) -> SeriesString:
    """Return the panel's string of cells under unequal light.

    Parameters
    ----------
    panel : One string of ``panel.cells`` equal cells.
    effective_irradiance : array_like, shape (..., cells). Of each cell in series order, W/m2, 0 or
        greater.
    temp_cell : array_like. degC, broadcasts with ``effective_irradiance``.
    bypass_groups, bypass_drop, breakdown : As in `SeriesString`.

    Raises RangeError: the number of cells is not known or is not that of the light.
    """
    if panel.cells is None:
        what = "the number of cells of the panel is not known"
        raise RangeError(what, remedy="give it: near a lamp each cell has its own light")
    light = np.asarray(effective_irradiance, dtype=float)
    if light.ndim == 0 or light.shape[-1] != panel.cells:
        given = light.shape[-1] if light.ndim else 1
        what = f"light for {given} cells, but the panel has {panel.cells} in series"
        raise RangeError(what, remedy="make rows times columns the number of cells")
    whole = panel.at(light, temp_cell)
    parts = (getattr(whole, name) for name in ("resistance_series", "resistance_shunt", "nNsVth"))
    currents = whole.photocurrent, whole.saturation_current
    one = SingleDiode(*currents, *(part / panel.cells for part in parts))
    return SeriesString(one, bypass_groups, bypass_drop, breakdown)


def usual_face(panel: Any) -> PanelFace | None:
    """Return square cells that tile a panel's area, as near to a square as their number allows.

    None where area or cells are not known.
    """
    if panel.area_m2 is None or panel.cells is None:
        return None
    count = panel.cells * panel.strings
    rows = max(k for k in range(1, int(count**0.5) + 1) if count % k == 0)
    columns = count // rows
    side = (panel.area_m2 / count) ** 0.5
    return PanelFace(columns * side, rows * side, rows, columns)
