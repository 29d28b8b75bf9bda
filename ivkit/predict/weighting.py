"""Covariance of readings: what each scatters by on its own, and what all of them share."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Weighting:
    """Covariance of N readings.

    Attributes
    ----------
    variance : ndarray, shape (N,)
        Of each reading on its own.
    moves : ndarray, shape (K, N)
        What one standard uncertainty of each shared input does to the readings.
    """

    variance: Array
    moves: Array

    @cached_property
    def _parts(self) -> tuple[Array, Array, Array]:
        root = np.sqrt(self.variance)
        vectors, sizes, _ = np.linalg.svd((self.moves / root).T, full_matrices=False)
        return root, vectors, 1.0 - 1.0 / np.sqrt(1.0 + sizes**2)

    def white(self, values: Array) -> Array:
        """Return values, (N,) or (N, M), times the inverse root of the full covariance."""
        root, vectors, less = self._parts
        scaled = (values.T / root).T
        less = less if values.ndim == 1 else less[:, None]
        return scaled - vectors @ (less * (vectors.T @ scaled))
