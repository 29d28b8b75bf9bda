"""What readings tell of a scene: the inverse of `ivkit.predict.prediction`.

Generalised least squares: unknown quantities are free, the scene's inputs are known to their
standard uncertainties and adjusted with them, so that they are not averaged down and stay
contributions of their own (JCGM 100:2008, 5.2 and F.1.2). Intervals are those of the profile of
chi-square, which hold where a quantity is hardly resolved or sits at its bound (Cowan, Statistical
Data Analysis, 1998, 9.7).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri
from uncertainties import ufloat

from ivkit.errors import RangeError, SweepError
from ivkit.predict import score
from ivkit.predict.facing import Facing
from ivkit.predict.lamp_facing import LampFacing
from ivkit.predict.off import Off
from ivkit.predict.prediction import worked_out
from ivkit.predict.profile import Profile
from ivkit.predict.readings import Readings
from ivkit.predict.scene import At, Scene
from ivkit.predict.unknowns import (
    HIGH,
    LARGEST_ZERO,
    LIGHT,
    LOW,
    NAMES,
    STRAY,
    ZERO,
    Task,
    change_of,
)
from ivkit.predict.weighting import Weighting

Array = NDArray[np.float64]

#: Not resolved: a 95 % interval that is wider to one side, in the measure of `UNKNOWNS`.
_TOO_WIDE = {"light": 0.7, "zero": 10.0, "temperature": 20.0, "load": 0.7}
_ONE_SIDED = 1.645  # 95 % of a normal distribution
_PART = 0.1  # of a standard uncertainty, for a slope
_MOST_OFF = 5.0  # standard uncertainties, beyond which the panel itself is not moved
NOISE = "noise"


@dataclass(frozen=True)
class Estimate:
    """What readings tell.

    Attributes
    ----------
    scene : Scene
        Free quantities as stated, their own inputs left out.
    readings : Readings
    best, before : ndarray, shape (5,)
        `UNKNOWNS` as found, whether resolved or not, in their measure; and the same but for those
        of which something was known, as they were known.
    values : dict of str to UFloat
        Free quantities: light and load as a factor of the scene's, zero in deg, stray light as a
        fraction, temperature in K more. Each has a variable for each input.
    intervals : dict of str to (float, float)
        Their 95 % intervals.
    unresolved : tuple of str
        Those that the readings do not tell; ``stray`` where none of it is seen.
    stray_below : float
        The most stray light that the readings allow at 95 %, as a fraction.
    names : tuple of str
        Inputs: those of the scene, then loads that several readings share.
    shifts, u_shifts : ndarray, shape (K,)
        Inputs as the readings have them, and what they are still uncertain by, in u.
    read, prior, adjusted : ndarray, shape (N,)
        What was compared, V, A or W; the same as predicted: free quantities as they were known, or
        as found where they were not, with inputs at their estimates; and all as found.
    u_own : ndarray, shape (N,)
        Standard uncertainty of each reading on its own, its angle's included.
    en : ndarray, shape (N,)
        E_n number of each reading against the adjusted one (ISO 13528:2022, 9.7).
    chi_square, freedom
        And how many readings and known quantities are left to agree.
    pulls : dict of str to (float, float)
        Of free quantities of which something was known: shift, and what is left of u, in u.
    moving : ndarray of int
        Which of `UNKNOWNS` are free and not at a bound.
    covariance : ndarray
        Of those, in their measure, then of the inputs, in u.
    loads : tuple of float
        Stated loads that several readings share, ohm.
    quantities : tuple of str
        What was compared: voltage, current or power.
    """

    scene: Scene
    readings: Readings
    best: Array
    before: Array
    values: dict[str, Any]
    intervals: dict[str, tuple[float, float]]
    unresolved: tuple[str, ...]
    stray_below: float
    names: tuple[str, ...]
    shifts: Array
    u_shifts: Array
    read: Array
    prior: Array
    adjusted: Array
    u_own: Array
    en: Array
    chi_square: float
    freedom: int
    pulls: dict[str, tuple[float, float]]
    moving: Array
    covariance: Array
    loads: tuple[float, ...]
    quantities: tuple[str, ...]

    @property
    def limit(self) -> float:
        """Most chi-square of readings without a fault, in all but `score.FALSE_ALARM` of tables."""
        return float(chdtri(self.freedom, score.FALSE_ALARM))

    @property
    def agrees(self) -> bool:
        """Whether readings and what was known agree."""
        return self.chi_square <= self.limit

    @property
    def worst(self) -> int:
        """Which reading is furthest off."""
        return int(np.argmax(np.abs(self.en)))

    @property
    def verdict(self) -> str:
        """Too high or too low where the light alone is off; else plausible or inconsistent."""
        if self.agrees:
            return score.PLAUSIBLE
        en = self.en_of("light")
        if en is not None and abs(en) > 1.0 and self.chi_square - 4.0 * en**2 <= self.limit:
            return score.HIGH if en > 0 else score.LOW
        return score.INCONSISTENT

    def en_of(self, name: str) -> float | None:
        """Return E_n of a free quantity against what was known of it; None where nothing was."""
        if name not in self.pulls:
            return None
        shift, left = self.pulls[name]
        told = np.sqrt(max(1.0 - left**2, 1e-12))
        return float(shift / (2.0 * told))

    @cached_property
    def adjustments(self) -> dict[str, tuple[float, float]]:
        """Shift and what is left of u of inputs that moved by 0.1 u or that the readings tell."""
        pairs = zip(self.names, zip(self.shifts, self.u_shifts, strict=True), strict=True)
        found = {n: (float(s), float(u)) for n, (s, u) in pairs} | self.pulls
        told = {n: p for n, p in found.items() if abs(p[0]) > 0.1 or p[1] < 0.9}
        return dict(sorted(told.items(), key=lambda item: -abs(item[1][0])))

    @property
    def irradiance(self) -> Any:
        """Effective irradiance facing the light, W/m2, as an uncertain number."""
        factor = self.values.get("light", float(np.exp(self.best[LIGHT])))
        return factor * self.scene.light.irradiance

    @property
    def zero(self) -> float:
        """Zero of the scale, deg, resolved or not."""
        return float(self.best[ZERO])

    def load(self, ohm: float) -> tuple[float, float]:
        """Return a stated load as the readings have it, and its standard uncertainty, ohm."""
        u = self.readings.u_load
        if ohm not in self.loads:
            return ohm, ohm * (u if np.isfinite(ohm) else 0.0)
        k = len(self.scene.names) + self.loads.index(ohm)
        return ohm * (1.0 + u * float(self.shifts[k])), ohm * u * float(self.u_shifts[k])

    def power_at(self, at: At, *, adjusted: bool = True, given: Any = "") -> Array:
        """Return the power, W, shape (N,), as found, the inputs adjusted or at their estimates.

        ``at`` counts angles as the scale does. The power is that which would be worked out of what
        ``given`` says is read (`ivkit.predict.prediction`) at the stated load.
        """
        x = self.best if adjusted else self.before
        rows = self._rows(at, x[None], self._amounts(adjusted), adjusted)
        return worked_out(rows, at.load, np.broadcast_to(np.asarray(given), at.load.shape))[0]

    def operate(self, at: At, *, adjusted: bool = True) -> tuple[Array, Array, Array]:
        """Return voltage (V), current (A) and standard uncertainty of the power (W), shape (N,).

        Uncertain by what the readings leave of the unknowns and of the inputs.
        """
        amounts, count = self._amounts(adjusted), len(self.scene.names)
        here = self._rows(at, self.best[None], amounts, adjusted)
        voltage, current = here["voltage"][0], here["current"][0]
        power, moving = voltage * current, self.moving
        x = np.tile(self.best, (len(moving) + count, 1))
        off = np.tile(amounts, (len(x), 1))
        steps = _PART * np.sqrt(np.diag(self.covariance)[: len(moving)])
        inward = np.where(self.best[moving] + steps > HIGH[moving], -steps, steps)
        x[np.arange(len(moving)), moving] += inward
        off[len(moving) + np.arange(count), np.arange(count)] += _PART
        rows = self._rows(at, x, off, adjusted)
        moves = rows["voltage"] * rows["current"] - power
        moves = moves / np.concatenate([inward, np.full(count, _PART)])[:, None]
        by_load = []
        for ohm in self.loads:
            mine, part = at.load == ohm, _PART * self.readings.u_load
            more = self._rows(at, self.best[None], amounts, adjusted, 1.0 + part)
            change = more["voltage"][0] * more["current"][0] - power
            by_load.append(np.where(mine, change / _PART, 0.0))
        moves = np.concatenate([moves, np.reshape(by_load, (-1, len(at)))])
        variance = np.einsum("in,ij,jn->n", moves, self.covariance, moves)
        return voltage, current, np.sqrt(np.maximum(variance, 0.0))

    def _amounts(self, adjusted: bool) -> Array:
        """Return how far the scene's inputs are off, in standard uncertainties, shape (1, K)."""
        shifts = np.clip(self.shifts[: len(self.scene.names)], -_MOST_OFF, _MOST_OFF)
        return (shifts if adjusted else 0.0 * shifts)[None]

    def _rows(
        self, at: At, x: Array, amounts: Array, adjusted: bool, times: float = 1.0
    ) -> dict[str, Array]:
        load = at.load
        if adjusted:
            load = np.array([self.load(float(ohm))[0] for ohm in load])
        moved, change = Off(self.scene.names, amounts), change_of(self.scene, x)
        return self.scene.solve(at, moved, change, load=load * times)


