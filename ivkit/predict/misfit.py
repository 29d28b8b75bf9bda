"""How well readings match what they should be: all of them together.

Compared are logarithms of voltage and current (or of power), because gross errors are factors.
Readings share inputs, so their differences d are held against a full covariance

    S = D + M' M,    chi-square = d' S^-1 d,

M the moves of each input and D what each reading has for itself: noise, last digit, and a load
that is its own, which moves its voltage and its current together. S is never built: D has blocks
of one reading, M has few rows (Woodbury's identity), so a thousand readings cost little more than
ten. The most likely shifts of the inputs come with it: (1 + M D^-1 M')^-1 M D^-1 d.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from ivkit.predict.prediction import Prediction
from ivkit.predict.readings import CHANNELS, Readings

Array = NDArray[np.float64]

#: Below this fraction of Isc, Voc or both a reading has no logarithm worth comparing.
_FLOOR = {"voltage": 1e-3, "current": 1e-3, "power": 1e-5}
_WRONG_SIGN = 10.0  # a sign that does not agree is no small difference
_TELLS = 0.3  # a reading less uncertain than this fraction of itself tells something
_FREE_LOAD = 2.0  # standard uncertainty of the logarithm of a load that nobody states
_ROOT_2PI = float(np.sqrt(2.0 * np.pi))
_STRAY = 1.5  # of the logarithm of a reading that was written down wrong
#: Degrees of freedom of the Student distribution that ranks gross errors. Stated uncertainties are
#: guesses from a few readings; a normal distribution would take them for exact.
_FREEDOM = 6.0


@dataclass(frozen=True)
class Expected:
    """What readings should be, as logarithms want it.

    Attributes
    ----------
    values : dict of str to ndarray, shape (N,)
        ``voltage``, ``current``, ``power``, and ``v_oc`` and ``i_sc`` of the same light.
    moves : dict of str to ndarray, shape (2 K, N)
        Of each, what one standard uncertainty of each input does to its logarithm: in proportion,
        then what its curvature adds.
    by_load : dict of str to ndarray, shape (N,)
        Of each, the derivative of its logarithm by that of the load.
    """

    values: dict[str, Array]
    moves: dict[str, Array]
    by_load: dict[str, Array]

    @classmethod
    def of(cls, found: Prediction) -> "Expected":
        """Return a prediction with its curve's ends."""
        values, moves, by_load = {}, {}, {}
        for name in (*CHANNELS, "v_oc", "i_sc"):
            one = found[name]
            size = np.maximum(np.abs(one.value), 1e-9 * np.max(np.abs(one.value)) + 1e-30)
            values[name], moves[name] = one.value, one.shifts / size
            by_load[name] = one.by_load / size
        return cls(values, moves, by_load)


