"""The least squares behind `ivkit.verdict.angle`: weights of the readings, and the best parameters.

Parameters x are the logarithm of the light (W/m2 or percent), the zero of the scale (deg), and the
share of stray light. Weights are those of generalised least squares: the covariance of the readings
is what each scatters by on its own plus, for each shared cause, the product of what it does to all.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.string import SeriesString
from ivkit.verdict.angle_readings import AngleReadings
from ivkit.verdict.turned import Turned, operate_each

Array = NDArray[np.float64]

LIGHT, ZERO, STRAY = 0, 1, 2
LARGEST_ZERO = 40.0  # deg; a scale that is further out is a scale of something else
MOST_STRAY = 0.95
LOW = np.array([np.log(1e-3), -LARGEST_ZERO, 0.0])
HIGH = np.array([np.log(2e4), LARGEST_ZERO, MOST_STRAY])
SCALE = np.array([0.1, 3.0, 0.05])  # what a change that matters is like
_STEP = np.array([1e-4, 0.02, 1e-4])
#: Of one solve: five are usual, tens where a shared cause is as large as the readings.
_MOST_STEPS = 100
#: Of weights taken anew: two are usual. Only readings far from agreeing go on to and fro.
_MOST_ROUNDS = 8
_PART = 0.1  # of a standard uncertainty, by which a shared cause is off for its tangent
_ROUND_FTOL = 1e-5  # of chi-square, before the last


@dataclass(frozen=True)
class Weighting:
    """Covariance of the readings.

    Attributes
    ----------
    variance : ndarray, shape (N,)
        Of each reading on its own.
    shared : dict of str to ndarray, shape (N,)
        What one standard uncertainty of each shared cause does to the readings.
    """

    variance: Array
    shared: dict[str, Array]

    def __post_init__(self) -> None:
        root = np.sqrt(self.variance)
        moves = self.moves.T / root[:, None]
        vectors, sizes, _ = np.linalg.svd(moves, full_matrices=False)
        object.__setattr__(self, "_root", root)
        object.__setattr__(self, "_vectors", vectors)
        object.__setattr__(self, "_less", 1.0 - 1.0 / np.sqrt(1.0 + sizes**2))

    @property
    def moves(self) -> Array:
        """The shared causes' shifts, shape (causes, N)."""
        return np.array([*self.shared.values()]).reshape(-1, len(self.variance))

    @property
    def total(self) -> Array:
        """Variance of each reading, what it shares with the others included, shape (N,)."""
        return self.variance + np.sum(self.moves**2, axis=0)

    def white(self, values: Array) -> Array:
        """Return values (N,) or (N, M) times the inverse root of the full covariance."""
        scaled = (values.T / self._root).T
        less = self._less if values.ndim == 1 else self._less[:, None]
        return scaled - self._vectors @ (less * (self._vectors.T @ scaled))

    def unwhiten_gain(self, gain: Array) -> Array:
        """Return how parameters move with readings, from how they move with white ones, (M, N)."""
        return (gain - ((gain @ self._vectors) * self._less) @ self._vectors.T) / self._root


