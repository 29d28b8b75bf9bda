"""The light of a lamp as readings are judged in it: one number for the panel, with its causes.

The lamp over the panel is worked out cell by cell (`ivkit.panel.under_lamp`). A verdict solves a
panel hundreds of times and takes its light as even, so what uneven light costs is taken off the
mean: the share of Imp that the string of cells loses against the same light spread evenly. That is
exact at the knee, too much near open circuit, where current does not depend on it; half of it is
a cause of doubt of its own.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from uncertainties import UFloat

from ivkit.curve.uncertainty import budget
from ivkit.panel.under_lamp import UnderLamp
from ivkit.verdict.plausibility import Explanation, explain
from ivkit.verdict.scene import Scene
from ivkit.verdict.stated import Readings, Setting

#: Names that a setting has for causes of its own.
_OWN = {"distance": "distance of the lamp", "cell temperature": "cell temperature of the light"}


def setting_under(found: UnderLamp, sheet: Any, temp_cell: UFloat | float, **more: Any) -> Setting:
    """Return the setting of readings that were taken under this lamp.

    Parameters
    ----------
    found : UnderLamp
    sheet : Datasheet or MeasuredPanel
    temp_cell : UFloat or float
        degC.
    more
        Of `Setting`.
    """
    light, causes = light_of(found)
    celsius = getattr(temp_cell, "nominal_value", temp_cell)
    kelvin = getattr(temp_cell, "std_dev", 0.0)
    return Setting(sheet, light, causes, float(celsius), float(kelvin), **more)


def slips_under(
    found: UnderLamp,
    sheet: Any,
    temp_cell: UFloat | float,
    measured: UFloat,
    load: float,
    distance_m: float | None = None,
) -> tuple[Explanation, ...]:
    """Return the slips that explain a power read under this lamp, likeliest first.

    Parameters
    ----------
    found, sheet, temp_cell
        As in `setting_under`.
    measured : UFloat
        W, greater than 0.
    load : float
        ohm; NaN for maximum power.
    distance_m : float, optional
        From the lamp, m, where the light was reckoned from it.
    """
    setting = setting_under(found, sheet, temp_cell, distance_m=distance_m, u_distance_m=0.0)
    share = max(measured.std_dev / measured.nominal_value, 1e-6)
    reading = Readings.of(power=measured.nominal_value, load=load, distance=distance_m, u=share)
    return explain(Scene(setting, reading))


def light_of(found: UnderLamp) -> tuple[float, Mapping[str, float]]:
    """Return the effective irradiance facing the lamp, W/m2, and its doubt by cause, as shares."""
    mean = found.effective_irradiance
    value, share = mean.nominal_value, mean.std_dev / mean.nominal_value
    causes = {
        _OWN.get(name, name): share * float(np.sqrt(part)) for name, part in budget(mean).items()
    }
    lost = 1.0 - found.key_points.i_mp.nominal_value / found.even.i_mp.nominal_value
    if lost > 1e-4:
        causes["uneven light"] = lost / 2.0
    return value * (1.0 - max(lost, 0.0)), causes
