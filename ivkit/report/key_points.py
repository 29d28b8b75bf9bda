"""Key points and parameters of a curve by their keys: for the summary and the tables of answers."""

from math import isfinite
from typing import Any

from ivkit.curve import many

#: Key in files -> attribute of KeyPoints.
KEY_POINTS = many.KEY_POINTS | {"best_load_ohm": "best_load"}
#: Key in files -> parameter of the single diode.
PARAMETERS = {f"{name}_{unit}": name for name, unit in many.UNITS.items()}
PARAMETERS["ideality_factor"] = "ideality_factor"


def known(quantity: Any) -> bool:
    """Return whether there is a value at all."""
    return quantity is not None and isfinite(quantity.nominal_value)


def key_points(points: Any) -> dict[str, Any]:
    """Return the key points by key; None where there are none, or where one is not known."""
    found = {key: getattr(points, name, None) for key, name in KEY_POINTS.items()}
    return {key: value if known(value) else None for key, value in found.items()}
