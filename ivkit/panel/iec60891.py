"""The translation procedures of IEC 60891, on plain arrays.

Procedures 1 to 3 in the form of edition 2 (2009), written from memory; the text of the standard was
not at hand.

Everywhere ``v1, i1`` are points of the measured curve (V, A; the panel delivers at positive
current), ``g`` irradiances in W/m2 and ``t`` cell temperatures in degC, 1 as measured and 2 as
wanted. All arguments broadcast. None of these functions knows how far it may be trusted:
`ivkit.verdict.translate` does.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike as A

STC_IRRADIANCE, STC_TEMPERATURE = 1000.0, 25.0


def procedure_1(
    v1: A, i1: A, i_sc1: A, g1: A, t1: A, g2: A, t2: A, alpha: A, beta: A, resistance: A, kappa: A
) -> tuple[Any, Any]:
    """Return voltage (V) and current (A) by procedure 1.

    I2 = I1 + Isc1 (G2/G1 - 1) + alpha (T2 - T1)
    V2 = V1 - Rs (I2 - I1) - kappa I2 (T2 - T1) + beta (T2 - T1)

    Parameters
    ----------
    i_sc1 : array_like. Short-circuit current as measured, A.
    alpha, beta : array_like. Temperature coefficients of Isc (A/K) and Voc (V/K, negative) at the
        wanted irradiance.
    resistance : array_like. Rs of the procedure, ohm. It is what makes curves of different
        irradiance fall together, and not the series resistance of the single-diode equation.
    kappa : array_like. Curve correction factor, ohm/K.
    """
    v1, i1 = np.asarray(v1, dtype=float), np.asarray(i1, dtype=float)
    warmer = np.asarray(t2, dtype=float) - t1
    i2 = i1 + i_sc1 * (np.asarray(g2, dtype=float) / g1 - 1.0) + alpha * warmer
    v2 = v1 - resistance * (i2 - i1) - kappa * i2 * warmer + beta * warmer
    return v2, i2


def procedure_2(
    v1: A,
    i1: A,
    v_oc1: A,
    g1: A,
    t1: A,
    g2: A,
    t2: A,
    alpha_rel: A,
    beta_rel: A,
    a: A,
    resistance: A,
    kappa: A,
) -> tuple[Any, Any]:
    """Return voltage (V) and current (A) by procedure 2 of edition 2.

    I2 = I1 [1 + alpha_rel (T2 - T1)] G2/G1
    V2 = V1 + Voc1 [beta_rel (T2 - T1) + a ln(G2/G1)] - R's (I2 - I1) - kappa' I2 (T2 - T1)

    Parameters
    ----------
    v_oc1 : array_like. Open-circuit voltage as measured, V.
    alpha_rel, beta_rel : array_like. Relative temperature coefficients of Isc and Voc, 1/K.
    a : array_like. How Voc follows the logarithm of the light, dimensionless; about 0.05.
    resistance, kappa : array_like. R's (ohm) and kappa' (ohm/K) of this procedure; not those of
        procedure 1.
    """
    v1, i1 = np.asarray(v1, dtype=float), np.asarray(i1, dtype=float)
    warmer = np.asarray(t2, dtype=float) - t1
    light = np.asarray(g2, dtype=float) / g1
    i2 = i1 * (1.0 + alpha_rel * warmer) * light
    v2 = v1 + v_oc1 * (beta_rel * warmer + a * np.log(light))
    v2 = v2 - resistance * (i2 - i1) - kappa * i2 * warmer
    return v2, i2


def procedure_3(v_a: A, i_a: A, v_b: A, i_b: A, a: A) -> tuple[Any, Any]:
    """Return voltage (V) and current (A) between, or a little beyond, two curves.

    V3 = Va + a (Vb - Va), I3 = Ia + a (Ib - Ia), for pairs of points with Ib - Ia = Isc,b - Isc,a.
    Irradiance and temperature of the result lie between those of the curves by the same a.
    """
    v_a, i_a = np.asarray(v_a, dtype=float), np.asarray(i_a, dtype=float)
    return v_a + a * (np.asarray(v_b) - v_a), i_a + a * (np.asarray(i_b) - i_a)
