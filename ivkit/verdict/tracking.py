"""What a log of a turning panel says: how it found the light, how well it holds it, at what cost.

Each question has a file of its own: `log` cleans, `settling` finds the steady state,
`steady_mean` its mean, `hunting` its period, `pointing` the angle that the lost power implies,
`turning` whether the rise fits the turn, `disturbance` what broke in. This one asks them in turn.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError
from ivkit.predict.angle_law import AngleLaw
from ivkit.predict.score import UNDETERMINED
from ivkit.shown import Shown
from ivkit.verdict.disturbance import Disturbance, disturbances, disturbed
from ivkit.verdict.drive import Drive, Energy, energy_of
from ivkit.verdict.hunting import Swing, find_swing
from ivkit.verdict.log import CleanLog
from ivkit.verdict.pointing import FacingPower, Pointing, pointing_error
from ivkit.verdict.settling import Settling, settle
from ivkit.verdict.steady_mean import Mean, mean_of
from ivkit.verdict.turning import Rise, Turn, refuse_radians, rise, turn

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Hunt:
    """A swing of the power in the steady state.

    Attributes
    ----------
    swing : Swing
        In W.
    degrees : (float, float) or None
        Angles off the light at which the law puts the upper and the lower end, deg.
    degrees_interval : (float, float) or None
        95 % interval of the swing in deg, end to end, as the facing power leaves it.
    at_most : bool
        The facing power is not known: the upper end was taken for it, and a swing from there is
        the widest that these watts can mean.
    moves : bool or None
        A logged angle swings with the same period; None where no angle is logged.
    measured_degrees : float or None
        Swing of that angle, deg, end to end.
    """

    swing: Swing
    degrees: tuple[float, float] | None
    degrees_interval: tuple[float, float] | None
    at_most: bool
    moves: bool | None
    measured_degrees: float | None


@dataclass(frozen=True)
class Tracking(Shown):
    """What a log says.

    Attributes
    ----------
    log : CleanLog
    settling : Settling
    first : Mean or None
        Power before the panel moves, W; None where the power never changes.
    steady : Mean
        Power in the steady state, disturbances left out, W.
    acquire : float or None
        Time from the first change until it stays settled, s; a lower limit where the log starts
        in motion (``starts_moving``).
    starts_moving : bool
    off : ndarray of bool, shape (M,)
        Readings of the steady state that are disturbed.
    disturbances : tuple of Disturbance
    hunting : Hunt or None
    facing : FacingPower or None
    pointing : Pointing or None
        None where it cannot be told; ``unknown`` says what to record.
    at_least : float or None
        Without a facing power, the least angle off the light, because the log itself once holds
        more power than the steady state; deg.
    turned : Turn
    away : ndarray, shape (N,), or None
        Angle from the last direction (or off the light), deg.
    rise : Rise or None
        None where the power never changed.
    overshoot_deg : float or None
        How far the panel turned beyond its last direction, deg; None without a single angle to
        tell.
    energy : Energy
    law : AngleLaw or None
    unknown : tuple of (str, str)
        What cannot be told, and what to record or give next time.
    """

    log: CleanLog
    settling: Settling
    first: Mean | None
    steady: Mean
    acquire: float | None
    starts_moving: bool
    off: NDArray[np.bool_]
    disturbances: tuple[Disturbance, ...]
    hunting: Hunt | None
    facing: FacingPower | None
    pointing: Pointing | None
    at_least: float | None
    turned: Turn
    away: Array | None
    rise: Rise | None
    overshoot_deg: float | None
    energy: Energy
    law: AngleLaw | None
    unknown: tuple[tuple[str, str], ...] = field(default=())

    def __str__(self) -> str:
        words = [f"{self.log.name or 'log'}: {self.steady.value:.4g} W"]
        if self.acquire is not None:
            words.append(f"settled after {self.acquire:.3g} s")
        if self.pointing is not None and self.pointing.high is not None:
            words.append(f"{self.pointing.low:.1f} to {self.pointing.high:.1f} deg off the light")
        return ", ".join(words)


def track(
    log: CleanLog,
    law: AngleLaw | Callable[[float], AngleLaw] | None = None,
    facing: FacingPower | None = None,
    drive: Drive | None = None,
    *,
    u_angle: float = 1.0,
    tilt_is: str | None = None,
    unit_said: frozenset[str] = frozenset(),
) -> Tracking:
    """Judge a log of a panel that turns towards a light.

    Parameters
    ----------
    log : CleanLog
        From `ivkit.verdict.log.clean`.
    law : AngleLaw or callable, optional
        Power against angle of this panel on its load, from `ivkit.predict.angle_law`; or a
        function that makes it for a facing power (W), which is then the stated one or, without
        one, the steady power of the log itself.
    facing : FacingPower, optional
        Power when it faces this light.
    drive : Drive, optional
    u_angle : float
        Standard uncertainty of a turn read from the log's angles, deg.
    tilt_is : str, optional
        ``"panel"`` or ``"elevation"``, see `ivkit.verdict.turning.turn`.
    unit_said : frozenset of str
        Angles whose unit is sure.

    Raises
    ------
    SweepError
        The log is shorter than the settling time, or never holds still.
    RangeError
        Angles that can only be radians.

    Examples
    --------
    >>> from ivkit.verdict.log import clean
    >>> time = np.arange(300.0)
    >>> power = np.where(time < 20, 0.005, 0.45) + 1e-4 * np.cos(time**2)
    >>> law = AngleLaw.of(lambda aoi: np.cos(np.radians(aoi)) ** 2)
    >>> print(track(clean(time, power), law, FacingPower(0.5, 0.005)))
    log: 0.45 W, settled after 1 s, 16.7 to 20.1 deg off the light
    """
    refuse_radians(log, unit_said)
    found = settle(log)
    off = disturbed(log, found)
    steady = _steady(log, found, off)
    if callable(law):
        law = law(steady.value if facing is None else facing.power)
    first = _first(log, found)
    last_part = slice(found.settled, None)
    turned, away = turn(log, slice(0, max(found.leaves, 1)), last_part, tilt_is)
    pointing, at_least = _pointing(log, found, steady, law, facing)
    risen = None
    if first is not None:
        risen = rise(first, steady, turned, pointing, law, u_angle)
    return Tracking(
        log=log,
        settling=found,
        first=first,
        steady=steady,
        acquire=float(log.time[found.settled] - log.time[max(found.leaves - 1, 0)])
        if found.moved and found.leaves
        else float(log.time[found.settled] - log.time[0])
        if found.moved
        else None,
        starts_moving=found.moved and found.leaves == 0,
        off=off,
        disturbances=disturbances(log, found, off, facing, law),
        hunting=_hunting(log, found, off, law, facing),
        facing=facing,
        pointing=pointing,
        at_least=at_least,
        turned=turned,
        away=away,
        rise=risen,
        overshoot_deg=_beyond(log, found),
        energy=energy_of(log, found, first, steady, drive),
        law=law,
        unknown=_unknown(law, facing, pointing, turned, risen, log),
    )


def _steady(log: CleanLog, found: Settling, off: NDArray[np.bool_]) -> Mean:
    """Return the mean of the steady state; refuse one that wanders as a whole."""
    power = log.power[found.settled :]
    clear = power if not off.any() else power[~off]
    if abs(found.drift) > 3 * found.u_drift:
        time = log.time[found.settled :]
        time = time if clear is power else time[~off]
        clear = clear - found.drift * (time - time.mean())
    mean = mean_of(clear, _step(power))
    if mean.n_effective < 6 and found.spread > 0.02 * abs(found.level):
        raise SweepError(
            f"the power never holds still: in the last {log.time[-1] - log.time[found.settled]:.3g}"
            f" s it wanders by {found.spread / abs(found.level):.0%}",
            log.name,
            "record until it has settled, or cut out steady light with --from and --to",
        )
    return mean


def _first(log: CleanLog, found: Settling) -> Mean | None:
    """Return the mean power before the panel moves, or its first readings if it starts moving."""
    if not found.moved:
        return None
    count = found.leaves if found.leaves >= 5 else min(3, found.settled)
    return mean_of(log.power[:count], _step(log.power))


def _step(power: Array) -> float:
    """Return the step of the last digit, from the smallest difference of a sample."""
    distinct = np.unique(power[:4000])
    return float(np.min(np.diff(distinct))) if distinct.size > 1 else 0.0


def _pointing(
    log: CleanLog, found: Settling, steady: Mean, law: AngleLaw | None, facing: FacingPower | None
) -> tuple[Pointing | None, float | None]:
    """Return the pointing error, or else the least that the log's own best moment implies."""
    if law is None:
        return None, None
    if facing is not None:
        return pointing_error(steady, facing, law), None
    if found.overshoot <= 0 or found.level <= found.first_level:
        return None, None
    best = found.level + found.overshoot
    at_least = pointing_error(steady, FacingPower(best, found.spread, "the log's best moment"), law)
    return None, at_least.low if at_least.low else None


