"""A lamp of known strength over a panel: what falls on each cell.

The strength is the intensity along the lamp's axis, in candela when readings are in lux and in watt
per steradian when they are in W/m2. It comes from a reading at the panel, from one reading at one
distance, from the watts and the efficacy on the box, or from the current of a known cell. What
falls on a place is that intensity times a number that only the geometry gives
(``ivkit.light.lamp_shape``). What of it a cell can use is the business of
``ivkit.light.spectrum``: multiply by its effective irradiance per lux with `Lamp.times`.
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
_GREATEST_EFFICACY = 683.0
"""lm/W: no light has more, by the definition of the candela (SI brochure)."""


@dataclass(frozen=True)
class PanelLight:
    """What a lamp gives each cell of a panel.

    Attributes
    ----------
    intensity : float or uncertain number
        Along the lamp's axis, cd or W/sr.
    per_intensity : ndarray, shape (rows, columns)
        Mean over each cell of irradiance per intensity, 1/m2.
    centre_per_intensity : float
        The same at the panel's centre.
    aoi : ndarray, shape (rows, columns)
        At each cell's centre, between its normal and the way to the lamp's centre, deg.
    face : PanelFace
    """

    intensity: Any
    per_intensity: Array
    centre_per_intensity: float
    aoi: Array
    face: PanelFace

    @property
    def cells(self) -> Any:
        """Irradiance of each cell, lx or W/m2, shape (rows, columns)."""
        return self.intensity * self.per_intensity

    @property
    def in_series(self) -> Any:
        """Irradiance of each cell in series order, lx or W/m2, shape (cells,)."""
        return self.cells.ravel()[self.face.series_order]

    @property
    def centre(self) -> Any:
        """Irradiance at the panel's centre, lx or W/m2."""
        return self.intensity * self.centre_per_intensity

    @property
    def mean(self) -> Any:
        """Mean over the panel, lx or W/m2."""
        return self.intensity * float(self.per_intensity.mean())

    @property
    def evenness(self) -> float:
        """Darkest cell over brightest, 0 to 1; NaN when no cell is lit."""
        most = self.per_intensity.max()
        return float(self.per_intensity.min() / most) if most > 0 else float("nan")


