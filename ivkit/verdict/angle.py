"""A panel that is turned: what it should give at each angle and load, and whether readings agree.

Power follows the angle by the load: as the square of the light below the knee, as the light itself
at maximum power, hardly at all far above the knee. So every prediction names its load, and its
local exponent d ln P / d ln cos(aoi) stands beside it: a cosine squared is no fault where 2 is
what the load makes of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, ufloat

from ivkit.errors import RangeError, SweepError
from ivkit.light.incidence import IncidenceAngleModifier, beam_on_plane, martin_ruiz
from ivkit.light.lamp import Lamp
from ivkit.light.lamp_shape import Point, Shape
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.panel.cells import cells_under
from ivkit.panel.conditions import ReferencePanel

Array = NDArray[np.float64]

#: Where nothing is known of a reading of power: share of itself, and of the largest reading
#: (common practice, no source).
U_SHARE, U_FLOOR = 0.02, 0.003
_LARGEST_ZERO = 40.0  # deg; a scale that is further out is a scale of something else
_GRID = np.arange(0.0, 90.0, 1.0)


@dataclass(frozen=True)
class Turned:
    """A panel that turns in light from one side.

    Attributes
    ----------
    panel : ReferencePanel
    temp_cell : float
        degC.
    iam : callable
        Incidence angle modifier of its glass.
    near : ndarray, shape (90, cells), or None
        Light of each cell at 0 to 89 deg over that of the centre when facing, glass included; None
        for light that comes in parallel, as the sun's.
    bypass_groups : int
    """

    panel: ReferencePanel
    temp_cell: float = 25.0
    iam: IncidenceAngleModifier = martin_ruiz
    near: Array | None = None
    bypass_groups: int = 0

    def curve(self, aoi: ArrayLike, irradiance: float, stray: float = 0.0) -> Any:
        """Return the curves at angles of incidence.

        Parameters
        ----------
        aoi : array_like, shape (N,)
            deg, of either sign.
        irradiance : float
            Effective, on the panel's centre when it faces the light, W/m2.
        stray : float
            Share of it that does not change as the panel turns, 0 to 1.
        """
        if self.near is None:
            share = beam_on_plane(aoi, self.iam, stray)
            return self.panel.at(irradiance * share, self.temp_cell)
        angle = np.minimum(np.abs(np.asarray(aoi, dtype=float)), 90.0)
        low = np.minimum(angle.astype(int), len(self.near) - 1)
        high = np.minimum(low + 1, len(self.near) - 1)
        part = (angle - low)[:, None]
        cells = self.near[low] * (1 - part) + self.near[high] * part
        cells = np.where(angle[:, None] >= 90.0, 0.0, cells)
        return cells_under(
            self.panel,
            irradiance * ((1.0 - stray) * cells + stray),
            self.temp_cell,
            bypass_groups=self.bypass_groups,
        )


def near_lamp(
    face: PanelFace,
    distance_m: float,
    shape: Shape | None = None,
    iam: IncidenceAngleModifier = martin_ruiz,
) -> Array:
    """Return ``Turned.near`` for a panel that turns about its width under a near lamp.

    The distance of each cell, its angle and the lamp's shape are all in it.
    """
    lamp = Lamp(shape or Point(), 1.0, "W_m2")
    rows = []
    for tilt in _GRID:
        light = lamp.on(face, Placement(distance_m, float(tilt)))
        rows.append((light.cells * iam(light.aoi)).ravel()[face.series_order])
    facing = lamp.on(face, Placement(distance_m)).centre
    return np.array(rows) / facing


@dataclass(frozen=True)
class AnglePoint:
    """Power, voltage, current and local exponent over angles, for one load or at maximum power.

    Attributes
    ----------
    load : float or None
        ohm; None at maximum power.
    voltage, current, power, exponent : ndarray, shape (N,)
        V, A, W, and d ln P / d ln cos(aoi); NaN where no light is left.
    """

    load: float | None
    voltage: Array
    current: Array
    power: Array
    exponent: Array


def against_angle(
    turned: Turned,
    aoi: ArrayLike,
    irradiance: float,
    loads: Sequence[float] = (),
    stray: float = 0.0,
) -> list[AnglePoint]:
    """Return what each load, and maximum power last, gives at each angle (deg).

    Examples
    --------
    >>> panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)
    >>> from ivkit.light.incidence import no_glass
    >>> low, top = against_angle(Turned(panel, iam=no_glass), [0.0, 60.0], 1000.0, [8.0])
    >>> low.power.round(3), top.power.round(3)
    (array([3.013, 0.761]), array([10.164,  4.985]))
    """
    angle = np.atleast_1d(np.asarray(aoi, dtype=float))
    found = []
    for load in (*map(float, loads), None):
        v, i = _operate(turned, angle, irradiance, stray, load)
        found.append(
            AnglePoint(load, v, i, v * i, _exponent(turned, angle, irradiance, stray, load))
        )
    return found


def _operate(
    turned: Turned, aoi: Array, irradiance: float, stray: float, load: Any
) -> tuple[Array, Array]:
    """Return voltage and current at each angle; ``load`` in ohm, of one or N values, or None."""
    curve = turned.curve(aoi, irradiance, stray)
    if load is None:
        points = curve.key_points()
        return np.asarray(points.v_mp), np.asarray(points.i_mp)
    point = curve.operating_point(load)
    return np.asarray(point.voltage), np.asarray(point.current)


def _exponent(
    turned: Turned, aoi: Array, irradiance: float, stray: float, load: float | None
) -> Array:
    """Return d ln P / d ln cos at each angle, by a step of a tenth of a degree to either side."""
    near = np.clip(np.abs(aoi), 0.2, 89.5)
    ends = []
    for step in (-0.1, 0.1):
        v, i = _operate(turned, near + step, irradiance, stray, load)
        with np.errstate(divide="ignore", invalid="ignore"):
            ends.append((np.log(v * i), np.log(np.cos(np.radians(near + step)))))
    (p0, c0), (p1, c1) = ends
    with np.errstate(invalid="ignore"):
        slope = (p1 - p0) / (c1 - c0)
    return np.where(np.isfinite(slope) & (np.abs(aoi) < 89.5), slope, np.nan)


@dataclass(frozen=True)
class AngleReadings:
    """Readings of a panel that was turned.

    Attributes
    ----------
    angle : ndarray, shape (N,)
        As on the scale, deg.
    power : ndarray, shape (N,), W
    load : ndarray, shape (N,)
        What the panel was loaded with, ohm: as stated, or V over I.
    u_power : ndarray, shape (N,)
        Standard uncertainty of each power on its own, W.
    name : str
    """

    angle: Array
    power: Array
    load: Array
    u_power: Array
    name: str = ""

    @classmethod
    def of(
        cls,
        angle: ArrayLike,
        power: ArrayLike,
        load: ArrayLike,
        u_power: ArrayLike | None = None,
        name: str = "",
    ) -> "AngleReadings":
        """Return readings; without a stated uncertainty a usual one is taken."""
        power = np.asarray(power, dtype=float)
        if u_power is None:
            u_power = np.hypot(U_SHARE * power, U_FLOOR * np.max(np.abs(power)))
        load = np.broadcast_to(np.asarray(load, dtype=float), power.shape)
        return cls(
            np.asarray(angle, dtype=float), power, load, np.broadcast_to(u_power, power.shape), name
        )


@dataclass(frozen=True)
class AngleFit:
    """What readings over the angle tell.

    Attributes
    ----------
    zero : UFloat or None
        What the scale shows when the panel faces the light, deg; None where not resolved.
    stray : UFloat or None
        Share of the facing light that does not turn with the panel; None where not resolved.
    stray_below : float
        The largest share that the readings allow at 95 %.
    irradiance : UFloat
        Effective, facing the light, W/m2 (or relative to the panel's own sweep).
    predicted : ndarray, shape (N,)
        Power of the fit at each reading, W.
    score : ndarray, shape (N,)
        Reading minus fit over the standard uncertainty of the reading.
    chi_square, freedom : float
    agrees : bool
        Whether the readings scatter as their uncertainties say (99.9 % of chi-square).
    """

    zero: UFloat | None
    stray: UFloat | None
    stray_below: float
    irradiance: UFloat
    predicted: Array
    score: Array
    chi_square: float
    freedom: int
    agrees: bool


def fit_angles(
    turned: Turned,
    readings: AngleReadings,
    irradiance: float | None = None,
    zero: float | None = None,
    stray: float | None = None,
) -> AngleFit:
    """Fit the zero of the scale, the stray light and the irradiance to readings of power.

    Parameters
    ----------
    turned : Turned
    readings : AngleReadings
    irradiance, zero, stray : float, optional
        Held at this value instead of fitted.

    Raises
    ------
    SweepError
        Fewer readings than unknowns, or none with power.
    RangeError
        Readings that no zero within 40 deg explains.
    """
    free = [k for k, held in enumerate((irradiance, zero, stray)) if held is None]
    n = len(readings.power)
    if n <= len(free):
        raise SweepError(
            f"{n} readings for {len(free)} unknowns",
            readings.name,
            "take more angles, or state --zero, --stray or --irradiance",
        )
    if not np.max(readings.power) > 0:
        raise SweepError("no reading has any power", readings.name, "check columns and units")

    def model(p: Array) -> Array:
        light, offset, share = p
        v, i = _operate(turned, readings.angle - offset, float(light), float(share), readings.load)
        return v * i

    held = np.array([irradiance or 0.0, zero or 0.0, stray or 0.0])
    low, high = np.array([1e-3, -_LARGEST_ZERO, 0.0]), np.array([5e3, _LARGEST_ZERO, 0.95])

    def whole(x: Array) -> Array:
        p = held.copy()
        p[free] = x * _SCALE[free]
        return p

    def residual(x: Array) -> Array:
        return (model(whole(x)) - readings.power) / readings.u_power

    from scipy.optimize import least_squares
    from scipy.special import chdtri

    best = None
    top = int(np.argmax(readings.power))
    for guess_zero in dict.fromkeys(
        (0.0, float(np.clip(readings.angle[top], -30, 30)), -10.0, 10.0)
    ):
        for guess_stray in (0.02, 0.2):
            p = np.array([_light(turned, readings, guess_zero, top), guess_zero, guess_stray])
            p = np.clip(p, low + 1e-3, high - 1e-3)
            found = least_squares(
                residual,
                p[free] / _SCALE[free],
                bounds=(low[free] / _SCALE[free], high[free] / _SCALE[free]),
                x_scale="jac",
                xtol=1e-12,
                ftol=1e-12,
                gtol=1e-12,
            )
            if best is None or found.cost < best.cost * (1 - 1e-9):
                best = found
            if not free:
                break
    p = whole(best.x)
    if zero is None and abs(p[1]) > 0.98 * _LARGEST_ZERO:
        raise RangeError(
            f"no zero of the scale within {_LARGEST_ZERO:g} deg explains the readings",
            readings.name,
            "check that the angle is counted from facing the light, in deg",
        )
    score = -residual(best.x)
    chi_square, freedom = float(score @ score), n - len(free)
    enlarge = np.sqrt(max(chi_square / freedom, 1.0))
    jacobian = best.jac
    u = np.full(3, 0.0)
    spread = np.sqrt(np.diag(np.linalg.pinv(jacobian.T @ jacobian))) * enlarge
    u[free] = spread * _SCALE[free]
    offset, share = _known(p[1]), _known(p[2])
    if zero is None:
        offset = _told(p[1], u[1], "zero of the scale", 10.0)
    if stray is None:
        share = None if p[2] < 1e-6 else _told(p[2], u[2], "stray light", 0.25)
    light = _known(p[0])
    if irradiance is None:
        light = ufloat(float(p[0]), max(u[0], 1e-12), "irradiance")
    return AngleFit(
        offset,
        share,
        float(min(p[2] + 1.645 * u[2], 1.0)),
        light,
        model(p),
        score,
        chi_square,
        freedom,
        bool(chi_square <= chdtri(freedom, 0.001)),
    )


_SCALE = np.array([100.0, 5.0, 0.1])


def _told(value: float, u: float, name: str, widest: float) -> UFloat | None:
    """Return an uncertain number, or None where its uncertainty says that nothing is known."""
    return None if not u < widest else ufloat(float(value), max(float(u), 1e-12), name)


def _known(value: float) -> UFloat:
    return float(value) + 0.0 * ufloat(0.0, 1.0)


def _light(turned: Turned, readings: AngleReadings, zero: float, top: int) -> float:
    """Return the irradiance at which the best reading has its power, by bisection."""
    low, high = 1e-2, 4e3
    for _ in range(40):
        middle = float(np.sqrt(low * high))
        v, i = _operate(
            turned, readings.angle[top : top + 1] - zero, middle, 0.0, readings.load[top : top + 1]
        )
        low, high = (middle, high) if float((v * i)[0]) < readings.power[top] else (low, middle)
    return middle
