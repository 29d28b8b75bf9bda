"""Do readings of a turned panel fit angle, load and curve, and what do they tell on the way.

Three things nobody knows beforehand: what the scale shows when the panel faces the light, which
share of the light does not turn with the panel, and how much light there is. They are fitted to
what was read (V, I or P), by least squares with the exact curve. Each reading is weighted by its
own scatter, that of its angle included (effective variance). What all readings share - the load's
tolerance, the panel's curve, its temperature, its glass - enters as covariance, by what one
standard uncertainty of it does, so it is not averaged down, and it stays a cause of its own in the
result (JCGM 100:2008, 5.2 and F.1.2; generalised least squares).

Intervals are those of the profile of chi-square, which hold where a parameter is hardly resolved
or sits at its bound (Cowan, Statistical Data Analysis, 1998, 9.7).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat

from ivkit.errors import RangeError, SweepError
from ivkit.verdict.angle_readings import AngleReadings
from ivkit.verdict.angle_solver import (
    HIGH,
    LARGEST_ZERO,
    LIGHT,
    LOW,
    SCALE,
    STRAY,
    ZERO,
    AngleTask,
    Weighting,
)
from ivkit.verdict.score import en_number
from ivkit.verdict.turned import Turned

Array = NDArray[np.float64]

#: Of chi-square, and of the reading that is furthest off: readings without a fault are beyond one
#: of them in 2 of 100.
SURE = 0.99
#: Not resolved: a 95 % interval that is wider to one side; logarithm of the light, and deg.
_TOO_WIDE = (0.7, 10.0)
_RISE_FTOL = 1e-5  # of chi-square, whose root has to rise by 2
_RISE_NEAR = 0.01  # of the rise, which an end of an interval may miss
_FAR = 5.0  # times its doubt, from where a misfit says that something else is wrong
_ONE_SIDED = 1.645  # 95 % of a normal distribution


@dataclass(frozen=True)
class AngleFit:
    """What readings over the angle tell.

    Attributes
    ----------
    zero : UFloat or None
        What the scale shows when the panel faces the light, deg; None where not resolved.
    stray : UFloat or None
        Share of the facing light that does not turn with the panel; None where none of it is
        seen, and ``stray_below`` says how much there can be.
    stray_below : float
        The largest share that the readings allow at 95 %.
    irradiance : UFloat
        Effective, facing the light, W/m2, or with ``relative`` in percent of that of the sweep
        that the panel is known by. Each result has a variable for each cause.
    best : tuple of float
        Irradiance, zero and stray share of the best fit, resolved or not.
    intervals : dict of str to (float, float)
        95 % interval of ``irradiance``, ``zero`` and ``stray``, where fitted.
    unresolved : tuple of str
        Which of them the readings do not tell.
    predicted, u_predicted : ndarray, shape (N,)
        Power of the fit at each reading, W, and its standard uncertainty by what the readings
        share, W.
    en : ndarray, shape (N,)
        E_n number of each reading against the fit (ISO 13528:2022, 9.7), what both share
        taken out: beyond 1 in size it is off by more than twice its standard uncertainty.
    chi_square, limit : float
        And the largest that readings without a fault have in 99 of 100.
    freedom : int
    light_en : float or None
        E_n number of the light against that of the sweep, where both ought to be the same; None
        where that was not asked.
    agrees : bool
        Whether the readings scatter about the fit as their uncertainties say, in the light that
        there ought to be.
    relative : bool
        Irradiance counts in percent of the light of the sweep.
    """

    zero: UFloat | None
    stray: UFloat | None
    stray_below: float
    irradiance: UFloat
    best: tuple[float, float, float]
    intervals: dict[str, tuple[float, float]]
    unresolved: tuple[str, ...]
    predicted: Array
    u_predicted: Array
    en: Array
    chi_square: float
    limit: float
    freedom: int
    light_en: float | None
    agrees: bool
    relative: bool = False

    @property
    def light_of_sweep(self) -> UFloat | None:
        """Light facing, over that of the sweep; None where the sweep's is known in W/m2."""
        return self.irradiance / 100.0 if self.relative else None

    @property
    def watts_per_m2(self) -> UFloat | None:
        """Effective irradiance facing, W/m2; None where nobody stated that of the sweep."""
        return None if self.relative else self.irradiance