def estimate(
    scene: Scene,
    readings: Readings,
    free: Sequence[str] | Mapping[str, float | None],
    *,
    zero: float = 0.0,
    u_angle: float = 0.0,
    stated: bool = True,
    name: str = "",
) -> Estimate:
    """Return what readings tell of a scene.

    Parameters
    ----------
    scene : Scene
    readings : Readings
    free : sequence of str, or mapping of str to float or None
        Some of `ivkit.predict.unknowns.UNKNOWNS`. With its standard uncertainty where something is
        known of it besides: light and load as a fraction, zero in deg, stray light as a fraction,
        temperature in K. What the scene's own inputs say of it is left out.
    zero : float
        Of the scale where it is not free, or about what it is known, deg.
    u_angle : float
        Standard uncertainty of each angle on its own, deg.
    stated : bool
        Whether the uncertainty of the readings was stated; of one that is assumed, intervals grow
        with their scatter.
    name : str
        Of the table, for messages.

    Raises
    ------
    SweepError
        Fewer readings than unknowns, or none that is above zero.
    RangeError
        Readings that no zero of the scale explains.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> panel = make_datasheet(SheetFile(pmp_W=10.0, cells=36))
    >>> at = At.of(load=20.0, angle=np.linspace(-60.0, 60.0, 9) - 3.0)
    >>> power = Scene(panel, Facing(500.0)).solve(at)["voltage"][0] ** 2 / 20.0
    >>> told = Readings.of(power=power, load=20.0, angle=at.angle + 3.0, u=0.01)
    >>> found = estimate(Scene(panel, Facing(1000.0)), told, ["light", "zero", "stray"])
    >>> round(found.zero, 2), found.agrees
    (3.0, True)
    """
    known = free if isinstance(free, Mapping) else dict.fromkeys(free)
    if unknown := known.keys() - set(NAMES):
        raise ValueError(f"no unknown is called {', '.join(sorted(unknown))}")
    scene = _freed(scene, known)
    which = np.array([k for k, one in enumerate(NAMES) if one in known], dtype=int)
    prior = np.array([known.get(one) or np.inf for one in NAMES], dtype=float)
    start = np.array([0.0, zero, scene.mount.stray, 0.0, 0.0])
    flat = int(np.sum(np.isinf(prior[which])))
    if len(readings) <= flat:
        raise SweepError(
            f"{len(readings)} readings for {flat} unknowns",
            name,
            "take more angles, or state --zero, --stray or --irradiance",
        )
    task = Task(scene, readings, which, start, prior, u_angle)
    if not np.nanmax(task.read) > 0:
        raise SweepError("no reading is above zero", name, "check columns and units")
    x, weighting, cost = task.best()
    if ZERO in which and abs(x[ZERO]) > 0.98 * LARGEST_ZERO:
        raise RangeError(
            f"no zero of the scale within {LARGEST_ZERO:g} deg explains the readings",
            name,
            "check that the angle is counted from facing the light, in deg",
        )
    return _told(task, x, weighting, cost, stated)


