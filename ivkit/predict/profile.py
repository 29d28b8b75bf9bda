"""Where the profile of chi-square has risen by so much: the ends of intervals."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.predict.unknowns import HIGH, LOW, SCALE, Task
from ivkit.predict.weighting import Weighting

Array = NDArray[np.float64]

_RISE_FTOL = 1e-5  # of chi-square, whose root has to rise by 2
_RISE_NEAR = 0.01  # of the rise, which an end of an interval may miss
_FAR = 5.0  # times its uncertainty, from where a misfit says that something else is wrong


class Profile:
    """The profile of chi-square about the best unknowns.

    Parameters
    ----------
    task : Task
    x : ndarray, shape (5,)
        The best unknowns.
    weighting : Weighting
    cost : float
        Chi-square there.
    moving : ndarray of int, shape (M,)
        Free unknowns that are not at a bound.
    covariance : ndarray, shape (M, M)
        Of them.
    enlarge : float
        Times which uncertainties are taken.
    """

    def __init__(
        self,
        task: Task,
        x: Array,
        weighting: Weighting,
        cost: float,
        moving: Array,
        covariance: Array,
        enlarge: float,
    ) -> None:
        self.task, self.x, self.weighting, self.cost = task, x, weighting, cost
        self.moving, self.covariance, self.enlarge = moving, covariance, enlarge
        scaled = covariance / np.outer(SCALE[moving], SCALE[moving])
        sizes = np.linalg.eigvalsh(scaled) if len(moving) else np.ones(1)
        self.apart = bool(sizes[0] > 1e-10 * sizes[-1])  # unknowns, of each other
        self._known: dict[int, dict[float, tuple[float, Any]]] = {}

    def ends(self, freedom: int) -> dict[int, tuple[float, float]]:
        """Return the 95 % intervals of the free unknowns."""
        from ivkit.curve.uncertainty import coverage_factor

        z = coverage_factor(np.inf if self.enlarge == 1.0 else freedom) * self.enlarge
        return {int(k): (self.end(k, -z), self.end(k, z)) for k in self.task.free}

    def end(self, k: int, z: float) -> float:
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
        """Return the root of what chi-square rises by where one unknown is held at a value."""
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
        # What an input does on the way from here to there, rather than here: a load near the knee
        # bends the way.
        task = self.task
        middle = np.clip(0.5 * (along + self.x), LOW, HIGH)
        weighting = replace(self.weighting, moves=task.shared(middle))
        apart = np.append(weighting.white(task.model(self.x) - task.read), task.pulled(self.x))
        others = task.free[task.free != k]
        there, cost = task.solve(start, weighting, others, _RISE_FTOL)
        root = float(np.sqrt(max(cost - float(apart @ apart), 0.0)))
        known[value] = root, there
        return root
