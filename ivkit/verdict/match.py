"""How well readings match what they should be: all of them together.

Compared are logarithms of voltage and current (or of power), because slips are factors. Readings
share causes, so their differences d are held against a full covariance

    S = D + M' M,    chi-square = d' S^-1 d,

M the moves of each cause and D what each reading has for itself: noise, last digit, and its load,
which moves its voltage and its current together. S is never built: D has blocks of one reading,
M has few rows (Woodbury's identity), so a thousand readings cost little more than ten.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from ivkit.verdict.scene import Expected, Scene
from ivkit.verdict.stated import Readings

Array = NDArray[np.float64]

#: Below this share of Isc, Voc or both a reading has no logarithm worth comparing.
_FLOOR = {"voltage": 1e-3, "current": 1e-3, "power": 1e-5}
_WRONG_SIGN = 10.0  # a sign that does not agree is no small difference
_TELLS = 0.3  # a reading less uncertain than this share of itself tells something
_FREE_LOAD = 2.0  # standard uncertainty of the logarithm of a load that nobody states
_ROOT_2PI = float(np.sqrt(2.0 * np.pi))
_STRAY_SHARE = 1.5  # of the logarithm of a reading that was written down wrong
#: Degrees of freedom of the Student distribution that ranks slips. Stated uncertainties are
#: guesses from a few readings; a normal distribution would take them for exact.
_FREEDOM = 6.0


@dataclass(frozen=True)
class Match:
    """How well a prediction fits all readings.

    Attributes
    ----------
    chi_square : float
    freedom : int
        Readings compared, less the loads that had to be taken from them; 0 where nothing is.
    log_likelihood : float
        Of a Student distribution of that covariance.
    tells : bool
        Whether any reading is known well enough to tell something.
    """

    chi_square: float
    freedom: int
    log_likelihood: float
    tells: bool


def floors(readings: Readings, expected: Expected) -> dict[str, Array]:
    """Return what each channel cannot resolve: its last digit, or a small share of its range."""
    v, i = expected.values["v_oc"], expected.values["i_sc"]
    ranges = {"voltage": np.abs(v), "current": np.abs(i), "power": np.abs(v * i)}
    return {
        name: np.maximum(_FLOOR[name] * ranges[name], readings.step.get(name, 0.0))
        for name in readings.observed
    }


def match(
    scene: Scene,
    expected: Expected,
    *,
    free_load: bool = False,
    leave_out: tuple[int, str] | None = None,
) -> Match:
    """Return how well the readings match.

    Parameters
    ----------
    scene : Scene
    expected : Expected
    free_load : bool
        The load of each reading was found from it: it may move freely.
    leave_out : tuple of int and str, optional
        A reading and its channel that was written down wrong, with anything in it.
    """
    given, names = scene.readings, scene.observed
    floor = floors(given, expected)
    apart, noise, by_load, moves, used = [], [], [], [], []
    rest = scene.left_over
    for place, name in enumerate(names):
        read, right, least = getattr(given, name), expected.values[name], floor[name]
        size = np.maximum(np.abs(right), least)
        off = np.log(np.maximum(np.abs(read), least)) - np.log(size)
        clear = np.minimum(np.abs(read), np.abs(right)) > 3.0 * least
        off = np.where(clear & (np.sign(read) != np.sign(right)), _WRONG_SIGN, off)
        resolved = np.abs(right) > least
        channels = np.zeros((len(names), len(given)))
        channels[place] = given.u / np.sqrt(2.0)  # what all readings of one meter share
        apart.append(off)
        noise.append(given.u**2 + (least / size) ** 2 + rest**2)
        by_load.append(np.where(resolved, expected.by_load[name], 0.0))
        moves.append(np.concatenate([expected.moves[name] * resolved, channels]))
        used.append(np.isfinite(read))
    d, variance, b = np.array(apart), np.array(noise), np.array(by_load)
    m, used_ = np.array(moves), np.array(used)  # m: channel, cause, reading
    extra = 0.0
    if leave_out is not None:
        place = (names.index(leave_out[1]), leave_out[0])
        if used_[place]:
            extra = -0.5 * (d[place] / _STRAY_SHARE) ** 2 - np.log(_STRAY_SHARE * _ROOT_2PI)
        used_[place] = False
    u_load = np.where(_moved_by_load(given), _FREE_LOAD if free_load else given.u_load, 0.0)
    weight = np.where(used_, 1.0 / variance, 0.0)
    d = np.where(used_, d, 0.0)
    # Inverse of D: its blocks are a diagonal and the load's square.
    within = 1.0 + u_load**2 * np.sum(weight * b**2, axis=0)

    def lift(x: Array) -> Array:
        """Return D^-1 x, for x of shape (channels, ..., readings)."""
        w = weight if x.ndim == 2 else weight[:, None, :]
        slope = b if x.ndim == 2 else b[:, None, :]
        wx = w * x
        return wx - w * slope * (u_load**2 / within * np.sum(slope * wx, axis=0))

    d_lifted, m_lifted = lift(d), lift(m)
    inner = np.einsum("qcn,qen->ce", m, m_lifted) + np.eye(m.shape[1])
    g = np.einsum("qcn,qn->c", m, d_lifted)
    chi_square = float(np.sum(d * d_lifted) - g @ np.linalg.solve(inner, g))
    log_volume = float(
        np.sum(np.log(variance[used_])) + np.sum(np.log(within)) + np.linalg.slogdet(inner)[1]
    )
    count = int(np.sum(used_))
    freedom = count - int(np.sum(_moved_by_load(given) & np.any(used_, axis=0))) * free_load
    student = (
        gammaln((_FREEDOM + count) / 2)
        - gammaln(_FREEDOM / 2)
        - 0.5 * count * np.log(_FREEDOM * np.pi)
        - 0.5 * (_FREEDOM + count) * np.log1p(max(chi_square, 0.0) / _FREEDOM)
    )
    tells = bool(np.any(used_ & (variance < _TELLS**2)))
    return Match(
        max(chi_square, 0.0), max(freedom, 0), float(student - 0.5 * log_volume) + extra, tells
    )


def _moved_by_load(given: Readings) -> NDArray[np.bool_]:
    """Return whether a reading has a resistor that may be off: no open end, no maximum power."""
    if given.load is None:
        return np.ones(len(given), dtype=bool)
    return np.isfinite(given.load) & (given.load > 0)
