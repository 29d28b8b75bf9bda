"""Standard uncertainties of many fits at once: the sums of `uncertainty`, as arrays.

The same law of propagation (JCGM 100:2008, GUM, 5.1 and 5.2) with the same derivatives, but what
comes out is a number a result, without its budget: a batch wants ten thousand of them.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from ivkit.curve.diode import local, solve_current, solve_max_power, solve_voltage
from ivkit.curve.engine import Array
from ivkit.readings.sweep import Effect

_RCOND = 1e-13


def parameter_covariance(
    parameters: Sequence[Array],
    voltage: Array,
    weights: Array,
    noise_voltage: Array | None,
    noise_current: Array,
    effects: Sequence[Sequence[Effect]],
) -> Array:
    """Return the covariance of IL, I0, Rs, 1/Rsh and a of B fits.

    Parameters
    ----------
    parameters : five ndarrays, shape (B,)
        IL (A), I0 (A), Rs (ohm), 1/Rsh (S) and a (V). Rs = 0 and 1/Rsh = 0 are bounds that hold.
    voltage : ndarray, shape (B, N), V
        Any finite number where padded.
    weights : ndarray, shape (B, N)
        One over the effective standard deviation of each current, 1/A; 0 where padded.
    noise_voltage, noise_current : ndarray, shape (B, N)
        Standard uncertainty of each reading on its own, V and A; a voltage noise of None is 0.
    effects : B sequences of Effect
        What shifts the readings of each sweep together.

    Returns
    -------
    ndarray, shape (B, 5, 5)
        A2 for IL and I0, ohm2, S2, V2 on the diagonal.
    """
    il, i0, rs, g, a = (p[:, None] for p in parameters)
    at = local(voltage, solve_current(voltage, il, i0, rs, g, a), il, i0, rs, g, a)
    used = weights > 0
    # I0 and a move together; log I at a voltage near open circuit and log a hardly do.
    lever = np.max(np.abs(np.where(used, voltage, 0.0)), axis=1, keepdims=True) / a
    columns = at.di.copy()
    columns[..., 4] = a * at.di[..., 4] + lever * i0 * at.di[..., 1]
    columns[..., 1] = i0 * at.di[..., 1]
    columns[..., 2] *= rs > 0
    columns[..., 3] *= g > 0
    weighted = np.where(used[..., None], columns * weights[..., None], 0.0)
    size = np.linalg.norm(weighted, axis=1, keepdims=True)
    size[size == 0] = 1.0
    inverse = np.linalg.pinv(weighted / size, rcond=_RCOND) / np.swapaxes(size, 1, 2)
    moves = inverse * weights[:, None, :]  # of the parameters with each current, (B, 5, N)
    moves[:, 1] = i0 * (moves[:, 1] + lever * moves[:, 4])
    moves[:, 4] *= a
    by_voltage = np.where(used[:, None, :], -moves * at.slope[:, None, :], 0.0)

    noisy = moves * noise_current[:, None, :]
    covariance = noisy @ np.swapaxes(noisy, 1, 2)
    if noise_voltage is not None:
        noisy = by_voltage * noise_voltage[:, None, :]
        covariance += noisy @ np.swapaxes(noisy, 1, 2)
    for k in range(max(map(len, effects), default=0)):
        dv, di = np.zeros_like(voltage), np.zeros_like(voltage)
        for row, own in enumerate(effects):
            if k < len(own):
                n = len(own[k].dv)
                dv[row, :n], di[row, :n] = own[k].dv, own[k].di
        shift = np.einsum("bpn,bn->bp", by_voltage, dv) + np.einsum("bpn,bn->bp", moves, di)
        covariance += shift[:, :, None] * shift[:, None, :]
    return covariance


def result_uncertainties(parameters: Sequence[Array], covariance: Array) -> Mapping[str, Array]:
    """Return the standard uncertainty of key points and parameters of B fits, each of shape (B,).

    Parameters
    ----------
    parameters : five ndarrays, shape (B,)
        IL (A), I0 (A), Rs (ohm), 1/Rsh (S) and a (V).
    covariance : ndarray, shape (B, 5, 5)
        From `parameter_covariance`.

    Returns
    -------
    dict of str to ndarray
        By the names of `KeyPoints` and of `many.PARAMETERS`; A, V, W, ohm.
    """
    p = tuple(parameters)
    i_sc, v_oc = solve_current(0.0, *p), solve_voltage(0.0, *p)
    v_mp, i_mp = solve_max_power(*p)
    short, opened, top = local(0.0, i_sc, *p), local(v_oc, 0.0, *p), local(v_mp, i_mp, *p)

    def per(values: Array, by: Array) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            return values / by[:, None]

    # At the top I + V dI/dV = 0; what a parameter adds to it, the voltage has to take away.
    to_v = per(-(top.di + v_mp[:, None] * top.dslope), 2.0 * top.slope + v_mp * top.curvature)
    to_i = top.di + top.slope[:, None] * to_v
    to_sc, to_oc = short.di, per(-opened.di, opened.slope)
    to_p = v_mp[:, None] * to_i + i_mp[:, None] * to_v
    with np.errstate(divide="ignore", invalid="ignore"):
        fill = v_mp * i_mp / (i_sc * v_oc)
        shunt = -1.0 / p[3] ** 2
    each = np.eye(5)[:, None, :] * np.ones((len(i_sc), 1))
    moves = {
        "i_sc": to_sc,
        "v_oc": to_oc,
        "v_mp": to_v,
        "i_mp": to_i,
        "p_mp": to_p,
        "fill_factor": fill[:, None]
        * (per(to_p, v_mp * i_mp) - per(to_sc, i_sc) - per(to_oc, v_oc)),
        "best_load": per(to_v - per(v_mp[:, None] * to_i, i_mp), i_mp),
        "photocurrent": each[0],
        "saturation_current": each[1],
        "resistance_series": each[2],
        "resistance_shunt": np.where(p[3] > 0, shunt, np.nan)[:, None] * each[3],
        "nNsVth": each[4],
    }
    with np.errstate(invalid="ignore"):
        return {
            name: np.sqrt(np.einsum("bp,bpq,bq->b", by, covariance, by))
            for name, by in moves.items()
        }
