"""Where a log of power settles, what it was before, and how it got there.

The steady state begins where leaving out more of the beginning no longer helps the mean of the
rest: the rule of White, with the spread that holds three quarters of the readings in place of the
standard deviation, so that a cloud over up to a quarter of the rest does not move it.

White (1997), truncation by marginal standard error. Settling band and overshoot as in IEEE Std
181-2011 (terms from memory): 2 % of the step, or three times the spread where that is more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError
from ivkit.verdict.log import CleanLog

Array = NDArray[np.float64]
_BLOCKS = 400
_FINE = 20_000
_INSIDE = 0.75  # share that the steady spread covers
_NORMAL = 1.1503  # that share of a normal distribution lies within so many standard deviations
_BAND = 0.02  # of the step


@dataclass(frozen=True)
class Settling:
    """Where the power settles and what it does before.

    Attributes
    ----------
    level : Middle of the settled power, W (its mean comes later, without disturbances).
    spread : Standard deviation of single settled readings about the baseline, W, hunting included.
    drift : Change of the settled power, W/s.
    u_drift : Its standard uncertainty.
    first_level : Power before it changes, W.
    leaves : Index of the first reading after which the power leaves its first level; 0 where the
        log starts in motion.
    settled : Index of the first reading of the steady state.
    moved : The power changed at all: false where the log is steady from its start.
    overshoot : W beyond the level, in the sense of the change, before it settles; 0 where none is
        seen.
    band : Half width of the band that counts as settled, W.
    """

    level: float
    spread: float
    drift: float
    u_drift: float
    first_level: float
    leaves: int
    settled: int
    moved: bool
    overshoot: float
    band: float

    def baseline(self, time: Array, start: float) -> Array:
        """Return the settled power at times in s; ``start`` is when the middle of it was, s."""
        return self.level + self.drift * (time - start)


def settle(log: CleanLog) -> Settling:
    """Return where a log settles.

    Raises SweepError: the log is shorter than the settling time.
    """
    group = max(1, len(log) // _FINE)
    fine = _fine(log.power, group)
    offset = len(log) - group * fine.size  # readings before the first whole group
    blocks = _blocks(fine)
    start = _steady_from(blocks)
    tail = fine[fine.size - (blocks.size - start) * (fine.size // blocks.size) :]
    level = float(np.median(tail))
    baseline = level + _lean(tail) * (np.arange(fine.size) - fine.size + 0.5 * (tail.size + 1))
    spread_fine = _spread(tail - baseline[-tail.size :])
    first, noise, from_dwell = _first_level(fine)
    step = level - first
    band = max(3.0 * spread_fine, _BAND * abs(step))
    settled = _enters(np.abs(fine - baseline) <= band)
    if settled is None:
        raise _unsettled(log, "does not stay at any level")
    # Of a rise by a factor of a hundred, 2 % is twice the first power: its own noise counts.
    first_band = max(6.0 * noise, _BAND * min(abs(first), abs(step)))
    moved = settled > 0 and abs(step) > max(band, first_band)
    leaves = _leaves(fine[:settled], first, first_band) if moved and from_dwell else 0
    if moved:
        _refuse_unsettled(log, fine, leaves, settled, step, offset, group)
    _refuse_moving_end(log, fine - baseline, band)
    overshoot = 0.0
    if moved:
        sense = np.sign(step)
        reach = min(fine.size, 2 * settled - leaves + 3)
        away = sense * (fine - baseline)
        beyond = float(np.max(away[leaves:reach]))
        within = float(np.max(away[reach:], initial=0.0))
        overshoot = beyond if beyond > max(band, 1.2 * within) else 0.0
    at = offset + group * settled if settled else 0
    drift, u_drift, spread = _line(log, at, level)
    left = offset + group * leaves if leaves else 0
    return Settling(level, spread, drift, u_drift, first, left, at, moved, overshoot, band)


def _fine(power: Array, group: int) -> Array:
    """Return the power without single outliers: a running median, or means of groups."""
    if group > 1:
        return power[power.size % group :].reshape(-1, group).mean(axis=1)
    from scipy.ndimage import median_filter

    return median_filter(power, 3, mode="nearest")


def _blocks(fine: Array) -> Array:
    size = max(1, fine.size // min(_BLOCKS, max(10, fine.size // 5)))
    return np.median(fine[fine.size % size :].reshape(-1, size), axis=1)


def _steady_from(blocks: Array) -> int:
    """Return the block from which on the power is steady."""
    low, high = np.quantile(blocks, [0.02, 0.98])
    # Differences below a hundredth of the whole change do not matter for where it begins.
    floor = (0.01 * (high - low)) ** 2 + 1e-30
    least = max(5, blocks.size // 10)
    best, at = np.inf, 0
    for start in range(blocks.size - least + 1):
        tail = blocks[start:]
        away = np.abs(tail - np.median(tail))
        k = min(tail.size - 1, int(np.ceil(_INSIDE * tail.size)) - 1)
        score = (float(np.partition(away, k)[k]) ** 2 + floor) / tail.size
        if score < best:
            best, at = score, start
    return at


def _spread(away: Array) -> float:
    """Return the standard deviation that three quarters of the deviations stand for."""
    away = np.abs(away[:: 1 + away.size // 50_000])
    k = min(away.size - 1, int(np.ceil(_INSIDE * away.size)) - 1)
    return float(np.partition(away, k)[k]) / _NORMAL


def _first_level(fine: Array) -> tuple[float, float, bool]:
    """Return the power at the start, its noise, and whether it stood still there."""
    k = int(np.clip(fine.size // 50, 5, 40))
    head = fine[:k]
    level = float(np.median(head))
    x = np.linspace(-0.5, 0.5, k)
    change = float(x @ head / (x @ x))
    left = head - head.mean() - change * x
    # Twice: a running median makes neighbours alike and the rest look calmer than the noise is.
    noise = 2.0 * max(float(np.sqrt(left @ left / (k - 2))), 1e-12 * abs(level))
    still = abs(change) <= 5.0 * noise / np.sqrt(x @ x) + _BAND * abs(level)
    return (level, noise, True) if still else (float(np.median(head[:3])), noise, False)


def _enters(inside: NDArray[np.bool_]) -> int | None:
    """Return the first index from which on the readings stay inside, but for disturbances."""
    width = max(10, inside.size // 20)
    if inside.size < width:
        return None
    counts = np.concatenate(([0], np.cumsum(inside)))
    ahead = (counts[width:] - counts[:-width]) / width
    found = np.flatnonzero(inside[: ahead.size] & (ahead >= 0.9))
    return int(found[0]) if found.size else None


def _leaves(fine: Array, level: float, band: float) -> int:
    """Return the index at which the power leaves a level for good; 0 if it starts off it.

    It leaves before it is out of the band: White's rule from the other side, where leaving out
    more of the end no longer helps the mean of what is before.
    """
    inside = np.flatnonzero(np.abs(fine - level) <= band)
    if not inside.size:
        return 0
    still = fine[: int(inside[-1]) + 1] - level
    count = np.arange(1.0, still.size + 1)
    variance = np.cumsum(still**2) / count - (np.cumsum(still) / count) ** 2
    score = (variance + 1e-6 * band**2) / count
    least = still.size // 2
    return least + int(np.flatnonzero(score[least:] <= 1.25 * np.min(score[least:]))[-1]) + 1


def _lean(tail: Array) -> float:
    """Return the slope of what is settled, per reading: 0 where it is no more than noise."""
    size = max(1, tail.size // 40)
    middles = np.median(tail[tail.size % size :].reshape(-1, size), axis=1)
    x = np.arange(middles.size) - 0.5 * (middles.size - 1)
    keep = np.abs(middles - np.median(middles)) <= 4 * _spread(middles - np.median(middles))
    if keep.sum() < 5:
        return 0.0
    x, y = x[keep] - x[keep].mean(), middles[keep] - middles[keep].mean()
    slope = float(x @ y / (x @ x))
    left = y - slope * x
    u = float(np.sqrt(left @ left / (keep.sum() - 2) / (x @ x)))
    return slope / size if abs(slope) > 4 * u else 0.0


def _refuse_unsettled(
    log: CleanLog, fine: Array, leaves: int, settled: int, step: float, offset: int, group: int
) -> None:
    """Refuse a log that still moves at its end."""
    rest = fine[settled:]
    if rest.size < 10:
        raise _unsettled(log, "still changes at the end of the log")
    x = np.linspace(-0.5, 0.5, rest.size)
    slope = float(12 * np.mean(x * (rest - rest.mean())))
    left = rest - rest.mean() - slope * x
    u_slope = np.sqrt(12.0 / rest.size) * float(np.std(left))
    lasts = log.time[-1] - log.time[offset + group * settled]
    took = log.time[offset + group * settled] - log.time[offset + group * leaves]
    still = slope * np.sign(step) > _BAND * abs(step) + 3 * u_slope
    if still and lasts < took:
        share = abs(slope / step)
        raise _unsettled(log, f"still changes by {share:.0%} of its rise in the last {lasts:.3g} s")


def _refuse_moving_end(log: CleanLog, away: Array, band: float) -> None:
    """Refuse a log that leaves its level and is still on its way when it ends."""
    inside = np.flatnonzero(np.abs(away) <= band)
    away = away[int(inside[-1]) + 1 :] if inside.size else away
    if away.size < 5:
        return
    k = max(1, away.size // 5)
    moving = abs(float(np.median(away[-k:]) - np.median(away[-2 * k : -k])))
    if moving > band / 2:
        raise _unsettled(log, "still changes at the end of the log")


def _unsettled(log: CleanLog, what: str) -> SweepError:
    lasts = log.time[-1] - log.time[0]
    return SweepError(
        f"the power {what}: the log of {lasts:.3g} s is shorter than the settling time",
        log.name,
        f"record at least {2 * lasts:.2g} s, or cut out the steady part with --from and --to",
    )


def _line(log: CleanLog, at: int, level: float) -> tuple[float, float, float]:
    """Return drift (W/s), its standard uncertainty, and the spread about it, robustly."""
    time, power = log.time[at:], log.power[at:]
    size = max(1, time.size // 40)
    cut = time.size - time.size % size
    t = time[:cut].reshape(-1, size).mean(axis=1)
    p = np.median(power[:cut].reshape(-1, size)[:, :: 1 + size // 500], axis=1)
    middle = 0.5 * (time[0] + time[-1])
    keep = np.abs(p - np.median(p)) <= 4 * max(_spread(p - np.median(p)), 1e-12 * abs(level))
    drift = u_drift = 0.0
    if keep.sum() >= 5:
        x = t[keep] - t[keep].mean()
        drift = float(x @ (p[keep] - p[keep].mean()) / (x @ x))
        left = p[keep] - p[keep].mean() - drift * x
        u_drift = float(np.sqrt(left @ left / max(1, keep.sum() - 2) / (x @ x)))
    used = 0.0 if abs(drift) < 3 * u_drift else drift
    stride = slice(None, None, 1 + time.size // 50_000)
    spread = _spread(power[stride] - level - used * (time[stride] - middle))
    return drift, u_drift, spread
