"""What a gross error makes of readings: the true set-up behind them, and what was written down.

A case is one size of a gross error: another set-up (`ivkit.predict.change.Change`), then another
way of writing (`scaled`, `in_place_of`, ...). Sizes that nobody knows are a row of cases with a
fraction of the weight each.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.predict.change import AS_STATED, Change
from ivkit.predict.compare import left_over_of
from ivkit.predict.misfit import Expected, Misfit, floors, misfit
from ivkit.predict.prediction import predict
from ivkit.predict.readings import Readings
from ivkit.predict.scene import At, Scene

Array = NDArray[np.float64]
Written = Callable[[Expected, "Seen"], Expected]
Cases = Iterator["Case"]
#: Loads tried where none is stated, over Voc / Isc.
_LOADS = np.concatenate([[0.0], np.geomspace(1e-3, 1e3, 121), [np.inf]])


@dataclass(frozen=True, eq=False)
class Seen:
    """A scene and what was read in it.

    Attributes
    ----------
    scene : Scene
    readings : Readings
    outdoors : bool
        The light is stated to be the sky's.
    told : str
        How the light was told: ``irradiance``, ``lux``, ``lamp``, ``share`` of a sweep's.
    """

    scene: Scene
    readings: Readings
    outdoors: bool = False
    told: str = "irradiance"
    _known: dict[Any, Expected] = field(default_factory=dict, repr=False)

    @property
    def observed(self) -> tuple[str, ...]:
        """As `Readings.observed`."""
        return self.readings.observed

    @cached_property
    def left_over(self) -> Array:
        """What no law of the panel accounts for in each reading, as a fraction."""
        return left_over_of(self.scene, self.readings)

    @cached_property
    def usual_load(self) -> float:
        """Voc over Isc in the stated light: the order of size of loads that matter, ohm."""
        points = self.scene.curve(At.of(), even=True).key_points()
        return float(np.ravel(points.v_oc)[0] / np.ravel(points.i_sc)[0])

    def expect(self, change: Change = AS_STATED, load: Array | None = None) -> Expected:
        """Return what the readings should be if the set-up were changed.

        Cells in unequal light are solved as they are stated; a change of light or temperature is
        to them what it is to the same cells in even light.

        Parameters
        ----------
        change : Change
        load : ndarray, shape (N,), optional
            In place of the stated one; it must be given where none is stated.
        """
        key = change, None if load is None else load.tobytes()
        if key not in self._known:
            if not self.scene.by_cell or change == AS_STATED or change.shaded < 1.0:
                self._known[key] = self._expect(change, load, even=False)
            else:
                base = self.expect(AS_STATED, load)
                even, there = (self._expect(c, load, even=True) for c in (AS_STATED, change))
                self._known[key] = _carried(base, even, there)
        return self._known[key]

    def _expect(self, change: Change, load: Array | None, even: bool) -> Expected:
        given = self.readings
        return Expected.of(
            predict(self.scene, given.at_stated, change, ends=True, even=even, load=load)
        )

    def along(self, change: Change, load: Array) -> dict[str, Array]:
        """Return the values alone, of shape (M, N), for loads of shape (M, 1)."""
        at = self.readings.at_stated
        found = self.scene.solve_loads(at, np.broadcast_to(load, (len(load), len(at))), change)
        ends = self.scene.solve(at, change=change, ends=True)
        found["power"] = found["voltage"] * found["current"]
        return found | {n: np.broadcast_to(ends[n], (len(load), len(at))) for n in ("v_oc", "i_sc")}

    def few(self, most: int) -> "Seen":
        """Return the same with at most so many of its readings, spread evenly."""
        count = len(self.readings)
        if count <= most:
            return self
        some = self.readings.select(np.linspace(0, count - 1, most).astype(int))
        return Seen(self.scene, some, self.outdoors, self.told)


def _carried(base: Expected, even: Expected, there: Expected) -> Expected:
    """Return ``base`` moved as even light moves from one prediction to another."""
    values = {}
    for name, value in base.values.items():
        least = 1e-12 * float(np.max(np.abs(even.values[name]))) + 1e-30
        values[name] = value * there.values[name] / np.maximum(np.abs(even.values[name]), least)
    moves = {n: m + there.moves[n] - even.moves[n] for n, m in base.moves.items()}
    return Expected(values, moves, there.by_load)


def as_it_is(expected: Expected, seen: Seen) -> Expected:
    """Return the readings as they are."""
    return expected


@dataclass(frozen=True)
class Case:
    """One size of a gross error.

    Attributes
    ----------
    size : str
        For people: "times 11", "3.2 ohm", "+35 K"; empty where there is only one.
    change : Change
        The true set-up against the stated one.
    written : callable
        From what the readings are to what was written down.
    weight : float
        Fraction of the weight among the sizes.
    leave_out : tuple of int and str, or None
        A reading and its channel, of which the case says nothing.
    """

    size: str = ""
    change: Change = AS_STATED
    written: Written = as_it_is
    weight: float = 1.0
    leave_out: tuple[int, str] | None = None


@dataclass(frozen=True)
class GrossError:
    """One gross error.

    Attributes
    ----------
    name, explains, check : str
        What it is, what it does, and the check that tells it from the others.
    prior : float
        How common it is against the others (common practice, no source).
    cases : callable
        From what was seen to its cases; none where the readings could not hold this error.
    """

    name: str
    explains: str
    check: str
    prior: float
    cases: Callable[[Seen], Cases]


def expected_of(seen: Seen, case: Case) -> Expected:
    """Return what would be written down; loads that nobody states are taken from the readings."""
    given = seen.readings
    if np.all(given.stated != -1.0):
        return case.written(seen.expect(case.change), seen)
    if case.change == AS_STATED and case.written is as_it_is:
        return seen.expect(AS_STATED, given.at_stated.load)
    found = np.where(given.stated == -1.0, nearest_load(seen, case), given.stated)
    return case.written(seen.expect(case.change, found), seen)


def nearest_load(seen: Seen, case: Case) -> Array:
    """Return the load of each reading, ohm, at which the case comes nearest to it."""
    loads = _LOADS[:, None] * seen.usual_load
    along = seen.along(case.change, loads)
    none = np.zeros((0, *along["voltage"].shape))
    flat = Expected(along, dict.fromkeys(along, none), along)
    written = case.written(flat, seen)
    floor = floors(seen.readings, written)
    far = np.zeros(along["voltage"].shape)
    for name in seen.observed:
        read, right, least = getattr(seen.readings, name), written.values[name], floor[name]
        size = np.maximum(np.abs(right), least)
        off = np.log(np.maximum(np.abs(read), least) / size)
        off = off**2 / (seen.readings.u**2 + (least / size) ** 2)
        far += np.where(np.isfinite(read), off, 0.0)
    return np.broadcast_to(loads, far.shape)[np.argmin(far, axis=0), np.arange(far.shape[1])]


def misfit_of(seen: Seen, case: Case, loose: float = 0.0) -> Misfit:
    """Return how well a case explains the readings.

    ``loose`` is the logarithm of a factor that each channel may be off by besides.
    """
    expected = expected_of(seen, case)
    return misfit(seen.readings, expected, seen.left_over, leave_out=case.leave_out, loose=loose)


def spread(cases: Iterable[Case], share: float = 1.0) -> list[Case]:
    """Return cases that share a belief evenly."""
    cases = list(cases)
    return [replace(case, weight=share / len(cases)) for case in cases]


# What may happen on the way to the notebook ------------------------------------------------


def scaled(voltage: float = 1.0, current: float = 1.0) -> Written:
    """Return a way of writing that multiplies voltage, current, and their product."""

    def write(expected: Expected, seen: Seen) -> Expected:
        factors = {
            "voltage": voltage,
            "v_oc": voltage,
            "current": current,
            "i_sc": current,
            "power": voltage * current,
        }
        values = {name: x * factors.get(name, 1.0) for name, x in expected.values.items()}
        return replace(expected, values=values)

    return write


def in_place_of(**names: str) -> Written:
    """Return a way of writing that puts one quantity in the place of another.

    ``in_place_of(voltage="v_oc")`` writes the open-circuit voltage for each load's.
    """

    def write(expected: Expected, seen: Seen) -> Expected:
        def put(table: dict, product: Callable) -> dict:
            new = {**table, **{place: table[name] for place, name in names.items()}}
            new["power"] = product(new["voltage"], new["current"])
            return new

        return Expected(
            put(expected.values, np.multiply),
            put(expected.moves, np.add),
            put(expected.by_load, np.add),
        )

    return write


def by_stated_load(expected: Expected, seen: Seen) -> Expected:
    """Return the current as the voltage over the stated load, and the power as its square."""
    load = seen.readings.load
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        current = np.where(np.isfinite(load) & (load > 0), expected.values["voltage"] / load, 0.0)
    values = {**expected.values, "current": current}
    values["power"] = values["voltage"] * current
    # The stated load is a number on paper here: only the true one moves the voltage.
    moves = {**expected.moves, "current": expected.moves["voltage"]}
    by_load = {**expected.by_load, "current": expected.by_load["voltage"]}
    for table in (moves, by_load):
        table["power"] = 2.0 * table["voltage"]
    return Expected(values, moves, by_load)


def factors(values: Iterable[float], channel: str, bump: Iterable[float] = ()) -> Iterator[Case]:
    """Yield cases that multiply one channel, or both; half of the belief on ``bump`` if given."""
    values, bump = list(values), list(bump)

    def one(k: float) -> Case:
        both = {"both": (k, k), "voltage": (k, 1.0), "current": (1.0, k)}[channel]
        return Case(f"times {k:.3g}", written=scaled(*both))

    if bump:
        yield from spread(map(one, bump), 0.5)
    yield from spread(map(one, values), 0.5 if bump else 1.0)
