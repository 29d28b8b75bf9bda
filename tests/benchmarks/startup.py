"""How long commands take to start, against bare imports in the same Python."""

import subprocess
import sys
from statistics import median

from tests.benchmarks.row import Row, seconds
from tests.published import CELL


def _median(*arguments: str) -> float:
    def run() -> None:
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)

    run()  # files into the cache
    return median(seconds(run, 1) for _ in range(9))


def rows() -> list[Row]:
    """Return the rows of this file."""
    click = _median("-c", "import click")
    numeric = _median("-c", "import numpy, scipy.optimize, pandas")
    out = []
    for what, arguments, base, against, limit in (
        ("ivkit --help", ("-m", "ivkit", "--help"), click, "import click", 3.0),
        (
            "ivkit characterize of one sweep",
            ("-m", "ivkit", "characterize", str(CELL)),
            numeric,
            "import numpy, scipy.optimize, pandas",
            1.5,
        ),
    ):
        ratio = _median(*arguments) / base
        out.append(Row(what, against, f"{ratio:.2f} x", f"< {limit:g} x", ratio < limit))
    return out
