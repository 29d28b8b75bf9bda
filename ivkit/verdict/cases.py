"""What a slip makes of readings: the true set-up behind them, and what was written down of it.

A case is one size of a slip: another set-up (`ivkit.verdict.scene.Change`), then another way of
writing (`scaled`, `exchanged`, ...). Sizes that nobody knows are a row of cases with shares of
the belief.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from ivkit.verdict.match import Match, floors, match
from ivkit.verdict.scene import Expected, Scene
from ivkit.verdict.stated import AS_STATED, Change

Written = Callable[[Expected, Scene], Expected]
Cases = Iterator["Case"]
#: Loads tried where none is stated, over Voc / Isc.
_LOADS = np.concatenate([[0.0], np.geomspace(1e-3, 1e3, 121), [np.inf]])


def as_it_is(expected: Expected, scene: Scene) -> Expected:
    """Return the readings as they are."""
    return expected


@dataclass(frozen=True)
class Case:
    """One size of a slip.

    Attributes
    ----------
    size : str
        For people: "times 11", "3.2 ohm", "+35 K"; empty where there is only one.
    change : Change
        The true set-up against the stated one.
    written : callable
        From what the readings are to what was written down.
    weight : float
        Share of the belief among the sizes.
    leave_out : tuple of int and str, or None
        A reading and its channel, of which the case says nothing.
    """

    size: str = ""
    change: Change = AS_STATED
    written: Written = as_it_is
    weight: float = 1.0
    leave_out: tuple[int, str] | None = None


@dataclass(frozen=True)
class Slip:
    """One slip.

    Attributes
    ----------
    name, explains, check : str
        What it is, what it does, and the check that tells it from the others.
    prior : float
        How common it is against the others (common practice, no source).
    cases : callable
        From a scene to its cases; none where the readings could not hold this slip.
    """

    name: str
    explains: str
    check: str
    prior: float
    cases: Callable[[Scene], Cases]


def expected_of(scene: Scene, case: Case) -> Expected:
    """Return what would be written down; loads that nobody states are taken from the readings."""
    if scene.readings.load is not None:
        return case.written(scene.expect(case.change), scene)
    return case.written(scene.expect(case.change, nearest_load(scene, case)), scene)


def nearest_load(scene: Scene, case: Case) -> np.ndarray:
    """Return the load of each reading, ohm, at which the case comes nearest to it."""
    loads = _LOADS[:, None] * scene.usual_load
    along = scene.along(case.change, loads)
    none = np.zeros((0, *along["voltage"].shape))
    flat = Expected(along, dict.fromkeys(along, none), along)
    written = case.written(flat, scene)
    floor = floors(scene.readings, written)
    far = np.zeros(along["voltage"].shape)
    for name in scene.observed:
        read, right, least = getattr(scene.readings, name), written.values[name], floor[name]
        size = np.maximum(np.abs(right), least)
        off = np.log(np.maximum(np.abs(read), least) / size)
        off = off**2 / (scene.readings.u**2 + (least / size) ** 2)
        far += np.where(np.isfinite(read), off, 0.0)
    return np.broadcast_to(loads, far.shape)[np.argmin(far, axis=0), np.arange(far.shape[1])]


def match_of(scene: Scene, case: Case) -> Match:
    """Return how well a case explains the readings."""
    return match(
        scene,
        expected_of(scene, case),
        free_load=scene.readings.load is None,
        leave_out=case.leave_out,
    )


def spread(cases: Iterable[Case], share: float = 1.0) -> list[Case]:
    """Return cases that share a belief evenly."""
    cases = list(cases)
    return [replace(case, weight=share / len(cases)) for case in cases]


# What may happen on the way to the notebook ------------------------------------------------


def scaled(voltage: float = 1.0, current: float = 1.0) -> Written:
    """Return a way of writing that multiplies voltage, current, and their product."""

    def write(expected: Expected, scene: Scene) -> Expected:
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

    def write(expected: Expected, scene: Scene) -> Expected:
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


def by_stated_load(expected: Expected, scene: Scene) -> Expected:
    """Return the current as the voltage over the stated load, and the power as its square."""
    load = scene.readings.load
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
