"""The angle at which light meets the panel, and what the panel takes of it.

Angles of incidence are in degrees from the panel's *normal*: 0 is light straight on, 90 grazes the
surface, more comes from behind. Directions are given by tilt and azimuth as in pvlib: tilt (of a
direction: zenith) from straight up, azimuth clockwise from north, so that 90 is east.

The short-circuit current follows the light, a little faster than the cosine because glass reflects
more at grazing angles. Power into a load does not: with a load below the knee it goes as the
square of the light, at maximum power about as the light, with a load far above the knee hardly at
all. `local_exponent` says which, so that nobody takes a cosine squared for a fault.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError

Array = NDArray[np.float64]
IncidenceAngleModifier = Callable[[ArrayLike], Array]


def direction(tilt: ArrayLike, azimuth: ArrayLike) -> Array:
    """Return unit vectors (east, north, up) for tilts and azimuths.

    Parameters
    ----------
    tilt : array_like
        Angle from straight up, deg: the tilt of a surface for its normal, the zenith of a lamp or
        of the sun for the way to it.
    azimuth : array_like
        Clockwise from north, deg: 90 is east, 180 south. Broadcasts with `tilt`.

    Returns
    -------
    ndarray, shape (..., 3)

    Examples
    --------
    >>> direction(90, 90).round(9)
    array([1., 0., 0.])
    """
    tilt, azimuth = np.broadcast_arrays(np.radians(tilt), np.radians(azimuth))
    return np.stack(
        [np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)], axis=-1
    )


def angle_between(first: ArrayLike, second: ArrayLike) -> Array:
    """Return the angle between directions, deg, 0 to 180.

    Parameters
    ----------
    first, second : array_like, shape (..., 3)
        Vectors of any length in one right-angled frame, such as the panel's normal and the way
        from the panel to the lamp. They broadcast.

    Raises
    ------
    RangeError
        Vectors that do not have three components, or of no length.

    Notes
    -----
    From the arc tangent of cross and scalar product, which loses no digits near 0 and 180 deg as
    the arc cosine does.

    Examples
    --------
    >>> float(angle_between([0, 0, 2], [0, 1, 1]))
    45.0
    """
    first, second = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if first.shape[-1:] != (3,) or second.shape[-1:] != (3,):
        raise RangeError(
            f"directions of shape {first.shape} and {second.shape}",
            remedy="give x, y and z of each",
        )
    if not np.all(np.any(first, axis=-1)) or not np.all(np.any(second, axis=-1)):
        raise RangeError(
            "a direction of no length", remedy="keep the lamp away from the panel's own position"
        )
    across = np.linalg.norm(np.cross(first, second), axis=-1)
    along = np.sum(first * second, axis=-1)
    return np.degrees(np.arctan2(across, along))


def angle_of_incidence(
    surface_tilt: ArrayLike,
    surface_azimuth: ArrayLike,
    source_zenith: ArrayLike,
    source_azimuth: ArrayLike,
) -> Array:
    """Return the angle of incidence of a lamp's or the sun's light on a tilted panel, deg.

    Parameters
    ----------
    surface_tilt, surface_azimuth : array_like
        The panel: tilt from horizontal, azimuth that it faces, deg.
    source_zenith, source_azimuth : array_like
        The way to the source: angle from straight up, azimuth, deg. Azimuths are clockwise from
        north; all four broadcast.

    Returns
    -------
    ndarray
        0 to 180 deg; more than 90 is light from behind.

    Examples
    --------
    >>> round(float(angle_of_incidence(35, 180, 65, 180)), 9)
    30.0
    """
    return angle_between(
        direction(surface_tilt, surface_azimuth), direction(source_zenith, source_azimuth)
    )


def plausible_degrees(
    angles: ArrayLike, where: str = "", limit: float = 90.0, small_is_meant: bool = False
) -> Array:
    """Return angles of incidence as an array, after checking that they can be degrees.

    Parameters
    ----------
    angles : array_like
        Angles from the normal, deg, either sign.
    where : str
        File and column, for messages.
    limit : float
        Largest magnitude allowed, deg.
    small_is_meant : bool
        Accept a table of angles that all lie within 1.6 deg of zero.

    Raises
    ------
    RangeError
        Angles that are not finite, that are more than `limit`, or three or more that span at least
        0.7 without leaving -pi/2 to pi/2: those look like radians. One or two angles cannot tell.

    Examples
    --------
    >>> plausible_degrees([0, 30, -60])
    array([  0.,  30., -60.])
    """
    angle = np.asarray(angles, dtype=float)
    if not np.all(np.isfinite(angle)):
        raise RangeError("an angle is not a finite number", where, "leave that reading out")
    if angle.size == 0:
        raise RangeError("there are no angles", where, "give at least one")
    worst = float(angle.flat[np.argmax(np.abs(angle))])
    if abs(worst) > limit:
        raise RangeError(
            f"angle {worst:g} deg is more than {limit:g} deg from the normal, which is light "
            "from behind",
            where,
            "count angles from facing the light straight on (0), not from the panel's plane",
        )
    looks_like_radians = np.unique(angle).size >= 3 and np.ptp(angle) >= 0.7
    if looks_like_radians and abs(worst) <= np.pi / 2 + 1e-3 and not small_is_meant:
        raise RangeError(
            f"angles from {angle.min():g} to {angle.max():g} look like radians",
            where,
            f"give degrees: multiply by {180 / np.pi:.4f}",
        )
    return angle


def martin_ruiz(aoi: ArrayLike, a_r: float = 0.16) -> Array:
    """Return the incidence angle modifier of Martin and Ruiz, 1 straight on, 0 from 90 deg.

    Parameters
    ----------
    aoi : array_like
        Angle of incidence, deg, either sign, magnitude up to 180.
    a_r : float
        Angular loss coefficient, usually 0.08 to 0.25: 0.16 for clean glass, 0.14 with an
        anti-reflective coating, 0.20 and more for dust.

    Raises
    ------
    RangeError
        An angle beyond 180 deg; a coefficient outside 0 to 1.

    References
    ----------
    Martin and Ruiz (2001); `pvlib.iam.martin_ruiz`.

    Examples
    --------
    >>> martin_ruiz([0, -60, 60, 120]).round(6)
    array([1.      , 0.957912, 0.957912, 0.      ])
    """
    if not 0 < a_r <= 1:
        raise RangeError(f"angular loss coefficient {a_r:g}", remedy="give about 0.08 to 0.25")

    # The closed form itself: importing pvlib for it would take longer than most answers.
    def modifier(angle: Array) -> Array:
        return np.expm1(-np.cos(np.radians(angle)) / a_r) / np.expm1(-1.0 / a_r)

    return _in_front(aoi, modifier)


def ashrae(aoi: ArrayLike, b0: float = 0.05) -> Array:
    """Return the incidence angle modifier 1 - b0 (1/cos(aoi) - 1), never below 0.

    Parameters
    ----------
    aoi : array_like
        Angle of incidence, deg, either sign, magnitude up to 180.
    b0 : float
        Usually 0.05.

    Raises
    ------
    RangeError
        An angle beyond 180 deg; a coefficient outside 0 to 1.

    References
    ----------
    ASHRAE Standard 93; `pvlib.iam.ashrae`.
    """
    if not 0 <= b0 <= 1:
        raise RangeError(f"coefficient b0 {b0:g}", remedy="give about 0.05")

    def modifier(angle: Array) -> Array:
        return np.maximum(1.0 - b0 * (1.0 / np.cos(np.radians(angle)) - 1.0), 0.0)

    return _in_front(aoi, modifier)


def physical(aoi: ArrayLike) -> Array:
    """Return the incidence angle modifier of a plain glass sheet: reflection and absorption.

    Refractive index 1.526, extinction 4 per metre, thickness 2 mm.

    Parameters
    ----------
    aoi : array_like
        Angle of incidence, deg, either sign, magnitude up to 180.

    Raises
    ------
    RangeError
        An angle beyond 180 deg.

    References
    ----------
    W. De Soto, S. A. Klein and W. A. Beckman, Solar Energy 80 (2006) 78; `pvlib.iam.physical`.
    """

    def modifier(angle: Array) -> Array:
        from pvlib import iam

        return iam.physical(angle)

    return _in_front(aoi, modifier)


def no_glass(aoi: ArrayLike) -> Array:
    """Return 1 for light from the front and 0 from 90 deg: a cell that loses nothing by angle.

    Raises
    ------
    RangeError
        An angle beyond 180 deg.
    """
    return _in_front(aoi, np.ones_like)


def beam_on_plane(
    aoi: ArrayLike,
    iam: IncidenceAngleModifier = martin_ruiz,
    diffuse_share: ArrayLike = 0.0,
) -> Array:
    """Return the effective irradiance at an angle as a share of that straight on.

    (1 - d) cos(aoi) IAM(aoi) + d: of the light that the cells use when the panel faces the source,
    a share d (diffuse, stray, reflected by walls) does not change when the panel turns. That is a
    model: real stray light does change, by less than the beam.

    Parameters
    ----------
    aoi : array_like
        Angle of incidence of the beam, deg, either sign, magnitude up to 180. From 90 on, only
        the share d is left.
    iam : callable
        `martin_ruiz`, `ashrae`, `physical`, `no_glass`, or `ivkit.light.glass.Glass`, which has
        the shape of measured modules.
    diffuse_share : array_like
        d, 0 to 1; broadcasts with `aoi`.

    Returns
    -------
    ndarray
        1 at 0 deg. The source's distance is taken not to change.

    Raises
    ------
    RangeError
        A share outside 0 to 1, an angle beyond 180 deg.

    Examples
    --------
    >>> beam_on_plane([0, 60, 100], no_glass, diffuse_share=0.1).round(6)
    array([1.  , 0.55, 0.1 ])
    """
    share = np.asarray(diffuse_share, dtype=float)
    if not np.all((share >= 0) & (share <= 1)):
        raise RangeError(
            f"diffuse share {share.min():g} to {share.max():g}", remedy="give a share of 0 to 1"
        )
    beam = np.cos(np.radians(np.asarray(aoi, dtype=float))) * iam(aoi)
    return (1.0 - share) * beam + share


def exponent_from_normal(power: ArrayLike, power_normal: ArrayLike, aoi: ArrayLike) -> Array:
    """Return k such that power is `power_normal` times cos(aoi) to the k.

    Parameters
    ----------
    power, power_normal : array_like
        Power at the angle and straight on, in one unit.
    aoi : array_like
        Angle of incidence, deg. All three broadcast.

    Returns
    -------
    ndarray
        NaN where it has no meaning: at 0 deg, from 90 deg on, for power that is not positive.
    """
    power, normal, aoi = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (power, power_normal, aoi))
    )
    usable = (power > 0) & (normal > 0) & (np.abs(aoi) > 0) & (np.abs(aoi) < 90)
    ratio = np.divide(power, normal, out=np.full(power.shape, np.nan), where=usable)
    cosine = np.where(usable, np.cos(np.radians(aoi)), np.nan)
    return np.log(ratio) / np.log(cosine)


def local_exponent(power: ArrayLike, aoi: ArrayLike) -> Array:
    """Return d ln(power) / d ln(cos aoi) at each angle: by what power of the light it goes there.

    About 2 with a load below the knee, 1 at maximum power, near 0 with a load far above it.

    Parameters
    ----------
    power : array_like, shape (..., N)
        Power over angles, any unit.
    aoi : array_like, shape (N,)
        Angles of incidence, deg, magnitude increasing and below 90, at least two.

    Returns
    -------
    ndarray, shape (..., N)
        By finite differences between neighbouring angles; NaN beside power that is not positive.

    Raises
    ------
    RangeError
        Fewer than two angles, angles out of order, from 90 deg on, or not one for each power.

    Examples
    --------
    >>> aoi = np.array([10.0, 30.0, 60.0])
    >>> local_exponent(np.cos(np.radians(aoi)) ** 2, aoi).round(6)
    array([2., 2., 2.])
    """
    power, aoi = np.asarray(power, dtype=float), np.abs(np.asarray(aoi, dtype=float))
    if aoi.ndim != 1 or aoi.size < 2 or power.shape[-1:] != aoi.shape:
        raise RangeError(
            f"{aoi.size} angles for power of shape {power.shape}",
            remedy="give two angles or more, and one power for each",
        )
    if not np.all(np.diff(aoi) > 0) or not aoi[-1] < 90:
        raise RangeError(
            f"angles from {aoi[0]:g} to {aoi[-1]:g} deg do not increase in size towards 90",
            remedy="sort the readings by angle from the normal, one side of it at a time",
        )
    logarithm = np.log(power, out=np.full(power.shape, np.nan), where=power > 0)
    return np.gradient(logarithm, np.log(np.cos(np.radians(aoi))), axis=-1)


def _in_front(aoi: ArrayLike, modifier: Callable[[Array], Array]) -> Array:
    """Apply a modifier to angles below 90 deg either side; 0 behind, NaN stays NaN."""
    angle = np.abs(np.asarray(aoi, dtype=float))
    if np.any(angle > 180):
        raise RangeError(
            f"angle of incidence {np.nanmax(angle):g} deg", remedy="give at most 180 deg"
        )
    front = angle < 90
    value = np.where(np.isnan(angle), np.nan, 0.0)
    value[front] = modifier(angle[front])
    return value
