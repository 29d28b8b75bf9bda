"""What is known of one quantity, and by whom.

One object is one cause: wherever the same `Input` acts, its variable is the same, so that results
are correlated as they really are (JCGM 100:2008, GUM, 5.2) and nobody keeps a list of correlations.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, ufloat

from ivkit.errors import RangeError


class Distribution(StrEnum):
    """What values a quantity may have, for a Monte Carlo (JCGM 101:2008, 6.4)."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    U_SHAPED = "u_shaped"


#: Half width over standard uncertainty: GUM 4.3.7 (rectangular), 4.3.9 (triangular); the arcsine
#: distribution of a quantity that swings as a sine, JCGM 101:2008, 6.4.6 (U-shaped).
HALF_WIDTH = {
    Distribution.RECTANGULAR: sqrt(3.0),
    Distribution.TRIANGULAR: sqrt(6.0),
    Distribution.U_SHAPED: sqrt(2.0),
}


@dataclass(frozen=True, eq=False)
class Input:
    """An input quantity.

    Attributes
    ----------
    name : str
        As it stands in a budget.
    value : float
        Best estimate.
    u : float
        Standard uncertainty in the same unit, 0 or greater.
    unit : str
        "" for a pure number.
    distribution : Distribution
    bounds : (float, float)
        The quantity is never beyond them.
    degrees_of_freedom : float
        Of ``u``, above 0 (GUM G.3).
    source : str
        Who says so: "stated", "bench file", "fit of FILE", "assumed: ...".
    variable : UFloat
        The quantity as a number of the `uncertainties` package, tagged with its name; made with the
        object, so that it is the same wherever the object acts.

    Raises
    ------
    RangeError
        No finite value, a negative ``u``, a value beyond its bounds.

    Examples
    --------
    >>> cells = Input("cell temperature", 30.0, 8.0, "degC")
    >>> (cells.variable - cells.variable).std_dev
    0.0
    """

    name: str
    value: float
    u: float
    unit: str
    distribution: Distribution = Distribution.NORMAL
    bounds: tuple[float, float] = (-inf, inf)
    degrees_of_freedom: float = inf
    source: str = ""
    variable: UFloat = field(init=False, repr=False)

    def __post_init__(self) -> None:
        low, high = self.bounds
        if not isfinite(self.value):
            raise RangeError(f"a value of {self.value:g}", self.name, "give a finite number")
        if not 0 <= self.u < inf:
            raise RangeError(
                f"a standard uncertainty of {self.u:g}", self.name, "give 0 or a positive number"
            )
        if not low <= self.value <= high:
            raise RangeError(
                f"{self.value:g} {self.unit} is outside {low:g} to {high:g}",
                self.name,
                "give a value within its bounds",
            )
        if not self.degrees_of_freedom > 0:
            raise RangeError(
                f"{self.degrees_of_freedom:g} degrees of freedom",
                self.name,
                "give a number above 0, or none where the uncertainty is certain",
            )
        object.__setattr__(self, "variable", ufloat(self.value, self.u, self.name))

    @classmethod
    def within(
        cls,
        name: str,
        value: float,
        half_width: float,
        unit: str,
        distribution: Distribution = Distribution.RECTANGULAR,
        source: str = "",
    ) -> "Input":
        """Return a quantity that is within ``half_width`` of its value, and never beyond.

        >>> round(Input.within("load", 100.0, 5.0, "ohm").u, 4)
        2.8868
        """
        kind = Distribution(distribution)
        if kind not in HALF_WIDTH:
            raise RangeError(
                "a normal distribution has no half width", name, "give its standard uncertainty"
            )
        u = half_width / HALF_WIDTH[kind]
        bounds = (value - abs(half_width), value + abs(half_width))
        return cls(name, value, u, unit, kind, bounds, source=source)


def independent(
    values: ArrayLike, covariance: ArrayLike, names: Sequence[str], source: str = ""
) -> tuple[tuple[Input, ...], NDArray[Any]]:
    """Return correlated estimates as independent inputs of value 0 and u 1, and their effects.

    ``values + effects.T @ inputs`` are the estimates again, with their covariance. Taken are the
    eigenvectors of the correlation, so that units do not matter; those without variance are left
    out. Each is named by the estimate that it changes most, in units of that one's uncertainty.

    Parameters
    ----------
    values : array_like, shape (N,)
        In any units.
    covariance : array_like, shape (N, N)
    names : sequence of str
    source : str

    Returns
    -------
    inputs : tuple of Input, length K <= N
    effects : ndarray, shape (K, N)
        What one standard uncertainty of each input adds to each estimate.

    Raises
    ------
    RangeError
        Shapes that do not go together, or a matrix that is not a covariance.

    Examples
    --------
    >>> inputs, effects = independent([1.0, 2.0], [[0.04, 0.06], [0.06, 0.09]], ["a", "b"])
    >>> len(inputs), (abs(effects) * 1000).round().tolist()
    (1, [[200.0, 300.0]])
    """
    c, n = np.asarray(covariance, dtype=float), len(names)
    if c.shape != (n, n) or np.shape(values) != (n,):
        raise RangeError(
            f"{n} names, values of shape {np.shape(values)}, a covariance of shape {c.shape}",
            source,
            "give N names, N values and an N by N covariance",
        )
    u = np.sqrt(np.maximum(np.diag(c), 0.0))
    scale = np.where(u > 0, u, 1.0)
    r = c / np.outer(scale, scale)
    variances, vectors = np.linalg.eigh(r) if np.all(np.isfinite(r)) else (np.array([-1.0]), r)
    dust = 1e-9 * n
    if variances[0] < -dust or not np.allclose(r, r.T, rtol=0, atol=dust):
        raise RangeError(
            "the matrix is not a covariance: it is not symmetric, or has a negative variance",
            source,
            "give that of the fit, as it stands",
        )
    kept = np.flatnonzero(variances > dust)[::-1]
    units = vectors[:, kept].T * np.sqrt(variances[kept])[:, None]
    inputs = tuple(
        Input(f"{names[int(np.argmax(np.abs(unit)))]} ({k})", 0.0, 1.0, "", source=source)
        for k, unit in enumerate(units, 1)
    )
    return inputs, units * scale
