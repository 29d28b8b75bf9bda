"""How a panel is held: fixed, tilted by hand, or turned on one or two axes, well or badly.

A mount and a sky give the direction in which the panel looks at every step; ``turns`` says whether
a drive moves it. Azimuth counts from north, clockwise; tilt 0 lies flat.

Sources: rotation on one axis: Anderson and Mikofski, NREL/TP-5K00-76626 (2020), as pvlib's
``singleaxis`` has it. Pointing error, dead band and update interval are geometry.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ivkit.errors import RangeError
from ivkit.light.incidence import direction
from ivkit.light.sky import DEFAULT_ALBEDO, Sky, SkyModel, on_plane


def _within(name: str, value: float, low: float, high: float, unit: str = "deg") -> None:
    if not low <= value <= high:
        raise RangeError(f"{name} {value:g} {unit} is outside {low:g} to {high:g} {unit}")


def compass(azimuth: float) -> str:
    """Return an azimuth in words.

    >>> compass(180), compass(200)
    ('south', 'azimuth 200°')
    """
    points = {0: "north", 45: "north-east", 90: "east", 135: "south-east", 180: "south"}
    points |= {225: "south-west", 270: "west", 315: "north-west"}
    return points.get(azimuth % 360, f"azimuth {azimuth:g}°")


@dataclass(frozen=True)
class Aim:
    """How well a tracker follows.

    Attributes
    ----------
    pointing_error : float
        Between where it looks and where it should, deg, 0 to 90: sideways with two axes, a rotation
        that much too far with one.
    dead_band : float
        It goes to the sun only when that is this far from where it looks, deg, 0 to 90.
    update_interval : float
        It only moves at the beginning of each interval of this many minutes, 0 to 720.
    """

    pointing_error: float = 0.0
    dead_band: float = 0.0
    update_interval: float = 0.0

    def __post_init__(self) -> None:
        _within("pointing error", self.pointing_error, 0, 90)
        _within("dead band", self.dead_band, 0, 90)
        _within("update interval", self.update_interval, 0, 720, "min")

    def __str__(self) -> str:
        parts = (
            (self.pointing_error, f"{self.pointing_error:g}° off"),
            (self.dead_band, f"dead band {self.dead_band:g}°"),
            (self.update_interval, f"every {self.update_interval:g} min"),
        )
        return ", ".join(words for value, words in parts if value)

    def coarsest_step(self, parts: float) -> float:
        """Return the step (min) that cuts what lies between two moves into ``parts``.

        Infinite for a tracker that follows smoothly; never below 1 min, in which the sun moves
        a quarter of a degree.
        """
        # The sun takes 4 min for a degree.
        between = (self.update_interval or np.inf, 4 * self.dead_band or np.inf)
        return max(min(between) / parts, 1.0)


@dataclass(frozen=True)
class Orientation:
    """Where the panel looks at each step, deg, and how far the axes have turned in all, deg."""

    tilt: Any
    azimuth: Any
    travel: float = 0.0


@dataclass(frozen=True)
class Fixed:
    """One tilt and azimuth (deg) for ever."""

    tilt: float
    azimuth: float
    turns = False

    def __post_init__(self) -> None:
        _within("tilt", self.tilt, 0, 90)
        _within("azimuth", self.azimuth, -360, 360)

    def __str__(self) -> str:
        flat = "fixed, flat"
        return f"fixed, {self.tilt:g}° {compass(self.azimuth)}" if self.tilt else flat

    def orientation(self, sky: Sky, model: SkyModel, albedo: float) -> Orientation:
        """Return where it looks."""
        return Orientation(self.tilt, self.azimuth)


@dataclass(frozen=True)
class Retilted:
    """Set by hand to the best tilt of each ``period`` ("day" or "month"), always along one azimuth.

    Where the best tilt is towards the other side of ``azimuth`` (deg; a summer in the tropics), it
    is tilted there.
    """

    period: str
    azimuth: float
    turns = False

    def __post_init__(self) -> None:
        if self.period not in ("day", "month"):
            raise RangeError(f"a tilt for each {self.period!r} is not known", remedy="day or month")
        _within("azimuth", self.azimuth, -360, 360)

    def __str__(self) -> str:
        return f"best tilt each {self.period}, {compass(self.azimuth)}"

    def orientation(self, sky: Sky, model: SkyModel, albedo: float) -> Orientation:
        """Return where it looks: the tilt that takes most light in each period."""
        tilt = best_tilts(sky, self._group(sky), self.azimuth, model, albedo)
        return Orientation(np.abs(tilt), np.where(tilt < 0, self.azimuth + 180, self.azimuth))

    def _group(self, sky: Sky) -> np.ndarray:
        if self.period == "day":
            key = sky.solar_day
        else:
            key = sky.times.year.to_numpy() * 12 + sky.times.month.to_numpy()
        return np.unique(key, return_inverse=True)[1]


@dataclass(frozen=True)
class OneAxis:
    """Turned about one axis so that the sun stands over it as well as it can.

    Attributes
    ----------
    axis_tilt : float
        deg; 0 for a horizontal axis, the latitude for one that points to the pole.
    axis_azimuth : float
        deg; the panel at rest looks there, so towards the equator for a tilted axis.
    limit : float
        Largest rotation either way, deg.
    aim : Aim
    """

    axis_tilt: float
    axis_azimuth: float
    limit: float = 90.0
    aim: Aim = field(default_factory=Aim)
    turns = True

    def __post_init__(self) -> None:
        _within("axis tilt", self.axis_tilt, 0, 90)
        _within("axis azimuth", self.axis_azimuth, -360, 360)
        _within("rotation limit", self.limit, 0, 90)

    def __str__(self) -> str:
        axis = (
            f"tilted {self.axis_tilt:g}° {compass(self.axis_azimuth)}"
            if self.axis_tilt
            else "north-south"
            if self.axis_azimuth % 180 == 0
            else f"level along {self.axis_azimuth % 180:g}°"
        )
        return ", ".join(filter(None, (f"one axis, {axis}", str(self.aim))))

    def orientation(self, sky: Sky, model: SkyModel, albedo: float) -> Orientation:
        """Return where it looks."""
        from pvlib import tracking

        turned = tracking.singleaxis(
            sky.zenith,
            sky.azimuth,
            axis_tilt=self.axis_tilt,
            axis_azimuth=self.axis_azimuth,
            max_angle=self.limit,
            backtrack=False,
        )["tracker_theta"]
        radians = np.radians(turned)
        held = hold(sky, np.column_stack([np.cos(radians), np.sin(radians)]), self.aim)
        turned = np.clip(turned[held] + self.aim.pointing_error, -self.limit, self.limit)
        surface = tracking.calc_surface_orientation(turned, self.axis_tilt, self.axis_azimuth)
        return Orientation(
            surface["surface_tilt"], surface["surface_azimuth"], travel(sky.solar_day, turned)
        )


@dataclass(frozen=True)
class TwoAxis:
    """Turned to face the sun."""

    aim: Aim = field(default_factory=Aim)
    turns = True

    def __str__(self) -> str:
        return ", ".join(filter(None, ("two axes", str(self.aim))))

    def orientation(self, sky: Sky, model: SkyModel, albedo: float) -> Orientation:
        """Return where it looks."""
        held = hold(sky, direction(sky.zenith, sky.azimuth), self.aim)
        tilt, azimuth = sky.zenith[held], sky.azimuth[held]
        if self.aim.pointing_error:
            # Sideways: the normal tips towards the horizontal at right angles to the sun, which
            # leaves the sky and ground that it sees nearly the same.
            off, z = np.radians(self.aim.pointing_error), np.radians(tilt)
            tilt = np.degrees(np.arccos(np.cos(off) * np.cos(z)))
            azimuth = azimuth + np.degrees(np.arctan2(np.sin(off), np.cos(off) * np.sin(z)))
        day = sky.solar_day
        return Orientation(tilt, azimuth % 360, travel(day, tilt) + travel(day, azimuth))


Mount = Fixed | Retilted | OneAxis | TwoAxis


def hold(sky: Sky, towards: np.ndarray, aim: Aim) -> np.ndarray:
    """Return, for each step, the step whose direction the tracker still keeps.

    ``towards``, shape (steps, 2 or 3), are unit vectors to where it should look. RangeError for
    steps too long to see what the tracker loses between two moves.
    """
    if sky.hours * 60 > aim.coarsest_step(4) * 1.001:
        raise RangeError(
            f"steps of {sky.hours * 60:g} min do not show what a tracker loses with {aim}",
            remedy=f"use steps of at most {aim.coarsest_step(4):g} min",
        )
    steps = np.arange(len(towards))
    chances = steps
    if aim.update_interval * 60 > sky.hours * 3600:
        seconds = sky.times.as_unit("s").asi8
        interval = np.floor_divide(seconds, round(aim.update_interval * 60))
        chances = np.flatnonzero(np.diff(interval, prepend=interval[0] - 1))
    if aim.dead_band:
        # Each move depends on the one before: a plain loop, over lists because they are quicker.
        limit = np.cos(np.radians(aim.dead_band))
        moves, last = [], None
        for step, vector in zip(chances.tolist(), towards[chances].tolist(), strict=True):
            if last is None or sum(map(float.__mul__, last, vector)) < limit:
                moves.append(step)
                last = vector
        chances = np.array(moves)
    return chances[np.searchsorted(chances, steps, side="right") - 1]


def travel(day: np.ndarray, angle: np.ndarray) -> float:
    """Return how far (deg) an axis turns: each day's moves, and the way back at night."""
    if len(angle) < 2:
        return 0.0
    step = (np.diff(angle) + 180) % 360 - 180
    same = day[1:] == day[:-1]
    moves = np.where(same, step, 0.0)
    starts = np.flatnonzero(np.append(True, ~same))
    net = np.add.reduceat(np.append(0.0, moves), starts)
    return float(np.abs(moves).sum() + np.abs(net).sum())


