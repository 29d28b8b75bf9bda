"""Readings of a logger against what the panel should give: each with its E_n number and a word.

Where a reading cannot be judged, it is said what would tell. A panel whose angle nobody has stated
may be turned away: less than facing the light is then no fault, more is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.predict.compare import EachReading, each_reading
from ivkit.predict.facing import Facing
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene
from ivkit.predict.score import HIGH, IMPOSSIBLE, INCONSISTENT, LOW, UNDETERMINED
from ivkit.readings.terminals import POWER, AtTerminals
from ivkit.verdict.limits import broken_limits

Array = NDArray[np.float64]

_DARK = 1.0  # W/m2, below which a front end's zero decides
_HIGH_VOLTAGE = 1.0  # V a cell, from which on the limits are looked at where nothing is judged


@dataclass(frozen=True, slots=True)
class Judged:
    """One reading with its verdict; NaN where nothing is known.

    Attributes
    ----------
    line : int
    time : float
        The logger's own, s.
    voltage, current, power : float
        V, A, W at the panel.
    u_power : float
        Standard uncertainty of the power on its own, W.
    load : float
        V/I where both are read, else as stated; ohm.
    angle : float
        Stated or read, deg.
    temperature : float
        Cell temperature that was used, degC.
    predicted, u_predicted : float
        W; for the stated angle, or else facing the light.
    en, en_load : float
        Of the power, and of V/I against the stated load.
    verdict, why : str
        ``why`` says what is missing where it is undetermined, which limit of physics is broken
        where it is impossible, and what does not go together where it is inconsistent.
    """

    line: int
    time: float
    voltage: float
    current: float
    power: float
    u_power: float
    load: float
    angle: float
    temperature: float
    predicted: float
    u_predicted: float
    en: float
    en_load: float
    verdict: str
    why: str = ""

    @property
    def fraction(self) -> float:
        """Power over predicted power."""
        return self.power / self.predicted if self.predicted > 0 else float("nan")


@dataclass(frozen=True)
class Stated:
    """What holds for every reading that does not say it itself.

    Attributes
    ----------
    scene : Scene or None
        The panel in its light; None where the panel is not known.
    lit : bool
        Whether the scene's light is stated; otherwise it is that of a column, or not known.
    relative : bool
        Light counts in units of that of the panel's sweep; columns of light are left aside.
    per_lux : float or None
        Effective W/m2 of one lux, where a column holds lux.
    u_irradiance : float or None
        W/m2, of the brightest reading so far of a column of light.
    u_temperature : float
        K, of a column of temperatures.
    angle : float or None
        Of incidence, deg.
    max_power : bool
        The panel is kept at maximum power.
    u_reading, u_load : float
        Standard uncertainty of each reading, where no front end says better, and of a stated load,
        as fractions.
    same_front_end : bool
        The panel's sweep was read by what reads now: what it is off by cancels.
    """

    scene: Scene | None = None
    lit: bool = False
    relative: bool = False
    per_lux: float | None = None
    u_irradiance: float | None = None
    u_temperature: float = 0.0
    angle: float | None = None
    max_power: bool = False
    u_reading: float = 0.0
    u_load: float = 0.0
    same_front_end: bool = False


class LiveJudge:
    """Judges readings as they come; it knows the brightest light of a column so far."""

    def __init__(self, stated: Stated) -> None:
        self.stated, self._brightest = stated, 0.0
        self._scenes: dict[bool, Scene] = {}

    def judge(self, found: AtTerminals, step: Mapping[str, float] | None = None) -> list[Judged]:
        """Return the readings with their verdicts; those in trouble are left out.

        ``step`` is the last digit of each channel, V, A, W.
        """
        keep = np.array([not trouble for trouble in found.trouble], dtype=bool)
        if not keep.any():
            return []
        rows = _Rows(found, np.flatnonzero(keep), self.stated, step or {})
        words, why, parts = rows.missing()
        scene = self.stated.scene
        if scene is not None:
            self._brighter(rows)
            read = np.isfinite(rows.values["temperature"])
            for by_column in (False, True):
                some = np.flatnonzero((words == "") & (read == by_column))
                if len(some):
                    here = self._scene(by_column)
                    _fill(parts, some, each_reading(here, rows.readings(here, some)), words)
            rows.told(words, why, parts)
        return rows.judged(words, why, parts)

    def _brighter(self, rows: "_Rows") -> None:
        """Take the brightest light of a column as what its uncertainty is stated for."""
        if self.stated.u_irradiance is None or not rows.column.any():
            return
        most = float(np.max(rows.light[rows.column]))
        if most > 1.01 * self._brightest and most > _DARK:
            self._brightest, self._scenes = most, {}

    def _scene(self, by_column: bool) -> Scene:
        """Return the scene, its temperature that of a column or not."""
        if by_column not in self._scenes:
            scene, stated = self.stated.scene, self.stated
            changed: dict[str, Any] = {}
            if self._brightest:
                by = {"irradiance": stated.u_irradiance / self._brightest}
                changed["light"] = Facing(scene.light.irradiance, by)
            if by_column:
                changed["temp_cell"] = replace(
                    scene.temp_cell, u=stated.u_temperature, by={}, in_light=0.0
                )
            self._scenes[by_column] = replace(scene, **changed, _known={}) if changed else scene
        return self._scenes[by_column]


class _Rows:
    """Readings that are in no trouble, with what holds for each."""

    def __init__(
        self,
        found: AtTerminals,
        keep: NDArray[np.int64],
        stated: Stated,
        step: Mapping[str, float],
    ) -> None:
        self.found, self.keep, self.stated, self.step = found, keep, stated, step
        self.values = {name: column[keep] for name, column in found.values.items()}
        self.given = np.array(found.given)[keep]
        values, scene = self.values, stated.scene
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            ratio = values["voltage"] / values["current"]
        seen = (ratio >= 0) & np.isfinite(ratio)
        self.load = np.where(seen, ratio, values["load"])
        self.angle = values["angle"]
        if stated.angle is not None:
            self.angle = np.where(np.isnan(self.angle), stated.angle, self.angle)
        nothing = np.full(len(keep), np.nan)
        self.heat, self.light = values["temperature"], nothing
        self.column = np.zeros(len(keep), dtype=bool)
        if scene is None:
            return
        self.heat = np.where(np.isnan(self.heat), scene.temp_cell.celsius, self.heat)
        if not stated.relative:
            self.light = np.maximum(values["irradiance"], 0.0)
            if stated.per_lux is not None:
                by_lux = stated.per_lux * np.maximum(values["illuminance"], 0.0)
                self.light = np.where(np.isnan(self.light), by_lux, self.light)
        self.column = np.isfinite(self.light)
        if stated.lit:
            self.light = np.where(self.column, self.light, scene.light.irradiance)

    def missing(self) -> tuple[NDArray[np.str_], list[str], dict[str, Array]]:
        """Return words, which are empty where a reading can be judged, why, and blank columns."""
        stated, count = self.stated, len(self.keep)
        load = np.where(stated.max_power, 1.0, self.load)
        if stated.scene is None:
            tests = [(np.ones(count, bool), "no panel stated: --sweep or --datasheet")]
        else:
            unlit, ends = np.isnan(self.light), (load == 0) | np.isinf(load)
            behind = (np.abs(self.angle) >= 90) & (stated.scene.mount.stray == 0)
            tests = [
                (unlit, "light not stated: --irradiance, or --same-light as the sweep"),
                (np.isnan(load), "load not stated: --load, or --max-power"),
                (ends, "no power is expected at an open or short circuit"),
                (self.light < _DARK, "it is dark"),
                (behind, "the light is behind the panel"),
            ]
        why = [""] * count
        words = np.full(count, "", dtype="U12")
        for mask, reason in reversed(tests):
            for k in np.flatnonzero(mask):
                why[k] = reason
            words[mask] = UNDETERMINED
        names = ("u_power", "predicted", "u_predicted", "en", "en_load")
        return words, why, {name: np.full(count, np.nan) for name in names}

    def readings(self, scene: Scene, some: NDArray[np.int64]) -> Readings:
        """Return some of them as they are compared."""
        stated, found, values = self.stated, self.found, self.values
        whole = self.given[some] == POWER
        volts, amperes = (np.where(whole, np.nan, values[q][some]) for q in ("voltage", "current"))
        load = values["load"][some]
        load = np.full(len(some), np.nan) if stated.max_power else np.where(load >= 0, load, -1.0)
        rows = self.keep[some]
        own = "" if stated.same_front_end else " of the readings"
        effects = [
            replace(one, name=one.name + own, dv=one.dv[rows], di=one.di[rows])
            for one in found.effects
        ]
        noise = {}
        if found.noise_voltage is not None and found.noise_current is not None:
            noise = {"voltage": found.noise_voltage[rows], "current": found.noise_current[rows]}
        return Readings(
            volts,
            amperes,
            values["power"][some],
            load,
            np.nan_to_num(self.angle[some], nan=0.0),
            self.light[some] / scene.light.irradiance,
            self.heat[some] - scene.temp_cell.celsius,
            None,
            u=stated.u_reading,
            u_load=stated.u_load,
            step=self.step,
            noise=noise,
            effects=effects,
        )

    def told(self, words: NDArray[np.str_], why: list[str], parts: dict[str, Array]) -> None:
        """Say why, where a word wants it; look at the limits of physics."""
        panel = self.stated.scene.panel
        turned = np.isnan(self.angle)
        away = (words == LOW) & turned
        wide = (words == UNDETERMINED) & np.isfinite(parts["en"])
        for mask, reason in (
            (wide, "the prediction is too wide: state light and angle better"),
            (away, "turned away, or too low: state --angle"),
        ):
            for k in np.flatnonzero(mask):
                why[k] = reason
        words[away] = UNDETERMINED
        for k in np.flatnonzero(words == INCONSISTENT):
            why[k] = f"V/I is {self.load[k]:.3g} ohm, stated are {self.values['load'][k]:.3g}"
        look = words == HIGH
        if panel.cells is not None:
            unjudged = ~np.isfinite(parts["en"])
            look |= unjudged & (np.abs(self.values["voltage"]) > _HIGH_VOLTAGE * panel.cells)
        for k in np.flatnonzero(look):
            reason = self._impossible(panel, int(k))
            if reason:
                words[k], why[k] = IMPOSSIBLE, reason

    def _impossible(self, panel: Any, k: int) -> str:
        """Return which limit of physics a reading breaks, if any."""

        def read(quantity: str) -> float | None:
            value = float(self.values[quantity][k])
            return None if np.isnan(value) else value

        light = float(self.light[k])
        known = not self.stated.relative and np.isfinite(light)
        broken = broken_limits(
            voltage=read("voltage"),
            current=read("current"),
            power=read("power"),
            irradiance=light * (1.0 + 3.0 * self.stated.scene.light.u) if known else None,
            area_m2=panel.area_m2,
            cells=panel.cells,
            strings=panel.strings,
            band_gap=panel.kind.EgRef,
        )
        return str(broken[0]).removeprefix("impossible: ") if broken else ""

    def judged(
        self, words: NDArray[np.str_], why: Sequence[str], parts: dict[str, Array]
    ) -> list[Judged]:
        """Return them one by one."""
        values = self.values
        columns = (
            [self.found.lines[k] for k in self.keep],
            *(values[q].tolist() for q in ("time", "voltage", "current", "power")),
            parts["u_power"].tolist(),
            *(column.tolist() for column in (self.load, self.angle, self.heat)),
            *(parts[q].tolist() for q in ("predicted", "u_predicted", "en", "en_load")),
            words.tolist(),
            why,
        )
        return [Judged(*row) for row in zip(*columns, strict=True)]


def _fill(
    parts: dict[str, Array],
    some: NDArray[np.int64],
    each: EachReading,
    words: NDArray[np.str_],
) -> None:
    parts["u_power"][some], parts["en_load"][some] = each.u_measured, each.en_load
    parts["predicted"][some], parts["u_predicted"][some] = each.predicted, each.u_predicted
    parts["en"][some], words[some] = each.en, each.words
