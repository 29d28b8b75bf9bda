"""The power of a panel that faces a light, from a sweep taken in it or from its datasheet."""

from typing import Any

import numpy as np
from uncertainties import wrap

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import Fit
from ivkit.curve.many import PARAMETERS
from ivkit.panel.datasheet import Datasheet
from ivkit.predict.facing import Facing as Light
from ivkit.predict.prediction import predict
from ivkit.predict.scene import At, Mount, Scene, Warmth
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

    # A parameter at its bound stays what it is: on one side of it there is no curve.
    parameters: list[Any] = []
    for name in PARAMETERS:
        at = getattr(fit.model, name)
        told = fit.parameters[name]
        parameters.append(at if told is None or at == 0 or np.isinf(at) else told)
    value = wrap(power)(*parameters, load_ohm or 1.0)
    nominal = float(getattr(value, "nominal_value", value))
    u_curve = float(getattr(value, "std_dev", 0.0))
    u_load = 0.0
    if load_ohm and u_load_ohm:
        raw = [float(getattr(fit.model, name)) for name in PARAMETERS]
        u_load = power(*raw, load_ohm + u_load_ohm) - nominal
    light = nominal - float(power_in_light(fit.model, 1.0 - u_light, load_ohm))
    return Facing(nominal, float(np.sqrt(u_curve**2 + u_load**2 + light**2)), "the sweep")


def facing_from_sheet(
    sheet: Datasheet,
    load_ohm: float | None,
    effective_irradiance: Any,
    temp_cell: Any,
    u_load_ohm: float = 0.0,
) -> Facing:
    """Return the facing power that a datasheet promises on a load, or at maximum power.

    Parameters
    ----------
    sheet : Datasheet
    load_ohm : float or None
        None for maximum power.
    effective_irradiance, temp_cell : float or UFloat
        W/m2 and degC.
    u_load_ohm : float
        Standard uncertainty of the load, ohm.

    Raises
    ------
    RangeError
        Light that brings out no power.
    """

    light, warm = (
        (float(getattr(q, "nominal_value", q)), float(getattr(q, "std_dev", 0.0)))
        for q in (effective_irradiance, temp_cell)
    )
    at = At.of(load_ohm or np.nan, u_load=u_load_ohm / load_ohm if load_ohm else 0.0)
    found = predict(Scene(sheet, Light.of(*light), Warmth(*warm), Mount(0.0, 0.0, 0.0)), at)
    return Facing(float(found.power[0]), float(found["power"].u[0]), "the datasheet")
