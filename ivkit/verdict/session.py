"""What has been seen so far of a panel that is watched: counts, the best, and the last minutes."""

import math
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from ivkit.readings.live_line import BadLine
from ivkit.verdict.live import Judged

SLOTS = 60  # of the history
_RECENT = 3  # readings whose median counts for the best: one spike is no best
_LONGEST = 86400.0  # s, of a slot
_HELD = 0.02  # of the power: within it, it stands still


@dataclass(frozen=True)
class State:
    """A moment of watching, all that a view needs.

    Attributes
    ----------
    now : Judged or None
        The last reading.
    best : float
        Highest power so far, the median of three readings in a row, W; NaN before the first.
    best_line : int
    best_angle : float
        deg, NaN where not known.
    trend : str
        ``rising``, ``falling``, ``steady``, or empty while there is no telling.
    history : tuple of float
        Mean power of `SLOTS` slots, oldest first, W; NaN where there was no reading.
    slot : float
        Length of a slot, s.
    lines, readings, bad : int
        Lines that were readings or bad; readings; bad ones.
    last_bad : BadLine or None
    verdicts : dict of str to int
    silent : float
        Time since the last line, s.
    light : float or None
        On the panel, as the reading shows it: W/m2, or a fraction of the sweep's light.
    relative : bool
        Which of the two.
    condition : str
        What the prediction is for, in words.
    """

    now: Judged | None = None
    best: float = math.nan
    best_line: int = 0
    best_angle: float = math.nan
    trend: str = ""
    history: tuple[float, ...] = ()
    slot: float = 1.0
    lines: int = 0
    readings: int = 0
    bad: int = 0
    last_bad: BadLine | None = None
    verdicts: dict[str, int] | None = None
    silent: float = 0.0
    light: float | None = None
    relative: bool = False
    condition: str = ""

    @property
    def below_best(self) -> float:
        """How far the power is below the best, as a fraction of it; NaN before the first."""
        if self.now is None or not self.best > 0:
            return math.nan
        return 1.0 - self.now.power / self.best


class Session:
    """Takes judged readings and bad lines; gives states.

    Time is the logger's own where it gives one, else that of the arrival.
    """

    def __init__(self) -> None:
        self.now: Judged | None = None
        self.bad = self.readings = 0
        self.last_bad: BadLine | None = None
        self.verdicts: Counter[str] = Counter()
        self.best, self.best_line, self.best_angle = math.nan, 0, math.nan
        self._recent: deque[float] = deque(maxlen=_RECENT)
        self._slots: deque[tuple[int, float, int]] = deque(maxlen=SLOTS)  # index, sum, count
        self._slot = 1.0
        self._steps: deque[float] = deque(maxlen=9)  # s between readings
        self._last_time = math.nan
        self._last_arrival: float | None = None

    def take_bad(self, line: BadLine, arrival: float) -> None:
        """Count a bad line that came at ``arrival`` (s)."""
        self.bad += 1
        self.last_bad = line
        self._last_arrival = arrival

    def take(self, judged: Judged, arrival: float) -> None:
        """Take a reading that came at ``arrival`` (s)."""
        self.now = judged
        self.readings += 1
        self.verdicts[judged.verdict] += 1
        self._last_arrival = arrival
        self._recent.append(judged.power)
        middle = median(self._recent)
        # The median of one or two readings may be a spike's: it waits for the third.
        if len(self._recent) == _RECENT and not middle <= self.best:
            self.best, self.best_line, self.best_angle = middle, judged.line, judged.angle
        self._remember(judged.time if math.isfinite(judged.time) else arrival, judged.power)

    def _remember(self, time: float, power: float) -> None:
        step = time - self._last_time
        if step < 0:  # the logger started anew
            self._slots.clear()
        elif math.isfinite(step):
            self._steps.append(step)
        self._last_time = time
        # The median: a gap in the log is no slow logger.
        while self._steps and median(self._steps) > self._slot and self._slot < _LONGEST:
            self._widen()
        index = math.floor(time / self._slot)
        if self._slots and self._slots[-1][0] == index:
            _, total, count = self._slots.pop()
            self._slots.append((index, total + power, count + 1))
        else:
            self._slots.append((index, power, 1))

    def _widen(self) -> None:
        """Make slots twice as long: readings come less often than that."""
        self._slot *= 2
        merged: dict[int, tuple[float, int]] = {}
        for index, total, count in self._slots:
            before = merged.get(index // 2, (0.0, 0))
            merged[index // 2] = (before[0] + total, before[1] + count)
        self._slots = deque(((k, *both) for k, both in merged.items()), maxlen=SLOTS)

    def _history(self) -> tuple[float, ...]:
        if not self._slots:
            return ()
        last = self._slots[-1][0]
        means = {index: total / count for index, total, count in self._slots}
        first = max(last - SLOTS + 1, min(means))
        return tuple(means.get(k, math.nan) for k in range(first, last + 1))

    def _trend(self, history: Sequence[float]) -> str:
        """Compare the last two slots with the two before."""
        known = [power for power in history[-6:] if math.isfinite(power)]
        if len(known) < 4:
            return ""
        now, before = sum(known[-2:]) / 2, sum(known[-4:-2]) / 2
        size = max(abs(now), abs(before))
        if abs(now - before) <= _HELD * size:
            return "steady"
        return "rising" if now > before else "falling"

    def state(
        self,
        clock: float,
        light: float | None = None,
        relative: bool = False,
        condition: str = "",
    ) -> State:
        """Return the state at ``clock`` (s, as the arrivals)."""
        history = self._history()
        return State(
            now=self.now,
            best=self.best,
            best_line=self.best_line,
            best_angle=self.best_angle,
            trend=self._trend(history),
            history=history,
            slot=self._slot,
            lines=self.readings + self.bad,
            readings=self.readings,
            bad=self.bad,
            last_bad=self.last_bad,
            verdicts=dict(self.verdicts),
            silent=0.0 if self._last_arrival is None else max(clock - self._last_arrival, 0.0),
            light=light,
            relative=relative,
            condition=condition,
        )