class AngleTask:
    """Readings, the panel, which parameters are free, and the panel with one thing off each."""

    def __init__(
        self, turned: Turned, readings: AngleReadings, free: Array, doubts: dict[str, Turned]
    ) -> None:
        self.turned, self.readings, self.free = turned, readings, free
        self.doubts = {name: turned.toward(other, _PART) for name, other in doubts.items()}
        self._near: Array | None = None  # currents found last: the next ones are not far
        self._last: tuple[Array, Array, Array] | None = None  # x, V, I

    def model(self, x: Array, load: Array | None = None) -> Array:
        """Return what would be read, shape (..., N), for parameters of shape (..., 3)."""
        return self.readings.seen(*self._point(x, load))

    def _point(self, x: Array, load: Array | None = None) -> tuple[Array, Array]:
        """Return voltage (V) and current (A) of each reading, as `model`."""
        given, plain = self.readings, x.ndim == 1 and load is None
        if plain and self._last is not None and np.array_equal(x, self._last[0]):
            return self._last[1:]
        ohm = given.load if load is None else load
        voltage, current = self.turned.operate(*self._at(x), ohm, self._near)
        if current.ndim == 1:
            self._near = current
        if plain:
            self._last = x.copy(), voltage, current
        return voltage, current

    def jacobian(self, x: Array, which: Array | None = None) -> Array:
        """Return how the readings move with parameters, shape (N, M)."""
        which = self.free if which is None else which
        up, down = np.tile(x, (len(which), 1)), np.tile(x, (len(which), 1))
        rows = np.arange(len(which))
        up[rows, which] += _STEP[which]
        down[rows, which] -= _STEP[which]
        down[:, STRAY] = np.maximum(down[:, STRAY], 0.0)
        width = (up - down)[rows, which]
        if self._by_shifts:
            ends = self._shifts(x, self.turned.curve(*self._at(np.concatenate([up, down]))))
        else:
            ends = self.model(np.concatenate([up, down]))
        return ((ends[: len(which)] - ends[len(which) :]) / width[:, None]).T

    @property
    def _by_shifts(self) -> bool:
        """Whether small changes are taken to first order about the solved strings."""
        return self.turned.near is not None and not np.any(np.isnan(self.readings.load))

    def _shifts(self, x: Array, others: SeriesString) -> Array:
        """Return how far the readings of strings near those at x are from those at x, (M, N).

        Under a near lamp, where solving the strings of all of these takes several times as long.
        """
        given, (voltage, current) = self.readings, self._point(x)
        here = self.turned.curve(*self._at(x))
        moves = here.shifts(current, given.load, others)
        return given.moved(voltage, current, *moves)

    def _at(self, x: Array) -> tuple[Array, Array, Array]:
        """Return angle of incidence, light and stray share of the readings, shape (..., N)."""
        light, zero, share = (x[..., k, None] for k in range(3))
        return self.readings.angle - zero, np.exp(light), share

    def _by_load(self, x: Array) -> Array:
        """Return what one part more load does to each reading."""
        given, step = self.readings, 1e-4
        moved = (self.model(x, given.load * (1.0 + step)) - self.model(x)) / step
        return np.where(np.isnan(given.load), 0.0, moved)

    def variance(self, x: Array) -> Array:
        """Return the variance of each reading on its own about the model at x, shape (N,)."""
        given = self.readings
        value = self.model(x)
        turn = self.jacobian(x, np.array([ZERO]))[:, 0]
        if given.load_is_ratio:
            # One part in a voltage moves V I and V / I alike, one in a current against each other.
            by_load = self._by_load(x)
            own = np.hypot(value - by_load, value + by_load) * given.share
        else:
            own = value * given.share
        variance = own**2 + given.floor**2 + (turn * given.u_angle) ** 2
        least = (1e-6 * np.max(np.abs(given.value))) ** 2
        return np.maximum(variance, least)

    def shared(self, x: Array) -> dict[str, Array]:
        """Return what one standard uncertainty of each shared cause does to the readings at x.

        By the tangent, as the jacobian: a cause that does what the light does would else be told
        from it, beside the knee, by how both curves bend.
        """
        given, moves = self.readings, {}
        if self.doubts:
            at, panels = self._at(x), [*self.doubts.values()]
            if self._by_shifts:
                curves = [panel.curve(*at) for panel in panels]
                moved = self._shifts(x, SeriesString.together(curves))
            else:
                moved = given.seen(*operate_each(panels, *at, given.load)) - self.model(x)
            moves = dict(zip(self.doubts, moved / _PART, strict=True))
        if given.u_load > 0:
            moves["load"] = given.u_load * self._by_load(x)
        return moves

    def weighting(self, x: Array) -> Weighting:
        """Return the covariance of the readings about the model at x."""
        return Weighting(self.variance(x), self.shared(x))

    def best(self, start: Array) -> tuple[Array, Weighting, float]:
        """Return the best parameters, the weights there, and chi-square."""
        found = None
        for guess in self._guesses(start):
            weighting = Weighting(self.variance(guess), {})
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
        """Return whether a step is small beside the doubt of the parameters at x."""
        gain = np.linalg.pinv(weighting.white(self.jacobian(x)), rcond=1e-9)
        u = np.sqrt(np.sum(gain**2, axis=1))
        return bool(
            np.all(np.abs(step[self.free]) <= np.maximum(0.05 * u, 1e-3 * SCALE[self.free]))
        )

    def solve(
        self, x: Array, weighting: Weighting, free: Array, ftol: float = 1e-7
    ) -> tuple[Array, float]:
        """Return the least chi-square over some of the parameters, and where it is.

        It has been found when a step takes less than ``ftol`` of it off.
        """
        read = self.readings.value

        def whole(part: Array) -> Array:
            full = x.copy()
            full[free] = part
            return full

        if not len(free):
            apart = weighting.white(self.model(x) - read)
            return x, float(apart @ apart)
        from scipy.optimize import least_squares

        found = least_squares(
            lambda part: weighting.white(self.model(whole(part)) - read),
            _at_bounds(x)[free],
            jac=lambda part: weighting.white(self.jacobian(whole(part), free)),
            bounds=(LOW[free], HIGH[free]),
            x_scale=SCALE[free],
            method="dogbox",
            xtol=1e-6,
            ftol=ftol,
            gtol=1e-7,
            max_nfev=_MOST_STEPS,
        )
        return whole(found.x), float(2.0 * found.cost)

    def _guesses(self, start: Array) -> list[Array]:
        """Return where to start: the best of a coarse grid, at up to three zeros apart.

        In parallel light, which costs nothing and is near enough, and at most 60 readings.
        """
        given = self.readings
        some = np.unique(np.linspace(0, len(given) - 1, 60).astype(int))
        axes = [
            np.log(np.geomspace(0.1, 4000.0, 45)),
            np.arange(-30.0, 31.0, 5.0),
            np.array([0.01, 0.06, 0.25]),
        ]
        axes = [axis if k in self.free else start[k : k + 1] for k, axis in enumerate(axes)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
        flat = Turned(self.turned.panel, self.turned.temp_cell, self.turned.iam)
        light, zero, share = (grid[..., k, None] for k in range(3))
        angle, load = given.angle[some], given.load[some]
        seen = given.seen(*flat.operate(angle - zero, np.exp(light), share, load))
        read = given.value[some]
        u = 0.03 * np.abs(read) + 0.01 * np.max(np.abs(given.value))
        cost = np.sum(((seen - read) / u) ** 2, axis=-1)
        by_zero = cost.transpose(1, 0, 2).reshape(cost.shape[1], -1)
        least = by_zero.min(axis=1)
        edge = np.concatenate([[np.inf], least, [np.inf]])
        valleys = np.flatnonzero((least <= edge[:-2]) & (least <= edge[2:]))
        chosen = valleys[np.argsort(least[valleys])][:3]
        sheets = grid.transpose(1, 0, 2, 3).reshape(cost.shape[1], -1, 3)
        return [sheets[k, int(np.argmin(by_zero[k]))] for k in chosen]


def _at_bounds(x: Array) -> Array:
    """Return parameters within their bounds, those very near one on it.

    From close by the box's first step goes no further than to the bound, and it would end there.
    """
    near = 1e-3 * SCALE
    return np.where(x < LOW + near, LOW, np.where(x > HIGH - near, HIGH, x))
