"""What should be read: values, and what each input does to them.

All inputs one standard uncertainty up and down, at all readings, in one batch: half of the
difference is the sensitivity (JCGM 100:2008, 5.1.3 note 2), the sum less twice the estimate the
curvature, which corrects the mean and adds to the uncertainty (5.1.2 note). A fixed load near the
knee needs it.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat

from ivkit.predict.change import AS_STATED, Change
from ivkit.predict.scene import At, Scene

Array = NDArray[np.float64]

#: How power is worked out of what is read: from V and I, from the voltage and the stated load,
#: from the current and it, or read as such.
BOTH, VOLTAGE, CURRENT, POWER = "voltage and current", "voltage", "current", "power"
LOAD = "load"
_STEP = 0.01  # of a load without uncertainty, for the slope
_MOST_BENT = 0.5  # of a value: beyond, two terms of a series are no guide


@dataclass(frozen=True)
class Quantity:
    """A predicted quantity at N readings.

    Attributes
    ----------
    value : ndarray, shape (N,)
        Its mean, corrected for curvature.
    moves : ndarray, shape (K, N)
        What one standard uncertainty of each input does to it, in proportion.
    bends : ndarray, shape (K, N)
        What is left of going up and down: twice that of the second order.
    by_load : ndarray, shape (N,)
        Its derivative by the logarithm of the load.
    load_move, load_bend : ndarray, shape (N,)
        As ``moves`` and ``bends``, of each reading's own load.
    """

    value: Array
    moves: Array
    bends: Array
    by_load: Array
    load_move: Array
    load_bend: Array

    @property
    def shifts(self) -> Array:
        """``moves``, then what ``bends`` add to the uncertainty, shape (2 K, N)."""
        return np.concatenate([self.moves, self.bends / np.sqrt(2.0)])

    @property
    def of_load(self) -> Array:
        """Standard uncertainty by the load, shape (N,)."""
        return np.hypot(self.load_move, self.load_bend / np.sqrt(2.0))

    @property
    def u(self) -> Array:
        """Standard uncertainty, shape (N,)."""
        return np.sqrt(np.sum(self.shifts**2, axis=0) + self.of_load**2)


@dataclass(frozen=True)
class Prediction:
    """What should be read.

    Attributes
    ----------
    scene : Scene
    at : At
    quantities : dict of str to Quantity
        ``voltage`` (V), ``current`` (A), ``power`` (W, as it is worked out of what is read),
        and where asked for ``i_sc``, ``v_oc``, ``v_mp``, ``i_mp``, ``p_mp``, and the mean ``light``
        behind the glass (W/m2).
    """

    scene: Scene
    at: At
    quantities: dict[str, Quantity]

    def __getitem__(self, name: str) -> Quantity:
        return self.quantities[name]

    @property
    def voltage(self) -> Array:
        """V, shape (N,)."""
        return self["voltage"].value

    @property
    def current(self) -> Array:
        """A, shape (N,)."""
        return self["current"].value

    @property
    def power(self) -> Array:
        """W, shape (N,)."""
        return self["power"].value

    @cached_property
    def bend_variables(self) -> dict[str, UFloat]:
        """A variable 0 +- 1 for the curvature of each input."""
        return {name: ufloat(0.0, 1.0, name) for name in self.scene.names}

    def number(self, name: str, k: int = 0) -> UFloat:
        """Return a quantity at one reading as an uncertain number, tied to the scene's inputs."""
        one, variables = self[name], self.scene.variables
        found = float(one.value[k]) + 0.0 * ufloat(0.0, 1.0)
        for row, key in enumerate(self.scene.names):
            if one.moves[row, k]:
                found = found + float(one.moves[row, k]) * variables[key]
            if one.bends[row, k]:
                found = found + float(one.bends[row, k]) / 2**0.5 * self.bend_variables[key]
        if one.of_load[k]:
            found = found + float(one.of_load[k]) * ufloat(0.0, 1.0, LOAD)
        return found

    def budget(self, name: str = "power") -> dict[str, float]:
        """Return the fraction of each input in the variance of a quantity, mean over readings."""
        one = self[name]
        parts: dict[str, float] = {}
        for key, square in zip(
            (*self.scene.names,) * 2, np.mean(one.shifts**2, axis=1), strict=True
        ):
            parts[key] = parts.get(key, 0.0) + float(square)
        parts[LOAD] = float(np.mean(one.of_load**2))
        total = sum(parts.values())
        told = {key: part / total for key, part in parts.items() if part > 0}
        return dict(sorted(told.items(), key=lambda item: -item[1]))


