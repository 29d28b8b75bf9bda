"""What a panel should give on its load, in the stated light, at the stated angle: many at once.

All causes of doubt stand in one batch of curves, one row each, so that a reading of a logger costs
one solution of the single-diode equation. The light may be in W/m2, or in shares of the light that
a sweep of the panel was taken in: then no irradiance has to be known.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.diode import SingleDiode
from ivkit.curve.many import PARAMETERS
from ivkit.light.glass import inputs_of, off
from ivkit.light.incidence import beam_on_plane
from ivkit.panel.conditions import LOW_LIGHT, ReferencePanel
from ivkit.panel.law import NAMES
from ivkit.readings.terminals import BOTH, CURRENT, VOLTAGE
from ivkit.verdict.limits import BRIGHTEST

Array = NDArray[np.float64]
_ARRAYS = (*PARAMETERS, "alpha_sc")
_DARK = 1e-6  # W/m2, where nothing is left: the equation wants some light
BRIGHTEST_SHARE = 10.0  # of a sweep's light: further from it, its curve is no guide
_STEP = 0.01  # of the load, for the slope of the power in its logarithm
_STATED = ("irradiance", "angle", "stray light", "cell temperature", "load")


@dataclass(frozen=True)
class Prospect:
    """A panel and its condition.

    Attributes
    ----------
    sheet : Datasheet or MeasuredPanel
        ``panel(shifts)`` and ``sources`` are what is used of it, and its glass, ``iam``.
    light : float or None
        Facing the source: W/m2, or with ``of_sweep`` in units of the sweep's own light; None where
        nobody has said how strong it is. It is never assumed.
    u_light : float
        Its standard uncertainty as a share.
    temp_cell, u_temp_cell : float
        degC, K.
    stray, u_stray : float
        Share of the facing light that does not turn with the panel.
    u_angle : float
        Standard uncertainty of an angle of incidence, deg.
    u_load : float
        Of a stated load, as a share.
    max_power : bool
        The panel is kept at maximum power.
    of_sweep : bool
        ``light`` is a share of a sweep's light, `SWEEP_LIGHT` inside.
    """

    sheet: Any
    light: float | None
    u_light: float = 0.0
    temp_cell: float = 25.0
    u_temp_cell: float = 0.0
    stray: float = 0.0
    u_stray: float = 0.0
    u_angle: float = 0.0
    u_load: float = 0.0
    max_power: bool = False
    of_sweep: bool = False
    _solved: dict = field(default_factory=dict, compare=False, repr=False)

    @property
    def scale(self) -> float:
        """W/m2 inside for one unit of ``light``."""
        return SWEEP_LIGHT if self.of_sweep else 1.0

    @cached_property
    def _sources(self) -> tuple[list[str], ReferencePanel]:
        """Return the panel's own sources, and a panel of shape (1 + 2 S, 1): nominal, up, down."""
        self.sheet.panel()  # refuses figures that no panel has
        each = self.sheet.varied
        none = ~np.isfinite(each.photocurrent)  # no panel has these figures: the other side tells

        whole = each.each(lambda values: np.where(none, values[0], values)[:, None])
        return list(self.sheet.sources), whole

    def expect(
        self, load: Array, angle: Array, light: Array, heat: Array, given: tuple[str, ...]
    ) -> "Expected":
        """Return the power to be expected of readings, and what each cause does to it.

        Parameters
        ----------
        load, angle, light, heat : ndarray, shape (N,)
            ohm, deg, facing light as ``light``, degC.
        given : tuple of str
            What the power follows from (`ivkit.readings.terminals`): a power worked out from the
            voltage alone moves with the resistor in another way than one from both.
        """
        names, panel = self._sources
        count = len(load)
        size = len(np.ravel(panel.photocurrent))
        iam = self.sheet.iam
        stated = (*_STATED, *inputs_of(iam))
        total = size + 2 * len(stated)
        rows = {name: size + 2 * k for k, name in enumerate(stated)}

        def spread(values: Array, name: str, step: Any, by_share: bool = False) -> Array:
            out = np.tile(values, (total, 1))
            for row, sign in ((rows[name], 1.0), (rows[name] + 1, -1.0)):
                out[row] = values * (1.0 + sign * step) if by_share else values + sign * step
            return out

        lights = spread(light, "irradiance", self.u_light, True)
        angles = spread(angle, "angle", self.u_angle)
        stray = spread(np.full(count, self.stray), "stray light", self.u_stray)
        angles, stray = np.clip(np.abs(angles), 0.0, 180.0), np.clip(stray, 0.0, 1.0)
        share = beam_on_plane(angles, iam, stray)
        for name in stated[len(_STATED) :]:
            for row, sign in ((rows[name], 1.0), (rows[name] + 1, -1.0)):
                share[row] = beam_on_plane(angles[row], off(iam, name, sign), stray[row])
        falling = np.maximum(lights * share * self.scale, _DARK)
        heats = spread(heat, "cell temperature", self.u_temp_cell)
        loads = spread(load, "load", _STEP, True)
        batch = _grown(panel, total)
        power = self._power(batch.at(falling, heats), loads, load, given)
        shifts = {name: _half(power, 1 + 2 * k) for k, name in enumerate((*names, *stated))}
        middle = power[0]
        for k, name in enumerate(names):
            if name in NAMES:
                bend = power[1 + 2 * k] + power[2 + 2 * k] - 2.0 * power[0]
                middle = middle + 0.5 * bend
                shifts[name] = np.copysign(
                    np.hypot(shifts[name], bend / np.sqrt(2.0)), shifts[name]
                )
        # V/I is no stated load: what it is uncertain by comes with voltage and current.
        slope = shifts.pop("load") / _STEP
        worked_out = np.array([g == BOTH for g in given])
        shifts["load"] = np.where(worked_out, 0.0, slope * self.u_load)
        return Expected(middle, {n: s for n, s in shifts.items() if np.any(s)}, slope)

    def _power(
        self, curve: SingleDiode, loads: Array, stated: Array, given: tuple[str, ...]
    ) -> Array:
        """Return the power as it would be worked out of what is read, W."""
        if self.max_power:
            return np.asarray(curve.key_points().p_mp)
        at = curve.operating_point(loads)
        power = np.asarray(at.voltage) * np.asarray(at.current)
        for source, worked_out in (
            (VOLTAGE, lambda: at.voltage**2 / stated),
            (CURRENT, lambda: at.current**2 * stated),
        ):
            where = np.array([g == source for g in given])
            if where.any():
                with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                    power = np.where(where, worked_out(), power)
        return power

    def light_of(self, power: float, load: float, heat: float) -> float | None:
        """Return the light on the panel, as ``light``, that gives this power on this load.

        None where the power hardly tells: near open circuit, in the dark, in more light than
        `BRIGHTEST`.
        """
        key = (round(float(np.log(max(load, 1e-9))), 3), round(heat, 1))
        if key not in self._solved:
            self._solved.clear()
            falling = np.geomspace(1e-4, 1.0, 161) * (
                BRIGHTEST_SHARE * self.scale if self.of_sweep else BRIGHTEST
            )
            curve = self.sheet.panel().at(falling, np.full(161, heat))
            found = self._power(curve, np.full(161, load), np.full(161, load), ("",))
            self._solved[key] = (np.log(falling / self.scale), np.log(np.maximum(found, 1e-300)))
        lights, powers = self._solved[key]
        if not power > 0 or not powers[0] < np.log(power) < powers[-1]:
            return None
        k = int(np.searchsorted(powers, np.log(power)))
        if (powers[k] - powers[k - 1]) < 0.2 * (lights[k] - lights[k - 1]):
            return None
        return float(np.exp(np.interp(np.log(power), powers, lights)))


#: One share of a sweep's light, W/m2 inside. Where the light is not known in W/m2, nor is it known
#: on which side of `LOW_LIGHT` the shunt's law holds: starting there, all of the doubt is carried.
SWEEP_LIGHT = LOW_LIGHT


@dataclass(frozen=True)
class Expected:
    """The power to be expected; arrays of shape (N,).

    Attributes
    ----------
    power : ndarray
        W.
    shifts : dict of str to ndarray
        By cause, what one standard uncertainty of it does, W.
    slope : ndarray
        Change of the power with the logarithm of the load, W.
    """

    power: Array
    shifts: dict[str, Array]
    slope: Array

    @property
    def u(self) -> Array:
        """Standard uncertainty of the power, W."""
        return np.sqrt(sum((s**2 for s in self.shifts.values()), np.zeros_like(self.power)))


def _grown(panel: ReferencePanel, total: int) -> ReferencePanel:
    """Return the panel with its first row repeated at the end, up to ``total`` rows."""

    def grow(values: Any) -> Array:
        return np.concatenate([values, np.repeat(values[:1], total - len(values), axis=0)])

    return panel.each(grow)


def _half(power: Array, at: int) -> Array:
    return 0.5 * (power[at] - power[at + 1])
