"""The pointing error that lost power implies, as an interval that means what it says.

Power hardly falls near facing and falls steeply far from it, so an angle with a plus or minus
would be wrong at both ends: at small angles the interval must end at zero. It is made of all
angles whose predicted power agrees with the measured power (Neyman's construction), which keeps
its 95 % wherever the angle lies.

Neyman (1937).
"""

from dataclasses import dataclass

import numpy as np

from ivkit.curve.uncertainty import coverage_factor
from ivkit.errors import RangeError
from ivkit.predict.angle_law import AngleLaw
from ivkit.verdict.steady_mean import Mean


@dataclass(frozen=True)
class FacingPower:
    """The power with the panel facing the light, W, its standard uncertainty, and whence."""

    power: float
    u: float
    source: str = "stated"

    def __post_init__(self) -> None:
        if not (0 < self.power < np.inf and 0 <= self.u < np.inf):
            raise RangeError(
                f"a facing power of {self.power:g} W with uncertainty {self.u:g} W",
                remedy="give what the panel delivers when it faces the light, above 0",
            )


@dataclass(frozen=True)
class Pointing:
    """An angle between the panel's normal and the light.

    Attributes
    ----------
    aoi : float or None
        Best estimate, deg; None where no angle explains the power.
    low, high : float or None
        95 % interval, deg.
    share, u_share : float
        Power as a share of the facing power.
    exponent : float
        By what power of the cosine the power goes between 0 and the estimate.
    reason : str
        Why there is no angle; empty where there is one.
    """

    aoi: float | None
    low: float | None
    high: float | None
    share: float
    u_share: float
    exponent: float
    reason: str = ""


def pointing_error(power: Mean, facing: FacingPower, law: AngleLaw) -> Pointing:
    """Return the angle off the light that a mean power implies.

    Parameters
    ----------
    power : Mean
        W; its own uncertainty is that of noise, not of the instrument's scale, which is in
        ``facing`` where the two were not read with one instrument.
    facing : FacingPower
    law : AngleLaw

    Returns
    -------
    Pointing
        The interval ends at 0 where the power does not tell the panel from one that faces the
        light, and at 90 deg where it does not tell it from one turned away.
    """
    share = power.value / facing.power
    by_noise = power.u / facing.power
    by_facing = share * facing.u / facing.power
    u_share = float(np.hypot(by_noise, by_facing))
    grid = np.linspace(0.0, 90.0, 9001)
    predicted = law.at(grid)
    by_law = np.interp(grid, law.aoi, law.u_ratio)
    total = np.sqrt(u_share**2 + by_law**2)
    # Welch and Satterthwaite (GUM G.4.1); only the noise has few degrees of freedom.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        freedom = power.freedom * (total / by_noise) ** 4 if by_noise > 0 else np.inf
    factor = coverage_factor(float(np.min(freedom)))
    agrees = np.abs(share - predicted) <= factor * total
    if not agrees.any():
        what = "more than it gives facing the light" if share > 1 else "less than from any angle"
        return Pointing(None, None, None, share, u_share, np.nan, f"the power is {what}")
    best = float(grid[np.argmin(np.abs(share - predicted))])
    within = grid[agrees]
    low, high = float(within[0]), float(within[-1])
    return Pointing(best, low, high, share, u_share, law.exponent(best))
