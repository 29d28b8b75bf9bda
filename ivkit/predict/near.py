"""The light of a lamp of known strength over a panel, cell by cell."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.light.incidence import IncidenceAngleModifier, no_glass
from ivkit.light.lamp import light_on
from ivkit.light.lamp_shape import Beam, Point, Shape
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.light.smooth import cubic_between
from ivkit.light.strength import ON_PANEL, Strength
from ivkit.predict.facing import TOO_BRIGHT
from ivkit.predict.off import Off, behind

Array = NDArray[np.float64]

#: A panel without extent, for even light.
POINT = PanelFace(1e-6, 1e-6, 1, 1)
_GRID = np.arange(-90.0, 91.0)  # deg; light between two of these is linear to 4e-5
_APART = 3  # deg, between angles where light is smooth
_MANY = 60  # angles, from which on light is taken between those of the grid
_EDGE = 89.999  # deg


@dataclass(frozen=True)
class NearLamp:
    """A lamp over a panel, which turns about its centre.

    Attributes
    ----------
    strength : Strength
    factor : float
        Effective W/m2 of one unit of the strength (`Strength.effective`).
    spectral : mapping of str to float
        What one standard uncertainty of each input does to ``factor``, as a fraction.
    shape : Point, Beam, Strip or Disc
    distance_m : float or UFloat
        From the lamp to the panel's centre, m, where a reading does not say.
    face : PanelFace
        The cells' places; `POINT` for even light.
    beam_angle_deg : float or UFloat, optional
        Of a beam, where it is uncertain.
    offset_m, axis_deg
        As in `Placement`: axis 0 turns about the width, 90 about the height.
    between : bool
        Light is taken between whole degrees, to 4e-5: for fits, which ask for many angles.
    """

    strength: Strength
    factor: float
    spectral: Mapping[str, float]
    shape: Shape
    distance_m: Any
    face: PanelFace = POINT
    beam_angle_deg: Any = None
    offset_m: tuple[float, float] = (0.0, 0.0)
    axis_deg: float = 0.0
    between: bool = False

    @cached_property
    def moves(self) -> dict[str, dict[str, float]]:
        """By input quantity, what one standard uncertainty of it does to which number."""
        found: dict[str, dict[str, float]] = {}
        beam = self.beam_angle_deg if isinstance(self.shape, Beam) else None
        for what, quantity in (
            ("reading", self.strength.value),
            ("efficacy", self.strength.efficacy_lm_W),
            ("distance", self.distance_m),
            ("beam", beam),
        ):
            for variable, slope in getattr(quantity, "derivatives", {}).items():
                found.setdefault(str(variable.tag), {})[what] = slope * variable.std_dev
        for name, part in self.spectral.items():
            found.setdefault(name, {})["factor"] = part
        return found

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its inputs that are uncertain."""
        return tuple(self.moves)

    @property
    def u(self) -> float:
        """Standard uncertainty of the irradiance by its strength and spectrum, as a fraction."""
        value = _plain(self.strength.value)
        efficacy = _plain(self.strength.efficacy_lm_W) or 1.0
        per = {"reading": value, "efficacy": efficacy, "factor": 1.0}
        parts = [sum(by / per[w] for w, by in m.items() if w in per) for m in self.moves.values()]
        return float(np.sqrt(sum(part**2 for part in parts)))

    @cached_property
    def irradiance(self) -> float:
        """Effective irradiance on the panel's centre when it faces the lamp, W/m2."""
        here, zero = Off((), np.zeros((1, 0))), np.zeros((1, 1))
        unit, _, facing = self._geometry(here, zero, None, 0.0)
        return float(self._facing(here, unit[..., -1], facing, zero)[0, 0])

    def fixed(self, tilt_deg: float = 0.0) -> "NearLamp":
        """Return the lamp with a reading on the panel, so tilted, as one that stays where it was.

        Otherwise it is a reading wherever the panel is.
        """
        strength = self.strength
        if strength.terms not in ON_PANEL or strength.read_at is not None:
            return self
        then = Placement(_plain(self.distance_m), tilt_deg, self.axis_deg, self.offset_m)
        return replace(self, strength=replace(strength, read_at=then))

    def falling(
        self,
        moved: Off,
        angle: Array,
        stray: Array,
        iam: IncidenceAngleModifier,
        distance: Array | None,
        farther: float = 0.0,
    ) -> Array:
        """Return the effective irradiance of each cell behind the glass, W/m2, (R, M, cells).

        The arguments are those of `ivkit.predict.facing.Facing.falling`.
        """
        unit, aoi, facing = self._geometry(moved, angle, distance, farther)
        light = self._facing(moved, unit[..., -1], facing, stray)[..., None]
        over, share = unit[..., :-1] / facing[..., None], stray[..., None]
        direct = (1.0 - share) * over
        return light * behind(
            iam, moved, lambda glass, rows: direct[rows] * glass(aoi[rows]) + share[rows]
        )

    def _number(self, what: str, moved: Off) -> Array:
        """Return how far one of its numbers is off in each row, shape (R, 1)."""
        total = np.zeros((len(moved), 1))
        for name, parts in self.moves.items():
            if what in parts:
                total = total + parts[what] * moved(name)
        return total

    def _shape(self, wider: float) -> Shape:
        if self.beam_angle_deg is None:
            return self.shape
        return Beam(min(max(_plain(self.beam_angle_deg) + wider, 0.1), 179.0))

    def _geometry(
        self, moved: Off, angle: Array, distance: Array | None, farther: float
    ) -> tuple[Array, Array, Array]:
        """Return light per intensity, the cells' angles, and light of the centre when facing.

        Of each cell and, last, of the centre: shapes (R, M, cells + 1), (R, M, cells), (R, M).
        Each combination of distance and beam is worked out once.
        """
        unit = np.empty((*angle.shape, self.face.cells + 1))
        aoi, facing = np.empty((*angle.shape, self.face.cells)), np.empty(angle.shape)
        names = [name for name, parts in self.moves.items() if parts.keys() & {"distance", "beam"}]
        for _, rows in moved.groups(names):
            first = int(np.flatnonzero(rows)[0])
            shape = self._shape(float(self._number("beam", moved)[first, 0]))
            aside = farther + float(self._number("distance", moved)[first, 0])
            own = np.array([_plain(self.distance_m)]) if distance is None else distance
            for metres in np.unique(own):
                some = np.ix_(rows, np.broadcast_to(own == metres, angle.shape[1:]))
                place = self.face, shape, float(metres) + aside, self.axis_deg, self.offset_m
                unit[some], aoi[some] = _turned(place, angle[some], self.between)
                facing[some] = _lit(*place, 0.0)[0][-1]
        return unit, aoi, facing

    def _facing(self, moved: Off, centre: Array, facing: Array, stray: Array) -> Array:
        """Return the effective irradiance on the centre if it faced the lamp, W/m2, (R, M).

        ``centre`` and ``facing`` are its light per intensity as it is turned, and facing.
        """
        strength = self.strength
        reading = np.maximum(_plain(strength.value) + self._number("reading", moved), 0.0)
        reading = reading * self.factor * np.maximum(1.0 + self._number("factor", moved), 0.0)
        wider = self._number("beam", moved)[:, 0]
        shapes = [self._shape(float(by)) for by in wider]
        if strength.terms == "power":
            efficacy = _plain(strength.efficacy_lm_W) + self._number("efficacy", moved)
            solid = np.array([shape.solid_angle for shape in shapes])[:, None]
            return reading * np.maximum(efficacy, 0.0) / solid * facing
        if strength.terms == "distance":
            at = float(strength.distance_m), 0.0, (0.0, 0.0), 0.0
            read = np.array([_lit(POINT, shape, *at)[0][-1] for shape in shapes])[:, None]
            return reading / read * facing
        straight = facing
        if strength.read_at is not None:  # on the panel, but where it was then
            then = strength.read_at
            at = then.distance_m, then.tilt_axis_deg, then.offset_m
            straight, centre = (
                np.array([_lit(POINT, shape, *at, tilt)[0][-1] for shape in shapes])[:, None]
                for tilt in (0.0, float(then.tilt_deg))
            )
        read = (1.0 - stray) * centre + stray * straight
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(read > 0, reading / read * facing, 0.0)


