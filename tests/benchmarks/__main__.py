"""Measure ivkit against what a user would otherwise write, in one run: ratios, not seconds.

    python -m tests.benchmarks            all of it, some minutes
    python -m tests.benchmarks engine     only the rows of one file

Each file of this folder with a function ``rows`` gives rows; a row that misses its target is
marked, never left out.
"""

import importlib
import pkgutil
import platform
import sys

from ivkit.answer.text import table
from tests import benchmarks
from tests.benchmarks.row import Row


def main(wanted: list[str]) -> int:
    """Print one table; return 1 if a row misses its target."""
    names = [m.name for m in pkgutil.iter_modules(benchmarks.__path__)]
    found: list[Row] = []
    for name in sorted(names):
        if wanted and name not in wanted:
            continue
        module = importlib.import_module(f"tests.benchmarks.{name}")
        if hasattr(module, "rows"):
            found += [Row(*row) for row in module.rows()]
    lines = [
        [row.what, row.against, row.shown, row.target, "" if row.met else "MISSED"] for row in found
    ]
    print(f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}\n")
    print(table(lines, ("what", "against", "measured", "target", ""), left=2))
    return 0 if all(row.met for row in found) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
