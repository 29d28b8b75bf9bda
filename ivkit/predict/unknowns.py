"""Least squares for what nobody knows of a scene: light, zero of a scale, stray light, and more.

Weights are those of generalised least squares: the covariance of the readings is what each
scatters by on its own, the scatter of its angle included (effective variance), plus what the
scene's inputs do to all of them. What shared inputs do counts by their tangent: beside the knee a
chord of one standard uncertainty would tell an input from the light by how both curves bend.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.string import SeriesString
from ivkit.load.resistor import Resistor
from ivkit.predict.change import Change
from ivkit.predict.facing import Facing
from ivkit.predict.misfit import shared_loads
from ivkit.predict.off import Off
from ivkit.predict.prediction import BOTH, CURRENT, VOLTAGE
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene
from ivkit.predict.weighting import Weighting

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Unknown:
    """One of them: bounds, what a change that matters is like, a step, its grid of starts.

    Light and load count as logarithms of a factor, the zero in deg, stray light as a fraction, the
    temperature in K.
    """

    low: float
    high: float
    scale: float
    step: float
    grid: Array


#: deg; a scale that is further out is a scale of something else.
LARGEST_ZERO = 110.0
UNKNOWNS: Mapping[str, Unknown] = {
    "light": Unknown(-12.0, 12.0, 0.1, 1e-4, np.linspace(-7.0, 4.0, 34)),
    "zero": Unknown(-LARGEST_ZERO, LARGEST_ZERO, 3.0, 0.02, np.arange(-98.0, 99.0, 7.0)),
    "stray": Unknown(0.0, 0.95, 0.05, 1e-4, np.array([0.01, 0.06, 0.25])),
    "temperature": Unknown(-60.0, 80.0, 5.0, 0.05, np.array([0.0])),
    "load": Unknown(-5.0, 5.0, 0.05, 1e-4, np.array([0.0])),
}
NAMES = (*UNKNOWNS,)
LOW, HIGH, SCALE, _STEP = (
    np.array([getattr(one, name) for one in UNKNOWNS.values()])
    for name in ("low", "high", "scale", "step")
)
LIGHT, ZERO, STRAY, WARMER, LOAD = range(5)
#: Of one solve: five are usual, tens where a shared input is as large as the readings.
_MOST_STEPS = 100
#: Of weights taken anew: two are usual. Only readings far from agreeing go on to and fro.
_MOST_ROUNDS = 8
_ROUND_FTOL = 1e-5  # of chi-square, before the last
_PART = 0.1  # of a standard uncertainty, by which an input is off for its tangent
_MOST_TRIED = 30  # readings that starts are compared by


def change_of(scene: Scene, x: Array, load: float = 0.0) -> Change:
    """Return what unknowns of shape (R, 5) make of a scene; ``load`` is added to that of loads."""
    light, zero, stray, warmer, log_load = (x[:, k, None] for k in range(5))
    stray = stray - scene.mount.stray
    return Change(np.exp(light), warmer, False, -zero, stray, np.exp(log_load + load))


class Task:
    """A scene, its readings, and which of `UNKNOWNS` are free.

    ``start`` are the values of all of them, shape (5,), ``prior`` their standard uncertainties
    about it, infinite where nothing is known.
    """

    def __init__(
        self,
        scene: Scene,
        readings: Readings,
        free: Array,
        start: Array,
        prior: Array,
        u_angle: float = 0.0,
    ) -> None:
        self.scene, self.readings, self.free, self.u_angle = scene, readings, free, u_angle
        self.start, self.prior = start, prior
        self.at, given = readings.at, readings.given
        names = [(VOLTAGE, "voltage"), (CURRENT, "current")]
        self.quantities = np.full(len(readings), "power", dtype="U8")
        for one, name in names:
            self.quantities[given == one] = name
        read = {n: getattr(readings, n) for n in ("voltage", "current", "power")}
        power = read["power"]
        if np.any(given == BOTH):
            both = read["voltage"] * read["current"]
            power = both if power is None else np.where(given == BOTH, both, power)
        self.read = self._pick(read["voltage"], read["current"], power)
        self.by_ratio = readings.by_ratio & (self.quantities == "power")
        loads, mine = shared_loads(readings)
        mine = np.where(readings.by_ratio, -1, mine)
        tells = [k for k in range(len(loads)) if np.any(mine == k)]
        tells = tells if readings.u_load > 0 and LOAD not in free else []
        self.loads, self.mine = tuple(loads[k] for k in tells), np.full(len(readings), -1)
        for place, k in enumerate(tells):
            self.mine[mine == k] = place
        alone = (self.mine < 0) & readings.resistor & ~readings.by_ratio
        self.own_load = np.where(alone & (LOAD not in free), readings.u_load, 0.0)
        self._near: Array | None = None  # currents found last: the next ones are not far
        self._last: tuple[Array, Array, Array] | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the shared inputs: the scene's, then loads that several readings share."""
        return (*self.scene.names, *(f"load {ohm:g} ohm" for ohm in self.loads))

    def _change(self, x: Array, load: float = 0.0) -> Change:
        return change_of(self.scene, x, load)

    def model(self, x: Array, load: float = 0.0) -> Array:
        """Return what would be read, shape (..., N), of unknowns of shape (..., 5)."""
        voltage, current = self._point(x, load)
        return self._seen(voltage, current)

    def _pick(self, voltage: Array | None, current: Array | None, power: Array | None) -> Array:
        out = np.full(len(self.quantities), np.nan)
        for name, values in (("voltage", voltage), ("current", current), ("power", power)):
            if values is not None:
                out = np.where(self.quantities == name, values, out)
        return out

    def _seen(self, voltage: Array, current: Array) -> Array:
        power = voltage * current
        power = np.where(self.quantities == "current", current, power)
        return np.where(self.quantities == "voltage", voltage, power)

    def _point(self, x: Array, load: float = 0.0) -> tuple[Array, Array]:
        plain = x.ndim == 1 and not load
        if plain and self._last is not None and np.array_equal(x, self._last[0]):
            return self._last[1:]
        rows = x.reshape(-1, 5)
        change = self._change(rows, load)
        moved = Off((), np.zeros((len(rows), 0)))
        curve = self.scene.curve(self.at.condition, moved=moved, change=change)
        near = self._near if isinstance(curve, SeriesString) else None
        worked = Resistor(self.at.load * change.load).operate(curve, near=near)
        shape = (*x.shape[:-1], len(self.at))
        voltage, current = (
            np.broadcast_to(values, (len(rows), len(self.at))).reshape(shape)
            for values in (worked.voltage, worked.current)
        )
        if x.ndim == 1:
            self._near = current
        if plain:
            self._last = x.copy(), voltage, current
        return voltage, current

    @property
    def _by_shifts(self) -> bool:
        """Whether small changes are taken to first order about the solved strings."""
        return self.scene.by_cell and not np.any(np.isnan(self.at.load))

    def _shifted(self, x: Array, moved: Off, change: Change) -> Array:
        """Return how far readings of other strings near those at x are from these, (R, N)."""
        voltage, current = self._point(x)
        condition = self.at.condition
        here = self.scene.curve(condition, change=self._change(x[None]))
        others = self.scene.curve(condition, moved=moved, change=change)
        load = self.at.load * np.exp(x[LOAD])
        if len(condition) == 1 < len(self.at):  # one condition, many loads
            here, others = _wide(here, len(self.at)), _wide(others, len(self.at))
        own = SeriesString(_row(here), here.bypass_groups, here.bypass_drop, here.breakdown)
        more_v, more_i = own.shifts(current, load, others)
        power = more_v * current + voltage * more_i
        power = np.where(self.quantities == "current", more_i, power)
        return np.where(self.quantities == "voltage", more_v, power)

    def jacobian(self, x: Array, which: Array | None = None) -> Array:
        """Return how the readings move with unknowns, shape (N, M)."""
        which = self.free if which is None else which
        if not len(which):
            return np.zeros((len(self.at), 0))
        up, down = np.tile(x, (len(which), 1)), np.tile(x, (len(which), 1))
        rows = np.arange(len(which))
        up[rows, which] = np.minimum(x[which] + _STEP[which], HIGH[which])
        down[rows, which] = np.maximum(x[which] - _STEP[which], LOW[which])
        width = up[rows, which] - down[rows, which]
        both = np.concatenate([up, down])
        if self._by_shifts and LOAD not in which:
            moved = Off((), np.zeros((len(both), 0)))
            ends = self._shifted(x, moved, self._change(both))
        else:
            ends = self.model(both)
        return ((ends[: len(which)] - ends[len(which) :]) / width[:, None]).T

    def _by_load(self, x: Array) -> Array:
        """Return the derivative of each reading by the logarithm of its load."""
        step = 1e-4
        moved = (self.model(x, step) - self.model(x, -step)) / (2.0 * step)
        return np.where(np.isnan(self.at.load), 0.0, moved)

    def variance(self, x: Array) -> Array:
        """Return the variance of each reading on its own about the model at x, shape (N,)."""
        given, value = self.readings, self.model(x)
        turn = self.jacobian(x, np.array([ZERO]))[:, 0] if self.u_angle else 0.0
        parts = []
        slope = self._by_load(x) if np.any(self.by_ratio) or np.any(self.own_load) else 0.0
        for name, sign in (("voltage", -1.0), ("current", 1.0)):
            if getattr(given, name) is None:
                continue
            # One part in a voltage moves V I and V / I alike, one in a current against each other.
            read, own = np.abs(getattr(given, name)), given.own(name)
            with np.errstate(divide="ignore", invalid="ignore"):
                part = np.where(read > 0, own / read, 0.0)
            both = np.where(self.by_ratio, (value + sign * slope) * part, 0.0)
            parts.append(np.where(self.quantities == name, own, np.nan_to_num(both)))
        if given.power is not None:
            alone = (self.quantities == "power") & ~self.by_ratio
            parts.append(np.where(alone, given.own("power"), 0.0))
        own = sum(part**2 for part in parts)
        own = own + (self.own_load * slope) ** 2 + (turn * self.u_angle) ** 2
        return np.maximum(own, (1e-6 * np.max(np.abs(self.read))) ** 2)

    def shared(self, x: Array) -> Array:
        """Return what one standard uncertainty of each shared input does at x, shape (K, N)."""
        count = len(self.scene.names)
        moves = np.zeros((0, len(self.at)))
        if count:
            amounts = _PART * np.concatenate([np.eye(count), -np.eye(count)])
            moved = Off(self.scene.names, amounts)
            if self._by_shifts:
                ends = self._shifted(x, moved, self._change(x[None]))
            else:
                rows = self.scene.solve(self.at, moved, self._change(x[None]))
                ends = self._seen(rows["voltage"], rows["current"])
            moves = (ends[:count] - ends[count:]) / (2.0 * _PART)
        # Of what the front end does to voltage and current, the scene's inputs may be the same.
        for effect in self.readings.effects:
            shift = self._seen_shift(effect.dv, effect.di)
            if effect.name in self.scene.names:
                moves[self.scene.names.index(effect.name)] -= shift
        if self.loads:
            by_load = self.readings.u_load * self._by_load(x)
            own = [np.where(self.mine == k, by_load, 0.0) for k in range(len(self.loads))]
            moves = np.concatenate([moves, own])
        return moves

    def _seen_shift(self, dv: Array, di: Array) -> Array:
        given = self.readings
        v, i = (np.zeros(len(given)) if x is None else x for x in (given.voltage, given.current))
        return np.nan_to_num(self._pick(dv, di, v * di + i * dv))

    def weighting(self, x: Array) -> Weighting:
        """Return the covariance of the readings about the model at x."""
        return Weighting(self.variance(x), self.shared(x))

    def pulled(self, x: Array) -> Array:
        """Return how far the free unknowns are from what was known of them, in u of it."""
        return (x - self.start)[self.free] / self.prior[self.free]

    def best(self) -> tuple[Array, Weighting, float]:
        """Return the best unknowns, the weights there, and chi-square."""
        found = None
        for guess in self._guesses():
            weighting = Weighting(self.variance(guess), np.zeros((0, len(self.at))))
            x, cost = self.solve(guess, weighting, self.free)
            if found is None or cost < found[1] * (1.0 - 1e-9):
                found = x, cost
        x, cost = found
        for _ in range(_MOST_ROUNDS):
            weighting, before = self.weighting(x), x
            x, cost = self.solve(x, weighting, self.free, _ROUND_FTOL)
            if self._settled(x - before, x, weighting):
                break
        x, cost = self.solve(x, weighting, self.free)
        return x, weighting, cost

    def _settled(self, step: Array, x: Array, weighting: Weighting) -> bool:
        """Return whether a step is small beside the uncertainty of the unknowns at x."""
        gain = np.linalg.pinv(weighting.white(self.jacobian(x)), rcond=1e-9)
        u = np.sqrt(np.sum(gain**2, axis=1))
        least = 1e-3 * SCALE[self.free]
        return bool(np.all(np.abs(step[self.free]) <= np.maximum(0.05 * u, least)))

    def solve(
        self, x: Array, weighting: Weighting, free: Array, ftol: float = 1e-7
    ) -> tuple[Array, float]:
        """Return the least chi-square over some of the unknowns, and where it is.

        It has been found when a step takes less than ``ftol`` of it off.
        """

        def whole(part: Array) -> Array:
            full = x.copy()
            full[free] = part
            return full

        def apart(full: Array) -> Array:
            white = weighting.white(self.model(full) - self.read)
            return np.concatenate([white, self.pulled(full)])

        if not len(free):
            here = apart(x)
            return x, float(here @ here)
        from scipy.optimize import least_squares

        by_prior = (np.arange(5)[self.free, None] == free) / self.prior[self.free, None]
        found = least_squares(
            lambda part: apart(whole(part)),
            _at_bounds(x)[free],
            jac=lambda part: np.concatenate(
                [weighting.white(self.jacobian(whole(part), free)), by_prior]
            ),
            bounds=(LOW[free], HIGH[free]),
            x_scale=SCALE[free],
            method="dogbox",
            xtol=1e-6,
            ftol=ftol,
            gtol=1e-7,
            max_nfev=_MOST_STEPS,
        )
        return whole(found.x), float(2.0 * found.cost)

    def _guesses(self) -> list[Array]:
        """Return where to start: the best of a coarse grid, at up to three zeros apart.

        In uniform light, which costs little and is near enough, and by some of the readings.
        """
        some = np.unique(np.linspace(0, len(self.at) - 1, _MOST_TRIED).astype(int))
        axes = [
            one.grid + (self.start[k] if k not in (ZERO, STRAY) else 0.0)
            if k in self.free
            else self.start[k : k + 1]
            for k, one in enumerate(UNKNOWNS.values())
        ]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
        rows = grid.reshape(-1, 5)
        flat = replace(self.scene, light=Facing(self.scene.light.irradiance), _known={})
        moved = Off((), np.zeros((len(rows), 0)))
        seen = flat.solve(self.at.select(some), moved, self._change(rows))
        quantities = self.quantities[some]
        values = {"power": seen["voltage"] * seen["current"], **seen}
        model = np.select([quantities == n for n in values], [*values.values()])
        read = self.read[some]
        u = 0.03 * np.abs(read) + 0.01 * np.max(np.abs(self.read))
        cost = np.sum(((model - read) / u) ** 2, axis=-1)
        known = np.isfinite(self.prior)
        cost = cost + np.sum(((rows - self.start) / self.prior)[:, known] ** 2, axis=-1)
        count = grid.shape[ZERO]
        by_zero = np.moveaxis(cost.reshape(grid.shape[:-1]), ZERO, 0).reshape(count, -1)
        least = by_zero.min(axis=1)
        edge = np.concatenate([[np.inf], least, [np.inf]])
        valleys = np.flatnonzero((least <= edge[:-2]) & (least <= edge[2:]))
        chosen = valleys[np.argsort(least[valleys])][:3]
        sheets = np.moveaxis(grid, ZERO, 0).reshape(count, -1, 5)
        return [sheets[k, int(np.argmin(by_zero[k]))] for k in chosen]


def _row(curve: SeriesString) -> object:
    """Return the cells of strings of shape (1, N) as those of shape (N,)."""
    cells = curve.cells
    names = ("photocurrent", "saturation_current", "resistance_series", "resistance_shunt")
    parts = [getattr(cells, name) for name in (*names, "nNsVth")]
    return type(cells)(*(x[0] if np.ndim(x) == 3 else x for x in parts))


def _wide(curve: SeriesString, count: int) -> SeriesString:
    """Return strings of shape (R, 1) as those of shape (R, count)."""
    light = curve.cells.photocurrent
    wide = np.broadcast_to(light, (light.shape[0], count, light.shape[-1]))
    return replace(curve, cells=replace(curve.cells, photocurrent=wide))


def _at_bounds(x: Array) -> Array:
    """Return unknowns within their bounds, those very near one on it.

    From close by the box's first step goes no further than to the bound, and it would end there.
    """
    near = 1e-3 * SCALE
    return np.where(x < LOW + near, LOW, np.where(x > HIGH - near, HIGH, x))
