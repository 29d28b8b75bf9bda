"""Shapes of lamps: how much falls on a small patch near a point, a disc, a strip or a beam.

Every shape answers one question: the irradiance (or illuminance) of a small flat patch per unit of
the intensity along the lamp's axis, in 1/m2. Far away on the axis that is 1/d2, the inverse-square
law, which the IES holds good to 1 % from five times the lamp's largest dimension. Nearer, a disc
and a strip are exact for a lamp that looks equally bright from everywhere (Lambertian).

Frame: the lamp's centre is the origin and its axis is +z; lengths in metres. A patch that looks
away from a part of the lamp gets nothing from that part; only a point shines backwards. Each shape
has a ``size``, its largest dimension in m, and a ``solid_angle`` in sr, flux over axial intensity.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError

Array = NDArray[np.float64]

_NODES = 96  # strips that a disc is cut into where the patch's own plane cuts it


@dataclass(frozen=True)
class Point:
    """A bare small lamp that shines alike in all directions, also backwards."""

    size = 0.0
    solid_angle = 4.0 * np.pi

    def per_intensity(self, position: ArrayLike, normal: ArrayLike) -> Array:
        """Return irradiance per axial intensity, 1/m2: cos(incidence)/r2.

        ``position`` (m) and unit ``normal`` of the patch, shape (..., 3), broadcast.
        """
        position, normal = np.asarray(position), np.asarray(normal)
        facing = np.maximum(-(normal * position).sum(axis=-1), 0.0)
        return facing / (position**2).sum(axis=-1) ** 1.5


@dataclass(frozen=True)
class Beam:
    """A small lamp whose intensity falls as cos^n of the angle from its axis.

    Attributes
    ----------
    beam_angle_deg : float
        Full width at half of the axial intensity, above 0 and below 180 deg: what lamp data give
        as beam angle (IEC TR 61341, from memory). 120 deg is n = 1, a small Lambertian lamp.

    Examples
    --------
    >>> float(round(Beam(120).exponent, 12)), float(round(Beam(38).exponent, 2))
    (1.0, 12.37)
    """

    beam_angle_deg: float
    size = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.beam_angle_deg < 180.0:
            raise RangeError(
                f"beam angle {self.beam_angle_deg:g} deg is not that of a beam",
                remedy="give the full angle at half intensity, above 0 and below 180 deg",
            )

    @property
    def exponent(self) -> float:
        """n of cos^n, from cos^n(beam angle / 2) = 1/2."""
        return float(np.log(0.5) / np.log(np.cos(np.radians(self.beam_angle_deg / 2.0))))

    @property
    def solid_angle(self) -> float:
        """2 pi/(n + 1): all the light is in the beam."""
        return 2.0 * np.pi / (self.exponent + 1.0)

    def per_intensity(self, position: ArrayLike, normal: ArrayLike) -> Array:
        """Return irradiance per axial intensity, 1/m2; arguments as in `Point`."""
        position = np.asarray(position)
        distance = np.sqrt((position**2).sum(axis=-1))
        along = np.maximum(position[..., 2] / distance, 0.0)
        return along**self.exponent * Point().per_intensity(position, normal)


@dataclass(frozen=True)
class Strip:
    """A narrow Lambertian strip: a tube, a row of LEDs.

    Attributes
    ----------
    length_m : float
        m, greater than 0.
    along_deg : float
        Direction of the strip in its own plane, from the width of the panel, deg.
    """

    length_m: float
    along_deg: float = 0.0
    solid_angle = np.pi

    def __post_init__(self) -> None:
        _refuse_size("strip length", self.length_m)

    @property
    def size(self) -> float:
        """Its length, m."""
        return self.length_m

    @property
    def direction(self) -> Array:
        """Unit vector along the strip."""
        along = np.radians(self.along_deg)
        return np.array([np.cos(along), np.sin(along), 0.0])

    def per_intensity(self, position: ArrayLike, normal: ArrayLike) -> Array:
        """Return irradiance per axial intensity, 1/m2; arguments as in `Point`.

        The integral of cos(emission) cos(incidence)/r2 over the part that the patch sees, in closed
        form.
        """
        position, normal = np.broadcast_arrays(position, normal)
        along = self.direction
        x_patch = position @ along
        turn, height = normal @ along, -(normal * position).sum(axis=-1)
        half = self.length_m / 2.0
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            horizon = -height / turn
        start = np.where(turn > 0, np.clip(horizon, -half, half), -half)
        end = np.where(turn < 0, np.clip(horizon, -half, half), half)
        z = position[..., 2]
        aside = (position[..., :2] @ np.array([-along[1], along[0]])) ** 2 + z**2
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            square = _inverse_fourth(end - x_patch, aside) - _inverse_fourth(start - x_patch, aside)
            slope = 0.5 / ((start - x_patch) ** 2 + aside) - 0.5 / ((end - x_patch) ** 2 + aside)
            total = z / self.length_m * (turn * slope + (height + turn * x_patch) * square)
        highest = np.maximum(height + turn * start, height + turn * end)
        seen = (z > 0) & (end > start) & (highest > 0)
        return np.where(seen, total, 0.0)


@dataclass(frozen=True)
class Disc:
    """A flat Lambertian disc of a radius above 0: a round lamp, a diffuser, an even reflector."""

    radius_m: float
    solid_angle = np.pi

    def __post_init__(self) -> None:
        _refuse_size("disc radius", self.radius_m)

    @property
    def size(self) -> float:
        """Its diameter, m."""
        return 2.0 * self.radius_m

    def per_intensity(self, position: ArrayLike, normal: ArrayLike) -> Array:
        """Return irradiance per axial intensity, 1/m2; arguments as in `Point`.

        Closed form where the patch sees the whole disc (Howell, A Catalog of Radiation Heat
        Transfer Configuration Factors: from memory, checked by integration), a sum over strips
        where its horizon cuts the disc.
        """
        position, normal = np.broadcast_arrays(position, normal)
        z = position[..., 2]
        height = -(normal * position).sum(axis=-1)
        turn = np.hypot(normal[..., 0], normal[..., 1])
        # Height of disc's lowest and highest point above the patch's plane.
        low, high = height - turn * self.radius_m, height + turn * self.radius_m
        result = np.zeros(z.shape)
        whole = (z > 0) & (low >= 0)
        result[whole] = self._whole(position[whole], normal[whole])
        cut = (z > 0) & (low < 0) & (high > 0)
        if np.any(cut):
            result[cut] = self._cut(position[cut], normal[cut])
        return result

    def _whole(self, position: Array, normal: Array) -> Array:
        radius2 = self.radius_m**2
        z = position[..., 2]
        aside = position[..., 0] ** 2 + position[..., 1] ** 2
        more, less = aside + z**2 + radius2, aside + z**2 - radius2
        root = np.sqrt(more**2 - 4.0 * aside * radius2)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            # Two forms of the same, each without cancellation where it is used.
            facing = np.where(
                less > 0, 2.0 * z**2 / (root * (root + less)), (1.0 - less / root) / (2.0 * radius2)
            )
        across = (normal[..., :2] * position[..., :2]).sum(axis=-1)
        return -normal[..., 2] * facing - 2.0 * z * across / (root * (root + more))

    def _cut(self, position: Array, normal: Array) -> Array:
        """Sum over strips parallel to the patch's horizon, each of closed form."""
        z = position[..., 2, None]
        turn = np.hypot(normal[..., 0], normal[..., 1])
        up = normal[..., :2] / turn[..., None]
        side = np.stack([-up[..., 1], up[..., 0]], axis=-1)
        t_patch = (up * position[..., :2]).sum(axis=-1)[..., None]
        s_patch = (side * position[..., :2]).sum(axis=-1)[..., None]
        height, turn = -(normal * position).sum(axis=-1)[..., None], turn[..., None]
        # t = R sin(angle): the chord's ends then do not slow the quadrature.
        first = np.arcsin(np.clip(-height / (turn * self.radius_m), -1.0, 1.0))
        nodes, weights = np.polynomial.legendre.leggauss(_NODES)
        angle = first + (np.pi / 2.0 - first) * (nodes + 1.0) / 2.0
        t, half = self.radius_m * np.sin(angle), self.radius_m * np.cos(angle)
        aside = (t - t_patch) ** 2 + z**2
        inner = _inverse_fourth(half - s_patch, aside) - _inverse_fourth(-half - s_patch, aside)
        total = ((height + turn * t) * inner * half * weights).sum(axis=-1)
        width = (np.pi / 2.0 - first[..., 0]) / 2.0
        return total * width * z[..., 0] / (np.pi * self.radius_m**2)


Shape = Point | Beam | Strip | Disc


def _inverse_fourth(x: Array, aside: Array) -> Array:
    """Integral of 1/(x2 + aside)2 from 0 to ``x``."""
    return x / (2.0 * aside * (x**2 + aside)) + np.arctan(x / np.sqrt(aside)) / (2.0 * aside**1.5)


def _refuse_size(name: str, size: float) -> None:
    if not 0.0 < size < np.inf:
        raise RangeError(f"{name} {size:g} m is not a size", remedy="give metres, greater than 0")
