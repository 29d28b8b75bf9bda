"""A watched panel as a block of lines for a terminal: a function of the state, and nothing else.

Whoever turns a panel by hand stands an arm's length or more away: power and percent are as large
as they go, the word of the verdict stands alone, and below it is how far the power is under the
best so far. A narrow or low terminal loses the least needed lines first.
"""

import math
from dataclasses import dataclass

from ivkit.answer.text import number, percent, signed
from ivkit.predict.score import HIGH, IMPOSSIBLE, INCONSISTENT, LOW, PLAUSIBLE
from ivkit.report.watch_marks import HEIGHT, bar, beside, columns, large
from ivkit.report.watch_text import ascii_text
from ivkit.verdict.live import Judged
from ivkit.verdict.session import SLOTS, State

_RISE = {"rising": "^ rising", "falling": "v falling", "steady": "= steady", "": ""}
_RISE_WIDE = {"rising": "↑ rising", "falling": "↓ falling", "steady": "= steady", "": ""}
_SILENCE = 3.0  # s without a line that are worth a word
_BAR = 56
_NEAR, _LEAST = 0.5, 0.1  # history above that fraction of its top is drawn larger, that far at most


@dataclass(frozen=True)
class ViewLine:
    """One line: its text, how it may be coloured, and how much it is needed (0 most)."""

    text: str
    tone: str = ""
    need: int = 5


def view(
    state: State, width: int = 80, height: int = 24, ascii_only: bool = False
) -> list[ViewLine]:
    """Return the view, no line longer than ``width`` - 1, at most ``height`` - 1 lines.

    The last column stays free: some terminals go to the next line when it is written to.
    """
    if state.now is None:
        lines = [ViewLine("no reading yet", need=0), ViewLine(_count(state), need=2)]
        lines += _bad(state)
    else:
        length = min(max(width - 24, 10), _BAR)
        lines = _top(state, state.now, width, height, ascii_only) + _rest(
            state, state.now, length, ascii_only
        )
    room = max(height - 1, 1)
    while len(lines) > room:
        worst = max(range(len(lines)), key=lambda k: (lines[k].need, k))
        del lines[worst]
    return [
        ViewLine((ascii_text(one.text) if ascii_only else one.text)[: width - 1], one.tone)
        for one in lines
    ]


def scale(state: State) -> tuple[float, str, int]:
    """Return factor, unit and decimals for the large power: those of the best, so that they stay.

    >>> scale(State(best=0.4871))
    (1000.0, 'mW', 1)
    """
    largest = state.best
    if not largest > 0:
        largest = abs(state.now.power) if state.now else 1.0
    for factor, unit in ((1.0, "W"), (1e3, "mW"), (1e6, "µW")):
        if largest * factor >= 1.0 or unit == "µW":
            break
    places = 3 - max(math.floor(math.log10(max(largest * factor, 1e-9))), 0)
    return factor, unit, min(max(places, 0), 3)


def _top(state: State, now: Judged, width: int, height: int, ascii_only: bool) -> list[ViewLine]:
    """Return power and percent, large where there is room."""
    factor, unit, places = scale(state)
    power = f"{now.power * factor:.{places}f}"
    if math.isfinite(now.fraction):
        part, of = now.fraction, "of expected"
    else:
        part, of = 1.0 - state.below_best, "of the best"
    shown = f"{100 * part:.0f}" if math.isfinite(part) and abs(part) < 10 else ""
    if shown == "" and math.isfinite(part):
        shown = ">999" if part > 0 else ""
    blank = [""] * (HEIGHT - 2)
    left = beside(large(power, ascii_only), [*blank, "", unit], 2)
    right = beside(large(shown, ascii_only), [*blank, "%", of], 2) if shown else [""] * HEIGHT
    whole = beside(left, right, 6)
    if max(map(len, whole)) >= width:
        whole = left
    if max(map(len, whole)) < width and height >= HEIGHT + 5:
        return [ViewLine(line, "figure", 0) for line in whole] + [ViewLine("", need=9)]
    text = f"{power} {unit}" + (f"   {shown} % {of}" if shown else "")
    return [ViewLine(text, "figure", 0)]


def _rest(state: State, now: Judged, length: int, ascii_only: bool) -> list[ViewLine]:
    """Return all lines below the large figures; bar and history are ``length`` long."""
    return [
        _verdict(now),
        *_best(state, now, length, ascii_only),
        _history(state, length, ascii_only),
        _readings(state, now),
        ViewLine(state.condition, need=6) if state.condition else ViewLine(_count(state), need=4),
        *([ViewLine(_count(state), need=4)] if state.condition else []),
        *_bad(state),
    ]