def fit_angles(
    turned: Turned,
    readings: AngleReadings,
    irradiance: float | None = None,
    zero: float | None = None,
    stray: float | None = None,
    doubts: Mapping[str, Turned] | None = None,
    u_same_light: float | None = None,
) -> AngleFit:
    """Fit the zero of the scale, the stray light and the irradiance to readings.

    Parameters
    ----------
    turned : Turned
    readings : AngleReadings
    irradiance, zero, stray : float, optional
        Held at this value (W/m2, deg, share) instead of fitted.
    doubts : mapping of str to Turned, optional
        The same panel with one thing one standard uncertainty off, by the name of the thing; what
        is one in the budget has a number behind its name (``noise of the sweep 2``).
    u_same_light : float, optional
        Where the panel is known by a sweep in this very light: how well that stayed the same, as
        a relative standard uncertainty. The light found is then judged against it. For a panel
        with ``relative``.

    Raises
    ------
    SweepError
        Fewer readings than unknowns, or none that is above zero.
    RangeError
        Readings that no zero within 40 deg explains.
    """
    held = (None if irradiance is None else float(np.log(irradiance)), zero, stray)
    free = np.array([k for k, value in enumerate(held) if value is None], dtype=int)
    count = len(readings)
    if count <= len(free):
        raise SweepError(
            f"{count} readings for {len(free)} unknowns",
            readings.name,
            "take more angles, or state --zero, --stray or --irradiance",
        )
    if not np.nanmax(readings.value) > 0:
        raise SweepError("no reading is above zero", readings.name, "check columns and units")
    task = AngleTask(turned, readings, free, dict(doubts or {}))
    x, weighting, cost = task.best(np.array([0.0 if h is None else h for h in held]))
    if ZERO in free and abs(x[ZERO]) > 0.98 * LARGEST_ZERO:
        raise RangeError(
            f"no zero of the scale within {LARGEST_ZERO:g} deg explains the readings",
            readings.name,
            "check that the angle is counted from facing the light, in deg",
        )
    return _Told(task, x, weighting, cost, u_same_light).fit()


