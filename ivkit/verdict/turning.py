"""How far the panel was turned from the light at the start of a log, and what that predicts.

The angles of a drive say how the panel's normal moved; that the light is where the normal points
in the end is an assumption, good to the pointing error.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError
from ivkit.light.incidence import angle_between, direction
from ivkit.predict.angle_law import AngleLaw
from ivkit.predict.score import HIGH, LOW, PLAUSIBLE, UNDETERMINED
from ivkit.verdict.log import CleanLog
from ivkit.verdict.pointing import Pointing
from ivkit.verdict.steady_mean import Mean

Array = NDArray[np.float64]
_DRAWS = 20_000
#: ln; a prediction that is uncertain by more than this factor either way tells nothing.
_TOO_WIDE = np.log(5.0)


@dataclass(frozen=True)
class Turn:
    """Where the panel stood before and after.

    Attributes
    ----------
    aoi_first, aoi_last : Angle off the light, deg, as far as the log's angles tell; None where they
        do not.
    from_scale : The log gives the angle of incidence itself, not only the drive's directions.
    doubt : Why there is no angle; empty otherwise.
    """

    aoi_first: float | None
    aoi_last: float | None
    from_scale: bool = False
    doubt: str = ""


@dataclass(frozen=True)
class Rise:
    """Last over first power, measured and predicted.

    Attributes
    ----------
    verdict : str
        Plausible, too high, too low or undetermined.
    en : float or None
        E_n of the logarithms: difference over the root sum of squares of both 95 % half widths
        (ISO 13528).
    measured, predicted : (float, float, float) or None
        Ratio and its 95 % interval.
    reason : str
        Why it could not be determined, and what to record.
    """

    verdict: str
    en: float | None = None
    measured: tuple[float, float, float] | None = None
    predicted: tuple[float, float, float] | None = None
    reason: str = ""


def refuse_radians(log: CleanLog, unit_said: frozenset[str] = frozenset()) -> None:
    """Refuse angles that can only be radians.

    ``unit_said``: frozenset of str. Angles whose unit the user named himself.

    Raises RangeError: no angle leaves -pi/2 to pi/2, yet the power changed by a tenth and more with
    them: in degrees that would be a turn of less than four, which no panel's power feels so.
    """
    known = {k: v[np.isfinite(v)] for k, v in log.angles.items() if k not in unit_said}
    known = {k: v for k, v in known.items() if v.size}
    if not known or len(known) < len(log.angles):
        return
    largest = max(float(np.max(np.abs(v))) for v in known.values())
    widest = max(known, key=lambda k: np.ptp(known[k]))
    span = float(np.ptp(known[widest]))
    low, high = np.quantile(log.power[:: 1 + len(log) // 20000], [0.02, 0.98])
    if largest <= np.pi / 2 + 0.03 and span > 0.1 and low < 0.9 * high:
        v = known[widest]
        raise RangeError(
            f"{widest} from {v.min():g} to {v.max():g} deg looks like radians: the power changes "
            "with it as no such small angle makes it",
            log.name,
            f"give degrees (multiply by {180 / np.pi:.4f}), or say the unit, as in "
            f"--column {widest}=NAME:rad (or :deg, if it is)",
        )


def turn(
    log: CleanLog, first: slice, last: slice, tilt_is: str | None = None
) -> tuple[Turn, Array | None]:
    """Return the angles before and after, and the angle from the last direction all along.

    Parameters
    ----------
    first, last : Readings before the panel moves, and those of the steady state.
    tilt_is : What ``tilt`` counts: ``"panel"``, the tilt from lying flat, face up; or
        ``"elevation"``, the height of the panel's normal above the horizon. Matters only where pan
        moves too.

    Returns Turn; ndarray, shape (N,), or None: Angle between the panel's normal and its direction
    in the steady state, deg.
    """
    angles = log.angles
    if "angle" in angles:
        aoi = np.abs(angles["angle"])
        if np.nanmax(aoi) > 180:
            what = f"an angle of incidence of {np.nanmax(aoi):g} deg"
            raise RangeError(what, log.name, "count from the panel's normal, 0 to 180 deg")
        return Turn(_middle(aoi[first]), _middle(aoi[last]), True), aoi
    pan = angles.get("pan")
    tilt = angles.get("tilt", angles.get("elevation"))
    if pan is None and tilt is None:
        return Turn(None, None, doubt="the log has no angles"), None
    if pan is None or tilt is None:
        one = pan if tilt is None else tilt
        away = np.abs((one - _middle(one[last]) + 180.0) % 360.0 - 180.0)
        # Turned about an axis in the panel's own plane, the angle is the turn itself.
        return Turn(_middle(away[first]), 0.0), away
    choices = (
        {"elevation"} if "elevation" in angles else {tilt_is} if tilt_is else {"panel", "elevation"}
    )
    found = {kind: _from_last(pan, tilt, last, kind) for kind in sorted(choices, reverse=True)}
    firsts = {kind: _middle(away[first]) for kind, away in found.items()}
    if np.ptp(list(firsts.values())) > 1.0:
        listed = " or ".join(f"{a:.0f} deg (tilt is {k})" for k, a in firsts.items())
        doubt = (
            f"the panel was turned by {listed}: the log does not say what tilt counts; say "
            "--tilt-is panel (0 faces straight up) or elevation (0 looks at the horizon)"
        )
        return Turn(None, None, doubt=doubt), None
    kind = next(iter(found))
    return Turn(firsts[kind], 0.0), found[kind]


def rise(
    first: Mean,
    last: Mean,
    turned: Turn,
    pointing: Pointing | None,
    law: AngleLaw | None,
    u_angle: float,
) -> Rise:
    """Compare the rise of the power with what the angles and the law predict.

    Parameters
    ----------
    first, last : Power before and after, W.
    pointing : The angle off the light in the end, where the power told it.
    u_angle : Standard uncertainty of the turn, deg.

    Notes
    -----
    The prediction's interval comes from 20,000 draws of the angles and of what the law depends
    on (JCGM 101:2008), with a fixed seed: at grazing angles it is far from symmetrical.
    """
    measured = _measured(first, last)
    if measured is None:
        why = "the first power is not clear of zero; record it with a finer range"
        return Rise(UNDETERMINED, reason=why)
    if law is None:
        why = "no curve of the panel, or no load: give --sweep or --datasheet, and --load or "
        return Rise(UNDETERMINED, measured=measured, reason=f"{why}--max-power")
    if turned.aoi_first is None:
        doubt = turned.doubt or "the log has no angle of the start"
        remedy = "" if "--tilt-is" in doubt else "; record pan and tilt, or the angle off the light"
        return Rise(UNDETERMINED, measured=measured, reason=doubt + remedy)
    rng = np.random.default_rng(20)
    before = np.abs(turned.aoi_first + u_angle * rng.standard_normal(_DRAWS))
    if turned.from_scale:
        after = np.abs(turned.aoi_last + u_angle * rng.standard_normal(_DRAWS))
    elif pointing is not None and pointing.high is not None:
        # Off the light by this much in the end, in a direction that nobody knows: the first
        # angle moves by its part along the turn.
        off = rng.uniform(pointing.low, pointing.high, _DRAWS)
        after = off
        before = np.abs(before + off * np.cos(rng.uniform(0, 2 * np.pi, _DRAWS)))
    else:
        after = np.abs(u_angle * rng.standard_normal(_DRAWS))
    before = np.minimum(before, 180.0)
    shares = [law.at(np.minimum(angle, 90.0)) for angle in (before, after)]
    for shift in law.shifts.values():
        z = rng.standard_normal(_DRAWS)
        for k, angle in enumerate((before, after)):
            shares[k] = shares[k] + z * np.interp(np.minimum(angle, 90.0), law.aoi, shift)
    floor = 1e-6
    logs = np.log(np.maximum(shares[1], floor)) - np.log(np.maximum(shares[0], floor))
    low, middle, high = np.quantile(logs, [0.025, 0.5, 0.975])
    predicted = tuple(float(x) for x in np.exp([middle, low, high]))
    if max(high - middle, middle - low) > _TOO_WIDE:
        return Rise(
            UNDETERMINED,
            measured=measured,
            predicted=predicted,
            reason=f"{turned.aoi_first:.0f} deg off the light the stray light decides: measure the "
            "power with the lamp or the sun shaded off, as --stray",
        )
    m = np.log(measured)
    difference = m[0] - middle
    half_p = high - middle if difference > 0 else middle - low
    half_m = m[0] - m[1] if difference > 0 else m[2] - m[0]
    en = float(difference / np.hypot(half_p, half_m))
    verdict = PLAUSIBLE if abs(en) <= 1 else HIGH if en > 0 else LOW
    return Rise(verdict, en, measured, predicted)


def _measured(first: Mean, last: Mean) -> tuple[float, float, float] | None:
    """Return last over first with its 95 % interval, None where first may be zero."""
    from ivkit.curve.uncertainty import coverage_factor

    u_first = coverage_factor(first.freedom) * first.u
    u_last = coverage_factor(last.freedom) * last.u
    if not first.value > u_first or not last.value > u_last:
        return None
    ratio = last.value / first.value
    half = float(np.hypot(u_first / first.value, u_last / last.value))
    return ratio, ratio * np.exp(-half), ratio * np.exp(half)


def _middle(values: Array) -> float | None:
    sample = values[:: 1 + values.size // 50_000]
    known = sample[np.isfinite(sample)]
    return float(np.median(known)) if known.size else None


def _from_last(pan: Array, tilt: Array, last: slice, kind: str) -> Array:
    """Return the angle between the panel's normal and its direction in the end, deg."""
    zenith = tilt if kind == "panel" else 90.0 - tilt
    end = direction(_middle(zenith[last]), _middle(pan[last]))
    return _thin(lambda z, p: angle_between(direction(z, p), end), zenith, pan)


def _thin(function, first: ArrayLike, second: ArrayLike) -> Array:
    """Return a function of two columns, worked out once for each run of equal values."""
    changed = np.flatnonzero((np.diff(first) != 0) | (np.diff(second) != 0)) + 1
    starts = np.concatenate(([0], changed))
    value = function(first[starts], second[starts])
    return np.repeat(value, np.diff(np.append(starts, first.size)))
