"""How a sweep is taken, and what a way to go wrong has to know of panel and bench."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Columns = dict[str, Array]


@dataclass(frozen=True)
class Course:
    """How one sweep is taken.

    ``loads`` (N,) are the stated ones in the order taken, ohm (0 short circuit, infinity open),
    ``light`` (N,) that at each reading as a fraction of what was meant, ``warming`` (N,) how much
    warmer the cells are, K. ``shaded`` is the light on one cell as a fraction of the others', with
    two bypass diodes; ``barrier`` the voltage that a blocking contact can take up as a fraction of
    Voc; ``extra_load`` what is in series with every load and nobody stated, ohm.
    """

    loads: Array
    light: Array
    warming: Array
    shaded: float = 1.0
    barrier: float = 0.0
    extra_load: float = 0.0

    @classmethod
    def plain(cls, loads: Any) -> "Course":
        """Return a course in which nothing goes wrong."""
        loads = np.asarray(loads, dtype=float)
        return cls(loads, np.ones(loads.shape), np.zeros(loads.shape))

    def reordered(self, order: Array) -> "Course":
        """Return the course with its loads in another order; light and warming keep theirs."""
        plain = Course.plain(self.loads[order])
        return replace(self, loads=plain.loads, light=plain.light, warming=plain.warming)


@dataclass(frozen=True)
class Setting:
    """What a fault has to know of panel and bench: A, V, ohm; ``full_scale`` is the current at the
    converter's end, A (infinite without one), ``divider_factor`` the volts before the divider per
    volt behind it.
    """

    i_sc: float
    v_oc: float
    best_load: float
    full_scale: float = np.inf
    divider_factor: float = 1.0


def either(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a size between two, with either sign."""
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(low, high))