def _verdict(now: Judged) -> ViewLine:
    word = now.verdict.upper()
    bad = dict.fromkeys((HIGH, LOW, INCONSISTENT, IMPOSSIBLE), "bad")
    tone = ({PLAUSIBLE: "good"} | bad).get(now.verdict, "unknown")
    if now.why and not math.isfinite(now.predicted):
        return ViewLine(f"{word}: {now.why}", tone, 1)
    expected = number(now.predicted, now.u_predicted, "W")
    facing = "" if math.isfinite(now.angle) else " if it faces the light"
    text = f"{word}: {expected} expected{facing}, E_n {signed(now.en)}"
    return ViewLine(f"{text}; {now.why}" if now.why else text, tone, 1)


def _best(state: State, now: Judged, length: int, ascii_only: bool) -> list[ViewLine]:
    """Return the bar, and how far the power is below the best."""
    trend = (_RISE if ascii_only else _RISE_WIDE)[state.trend]
    if not math.isfinite(state.best):
        return [ViewLine("best: after three readings", need=2)]
    below = state.below_best
    if not math.isfinite(below):
        at = ""
    elif abs(below) < 0.0005:
        at = "now at the best"
    else:
        at = f"now {percent(abs(below))} {'below' if below > 0 else 'above'} the best"
    where = f"line {state.best_line}"
    if math.isfinite(state.best_angle):
        where += f", {state.best_angle:g} deg"
    text = f"{at}, {number(state.best, None, 'W')} ({where})"
    top = max(x for x in (state.best, now.power, 1e-12) if math.isfinite(x))
    drawn = bar(now.power, state.best, top, length, ascii_only)
    return [
        ViewLine(f"{text:<{length}}  {trend}".rstrip(), need=1),
        ViewLine(f"{drawn}  {number(top, None, 'W')}", need=3),
    ]


def _history(state: State, length: int, ascii_only: bool) -> ViewLine:
    if not any(math.isfinite(p) for p in state.history[-length:]):
        return ViewLine("", need=8)
    length = min(length, SLOTS)
    time = state.slot * length
    span = f"{time:g} s" if time < 600 else f"{time / 60:.3g} min"
    shown = state.history[-length:]
    known = [p for p in shown if math.isfinite(p)]
    top, low = max(known), min(known)
    # Near the maximum small differences count: then the columns do not start at zero, and say so.
    low = min(low, (1.0 - _LEAST) * top) if top > 0 and low > _NEAR * top else 0.0
    drawn = columns(shown, low, ascii_only).rjust(length)
    start = f" > {number(low, None, 'W')}" if low > 0 else ""
    return ViewLine(f"{drawn}  {span}{start}", need=3)


def _readings(state: State, now: Judged) -> ViewLine:
    # In brackets what is not read but follows from the load.
    parts = []
    by_load = {}
    if 0 < now.load < math.inf and now.power >= 0:
        by_load = {"V": math.sqrt(now.power * now.load), "I": math.sqrt(now.power / now.load)}
    for value, name, unit in ((now.voltage, "V", "V"), (now.current, "I", "A")):
        if math.isfinite(value):
            parts.append(f"{name} {number(value, None, unit)}")
        elif name in by_load:
            parts.append(f"({name} {number(by_load[name], None, unit)})")
    if not math.isnan(now.load):
        load = "open" if math.isinf(now.load) else number(float(f"{now.load:.3g}"), None, "ohm")
        parts.append(f"load {load}")
    parts.append(f"angle {now.angle:g} deg" if math.isfinite(now.angle) else "angle ?")
    if state.light is not None:
        light = f"{100 * state.light:.0f} %" if state.relative else f"{state.light:.3g} W/m2"
        parts.append(f"light {light}" + (" of sweep's" if state.relative else ""))
    return ViewLine("   ".join(parts), need=2)


def _count(state: State) -> str:
    text = f"{state.readings} reading{'s' * (state.readings != 1)}, {state.bad} bad"
    text += f" line{'s' * (state.bad != 1)}"
    if state.bad:
        text += f" ({percent(state.bad / state.lines)})"
    if state.silent >= _SILENCE:
        text += f"; nothing for {state.silent:.0f} s"
    return text


def _bad(state: State) -> list[ViewLine]:
    one = state.last_bad
    if one is None:
        return []
    # Signs of double width would push the line beyond the edge.
    return [ViewLine(ascii_text(f"last bad line, {one.line}: {one.why}"), need=7)]
