"""Readings of a logger against what the panel should give: each with its E_n number and a word.

The word is ``plausible``, ``too high``, ``too low`` or ``cannot tell``; where it cannot be told,
it is said what would tell. A panel whose angle nobody has stated may be turned away: less than
facing the light is then no fault, more is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.terminals import BOTH, CURRENT, POWER, VOLTAGE, AtTerminals
from ivkit.verdict.limits import broken_limits
from ivkit.verdict.prospect import Expected, Prospect
from ivkit.verdict.score import TOO_WIDE

Array = NDArray[np.float64]

PLAUSIBLE, HIGH, LOW, UNKNOWN = "plausible", "too high", "too low", "cannot tell"
#: How power goes with voltage and current, or what else is read, where one alone is read.
_TIMES = {BOTH: (1.0, 1.0), VOLTAGE: (2.0, 0.0), CURRENT: (0.0, 2.0), POWER: (1.0, 0.0)}
_DARK = 1.0  # W/m2, below which a front end's zero decides
_APART, _LEADS = 0.1, 2.0  # share and ohm beyond which V/I is not the stated load


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
        ``why`` says what is missing where it cannot be told, or which limit of physics is broken.
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
    per_lux : float or None
        Effective W/m2 of one lux, where a column holds lux.
    same_front_end : bool
        The panel's sweep was read by what reads now: what it is off by cancels.
    """

    prospect: Prospect | None = None
    angle: float | None = None
    u_reading: float = 0.02
    per_lux: float | None = None
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
    load, disagrees = _loads(values)
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
        u_apart = _u_apart(found, np.flatnonzero(keep)[some], expected, stated)
        predicted = nothing.copy()
        predicted[some], u_predicted[some] = expected.power, expected.u
        en[some] = (values["power"][some] - expected.power) / np.maximum(2.0 * u_apart, 1e-300)
    lines = [line for line, k in zip(found.lines, keep, strict=True) if k]
    out = []
    for k, line in enumerate(lines):
        word, reason = UNKNOWN, why[k]
        if not reason:
            wide = 2.0 * u_predicted[k] > TOO_WIDE * max(predicted[k], 1e-300)
            word, reason = _word(float(en[k]), bool(wide), bool(np.isnan(angle[k])))
        if word == HIGH:
            reason = _impossible(prospect, values, k, float(light[k]))
        if disagrees[k] and not reason:
            reason = f"V/I is {load[k]:.3g} ohm, stated are {values['load'][k]:.3g}"
        out.append(
            Judged(
                line,
                *(float(values[q][k]) for q in ("time", "voltage", "current", "power")),
                float(load[k]),
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


def _loads(values: dict[str, Array]) -> tuple[Array, NDArray[np.bool_]]:
    """Return the load of each reading, V/I before what is stated, and where these disagree."""
    stated = values["load"]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = values["voltage"] / values["current"]
        seen = np.where((ratio >= 0) & np.isfinite(ratio), ratio, np.nan)
        disagrees = np.abs(seen - stated) > _APART * stated + _LEADS
    disagrees &= np.isfinite(stated) & (stated > 0)
    return np.where(np.isnan(seen), stated, seen), disagrees


def _condition(values: dict[str, Array], stated: Stated) -> tuple[Array, Array]:
    """Return facing light and cell temperature of each reading."""
    prospect, nothing = stated.prospect, np.full(values["power"].shape, np.nan)
    if prospect is None:
        return nothing, values["temperature"]
    light = nothing if prospect.of_sweep else np.maximum(values["irradiance"], 0.0)
    if stated.per_lux is not None and not prospect.of_sweep:
        lux = np.maximum(values["illuminance"], 0.0)
        light = np.where(np.isnan(light), stated.per_lux * lux, light)
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
    if prospect.max_power:
        load = 1.0
    if np.isnan(load):
        return "load not stated: --load, or --max-power"
    if load == 0 or np.isinf(load):
        return "no power is expected at an open or short circuit"
    if light * prospect.scale < _DARK:
        return "it is dark"
    if abs(angle) >= 90 and prospect.stray == 0:
        return "the light is behind the panel"
    return ""


def _u_apart(
    found: AtTerminals, rows: NDArray[np.int64], expected: Expected, stated: Stated
) -> Array:
    """Return the standard uncertainty of measured minus expected power, W.

    Voltage and current move both: the power is V I, and the load that it is expected for is V/I.
    What the front end is off by is taken once where the sweep was read by it too.
    """
    given = [found.given[k] for k in rows]
    v, i, power = (found[q][rows] for q in ("voltage", "current", "power"))
    both = np.array([g == BOTH for g in given])
    # By the logarithms of voltage and current; for one alone its square counts, or the power.
    by_v = np.where(both, power - expected.slope, power * [_TIMES[g][0] for g in given])
    by_i = np.where(both, power + expected.slope, power * [_TIMES[g][1] for g in given])

    def share(step: Array, of: Array) -> Array:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return np.where(of != 0, step / of, 0.0)

    own = "" if stated.same_front_end else " of the readings"
    shared = {
        e.name + own: by_v * share(e.dv[rows], v) + by_i * share(e.di[rows], i)
        for e in found.effects
    }
    if found.noise_voltage is not None and found.noise_current is not None:
        u_v, u_i = share(found.noise_voltage[rows], v), share(found.noise_current[rows], i)
    else:
        u_v = u_i = np.full(power.shape, stated.u_reading)
    square = (by_v * u_v) ** 2 + (by_i * u_i) ** 2
    for name in expected.shifts.keys() | shared.keys():
        square = square + (shared.get(name, 0.0) - expected.shifts.get(name, 0.0)) ** 2
    return np.sqrt(square)


def _impossible(prospect: Prospect, values: dict[str, Array], k: int, light: float) -> str:
    """Return which limit of physics a reading breaks, if any."""
    sheet = prospect.sheet

    def read(quantity: str) -> float | None:
        value = float(values[quantity][k])
        return None if np.isnan(value) else value

    broken = broken_limits(
        voltage=read("voltage"),
        current=read("current"),
        power=read("power"),
        irradiance=None if prospect.of_sweep else light * (1.0 + 3.0 * prospect.u_light),
        area_m2=sheet.area_m2,
        cells=sheet.cells,
        band_gap=sheet.kind.EgRef,
    )
    return str(broken[0]) if broken else ""


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
