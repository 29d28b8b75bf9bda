"""The light that a power read shows: a small table of predictions, read backwards."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ivkit.predict.scene import At, Mount, Scene

Array = NDArray[np.float64]

_COUNT = 161
_LOWEST = 1e-4  # of the brightest
_TELLS = 0.2  # least slope of the logarithms at which a power tells the light


class LightOf:
    """The light on a panel by its power into a load.

    Parameters
    ----------
    scene : Scene
        Only its panel and temperature count.
    unit : float
        W/m2 that one unit of the answer stands for.
    brightest : float
        Most that is answered, in that unit.
    """

    def __init__(self, scene: Scene, unit: float, brightest: float) -> None:
        self._scene = replace(scene, mount=Mount(0.0, 0.0, 0.0), _known={})
        self._unit = unit
        self._falling = np.geomspace(_LOWEST * brightest, brightest, _COUNT) * unit
        self._key: tuple[float, float, bool] | None = None
        self._powers = np.zeros(0)

    def __call__(self, power: float, load: float, celsius: float) -> float | None:
        """Return the light; None where the power hardly tells: near open circuit, in the dark.

        Parameters
        ----------
        power : float
            W.
        load : float
            ohm; NaN for maximum power.
        celsius : float
            Of the cells.
        """
        if not power > 0:
            return None
        size = -1.0 if np.isnan(load) else round(float(np.log(max(load, 1e-9))), 3)
        key = size, round(celsius, 1), np.isnan(load)
        if key != self._key:
            self._key, self._powers = key, self._table(load, celsius)
        lights, powers = np.log(self._falling), self._powers
        if not powers[0] < np.log(power) < powers[-1]:
            return None
        k = int(np.searchsorted(powers, np.log(power)))
        if (powers[k] - powers[k - 1]) < _TELLS * (lights[k] - lights[k - 1]):
            return None
        return float(np.exp(np.interp(np.log(power), powers, lights)) / self._unit)

    def _table(self, load: float, celsius: float) -> Array:
        scene = self._scene
        times = self._falling / scene.light.irradiance
        at = At.of(load=load, light=times, warmer=celsius - scene.temp_cell.celsius)
        found = scene.solve(at)
        power = found["voltage"][0] * found["current"][0]
        return np.log(np.maximum(power, 1e-300))