def _hunting(
    log: CleanLog,
    found: Settling,
    off: NDArray[np.bool_],
    law: AngleLaw | None,
    facing: FacingPower | None,
) -> Hunt | None:
    part = slice(found.settled, None)
    time, power = log.time[part], log.power[part]
    if off.any():
        time, power = time[~off], power[~off]
    swing = find_swing(time, power)
    # Half a thousandth of the power is nothing that anybody can mend.
    if swing is None or swing.size < max(5e-4 * abs(found.level), 3 * swing.u):
        return None
    degrees, interval = None, None
    if law is not None:
        mean = float(power.mean())
        top = facing.power if facing is not None else mean + swing.high
        u_top = facing.u if facing is not None else 0.0
        ends = [
            [_angle_of((mean + end) / (top + k * u_top), law) for end in (swing.high, swing.low)]
            for k in (0.0, *np.linspace(-1.96, 1.96, 9))
        ]
        degrees = (ends[0][0], ends[0][1])
        sizes = [low - high for high, low in ends]
        interval = (min(sizes), max(sizes))
    moves, measured = None, None
    for values in log.angles.values():
        angle = values[part][~off] if off.any() else values[part]
        if not np.isfinite(angle).all():
            continue
        moves = bool(moves)
        sway = find_swing(time, angle) if np.ptp(angle) > 0 else None
        if sway is None:
            continue
        # Past the best direction and back, the power swings twice for each swing of the angle.
        for times in (1, 2):
            slack = 0.05 * swing.period + 3 * (swing.u_period + sway.u_period)
            if abs(sway.period / times - swing.period) < slack:
                moves, measured = True, max(measured or 0.0, sway.size)
    return Hunt(swing, degrees, interval, facing is None, moves, measured)


