"""A lamp over a panel: what falls on each cell, per unit of the intensity along the lamp's axis.

Intensity is in candela for light in lux, in watt per steradian for light in W/m2; how strong a lamp
is and what of its light a cell can use is the business of ``ivkit.light.strength``.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.light.incidence import angle_between
from ivkit.light.lamp_shape import Shape
from ivkit.light.panel_face import PanelFace, Placement, refuse_collision

Array = NDArray[np.float64]

_ORDERS = (3, 6, 12, 24, 48)  # Gauss-Legendre points a cell, each way
_CLOSE = 1e-6


@dataclass(frozen=True)
class PanelLight:
    """What a lamp gives each cell of a panel.

    Attributes
    ----------
    cells : ndarray, shape (rows, columns)
        Mean over each cell of irradiance per axial intensity, 1/m2.
    centre : float
        The same at the panel's centre.
    aoi : ndarray, shape (rows, columns)
        At each cell's centre, between its normal and the way to the lamp's centre, deg.
    face : PanelFace
    """

    cells: Array
    centre: float
    aoi: Array
    face: PanelFace

    @property
    def in_series(self) -> Array:
        """Each cell in series order, 1/m2, shape (cells,)."""
        return self.cells.ravel()[self.face.series_order]


def light_on(shape: Shape, face: PanelFace, placement: Placement) -> PanelLight:
    """Return what falls on each cell of a panel.

    Means of cells are taken at as many points a cell as it takes until they move by less than 1e-6
    of the brightest. RangeError where the lamp is behind the panel or inside it.
    """
    refuse_collision(shape, face, placement)
    normal = placement.axes[2]
    mean = np.inf
    for order in _ORDERS:
        x, y, weight = face.samples(order)
        share = shape.per_intensity(placement.points(x, y), normal)
        before, mean = mean, (share * weight).sum(axis=(-2, -1))
        if np.max(np.abs(mean - before)) <= _CLOSE * mean.max():
            break
    middle_x, middle_y, _ = (part[..., 0, 0] for part in face.samples(1))
    return PanelLight(
        mean,
        float(shape.per_intensity(placement.centre, normal)),
        angle_between(normal, -placement.points(middle_x, middle_y)),
        face,
    )


def effective_irradiance_from_cell(i_sc: Any, i_sc_stc: Any) -> Any:
    """Return the effective irradiance (W/m2) that a known cell reads by its short-circuit current.

    ``i_sc`` (A, 0 or greater) is measured at about 25 degC, ``i_sc_stc`` (A, greater than 0)
    belongs to 1000 W/m2, AM1.5G, 25 degC; both may be uncertain. It holds for a panel of the same
    spectral response; another technology sees the lamp otherwise (``ivkit.light.spectrum``).

    >>> effective_irradiance_from_cell(0.0124, 0.62)
    20.0
    """
    if not 0.0 <= _nominal(i_sc) < np.inf:
        raise RangeError(f"short-circuit current {i_sc:g} A is not 0 or greater")
    if not 0.0 < _nominal(i_sc_stc) < np.inf:
        raise RangeError(
            f"short-circuit current {i_sc_stc:g} A at STC is not greater than 0",
            remedy="take it from the cell's label or calibration",
        )
    return 1000.0 * i_sc / i_sc_stc


def _nominal(value: Any) -> float:
    """Return the estimate of a number that may be uncertain."""
    return getattr(value, "nominal_value", value)
