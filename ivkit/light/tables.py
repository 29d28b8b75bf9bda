"""The tables of ``light/data``: what is published as numbers, read without a heavy library."""

from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def two_columns(name: str) -> tuple[Array, Array]:
    """Return a table of ``light/data``: wavelength, nm, and what stands beside it."""
    with (files("ivkit.light") / "data" / name).open(encoding="utf-8") as lines:
        rows = [line.split(",") for line in lines if line[:1].isdigit()]
    first, second = np.array(rows, dtype=float).T
    return first, second
