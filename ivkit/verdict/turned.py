"""A panel that is turned: what it gives at each angle, for each load, and how that goes.

Power follows the angle by the load: as the square of the light below the knee, as the light itself
at maximum power, hardly at all far above the knee. So every prediction names its load, and its
local exponent d ln P / d ln cos(aoi) stands beside it: a cosine squared is no fault where 2 is
what the load makes of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.string import SeriesString
from ivkit.errors import RangeError
from ivkit.light.glass import PLAIN
from ivkit.light.incidence import IncidenceAngleModifier, beam_on_plane
from ivkit.light.lamp import PanelLight, light_on
from ivkit.light.lamp_shape import Beam, Point, Shape
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.light.smooth import cubic_between
from ivkit.panel.cells import cells_under
from ivkit.panel.conditions import ReferencePanel

Array = NDArray[np.float64]

_GRID = np.arange(-90.0, 91.0)  # deg; light between two of these is linear to 4e-5
_APART = 3  # deg, between angles where light is smooth
_STEP = 0.1  # deg, to either side
#: How far the slopes to either side may be apart for an exponent to be one.
_KINK = 0.1


@dataclass(frozen=True)
class Turned:
    """A panel that turns in light from one side.

    Attributes
    ----------
    panel : ReferencePanel
    temp_cell : float
        degC.
    iam : callable
        Incidence angle modifier of its glass, for light that comes in parallel.
    near : ndarray, shape (181, cells), or None
        Light of each cell in series order at -90 to 90 deg over that of the centre when facing,
        glass included (`near_lamp`); None for light that comes in parallel, as the sun's.
    bypass_groups : int
    relative : bool
        Irradiance counts in percent of the light of the sweep that the panel is known by, which
        did not say its own.
    """

    panel: ReferencePanel
    temp_cell: float = 25.0
    iam: IncidenceAngleModifier = PLAIN
    near: Array | None = None
    bypass_groups: int = 0
    relative: bool = False

    def curve(self, aoi: ArrayLike, irradiance: ArrayLike, stray: ArrayLike = 0.0) -> Any:
        """Return the curves at angles of incidence.

        Parameters
        ----------
        aoi : array_like
            deg, of either sign; from 90 on only the stray light is left.
        irradiance : array_like
            Effective, on the panel's centre when it faces the light, W/m2 (or in percent of the
            sweep's, see ``relative``).
        stray : array_like
            Share of it that does not change as the panel turns, 0 to 1. All three broadcast.
        """
        if self.near is None:
            light = np.asarray(irradiance) * beam_on_plane(aoi, self.iam, stray)
            return self.panel.at(light, self.temp_cell)
        beam = _between(self.near, np.asarray(aoi, dtype=float))
        stray, irradiance = np.asarray(stray)[..., None], np.asarray(irradiance)[..., None]
        return cells_under(
            self.panel,
            irradiance * ((1.0 - stray) * beam + stray),
            self.temp_cell,
            bypass_groups=self.bypass_groups,
        )

    def toward(self, other: "Turned", share: float) -> "Turned":
        """Return the panel that lies a share of the way to another, which is much like it."""

        def between(a: Any, b: Any) -> Any:
            return a if a is b else a + share * (b - a)

        moved = {
            name: between(getattr(self.panel, name), getattr(other.panel, name))
            for name in (field.name for field in fields(self.panel))
            if name not in ("cells", "resistance_shunt")
        }
        # A shunt may be none at all.
        shunts = (1.0 / np.asarray(one.panel.resistance_shunt) for one in (self, other))
        with np.errstate(divide="ignore"):
            moved["resistance_shunt"] = (1.0 / between(*shunts))[()]
        iam = self.iam
        if other.iam is not self.iam:

            def iam(aoi: ArrayLike) -> Any:
                return between(self.iam(aoi), other.iam(aoi))

        return replace(
            self,
            panel=replace(self.panel, **moved),
            temp_cell=between(self.temp_cell, other.temp_cell),
            iam=iam,
            near=between(self.near, other.near),
        )

    def operate(
        self,
        aoi: ArrayLike,
        irradiance: ArrayLike,
        stray: ArrayLike,
        load: ArrayLike,
        near: ArrayLike | None = None,
    ) -> tuple[Array, Array]:
        """Return voltage (V) and current (A) into loads.

        Parameters
        ----------
        aoi, irradiance, stray : array_like
            As in `curve`.
        load : array_like
            ohm; NaN for maximum power. All four broadcast.
        near : array_like, optional
            Currents close to the answer, A, to find it sooner; broadcasts with the others.
        """
        voltage, current = operate_each([self], aoi, irradiance, stray, load, near)
        return voltage[0], current[0]


def operate_each(
    panels: Sequence[Turned],
    aoi: ArrayLike,
    irradiance: ArrayLike,
    stray: ArrayLike,
    load: ArrayLike,
    near: ArrayLike | None = None,
) -> tuple[Array, Array]:
    """Return voltage (V) and current (A) of several panels, on a first axis, into the same loads.

    Parameters
    ----------
    panels : sequence of Turned
        With the same bypass groups; all under a near lamp, or all in parallel light.
    aoi, irradiance, stray, load, near
        As in `Turned.operate`.
    """
    aoi, irradiance, stray, load = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (aoi, irradiance, stray, load))
    )

    def curve(some: NDArray[np.bool_]) -> Any:
        curves = [panel.curve(aoi[some], irradiance[some], stray[some]) for panel in panels]
        return curves if panels[0].near is None else [SeriesString.together(curves)]

    at_top = np.isnan(load)
    some, shape = ~at_top, (len(panels), *load.shape)
    voltage, current = np.empty(shape), np.empty(shape)
    if np.any(some):
        start = []
        if near is not None and panels[0].near is not None:
            start = [np.broadcast_to(near, load.shape)[some]]
        points = [each.operating_point(load[some], *start) for each in curve(some)]
        voltage[:, some] = [point.voltage for point in points]
        current[:, some] = [point.current for point in points]
    if np.any(at_top):
        tops = [each.key_points() for each in curve(at_top)]
        voltage[:, at_top] = [top.v_mp for top in tops]
        current[:, at_top] = [top.i_mp for top in tops]
    return voltage, current


def _between(near: Array, aoi: Array) -> Array:
    """Return the light of each cell at angles between those of the grid, shape (..., cells)."""
    place = np.clip(aoi, -90.0, 90.0) - _GRID[0]
    low = np.minimum(place.astype(int), len(_GRID) - 2)
    part = (place - low)[..., None]
    cells = near[low] * (1.0 - part) + near[low + 1] * part
    return np.where(np.abs(aoi)[..., None] > 90.0, 0.0, cells)


def near_lamp(
    face: PanelFace,
    distance_m: float,
    shape: Shape | None = None,
    iam: IncidenceAngleModifier = PLAIN,
    *,
    tilt_axis_deg: float = 0.0,
    offset_m: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """Return ``Turned.near`` for a panel that turns about its centre under a near lamp.

    The distance of each cell, its angle and the lamp's shape are all in it.

    Parameters
    ----------
    face : PanelFace
    distance_m, tilt_axis_deg, offset_m
        As in `Placement`: 0 turns about the width, 90 about the height.
    shape : Point, Beam, Strip or Disc
        A point if not given.
    iam : callable

    Raises
    ------
    RangeError
        The panel does not face the lamp, or the lamp is inside it.
    """
    light, aoi = _lit(face, distance_m, shape or Point(), tilt_axis_deg, offset_m)
    return light * iam(aoi)


@lru_cache(maxsize=8)
def _lit(
    face: PanelFace,
    distance_m: float,
    shape: Shape,
    tilt_axis_deg: float,
    offset_m: tuple[float, float],
) -> tuple[Array, Array]:
    """Return light ahead of the glass over that of the centre, and its angle, (181, cells)."""

    def on(tilt: float) -> PanelLight:
        return light_on(shape, face, Placement(distance_m, tilt, tilt_axis_deg, offset_m))

    unit = on(0.0).centre
    # Over the middle, a small lamp's light is smooth from edge-on to edge-on: fewer angles do.
    smooth = isinstance(shape, Point | Beam) and offset_m == (0.0, 0.0)
    tilts = np.clip(_GRID[:: _APART if smooth else 1], -89.999, 89.999)
    light, aoi = np.zeros((len(tilts), face.cells)), np.full((len(tilts), face.cells), 90.0)
    for k, tilt in enumerate(tilts):
        try:
            found = on(float(tilt))
        except RangeError:
            # Tilted so far, the lamp is behind the panel's plane, or the panel would cut it.
            continue
        light[k] = found.in_series / unit
        aoi[k] = found.aoi.ravel()[face.series_order]
    if smooth:
        light = np.maximum(cubic_between(tilts, light, _GRID), 0.0)
        aoi = np.degrees(np.arccos(np.clip(cubic_between(tilts, _cos(aoi), _GRID), 0.0, 1.0)))
    return light, aoi


def _cos(degrees: Array) -> Array:
    return np.cos(np.radians(degrees))


@dataclass(frozen=True)
class AnglePoint:
    """Power, voltage, current and local exponent over angles, for one load or at maximum power.

    Attributes
    ----------
    load : float or None
        ohm; None at maximum power.
    voltage, current, power, exponent : ndarray, shape (N,)
        V, A, W, and d ln P / d ln cos(aoi); NaN where no light is left, and near facing a near
        lamp.
    u_power : ndarray, shape (N,)
        Standard uncertainty of the power by what is known of the panel, W; 0 where nothing was
        said.
    budget : dict of str to ndarray, shape (N,)
        By cause, what one standard uncertainty of it does to the power, W.
    """

    load: float | None
    voltage: Array
    current: Array
    power: Array
    exponent: Array
    budget: dict[str, Array] = field(default_factory=dict)

    @property
    def u_power(self) -> Array:  # noqa: D102
        return np.sqrt(sum((move**2 for move in self.budget.values()), np.zeros_like(self.power)))


def against_angle(
    turned: Turned,
    aoi: ArrayLike,
    irradiance: float,
    loads: Sequence[float] = (),
    stray: float = 0.0,
    doubts: Mapping[str, Turned] | None = None,
    *,
    exponents: bool = True,
) -> list[AnglePoint]:
    """Return what each load, and maximum power last, gives at each angle.

    Parameters
    ----------
    turned : Turned
    aoi : array_like, shape (N,)
        deg, either sign.
    irradiance, stray : float
        As in `Turned.curve`.
    loads : sequence of float
        ohm.
    doubts : mapping of str to Turned, optional
        The same panel with one thing one standard uncertainty off, by the name of the thing.
    exponents : bool
        Without, the exponents are NaN, in a quarter of the time: for a curve to be drawn.

    Examples
    --------
    >>> panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)
    >>> from ivkit.light.incidence import no_glass
    >>> low, top = against_angle(Turned(panel, iam=no_glass), [0.0, 60.0], 1000.0, [8.0])
    >>> low.power.round(3), top.power.round(3)
    (array([3.013, 0.761]), array([10.164,  4.985]))
    """
    angle = np.atleast_1d(np.asarray(aoi, dtype=float))
    load = np.array([*map(float, loads), np.nan])
    grid = (angle, irradiance, stray, load[:, None])
    voltage, current = turned.operate(*grid)
    power = voltage * current
    moves = {}
    if doubts:
        moved = np.prod(operate_each([*doubts.values()], *grid), axis=0) - power
        moves = dict(zip(doubts, moved, strict=True))
    exponent = _exponent(turned, *grid) if exponents else np.full_like(power, np.nan)
    return [
        AnglePoint(
            None if np.isnan(ohm) else float(ohm),
            voltage[k],
            current[k],
            power[k],
            exponent[k],
            {name: move[k] for name, move in moves.items()},
        )
        for k, ohm in enumerate(load)
    ]


def _exponent(turned: Turned, aoi: Array, irradiance: float, stray: float, load: Array) -> Array:
    """Return d ln P / d ln cos at each angle, shape (loads, N); NaN where there is none.

    That is where the slopes to both sides differ: under a near lamp at 0 deg, where the darkest
    cell changes sides, and where a bypass diode begins to conduct. In parallel light the limit at
    0 deg is taken close by.
    """
    size = np.abs(aoi)
    away = np.clip(size, 0.2 if turned.near is None else 0.0, 89.5)
    at = np.where(aoi < 0, -away, away) + np.array([-_STEP, 0.0, _STEP])[:, None, None]
    power = np.prod(turned.operate(at, irradiance, stray, load), axis=0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ln_power, ln_cos = np.log(power), np.log(np.cos(np.radians(at)))
        whole = (ln_power[2] - ln_power[0]) / (ln_cos[2] - ln_cos[0])
        before, after = np.diff(ln_power, axis=0) / np.diff(ln_cos, axis=0)
        smooth = np.abs(after - before) <= _KINK * (1.0 + np.abs(whole))
    return np.where(np.isfinite(whole) & smooth & (size < 89.5), whole, np.nan)