def coarsest_step(mounts: Sequence[Mount]) -> float:
    """Return the longest step (min) that shows well how all the mounts move; infinite for any."""
    return min((m.aim.coarsest_step(20) for m in mounts if m.turns), default=np.inf)


def best_tilts(
    sky: Sky,
    group: np.ndarray,
    azimuth: float,
    model: SkyModel = SkyModel.HAY_DAVIES,
    albedo: float = DEFAULT_ALBEDO,
) -> np.ndarray:
    """Return for each step the tilt (deg) that takes most light over the step's group.

    ``group`` numbers the steps' groups from 0, without gaps. The best of every 10 deg, then of
    every 2 deg around it, then the top of the parabola through three: within 0.2 deg, which costs
    less than 1e-5 of the light. Negative tilts look away from ``azimuth`` (deg). A long time is
    thinned to steps of about five minutes for the search.
    """
    stride = max(1, round(1 / 12 / sky.hours)) if len(sky.times) > 5000 else 1
    few, key = sky.every(stride), group[stride // 2 :: stride]
    groups = int(group.max()) + 1
    if len(np.unique(key)) < groups:  # a group too short to be thinned
        few, key = sky, group

    def taken(tilt: np.ndarray) -> np.ndarray:
        step = tilt[key]
        side = np.where(step < 0, azimuth + 180, azimuth)
        light = on_plane(few, np.abs(step), side, model, albedo).total
        return np.bincount(key, light, minlength=groups)

    def best_of(centre: np.ndarray, offsets: np.ndarray) -> np.ndarray:
        tilts = np.clip(centre + offsets[:, None], -90, 90)
        light = np.array([taken(tilt) for tilt in tilts])
        return tilts[np.argmax(light, axis=0), np.arange(groups)]

    best = best_of(np.zeros(groups), np.arange(-90.0, 91.0, 10.0))
    best = best_of(best, np.arange(-8.0, 9.0, 2.0))
    low, mid, high = (taken(np.clip(best + d, -90, 90)) for d in (-2.0, 0.0, 2.0))
    bend = low - 2 * mid + high
    inside = (bend < 0) & (np.abs(best) < 90)
    shift = np.where(inside, (low - high) / np.where(inside, bend, 1.0), 0.0)
    return (best + np.clip(shift, -1, 1))[group]