def _freed(scene: Scene, free: Mapping[str, float | None]) -> Scene:
    """Return the scene without the inputs of what is free."""
    light, warm, mount = scene.light, scene.temp_cell, scene.mount
    if "light" in free and isinstance(light, Facing):
        # Light known against that of the panel's sweep goes on moving with it.
        light = replace(light, by={}, **({} if free["light"] else {"of_panel": {}}))
    elif "light" in free:
        light = LampFacing.of(light.irradiance, light)
    if "temperature" in free:
        warm = replace(warm, u=0.0, by={}, from_voc=None)
    if "zero" in free:
        mount = replace(mount, u_angle=0.0)
    if "stray" in free:
        mount = replace(mount, u_stray=0.0)
    return replace(scene, light=light, temp_cell=warm, mount=mount, _known={})


def _told(task: Task, x: Array, weighting: Weighting, cost: float, stated: bool) -> Estimate:
    """Return what the best unknowns say: with their contributions, intervals, agreement."""
    free, names = task.free, task.names
    count = len(task.read)
    priors = np.isfinite(task.prior[free])
    freedom = max(count + int(np.sum(priors)) - len(free), 1)
    # A quantity at its bound does not move.
    inside = (x > LOW + 1e-6) & (x < HIGH - 1e-6)
    moving = free[inside[free]]
    jacobian = task.jacobian(x, moving)
    seen, moves, root = task.model(x), weighting.moves, np.sqrt(weighting.variance)
    whole = np.concatenate([jacobian, moves.T], axis=1) / root[:, None]
    known = np.concatenate([1.0 / task.prior[moving], np.ones(len(names))])
    normal = whole.T @ whole + np.diag(known**2)
    covariance = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
    limit = float(chdtri(freedom, score.FALSE_ALARM))
    ratio = max(cost / freedom, 1.0)
    enlarge = 1.0 if stated and cost <= limit else float(np.sqrt(ratio))
    apart = task.read - seen
    first = len(moving)
    # Of the inputs: what the differences left at the best say of them.
    right = moves / root @ (apart / root)
    inner = moves / root @ (moves / root).T + np.eye(len(names))
    shifts = np.linalg.solve(inner, right)
    left = apart - moves.T @ shifts
    explained = np.einsum("ij,jk,ik->i", whole, covariance, whole)
    # What the fit has adapted to is no longer free to differ; a tenth of it always is.
    en = left / (2.0 * root * np.sqrt(np.maximum(1.0 - explained, 0.1)))
    profile = Profile(task, x, weighting, cost, moving, covariance[:first, :first], enlarge)
    ends = profile.ends(freedom)
    values = _uncertain(x, moving, free, names, covariance, whole, enlarge, task)
    intervals = {}
    for k, (low, high) in ends.items():
        by_factor = NAMES[k] in ("light", "load")
        pair = (np.exp(low), np.exp(high)) if by_factor else (low, high)
        intervals[NAMES[k]] = (float(pair[0]), float(pair[1]))
    unresolved = [
        NAMES[k]
        for k in ends
        if NAMES[k] in _TOO_WIDE
        and not max(np.abs(np.array(ends[k]) - x[k])) <= _TOO_WIDE[NAMES[k]]
    ]
    below = float(x[STRAY])
    if STRAY in ends:
        if not ends[STRAY][0] > 0.0:
            unresolved.append("stray")
        below = profile.end(STRAY, _ONE_SIDED * enlarge)
    pulls = {}
    for place, k in enumerate(moving):
        if np.isfinite(task.prior[k]):
            u = task.prior[k]
            spread = float(np.sqrt(covariance[place, place])) / u
            pulls[NAMES[k]] = (float((x[k] - task.start[k]) / u), min(spread, 1.0))
    before = np.where(np.isfinite(task.prior), task.start, x)
    return Estimate(
        task.scene,
        task.readings,
        x,
        before,
        values,
        intervals,
        tuple(unresolved),
        min(below, 1.0),
        names,
        shifts,
        np.sqrt(np.diag(covariance)[first:]),
        task.read,
        task.model(before),
        seen + moves.T @ shifts,
        root,
        en,
        cost,
        freedom,
        pulls,
        moving,
        covariance,
        task.loads,
        tuple(map(str, task.quantities)),
    )