def lamp_over(
    panel: Any,
    strength: Strength,
    shape: Shape,
    distance_m: Any,
    face: PanelFace | None = None,
    **more: Any,
) -> tuple[NearLamp, tuple[str, ...]]:
    """Return a lamp over a panel, and what was assumed of its light.

    Parameters
    ----------
    panel : Datasheet or MeasuredPanel
    strength, shape, distance_m, face
        As of `NearLamp`; without a face the light counts as even.
    more
        Of `NearLamp`: ``beam_angle_deg``, ``offset_m``, ``axis_deg``.

    Raises
    ------
    RangeError
        A lamp inside or behind the panel, cells that are not those of the panel, light that no
        lamp on a bench makes.
    """
    notes = []
    count = None if panel.cells is None else panel.cells * panel.strings
    if face is not None and count is not None and face.cells != count:
        raise RangeError(
            f"{face.rows} rows of {face.columns} cells are {face.cells}, but the panel has "
            f"{count} of them",
            remedy="make rows times columns the number of cells",
        )
    if face is not None and (panel.strings != 1 or count is None):
        notes.append(
            "curve of the mean light: which cells are in series is not known, so what the darkest "
            "of them take away is not counted"
        )
    factor, spectral, assumed = strength.effective(panel.kind.name)
    found = NearLamp(
        strength, factor, spectral, shape, distance_m, POINT if face is None else face, **more
    )
    here, zero = Off((), np.zeros((1, 0))), np.zeros((1, 1))
    brightest = float(found.falling(here, zero, zero, no_glass, None).max())
    if brightest > TOO_BRIGHT:
        raise RangeError(
            f"the lamp would be worth {brightest:.0f} W/m2 of sunlight to a cell",
            remedy="check the unit of the reading, and that distances are in metres",
        )
    return found, (*notes, *assumed)


