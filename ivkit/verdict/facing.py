"""The power of a panel that faces a light, from a sweep that was taken in it."""

from typing import Any

import numpy as np
from uncertainties import wrap

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import Fit
from ivkit.curve.many import PARAMETERS
from ivkit.verdict.angle_law import power_in_light
from ivkit.verdict.pointing import Facing


def facing_from_fit(
    fit: Fit, load_ohm: float | None, u_load_ohm: float = 0.0, u_light: float = 0.01
) -> Facing:
    """Return the facing power that a fitted sweep gives on a load, or at maximum power.

    Parameters
    ----------
    fit : Fit
        With a model.
    load_ohm : float or None
        None for maximum power.
    u_load_ohm : float
        Standard uncertainty of the load, ohm.
    u_light : float
        How well the light is the same as in the sweep, relative standard uncertainty.
    """

    def power(*raw: float) -> float:
        *parameters, load = raw
        return float(power_in_light(SingleDiode(*parameters), 1.0, load if load_ohm else None))

    # A parameter at a bound has no uncertain number: it stays what it is.
    parameters: list[Any] = [
        getattr(fit.model, name) if fit.parameters[name] is None else fit.parameters[name]
        for name in PARAMETERS
    ]
    value = wrap(power)(*parameters, load_ohm or 1.0)
    nominal = float(getattr(value, "nominal_value", value))
    u_curve = float(getattr(value, "std_dev", 0.0))
    u_load = 0.0
    if load_ohm and u_load_ohm:
        raw = [float(getattr(fit.model, name)) for name in PARAMETERS]
        u_load = power(*raw, load_ohm + u_load_ohm) - nominal
    light = nominal - float(power_in_light(fit.model, 1.0 - u_light, load_ohm))
    return Facing(nominal, float(np.sqrt(u_curve**2 + u_load**2 + light**2)), "the sweep")
