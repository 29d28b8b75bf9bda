"""Round and round: lines in, judged, shown and logged, until the input ends or someone stops it."""

import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from itertools import groupby
from typing import TYPE_CHECKING, Protocol, TextIO

import click

from ivkit.answer import Answer
from ivkit.answer.text import wrap
from ivkit.readings.live_line import BadLine, LineReader, LiveReading
from ivkit.readings.terminals import at_terminals
from ivkit.report.watch_text import (
    ascii_text,
    bad_line,
    bad_row,
    log_head,
    log_row,
    reading_line,
    watch_answer,
)
from ivkit.report.watch_view import view
from ivkit.verdict.live import Judged, LiveJudge
from ivkit.verdict.session import Session, State

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.cli.append_log import AppendLog
    from ivkit.cli.screen import Screen
    from ivkit.cli.watch_setting import Setting
    from ivkit.readings.line_source import Lines

FRAME = 0.2  # s between frames: as fast as figures can be read
GATHER = 0.05  # s in which lines gather, so that a fast logger is judged a few lines at a time
_MANY = 50  # lines at once: then more are waiting, and there is nothing to gather
_MOST = 500  # lines judged at once
_IDLE = 0.5  # s


class Show(Protocol):
    """Where it is shown."""

    def notes(self, notes: Sequence[str]) -> None:
        """Show what was understood and assumed."""

    def seen(self, outcomes: Sequence[Judged | BadLine]) -> None:
        """Show each line, or nothing."""

    def frame(self, state: State) -> None:
        """Show where things stand, or nothing."""

    def end(self, answer: Answer) -> None:
        """Show the last words."""


