"""A log made fit for use: in order of time, without rubbish, and with all that was left out named.

A serial line puts in 1e35 and NaN, repeats lines, and a clock that is set puts rows back in time.
None of that is a reading of a panel, and none of it is left out in silence.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError

Array = NDArray[np.float64]
#: Columns that say where the panel or its drive points.
ANGLES = ("angle", "pan", "tilt", "elevation")
_SHOWN = 5
_FEWEST = 20
#: No small panel and no drive gives a number beyond these: V, A, W, deg; seconds since 1970 in ms.
_LARGEST = {"power": 1e5, "voltage": 1e4, "current": 1e4, "time": 1e13}
_LARGEST_ANGLE = 1e5


@dataclass(frozen=True)
class LeftOut:
    """Rows that are not used: why, how many, and the first of them (lines of the file)."""

    reason: str
    count: int
    rows: tuple[int, ...]


@dataclass(frozen=True)
class Gap:
    """A stretch without readings: from and to, s, and the row after it."""

    start: float
    end: float
    row: int


@dataclass(frozen=True)
class CleanLog:
    """Readings in order of time, each of them usable.

    Attributes
    ----------
    time : shape (N,). s, increasing.
    power : shape (N,). W.
    angles : dict of str to ndarray, shape (N,). ``pan``, ``tilt``, ``elevation``, ``angle``, as far
        as the log has them, deg; NaN before the first one logged, and carried on where a cell is
        blank.
    rows : ndarray of int, shape (N,). Line of the file.
    interval : Median time between readings, s.
    gaps : tuple of Gap
    left_out : tuple of LeftOut
    notes : tuple of str
    """

    time: Array
    power: Array
    angles: dict[str, Array]
    rows: NDArray[np.int64]
    interval: float
    gaps: tuple[Gap, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    notes: tuple[str, ...] = ()
    name: str = ""

    def __len__(self) -> int:
        return len(self.time)

    def between(self, start: float | None, end: float | None) -> "CleanLog":
        """Return the readings from ``start`` to ``end``, s.

        Raises SweepError: fewer than 20 readings are left.
        """
        first = 0 if start is None else int(np.searchsorted(self.time, start, "left"))
        last = len(self) if end is None else int(np.searchsorted(self.time, end, "right"))
        cut = slice(first, last)
        time = self.time[cut]
        if len(time) < _FEWEST:
            raise SweepError(
                f"{len(time)} readings between the times asked for",
                self.name,
                f"the log runs from {self.time[0]:g} to {self.time[-1]:g} s; keep at least "
                f"{_FEWEST} readings",
            )
        return replace(
            self,
            time=time,
            power=self.power[cut],
            angles={name: values[cut] for name, values in self.angles.items()},
            rows=self.rows[cut],
            gaps=tuple(g for g in self.gaps if g.end > time[0] and g.start < time[-1]),
        )


def clean(
    time: Array,
    power: Array,
    angles: Mapping[str, Array] | None = None,
    rows: NDArray[np.int64] | None = None,
    name: str = "",
) -> CleanLog:
    """Return the usable readings of a log in order of time.

    Parameters
    ----------
    time, power : array_like, shape (N,). s and W, as they stand in the log; NaN where blank.
    angles : mapping of str to array_like. deg, shape (N,) each.
    rows : array_like of int, shape (N,). Lines of the file; 1 to N where not given.
    name : File, for messages.

    Raises SweepError: fewer than 20 usable readings, or a clock that was set back so far that a
    tenth of the log would be lost.

    Examples
    --------
    >>> time, power = np.arange(30.0), np.full(30, 0.5)
    >>> power[7], time[12] = 1e35, 3.0
    >>> [(l.reason, l.rows) for l in clean(time, power).left_out]
    [('power is rubbish, such as 1e+35', (8,)), ('the time runs backwards', (13,))]
    """
    columns: dict[str, Array] = {"time": np.asarray(time, dtype=float)}
    columns["power"] = np.asarray(power, dtype=float)
    columns |= {k: np.asarray(v, dtype=float) for k, v in (angles or {}).items()}
    count = columns["time"].size
    lines = np.arange(1, count + 1) if rows is None else np.asarray(rows)
    keep, left_out = _usable(columns, lines, name)
    columns, lines, notes = _one_each(columns, lines, keep, left_out)
    if columns["time"].size < _FEWEST:
        why = "; ".join(f"{entry.count} left out: {entry.reason}" for entry in left_out)
        what = f"{columns['time'].size} usable readings" + (f" ({why})" if why else "")
        raise SweepError(what, name, f"give a log with at least {_FEWEST}")
    steps = np.diff(columns["time"])
    interval = float(np.median(steps[:: 1 + steps.size // 20000]))
    wide = np.flatnonzero(steps > 5.0 * interval)
    time, power = columns.pop("time"), columns.pop("power")
    gaps = tuple(Gap(float(time[k]), float(time[k + 1]), int(lines[k + 1])) for k in wide)
    seen = {k: carried_on(values) for k, values in columns.items() if np.isfinite(values).any()}
    said = tuple(left_out), tuple(notes), name
    return CleanLog(time, power, seen, lines, interval, gaps, *said)


def sound(part: Mapping[str, Array], name: str) -> tuple[dict[str, Array], list[LeftOut]]:
    """Return a part of a log without rubbish and in order of time, and what was left out.

    Parameters
    ----------
    part : mapping of str to ndarray. ``time``, ``power``, ``rows`` and angles, as in `clean`.
    name : File, for messages.

    Raises SweepError: a clock that was set back so far that a tenth would be lost.
    """
    columns = {label: values for label, values in part.items() if label != "rows"}
    keep, left_out = _usable(columns, part["rows"], name)
    return {label: values[keep] for label, values in part.items()}, left_out


def _usable(
    columns: Mapping[str, Array], lines: NDArray[Any], name: str
) -> tuple[NDArray[np.bool_], list[LeftOut]]:
    """Return which readings are sound and in order, and what the others are."""
    keep = np.ones(columns["time"].shape, dtype=bool)
    left_out: list[LeftOut] = []
    for label, values in columns.items():
        limit = _LARGEST.get(label, _LARGEST_ANGLE)
        with np.errstate(invalid="ignore"):
            fits = np.abs(values) < limit
        if fits.all():
            continue
        blank = np.isnan(values)
        if label in ("time", "power"):
            _drop(keep, blank, f"{label} is blank or NaN", lines, left_out)
        rubbish = ~fits & ~blank
        if rubbish.any():
            what = f"{label} is rubbish, such as {values[rubbish][0]:g}"
            _drop(keep, rubbish, what, lines, left_out)
    spikes = _spikes(columns["power"], keep)
    what = "a single power that no light makes, far above the rest"
    _drop(keep, spikes, what, lines, left_out)
    if int(keep.sum()) >= _FEWEST:
        late = _out_of_order(columns["time"], keep)
        share = int(late.sum()) / int(keep.sum())
        if share > 0.1:
            what = f"the time runs backwards at row {lines[int(np.flatnonzero(late)[0])]:g}, and "
            what += f"{share:.0%} of the readings would have to be left out"
            remedy = "the clock was set or the logger started anew: split the file there"
            raise SweepError(what, name, remedy)
        _drop(keep, late, "the time runs backwards", lines, left_out)
    return keep, left_out


def _drop(
    keep: NDArray[np.bool_],
    mask: NDArray[np.bool_],
    reason: str,
    lines: NDArray[Any],
    left_out: list[LeftOut],
) -> None:
    """Take the readings of a mask out of those kept, and note how many and why."""
    at = np.flatnonzero(mask & keep)
    if at.size:
        left_out.append(LeftOut(reason, int(at.size), tuple(map(int, lines[at[:_SHOWN]]))))
        keep[at] = False


def _spikes(power: Array, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where one to three readings stand far above all others and above their neighbours."""
    found = np.zeros(power.shape, dtype=bool)
    usable = np.flatnonzero(keep)
    if usable.size < _FEWEST:
        return found
    usual = np.quantile(np.abs(power[usable[:: 1 + usable.size // 20000]]), 0.98)
    with np.errstate(invalid="ignore"):
        high = np.flatnonzero((np.abs(power) > 3.0 * usual) & keep & (usual > 0))
    for run in np.split(high, np.flatnonzero(np.diff(high) > 1) + 1):
        found[run] = run.size <= 3
    return found


def _out_of_order(time: Array, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the readings without which time never runs backwards, as few as can be.

    "Later than the last" would be no rule: one stamp far ahead would cost all that follow.
    """
    out = np.zeros(time.shape, dtype=bool)
    at = np.flatnonzero(keep)
    t = time if at.size == time.size else time[at]
    if np.all(t[1:] >= t[:-1]):
        return out
    # A single stamp ahead of the two after it, which follow on the one before it.
    ahead = np.zeros(t.shape, dtype=bool)
    ahead[1:-2] = (t[1:-2] > t[2:-1]) & (t[1:-2] > t[3:]) & (t[:-3] <= t[2:-1]) & (t[2:-1] <= t[3:])
    # None is lost where all before it that stay are no later than the next, which can stand in.
    while ahead.any():
        before = np.maximum.accumulate(np.where(ahead, -np.inf, t))
        spare = ahead.copy()
        spare[1:-1] &= before[:-2] <= t[2:]
        if np.array_equal(spare, ahead):
            break
        ahead = spare
    out[at[ahead]] = True
    at, t = at[~ahead], t[~ahead]
    # What is not before any earlier one nor after any later one can stay, whatever goes.
    astray = (t < np.maximum.accumulate(t)) | (t > np.minimum.accumulate(t[::-1])[::-1])
    doubtful = np.flatnonzero(astray)
    if doubtful.size:
        out[at[doubtful[~_longest_rising(t[doubtful])]]] = True
    return out


def _longest_rising(values: Array) -> NDArray[np.bool_]:
    """Return which values make up a longest subsequence that never falls."""
    from bisect import bisect_right

    ends: list[float] = []
    place = np.empty(values.size, dtype=np.int64)
    for k, value in enumerate(values.tolist()):
        place[k] = bisect_right(ends, value)
        if place[k] == len(ends):
            ends.append(value)
        else:
            ends[place[k]] = value
    chosen = np.zeros(values.size, dtype=bool)
    wanted, limit = len(ends) - 1, np.inf
    for k in range(values.size - 1, -1, -1):
        if place[k] == wanted and values[k] <= limit:
            chosen[k], limit = True, values[k]
            wanted -= 1
    return chosen


def _one_each(
    columns: dict[str, Array],
    lines: NDArray[np.int64],
    keep: NDArray[np.bool_],
    left_out: list[LeftOut],
) -> tuple[dict[str, Array], NDArray[np.int64], list[str]]:
    """Return one reading a time: repeated stamps are left out, a coarse clock is averaged over."""
    at = None if keep.all() else np.flatnonzero(keep)
    t = columns["time"] if at is None else columns["time"][at]
    same = t[1:] == t[:-1]
    repeated = int(np.count_nonzero(same))
    if repeated and repeated <= 0.2 * t.size:
        mask = np.zeros(keep.shape, dtype=bool)
        mask[(np.arange(t.size) if at is None else at)[1:][same]] = True
        _drop(keep, mask, "the time is that of the reading before", lines, left_out)
        at = np.flatnonzero(keep)
    if at is not None:
        columns, lines = {k: v[at] for k, v in columns.items()}, lines[at]
    if repeated <= 0.2 * t.size:
        return columns, lines, []
    first = np.flatnonzero(np.concatenate(([True], ~same)))
    size = np.diff(np.append(first, t.size))
    with np.errstate(invalid="ignore"):
        columns = {k: np.add.reduceat(v, first) / size for k, v in columns.items()}
    note = (
        f"the clock is coarse, {t.size} readings at {first.size} different times: averaged over "
        "each time"
    )
    return columns, lines[first], [note]


def carried_on(values: Array, before: float = np.nan) -> Array:
    """Return an angle with its blanks filled by the last one logged; ``before``: that before it."""
    known = np.isfinite(values)
    if known.all():
        return values
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    return np.where(last >= 0, values[np.maximum(last, 0)], before)
