"""Uncertainty through a computation that takes plain numbers.

The solvers of this package take floats and arrays, not uncertain numbers. Each uncertain input is
moved by its standard uncertainty to either side, and half of the difference is what it contributes
(JCGM 100:2008, 5.1.3 note 2). Contributions stay tied to the inputs, so that shared causes stay
correlated and `ivkit.curve.uncertainty.budget` of a result says which part to improve.
"""

from collections.abc import Callable, Mapping
from typing import Any

from uncertainties import ufloat

from ivkit.errors import RangeError


def propagate(
    function: Callable[..., Mapping[str, float]],
    inputs: Mapping[str, Any],
    curved: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the results of a function of uncertain inputs as uncertain numbers.

    Parameters
    ----------
    function : callable
        Takes the inputs by name as plain values, returns plain numbers by name.
    inputs : mapping
        Values by name. Uncertain numbers are moved; anything else is handed on as it is.
    curved : mapping, optional
        By the names of some inputs, a variable 0 +- 1 each: their curvature corrects the results'
        means, and adds to their uncertainties with that variable (JCGM 100:2008, 5.1.2 note).

    Returns
    -------
    dict of str to UFloat
        Linear in the inputs about their estimates. One evaluation and two more an uncertain input.

    Raises
    ------
    RangeError
        The function refuses the estimates, or an input moved to either side. Where it refuses one
        side only (a resistance below 0), the other side is taken alone.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> found = propagate(lambda v, r: {"power": v**2 / r}, {"v": ufloat(10.0, 0.1), "r": 50.0})
    >>> print(f"{found['power']:.2u}")
    2.000+/-0.040
    """
    plain = {name: getattr(value, "nominal_value", value) for name, value in inputs.items()}
    middle = function(**plain)
    results: dict[str, Any] = dict(middle)
    for name, value in inputs.items():
        u = getattr(value, "std_dev", 0.0)
        if not u > 0.0:
            continue
        up, down, width = _either_side(function, plain, name, u, middle)
        for key in results:
            results[key] = results[key] + (up[key] - down[key]) / width * (value - plain[name])
            if curved and name in curved:
                bend = up[key] + down[key] - 2.0 * middle[key]
                results[key] = results[key] + 0.5 * bend + bend / 2**0.5 * curved[name]
    # A number without uncertainty, in the form of one with: ufloat(x, 0) is warned against.
    nothing = 0.0 * ufloat(0.0, 1.0)
    return {key: value + nothing for key, value in results.items()}


def _either_side(
    function: Callable[..., Mapping[str, float]],
    plain: Mapping[str, Any],
    name: str,
    u: float,
    middle: Mapping[str, float],
) -> tuple[Mapping[str, float], Mapping[str, float], float]:
    """Return the results above and below an input's estimate, and how far apart they are."""
    refused = []
    sides = []
    for sign in (1.0, -1.0):
        try:
            sides.append((function(**{**plain, name: plain[name] + sign * u}), u))
        except RangeError as error:
            refused.append(error)
            sides.append((middle, 0.0))
    if len(refused) == 2:
        raise refused[0]
    (up, above), (down, below) = sides
    return up, down, above + below