def _plain(quantity: Any) -> Any:
    return getattr(quantity, "nominal_value", quantity)


Place = tuple[PanelFace, Shape, float, float, tuple[float, float]]


def _turned(place: Place, angle: Array, between: bool) -> tuple[Array, Array]:
    """Return light per intensity and the cells' angles, at angles in deg: (..., cells [+ 1])."""
    unique, where = np.unique(angle, return_inverse=True)
    if between or len(unique) > _MANY:
        at = np.clip(unique, -90.0, 90.0) - _GRID[0]
        low = np.minimum(at.astype(int), len(_GRID) - 2)
        part = (at - low)[:, None]
        light, aoi = (x[low] * (1.0 - part) + x[low + 1] * part for x in _table(*place))
        light = np.where(np.abs(unique)[:, None] > 90.0, 0.0, light)
    else:
        light, aoi = map(np.array, zip(*(_lit(*place, float(x)) for x in unique), strict=True))
    return tuple(x[where.ravel()].reshape(*angle.shape, -1) for x in (light, aoi))


@lru_cache(maxsize=4096)
def _lit(
    face: PanelFace,
    shape: Shape,
    distance_m: float,
    axis_deg: float,
    offset_m: tuple[float, float],
    angle: float,
) -> tuple[Array, Array]:
    """Return light of each cell in series and, last, of the centre; and the cells' angles.

    Tilted so far that the lamp is behind the panel's plane, or the panel would cut it, there is
    none.
    """
    none = np.zeros(face.cells + 1), np.full(face.cells, 90.0)
    if abs(angle) >= 90.0:
        return none
    try:
        placement = Placement(distance_m, angle, axis_deg, offset_m)
        found = light_on(shape, face, placement)
    except RangeError:
        if angle == 0.0:
            raise
        return none
    return np.append(found.in_series, found.centre), found.aoi.ravel()[face.series_order]


@lru_cache(maxsize=32)
def _table(*place: Any) -> tuple[Array, Array]:
    """Return what `_lit` does at -90 to 90 deg, a degree a row."""
    _, shape, _, _, offset_m = place
    # Over the middle, a small lamp's light is smooth from edge-on to edge-on: fewer angles do.
    smooth = isinstance(shape, Point | Beam) and offset_m == (0.0, 0.0)
    tilts = np.clip(_GRID[:: _APART if smooth else 1], -_EDGE, _EDGE)
    light, aoi = map(np.array, zip(*(_lit(*place, float(x)) for x in tilts), strict=True))
    if smooth:
        light = np.maximum(cubic_between(tilts, light, _GRID), 0.0)
        cosine = cubic_between(tilts, np.cos(np.radians(aoi)), _GRID)
        aoi = np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0)))
    return light, aoi
