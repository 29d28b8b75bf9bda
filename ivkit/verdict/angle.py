"""A panel that is turned: what it gives at each angle and load, and what readings of that tell.

Power follows the angle by the load: as the square of the light below the knee, as the light itself
at maximum power, hardly at all far above the knee. So every prediction names its load, and its
local exponent d ln P / d ln cos(aoi) stands beside it: a cosine squared is no fault where 2 is
what the load makes of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.assumptions import ASSUMED
from ivkit.predict.angle_readings import AngleReadings
from ivkit.predict.build_turned import Turned
from ivkit.predict.estimate import estimate
from ivkit.predict.found import Estimate
from ivkit.predict.prediction import Prediction, predict
from ivkit.predict.scene import At, Scene
from ivkit.shown import Shown

Array = NDArray[np.float64]

STEPS = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 85.0)
_STEP = 0.1  # deg, to either side
#: How far the slopes to either side may be apart for an exponent to be one.
_KINK = 0.1
_MOST_LOADS = 4


@dataclass(frozen=True)
class AngleTable:
    """Power against angle: a row an angle, for one load after the other, maximum power last.

    Attributes
    ----------
    at : At
        Angles from facing the light; NaN ohm is maximum power.
    voltage, current, power, u_power, exponent : ndarray, shape (N,)
        V, A, W, and d ln P / d ln cos(aoi): NaN where no light is left, and where the slopes to
        both sides differ.
    prediction : Prediction or None
        Behind it; None after a fit.
    """

    at: At
    voltage: Array
    current: Array
    power: Array
    u_power: Array
    exponent: Array
    prediction: Prediction | None = None

    def of(self, load: float) -> "AngleTable":
        """Return the rows of one load, ohm."""
        same = np.isnan(self.at.load) if np.isnan(load) else self.at.load == load
        names = ("voltage", "current", "power", "u_power", "exponent")
        return replace(
            self, at=self.at.select(same), **{name: getattr(self, name)[same] for name in names}
        )

    @property
    def loads(self) -> list[float]:
        """Loads, ohm, in their order."""
        seen = dict.fromkeys(float(ohm) for ohm in self.at.load if not np.isnan(ohm))
        return [*seen, np.nan]


@dataclass(frozen=True)
class AngleAnswer(Shown):
    """What a panel that is turned gives, and readings of it against that.

    Attributes
    ----------
    turned : Turned
    table : AngleTable
    read : AngleReadings or None
    found : Estimate or None
    held : dict of str to float
        What was stated in place of being fitted: ``zero``, ``stray``, ``light``.
    """

    turned: Turned
    table: AngleTable
    read: AngleReadings | None = None
    found: Estimate | None = None
    held: Mapping[str, float] | None = None

    @property
    def relative(self) -> bool:
        """Whether light counts in units of the sweep's."""
        return self.turned.relative

    @cached_property
    def curves(self) -> dict[str, AngleTable]:
        """Power at fine angles for a figure: as predicted, and with adjusted inputs after a fit."""
        fine, loads = np.linspace(-89.0, 89.0, 90), self.table.loads[:-1]
        if self.found is None:
            return {"predicted": against_angle(self.turned.scene, fine, loads, exponents=False)}
        adjusted = {"predicted": False, "adjusted": True}
        return {
            name: after(self.found, fine, loads, adjusted=how, fast=True)
            for name, how in adjusted.items()
        }


def turned_power(
    turned: Turned,
    loads: Sequence[float] = (),
    read: AngleReadings | None = None,
    *,
    zero: float | None = None,
    stray: float | None = None,
    u_load: float = ASSUMED["load resistor"].u_fraction,
) -> AngleAnswer:
    """Return what a panel that is turned gives into loads and at maximum power.

    Parameters
    ----------
    turned : Turned
    loads : sequence of float
        ohm; those of the readings where there are some.
    read : AngleReadings, optional
        From them the zero of the scale, the stray light and the light are estimated, but for what
        is stated.
    zero, stray : float, optional
        As stated: deg, and as a fraction (that of the scene).
    u_load : float
        Standard uncertainty of each load, as a fraction; of readings it is theirs.

    Raises
    ------
    SweepError, RangeError
        As `ivkit.predict.estimate.estimate`.
    """
    if read is None:
        return AngleAnswer(turned, against_angle(turned.scene, STEPS, loads, u_load))
    free: dict[str, float | None] = {}
    if turned.u_light is None or turned.u_light > 0:
        free["light"] = turned.u_light
    free |= {} if zero is not None else {"zero": None}
    free |= {} if stray is not None else {"stray": None}
    found = estimate(
        turned.scene,
        read.readings,
        free,
        zero=zero or 0.0,
        u_angle=read.u_angle,
        stated=read.stated,
        name=read.name,
    )
    at = read.readings
    of_ratio = [float(f"{ohm:.3g}") for ohm in at.ratio[at.stated == -1.0]]
    stated = [float(ohm) for ohm in at.stated[at.resistor]]
    seen = tuple(dict.fromkeys([*stated, *of_ratio]))[:_MOST_LOADS]
    held = {"zero": zero, "stray": stray, "light": None if "light" in free else 1.0}
    held = {name: value for name, value in held.items() if value is not None}
    return AngleAnswer(turned, after(found, STEPS, seen), read, found, held)


