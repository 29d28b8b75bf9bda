"""A watched panel in lines: one a reading where nobody looks at a terminal, and the last one."""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ivkit.answer import Answer, Entry, based_on
from ivkit.answer.text import number, percent
from ivkit.predict.score import HIGH, IMPOSSIBLE, INCONSISTENT, LOW, PLAUSIBLE, UNDETERMINED
from ivkit.readings.live_line import BadLine
from ivkit.verdict.live import Judged
from ivkit.verdict.session import State

if TYPE_CHECKING:
    from ivkit.bench import Bench

#: The columns of a log; the first is the clock, the rest is from the reading.
COLUMNS = (
    "time",
    "line",
    "line_time_s",
    "voltage_V",
    "current_A",
    "power_W",
    "u_power_W",
    "load_ohm",
    "angle_deg",
    "temp_cell_degC",
    "predicted_power_W",
    "u_predicted_power_W",
    "en",
    "en_load",
    "verdict",
)

WORDS = (PLAUSIBLE, HIGH, LOW, INCONSISTENT, IMPOSSIBLE, UNDETERMINED)


def ascii_text(text: str) -> str:
    """Return text without signs that a plain terminal lacks.

    >>> ascii_text("5 µA, 3 °C")
    '5 uA, 3 ?C'
    """
    return text.replace("µ", "u").encode("ascii", "replace").decode()


def reading_line(one: Judged) -> str:
    """Return a reading in one line of at most 79 columns: verdict, power, prediction, V, I, angle.

    >>> read = 7, 1.0, 5.83, 0.0857, 0.5, 0.01, 68.0, 0.0, 33.0
    >>> print(reading_line(Judged(*read, 0.48, 0.013, 0.4, 0.1, "plausible")))
         7 plausible     500 mW  104 % of 480(13) mW  5.83 V 85.7 mA 68 ohm 0 deg
    """
    text = f"{one.line:6d} {one.verdict:<12} {number(one.power, None, 'W'):>7}"
    if math.isfinite(one.predicted):
        expected = number(one.predicted, one.u_predicted, "W")
        text += f"  {_percent(one.fraction):>5} of {expected:<11}"
    for part in _known(one):
        if len(text) + 1 + len(part) <= 79:
            text += f" {part}"
    return text.rstrip()


def _percent(fraction: float) -> str:
    """Return a fraction in whole percent, as far as that says anything."""
    if not math.isfinite(fraction):
        return "-"
    return f"{100 * fraction:.0f} %" if abs(fraction) < 100 else "> 9999 %"


def _known(one: Judged) -> list[str]:
    """Return what is known of V, I, load and angle."""
    found = [number(v, None, u) for v, u in ((one.voltage, "V"), (one.current, "A"))]
    if not math.isnan(one.load):
        found.append(
            "open" if math.isinf(one.load) else number(float(f"{one.load:.3g}"), None, "ohm")
        )
    if math.isfinite(one.angle):
        found.append(f"{one.angle:g} deg")
    return [text for text in found if text != "-"]


def bad_line(one: BadLine) -> str:
    """Return a bad line in one line of at most 79 columns."""
    return f"{one.line:6d} bad         {one.why}"[:79].rstrip()


def log_row(one: Judged, stamp: str) -> str:
    """Return a reading as a row of a log, without the line's end."""
    numbers = (
        one.time,
        one.voltage,
        one.current,
        one.power,
        one.u_power,
        one.load,
        one.angle,
        one.temperature,
        one.predicted,
        one.u_predicted,
        one.en,
        one.en_load,
    )
    cells = [f"{x:.7g}" if not math.isnan(x) else "" for x in numbers]
    cells[5] = "open" if math.isinf(one.load) else cells[5]
    return ",".join((stamp, str(one.line), *cells, one.verdict))


def bad_row(one: BadLine, stamp: str) -> str:
    """Return a bad line as a comment of a log, without the line's end."""
    why = json.dumps(f"{one.why}: {one.text}")  # quotes and control signs cannot break the line
    return f"# {stamp} line {one.line} bad: {why}"


def log_head() -> str:
    """Return the heading of a log."""
    return ",".join(COLUMNS)


def summary(state: State, ended: str = "end of the input") -> str:
    """Return what was seen, in a sentence or three."""
    if not state.lines:
        return f"No line came ({ended})."
    counts = state.verdicts or {}
    bad = f"{state.bad} bad line{'s' * (state.bad != 1)}"
    said = f"{state.readings} reading{'s' * (state.readings != 1)}, {bad} ({ended})."
    if not state.readings and state.last_bad is not None:
        return f"{said} The last, line {state.last_bad.line}: {state.last_bad.why}."
    told = [f"{counts[v]} {v}" for v in WORDS if counts.get(v)]
    if told:
        said += f" {', '.join(told)}."
    if math.isfinite(state.best):
        where = f"line {state.best_line}"
        if math.isfinite(state.best_angle):
            where += f", {state.best_angle:g} deg"
        said += f" Best {number(state.best, None, 'W')} ({where})"
        below = state.below_best
        if math.isfinite(below):
            said += f"; the last reading {_below(below)}"
        said += "."
    if set(counts) == {UNDETERMINED} and state.now and state.now.why:
        said += f" To judge: {state.now.why}."
    return said


def _below(below: float) -> str:
    if abs(below) < 0.0005:
        return "is at it"
    return f"is {percent(abs(below))} {'below' if below > 0 else 'above'} it"


def watch_answer(
    state: State,
    ended: str = "end of the input",
    panel: str = "",
    notes: Sequence[str] = (),
    assumptions: Sequence[str] = (),
    bench: "Bench | None" = None,
) -> Answer:
    """Return what was seen as an answer: the counts of each verdict, the best, the last reading.

    ``notes`` say how the lines were read.
    """
    counts, now = state.verdicts or {}, state.now
    words = [word for word in counts if counts[word]]
    best = math.isfinite(state.best)
    summary_ = {
        "readings": state.readings,
        "bad_lines": state.bad,
        **{word.replace(" ", "_"): Entry(counts.get(word, 0)) for word in WORDS},
        "best_power_W": Entry(state.best if best else None),
        "best_line": state.best_line if best else None,
        "best_angle_deg": state.best_angle,
        "last_power_W": None if now is None else now.power,
        "below_best_fraction": state.below_best,
    }
    return Answer(
        "watch",
        summary(state, ended),
        words[0] if len(words) == 1 else None,
        based_on(
            panel=panel,
            light=state.condition.removeprefix("expected for: light "),
            bench=None if bench is None else Path(bench.path).name,
        ),
        summary_,
        assumptions=assumptions,
        notes=notes,
    )
