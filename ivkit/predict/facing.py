"""Light that comes in parallel, or falls on all cells alike: so much when the panel faces it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError
from ivkit.light.incidence import IncidenceAngleModifier, beam_on_plane
from ivkit.predict.off import Off, behind

Array = NDArray[np.float64]

DISTANCE = "distance of the lamp"
#: Brighter light than any lamp on a bench makes, W/m2: a unit or a distance must be wrong. Cells
#: and panels are checked up to about 1200 W/m2.
TOO_BRIGHT = 5000.0


@dataclass(frozen=True)
class Facing:
    """So much light on a panel that faces it.

    Attributes
    ----------
    irradiance : float
        Effective, W/m2, above 0; with ``distance_m`` at that distance.
    by : mapping of str to float
        What one standard uncertainty of each input does to it, as a fraction of it.
    of_panel : mapping of str to float
        The same of sources of the panel, as logarithms: where the light is that of its sweep.
    distance_m, u_distance_m : float
        From the lamp, where readings were taken at other distances too; None where not.

    Raises
    ------
    RangeError
        No light.
    """

    irradiance: float
    by: Mapping[str, float] = field(default_factory=dict)
    of_panel: Mapping[str, float] = field(default_factory=dict)
    distance_m: float | None = None
    u_distance_m: float = ASSUMED["distance of the lamp"].u

    def __post_init__(self) -> None:
        if not 0 < self.irradiance < np.inf:
            raise RangeError(
                f"irradiance {self.irradiance:g} W/m2 makes no readings",
                remedy="give the light there was, above 0",
            )

    @classmethod
    def of(cls, irradiance: float, u: float, name: str = "irradiance", **more: object) -> "Facing":
        """Return light of one input quantity, its standard uncertainty in W/m2."""
        return cls(irradiance, {name: u / irradiance} if u > 0 and irradiance else {}, **more)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its own inputs that are uncertain."""
        far = (DISTANCE,) if self.distance_m is not None and self.u_distance_m > 0 else ()
        return (*self.by, *far)

    @property
    def u(self) -> float:
        """Standard uncertainty of the irradiance, as a fraction."""
        parts = [*self.by.values(), *self.of_panel.values()]
        return float(np.sqrt(sum(part**2 for part in parts)))

    def falling(
        self,
        moved: Off,
        angle: Array,
        stray: Array,
        iam: IncidenceAngleModifier,
        distance: Array | None,
        farther: float = 0.0,
    ) -> Array:
        """Return the effective irradiance behind the glass, W/m2, shape (R, M).

        Parameters
        ----------
        moved : Off
        angle : ndarray, shape (R, M)
            Of incidence, deg, either sign.
        stray : ndarray, shape (R, 1)
            Fraction of the facing light that does not turn with the panel.
        iam : callable
        distance : ndarray, shape (M,), or None
            From the lamp, m.
        farther : float
            The lamp is so much farther away than every distance says, m.
        """
        size = np.minimum(np.abs(angle), 90.0)
        part = behind(iam, moved, lambda glass, rows: beam_on_plane(size[rows], glass, stray[rows]))
        sum_ = 1.0 + sum((u * moved(name) for name, u in self.by.items()), 0.0)
        light = self.irradiance * np.maximum(sum_, 0.0) * part
        for name, u in self.of_panel.items():
            light = light * np.exp(u * moved(name))
        if distance is not None and self.distance_m is not None:
            aside = farther + self.u_distance_m * moved(DISTANCE)
            light = light * ((self.distance_m + aside) / np.maximum(distance + aside, 1e-6)) ** 2
        return light
