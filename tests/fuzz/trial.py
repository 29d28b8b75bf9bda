"""One damaged file, one call of a command, and what is wrong with how it went."""

import os
import re
import signal
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from click import ClickException
from click.testing import CliRunner

from ivkit.cli import COMMANDS, ivkit
from ivkit.errors import IvkitError
from tests.fuzz.cases import CASES, Case
from tests.fuzz.mutations import damage

HANG = 5.0  # seconds of processor time, which other work on the machine does not lengthen
#: Warnings that Python does not print unless asked to.
_QUIET = (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning)


class _HangError(BaseException):
    """A call took too long; no `except Exception` may catch it."""


@dataclass(frozen=True)
class Trial:
    """How a call went.

    Attributes
    ----------
    number : int
    line, file, ways : str
        The call, the file that was damaged, and how.
    status : int or None
        Exit status.
    wrong : tuple of str
        What is wrong; empty if nothing is.
    message : str
        What stood on standard error.
    seconds : float
        Processor time.
    """

    number: int
    line: str
    file: str
    ways: str
    status: int | None
    wrong: tuple[str, ...]
    message: str
    seconds: float


def known_cases() -> list[Case]:
    """Return the cases whose command there is."""
    return [case for case in CASES if case.command in COMMANDS]


def run_trial(number: int, seed: int, files: dict[str, bytes], only: str = "") -> Trial:
    """Damage a file and call a command on it, in the working folder, which holds the sound ones.

    The same number and seed give the same trial.
    """
    rng = np.random.default_rng([seed, number])
    cases = [case for case in known_cases() if only in ("", case.command)]
    weights = np.array([case.weight for case in cases], dtype=float)
    case = cases[int(rng.choice(len(cases), p=weights / weights.sum()))]
    hit = _damageable(case, files)[int(rng.integers(len(_damageable(case, files))))]
    raw, ways = damage(hit, files[hit], rng)
    before = set(os.listdir("."))
    Path(hit).write_bytes(raw)
    try:
        return _call(number, case, hit, ways, files | {hit: raw}, before)
    finally:
        Path(hit).write_bytes(files[hit])
        for name in set(os.listdir(".")) - before:
            os.unlink(name)


def _damageable(case: Case, files: dict[str, bytes]) -> list[str]:
    named = [word for word in (*case.line.split(), case.stdin) if word in files]
    if case.command == "report":  # the bench names these
        named += ["shed_sweep.csv", "shed_angle.csv", "panel.toml"]
    return named


def _call(
    number: int, case: Case, hit: str, ways: str, files: dict[str, bytes], before: set[str]
) -> Trial:
    wrong, began = [], os.times()
    status, message, out = None, "", ""
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            with _limited(HANG):
                result = CliRunner().invoke(
                    ivkit,
                    case.line.split(),
                    input=files.get(case.stdin, b""),
                    prog_name="ivkit",
                    standalone_mode=False,
                )
        except _HangError:
            wrong.append(f"hangs: over {HANG:g} s")
        else:
            status, message, out = result.exit_code, result.stderr, result.stdout
            error = result.exception
            if isinstance(error, IvkitError):  # as ivkit.cli.main shows these
                status, message = 2, message + f"ivkit: {error}\n"
            elif isinstance(error, ClickException):
                status, message = 2, message + f"Error: {error.format_message()}\n"
            elif isinstance(error, MemoryError):
                wrong.append("memory over the limit")
            elif error is not None and not isinstance(error, SystemExit):
                wrong.append(f"{type(error).__name__}: {error} {_place(error)}"[:300])
            elif result.return_value not in (None, 0):  # main() turns it into the status
                status = result.return_value
    wrong += [
        f"{w.category.__name__}: {w.message} ({w.filename.rpartition('ivkit/')[2]}:{w.lineno})"[
            :300
        ]
        for w in warned
        if not issubclass(w.category, _QUIET)
    ]
    ended = os.times()
    if not wrong:
        wrong += _judged(case, hit, status, message, out, before, list(files))
    seconds = ended.user + ended.system - began.user - began.system
    return Trial(
        number, case.line, hit, ways, status, tuple(wrong), message[:600], round(seconds, 2)
    )


def _judged(
    case: Case,
    hit: str,
    status: int | None,
    message: str,
    out: str,
    before: set[str],
    known: list[str],
) -> Iterator[str]:
    """Yield what is wrong with how a call ended."""
    if status not in (0, 1, 2):
        yield f"exit status {status}"
    new = set(os.listdir(".")) - before
    if any(name.startswith(".ivkit-") for name in new):
        yield "left a file half-written"
    if status != 2:
        # The rows of a batch quote the cells that they could not read.
        if case.command != "batch" and re.search(r"(?<![\w.])nan(?![\w.])", out):
            yield "prints nan"
        return
    if new:
        yield f"wrote {', '.join(sorted(new))} all the same"
    names = [word for word in case.line.split() if word in known]
    if case.stdin:
        names.append("standard input")
    if not any(name in message for name in (*names, hit)):
        yield "no file is named"
    if "Traceback" in message:
        yield "prints a traceback"
    if len(message.splitlines()) > 12:
        yield f"says it in {len(message.splitlines())} lines"


def _place(error: BaseException) -> str:
    """Return where in ivkit an exception came from."""
    place, trace = "", error.__traceback__
    while trace is not None:
        name = trace.tb_frame.f_code.co_filename
        if "/ivkit/" in name and "/tests/" not in name:
            place = f"({name.rpartition('/ivkit/')[2]}:{trace.tb_lineno})"
        trace = trace.tb_next
    return place


@contextmanager
def _limited(seconds: float) -> Iterator[None]:
    """Stop what takes longer, in processor time; ten times as long by the clock on the wall."""

    def stop(signal_number, frame):
        raise _HangError

    signal.signal(signal.SIGPROF, stop)
    signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, 10 * seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)


def load_everything() -> None:
    """Import what the commands need, so that the first call of each is not charged for it."""
    from importlib import import_module

    for name in COMMANDS:
        import_module(f"ivkit.cli.{name}")
    for name in ("pvlib", "pandas", "matplotlib.figure", "openpyxl", "scipy.optimize"):
        import_module(name)
    sys.stdout.flush()
