"""What `ivkit watch` takes of one core at 100 lines a second, on a terminal and with a log.

The time of starting (imports, the fit of the sweep) is measured apart and taken off.
Run alone: ``python -m tests.benchmarks watch``.
"""

import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from tests.benchmarks.row import Row

EXAMPLES = Path(__file__).parents[2] / "examples"
RATE, LASTS = 100, 20.0  # lines a second; s


def processor_time(lines: list[str], pause: float, *arguments: str, terminal: bool) -> float:
    """Return the seconds of processor that a run takes, lines written ``pause`` s apart."""
    master, slave = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "ivkit", "watch", *arguments],
        stdin=subprocess.PIPE,
        stdout=slave if terminal else subprocess.DEVNULL,
        cwd=EXAMPLES,
        env=dict(os.environ, TERM="xterm", PYTHONPATH=str(EXAMPLES.parent)),
    )
    os.close(slave)

    def drain() -> None:
        try:
            while os.read(master, 1 << 16):
                pass
        except OSError:  # the other end is closed
            pass

    reader = threading.Thread(target=drain)
    reader.start()
    start = time.monotonic()
    for k, line in enumerate(lines):
        child.stdin.write(line.encode())
        child.stdin.flush()
        time.sleep(max(start + (k + 1) * pause - time.monotonic(), 0.0))
    child.stdin.close()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    reader.join()
    os.close(master)
    if child.returncode:
        raise RuntimeError(f"ivkit watch ended with {child.returncode}")
    return used.ru_utime + used.ru_stime


def rows() -> list[Row]:
    """Return the rows of this file."""
    track = (EXAMPLES / "shed_track.csv").read_text().splitlines(keepends=True)
    sweep = (EXAMPLES / "shed_sweep.csv").read_text().splitlines(keepends=True)
    count = int(RATE * LASTS)
    cases = (
        ("terminal, volts", track, ("--load", "68"), True),
        ("terminal, converter codes, V and I", sweep, ("--angle", "0"), True),
        ("plain lines, volts", track, ("--load", "68"), False),
    )
    out = []
    for what, table, options, terminal in cases:
        body = table[2:]
        lines = table[:2] + (body * (1 + count // len(body)))[:count]
        with tempfile.TemporaryDirectory() as folder:
            arguments = ("--sweep", "shed_sweep.csv", "--same-light", *options)
            log = ("--log", str(Path(folder) / "log.csv"))
            start = processor_time(lines[:60], 0.0, *arguments, *log, terminal=terminal)
            whole = processor_time(lines, 1.0 / RATE, *arguments, *log, terminal=terminal)
        share = (whole - start) / LASTS
        out.append(
            Row(
                f"watch, {RATE} lines a second for {LASTS:g} s, {what}, with a log",
                "one core",
                f"{100 * share:.1f} %",
                "< 30 %",
                share < 0.30,
            )
        )
    return out
