"""The scene: a panel, its light, how it is held, how warm it is, its load; each with its inputs.

What the panel does in it is solved for many rows of inputs at once, each row with some inputs off
their estimates, and for many readings, one a column.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, ufloat

from ivkit.assumptions import ASSUMED
from ivkit.light.glass import inputs_of
from ivkit.light.incidence import IncidenceAngleModifier
from ivkit.load.resistor import Resistor
from ivkit.panel.conditions import ReferencePanel
from ivkit.predict.change import AS_STATED, Change
from ivkit.predict.facing import Facing
from ivkit.predict.off import Off, either_side

if TYPE_CHECKING:
    from ivkit.predict.near import NearLamp

Array = NDArray[np.float64]

_MOST_KNOWN = 64  # of panels and lights that are kept
DARK = 1e-9  # W/m2, in place of none: logarithms
#: Names of inputs.
TEMPERATURE, OPEN_VOLTAGE = "cell temperature", "open-circuit voltage"
ZERO, STRAY = "zero of the angle", "stray light"
ENDS = ("i_sc", "v_oc", "v_mp", "i_mp")


@dataclass(frozen=True)
class Warmth:
    """Cell temperature.

    Attributes
    ----------
    celsius : float
        degC.
    u : float
        K, what no input of ``by`` accounts for.
    by : mapping of str to float
        K that one standard uncertainty of other inputs of the scene adds to it.
    in_light : float
        K for an e-fold more light, where it follows from a voltage and the light.
    from_voc : UFloat or None
        The whole of it, where it is from Voc.
    name : str
        Of its own input.
    """

    celsius: float = ASSUMED["cell temperature"].value
    u: float = ASSUMED["cell temperature"].u
    by: Mapping[str, float] = field(default_factory=dict)
    in_light: float = 0.0
    from_voc: UFloat | None = None
    name: str = TEMPERATURE

    @property
    def total(self) -> float:
        """Standard uncertainty of all of it, K."""
        return float(np.sqrt(self.u**2 + sum(kelvin**2 for kelvin in self.by.values())))


@dataclass(frozen=True)
class Mount:
    """How the panel is held to the light.

    Attributes
    ----------
    u_angle : float
        Standard uncertainty of the zero of the angles, deg.
    stray, u_stray : float
        Fraction of the facing light that does not turn with the panel: stray or diffuse.
    iam : callable, optional
        Incidence angle modifier in place of the panel's own.
    """

    u_angle: float = ASSUMED["angle"].u
    stray: float = ASSUMED["stray light"].fraction
    u_stray: float = ASSUMED["stray light"].u_fraction
    iam: IncidenceAngleModifier | None = None


@dataclass(frozen=True, eq=False)
class At:
    """What holds at each reading; make it with `of`.

    Attributes
    ----------
    load : ndarray, shape (N,)
        ohm: 0 for short circuit, infinite for open, NaN for maximum power.
    angle : ndarray, shape (N,)
        Of incidence, from facing the light, deg.
    light : ndarray, shape (N,)
        Times the scene's light.
    warmer : ndarray, shape (N,)
        Than the scene's temperature, K.
    distance : ndarray, shape (N,), or None
        From the lamp, m.
    u_load : ndarray, shape (N,)
        Standard uncertainty of each load, as a fraction.
    """

    load: Array
    angle: Array
    light: Array
    warmer: Array
    distance: Array | None
    u_load: Array

    @classmethod
    def of(
        cls,
        load: ArrayLike = np.nan,
        angle: ArrayLike = 0.0,
        light: ArrayLike = 1.0,
        warmer: ArrayLike = 0.0,
        distance: ArrayLike | None = None,
        u_load: ArrayLike = 0.0,
    ) -> "At":
        """Return rows of values that broadcast."""
        given = (load, angle, light, warmer, distance, u_load)
        arrays = [None if x is None else np.asarray(x, dtype=float) for x in given]
        shape = np.broadcast_shapes((1,), *(x.shape for x in arrays if x is not None))
        return cls(*(None if x is None else np.broadcast_to(x, shape) for x in arrays))

    def __len__(self) -> int:
        return len(self.angle)

    def select(self, which: Any) -> "At":
        """Return some of the rows, by index or mask."""
        rows = (self.load, self.angle, self.light, self.warmer, self.distance, self.u_load)
        return At(*(None if x is None else x[which] for x in rows))

    @cached_property
    def condition(self) -> "At":
        """The one condition of light and temperature of all rows, or the rows where they differ."""
        columns = (self.angle, self.light, self.warmer, self.distance)
        same = all(x is None or np.all(x == x[0]) for x in columns)
        return self.select(slice(0, 1)) if same else self


@dataclass(frozen=True, eq=False)
class Scene:
    """A panel in its light.

    Attributes
    ----------
    panel : Datasheet or MeasuredPanel
    light : Facing or NearLamp
    temp_cell : Warmth
    mount : Mount
    """

    panel: Any
    light: "Facing | NearLamp"
    temp_cell: Warmth = Warmth()
    mount: Mount = Mount()
    _known: dict[Any, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.panel.panel()  # refuses figures that no panel has

    @property
    def iam(self) -> IncidenceAngleModifier:
        """Incidence angle modifier of the front."""
        return self.panel.iam if self.mount.iam is None else self.mount.iam

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the inputs: the panel's, the light's, temperature, mount and glass."""
        own = [*self.panel.sources, *self.light.names]
        own += [self.temp_cell.name] * (self.temp_cell.u > 0)
        own += [ZERO] * (self.mount.u_angle > 0) + [STRAY] * (self.mount.u_stray > 0)
        return tuple(dict.fromkeys([*own, *inputs_of(self.iam)]))

    @cached_property
    def variables(self) -> dict[str, UFloat]:
        """Each input as an uncertain number 0 +- 1; the panel's are its own."""
        own = {name: ufloat(0.0, 1.0, name) for name in self.names}
        return own | dict(self.panel.sources)

    @cached_property
    def each(self) -> Off:
        """The estimates, then each input one standard uncertainty up and down."""
        return either_side(self.names)

    @cached_property
    def irradiance(self) -> float:
        """Effective irradiance on the panel that faces its light, mean of the cells, W/m2."""
        return float(self.light_on(At.of())[0, 0])

    @property
    def by_cell(self) -> bool:
        """Whether each cell has its own light, and the string of them is solved."""
        face = getattr(self.light, "face", None)
        several = face is not None and face.cells > 1
        return several and self.panel.strings == 1 and self.panel.cells is not None

    def by_voc(self, v_oc: Any) -> "Scene":
        """Return the scene at the temperature by an open-circuit voltage (V) facing the light.

        The inputs of the panel and of the light act on it too, so that each counts once.
        """
        from ivkit.panel.temperature import temperature_from_voc

        causes = {name: ufloat(0.0, 1.0, name) for name in self.light.names}
        up = self._light(either_side(tuple(causes)), At.of(), AS_STATED)[:, 0]
        up = up if up.ndim == 1 else up.mean(axis=-1)
        light = float(up[0]) + sum(
            (
                0.5 * float(up[1 + 2 * k] - up[2 + 2 * k]) * one
                for k, one in enumerate(causes.values())
            ),
            0.0,
        )
        found = temperature_from_voc(self.panel, v_oc, light=light)
        variables = {**self.panel.sources, **causes}
        by = {name: found.derivatives.get(one, 0.0) for name, one in variables.items()}
        left = found.std_dev**2 - sum(kelvin**2 for kelvin in by.values())
        e_fold = temperature_from_voc(self.panel, v_oc, light=light * 1.01).nominal_value
        warm = Warmth(
            found.nominal_value,
            float(np.sqrt(max(left, 0.0))),
            by,
            (e_fold - found.nominal_value) / np.log(1.01),
            found,
            OPEN_VOLTAGE,
        )
        return replace(self, temp_cell=warm, _known={})

    def solve(
        self,
        at: At,
        moved: Off | None = None,
        change: Change = AS_STATED,
        *,
        load: ArrayLike | None = None,
        ends: bool = False,
        even: bool = False,
    ) -> dict[str, Array]:
        """Return what is at the panel in each combination of inputs and at each reading.

        Parameters
        ----------
        at : At
            N readings.
        moved : Off, optional
            R combinations; by default the estimates alone.
        change : Change
        load : array_like, optional
            In place of the readings' own, ohm; broadcasts to (R, N).
        ends : bool
            Also of the curve's ends and its maximum: ``i_sc``, ``v_oc``, ``v_mp``, ``i_mp``.
        even : bool
            The light of a near lamp is spread evenly over the cells.

        Returns
        -------
        dict of str to ndarray, shape (R, N)
            ``voltage`` and ``current``, V and A.
        """
        moved = Off((), np.zeros((1, 0))) if moved is None else moved
        curve = self._curve(moved, at.condition, change, even)
        ohm = at.load if load is None else np.asarray(load, dtype=float)
        worked = Resistor(ohm * np.asarray(change.load), change.series).operate(curve)
        found = {"voltage": worked.voltage, "current": worked.current}
        if ends:
            points = curve.key_points()
            found |= {name: getattr(points, name) for name in ENDS}
        shape = (len(moved), len(at))
        return {name: np.broadcast_to(values, shape) for name, values in found.items()}

    def solve_loads(
        self, at: At, load: Array, change: Change = AS_STATED, even: bool = False
    ) -> dict[str, Array]:
        """Return voltage and current at the estimates for other loads, ohm, shape (L, N)."""
        curve = self._curve(Off((), np.zeros((1, 0))), at.condition, change, even)
        worked = Resistor(load * np.asarray(change.load), change.series).operate(curve)
        found = {"voltage": worked.voltage, "current": worked.current}
        return {name: np.broadcast_to(values, load.shape) for name, values in found.items()}

    def light_on(self, at: At, moved: Off | None = None) -> Array:
        """Return the effective irradiance behind the glass, mean of the cells, W/m2, (R, N)."""
        moved = Off((), np.zeros((1, 0))) if moved is None else moved
        light = self._light(moved, at, AS_STATED)
        return light if light.ndim == 2 else light.mean(axis=-1)

    def cells_light(self, at: At) -> Array:
        """Return the light of each cell in series, behind the glass, W/m2, (N, cells)."""
        light = self._light(Off((), np.zeros((1, 0))), at, AS_STATED)
        return light[0] if light.ndim == 3 else light[0][:, None]

    def curve(
        self, at: At, even: bool = False, moved: Off | None = None, change: Change = AS_STATED
    ) -> Any:
        """Return the curves, by default at the estimates: `SingleDiode` or `SeriesString`, (R, N).

        The arguments are those of `solve`.
        """
        moved = Off((), np.zeros((1, 0))) if moved is None else moved
        return self._curve(moved, at, change, even)

    def _light(self, moved: Off, at: At, change: Change) -> Array:
        """Return the light behind the glass, W/m2, (R, M) or (R, M, cells)."""
        key = moved, at, change.from_plane, change.zero, change.stray, change.farther
        if isinstance(change.zero, np.ndarray):  # of a fit, which asks for each once
            light = self._unscaled(moved, at, change)
        else:
            if len(self._known) >= _MOST_KNOWN:  # a logger's readings never end
                self._known.clear()
            if key not in self._known:
                self._known[key] = self._unscaled(moved, at, change)
            light = self._known[key]
        times = change.light * at.light
        return light * (times if light.ndim == 2 else times[..., None])

    def _unscaled(self, moved: Off, at: At, change: Change) -> Array:
        """Return the same in the scene's own light, whatever ``change.light`` says."""
        angle = np.abs(at.angle)
        angle = 90.0 - angle if change.from_plane else angle
        signed = np.where(at.angle < 0, -angle, angle) + change.zero
        signed = signed + self.mount.u_angle * moved(ZERO)
        stray = self.mount.stray + change.stray + self.mount.u_stray * moved(STRAY)
        stray = np.clip(stray, 0.0, 1.0)
        return self.light.falling(moved, signed, stray, self.iam, at.distance, change.farther)

    def _warm(self, moved: Off, at: At, change: Change) -> Array:
        """Return the cell temperature, degC, (R, M)."""
        warm = self.temp_cell
        heat = warm.celsius + change.warmer + warm.in_light * np.log(np.maximum(change.light, DARK))
        heat = heat + at.warmer + warm.u * moved(warm.name)
        for name, kelvin in warm.by.items():
            heat = heat + kelvin * moved(name)
        return np.clip(heat, -99.0, 199.0)

    def _panels(self, moved: Off) -> ReferencePanel:
        """Return the panel of each combination, of arrays of shape (R, 1)."""
        sources = self.panel.sources
        own = np.concatenate([moved(name) for name in sources] or [np.zeros((len(moved), 0))], 1)
        own = own if np.any(own) else own[:1]
        key = own.tobytes()
        if key not in self._known:
            design = either_side(tuple(sources)).amounts
            count = len(design)
            if np.array_equal(own[:count], design[: len(own)]) and not np.any(own[count:]):
                rows = np.r_[0 : min(count, len(own)), np.zeros(max(len(own) - count, 0), int)]
                panels = self.panel.varied.each(lambda values: values[rows])
            else:
                panels = self.panel.moved(own)
            self._known[key] = panels.each(lambda values: values[:, None])
        return self._known[key]

    def _curve(self, moved: Off, at: At, change: Change, even: bool) -> Any:
        light, heat = self._light(moved, at, change), self._warm(moved, at, change)
        light = np.maximum(light, DARK)
        panels = self._panels(moved)
        if light.ndim == 3 and (even or not self.by_cell):
            light = light.mean(axis=-1)
        if change.shaded < 1.0 and self.panel.cells is not None:
            if light.ndim == 2:
                light = np.repeat(light[..., None], self.panel.cells, axis=-1)
            light = light.copy()
            light[..., 0] *= change.shaded
        if light.ndim == 2:
            return panels.at(light, heat)
        from ivkit.panel.cells import cells_under

        return cells_under(
            panels.each(lambda values: values[..., None]),
            light,
            heat[..., None],
            bypass_groups=self.panel.bypass_groups or 0,
        )
