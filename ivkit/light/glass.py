"""What the front of a panel takes of the light at an angle, with what is uncertain about it.

Measured modules lose more at 50 to 60 deg than the one coefficient of Martin and Ruiz for clean
glass says, and at 80 deg more, or less, than the coefficient that fits there says. So there are
two: the angular loss coefficient a_r, and g for grazing angles, the part of the light (as a
logarithm) that is lost at 80 deg besides,

    IAM = IAM_MR(aoi, a_r) exp(-g x),   x = max((|aoi| - 50 deg) / 30 deg, 0)^6.

g below 0 is a front that loses less at grazing angles. With both fitted, each of the measured
shapes is met within 0.008 at 50, 60, 70 and 80 deg: King, Boyson and Kratochvil, SAND2004-3535
(2004), polynomials as given in NREL/TP-5200-61610 (2014). Past 80 deg nothing is measured here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError
from ivkit.light.incidence import (
    IncidenceAngleModifier,
    ashrae,
    martin_ruiz,
    no_glass,
    physical,
)

Array = NDArray[np.float64]

LOSS, GRAZING = "glass: angular loss", "glass: grazing angles"
#: deg: below it, the second coefficient does nothing; as far beyond it, all of it.
_FROM, _OVER = 50.0, 30.0
_POWER = 6
#: Of the angular loss coefficient, an anti-reflective coating less plain glass: 0.14 less 0.16.
_COATED = -0.02
_LEAST = 0.01


@dataclass(frozen=True)
class Glass:
    """An incidence angle modifier of two coefficients, and how well they are known.

    Attributes
    ----------
    a_r : float
        Angular loss coefficient of Martin and Ruiz, above 0 to 1.
    g : float
        Of grazing angles: minus the logarithm of the factor at 80 deg; 0 is Martin and Ruiz (2001).
    u_a_r, u_g : float
        Standard uncertainties.

    Raises
    ------
    RangeError
        When called: a coefficient out of range, an angle beyond 180 deg.

    Examples
    --------
    >>> Glass(0.16)([0, 60, 90]).round(6)
    array([1.      , 0.957912, 0.      ])
    >>> Glass(0.208, 0.132)([50, 60, 70, 80]).round(3)
    array([0.962, 0.917, 0.804, 0.5  ])
    """

    a_r: float
    g: float = 0.0
    u_a_r: float = 0.0
    u_g: float = 0.0

    def __call__(self, aoi: ArrayLike) -> Array:
        """Return the modifier at angles of incidence, deg: 1 straight on, 0 from 90 deg."""
        if not abs(self.g) <= 1:
            raise RangeError(f"grazing coefficient {self.g:g}", remedy="give about -0.2 to 0.2")
        angle = np.abs(np.asarray(aoi, dtype=float))
        beyond = np.clip((angle - _FROM) / _OVER, 0.0, (90.0 - _FROM) / _OVER)
        return martin_ruiz(angle, self.a_r) * np.exp(-self.g * beyond**_POWER)

    def off(self, name: str, by: float = 1.0) -> "Glass":
        """Return the same with `LOSS` or `GRAZING` off by so many standard uncertainties."""
        if name == LOSS:
            return replace(self, a_r=min(max(self.a_r + by * self.u_a_r, _LEAST), 1.0))
        return replace(self, g=self.g + by * self.u_g)


def _usual(a_r_more: float = 0.0, g: float = ASSUMED[GRAZING].value) -> Glass:
    loss, grazing = ASSUMED[LOSS], ASSUMED[GRAZING]
    return Glass(round(loss.value + a_r_more, 6), g, loss.u, grazing.u)


PLAIN = _usual()
"""Glass of a module of which nothing else is known."""

GLASSES: Mapping[str, IncidenceAngleModifier] = MappingProxyType(
    {"plain": PLAIN, "antireflective": _usual(_COATED), "none": no_glass}
)
"""Modifiers by what a datasheet file calls the front."""

NAMED: Mapping[str, IncidenceAngleModifier] = MappingProxyType(
    {
        "martin-ruiz": replace(PLAIN, a_r=0.16, g=0.0),
        "ashrae": ashrae,
        "physical": physical,
        "none": no_glass,
    }
)
"""Modifiers by the name that an option gives them."""


def inputs_of(iam: IncidenceAngleModifier) -> tuple[str, ...]:
    """Return the names of the input quantities of a front; none where there is no glass."""
    if iam is no_glass:
        return ()
    known = iam if isinstance(iam, Glass) else PLAIN
    return (LOSS,) * (known.u_a_r > 0) + (GRAZING,) * (known.u_g > 0)


def off(iam: IncidenceAngleModifier, name: str, by: float = 1.0) -> IncidenceAngleModifier:
    """Return a front with one of its input quantities off by so many standard uncertainties.

    What is uncertain about a law of another form is, as a fraction, what is uncertain about
    `PLAIN`. The front itself where it has no input quantity of that name.

    >>> bool(off(PLAIN, GRAZING)(80.0) < PLAIN(80.0)), off(no_glass, LOSS) is no_glass
    (True, True)
    """
    if name not in inputs_of(iam) or by == 0:
        return iam
    if isinstance(iam, Glass):
        return iam.off(name, by)

    def moved(aoi: ArrayLike) -> Array:
        usual = PLAIN(aoi)
        there = PLAIN.off(name, by)(aoi)
        return iam(aoi) * np.divide(there, usual, out=np.ones_like(usual), where=usual > 0)

    return moved
