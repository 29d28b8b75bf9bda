"""What a load is to the rest: something that finds where it works on a curve."""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Operation:
    """Where a load works on curves.

    Attributes
    ----------
    voltage, current : ndarray
        V and A at the panel, of the curves' shape broadcast with that of the load.
    stable : ndarray of bool
        Whether the load stays there.
    state : object
        What the load carries to the next moment; None for one without memory.
    """

    voltage: Array
    current: Array
    stable: NDArray[np.bool_]
    state: Any = None

    @property
    def power(self) -> Array:
        """W."""
        return self.voltage * self.current


class Load(Protocol):
    """A load."""

    def operate(self, curve: Any, state: Any = None) -> Operation:
        """Return where it works on curves (`SingleDiode` or `SeriesString`), from a state on."""
