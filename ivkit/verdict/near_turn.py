"""What turning under a near lamp costs beyond turning in parallel light.

As a panel turns, one side of it comes nearer to the lamp and the other goes farther off, and the
darkest cell of a string limits its current. A verdict solves a panel hundreds of times and takes
its light as even. So the string is solved once for each reading (`ivkit.verdict.turned`), and the
even light is sought that would give the same reading; its share of the light in the parallel case
is what the verdict takes off.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.light.incidence import beam_on_plane
from ivkit.verdict.turned import Turned

Array = NDArray[np.float64]

_STEPS = 40  # halvings of a factor of 10^6: 1e-11 is left of it
_LEAST, _MOST = 1e-4, 1e2  # even light over the irradiance


def near_share(
    turned: Turned, angle: ArrayLike, irradiance: float, stray: float, load: ArrayLike
) -> Array:
    """Return the even light that gives what a turned string gives, over that in parallel light.

    Parameters
    ----------
    turned : Turned
        With ``near``.
    angle : array_like, shape (N,)
        From facing the lamp, deg, -90 to 90.
    irradiance : float
        Effective, on the panel's centre facing the lamp, W/m2.
    stray : float
        Share of it that does not turn with the panel.
    load : array_like, shape (N,)
        ohm; 0 and infinite are the curve's ends, NaN is maximum power.

    Returns
    -------
    ndarray, shape (N,)
        1 where the panel faces the lamp, or where the lamp is far.
    """
    angle = np.clip(np.asarray(angle, dtype=float), -90.0, 90.0)
    both = np.concatenate([angle, np.zeros_like(angle)])
    ohm = np.tile(np.broadcast_to(np.asarray(load, dtype=float), angle.shape), 2)
    light = _even(turned, both, irradiance, stray, ohm)
    flat = beam_on_plane(both, turned.iam, stray)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        share = light / (irradiance * flat)
        share = share[: len(angle)] / share[len(angle) :]
    return np.where(np.isfinite(share), share, 1.0)


def _even(turned: Turned, angle: Array, irradiance: float, stray: float, load: Array) -> Array:
    """Return the even light, W/m2, in which the panel gives what its turned string gives."""
    top = np.isnan(load)
    finite = np.where(top, 1.0, load)

    def reading(curve: Any) -> tuple[Array, Array]:
        point, ends = curve.operating_point(finite), curve.key_points()
        whole = np.where(top, ends.v_mp, point.voltage), np.where(top, ends.i_mp, point.current)
        return np.asarray(whole[0]), np.asarray(whole[1])

    def even(light: Array) -> tuple[Array, Array]:
        return reading(turned.panel.at(light, turned.temp_cell))

    whole = np.full(angle.shape, irradiance)
    v_unit, i_unit = even(whole)
    v_unit, i_unit = np.maximum(v_unit, 1e-12), np.maximum(i_unit, 1e-15)

    def size(found: tuple[Array, Array]) -> Array:
        v, i = found
        # The sum grows with the light at any load, at either end as well; so does the product.
        return np.where(top, v * i / (v_unit * i_unit), v / v_unit + i / i_unit)

    sought = size(reading(turned.curve(angle, irradiance, stray)))
    low, high = np.log(whole * _LEAST), np.log(whole * _MOST)
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        over = size(even(np.exp(middle))) > sought
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.exp(0.5 * (low + high))
