"""How the true set-up may differ from the stated one."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Change:
    """A gross error of the set-up, or none.

    Light, warmer, zero, stray and load may be arrays of shape (R, 1): one a combination.

    Attributes
    ----------
    light : float
        Times the stated irradiance.
    warmer : float
        K.
    from_plane : bool
        Angles were counted from the panel's plane.
    zero : float
        To be added to each angle, deg.
    stray : float
        More of the light that does not turn, as a fraction.
    load : float or tuple of float
        Times the stated load, one for all or one for each reading.
    series : float
        Between the panel and the load that is stated, ohm.
    shaded : float
        Fraction of the light that one cell gets.
    farther : float
        The lamp is this much farther away than every distance says, m.
    """

    light: Any = 1.0
    warmer: Any = 0.0
    from_plane: bool = False
    zero: Any = 0.0
    stray: Any = 0.0
    load: Any = 1.0
    series: float = 0.0
    shaded: float = 1.0
    farther: float = 0.0


AS_STATED = Change()
