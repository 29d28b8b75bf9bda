"""What a panel should give in a stated set-up, or a changed one: each reading on its own.

Every cause of doubt (a figure of the datasheet, the light, the temperature, the angle, ...) is
moved by one standard uncertainty and the whole panel solved anew, all causes and readings in one
batch (JCGM 100:2008, 5.1.3 note 2). What comes out are logarithms' moves: shares of each quantity.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.light.glass import inputs_of
from ivkit.light.glass import off as off_by
from ivkit.light.incidence import beam_on_plane
from ivkit.panel.cells import cells_under
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.law import NAMES, left_over
from ivkit.verdict.near_turn import near_share
from ivkit.verdict.stated import AS_STATED, Change, Readings, Setting
from ivkit.verdict.turned import Turned

Array = NDArray[np.float64]

DARK = 1e-9  # W/m2, in place of none: logarithms
_LOAD_STEP = 0.02
_MOST_BENT = 0.5  # of a logarithm: beyond, two terms of a series are no guide

#: In place of the cell temperature, where that is from Voc: what its reading is uncertain by.
OPEN_VOLTAGE = "open-circuit voltage"
#: The cause of doubt of a panel that is turned under a near lamp.
UNEQUAL = "unequal light on the turned panel"
U_UNEQUAL = 0.2


@dataclass(frozen=True)
class Expected:
    """What readings should be.

    Attributes
    ----------
    values : dict of str to ndarray, shape (N,)
        ``voltage``, ``current``, ``power``, and ``v_oc`` and ``i_sc`` of the same light.
    moves : dict of str to ndarray, shape (2 C, N)
        Of each, what one standard uncertainty of each cause does to its logarithm: in proportion,
        then what its curvature adds, of the second order (JCGM 100:2008, 5.1.2 note).
    by_load : dict of str to ndarray, shape (N,)
        Of each, the derivative of its logarithm by that of the load.
    """

    values: dict[str, Array]
    moves: dict[str, Array]
    by_load: dict[str, Array]


@dataclass(frozen=True)
class Scene:
    """A setting and readings, and what a change of the setting would make of the readings."""

    setting: Setting
    readings: Readings
    _known: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def observed(self) -> tuple[str, ...]:
        """As `Readings.observed`."""
        return self.readings.observed

    @property
    def causes(self) -> tuple[str, ...]:
        """Names of what the prediction is uncertain by, in the order of `Expected.moves`."""
        return (*self.inputs, *self.inputs)

    @cached_property
    def inputs(self) -> tuple[str, ...]:
        """Names of the input quantities of the prediction, each once."""
        setting, given = self.setting, self.readings
        names = [*setting.sheet.sources, *setting.light]
        if setting.u_temp_cell > 0:
            names.append("cell temperature" if setting.from_voc is None else OPEN_VOLTAGE)
        if np.max(np.abs(given.angle)) > 0.5:
            names += ["zero of the angle"] * (setting.u_angle > 0)
            names += ["stray light"] * (setting.u_stray > 0)
            names += [name for name in inputs_of(setting.sheet.iam) if name not in setting.light]
            names += [UNEQUAL] * (setting.near is not None)
        if self._distances is not None and setting.u_distance_m > 0:
            names.append("distance")
        return tuple(names)

    def expect(self, change: Change = AS_STATED, load: Array | None = None) -> Expected:
        """Return what the readings should be if the set-up were changed.

        Parameters
        ----------
        change : Change
        load : ndarray, shape (N,), optional
            In place of the stated one; it must be given where none is stated.
        """
        key = (change, None if load is None else load.tobytes())
        if key not in self._known:
            load = self.readings.load if load is None else load
            self._known[key] = self._expect(change, load)
        return self._known[key]

    def along(self, change: Change, load: Array) -> dict[str, Array]:
        """Return the values alone, of shape (M, N), for loads of shape (M, 1) or (M, N)."""
        rows = _Rows(self, change, causes=False)
        return rows.solve(np.broadcast_to(load, (len(load), len(self.readings))))

    @cached_property
    def left_over(self) -> Array:
        """What no law of the panel accounts for in each reading, as a fraction, shape (N,)."""
        rows = _Rows(self, AS_STATED, causes=False)
        return left_over(self.setting.sheet.panel(), rows.light[0], rows.heat[0])

    @cached_property
    def usual_load(self) -> float:
        """Voc over Isc in the stated light: the order of size of loads that matter, ohm."""
        one = self.setting.sheet.panel().at(self.setting.irradiance, self.setting.temp_cell)
        return float(np.ravel(one.voltage(0.0))[0] / np.ravel(one.current(0.0))[0])

    def _expect(self, change: Change, load: Array) -> Expected:
        rows = _Rows(self, change)
        found = rows.solve(np.broadcast_to(load, rows.light.shape))
        aside = _Rows(self, change, causes=False).solve(load[None, :] * (1.0 + _LOAD_STEP))
        by_law = [k for k, name in enumerate(self.inputs) if name in NAMES]
        values, moves, by_load = {}, {}, {}
        for name, rows_ in found.items():
            least = 1e-9 * float(np.max(np.abs(rows_[0]))) + 1e-30
            base = _log(rows_[0], least)
            up, down = (_log(rows_[k::2], least) - base for k in (1, 2))
            up, down = np.where(np.isfinite(up), up, -down), np.where(np.isfinite(down), down, -up)
            moves[name] = np.concatenate([0.5 * (up - down), (up + down) / np.sqrt(2.0)])
            # What the panel's law is uncertain by goes far from straight in low irradiance.
            bent = 0.5 * np.sum((up + down)[by_law], axis=0)
            values[name] = rows_[0] * np.exp(np.clip(bent, -_MOST_BENT, _MOST_BENT))
            by_load[name] = (_log(aside[name][0], least) - base) / np.log1p(_LOAD_STEP)
        return Expected(values, moves, by_load)

    @cached_property
    def panels(self) -> ReferencePanel:
        """The panel as it stands, then with each of its sources up and down."""
        self.setting.sheet.panel()  # refuses figures that no panel has
        return self.setting.sheet.varied

    def near_share(self, angle: Array, stray: float) -> Array:
        """Return what unequal light on a turned panel leaves of it, at angles in deg."""
        setting, given = self.setting, self.readings
        key = ("near", angle.tobytes(), stray)
        if key not in self._known:
            sheet = setting.sheet
            turned = Turned(
                sheet.panel(),
                setting.temp_cell,
                sheet.iam,
                setting.near,
                sheet.bypass_groups or 0,
            )
            load = np.full(angle.shape, self.usual_load) if given.load is None else given.load
            self._known[key] = near_share(turned, angle, setting.irradiance, stray, load)
        return self._known[key]

    @property
    def _distances(self) -> Array | None:
        return None if self.setting.distance_m is None else self.readings.distance


def _log(values: Array, least: float) -> Array:
    return np.log(np.maximum(np.abs(values), least))


class _Rows:
    """Light, heat and panels of a change: row 0 as it is, then each cause up and down."""

    def __init__(self, scene: Scene, change: Change, causes: bool = True) -> None:
        self.scene, self.change = scene, change
        setting = scene.setting
        own = len(setting.sheet.sources)
        moved = [(cause, sign) for cause in scene.inputs[own:] for sign in (1.0, -1.0)]
        first, moved = (1 + 2 * own, moved) if causes else (1, [])
        light = np.tile(self._light({}), (first + len(moved), 1))
        brighter = setting.warmer_in_light * np.log(max(change.light, DARK))
        warm = setting.temp_cell + change.warmer + brighter
        heat = np.tile(warm + scene.readings.warmer, (len(light), 1))
        for k, (cause, sign) in enumerate(moved, first):
            if cause in ("cell temperature", OPEN_VOLTAGE):
                heat[k] += sign * setting.u_temp_cell
            elif cause in setting.light:
                # Glass that leaves more of the light facing the lamp leaves more at an angle.
                light[k] = self._light({cause: -sign})
                light[k] *= np.maximum(1.0 + sign * setting.light[cause], 0.0)
            else:
                light[k] = self._light({cause: sign})
        for k, cause in enumerate(scene.inputs if causes else ()):
            heat[1 + 2 * k] += setting.warmer_by.get(cause, 0.0)
            heat[2 + 2 * k] -= setting.warmer_by.get(cause, 0.0)
        self.light, self.heat = np.maximum(light, DARK), heat
        where = np.r_[0:first, np.zeros(len(moved), dtype=int)]
        self.panel = scene.panels.each(lambda values: values[where][:, None])

    def _light(self, off: dict[str, float]) -> Array:
        """Return the light behind the glass, W/m2, with the geometry off by so many u."""
        setting, given, change = self.scene.setting, self.scene.readings, self.change
        angle = np.abs(given.angle)
        angle = 90.0 - angle if change.from_plane else angle
        signed = np.where(given.angle < 0, -angle, angle) + change.zero
        signed = signed + off.get("zero of the angle", 0.0) * setting.u_angle
        stray = setting.stray + change.stray + off.get("stray light", 0.0) * setting.u_stray
        iam = setting.sheet.iam
        for name in inputs_of(iam):
            iam = off_by(iam, name, off.get(name, 0.0))
        share = beam_on_plane(np.minimum(np.abs(signed), 90.0), iam, np.clip(stray, 0.0, 1.0))
        if setting.near is not None:
            left = self.scene.near_share(np.clip(signed, -90.0, 90.0), float(np.clip(stray, 0, 1)))
            # The order of the cells and the lamp's shape are known so well (common practice, no
            # source): a fifth of what they take off is a doubt.
            share = share * (1.0 + (left - 1.0) * (1.0 + U_UNEQUAL * off.get(UNEQUAL, 0.0)))
        light = setting.irradiance * change.light * given.light * share
        distance = self.scene._distances
        if distance is not None:
            aside = change.farther + off.get("distance", 0.0) * setting.u_distance_m
            light = light * ((setting.distance_m + aside) / np.maximum(distance + aside, 1e-6)) ** 2
        return light

    def solve(self, load: Array) -> dict[str, Array]:
        """Return the quantities of each row and reading; loads broadcast, rows by readings."""
        change, sheet = self.change, self.scene.setting.sheet
        whole = self.panel.at(self.light, self.heat)
        ends = {"v_oc": whole.voltage(0.0), "i_sc": whole.current(0.0)}
        curve: Any = whole
        if change.shaded < 1.0:
            cells = np.repeat(self.light[..., None], sheet.cells, axis=-1)
            cells[..., 0] *= change.shaded
            curve = cells_under(
                self.panel.each(lambda values: values[..., None]),
                cells,
                self.heat[..., None],
                bypass_groups=sheet.bypass_groups,
            )
        top = np.isnan(load)
        load = np.asarray(load * np.asarray(change.load), dtype=float)
        seen = np.where(top, 1.0, load + change.series)
        at = curve.operating_point(seen)
        v, i = np.asarray(at.voltage), np.asarray(at.current)
        if change.series:
            with np.errstate(invalid="ignore"):
                v = np.where(np.isinf(load) | top, v, v * load / seen)
        if np.any(top):
            points = curve.key_points()
            v, i = np.where(top, points.v_mp, v), np.where(top, points.i_mp, i)
        found = {"voltage": v, "current": i, "power": v * i, **ends}
        return {name: np.broadcast_to(x, v.shape) for name, x in found.items()}