class _Told:
    """What the best fit says: estimates with their causes, intervals, agreement."""

    def __init__(
        self,
        task: AngleTask,
        x: Array,
        weighting: Weighting,
        chi_square: float,
        u_same_light: float | None,
    ) -> None:
        from scipy.special import chdtri, ndtri

        self.task, self.x, self.weighting, self.chi_square = task, x, weighting, chi_square
        readings, free = task.readings, task.free
        self.freedom = len(readings) - len(free)
        self.limit = float(chdtri(self.freedom, 1.0 - SURE))
        # A parameter at its bound does not move.
        inside = (x > LOW + 1e-6) & (x < HIGH - 1e-6)
        self.moving = free[inside[free]]
        jacobian = task.jacobian(x, self.moving)
        white = weighting.white(jacobian)
        sizes = np.linalg.svd(white * SCALE[self.moving], compute_uv=False)
        self.apart = bool(len(sizes) and sizes[-1] > 1e-5 * sizes[0])  # parameters, of each other
        self.gain = np.linalg.pinv(white, rcond=1e-9)
        self.covariance = self.gain @ self.gain.T
        self.seen = task.model(x)
        apart = readings.value - self.seen
        explained = np.einsum("ij,jk,ik->i", jacobian, self.covariance, jacobian)
        total = weighting.total
        # What the fit has adapted to is no longer free to differ; a tenth of it always is.
        self.en = apart / (2.0 * np.sqrt(np.maximum(total - explained, 0.1 * weighting.variance)))
        furthest = -ndtri((1.0 - SURE) / (2.0 * len(readings)))
        self.agrees = bool(chi_square <= self.limit and 2.0 * np.max(np.abs(self.en)) <= furthest)
        ratio = max(chi_square / self.freedom, 1.0)
        kept = readings.stated and self.agrees
        self.enlarge = 1.0 if kept or ratio <= 1.0 else float(np.sqrt(ratio))
        self.u_same_light = u_same_light
        self._known: dict[int, dict[float, tuple[float, Any]]] = {}

    def fit(self) -> AngleFit:
        """Return the result."""
        from ivkit.curve.uncertainty import coverage_factor

        task, x = self.task, self.x
        z = coverage_factor(np.inf if self.enlarge == 1.0 else self.freedom) * self.enlarge
        ends = {int(k): (self._end(k, -z), self._end(k, z)) for k in task.free}
        unresolved = [
            name
            for name, k in (("irradiance", LIGHT), ("zero", ZERO))
            if k in ends and not max(np.abs(np.array(ends[k]) - x[k])) <= _TOO_WIDE[k]
        ]
        unseen = STRAY in ends and not ends[STRAY][0] > 0.0
        if unseen:
            unresolved.append("stray")
        value = self._uncertain()
        below = x[STRAY]
        if STRAY in ends:
            below = self._end(STRAY, _ONE_SIDED * self.enlarge)
        light = value[LIGHT] * float(np.exp(x[LIGHT])) + float(np.exp(x[LIGHT]))
        names = {LIGHT: "irradiance", ZERO: "zero", STRAY: "stray"}
        intervals = {names[k]: (float(a), float(b)) for k, (a, b) in ends.items()}
        if LIGHT in ends:
            intervals["irradiance"] = tuple(float(np.exp(end)) for end in ends[LIGHT])
        power = partial(task.readings.in_watts, self.seen)
        light_en = None
        if self.u_same_light is not None and task.turned.relative:
            light_en = en_number(light / 100.0, ufloat(1.0, self.u_same_light, "same light"))
        return AngleFit(
            None if "zero" in unresolved else value[ZERO] + float(x[ZERO]),
            None if unseen else value[STRAY] + float(x[STRAY]),
            float(min(below, 1.0)),
            light,
            (float(np.exp(x[LIGHT])), float(x[ZERO]), float(x[STRAY])),
            intervals,
            tuple(unresolved),
            power(),
            np.sqrt(np.sum(power(self.weighting.moves) ** 2, axis=0)),
            self.en,
            self.chi_square,
            self.limit,
            self.freedom,
            light_en,
            self.agrees and (light_en is None or abs(light_en) <= 1.0),
            task.turned.relative,
        )

    def _uncertain(self) -> list[Any]:
        """Return what moves each parameter: a variable for each cause, and those of the noise."""
        moved = [0.0 * ufloat(0.0, 1.0) for _ in range(3)]
        if not len(self.moving):
            return moved
        gain = self.weighting.unwhiten_gain(self.gain)
        noise = (gain * self.weighting.variance) @ gain.T * self.enlarge**2
        sizes, vectors = np.linalg.eigh(noise)
        for size, vector in zip(sizes, vectors.T, strict=True):
            cause = ufloat(0.0, 1.0, "noise")
            for k, part in zip(self.moving, vector, strict=True):
                moved[k] = moved[k] + float(np.sqrt(max(size, 0.0)) * part) * cause
        for name, shift in self.weighting.shared.items():
            cause = ufloat(0.0, 1.0, re.sub(r" \d+$", "", name))
            for k, part in zip(self.moving, gain @ shift, strict=True):
                moved[k] = moved[k] + float(part) * cause
        return moved

    def _end(self, k: int, z: float) -> float:
        """Return where the root of chi-square has risen by |z|, above or below the estimate.

        The bound, where it is not reached before. Of readings that are far from agreeing, that of
        the parabola, or the bound where there is none: their profile is one of nothing.
        """
        bound = float(HIGH[k] if z > 0 else LOW[k])
        x = float(self.x[k])
        if abs(bound - x) < 1e-6:
            return bound
        place = int(np.flatnonzero(self.moving == k)[0]) if k in self.moving else None
        if place is not None and not self.covariance[place, place] > 0:
            place = None  # it moves no reading here, as the zero where every angle is the same
        u = SCALE[k] if place is None else float(np.sqrt(self.covariance[place, place]))
        if self.enlarge > _FAR:
            told = place is not None and self.apart
            return float(np.clip(x + z * u, LOW[k], HIGH[k])) if told else bound

        def missing(value: float) -> float:
            more = self._risen(k, value, place) - abs(z)
            return 0.0 if abs(more) < _RISE_NEAR * abs(z) else more

        known = self._known.setdefault(k, {x: (0.0, self.x)})
        side = sorted((root, value) for value, (root, _) in known.items() if value * z >= x * z)
        if side[-1][0] > abs(z):  # another level of the same profile was asked for
            end = float(np.interp(abs(z), *zip(*side, strict=True)))
        else:
            end = float(np.clip(x + z * u, min(x, bound), max(x, bound)))
        more = missing(end)
        if abs(more) < 0.15 * abs(z):
            # Nearly a parabola: one more step along its chord is enough.
            end = x + (end - x) * abs(z) / (abs(z) + more)
            return float(np.clip(end, LOW[k], HIGH[k]))
        while more < 0.0:
            if end == bound:
                return bound
            end = float(np.clip(x + 1.7 * (end - x), min(x, bound), max(x, bound)))
            more = missing(end)
        from scipy.optimize import brentq

        return float(brentq(missing, x, end, xtol=4e-3 * abs(end - x), rtol=1e-6))

    def _risen(self, k: int, value: float, place: int | None) -> float:
        """Return the root of what chi-square rises by where one parameter is held at a value."""
        known = self._known[k]
        if value in known:
            return known[value][0]
        along = self.x.copy()
        if place is not None:  # where the others go along the parabola
            moves = self.covariance[place] / self.covariance[place, place]
            along[self.moving] += moves * (value - self.x[k])
        along[k] = value
        start = along
        if len(known) > 1:  # or on the line through the two that are nearest
            a, b = sorted(known, key=lambda one: abs(one - value))[:2]
            (_, at_a), (_, at_b) = known[a], known[b]
            start = at_a + (at_b - at_a) * (value - a) / (b - a)
            start[k] = value
        # What a cause does on the way from here to there, rather than here: a load near the knee
        # bends the way.
        middle = np.clip(0.5 * (along + self.x), LOW, HIGH)
        weighting = replace(self.weighting, shared=self.task.shared(middle))
        apart = weighting.white(self.seen - self.task.readings.value)
        others = self.task.free[self.task.free != k]
        there, cost = self.task.solve(start, weighting, others, _RISE_FTOL)
        root = float(np.sqrt(max(cost - float(apart @ apart), 0.0)))
        known[value] = root, there
        return root