def _uncertain(
    x: Array,
    moving: Array,
    free: Array,
    names: Sequence[str],
    covariance: Array,
    whole: Array,
    enlarge: float,
    task: Task,
) -> dict[str, Any]:
    """Return the free quantities as uncertain numbers: a variable an input, and those of noise."""
    first = len(moving)
    moved = {int(k): 0.0 * ufloat(0.0, 1.0) for k in free}
    gain = covariance[:first] @ whole.T
    sizes, vectors = np.linalg.eigh(gain @ gain.T * enlarge**2)
    causes = [
        (ufloat(0.0, 1.0, NOISE), np.sqrt(max(s, 0.0)) * v)
        for s, v in zip(sizes, vectors.T, strict=True)
    ]
    causes += [
        (ufloat(0.0, 1.0, re.sub(r" \d+$", "", name)), covariance[:first, first + k])
        for k, name in enumerate(names)
    ]
    causes += [
        (ufloat(0.0, 1.0, f"{NAMES[k]} as stated"), covariance[:first, place] / task.prior[k])
        for place, k in enumerate(moving)
        if np.isfinite(task.prior[k])
    ]
    for cause, parts in causes:
        for k, part in zip(moving, parts, strict=True):
            if part:
                moved[int(k)] = moved[int(k)] + float(part) * cause
    out = {}
    for k, one in moved.items():
        by_factor = NAMES[k] in ("light", "load")
        at = float(np.exp(x[k])) if by_factor else float(x[k])
        out[NAMES[k]] = at + (at if by_factor else 1.0) * one
    return out