def _angle_of(share: float, law: AngleLaw) -> float:
    """Return the smallest angle off the light with a share of the facing power, deg."""
    below = np.flatnonzero(law.ratio <= share)
    if not below.size or below[0] == 0:
        return 0.0 if below.size else 90.0
    k = int(below[0])
    return float(np.interp(share, law.ratio[[k, k - 1]], law.aoi[[k, k - 1]]))


def _beyond(log: CleanLog, found: Settling) -> float | None:
    """Return how far the angles went beyond where they settled, in the sense of the turn."""
    if not found.moved or not log.angles:
        return None
    furthest = None
    for name, values in log.angles.items():
        if name == "angle" and np.nanmin(values) >= 0:
            continue  # a scale without sign shows no going beyond
        last, start = values[found.settled :], values[: max(found.leaves, 1)]
        if not (np.isfinite(last).all() and np.isfinite(values[: found.settled]).any()):
            continue
        middle = float(np.median(last))
        sense = np.sign(middle - float(np.nanmedian(start)))
        if sense == 0:
            continue
        before = sense * (values[: found.settled] - middle)
        beyond = float(np.nanmax(before))
        within = float(np.max(sense * (last - middle)))
        furthest = max(furthest or 0.0, beyond if beyond > within else 0.0)
    return furthest


def _unknown(
    law: AngleLaw | None,
    facing: FacingPower | None,
    pointing: Pointing | None,
    turned: Turn,
    risen: Rise | None,
    log: CleanLog,
) -> tuple[tuple[str, str], ...]:
    """Return what cannot be told, each with what to record or give."""
    unknown = []
    if law is None:
        unknown.append(
            (
                "the pointing error and the swing in degrees",
                "give the panel's curve (--sweep or --datasheet) and its load (--load or "
                "--max-power)",
            )
        )
    elif facing is None:
        unknown.append(
            (
                "the pointing error",
                "hold the panel by hand so that its power is greatest, and give that power as "
                "--facing-power",
            )
        )
    elif pointing is not None and pointing.aoi is None:
        unknown.append((f"the pointing error: {pointing.reason}", "check --facing-power"))
    if risen is not None and risen.verdict == UNDETERMINED:
        what, _, remedy = risen.reason.partition("; ")
        if not remedy:
            what, _, remedy = risen.reason.partition(": ")
        unknown.append((f"whether the rise fits the turn: {what}", remedy))
    if not log.angles:
        unknown.append(
            (
                "what the drive did, and so whether a swing is hunting or flicker",
                "log pan and tilt beside the power",
            )
        )
    return tuple(unknown)
