"""How long commands take to start, against bare imports in the same Python."""

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import numpy as np

from ivkit.cli import COMMANDS
from tests.benchmarks.row import Row, seconds
from tests.published import CELL

BENCH = Path(__file__).parent.parent.parent / "examples" / "bench.toml"


def _ratio(arguments: Sequence[str], base: str, runs: int = 9) -> float:
    """Return the time of a run of Python over that of bare imports, medians of turns taken."""
    times: tuple[list[float], list[float]] = ([], [])
    for turn in range(runs + 1):
        for words, taken in ((arguments, times[0]), (("-c", base), times[1])):

            def run(words: Sequence[str] = words) -> None:
                subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)

            spent = seconds(run, 1)
            if turn:  # the first brings the files into the cache
                taken.append(spent)
    return median(times[0]) / median(times[1])


def _helps() -> Row:
    """Return the slowest ``--help`` of all commands."""
    ratio, name = max(
        (_ratio(("-m", "ivkit", name, "--help"), "import click", 5), name) for name in COMMANDS
    )
    what = f"ivkit COMMAND --help, the slowest of {len(COMMANDS)} ({name})"
    return Row(what, "import click", f"{ratio:.2f} x", "< 3 x", ratio < 3.0)


def _pages() -> list[Row]:
    """Return the page of the example bench against bare imports.

    The first base loads no code that draws; the second loads what no page with a figure can do
    without, and is there to tell how much of the ratio that is.
    """
    out = []
    with tempfile.TemporaryDirectory() as folder:
        page = os.path.join(folder, "page.html")
        words = ("-m", "ivkit", "report", str(BENCH), "--out", page)
        for base in ("import matplotlib, pandas", "import matplotlib.figure, pandas"):
            ratio = _ratio(words, base)
            size = os.path.getsize(page) / 1e6
            what = f"ivkit report of the example, {size:.2f} MB"
            met = ratio < 3.0 and size < 2.0
            out.append(Row(what, base, f"{ratio:.2f} x", "< 3 x, < 2 MB", met))
    return out


#: What `ivkit check` of a datasheet and a light in W/m2 cannot do without.
_CHECK = (
    "import ivkit.cli.check, ivkit.predict.build_scene, ivkit.verdict.plausibility, "
    "ivkit.report.check_answer, ivkit.answer.lines, ivkit.panel.datasheet"
)


def _checks() -> list[Row]:
    """Return `ivkit check` of one sound reading and of a thousand against its own imports."""
    from ivkit.panel.datasheet import load_datasheet

    label = BENCH.parent.parent / "datasheets" / "jetty_10W.toml"
    load = np.resize([10.0, 22.0, 33.0, 47.0, 68.0, 100.0, 220.0], 1000)
    at = load_datasheet(label).panel().at(800.0, 30.0).operating_point(load)
    noise = 1.0 + 0.01 * np.random.default_rng(1).standard_normal((2, 1000))
    rows = np.stack([load, at.voltage * noise[0], at.current * noise[1]], axis=1)
    told = ("-m", "ivkit", "check", "--datasheet", str(label), "--irradiance", "800")
    with tempfile.TemporaryDirectory() as folder:
        table, bench = os.path.join(folder, "readings.csv"), os.path.join(folder, "bench.toml")
        Path(bench).write_text("")
        head = "load_ohm,voltage_V,current_A"
        np.savetxt(table, rows, "%.5g", ",", header=head, comments="")
        one = (*told, "--bench", bench, "--power", "7", "--load", "33")
        out = []
        for what, words, limit in (
            ("one reading", one, 1.6),
            ("1,000 readings", (*told, "--bench", bench, table), 4.0),
        ):
            ratio = _ratio(words, _CHECK)
            shown, target = f"{ratio:.2f} x", f"< {limit:g} x"
            out.append(Row(f"ivkit check of {what}", "its imports", shown, target, ratio < limit))
    return out


def rows() -> list[Row]:
    """Return the rows of this file."""
    out = [_helps(), *_pages(), *_checks()]
    for what, arguments, base, limit in (
        ("ivkit --help", ("-m", "ivkit", "--help"), "import click", 3.0),
        (
            "ivkit characterize of one sweep",
            ("-m", "ivkit", "characterize", str(CELL)),
            "import numpy, scipy.optimize, pandas",
            1.5,
        ),
    ):
        ratio = _ratio(arguments, base)
        out.append(Row(what, base, f"{ratio:.2f} x", f"< {limit:g} x", ratio < limit))
    return out
