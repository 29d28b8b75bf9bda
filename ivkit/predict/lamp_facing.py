"""A near lamp whose light on the panel's centre is known for the panel facing it."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.light.strength import Strength
from ivkit.predict.near import NearLamp
from ivkit.predict.off import Off

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LampFacing(NearLamp):
    """A near lamp as `NearLamp`, whose strength is that of the light facing it.

    Whatever the distance is uncertain by then spreads the light otherwise, but makes no more of it.
    """

    @classmethod
    def of(cls, irradiance: float, lamp: NearLamp | None = None, **more: Any) -> "LampFacing":
        """Return so much effective irradiance, W/m2, from where a lamp is, or as ``more`` says."""
        strength = Strength("cell", irradiance)
        if lamp is None:
            return cls(strength, 1.0, {}, **more)
        names = ("shape", "distance_m", "face", "beam_angle_deg", "offset_m", "axis_deg")
        place = {name: getattr(lamp, name) for name in names}
        return cls(strength, 1.0, {}, between=True, **place | more)

    def times(self, factor: float) -> "LampFacing":
        """Return the same lamp, so many times as bright."""
        return replace(self, strength=replace(self.strength, value=self.strength.value * factor))

    def _facing(self, moved: Off, centre: Array, facing: Array, stray: Array) -> Array:
        reading = getattr(self.strength.value, "nominal_value", self.strength.value)
        reading = np.maximum(reading + self._number("reading", moved), 0.0) * self.factor
        return np.broadcast_to(reading, facing.shape)