def against_angle(
    scene: Scene,
    angles: ArrayLike,
    loads: Sequence[float] = (),
    u_load: float = 0.0,
    *,
    exponents: bool = True,
) -> AngleTable:
    """Return what each load, and maximum power last, gives at each angle.

    Parameters
    ----------
    scene : Scene
    angles : array_like, shape (A,)
        deg, either sign.
    loads : sequence of float
        ohm; ``u_load`` is their standard uncertainty, as a fraction.
    exponents : bool
        Without, they are NaN, in less time.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> from ivkit.predict.facing import Facing
    >>> panel = make_datasheet(SheetFile(pmp_W=10.0, cells=36, glass="none"))
    >>> low = against_angle(Scene(panel, Facing(1000.0)), [30.0, 60.0], [8.0]).of(8.0)
    >>> low.exponent.round(1)
    array([2., 2.])
    """
    at = _grid(angles, loads, u_load)
    found = predict(scene, at)
    exponent = np.full(len(at), np.nan)
    if exponents:
        exponent = _exponent(lambda one: predicted_power(scene, one), at, _parallel(scene))
    one = found["power"]
    return AngleTable(at, found.voltage, found.current, one.value, one.u, exponent, found)


def after(
    found: Estimate,
    angles: ArrayLike,
    loads: Sequence[float] = (),
    *,
    adjusted: bool = True,
    fast: bool = False,
) -> AngleTable:
    """Return the same with what readings told, angles counted from facing the light.

    Parameters
    ----------
    found : Estimate
    angles, loads
        As in `against_angle`; stated loads count as adjusted.
    adjusted : bool
        Inputs as the readings have them, not at their estimates.
    fast : bool
        Without exponents and uncertainties, for a curve to be drawn: of the power that would be
        worked out of what was read.
    """
    at = _grid(angles, loads)
    scale = replace(at, angle=at.angle + found.zero)
    nothing = np.full(len(at), np.nan)
    if fast:
        given = found.readings.given[0]
        power = found.power_at(scale, adjusted=adjusted, given=given)
        return AngleTable(at, nothing, nothing, power, nothing, nothing)
    voltage, current, u_power = found.operate(scale, adjusted=adjusted)

    def power_of(one: At) -> Array:
        turned = replace(one, angle=one.angle + found.zero)
        return found.power_at(turned, adjusted=adjusted)

    exponent = _exponent(power_of, at, _parallel(found.scene))
    return AngleTable(at, voltage, current, voltage * current, u_power, exponent)


def predicted_power(scene: Scene, at: At) -> Array:
    """Return the power at the inputs' estimates, W, shape (N,)."""
    rows = scene.solve(at)
    return (rows["voltage"] * rows["current"])[0]


def _grid(angles: ArrayLike, loads: Sequence[float], u_load: float = 0.0) -> At:
    angle = np.atleast_1d(np.asarray(angles, dtype=float))
    load = np.array([*map(float, loads), np.nan])
    return At.of(load=np.repeat(load, len(angle)), angle=np.tile(angle, len(load)), u_load=u_load)


def _parallel(scene: Scene) -> bool:
    return not scene.by_cell


def _exponent(power_of, at: At, parallel: bool) -> Array:
    """Return d ln P / d ln cos at each row; NaN where there is none.

    That is where the slopes to both sides differ: under a near lamp at 0 deg, where the darkest
    cell changes sides, and where a bypass diode begins to conduct. In parallel light the limit at
    0 deg is taken close by.
    """
    size = np.abs(at.angle)
    away = np.clip(size, 0.2 if parallel else 0.0, 89.5)
    signed = np.where(at.angle < 0, -away, away)
    turned = [signed + step for step in (-_STEP, 0.0, _STEP)]
    three = At.of(load=np.tile(at.load, 3), angle=np.concatenate(turned))
    power = power_of(three).reshape(3, -1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ln_power, ln_cos = np.log(power), np.log(np.cos(np.radians(turned)))
        whole = (ln_power[2] - ln_power[0]) / (ln_cos[2] - ln_cos[0])
        before, later = np.diff(ln_power, axis=0) / np.diff(ln_cos, axis=0)
        smooth = np.abs(later - before) <= _KINK * (1.0 + np.abs(whole))
    return np.where(np.isfinite(whole) & smooth & (size < 89.5), whole, np.nan)