class PlainShow:
    """A line a reading, for a pipe or a file."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def notes(self, notes: Sequence[str]) -> None:
        """Show them as comments."""
        self._write("".join(wrap(note, 79, "# ", "#   ") + "\n" for note in notes))

    def seen(self, outcomes: Sequence[Judged | BadLine]) -> None:
        """Show each line."""
        texts = (bad_line(x) if isinstance(x, BadLine) else reading_line(x) for x in outcomes)
        text = "".join(f"{line}\n" for line in texts)
        self._write(text)

    def frame(self, state: State) -> None:
        """Nothing: every line has been shown."""

    def end(self, answer: Answer) -> None:
        """Show the last words as a comment."""
        self._write(wrap(answer.headline, 79, "# ", "#   ") + "\n")

    def _write(self, text: str) -> None:
        try:
            text.encode(self.stream.encoding or "ascii")
        except UnicodeEncodeError:
            text = ascii_text(text)
        self.stream.write(text)
        self.stream.flush()


class RowShow:
    """The rows of a log on standard output, and nothing else there."""

    def __init__(self, stream: TextIO, stamp: Callable[[], str]) -> None:
        self.stream, self.stamp = stream, stamp
        stream.write(log_head() + "\n")

    def notes(self, notes: Sequence[str]) -> None:
        """Nothing."""

    def seen(self, outcomes: Sequence[Judged | BadLine]) -> None:
        """Write a row a line."""
        self.stream.write("".join(f"{row(one, self.stamp())}\n" for one in outcomes))
        self.stream.flush()

    def frame(self, state: State) -> None:
        """Nothing."""

    def end(self, answer: Answer) -> None:
        """Say it where it is not in the way."""
        click.echo(answer.headline, err=True)


class ScreenShow:
    """The view on a terminal."""

    def __init__(self, screen: "Screen", ascii_only: bool) -> None:
        self.screen, self.ascii_only = screen, ascii_only

    def notes(self, notes: Sequence[str]) -> None:
        """Write them above the view."""
        width = self.screen.size()[0]
        text = "".join(wrap(note, max(width - 1, 20), "", "  ") + "\n" for note in notes)
        self.screen.stream.write((ascii_text(text) if self.ascii_only else text) + "\n")

    def seen(self, outcomes: Sequence[Judged | BadLine]) -> None:
        """Nothing: the view shows the last one."""

    def frame(self, state: State) -> None:
        """Draw the view over itself."""
        width, height = self.screen.size()
        lines = view(state, max(width, 10), height, self.ascii_only)
        self.screen.draw([(line.text, line.tone) for line in lines])

    def end(self, answer: Answer) -> None:
        """Leave the view standing and write the last words below it."""
        self.screen.leave()
        text = wrap(answer.headline, max(self.screen.size()[0] - 1, 20)) + "\n"
        self.screen.stream.write(ascii_text(text) if self.ascii_only else text)
        self.screen.stream.flush()


def row(one: Judged | BadLine, stamp: str) -> str:
    """Return a line of a log."""
    return bad_row(one, stamp) if isinstance(one, BadLine) else log_row(one, stamp)


def stamp_now() -> str:
    """Return the moment with its zone, to the millisecond."""
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


def watch(
    source: "Lines",
    reader: LineReader,
    setting: "Setting",
    show: Show,
    log: "AppendLog | None" = None,
    load_ohm: float | None = None,
    clock: Callable[[], float] = time.monotonic,
    stamp: Callable[[], str] = stamp_now,
    sleep: Callable[[float], None] = time.sleep,
) -> Answer:
    """Watch until the input ends, or until a `KeyboardInterrupt`; return what was seen."""
    session, judge = Session(), LiveJudge(setting.stated)
    told, drawn = False, -1e9

    def take(found: Sequence[LiveReading | BadLine]) -> None:
        nonlocal told
        if reader.quantities and not told:
            told = True
            show.notes([*reader.notes, *setting.notes])
        for k in range(0, len(found), _MOST):
            outcomes = judge_lines(
                found[k : k + _MOST], judge, setting.bench, load_ohm, reader.resolution
            )
            arrival = clock()
            for one in outcomes:
                if log is not None:
                    log.add(row(one, stamp()))
                if isinstance(one, BadLine):
                    session.take_bad(one, arrival)
                else:
                    session.take(one, arrival)
            show.seen(outcomes)

    ended = "end of the input"
    try:
        with _ended_by_signal():
            while (lines := source.read(_IDLE)) is not None:
                take([one for line in lines for one in reader.read(line)])
                if clock() - drawn >= FRAME:
                    show.frame(state_of(session, setting, clock()))
                    drawn = clock()
                if lines and len(lines) < _MANY:
                    sleep(GATHER)
            take(reader.finish())
    except KeyboardInterrupt:
        ended = "stopped"
    except BaseException:
        leave = getattr(getattr(show, "screen", None), "leave", None)
        if leave is not None:
            leave()
        raise
    state = state_of(session, setting, clock())
    show.frame(state)
    answer = watch_answer(
        state, ended, setting.panel, [*reader.notes], setting.notes, setting.bench
    )
    show.end(answer)
    return answer


def judge_lines(
    found: Iterable[LiveReading | BadLine],
    judge: LiveJudge,
    bench: "Bench | None",
    load_ohm: float | None,
    step: Mapping[str, float],
) -> list[Judged | BadLine]:
    """Return the lines judged, in their order; readings that tell nothing become bad lines."""
    out: list[Judged | BadLine] = []

    def kind(one: LiveReading | BadLine) -> tuple[str, ...] | None:
        return None if isinstance(one, BadLine) else tuple(one.values)

    for quantities, group in groupby(found, kind):
        if quantities is None:
            out += group
            continue
        readings = list(group)
        at = at_terminals(readings, load_ohm, bench)
        judged = {one.line: one for one in judge.judge(at, step)}
        for line, trouble in zip(at.lines, at.trouble, strict=True):
            out.append(BadLine(line, trouble, "") if trouble else judged[line])
    return out


def state_of(session: Session, setting: "Setting", clock: float) -> State:
    """Return the state to show, with the light that the last reading shows."""
    now, light, stated = session.now, None, setting.stated
    if setting.light_of is not None and now is not None:
        load = float("nan") if stated.max_power else now.load
        if stated.max_power or load == load:
            light = setting.light_of(now.power, load, now.temperature)
    return session.state(clock, light, stated.relative, setting.condition)


@contextmanager
def _ended_by_signal():
    """Make a polite request to end (SIGTERM) the same as Ctrl-C, where that can be done."""

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGTERM, stop)
    except ValueError:  # not the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def make_show(plain: bool, rows: bool) -> Show:
    """Return where to show it: the view on a terminal, lines elsewhere."""
    from ivkit.cli.screen import Screen, can_draw, speaks_unicode, with_colour

    if rows:
        return RowShow(sys.stdout, stamp_now)
    if plain or not can_draw(sys.stdout, os.environ):
        return PlainShow(sys.stdout)
    screen = Screen(sys.stdout, with_colour(os.environ))
    return ScreenShow(screen, not speaks_unicode(sys.stdout))
