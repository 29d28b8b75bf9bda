"""What an estimate finds: quantities, the inputs adjusted with them, how well readings agree."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from ivkit.predict import score
from ivkit.predict.off import Off
from ivkit.predict.prediction import worked_out
from ivkit.predict.readings import Readings
from ivkit.predict.scene import At, Scene
from ivkit.predict.unknowns import HIGH, LIGHT, ZERO, change_of

Array = NDArray[np.float64]

_PART = 0.1  # of a standard uncertainty, for a slope
_MOST_OFF = 5.0  # standard uncertainties, beyond which the panel itself is not moved


@dataclass(frozen=True)
class Estimate:
    """What readings tell.

    Attributes
    ----------
    scene : Scene
        Free quantities as stated, their own inputs left out.
    readings : Readings
    best, before : ndarray, shape (5,)
        `UNKNOWNS` as found, whether resolved or not, in their measure; and the same but for those
        of which something was known, as they were known.
    values : dict of str to UFloat
        Free quantities: light and load as a factor of the scene's, zero in deg, stray light as a
        fraction, temperature in K more. Each has a variable for each input.
    intervals : dict of str to (float, float)
        Their 95 % intervals.
    unresolved : tuple of str
        Those that the readings do not tell; ``stray`` where none of it is seen.
    stray_below : float
        The most stray light that the readings allow at 95 %, as a fraction.
    names : tuple of str
        Inputs: those of the scene, then loads that several readings share.
    shifts, u_shifts : ndarray, shape (K,)
        Inputs as the readings have them, and what they are still uncertain by, in u: the
        conditional normal distribution (JCGM 100:2008, F.1.2).
    read, prior, adjusted : ndarray, shape (N,)
        What was compared, V, A or W; the same as predicted: free quantities as they were known, or
        as found where they were not, with inputs at their estimates; and all as found.
    u_own : ndarray, shape (N,)
        Standard uncertainty of each reading on its own, its angle's included.
    en : ndarray, shape (N,)
        E_n number of each reading against the adjusted one (ISO 13528:2022, 9.7).
    chi_square, freedom
        And how many readings and known quantities are left to agree.
    pulls : dict of str to (float, float)
        Of free quantities of which something was known: shift, and what is left of u, in u.
    moving : ndarray of int
        Which of `UNKNOWNS` are free and not at a bound.
    covariance : ndarray
        Of those, in their measure, then of the inputs, in u.
    loads : tuple of float
        Stated loads that several readings share, ohm.
    quantities : tuple of str
        What was compared: voltage, current or power.
    """

    scene: Scene
    readings: Readings
    best: Array
    before: Array
    values: dict[str, Any]
    intervals: dict[str, tuple[float, float]]
    unresolved: tuple[str, ...]
    stray_below: float
    names: tuple[str, ...]
    shifts: Array
    u_shifts: Array
    read: Array
    prior: Array
    adjusted: Array
    u_own: Array
    en: Array
    chi_square: float
    freedom: int
    pulls: dict[str, tuple[float, float]]
    moving: Array
    covariance: Array
    loads: tuple[float, ...]
    quantities: tuple[str, ...]

    @property
    def limit(self) -> float:
        """Most chi-square of readings without a fault, in all but `score.FALSE_ALARM` of tables."""
        return float(chdtri(self.freedom, score.FALSE_ALARM))

    @property
    def agrees(self) -> bool:
        """Whether readings and what was known agree."""
        return self.chi_square <= self.limit

    @property
    def worst(self) -> int:
        """Which reading is furthest off."""
        return int(np.argmax(np.abs(self.en)))

    @property
    def verdict(self) -> str:
        """Too high or too low where the light alone is off; else plausible or inconsistent."""
        if self.agrees:
            return score.PLAUSIBLE
        en = self.en_of("light")
        if en is not None and abs(en) > 1.0 and self.chi_square - 4.0 * en**2 <= self.limit:
            return score.HIGH if en > 0 else score.LOW
        return score.INCONSISTENT

    def en_of(self, name: str) -> float | None:
        """Return E_n of a free quantity against what was known of it; None where nothing was."""
        if name not in self.pulls:
            return None
        shift, left = self.pulls[name]
        told = np.sqrt(max(1.0 - left**2, 1e-12))
        return float(shift / (2.0 * told))

    @cached_property
    def adjustments(self) -> dict[str, tuple[float, float]]:
        """Shift and what is left of u of inputs that moved by 0.1 u or that the readings tell."""
        pairs = zip(self.names, zip(self.shifts, self.u_shifts, strict=True), strict=True)
        found = {n: (float(s), float(u)) for n, (s, u) in pairs} | self.pulls
        told = {n: p for n, p in found.items() if abs(p[0]) > 0.1 or p[1] < 0.9}
        return dict(sorted(told.items(), key=lambda item: -abs(item[1][0])))

    @property
    def irradiance(self) -> Any:
        """Effective irradiance facing the light, W/m2, as an uncertain number."""
        factor = self.values.get("light", float(np.exp(self.best[LIGHT])))
        return factor * self.scene.light.irradiance

    @property
    def zero(self) -> float:
        """Zero of the scale, deg, resolved or not."""
        return float(self.best[ZERO])

    def load(self, ohm: float) -> tuple[float, float]:
        """Return a stated load as the readings have it, and its standard uncertainty, ohm."""
        u = self.readings.u_load
        if ohm not in self.loads:
            return ohm, ohm * (u if np.isfinite(ohm) else 0.0)
        k = len(self.scene.names) + self.loads.index(ohm)
        return ohm * (1.0 + u * float(self.shifts[k])), ohm * u * float(self.u_shifts[k])

    def power_at(self, at: At, *, adjusted: bool = True, given: Any = "") -> Array:
        """Return the power, W, shape (N,), as found, the inputs adjusted or at their estimates.

        ``at`` counts angles as the scale does. The power is that which would be worked out of what
        ``given`` says is read (`ivkit.predict.prediction`) at the stated load.
        """
        x = self.best if adjusted else self.before
        rows = self._rows(at, x[None], self._amounts(adjusted), adjusted)
        return worked_out(rows, at.load, np.broadcast_to(np.asarray(given), at.load.shape))[0]

    def operate(self, at: At, *, adjusted: bool = True) -> tuple[Array, Array, Array]:
        """Return voltage (V), current (A) and standard uncertainty of the power (W), shape (N,).

        Uncertain by what the readings leave of the unknowns and of the inputs.
        """
        amounts, count = self._amounts(adjusted), len(self.scene.names)
        here = self._rows(at, self.best[None], amounts, adjusted)
        voltage, current = here["voltage"][0], here["current"][0]
        power, moving = voltage * current, self.moving
        x = np.tile(self.best, (len(moving) + count, 1))
        off = np.tile(amounts, (len(x), 1))
        steps = _PART * np.sqrt(np.diag(self.covariance)[: len(moving)])
        inward = np.where(self.best[moving] + steps > HIGH[moving], -steps, steps)
        x[np.arange(len(moving)), moving] += inward
        off[len(moving) + np.arange(count), np.arange(count)] += _PART
        rows = self._rows(at, x, off, adjusted)
        moves = rows["voltage"] * rows["current"] - power
        moves = moves / np.concatenate([inward, np.full(count, _PART)])[:, None]
        by_load = []
        for ohm in self.loads:
            mine, part = at.load == ohm, _PART * self.readings.u_load
            more = self._rows(at, self.best[None], amounts, adjusted, 1.0 + part)
            change = more["voltage"][0] * more["current"][0] - power
            by_load.append(np.where(mine, change / _PART, 0.0))
        moves = np.concatenate([moves, np.reshape(by_load, (-1, len(at)))])
        variance = np.einsum("in,ij,jn->n", moves, self.covariance, moves)
        return voltage, current, np.sqrt(np.maximum(variance, 0.0))

    def _amounts(self, adjusted: bool) -> Array:
        """Return how far the scene's inputs are off, in standard uncertainties, shape (1, K)."""
        shifts = np.clip(self.shifts[: len(self.scene.names)], -_MOST_OFF, _MOST_OFF)
        return (shifts if adjusted else 0.0 * shifts)[None]

    def _rows(
        self, at: At, x: Array, amounts: Array, adjusted: bool, times: float = 1.0
    ) -> dict[str, Array]:
        load = at.load
        if adjusted:
            load = np.array([self.load(float(ohm))[0] for ohm in load])
        moved, change = Off(self.scene.names, amounts), change_of(self.scene, x)
        return self.scene.solve(at, moved, change, load=load * times)
