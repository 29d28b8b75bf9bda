"""How a panel's power falls as it turns away: a table of `predict`, that logs are read with.

The current follows the light; the power follows the load. At maximum power it goes about as the
light, into a fixed load below the knee as its square, far above the knee hardly at all. So a lost
fraction of power means an angle only together with the panel's own curve and what it is loaded
with. A log has up to a million readings, so `predict` is asked at nodes of angle and of light, with
the moves of every input, and the rest is taken between them.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError
from ivkit.predict.prediction import LOAD, Quantity, predict
from ivkit.predict.scene import At, Scene

Array = NDArray[np.float64]

#: deg; straight lines between these are within 1e-4 of any curve of a panel.
_NODES = np.linspace(0.0, 90.0, 541)
#: Times the scene's light, and of the light facing.
_LIGHTS, _BRIGHTNESS = np.geomspace(1e-4, 30.0, 91), np.linspace(0.0, 3.0, 61)
_STEP = 0.01  # of the logarithm of the light, for a slope
_DARK = 1e-6  # times the light, for a logarithm


@dataclass(frozen=True)
class AngleLaw:
    """Power against angle of incidence, over the power when facing the light.

    Attributes
    ----------
    aoi : ndarray, shape (N,)
        0 to 90 deg, increasing.
    ratio : ndarray, shape (N,)
        1 at 0 deg, at least 0.
    shifts : dict of str to ndarray, shape (N,)
        By input quantity, what one standard uncertainty of it adds to ``ratio``, the power when
        facing the light staying what it is.
    brightness : (ndarray, ndarray) or None
        Light and power, both over those when facing, from none to three times as much; None where
        only the angle's law is known.
    """

    aoi: Array
    ratio: Array
    shifts: dict[str, Array]
    brightness: tuple[Array, Array] | None = None

    @classmethod
    def of(cls, power_at: Callable[[Array], Any]) -> "AngleLaw":
        """Return the law of a function of the angle (deg, 0 to 90), in any unit.

        Raises
        ------
        RangeError
            No power when it faces the light, or power that is not finite.

        Examples
        --------
        >>> law = AngleLaw.of(lambda aoi: 3.0 * np.cos(np.radians(aoi)) ** 2)
        >>> law.at([0, -60]).round(6), round(law.exponent(40.0), 6)
        (array([1.  , 0.25]), 2.0)
        """
        return cls(_NODES, _over_facing(np.asarray(power_at(_NODES), dtype=float)), {})

    @property
    def u_ratio(self) -> Array:
        """Standard uncertainty of ``ratio``, shape (N,)."""
        squares = [shift**2 for shift in self.shifts.values()]
        return np.sqrt(np.sum(squares, axis=0)) if squares else np.zeros_like(self.ratio)

    def at(self, aoi: ArrayLike) -> Array:
        """Return the fraction of the facing power at an angle of either sign, deg."""
        return np.interp(np.abs(aoi), self.aoi, self.ratio)

    def shift_at(self, aoi: ArrayLike) -> dict[str, Array]:
        """Return what one standard uncertainty of each input adds to the fraction at an angle."""
        return {k: np.interp(np.abs(aoi), self.aoi, s) for k, s in self.shifts.items()}

    def light(self, fraction: float) -> float | None:
        """Return the light that a fraction of the facing power needs; None where not known."""
        if self.brightness is None:
            return None
        light, power = self.brightness
        return float(np.interp(fraction, power, light)) if fraction < power[-1] else None

    def exponent(self, aoi: float) -> float:
        """Return k such that the fraction at an angle is cos(aoi) to the k; NaN at 0 and 90 deg."""
        fraction, cosine = float(self.at(aoi)), float(np.cos(np.radians(aoi)))
        if not 1e-9 < cosine < 1 or fraction <= 0:
            return float("nan")
        return float(np.log(fraction) / np.log(cosine))


@dataclass(frozen=True)
class PanelLaw:
    """The law of a panel on a load, for whatever power it gives when it faces the light.

    Attributes
    ----------
    scene : Scene
        Its light that of the panel facing it, as far as it is known.
    load : float
        ohm; NaN for maximum power.
    u_load : float
        Standard uncertainty of the load, as a fraction.

    Raises
    ------
    RangeError
        A load that takes no power.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> from ivkit.predict.facing import Facing
    >>> scene = Scene(make_datasheet(SheetFile(pmp_W=10.0, cells=36)), Facing(1000.0))
    >>> low, top = PanelLaw(scene, 8.0)(2.9), PanelLaw(scene, np.nan)(9.0)
    >>> round(low.exponent(60.0), 1), round(top.exponent(60.0), 1)
    (2.2, 1.1)
    """

    scene: Scene
    load: float
    u_load: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isnan(self.load) or 0 < self.load < np.inf):
            raise RangeError(
                f"a load of {self.load:g} ohm takes no power", remedy="give it in ohm, above 0"
            )

    def power(self, aoi: ArrayLike = 0.0, light: ArrayLike = 1.0) -> Quantity:
        """Return the power at angles (deg) in light, over the scene's, W; as `predict` has it."""
        at = At.of(load=self.load, angle=aoi, light=light, u_load=self.u_load)
        return predict(self.scene, at)["power"]

    @cached_property
    def _facing(self) -> tuple[Array, Array]:
        """Return logarithms of light and power of the panel facing it, at nodes."""
        power = self.power(0.0, _LIGHTS).value
        rises = np.concatenate([[True], power[1:] > np.maximum.accumulate(power)[:-1]])
        some = rises & (power > 0)
        return np.log(_LIGHTS[some]), np.log(power[some])

    def light_for(self, facing_power: float) -> float:
        """Return the light, over the scene's, in which the panel facing it gives a power, W.

        Raises
        ------
        RangeError
            No light does.
        """
        light, power = self._facing
        if not facing_power > 0 or not power[0] < np.log(facing_power) < power[-1]:
            into = "at maximum power" if np.isnan(self.load) else f"into {self.load:g} ohm"
            raise RangeError(
                f"no light brings {facing_power:g} W out of this panel {into}",
                remedy="check the facing power, the load, and that the curve is this panel's",
            )
        found = float(np.interp(np.log(facing_power), power, light))
        for _ in range(2):  # between nodes by the secant
            here, more = self.power(0.0, np.exp([found, found + _STEP])).value
            slope = np.log(more / here) / _STEP
            found += float(np.log(facing_power / here) / slope)
        return float(np.exp(found))

    def __call__(self, facing_power: float) -> AngleLaw:
        """Return the law where the panel gives so much when it faces the light, W.

        Raises
        ------
        RangeError
            No light brings this power out of the panel.
        """
        light = self.light_for(facing_power)
        found = self.power(_NODES, light)
        ratio = _over_facing(found.value)
        at = At.of(load=self.load, angle=_NODES, u_load=self.u_load)
        sides = [
            self.scene.solve(At.of(load=self.load, angle=_NODES, light=light * np.exp(step)))
            for step in (_STEP, -_STEP)
        ]
        more, less = (side["voltage"][0] * side["current"][0] for side in sides)
        slope = (more - less) / (2.0 * _STEP)

        def at_that_power(moves: Array) -> Array:
            """Return what a move adds to the ratio, the light following so that facing stays."""
            return (moves - slope * (moves[..., :1] / slope[0])) / found.value[0]

        shifts = {}
        moves = np.concatenate([found.moves, [found.load_move]])
        bends = np.concatenate([found.bends, [found.load_bend]])
        for name, move, bend in zip((*self.scene.names, LOAD), moves, bends, strict=True):
            for key, row in ((name, move), (f"{name}, curvature", bend / np.sqrt(2.0))):
                shift = at_that_power(row)
                if np.max(np.abs(shift)) > 1e-9:
                    shifts[key] = shift
        powers = self.power(0.0, light * np.maximum(_BRIGHTNESS, _DARK)).value
        facing = float(np.interp(1.0, _BRIGHTNESS, powers))
        return AngleLaw(at.angle, ratio, shifts, (_BRIGHTNESS, powers / facing))


def _over_facing(power: Array) -> Array:
    if not np.all(np.isfinite(power)) or not power[0] > 0:
        raise RangeError(
            "the panel's curve gives no power when it faces the light",
            remedy="check the panel's curve and the load",
        )
    return np.maximum(power / power[0], 0.0)
