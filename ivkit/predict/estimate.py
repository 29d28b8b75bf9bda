"""What readings tell of a scene: the inverse of `ivkit.predict.prediction`.

Generalised least squares: unknown quantities are free, the scene's inputs are known to their
standard uncertainties and adjusted with them, so that they are not averaged down and stay
contributions of their own (JCGM 100:2008, 5.2 and F.1.2). Intervals are those of the profile of
chi-square, which hold where a quantity is hardly resolved or sits at its bound (Cowan, Statistical
Data Analysis, 1998, 9.7).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri
from uncertainties import ufloat

from ivkit.errors import RangeError, SweepError
from ivkit.predict import score
from ivkit.predict.facing import Facing
from ivkit.predict.found import Estimate
from ivkit.predict.lamp_facing import LampFacing
from ivkit.predict.profile import Profile
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene
from ivkit.predict.unknowns import (
    HIGH,
    LARGEST_ZERO,
    LOW,
    NAMES,
    STRAY,
    ZERO,
    Task,
)
from ivkit.predict.weighting import Weighting

Array = NDArray[np.float64]

#: Not resolved: a 95 % interval that is wider to one side, in the measure of `UNKNOWNS`.
_TOO_WIDE = {"light": 0.7, "zero": 10.0, "temperature": 20.0, "load": 0.7}
_ONE_SIDED = 1.645  # 95 % of a normal distribution
NOISE = "noise"


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
    >>> from ivkit.predict.scene import At
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
