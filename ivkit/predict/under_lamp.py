"""A panel under a lamp: its key points, the power into loads, the same at other distances."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat

from ivkit.errors import RangeError
from ivkit.light.lamp import light_on
from ivkit.light.panel_face import Placement
from ivkit.predict.facing import TOO_BRIGHT
from ivkit.predict.near import POINT
from ivkit.predict.prediction import Prediction, predict
from ivkit.predict.scene import At, Scene
from ivkit.shown import Shown

Array = NDArray[np.float64]

POINTS = ("i_sc", "v_oc", "v_mp", "i_mp", "p_mp")


@dataclass(frozen=True)
class UnderLamp(Shown):
    """What a panel should give under a lamp.

    Attributes
    ----------
    scene : Scene
        Its light a `NearLamp`.
    expected, even : Prediction
        At maximum power, then into each load; and with the same light spread evenly.
    distances : Prediction or None
        The same rows at each of several distances.
    assumed : tuple of str
        What nobody stated.
    """

    scene: Scene
    expected: Prediction
    even: Prediction
    distances: Prediction | None = None
    assumed: tuple[str, ...] = ()

    @property
    def loads(self) -> Array:
        """Loads, ohm."""
        return self.expected.at.load[1:]

    @property
    def key_points(self) -> dict[str, UFloat]:
        """Of the panel, by `POINTS`, ``fill_factor`` and ``best_load``."""
        return _points(self.expected)

    @property
    def even_key_points(self) -> dict[str, UFloat]:
        """Of the same light, spread evenly."""
        return _points(self.even)

    @property
    def irradiance(self) -> UFloat:
        """Effective irradiance behind the glass, mean of the cells, W/m2."""
        return self.expected.number("light")

    @cached_property
    def cells(self) -> Array | None:
        """Effective irradiance of each cell behind the glass, W/m2, (rows, columns); or None.

        Row 0 is the lower edge, seen from the lamp.
        """
        face = self.scene.light.face
        if face is POINT:
            return None
        light = np.empty(face.cells)
        light[face.series_order] = self.scene.cells_light(self._at)[0]
        return light.reshape(face.rows, face.columns)

    @cached_property
    def limiting_cell(self) -> int | None:
        """Place in the string of the cell that limits at maximum power, from 0."""
        if not self.scene.by_cell:
            return None
        return int(np.ravel(self.scene.curve(self._at).at_max_power().limiting_cell)[0])

    @cached_property
    def curves(self) -> tuple[Array, Array, Array]:
        """The expected curve, V and A, and the currents of the same light spread evenly."""
        voltage = np.linspace(0.0, self.expected["v_oc"].value[0], 200)
        curves = (self.scene.curve(self._at, even) for even in (False, True))
        return voltage, *(np.ravel(curve.current(voltage)) for curve in curves)

    @property
    def _at(self) -> At:
        return self.expected.at.select([0])


def _points(found: Prediction) -> dict[str, UFloat]:
    points = {name: found.number(name) for name in POINTS}
    area = points["i_sc"] * points["v_oc"]
    return points | {
        "fill_factor": points["p_mp"] / area,
        "best_load": points["v_mp"] / points["i_mp"],
    }


def under_lamp(
    scene: Scene,
    tilt_deg: float = 0.0,
    loads: Sequence[float] = (),
    u_load: float = 0.0,
    distances: ArrayLike = (),
    assumed: Sequence[str] = (),
) -> UnderLamp:
    """Return what a panel should give under a lamp.

    Parameters
    ----------
    scene : Scene
        Its light a `NearLamp`.
    tilt_deg : float
        Of the panel from facing the lamp.
    loads : sequence of float
        ohm; with their standard uncertainty ``u_load``, as a fraction.
    distances : array_like
        m; those where the lamp cannot be, or would be brighter than any, are left out. A reading
        on the panel stays where it was.
    assumed : sequence of str
        To be passed on.

    Raises
    ------
    RangeError
        A lamp inside or behind the panel.
    """
    light = scene.light
    metres = getattr(light.distance_m, "nominal_value", light.distance_m)
    light_on(light.shape, light.face, Placement(metres, tilt_deg, light.axis_deg, light.offset_m))
    rows = np.array([np.nan, *loads], dtype=float)
    at = At.of(load=rows, angle=tilt_deg, u_load=u_load)
    expected = predict(scene, at, ends=True, light=True)
    even = predict(scene, at, ends=True, even=True)
    far = replace(scene, light=light.fixed(tilt_deg), _known={})
    there = [m for m in np.ravel(distances) if _can_be(far, float(m), tilt_deg)]
    moved = None
    if there:
        at = At.of(
            load=np.tile(rows, len(there)),
            angle=tilt_deg,
            distance=np.repeat(there, len(rows)),
            u_load=u_load,
        )
        moved = predict(far, at, ends=True, light=True)
    return UnderLamp(scene, expected, even, moved, tuple(dict.fromkeys(assumed)))


def around(scene: Scene) -> Array:
    """Return distances around the lamp's own, m, to two figures."""
    light = scene.light
    metres = getattr(light.distance_m, "nominal_value", light.distance_m)
    low = max(0.4 * metres, 1.1 * light.shape.size)
    return np.array([float(f"{m:.2g}") for m in np.geomspace(low, max(4 * metres, 2 * low), 9)])


def _can_be(scene: Scene, distance: float, tilt_deg: float) -> bool:
    at = At.of(distance=distance, angle=tilt_deg)
    with suppress(RangeError):
        light = scene.light_on(at, scene.each)
        return bool(np.all(light > 0) and scene.cells_light(at).max() <= TOO_BRIGHT)
    return False