@dataclass(frozen=True)
class Lamp:
    """A lamp: its shape, its intensity along the axis, and the unit that goes with it.

    Attributes
    ----------
    shape : Point, Beam, Strip or Disc
    intensity : float or uncertain number
        cd when ``unit`` is ``"lx"``, W/sr when it is ``"W_m2"``, 0 or greater.
    unit : str
        Of what falls on a surface: ``"lx"`` or ``"W_m2"``.

    Examples
    --------
    >>> from ivkit.light.lamp_shape import Disc
    >>> lamp = Lamp.from_reading(Disc(radius_m=0.1), reading=800.0, distance_m=1.0)
    >>> print(round(lamp.at(0.5), 1))  # not 3200: the disc is no point at half a metre
    3107.7
    """

    shape: Shape
    intensity: Any
    unit: str = "lx"

    def __post_init__(self) -> None:
        if self.unit not in ("lx", "W_m2"):
            raise RangeError(f"unit {self.unit!r} of light is unknown", remedy="give lx or W_m2")
        if not 0.0 <= _nominal(self.intensity) < np.inf:
            raise RangeError(f"intensity {self.intensity:g} of a lamp is not 0 or greater")

    @classmethod
    def from_reading(
        cls, shape: Shape, reading: Any, distance_m: float, unit: str = "lx"
    ) -> "Lamp":
        """Return the lamp that gives a meter on its axis, facing it, one reading at one distance.

        Parameters
        ----------
        reading : float or uncertain number
            lx or W/m2, 0 or greater.
        distance_m : float
            m, greater than 0.
        """
        _refuse_negative("reading", reading, unit)
        return cls(shape, reading / _on_axis(shape, distance_m), unit)

    @classmethod
    def from_panel_centre(
        cls,
        shape: Shape,
        reading: Any,
        placement: Placement,
        unit: str = "lx",
        meter_faces_lamp: bool = False,
    ) -> "Lamp":
        """Return the lamp that gives one reading at the centre of a panel.

        Parameters
        ----------
        reading : float or uncertain number
            lx or W/m2, 0 or greater.
        placement : Placement
            Of the panel.
        meter_faces_lamp : bool
            Whether the meter was turned to the lamp; else it lay flat on the panel.
        """
        _refuse_negative("reading", reading, unit)
        centre = placement.centre
        normal = -centre / np.linalg.norm(centre) if meter_faces_lamp else placement.axes[2]
        share = float(shape.per_intensity(centre, normal))
        if share <= 0.0:
            raise RangeError(
                "no light of the lamp reaches the panel's centre",
                remedy="tilt less or bring the panel back towards the lamp's axis",
            )
        return cls(shape, reading / share, unit)

    @classmethod
    def from_power(cls, shape: Shape, power_W: Any, efficacy_lm_W: Any) -> "Lamp":
        """Return the lamp that turns electrical watts into lumens, all of it into its shape.

        Parameters
        ----------
        power_W : float or uncertain number
            Electrical power, W, greater than 0.
        efficacy_lm_W : float or uncertain number
            Luminous flux over electrical power, lm/W, greater than 0: 16 to 24 for halogen lamps
            (TRILUX, lighting practice; archlight 2007), about 100 for LEDs (common practice, no
            source).
        """
        if not 0.0 < _nominal(power_W) < np.inf:
            raise RangeError(f"lamp power {power_W:g} W is not greater than 0")
        if not 0.0 < _nominal(efficacy_lm_W) <= _GREATEST_EFFICACY:
            raise RangeError(
                f"efficacy {efficacy_lm_W:g} lm/W is not that of a lamp",
                remedy=f"expected above 0 and at most {_GREATEST_EFFICACY:g} lm/W",
            )
        return cls(shape, power_W * efficacy_lm_W / shape.solid_angle, "lx")

    def times(self, factor: Any, unit: str) -> "Lamp":
        """Return the lamp in another unit, as W/m2 of effective irradiance per lux."""
        return Lamp(self.shape, self.intensity * factor, unit)

    def at(self, distance_m: float) -> Any:
        """Return what a meter on the axis, facing the lamp, reads at a distance (m), lx or W/m2."""
        return self.intensity * _on_axis(self.shape, distance_m)

    def on(self, face: PanelFace, placement: Placement) -> PanelLight:
        """Return what falls on each cell of a panel.

        Means of cells are taken at as many points a cell as it takes until they move by less than
        1e-6 of the brightest.

        Raises
        ------
        RangeError
            The lamp is behind the panel or inside it.
        """
        refuse_collision(self.shape, face, placement)
        normal = placement.axes[2]
        mean = np.inf
        for order in _ORDERS:
            x, y, weight = face.samples(order)
            share = self.shape.per_intensity(placement.points(x, y), normal)
            before, mean = mean, (share * weight).sum(axis=(-2, -1))
            if np.max(np.abs(mean - before)) <= _CLOSE * mean.max():
                break
        middle_x, middle_y, _ = (part[..., 0, 0] for part in face.samples(1))
        return PanelLight(
            self.intensity,
            mean,
            float(self.shape.per_intensity(placement.centre, normal)),
            angle_between(normal, -placement.points(middle_x, middle_y)),
            face,
        )


def effective_irradiance_from_cell(
    i_sc: Any, i_sc_stc: Any, temp_cell: Any = 25.0, alpha_rel: Any = 0.0
) -> Any:
    """Return the effective irradiance (W/m2) that a known cell reads by its short-circuit current.

    Parameters
    ----------
    i_sc : float or uncertain number
        Measured, A, 0 or greater.
    i_sc_stc : float or uncertain number
        At 1000 W/m2, AM1.5G, 25 degC, A, greater than 0.
    temp_cell : float or uncertain number
        Of that cell, degC.
    alpha_rel : float or uncertain number
        Temperature coefficient of its current, 1/K (0.05 %/K is 0.0005).

    It is the irradiance for a panel of the same spectral response; another technology sees the lamp
    otherwise (``ivkit.light.spectrum``).

    Examples
    --------
    >>> effective_irradiance_from_cell(0.0124, 0.62)
    20.0
    """
    _refuse_negative("short-circuit current", i_sc, "A")
    if not 0.0 < _nominal(i_sc_stc) < np.inf:
        raise RangeError(
            f"short-circuit current {i_sc_stc:g} A at STC is not greater than 0",
            remedy="take it from the cell's label or calibration",
        )
    return 1000.0 * i_sc / (i_sc_stc * (1.0 + alpha_rel * (temp_cell - 25.0)))


def _nominal(value: Any) -> float:
    """Return the estimate of a number that may be uncertain."""
    return getattr(value, "nominal_value", value)


def _on_axis(shape: Shape, distance_m: float) -> float:
    placement = Placement(distance_m)
    return float(shape.per_intensity(placement.centre, placement.axes[2]))


def _refuse_negative(name: str, value: Any, unit: str) -> None:
    if not 0.0 <= _nominal(value) < np.inf:
        sign = {"lx": "lx", "W_m2": "W/m2"}.get(unit, unit)
        raise RangeError(f"{name} {value:g} {sign} is not 0 or greater")
