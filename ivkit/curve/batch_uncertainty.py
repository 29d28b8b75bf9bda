"""Standard uncertainties of many fits at once: the sums of `uncertainty`, as arrays.

The same law of propagation (JCGM 100:2008, GUM, 5.1 and 5.2) with the same derivatives, but what
comes out is a number a result, without its budget: a batch wants ten thousand of them.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from ivkit.curve.diode import SingleDiode
from ivkit.curve.engine import Array
from ivkit.curve.uncertainty import key_point_gradients, parameter_gradients
from ivkit.readings.sweep import Effect


def parameter_covariance(
    parameters: Sequence[Array],
    voltage: Array,
    noise_voltage: Array | None,
    noise_current: Array,
    weights: Array,
    effects: Sequence[Sequence[Effect]],
) -> Array:
    """Return the covariance of IL, I0, Rs, 1/Rsh and a of B fits, (B, 5, 5); A, A, ohm, S, V.

    ``parameters`` are these five, shape (B,); Rs = 0 and 1/Rsh = 0 are bounds that hold.
    ``voltage`` (V), noise and weights, shape (B, N), are as
    `ivkit.curve.uncertainty.noise_as_taken` has them; ``effects`` are what shifts the readings of
    each sweep together.
    """
    by_voltage, by_current = parameter_gradients(voltage, weights, *parameters)
    covariance = np.zeros((len(voltage), 5, 5))
    for moves, noise in ((by_voltage, noise_voltage), (by_current, noise_current)):
        if noise is not None:
            noisy = moves * noise[:, None, :]
            covariance += noisy @ np.swapaxes(noisy, 1, 2)
    for k in range(max(map(len, effects), default=0)):
        dv, di = np.zeros_like(voltage), np.zeros_like(voltage)
        for row, own in enumerate(effects):
            if k < len(own):
                n = len(own[k].dv)
                dv[row, :n], di[row, :n] = own[k].dv, own[k].di
        shift = np.einsum("bpn,bn->bp", by_voltage, dv) + np.einsum("bpn,bn->bp", by_current, di)
        covariance += shift[:, :, None] * shift[:, None, :]
    return covariance


def result_uncertainties(model: SingleDiode, covariance: Array) -> Mapping[str, Array]:
    """Return the standard uncertainty of key points and parameters of B fits, each of shape (B,).

    ``covariance``, shape (B, 5, 5), is that of `parameter_covariance`; the names are those of
    `KeyPoints` and of `many.PARAMETERS`, the units A, V, W, ohm.
    """
    points, g = model.key_points(), model.conductance_shunt[:, None]
    i_sc, v_oc, v_mp, i_mp = (
        x[:, None] for x in (points.i_sc, points.v_oc, points.v_mp, points.i_mp)
    )
    to = key_point_gradients(*model.raw)
    to_p = v_mp * to["i_mp"] + i_mp * to["v_mp"]
    il, i0, rs, by_g, a = np.eye(5)[:, None, :] * np.ones((len(g), 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        fill = v_mp * i_mp / (i_sc * v_oc)
        moves = {
            **to,
            "p_mp": to_p,
            "fill_factor": fill * (to_p / (v_mp * i_mp) - to["i_sc"] / i_sc - to["v_oc"] / v_oc),
            "best_load": (to["v_mp"] - v_mp * to["i_mp"] / i_mp) / i_mp,
            "photocurrent": il,
            "saturation_current": i0,
            "resistance_series": rs,
            "resistance_shunt": np.where(g > 0, -1.0 / g**2, np.nan) * by_g,
            "nNsVth": a,
        }
        return {
            name: np.sqrt(np.einsum("bp,bpq,bq->b", by, covariance, by))
            for name, by in moves.items()
        }
