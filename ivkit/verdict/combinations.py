"""Loads that can be had: values of a series, or one or two parts from a drawer."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.verdict.e_series import SERIES, resistance_code, series_values

# How far from the best load a value is looked for, as a factor.
_SPAN = 30.0
# Two parts are worth the soldering only where they lower the loss by this.
_WORTH_A_PAIR = 0.005

Loss = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True)
class Combination:
    """One part, or two.

    Attributes
    ----------
    parts : tuple of float. Ohm.
    connection : ``single``, ``series`` or ``parallel``.
    source : The series that hold it (``E6, E12, E24``), or ``drawer``.
    """

    parts: tuple[float, ...]
    connection: str
    source: str

    @property
    def resistance(self) -> float:
        """Of the whole, ohm."""
        if self.connection == "parallel":
            return 1.0 / sum(1.0 / r for r in self.parts)
        return float(sum(self.parts))

    @property
    def heat_shares(self) -> tuple[float, ...]:
        """Part of the whole power that each part turns into heat, 0 to 1."""
        if self.connection == "parallel":
            return tuple(self.resistance / r for r in self.parts)
        return tuple(r / self.resistance for r in self.parts)

    @property
    def label(self) -> str:
        """The parts as written on them: ``33R``, ``22R + 10R`` in series, ``47R || 100R``."""
        sign = " || " if self.connection == "parallel" else " + "
        return sign.join(resistance_code(r) for r in self.parts)


def from_series(
    series: str, best: float, loss: Loss
) -> tuple[Combination, tuple[Combination, ...]]:
    """Return the best value of a series, and what to list beside it.

    Parameters
    ----------
    series : The one to choose from.
    best : Resistance of greatest power, ohm.
    loss : callable. From resistances in ohm, shape (C,), to what they lose, shape (C,).

    Returns choice: Combination; listed: tuple of Combination. The choice, its neighbour on the
    other side of ``best``, and the best of every series.

    Raises RangeError: a series that is not known.
    """
    if series not in SERIES:
        raise RangeError(f"series '{series}' is not one of {', '.join(SERIES)}")
    picked: dict[float, list[str]] = {}
    chosen = np.nan
    for name in SERIES:
        values = series_values(name, best / _SPAN, best * _SPAN)
        losses = loss(values)
        first = values[np.argmin(losses)]
        wanted = [first]
        if name == series:
            chosen = first
            beyond = values > best if first <= best else values < best
            wanted.append(values[beyond][np.argmin(losses[beyond])])
        for value in wanted:
            picked.setdefault(float(value), [])
    for value, names in picked.items():
        names += [n for n in SERIES if value in series_values(n, value * 0.999, value * 1.001)]
    listed = tuple(
        Combination((value,), "single", ", ".join(names)) for value, names in sorted(picked.items())
    )
    return next(c for c in listed if c.resistance == chosen), listed


def from_drawer(drawer: Sequence[float], loss: Loss) -> tuple[Combination, tuple[Combination, ...]]:
    """Return the best load from a drawer, and the two best of each connection.

    Parameters
    ----------
    drawer : sequence of float. Ohm; each entry is one part, so a value that is there twice is
        listed twice.
    loss : callable. As in `from_series`.

    Returns choice: Combination. A single part, unless two parts lose less by 0.5 % of the maximum
    power; listed: tuple of Combination. By ascending resistance.

    Raises RangeError: an empty drawer, or a part that is not positive and finite.
    """
    parts = sorted((float(r) for r in drawer), reverse=True)
    if not parts:
        raise RangeError("the drawer is empty", remedy="list at least one resistance")
    for r in parts:
        if not 0 < r < np.inf:
            raise RangeError(f"part of {r:g} ohm", remedy="give resistances greater than 0")
    pairs = sorted(set(combinations(parts, 2)))
    kinds = {
        "single": [(r,) for r in sorted(set(parts))],
        "series": pairs,
        "parallel": [pair[::-1] for pair in pairs],
    }
    listed: list[Combination] = []
    lowest: list[tuple[float, Combination]] = []
    for connection, sets in kinds.items():
        made = [Combination(p, connection, "drawer") for p in sets]
        if not made:
            continue
        losses = loss(np.array([c.resistance for c in made]))
        order = np.argsort(losses, kind="stable")[:2]
        listed += [made[k] for k in order]
        lowest.append((float(losses[order[0]]), made[order[0]]))
    single_loss, choice = lowest[0]
    if len(lowest) > 1:
        pair_loss, pair = min(lowest[1:], key=lambda item: item[0])
        if pair_loss < single_loss - _WORTH_A_PAIR:
            choice = pair
    return choice, tuple(sorted(listed, key=lambda c: c.resistance))
