"""Hunting: a swing of the power with a period of its own, found in the steady state.

The periodogram of the steady power is held against its own neighbourhood, so that slow wandering
does not pass for a period. Its wave is folded at the period; where that wanders, the swing comes
from the power under the broad peak.

Detection: Fisher (1929), largest ordinate of a periodogram. Frequency's uncertainty: Rife and
Boorstyn (1974).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_CHANCE = 1e-4
_FEWEST_PERIODS = 4
_BINS = 48
_PHASES = 240
_LONGEST = 1 << 16


@dataclass(frozen=True)
class Swing:
    """A periodic part of a signal.

    Attributes
    ----------
    period, u_period : s.
    low, high : Ends of the swing, in the signal's unit, about its mean.
    u : Standard uncertainty of ``high`` - ``low``.
    coherent : The period keeps its time; else it wanders and the swing is that of its mean power.
    shape : shape (48,). One period of the wave about the mean, from the phase of the first reading;
        NaN where the period wanders.
    """

    period: float
    u_period: float
    low: float
    high: float
    u: float
    coherent: bool
    shape: Array

    @property
    def size(self) -> float:
        """From end to end."""
        return self.high - self.low


def find_swing(time: ArrayLike, signal: ArrayLike) -> Swing | None:
    """Return the strongest periodic part of a signal, or None where chance explains all.

    Parameters
    ----------
    time : array_like, shape (N,). s, increasing, about even; filled in where it is not.
    signal : array_like, shape (N,)
    """
    t, x = np.asarray(time, dtype=float), np.asarray(signal, dtype=float)
    if t.size < 40:
        return None
    if t.size <= _LONGEST:
        return _find(t, x)
    # Slow swings are in the means of groups, fast ones in a stretch of single readings.
    group = -(-t.size // _LONGEST)
    cut = t.size - t.size % group
    slow = _find(*(v[:cut].reshape(-1, group).mean(axis=1) for v in (t, x)))
    middle = slice((t.size - _LONGEST) // 2, (t.size + _LONGEST) // 2)
    fast = _find(t[middle], x[middle])
    found = [swing for swing in (slow, fast) if swing is not None]
    return max(found, key=lambda swing: swing.size, default=None)


def _find(t: Array, x: Array) -> Swing | None:
    """Return the strongest periodic part of a signal of moderate length."""
    even, filled = _even(t, x)
    # A length without large primes, which would slow the transform down tenfold.
    fast = filled.size - filled.size % (1 << max(0, filled.size.bit_length() - 9))
    even, filled = even[:fast], filled[:fast]
    n, step = filled.size, (even[-1] - even[0]) / (even.size - 1)
    place = np.linspace(-1.0, 1.0, n)
    mean = filled.mean()
    slope = 3.0 * np.mean((filled - mean) * place)
    filled = filled - mean - slope * place
    window = 0.5 * (1.0 - np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n))
    spectrum = np.abs(np.fft.rfft(filled * window)) ** 2 / (n * 0.375)
    bins = np.arange(spectrum.size)
    usable = slice(_FEWEST_PERIODS, spectrum.size - 1)
    if bins[usable].size < 20 or not spectrum[usable].any():
        return None
    background = _background(spectrum)
    ratio = spectrum[usable] / background[usable]
    peak = int(np.argmax(ratio)) + _FEWEST_PERIODS
    # The window makes neighbours alike: about two thirds as many independent ordinates.
    limit = np.log(0.67 * ratio.size / _CHANCE)
    if ratio[peak - _FEWEST_PERIODS] < limit:
        return None
    frequency = _between_bins(spectrum, peak) / (n * step)
    level = float(background[peak])
    under = _power_under(spectrum, peak) * n / min(n, t.size)  # what was filled in is calm
    x = x - mean - slope * np.interp(t, even, place)
    t = t - t[0]
    frequency = _refined(t, x, frequency)
    shape, u_point = _folded(t, x, frequency)
    amplitude = np.sqrt(2.0 * max(under, 0.0))
    noise = np.sqrt(4.0 * level / n)
    folded = float(np.ptp(shape))
    if folded < 1.4 * amplitude:
        u = 2.0 * float(np.hypot(noise, amplitude / np.sqrt(2.0 * max(1.0, n * step * frequency))))
        wanders = np.full(_BINS, np.nan)
        u_period = 1.0 / frequency / max(2.0, n * step * frequency) ** 0.5
        return Swing(1 / frequency, u_period, -amplitude, amplitude, u, False, wanders)
    u_period = np.sqrt(6.0 * level / n) / (np.pi * n * step * max(amplitude, 1e-300) * frequency**2)
    ends = float(shape.min()), float(shape.max())
    return Swing(1 / frequency, float(u_period), *ends, float(2.0 * u_point), True, shape)


def _even(t: Array, x: Array) -> tuple[Array, Array]:
    """Return the signal at even times; straight lines across what is missing."""
    steps = np.diff(t)
    step = float(np.median(steps[:: 1 + steps.size // 20_000]))
    if np.max(np.abs(steps - step)) <= 0.02 * step:
        return t, x
    # Ten times as many points at most: a log with a gap of days stays what it is.
    count = min(1 + round((t[-1] - t[0]) / step), 10 * t.size)
    even = np.linspace(t[0], t[-1], count)
    return even, np.interp(even, t, x)


def _background(spectrum: Array) -> Array:
    """Return what the neighbourhood of each ordinate makes of it: medians of half octaves."""
    size = spectrum.size
    edges = [1]
    while edges[-1] < size:
        edges.append(min(size, max(edges[-1] + 8, int(edges[-1] * 1.5))))
    if len(edges) > 2 and edges[-1] - edges[-2] < 8:
        edges.pop(-2)
    middles = [0.5 * (low + high - 1) for low, high in pairwise(edges)]
    # The median of an exponential distribution is ln 2 of its mean.
    levels = [
        float(np.median(spectrum[low:high][:: 1 + (high - low) // 20_000])) / np.log(2)
        for low, high in pairwise(edges)
    ]
    least = max(1e-9 * float(np.max(spectrum)), 1e-300)
    levels = np.maximum(levels, least)
    return np.exp(
        np.interp(np.log(np.maximum(np.arange(size), 1)), np.log(middles), np.log(levels))
    )


def _between_bins(spectrum: Array, peak: int) -> float:
    """Return where between the bins the peak is, by a parabola through the logarithms."""
    left, middle, right = np.log(np.maximum(spectrum[peak - 1 : peak + 2], 1e-300))
    bend = left - 2 * middle + right
    return peak + (0.5 * (left - right) / bend if bend < 0 else 0.0)


def _power_under(spectrum: Array, peak: int) -> float:
    """Return the mean square that a peak, sharp or broad, stands for above what is around it."""

    def around(low: float, high: float) -> Array:
        return spectrum[max(1, int(low * peak)) : max(int(low * peak) + 4, int(high * peak) + 1)]

    beside = np.concatenate([around(0.3, 0.55), around(1.9, 3.0)])
    level = float(np.median(beside)) / np.log(2)
    low, high = min(int(0.6 * peak), peak - 2), max(int(1.7 * peak), peak + 2)
    under = spectrum[max(low, 1) : high + 1] - level
    # One-sided: each ordinate carries 2/N of the mean square.
    return max(float(np.sum(under)), 0.0) / (spectrum.size - 1)


def _refined(t: Array, x: Array, frequency: float) -> float:
    """Return the frequency at which a sine fits best, within about half a bin."""
    from scipy.optimize import minimize_scalar

    # Turned back by the frequency, what is left varies slowly: a few thousand means hold it.
    slow = x * np.exp(-2j * np.pi * frequency * t)
    group = -(-t.size // 4096)
    cut = t.size - t.size % group
    slow = slow[:cut].reshape(-1, group).mean(axis=1)
    at = t[:cut].reshape(-1, group).mean(axis=1)

    def missed(off: float) -> float:
        return -float(np.abs(np.exp(-2j * np.pi * off * at) @ slow))

    half = 0.6 / (t[-1] - t[0])
    options = {"xatol": half * 1e-4}
    found = minimize_scalar(missed, bounds=(-half, half), method="bounded", options=options)
    return float(frequency + found.x)


def _folded(t: Array, x: Array, frequency: float) -> tuple[Array, float]:
    """Return the wave over one period from its significant harmonics, and a point's u."""
    step = float(np.median(np.diff(t)))
    most = int(np.clip(0.5 / (frequency * step) - 0.5, 1, 4))
    phase = frequency * t
    phase -= np.floor(phase)
    # So many readings are averaged by phase first: 240 phases hold four harmonics to 5e-4.
    if t.size > 50 * _PHASES:
        place = np.minimum((phase * _PHASES).astype(np.int32), _PHASES - 1)
        weight = np.bincount(place, minlength=_PHASES).astype(float)
        means = np.bincount(place, x, _PHASES) / np.maximum(weight, 1.0)
        phase = (np.arange(_PHASES) + 0.5) / _PHASES
    else:
        place, weight, means = np.arange(t.size), np.ones(t.size), x
    columns = [np.ones(phase.size)]
    for h in range(1, most + 1):
        columns += [np.cos(2 * np.pi * h * phase), np.sin(2 * np.pi * h * phase)]
    design = np.stack(columns, axis=1)
    normal = design.T @ (weight[:, None] * design)
    weights = np.linalg.solve(normal, design.T @ (weight * means))
    left = x - (design @ weights)[place]
    # Neighbours may be alike: their correlation takes that much of the readings' number.
    along = float(np.clip(left[1:] @ left[:-1] / max(left @ left, 1e-300), 0.0, 0.98))
    variance = float(left @ left) / max(1, t.size - weights.size) * (1 + along) / (1 - along)
    u = np.sqrt(2.0 * variance / t.size)
    grid = 2 * np.pi * np.arange(_BINS) / _BINS
    shape, used = np.zeros(_BINS), 0
    for h in range(1, most + 1):
        cosine, sine = weights[2 * h - 1 : 2 * h + 1]
        if h == 1 or np.hypot(cosine, sine) > 4.0 * u:
            shape += cosine * np.cos(h * grid) + sine * np.sin(h * grid)
            used += 1
    return shape, float(u * np.sqrt(used))
