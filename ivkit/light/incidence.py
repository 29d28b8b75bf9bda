"""The angle at which light meets the panel, and what the panel takes of it.

Angles of incidence are in degrees from the panel's *normal*: 0 is light straight on, 90 grazes the
surface, more comes from behind. Directions are given by tilt and azimuth as in pvlib: tilt (of a
direction: zenith) from straight up, azimuth clockwise from north, so that 90 is east.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError

Array = NDArray[np.float64]
IncidenceAngleModifier = Callable[[ArrayLike], Array]


def direction(tilt: ArrayLike, azimuth: ArrayLike) -> Array:
    """Return unit vectors (east, north, up), shape (..., 3), for tilts and azimuths, deg.

    Tilt is from straight up: of a surface for its normal, the zenith for the way to a source.
    Azimuth is clockwise from north: 90 is east. The two broadcast.

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
    # Unlike the arc cosine, this loses no digits near 0 and 180 deg.
    return np.degrees(np.arctan2(across, along))


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
        Angles that are not finite, more than `limit`, or three or more that span at least 0.7
        without leaving -pi/2 to pi/2: those look like radians.
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
        Angular loss coefficient, above 0 to 1, usually 0.08 to 0.25: 0.16 for clean glass, 0.14
        with an anti-reflective coating, 0.20 and more for dust.

    Raises
    ------
    RangeError
        An angle or coefficient outside its range.

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
    return _in_front(aoi, lambda at: np.expm1(-np.cos(np.radians(at)) / a_r) / np.expm1(-1.0 / a_r))


def ashrae(aoi: ArrayLike, b0: float = 0.05) -> Array:
    """Return the incidence angle modifier 1 - b0 (1/cos(aoi) - 1), never below 0.

    ``aoi`` in deg, either sign, magnitude up to 180; ``b0`` 0 to 1, usually 0.05; else RangeError.
    ASHRAE Standard 93; `pvlib.iam.ashrae`.
    """
    if not 0 <= b0 <= 1:
        raise RangeError(f"coefficient b0 {b0:g}", remedy="give about 0.05")
    return _in_front(
        aoi, lambda at: np.maximum(1.0 - b0 * (1.0 / np.cos(np.radians(at)) - 1.0), 0.0)
    )


def physical(aoi: ArrayLike) -> Array:
    """Return the incidence angle modifier of a plain glass sheet: reflection and absorption.

    Refractive index 1.526, extinction 4 per metre, thickness 2 mm. ``aoi`` in deg, either sign,
    magnitude up to 180; else RangeError. W. De Soto, S. A. Klein and W. A. Beckman, Solar Energy 80
    (2006) 78; `pvlib.iam.physical`.
    """
    from pvlib import iam

    return _in_front(aoi, iam.physical)


def no_glass(aoi: ArrayLike) -> Array:
    """Return 1 for light from the front and 0 from 90 deg; RangeError beyond 180 deg."""
    return _in_front(aoi, np.ones_like)


def beam_on_plane(
    aoi: ArrayLike,
    iam: IncidenceAngleModifier = martin_ruiz,
    diffuse_share: ArrayLike = 0.0,
) -> Array:
    """Return the effective irradiance at an angle over that straight on, 1 at 0 deg.

    (1 - d) cos(aoi) IAM(aoi) + d: of the light that the cells use when the panel faces the source,
    a fraction d (diffuse, stray, reflected by walls) does not change when the panel turns; real
    stray light does, by less than the beam. The source's distance is taken not to change.

    Parameters
    ----------
    aoi : array_like
        Angle of incidence of the beam, deg, either sign, magnitude up to 180.
    iam : callable
        `martin_ruiz`, `ashrae`, `physical`, `no_glass`, or `ivkit.light.glass.Glass`, which has
        the shape of measured modules.
    diffuse_share : array_like
        d, 0 to 1; broadcasts with `aoi`.

    Raises
    ------
    RangeError
        A fraction outside 0 to 1, an angle beyond 180 deg.

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
