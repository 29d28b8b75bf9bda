"""What broke into a steady log: shadows, dropouts, and light brighter than there should be."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ivkit.predict.angle_law import AngleLaw
from ivkit.verdict.log import CleanLog
from ivkit.verdict.pointing import FacingPower
from ivkit.verdict.settling import Settling

Array = NDArray[np.float64]
#: Of the steady power; beyond it the light is nearly gone, or the wire.
_GONE = 0.05
#: Above clear sky, as a share of it; beyond, cloud edges are rare (Yordanov et al. (2013)
#: saw 1.5).
RARE_BRIGHT = 1.5
_RARE = "; more than cloud edges usually add, so suspect the reading"


@dataclass(frozen=True)
class Disturbance:
    """One stretch in which the power was not the steady one.

    Attributes
    ----------
    kind : ``"darker"``, ``"dropout"``, ``"brighter"``, ``"bright edge"`` or ``"beyond facing"``.
    start, end : First and last reading of it, s.
    rows : Lines of the file.
    extreme : The power farthest from the steady one, W.
    ratio : That over the steady power.
    over_facing : That over the facing power, where it is known.
    light : The light that it takes, over that of facing clear light, where the panel's law is
        known.
    to_the_end : It lasts to the end of the log.
    says : What it may be.
    """

    kind: str
    start: float
    end: float
    rows: tuple[int, int]
    extreme: float
    ratio: float
    over_facing: float | None
    light: float | None
    to_the_end: bool
    says: str


def disturbed(log: CleanLog, steady: Settling) -> NDArray[np.bool_]:
    """Return which readings of the steady state are off it by more than its noise, shape (M,).

    A reading counts from sqrt(2 ln N) + 1 standard deviations on: of N normal ones not even one
    in ten logs has a single one there. So do twenty readings whose middle is off by as much of
    their own spread.
    """
    time, power = log.time[steady.settled :], log.power[steady.settled :]
    drift = steady.drift if abs(steady.drift) > 3 * steady.u_drift else 0.0
    away = power - steady.level
    if drift:
        away -= drift * (time - 0.5 * (time[0] + time[-1]))
    limit = np.sqrt(2.0 * np.log(power.size)) + 1.0
    floor = max(steady.spread, 0.002 * abs(steady.level) / limit, 1e-15)
    off = np.abs(away) > limit * floor
    size = 20
    if power.size >= 20 * size:
        groups = away[: power.size - power.size % size].reshape(-1, size).mean(axis=1)
        wide = np.abs(groups - np.median(groups))
        k = int(0.75 * (wide.size - 1))
        spread = max(float(np.partition(wide, k)[k]) / 1.1503, floor / np.sqrt(size))
        for g in np.flatnonzero(wide > limit * spread):
            part = slice(g * size, (g + 1) * size)
            off[part] |= np.abs(away[part]) > 0.5 * wide[g]
    return off


def disturbances(
    log: CleanLog,
    steady: Settling,
    off: NDArray[np.bool_],
    facing: FacingPower | None,
    law: AngleLaw | None = None,
) -> tuple[Disturbance, ...]:
    """Return the stretches of disturbed readings, in order of time.

    Parameters
    ----------
    off : ndarray of bool, shape (M,). From `disturbed`.
    facing : What the panel gives when it faces clear light.
    law : Of the panel on its load, to bring power back to light.
    """
    at = np.flatnonzero(off)
    if not at.size:
        return ()
    merged = np.split(at, np.flatnonzero(np.diff(at) > 5) + 1)
    # A bright edge and the shadow beside it are two things, though they touch.
    power = log.power[steady.settled :]
    runs: list[NDArray[np.int64]] = []
    for run in merged:
        sign = power[run] > steady.level
        runs += np.split(run, np.flatnonzero(np.diff(sign)) + 1)
    found = [_describe(log, steady, run, facing, law, off.size) for run in runs]
    return tuple(_beside_shadows(found))


def _describe(
    log: CleanLog,
    steady: Settling,
    run: NDArray[np.int64],
    facing: FacingPower | None,
    law: AngleLaw | None,
    count: int,
) -> Disturbance:
    power = log.power[steady.settled :][run]
    k = int(np.argmax(np.abs(power - steady.level)))
    extreme = float(power[k])
    ratio = extreme / steady.level if steady.level else float("inf")
    over = None if facing is None else extreme / facing.power
    light = None if over is None or law is None else law.light(over)
    first, last = (int(run[0]) + steady.settled, int(run[-1]) + steady.settled)
    to_the_end = bool(run[-1] >= count - 3)
    if ratio < _GONE:
        kind = "dropout"
        says = "the light or the wire was gone: a hand, a shadow, a loose contact"
    elif ratio < 1:
        kind = "darker"
        says = "a shadow, or the panel turned away"
        if to_the_end:
            says += "; it lasts to the end of the log"
    elif over is None:
        kind = "brighter"
        says = "brighter light or better pointing: give --facing-power to tell"
    elif over <= 1 + 2 * facing.u / facing.power:
        kind = "brighter"
        says = "no more than facing the light gives: better pointing would explain it"
    else:
        kind = "beyond facing"
        says = (
            "more than facing the light gives: outdoors a cloud's bright edge, indoors more light"
        )
        if over > RARE_BRIGHT:
            says += _RARE
    if light is not None and light > RARE_BRIGHT:
        says += _RARE
    start, end = float(log.time[first]), float(log.time[last])
    rows = (int(log.rows[first]), int(log.rows[last]))
    return Disturbance(kind, start, end, rows, extreme, ratio, over, light, to_the_end, says)


def _beside_shadows(found: list[Disturbance]) -> list[Disturbance]:
    """Name as a bright edge what is brighter just before or after a shadow."""
    shadows = [d for d in found if d.kind in ("darker", "dropout")]
    named = []
    for d in found:
        reach = max(3.0 * (d.end - d.start), 1.0)
        near = any(s.start - reach <= d.end and d.start <= s.end + reach for s in shadows)
        if d.kind in ("brighter", "beyond facing") and near and d.ratio > 1.02:
            says = "outdoors a cloud's bright edge, beside its shadow"
            says += _RARE if d.light is not None and d.light > RARE_BRIGHT else ""
            d = replace(d, kind="bright edge", says=says)
        named.append(d)
    return named
