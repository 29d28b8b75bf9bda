"""Old names of what `ivkit.predict.build` does, until check and track ask for it there."""

from ivkit.predict.build import open_voltage, uncertain
from ivkit.predict.build import temperature_of as stated_or_usual_temperature
from ivkit.predict.build_lamp import face_of, shape_of, strength_of

__all__ = [
    "face_of",
    "open_voltage",
    "shape_of",
    "stated_or_usual_temperature",
    "strength_of",
    "uncertain",
]
