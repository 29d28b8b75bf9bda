"""A panel in faint light, where nobody has measured its shunt.

De Soto's law, Rsh proportional to 1/S, was fitted in daylight. Carried down to the 5 to 50 W/m2 of
a room it makes the shunt vanish; a shunt that is a plain resistance stays what it is. A given panel
lies between the two, and under a lamp that decides: a quarter of the power in the example of
`in_faint_light`. So below `LOW_LIGHT` the law goes on with an exponent of its own,

    Rsh = Rsh(100 W/m2) (100 W/m2 / S)^k,    S < 100 W/m2,

from 0 (constant) to 1 (De Soto). Not knowing is k = 0.50 +- 0.29, the rectangle between the two
(this interval is an assumption, no source). A sweep in the light that matters replaces it.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError
from ivkit.panel.conditions import LOW_LIGHT, ReferencePanel

SHUNT_EXPONENT = 0.5
"""k where nothing is known of the shunt in faint light."""
U_SHUNT_EXPONENT = 0.5 / np.sqrt(3.0)
"""Its standard uncertainty: half of the width of the rectangle from 0 to 1, over the root of 3."""


def in_faint_light(
    panel: ReferencePanel,
    effective_irradiance: ArrayLike,
    temp_cell: ArrayLike,
    shunt_exponent: float = SHUNT_EXPONENT,
) -> SingleDiode:
    """Return the curve in this light (W/m2) at this temperature (degC), with a chosen shunt law.

    Parameters
    ----------
    panel : ReferencePanel
    effective_irradiance, temp_cell : array_like
        They broadcast. From `LOW_LIGHT` upwards the answer is that of ``panel.at``.
    shunt_exponent : float
        k of the law above, 0 to 1.

    Raises
    ------
    RangeError
        As ``panel.at``; an exponent outside 0 to 1.

    Examples
    --------
    >>> panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)
    >>> for k in (0.0, 1.0):
    ...     print(in_faint_light(panel, 10.0, 25.0, k).key_points().p_mp.round(3))
    0.061
    0.08
    """
    if not 0.0 <= shunt_exponent <= 1.0:
        raise RangeError(
            f"shunt exponent {shunt_exponent:g} is outside what shunts do",
            remedy="expected 0 (constant) to 1 (inverse to the light)",
        )
    model = panel.at(effective_irradiance, temp_cell)
    light = np.asarray(effective_irradiance, dtype=float)
    # panel.at has put all of 1/S in: take (100/S)^(1-k) of it out again.
    excess = np.minimum(light / LOW_LIGHT, 1.0) ** (1.0 - shunt_exponent)
    with np.errstate(invalid="ignore", over="ignore"):
        shunt = np.where(light > 0, model.resistance_shunt * excess, np.inf)
    return replace(model, resistance_shunt=shunt[()])
