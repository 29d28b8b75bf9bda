"""Readings of a logger against what the panel should give: each with its E_n number and a word.

The word is ``plausible``, ``too high``, ``too low`` or ``cannot tell``; where it cannot be told,
it is said what would tell. A panel whose angle nobody has stated may be turned away: less than
facing the light is then no fault, more is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.terminals import BOTH, CURRENT, POWER, VOLTAGE, AtTerminals
from ivkit.verdict.prospect import Expected, Prospect
from ivkit.verdict.score import TOO_WIDE

Array = NDArray[np.float64]

PLAUSIBLE, HIGH, LOW, UNKNOWN = "plausible", "too high", "too low", "cannot tell"
#: Powers of the readings' own uncertainty in that of the power.
_TIMES = {BOTH: np.sqrt(2.0), VOLTAGE: 2.0, CURRENT: 2.0, POWER: 1.0, "": 1.0}


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
    load : float
        V/I where both are read, else as stated; ohm.
    angle : float
        Stated or read, deg.
    temperature : float
        Cell temperature that was used, degC.
    predicted, u_predicted : float
        W; for the stated angle, or else facing the light.
    en : float
    verdict, why : str
        ``why`` is empty unless it cannot be told.
    """

    line: int
    time: float
    voltage: float
    current: float
    power: float
    load: float
    angle: float
    temperature: float
    predicted: float
    u_predicted: float
    en: float
    verdict: str
    why: str = ""

    @property
    def share(self) -> float:
        """Power over predicted power."""
        return self.power / self.predicted if self.predicted > 0 else float("nan")


@dataclass(frozen=True)
class Stated:
    """What holds for every reading that does not say it itself.

    Attributes
    ----------
    prospect : Prospect or None
        None where the panel is not known.
    angle : float or None
        Of incidence, deg.
    u_reading : float
        Standard uncertainty of each reading as a share, where no front end says better.
    same_front_end : bool
        The panel's sweep was read by what reads now: what it is off by cancels.
    """

    prospect: Prospect | None = None
    angle: float | None = None
    u_reading: float = 0.02
    same_front_end: bool = False


def judge_live(found: AtTerminals, stated: Stated) -> list[Judged]:
    """Return the readings with their verdicts.

    Parameters
    ----------
    found : AtTerminals
        Readings of which none is in trouble; the others are left out.
    stated : Stated
    """
    keep = np.array([not trouble for trouble in found.trouble], dtype=bool)
    if not keep.any():
        return []
    given = tuple(g for g, k in zip(found.given, keep, strict=True) if k)
    values = {q: column[keep] for q, column in found.values.items()}
    load, seen = _loads(values)
    angle = values["angle"]
    if stated.angle is not None:
        angle = np.where(np.isnan(angle), stated.angle, angle)
    prospect = stated.prospect
    light, heat = _condition(values, stated)
    why = [
        _missing(prospect, float(light[k]), float(load[k]), float(angle[k]))
        for k in range(len(load))
    ]
    told = np.array([not reason for reason in why], dtype=bool)
    nothing = np.full(load.shape, np.nan)
    predicted, u_predicted, en = nothing, nothing.copy(), nothing.copy()
    if prospect is not None and told.any():
        some = np.flatnonzero(told)
        expected = prospect.expect(
            load[some],
            np.nan_to_num(angle[some], nan=0.0),
            light[some],
            heat[some],
            tuple(given[k] for k in some),
        )
        noise = _noise(found, keep, values["power"], given, stated)[some]
        own = "" if stated.same_front_end else " of the readings"
        shared = {name + own: shift[keep][some] for name, shift in found.shared.items()}
        predicted = nothing.copy()
        predicted[some], u_predicted[some] = expected.power, expected.u
        en[some] = _scores(values["power"][some], expected, shared, noise)
    lines = [line for line, k in zip(found.lines, keep, strict=True) if k]
    out = []
    for k, line in enumerate(lines):
        word, reason = UNKNOWN, why[k]
        if not reason:
            wide = 2.0 * u_predicted[k] > TOO_WIDE * max(predicted[k], 1e-300)
            word, reason = _word(float(en[k]), bool(wide), bool(np.isnan(angle[k])))
        out.append(
            Judged(
                line,
                *(float(values[q][k]) for q in ("time", "voltage", "current", "power")),
                float(seen[k]),
                float(angle[k]),
                float(heat[k]),
                float(predicted[k]),
                float(u_predicted[k]),
                float(en[k]),
                word,
                reason,
            )
        )
    return out


def _loads(values: dict[str, Array]) -> tuple[Array, Array]:
    """Return the load to predict for, stated before seen; and the one to show, seen first."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = values["voltage"] / values["current"]
    ratio = np.where((ratio >= 0) | np.isinf(ratio), np.abs(ratio), np.nan)
    stated = values["load"]
    return np.where(np.isnan(stated), ratio, stated), np.where(np.isnan(ratio), stated, ratio)


def _condition(values: dict[str, Array], stated: Stated) -> tuple[Array, Array]:
    """Return facing light and cell temperature of each reading."""
    prospect, nothing = stated.prospect, np.full(values["power"].shape, np.nan)
    if prospect is None:
        return nothing, values["temperature"]
    light = nothing if prospect.of_sweep else np.maximum(values["irradiance"], 0.0)
    if prospect.light is not None:
        light = np.where(np.isnan(light), prospect.light, light)
    heat = values["temperature"]
    return light, np.where(np.isnan(heat), prospect.temp_cell, heat)


def _missing(prospect: Prospect | None, light: float, load: float, angle: float) -> str:
    """Return what keeps a reading from being judged, with what to say; empty if nothing."""
    if prospect is None:
        return "no panel stated: --sweep or --datasheet"
    if np.isnan(light):
        return "light not stated: --irradiance, or --same-light as the sweep"
    if np.isnan(load) and not prospect.max_power:
        return "load not stated: --load, or --max-power"
    if abs(angle) > 90 and prospect.stray == 0:
        return "the light is behind the panel"
    return ""


def _noise(
    found: AtTerminals, keep: NDArray[np.bool_], power: Array, given: Sequence[str], stated: Stated
) -> Array:
    """Return the standard uncertainty of each power on its own, W."""
    if found.noise is not None:
        return np.nan_to_num(found.noise[keep])
    return stated.u_reading * np.abs(power) * np.array([_TIMES[g] for g in given])


def _scores(power: Array, expected: Expected, shared: dict[str, Array], noise: Array) -> Array:
    """Return the E_n numbers (ISO 13528:2022, 9.7), U = 2 u."""
    u = expected.u_against(shared, noise)
    return (power - expected.power) / np.maximum(2.0 * u, 1e-300)


def _word(en: float, wide: bool, angle_unknown: bool) -> tuple[str, str]:
    """Return the verdict, and why it cannot be told where it cannot."""
    if en > 1.0:
        return HIGH, ""
    if en < -1.0:
        if angle_unknown:
            return UNKNOWN, "turned away, or too low: state --angle"
        return LOW, ""
    if wide:
        return UNKNOWN, "the prediction is too wide: state light and angle better"
    return PLAUSIBLE, ""
