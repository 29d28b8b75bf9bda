"""How a panel's power falls as it turns away from the light: the law that a log is read with.

The current follows the light; the power follows the load. At maximum power it goes about as the
light, into a fixed load below the knee as its square, far above the knee hardly at all. So a lost
share of power means an angle only together with the panel's own curve and what it is loaded with.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError
from ivkit.light.glass import PLAIN, inputs_of, off
from ivkit.light.incidence import IncidenceAngleModifier, beam_on_plane
from ivkit.panel.bracket import rising_root

Array = NDArray[np.float64]
PowerAt = Callable[[Array], Any]

#: The shunt's exponent is between 0 and 1: of that rectangle, as seen from its end at 1.
U_SHUNT_EXPONENT = 1.0 / np.sqrt(3.0)
#: deg; straight lines between these are within 1e-6 of any curve of a panel.
_NODES = np.linspace(0.0, 90.0, 901)


@dataclass(frozen=True)
class Surroundings:
    """What decides the light on a panel that turns, besides the angle.

    Attributes
    ----------
    diffuse_share : float
        Share of the facing light that does not change as the panel turns, 0 to 1.
    u_diffuse_share : float
        Its standard uncertainty.
    iam : callable
        Incidence angle modifier of the glass, with what is uncertain about it
        (`ivkit.light.glass`).
    """

    diffuse_share: float = 0.0
    u_diffuse_share: float = 0.0
    iam: IncidenceAngleModifier = PLAIN


@dataclass(frozen=True)
class AngleLaw:
    """Power against angle of incidence, as a share of the power when facing the light.

    Attributes
    ----------
    aoi : ndarray, shape (N,)
        0 to 90 deg, increasing.
    ratio : ndarray, shape (N,)
        1 at 0 deg, at least 0.
    shifts : dict of str to ndarray, shape (N,)
        By cause, what one standard uncertainty of it adds to ``ratio``.
    brightness : (ndarray, ndarray) or None
        Light and power, both as shares of those when facing, from none to three times as much;
        None where only the angle's law is known.
    """

    aoi: Array
    ratio: Array
    shifts: dict[str, Array]
    brightness: tuple[Array, Array] | None = None

    @property
    def u_ratio(self) -> Array:
        """Standard uncertainty of ``ratio``, shape (N,)."""
        squares = [shift**2 for shift in self.shifts.values()]
        return np.sqrt(np.sum(squares, axis=0)) if squares else np.zeros_like(self.ratio)

    def at(self, aoi: ArrayLike) -> Array:
        """Return the share of the facing power at an angle of either sign, deg."""
        return np.interp(np.abs(aoi), self.aoi, self.ratio)

    def shift_at(self, aoi: ArrayLike) -> dict[str, Array]:
        """Return what one standard uncertainty of each cause adds to the share at an angle."""
        return {k: np.interp(np.abs(aoi), self.aoi, s) for k, s in self.shifts.items()}

    def light(self, share: float) -> float | None:
        """Return the light that a share of the facing power needs; None where not known."""
        if self.brightness is None:
            return None
        light, power = self.brightness
        return float(np.interp(share, power, light)) if share < power[-1] else None

    def exponent(self, aoi: float) -> float:
        """Return k such that the share at an angle is cos(aoi) to the k; NaN at 0 and 90 deg."""
        share, cosine = float(self.at(aoi)), float(np.cos(np.radians(aoi)))
        if not 1e-9 < cosine < 1 or share <= 0:
            return float("nan")
        return float(np.log(share) / np.log(cosine))


def angle_law(power_at: PowerAt, variants: Mapping[str, PowerAt] | None = None) -> AngleLaw:
    """Return the law that a function of the angle stands for.

    Parameters
    ----------
    power_at : callable
        Power in any unit at angles of incidence in deg, shape (N,), from 0 to 90.
    variants : mapping of str to callable, optional
        The same with one thing in it one standard uncertainty larger, by the name of the thing.

    Raises
    ------
    RangeError
        The panel gives no power when it faces the light, or power that is not finite.

    Examples
    --------
    >>> law = angle_law(lambda aoi: 3.0 * np.cos(np.radians(aoi)) ** 2)
    >>> law.at([0, -60]).round(6), round(law.exponent(40.0), 6)
    (array([1.  , 0.25]), 2.0)
    """

    def share(function: PowerAt) -> Array:
        power = np.asarray(function(_NODES), dtype=float)
        if power.shape != _NODES.shape or not np.all(np.isfinite(power)) or not power[0] > 0:
            raise RangeError(
                "the panel's curve gives no power when it faces the light",
                remedy="check the panel's curve and the load",
            )
        return np.maximum(power / power[0], 0.0)

    ratio = share(power_at)
    shifts = {name: share(function) - ratio for name, function in (variants or {}).items()}
    return AngleLaw(_NODES, ratio, shifts)


def panel_law(
    model: SingleDiode,
    load_ohm: float | None = None,
    facing_power: float | None = None,
    surroundings: Surroundings | None = None,
    u_load_ohm: float = 0.0,
) -> AngleLaw:
    """Return the law of a panel on a load, or at maximum power.

    Parameters
    ----------
    model : SingleDiode
        The panel's curve when it faces some light.
    load_ohm : float, optional
        Fixed load, ohm; None for maximum power.
    facing_power : float, optional
        Power in W when it faces the light of the log, where that is not the light of ``model``:
        the photocurrent is scaled until the curve gives it.
    surroundings : Surroundings, optional
    u_load_ohm : float
        Standard uncertainty of the load, ohm.

    Raises
    ------
    RangeError
        A load that takes no power, or a facing power that no light brings out of the panel.

    Notes
    -----
    With a share s of the light the photocurrent is s times and the shunt resistance 1/s times
    that of ``model``; saturation current, series resistance and temperature stay (De Soto, Klein,
    Beckman, Solar Energy 80 (2006) 78). In faint light nobody has measured the shunt: that it may
    as well stay what it is facing the light is among the uncertainties.

    Examples
    --------
    >>> panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    >>> round(panel_law(panel, 8.0).exponent(60.0), 2), round(panel_law(panel).exponent(60.0), 2)
    (2.19, 1.13)
    """
    around = surroundings or Surroundings()
    if load_ohm is not None and not 0 < load_ohm < np.inf:
        raise RangeError(
            f"a load of {load_ohm:g} ohm takes no power", remedy="give it in ohm, above 0"
        )

    def power_at(aoi: Array, load: float | None, diffuse: float, iam: Any, shunt: float) -> Any:
        share = beam_on_plane(aoi, iam, min(max(diffuse, 0.0), 1.0))
        light = 1.0 if facing_power is None else light_for(model, load, facing_power)
        return _relative(model, light, share, load, shunt)

    nominal = (load_ohm, around.diffuse_share, around.iam, 1.0)
    causes = {
        "load": (u_load_ohm if load_ohm else 0.0, 0),
        "stray light": (around.u_diffuse_share, 1),
        "shunt in faint light": (-U_SHUNT_EXPONENT, 3),
    }
    variants: dict[str, PowerAt] = {}
    for name, (step, place) in causes.items():
        if step:
            moved = [*nominal]
            moved[place] += step
            variants[name] = lambda aoi, moved=moved: power_at(aoi, *moved)
    for name in inputs_of(around.iam):
        moved = [*nominal]
        moved[2] = off(around.iam, name)
        variants[name] = lambda aoi, moved=moved: power_at(aoi, *moved)
    law = angle_law(lambda aoi: power_at(aoi, *nominal), variants)
    shares = np.linspace(0.0, 3.0, 301)
    facing = 1.0 if facing_power is None else light_for(model, load_ohm, facing_power)
    powers = power_in_light(model, facing * shares, load_ohm)
    return replace(law, brightness=(shares, powers / powers[100]))


def power_in_light(model: SingleDiode, light: ArrayLike, load_ohm: float | None) -> Array:
    """Return the power (W) in ``light`` times the light of the curve, into a load or at maximum.

    Parameters
    ----------
    model : SingleDiode
        One curve.
    light : array_like, shape (N,)
        0 or greater.
    load_ohm : float or None
        None for maximum power.
    """
    return _relative(model, 1.0, light, load_ohm, 1.0)


def _relative(
    model: SingleDiode, facing: float, share: ArrayLike, load_ohm: float | None, exponent: float
) -> Array:
    """Return the power in a share of the facing light; the shunt goes as that to -exponent."""
    share = np.asarray(share, dtype=float)
    light = facing * share
    with np.errstate(divide="ignore"):
        shunt = model.resistance_shunt / facing * np.where(share > 0, share, 0.0) ** -exponent
    lit = SingleDiode(
        model.photocurrent * light,
        model.saturation_current,
        model.resistance_series,
        shunt,
        model.nNsVth,
    )
    if load_ohm is None:
        return np.asarray(lit.key_points().p_mp)
    return np.asarray(lit.operating_point(load_ohm).power)


def light_for(model: SingleDiode, load_ohm: float | None, power: float) -> float:
    """Return how many times the light of the curve brings out a power (W).

    Raises
    ------
    RangeError
        No light up to a hundred times that of the curve does.
    """

    def excess(ln_light: Array) -> Array:
        return np.asarray(power_in_light(model, np.exp(ln_light), load_ohm)) - power

    ends = np.log([1e-7]), np.log([100.0])
    if not power > 0 or not excess(ends[0]) < 0 < excess(ends[1]):
        into = "at maximum power" if load_ohm is None else f"into {load_ohm:g} ohm"
        raise RangeError(
            f"no light brings {power:g} W out of this panel {into}",
            remedy="check the facing power, the load, and that the curve is this panel's",
        )
    return float(np.exp(rising_root(excess, *ends)[0]))
