"""The mean of readings that are not independent, and how well it is known.

The variance of their mean is (s^2/n) (1 + 2 sum of the autocorrelations), as if there were fewer
readings. The sum is cut off where neighbouring pairs of autocovariances stop being positive: beyond
it holds nothing but noise.

Zhang (2006), mean of autocorrelated measurements; Geyer (1992), initial monotone sequence.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

_MOST = 1 << 14  # longer series are averaged in groups first: the mean's variance is the same


@dataclass(frozen=True)
class Mean:
    """A mean and how well it is known.

    Attributes
    ----------
    value, u : Mean and its standard uncertainty, in the unit of the readings.
    n : Readings.
    n_effective : Independent readings that would give the same uncertainty.
    """

    value: float
    u: float
    n: int
    n_effective: float

    @property
    def freedom(self) -> float:
        """Degrees of freedom of ``u``, at least 1."""
        return max(1.0, self.n_effective - 1.0)


def mean_of(readings: ArrayLike, step: float = 0.0) -> Mean:
    """Return the mean of consecutive readings, with the uncertainty that noise gives it.

    Parameters
    ----------
    readings : array_like, shape (N,). Evenly spaced in time, at least one.
    step : Step of the last digit: a mean of equal readings is not exact (GUM F.2.2.1).
    """
    x = np.asarray(readings, dtype=float)
    n = x.size
    value = float(x.mean())
    least = step / np.sqrt(12.0)
    if n < 3:
        return Mean(value, max(float(np.ptp(x)), least), n, 1.0)
    group = -(-n // _MOST)
    if group > 1:
        x = x[n % group :].reshape(-1, group).mean(axis=1)
    m = x.size
    x = x - x.mean()
    size = 1 << int(np.ceil(np.log2(2 * m)))
    spectrum = np.abs(np.fft.rfft(x, size)) ** 2
    covariance = np.fft.irfft(spectrum, size)[:m] / m
    if not covariance[0] > 0:
        return Mean(value, least, n, float(n))
    pairs = covariance[: m - m % 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    pairs = pairs[: negative[0] if negative.size else None]
    variance = 0.0
    for _ in range(6):
        # About the mean of the readings, not the true one, every autocovariance comes out too
        # small by the variance of that mean: it is given back until nothing changes.
        spread = float(covariance[0]) + variance
        total = 2.0 * float(np.minimum.accumulate(pairs + 2.0 * variance).sum()) - spread
        variance = max(total, 0.1 * spread) / m
    alone = float(np.var(readings)) if group > 1 else float(covariance[0])
    effective = min((alone + variance) / variance, float(n))
    u = float(np.sqrt(variance))
    return Mean(value, max(u, least), n, effective)
