"""A log of any length in bounded memory: cleaned piece by piece, then averaged as far as it must.

Half a million readings tell what a tracker's log is asked for: how it settles, swings and drifts.
Where there are more, neighbours are averaged in pairs, and again, until they fit. What happens
within one average is not seen any more, so it is said how long one is; a stretch cut out by time
is kept as it was logged for as long as it fits.
"""

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError
from ivkit.readings.log import Log
from ivkit.readings.log_pieces import LogPieces
from ivkit.verdict.log import ANGLES, CleanLog, LeftOut, carried_on, clean, sound
from ivkit.verdict.log_power import LogPower, log_power, power_of

if TYPE_CHECKING:
    from ivkit.bench import Bench

Array = NDArray[np.float64]
MOST = 500_000  # readings held; up to twice as many
_SAMPLE = 20_000
_SHOWN = 5


@dataclass
class _Series:
    """Readings so far: time, power and angles, each the mean of ``count`` readings as logged."""

    columns: dict[str, list[Array]] = field(default_factory=dict)
    size: int = 0
    times: int = 0  # how often pairs were averaged

    def add(self, part: dict[str, Array], most: int) -> None:
        n = len(part["time"])
        part = {**part, "count": np.ones(n)}
        for _ in range(self.times):
            part = _halved(part)
        for name, values in part.items():
            self.columns.setdefault(name, []).append(values)
        self.size += len(part["time"])
        if self.size > 2 * most:
            whole = _halved(self.whole())
            self.columns = {name: [values] for name, values in whole.items()}
            self.size, self.times = len(whole["time"]), self.times + 1

    def whole(self) -> dict[str, Array]:
        return {name: np.concatenate(parts) for name, parts in self.columns.items()}


def _halved(part: dict[str, Array]) -> dict[str, Array]:
    """Average readings in pairs, but none across a gap in time."""
    time, count = part["time"], part["count"]
    n = len(time)
    if n < 3:
        return part
    steps = np.diff(time)
    usual = np.median(steps[:: 1 + steps.size // _SAMPLE])
    first = np.zeros(n, dtype=bool)
    first[::2] = True
    first[1:] |= steps > 5 * usual
    starts = np.flatnonzero(first)
    total = np.add.reduceat(count, starts)
    averaged = {
        name: values[starts]  # the line of the first
        if name == "rows"
        else np.add.reduceat(values * count, starts) / total
        for name, values in part.items()
        if name != "count"
    }
    return {**averaged, "count": total}


def read_long_log(
    pieces: LogPieces,
    load_ohm: float | None = None,
    bench: "Bench | None" = None,
    start: float | None = None,
    end: float | None = None,
    most: int = MOST,
) -> tuple[Log, LogPower, CleanLog]:
    """Read a log piece by piece, and return it without its columns, its power, and it cleaned.

    Parameters
    ----------
    load_ohm, bench : As in `ivkit.verdict.log_power.log_power`.
    start, end : Leave out what is before or after, s.
    most : Readings to hold, above which neighbours are averaged.

    Returns Log: Its notes and damage; no columns; LogPower: What a sample of the log says of power
    and load; its ``power`` is that of the sample; CleanLog.

    Raises TableError, RangeError, SweepError: as reading, `log_power` and `clean` raise them.
    """
    series, sample = _Series(), _Sample()
    dropped: Counter[str] = Counter()
    reasons: dict[str, str] = {}
    first_rows: dict[str, tuple[int, ...]] = {}
    last: dict[str, float] = {}
    for log in pieces:
        sample.add(log)
        try:
            power = power_of(log, load_ohm, bench)
        except SweepError:  # a piece of night through a converter: not one reading in it
            power = np.full(len(log), np.nan)
        part = {"time": log["time"], "power": power, "rows": log.rows.astype(float)}
        part |= {name: log[name] for name in ANGLES if name in log}
        part, left = sound(part, pieces.name)
        for one in left:
            # The example of rubbish is each piece's own; the first stands for all.
            why = one.reason.partition(", such as")[0]
            dropped[why] += one.count
            reasons.setdefault(why, one.reason)
            first_rows[why] = (*first_rows.get(why, ()), *one.rows)[:_SHOWN]
        for name in [name for name in ANGLES if name in part]:
            part[name] = carried_on(part[name], last.get(name, np.nan))
            last[name] = float(part[name][-1]) if part[name].size else last.get(name, np.nan)
        keep = np.ones(len(part["time"]), dtype=bool)
        if start is not None:
            keep &= part["time"] >= start
        if end is not None:
            keep &= part["time"] <= end
        if keep.any():
            series.add({name: values[keep] for name, values in part.items()}, most)
    powers = log_power(sample.log(pieces.name), load_ohm, bench)
    told, said = pieces.told, pieces.unit_said
    raw = Log({}, np.empty(0, int), pieces.name, told.notes, damage=told.damage, unit_said=said)
    if not series.size:
        raise SweepError("no usable reading in the time asked for", pieces.name, "see --from, --to")
    whole = series.whole()
    count = whole.pop("count")
    rows = whole.pop("rows").astype(np.int64)
    found = clean(whole.pop("time"), whole.pop("power"), whole, rows, pieces.name)
    left = [LeftOut(reasons[why], n, first_rows[why]) for why, n in dropped.items()]
    notes = found.notes
    if series.times:
        usual = int(np.median(count))
        notes += (
            f"{int(count.sum())} readings held as {len(count)}, each the mean of {usual}, over "
            f"{found.interval:.3g} s: nothing faster is seen; --from and --to keep a stretch of up "
            f"to {2 * most} readings as logged",
        )
    return raw, powers, replace(found, left_out=(*left, *found.left_out), notes=notes)


class _Sample:
    """Every so many readings of the log, some 20,000 to 40,000 of it."""

    def __init__(self) -> None:
        self._stride, self._seen = 1, 0
        self._columns: dict[str, Array] = {}
        self._headings: dict[str, str] = {}

    def add(self, log: Log) -> None:
        at = np.arange(-self._seen % self._stride, len(log), self._stride)
        self._seen += len(log)
        self._headings = log.headings
        for name, values in log.columns.items():
            held = self._columns.get(name)
            new = values[at]
            self._columns[name] = new if held is None else np.concatenate([held, new])
        while len(next(iter(self._columns.values()))) > 2 * _SAMPLE:
            self._columns = {name: values[::2] for name, values in self._columns.items()}
            self._stride *= 2

    def log(self, name: str) -> Log:
        columns: dict[str, Any] = self._columns
        n = len(next(iter(columns.values())))
        return Log(columns, np.arange(1, n + 1), name, headings=self._headings)
