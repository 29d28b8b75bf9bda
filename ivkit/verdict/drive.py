"""What a turn is worth: what the panel gave against what the drive took and staying would have."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.verdict.log import CleanLog
from ivkit.verdict.settling import Settling
from ivkit.verdict.steady_mean import Mean

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Drive:
    """What the drive that turns the panel takes, W: while it moves, and while it stands still."""

    moving: float
    idle: float = 0.0

    def __post_init__(self) -> None:
        if not (0 <= self.moving < np.inf and 0 <= self.idle < np.inf):
            what = f"a drive that takes {self.moving:g} W moving and {self.idle:g} W idle"
            raise RangeError(what, remedy="give both in W, 0 or more")


@dataclass(frozen=True)
class Energy:
    """Energy over the log, J; stretches without readings count for nothing.

    Attributes
    ----------
    panel : What the panel gave.
    stayed : What it would have given at its first power; None where it never moved.
    drive : What the drive took; None without its power.
    moving : How long it moved, s; None where the log has no angles to tell, and the drive's power
        is counted all along.
    covered : Time with readings, s.
    pays_after : How long the steady state must last to pay for the turn, s.
    """

    panel: float
    stayed: float | None
    drive: float | None
    moving: float | None
    covered: float
    pays_after: float | None

    @property
    def net(self) -> float | None:
        """What the panel gave, less what the drive took, less what staying would have given."""
        if self.stayed is None or self.drive is None:
            return None
        return self.panel - self.drive - self.stayed


def energy_of(
    log: CleanLog, found: Settling, first: Mean | None, steady: Mean, drive: Drive | None
) -> Energy:
    """Return the energies of a log, by the trapezoid rule over all but the gaps.

    ``first``, ``steady``: Power before the panel moves (None where it never does) and in the steady
    state, W.
    """
    step = np.diff(log.time)
    if log.gaps:
        step = np.where(step > 5.0 * log.interval, 0.0, step)
    covered = float(step.sum())
    panel = float(0.5 * (step @ log.power[1:] + step @ log.power[:-1]))
    stayed = None if first is None else first.value * covered
    if drive is None:
        return Energy(panel, stayed, None, None, covered, None)
    moving = None
    angles = [v for v in log.angles.values() if np.isfinite(v).all()]
    if angles:
        moves = np.zeros(step.shape, dtype=bool)
        for values in angles:
            moves |= _turns(values)
        moving = float(step[moves].sum())
    taken = drive.moving * (covered if moving is None else moving)
    taken += drive.idle * (0.0 if moving is None else covered - moving)
    pays_after = None
    if first is not None and moving is not None and found.leaves:
        turn_part = slice(found.leaves - 1, found.settled)
        cost = drive.moving * float(np.sum(step[turn_part]))
        gained = steady.value - first.value - drive.idle
        pays_after = cost / gained if gained > 0 else float("inf")
    return Energy(panel, stayed, taken, moving, covered, pays_after)


def _turns(angle: Array) -> NDArray[np.bool_]:
    """Return in which steps of the log an angle changes by more than its last digit."""
    change = np.abs(np.diff(angle))
    sizes = change[change > 0]
    if not sizes.size:
        return change > 0
    digit = float(np.min(sizes[:100_000]))
    # A flicker of the last digit there and back is no motion: compare over two steps.
    over_two = np.abs(angle[2:] - angle[:-2])
    moved = over_two > 1.5 * digit
    out = np.zeros(change.shape, dtype=bool)
    out[:-1] |= moved
    out[1:] |= moved
    return out & (change > 0) if np.mean(change > 0) > 0.9 else out
