"""Where a panel is under a lamp: its cells, how far, how tilted, how far off the axis.

Frame: the lamp's centre is the origin and its axis is +z. At no tilt the panel is square to the
axis, its width along x and its height along y.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.light.lamp_shape import Disc, Shape, Strip

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PanelFace:
    """The lit face of a panel: a rectangle tiled by equal cells.

    Attributes
    ----------
    width_m, height_m : float
        Of the area that the cells cover without frame and gaps, m, greater than 0.
    rows, columns : int
        Cells along the height and along the width.
    """

    width_m: float
    height_m: float
    rows: int
    columns: int

    def __post_init__(self) -> None:
        for name in ("width", "height"):
            size = getattr(self, f"{name}_m")
            if not 0.0 < size < np.inf:
                raise RangeError(
                    f"panel {name} {size:g} m is not a size", remedy="give metres, greater than 0"
                )
        for name in ("rows", "columns"):
            count = getattr(self, name)
            if count < 1 or count != int(count):
                raise RangeError(
                    f"{count} {name} of cells cannot be",
                    remedy="give a whole number, at least 1",
                )

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.rows * self.columns

    @property
    def series_order(self) -> NDArray[np.int_]:
        """Cell numbers (row * columns + column) in series order, shape (cells,).

        Up the first column, down the next, as modules are usually wired (common practice, no
        source): bypass groups are neighbouring columns.

        >>> PanelFace(0.2, 0.3, 3, 2).series_order
        array([0, 2, 4, 5, 3, 1])
        """
        number = np.arange(self.cells).reshape(self.rows, self.columns)
        number[:, 1::2] = number[::-1, 1::2]
        return number.T.ravel()

    def samples(self, order: int) -> tuple[Array, Array, Array]:
        """Return Gauss-Legendre places (x, y from the centre, m) and weights that sum to 1 a cell.

        Shape (rows, columns, order, order) each; row 0 at the lower edge, column 0 at the left
        edge.
        """
        node, weight = _legendre(order)
        x = (np.arange(self.columns)[:, None] + node) / self.columns - 0.5
        y = (np.arange(self.rows)[:, None] + node) / self.rows - 0.5
        return np.broadcast_arrays(
            self.width_m * x[None, :, None, :],
            self.height_m * y[:, None, :, None],
            weight[:, None] * weight,
        )


@lru_cache(maxsize=16)
def _legendre(order: int) -> tuple[Array, Array]:
    """Return Gauss-Legendre places between 0 and 1, and weights that sum to 1."""
    node, weight = np.polynomial.legendre.leggauss(order)
    return (node + 1.0) / 2.0, weight / 2.0


@dataclass(frozen=True)
class Placement:
    """Where the panel's centre is, and how it is turned.

    Attributes
    ----------
    distance_m : float
        From the lamp to the plane through the panel's centre square to the lamp's axis, m, above 0.
    tilt_deg : float
        Between the panel's normal and the lamp's axis, above -90 and below 90 deg.
    tilt_axis_deg : float
        Direction of the axis it is tilted about, in the panel's plane, from its width: 0 tilts the
        upper edge away from the lamp, 90 the left edge.
    offset_m : tuple of float
        Of the panel's centre from the lamp's axis, along width and height at no tilt, m.

    Raises
    ------
    RangeError
        A distance or tilt outside its range.
    """

    distance_m: float
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    offset_m: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not 0.0 < self.distance_m < np.inf:
            raise RangeError(
                f"distance {self.distance_m:g} m from lamp to panel cannot be",
                remedy="give metres from the lamp to the panel's centre, greater than 0",
            )
        if not -90.0 < self.tilt_deg < 90.0:
            raise RangeError(
                f"tilt {self.tilt_deg:g} deg turns the panel's back to the lamp",
                remedy="give the angle from facing the lamp, above -90 and below 90 deg",
            )
        if not np.all(np.isfinite((self.tilt_axis_deg, *self.offset_m))):
            raise RangeError("tilt axis and offset must be finite numbers")

    @property
    def centre(self) -> Array:
        """Centre of the panel, m."""
        return np.array([*self.offset_m, self.distance_m])

    @property
    def axes(self) -> tuple[Array, Array, Array]:
        """Unit vectors of the panel: along its width, along its height, its normal to the lamp."""
        tilt, turn = np.radians(self.tilt_deg), np.radians(self.tilt_axis_deg)
        axis = np.array([np.cos(turn), np.sin(turn), 0.0])
        across = np.array([-np.sin(turn), np.cos(turn), 0.0])
        z = np.array([0.0, 0.0, 1.0])
        moved = across * np.cos(tilt) + z * np.sin(tilt)
        normal = across * np.sin(tilt) - z * np.cos(tilt)
        return (
            axis * np.cos(turn) - moved * np.sin(turn),
            axis * np.sin(turn) + moved * np.cos(turn),
            normal,
        )

    def points(self, x: Array, y: Array) -> Array:
        """Return points of the panel, m, shape (..., 3), from places across and up its face, m."""
        width, height, _ = self.axes
        return self.centre + x[..., None] * width + y[..., None] * height


def refuse_collision(shape: Shape, face: PanelFace, placement: Placement) -> None:
    """Raise where the lamp is behind the panel's plane, or the panel cuts through the lamp."""
    _, _, normal = placement.axes
    height = float(-(normal @ placement.centre))
    if height <= 0.0:
        raise RangeError(
            f"the lamp is behind the panel: {-height:.3g} m behind its plane",
            remedy="tilt less or bring the panel back towards the lamp's axis",
        )
    chord = _where_the_plane_cuts(shape, normal, height)
    if chord is None:
        return
    width, up, _ = placement.axes
    start, end = ((point - placement.centre) @ np.stack([width, up], axis=1) for point in chord)
    if _crosses(start, end, face.width_m / 2.0, face.height_m / 2.0):
        raise RangeError(
            f"the lamp, {shape.size:g} m across, is partly inside the panel "
            f"at a distance of {placement.distance_m:g} m",
            remedy="move it away or tilt less; check that lengths are in metres",
        )


def _where_the_plane_cuts(shape: Shape, normal: Array, height: float) -> tuple | None:
    """Return the ends of the line in which the panel's plane cuts the lamp, if it does."""
    if isinstance(shape, Disc):
        turn = float(np.hypot(normal[0], normal[1]))
        if turn * shape.radius_m <= height:
            return None
        up = np.array([normal[0], normal[1], 0.0]) / turn
        foot = -height / turn
        half = np.sqrt(shape.radius_m**2 - foot**2)
        side = np.array([-up[1], up[0], 0.0])
        return foot * up - half * side, foot * up + half * side
    if isinstance(shape, Strip):
        turn = float(normal @ shape.direction)
        if abs(turn) * shape.length_m / 2.0 <= height:
            return None
        point = -height / turn * shape.direction
        return point, point
    return None


def _crosses(start: Array, end: Array, half_width: float, half_height: float) -> bool:
    """Tell whether a segment meets the rectangle about the origin (Liang and Barsky's clipping)."""
    first, last = 0.0, 1.0
    for k, half in ((0, half_width), (1, half_height)):
        run = end[k] - start[k]
        if run == 0.0:
            if abs(start[k]) > half:
                return False
            continue
        enter, leave = sorted(((-half - start[k]) / run, (half - start[k]) / run))
        first, last = max(first, enter), min(last, leave)
    return first <= last
