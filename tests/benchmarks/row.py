"""One row of the table of benchmarks, and the clock that the rows share."""

import time
from collections.abc import Callable
from typing import NamedTuple


class Row(NamedTuple):
    """What was measured, against what, the figure as shown, the target as said, and if it is met.

    ``shown`` is text, so that each row can say what its figure is: a ratio, a share, an error.
    """

    what: str
    against: str
    shown: str
    target: str
    met: bool


def seconds(function: Callable[[], object], repeats: int = 3) -> float:
    """Return the shortest of several timings: what the machine does when it is left alone."""
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        best = min(best, time.perf_counter() - start)
    return best