def predict(
    scene: Scene,
    at: At,
    change: Change = AS_STATED,
    *,
    given: NDArray[np.str_] | str = BOTH,
    ends: bool = False,
    light: bool = False,
    even: bool = False,
    load: Array | None = None,
) -> Prediction:
    """Return what should be read.

    Parameters
    ----------
    scene : Scene
    at : At
        N readings.
    change : Change
    given : str or array of str, shape (N,)
        What the power of each reading is worked out of: `BOTH`, `VOLTAGE`, `CURRENT`, `POWER`. One
        from the voltage alone goes with the stated load in another way than one from both.
    ends : bool
        Also the curve's ends and its maximum.
    light : bool
        Also the mean light behind the glass.
    even : bool
        The light of a near lamp is spread evenly over the cells.
    load : ndarray, shape (N,), optional
        In place of the readings' own.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> from ivkit.predict.facing import Facing
    >>> panel = make_datasheet(SheetFile(pmp_W=10.0, cells=36))
    >>> found = predict(Scene(panel, Facing.of(500.0, 25.0)), At.of(load=47.0))
    >>> print(f"{found.number('power'):.2uS} W")
    3.83(54) W
    """
    moved, stated = scene.each, at.load
    load = stated if load is None else load
    rows = scene.solve(at, moved, change, load=load, ends=ends, even=even)
    step = np.where(at.u_load > 0, at.u_load, _STEP)
    aside = load * (1.0 + np.array([[1.0], [-1.0]]) * step)
    other = scene.solve_loads(at, aside, change, even)
    given = np.broadcast_to(np.asarray(given), load.shape)
    rows["power"] = worked_out(rows, stated, given)
    other["power"] = worked_out(other, stated, given)
    if ends:
        rows["p_mp"] = rows["v_mp"] * rows["i_mp"]
    if light:
        rows["light"] = scene.light_on(at, moved)
    own = np.isfinite(load) & (load > 0)
    quantities = {}
    for name, values in rows.items():
        pair = other.get(name)
        quantities[name] = _quantity(values, pair, step, own, at.u_load > 0)
    return Prediction(scene, at, quantities)


def worked_out(rows: dict[str, Array], load: Array, given: NDArray[np.str_]) -> Array:
    """Return the power as it would be worked out of what is read, W."""
    power = rows["voltage"] * rows["current"]
    ohmic = np.isfinite(load) & (load > 0)
    for source, quantity, times in ((VOLTAGE, "voltage", -1.0), (CURRENT, "current", 1.0)):
        some = ohmic & (given == source)
        if np.any(some):
            power = np.where(some, rows[quantity] ** 2 * np.where(some, load, 1.0) ** times, power)
    return power


def _quantity(
    values: Array, pair: Array | None, step: Array, own: NDArray[np.bool_], known: NDArray[np.bool_]
) -> Quantity:
    """Return a quantity from its rows, (1 + 2 K, N), and those of loads aside, (2, N)."""
    middle = values[0]
    up, down = values[1::2] - middle, values[2::2] - middle
    # Where no panel is on one side, the other side tells.
    up = np.where(np.isfinite(up), up, -down)
    down = np.where(np.isfinite(down), down, -up)
    moves, bends = 0.5 * (up - down), up + down
    none = np.zeros_like(middle)
    more, less = (none, none) if pair is None else pair - middle
    half, bend = 0.5 * (more - less) * own, (more + less) * own
    by_load = half / step
    load_move, load_bend = half * known, bend * known
    most = _MOST_BENT * np.abs(middle)
    mean = middle + np.clip(0.5 * (np.sum(bends, axis=0) + load_bend), -most, most)
    return Quantity(mean, moves, bends, by_load, load_move, load_bend)