@dataclass(frozen=True)
class Misfit:
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
    shifts : ndarray, shape (2 K + loads + channels,)
        Most likely shifts of the inputs, in standard uncertainties.
    u_shifts : ndarray
        What they are still uncertain by.
    loads : tuple of float
        Stated loads that several readings share, ohm, in the order of ``shifts``.
    """

    chi_square: float
    freedom: int
    log_likelihood: float
    tells: bool
    shifts: Array
    u_shifts: Array
    loads: tuple[float, ...]


def floors(readings: Readings, expected: Expected) -> dict[str, Array]:
    """Return what each channel cannot resolve: its last digit, or a small part of its range."""
    v, i = expected.values["v_oc"], expected.values["i_sc"]
    ranges = {"voltage": np.abs(v), "current": np.abs(i), "power": np.abs(v * i)}
    return {
        name: np.maximum(_FLOOR[name] * ranges[name], readings.step.get(name, 0.0))
        for name in readings.observed
    }


def misfit(
    readings: Readings,
    expected: Expected,
    left_over: Array,
    *,
    leave_out: tuple[int, str] | None = None,
    loose: float = 0.0,
) -> Misfit:
    """Return how well the readings match.

    Parameters
    ----------
    readings : Readings
    expected : Expected
        At their stated loads, or where none is stated at one that was found from them.
    left_over : ndarray, shape (N,)
        What no law of the panel accounts for, as a fraction.
    leave_out : tuple of int and str, optional
        A reading and its channel that was written down wrong, with anything in it.
    loose : float
        Logarithm of a factor that each whole channel may be off by besides.
    """
    given, names = readings, readings.observed
    floor = floors(given, expected)
    count, free = len(given), given.stated == -1.0
    loads, mine = shared_loads(given)
    apart, noise, by_load, moves, used = [], [], [], [], []
    for place, name in enumerate(names):
        read, right, least = getattr(given, name), expected.values[name], floor[name]
        size = np.maximum(np.abs(right), least)
        off = np.log(np.maximum(np.abs(read), least)) - np.log(size)
        clear = np.minimum(np.abs(read), np.abs(right)) > 3.0 * least
        off = np.where(clear & (np.sign(read) != np.sign(right)), _WRONG_SIGN, off)
        resolved = np.abs(right) > least
        own = (
            given.noise[name] / np.maximum(np.abs(read), least) if name in given.noise else given.u
        )
        channels = np.zeros((len(names), count))
        of_meter = 0.0 if name in given.noise else given.u / np.sqrt(2.0)
        channels[place] = np.hypot(of_meter, loose)
        slope = np.where(resolved, expected.by_load[name], 0.0)
        apart.append(off)
        noise.append(own**2 + (least / size) ** 2 + left_over**2)
        by_load.append(slope)
        shared = np.where(
            mine[None, :] == np.arange(len(loads))[:, None], given.u_load * slope, 0.0
        )
        moves.append(np.concatenate([expected.moves[name] * resolved, shared, channels]))
        used.append(np.isfinite(read) & np.isfinite(off))
    d, variance, b = np.array(apart), np.array(noise), np.array(by_load)
    m, used_ = np.nan_to_num(np.array(moves)), np.array(used)  # m: channel, input, reading
    extra = 0.0
    if leave_out is not None:
        place = (names.index(leave_out[1]), leave_out[0])
        if used_[place]:
            extra = -0.5 * (d[place] / _STRAY) ** 2 - np.log(_STRAY * _ROOT_2PI)
        used_[place] = False
    u_own = np.where(free, _FREE_LOAD, np.where(given.resistor & (mine < 0), given.u_load, 0.0))
    weight = np.where(used_, 1.0 / variance, 0.0)
    d = np.where(used_, d, 0.0)
    # Inverse of D: its blocks are a diagonal and the load's square.
    within = 1.0 + u_own**2 * np.sum(weight * b**2, axis=0)

    def lift(x: Array) -> Array:
        """Return D^-1 x, for x of shape (channels, ..., readings)."""
        w = weight if x.ndim == 2 else weight[:, None, :]
        slope = b if x.ndim == 2 else b[:, None, :]
        wx = w * x
        return wx - w * slope * (u_own**2 / within * np.sum(slope * wx, axis=0))

    d_lifted, m_lifted = lift(d), lift(m)
    inner = np.einsum("qcn,qen->ce", m, m_lifted) + np.eye(m.shape[1])
    g = np.einsum("qcn,qn->c", m, d_lifted)
    shifts = np.linalg.solve(inner, g)
    chi_square = max(float(np.sum(d * d_lifted) - g @ shifts), 0.0)
    log_volume = float(
        np.sum(np.log(variance[used_])) + np.sum(np.log(within)) + np.linalg.slogdet(inner)[1]
    )
    seen = int(np.sum(used_))
    student = (
        gammaln((_FREEDOM + seen) / 2)
        - gammaln(_FREEDOM / 2)
        - 0.5 * seen * np.log(_FREEDOM * np.pi)
        - 0.5 * (_FREEDOM + seen) * np.log1p(chi_square / _FREEDOM)
    )
    return Misfit(
        chi_square,
        max(seen - int(np.sum(free & np.any(used_, axis=0))), 0),
        float(student - 0.5 * log_volume) + extra,
        bool(np.any(used_ & (variance < _TELLS**2))),
        shifts,
        np.sqrt(np.diag(np.linalg.inv(inner))),
        loads,
    )


def shared_loads(given: Readings) -> tuple[tuple[float, ...], NDArray[np.int_]]:
    """Return stated resistors that several readings share, and which one each has; -1 for none."""
    none = np.full(len(given), -1)
    if not np.any(given.resistor):
        return (), none
    values, where, count = np.unique(
        np.where(given.resistor, given.stated, -1.0), return_inverse=True, return_counts=True
    )
    shared = np.flatnonzero((count > 1) & (values > 0))
    number = np.full(len(values), -1)
    number[shared] = np.arange(len(shared))
    return tuple(map(float, values[shared])), number[where.ravel()]
