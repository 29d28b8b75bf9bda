"""Input quantities moved off their estimates: many combinations at once."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.light.glass import inputs_of, off
from ivkit.light.incidence import IncidenceAngleModifier

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Off:
    """By how many standard uncertainties inputs are off.

    Attributes
    ----------
    names : tuple of str, length K
    amounts : ndarray, shape (R, K)
        One combination a row.
    """

    names: tuple[str, ...]
    amounts: Array

    def __len__(self) -> int:
        return len(self.amounts)

    def __call__(self, name: str) -> Array:
        """Return one input's amounts, shape (R, 1); zeros for one that is not among them."""
        if name not in self.names:
            return np.zeros((len(self.amounts), 1))
        return self.amounts[:, self.names.index(name), None]

    def groups(self, names: Sequence[str]) -> Iterator[tuple[dict[str, float], NDArray[np.bool_]]]:
        """Yield each combination of some inputs, and the rows that have it."""
        some = np.concatenate([np.zeros((len(self), 0)), *map(self, names)], axis=1)
        if not np.any(some):
            yield dict.fromkeys(names, 0.0), np.ones(len(self), dtype=bool)
            return
        for row in np.unique(some, axis=0):
            yield dict(zip(names, map(float, row), strict=True)), np.all(some == row, axis=1)


def either_side(names: Sequence[str]) -> Off:
    """Return the estimates, then each input one standard uncertainty up and down: 1 + 2 K rows."""
    count = len(names)
    amounts = np.zeros((1 + 2 * count, count))
    amounts[1::2], amounts[2::2] = np.eye(count), -np.eye(count)
    return Off(tuple(names), amounts)


def behind(
    iam: IncidenceAngleModifier,
    moved: Off,
    function: Callable[[IncidenceAngleModifier, NDArray[np.bool_]], Array],
) -> Array:
    """Return a function of the glass, shape (R, ...), each row with its own glass.

    ``function`` takes a modifier and which rows to return.
    """
    names = inputs_of(iam)
    out: Array | None = None
    for by, rows in moved.groups(names):
        glass = iam
        for name in names:
            glass = off(glass, name, by[name])
        found = function(glass, rows)
        if out is None:
            out = np.empty((len(moved), *found.shape[1:]))
        out[rows] = found
    return out
