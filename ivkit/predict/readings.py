"""What was read: values, into which load, in which condition, and how well."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.assumptions import ASSUMED
from ivkit.errors import SweepError
from ivkit.predict.prediction import BOTH, CURRENT, POWER, VOLTAGE
from ivkit.predict.scene import At
from ivkit.readings.sweep import Effect

Array = NDArray[np.float64]

CHANNELS = ("voltage", "current", "power")


@dataclass(frozen=True)
class Readings:
    """Readings; make them with `of`.

    Attributes
    ----------
    voltage, current, power : ndarray, shape (N,), or None
        V, A, W as read, NaN where blank. Power counts only where voltage and current are not both
        there.
    stated : ndarray, shape (N,)
        Load as stated, ohm; 0 for short circuit, infinite for open, -1 where nobody says.
    angle, light, warmer, distance
        As in `At`.
    u : float
        Standard uncertainty of each voltage, current and power on its own, as a fraction.
    u_load : float
        Of each stated load, as a fraction.
    step : mapping of str to float
        Last digit of each channel, V, A, W.
    noise : mapping of str to ndarray, shape (N,)
        In place of ``u``: of each reading of a channel on its own, V, A or W.
    effects : sequence of Effect
        Of the front end, on voltage and current: they shift many readings together.
    """

    voltage: Array | None
    current: Array | None
    power: Array | None
    stated: Array
    angle: Array
    light: Array
    warmer: Array
    distance: Array | None
    u: float = ASSUMED["reading"].u_fraction
    u_load: float = ASSUMED["load resistor"].u_fraction
    step: Mapping[str, float] = field(default_factory=dict)
    noise: Mapping[str, Array] = field(default_factory=dict)
    effects: Sequence[Effect] = ()

    @classmethod
    def of(
        cls,
        *,
        voltage: ArrayLike | None = None,
        current: ArrayLike | None = None,
        power: ArrayLike | None = None,
        load: ArrayLike | None = None,
        angle: ArrayLike = 0.0,
        light: ArrayLike = 1.0,
        warmer: ArrayLike = 0.0,
        distance: ArrayLike | None = None,
        **more: Any,
    ) -> "Readings":
        """Return readings of values that broadcast; numbers stand for one reading.

        Parameters
        ----------
        load : array_like, optional
            ohm; NaN for maximum power. Voltage over current where it is not given.

        Raises
        ------
        SweepError
            No reading has a voltage, a current or a power; no load where there must be one; power
            alone, and of open and short circuits.
        """
        told = [x for x in (voltage, current, power) if x is not None]
        if not told or not any(np.any(np.isfinite(np.asarray(x, dtype=float))) for x in told):
            raise SweepError("no voltage, current or power to check")
        if load is None and (voltage is None or current is None):
            raise SweepError(
                "no load is stated, and voltage and current are not both there to tell it",
                remedy="state it: ohm, open, short, or max for maximum power",
            )
        ends = load is not None and np.all(np.isin(np.asarray(load, dtype=float), (0.0, np.inf)))
        if ends and voltage is None and current is None:
            raise SweepError(
                "an open or short circuit takes no power",
                remedy="give the voltage of an open circuit, the current of a short one",
            )
        load = -1.0 if load is None else load
        given = (voltage, current, power, load, angle, light, warmer, distance)
        arrays = [None if x is None else np.asarray(x, dtype=float) for x in given]
        shape = np.broadcast_shapes((1,), *(x.shape for x in arrays if x is not None))
        return cls(
            *(None if x is None else np.broadcast_to(x, shape).copy() for x in arrays), **more
        )

    def __len__(self) -> int:
        return len(self.angle)

    @property
    def observed(self) -> tuple[str, ...]:
        """What is compared: voltage and current, one of them, or power."""
        told = tuple(n for n in ("voltage", "current") if getattr(self, n) is not None)
        return (*told, "power") if len(told) < 2 and self.power is not None else told

    @property
    def load(self) -> Array | None:
        """Stated loads; None where nobody says any."""
        return None if np.all(self.stated == -1.0) else self.stated

    @cached_property
    def ratio(self) -> Array:
        """Voltage over current, of either sign alike, ohm; NaN where they do not tell it."""
        if self.voltage is None or self.current is None:
            return np.full(len(self), np.nan)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return np.abs(self.voltage / self.current)

    @cached_property
    def given(self) -> NDArray[np.str_]:
        """What the power of each reading is worked out of."""
        given = np.full(len(self), POWER, dtype="U20")
        v, i = (
            np.zeros(len(self), bool) if x is None else np.isfinite(x)
            for x in (self.voltage, self.current)
        )
        given = np.where(v & ~i, VOLTAGE, np.where(i & ~v, CURRENT, given))
        return np.where(v & i, BOTH, given)

    @cached_property
    def resistor(self) -> NDArray[np.bool_]:
        """Whether a resistor is stated: no open end, no short circuit, no maximum power."""
        return np.isfinite(self.stated) & (self.stated > 0)

    @cached_property
    def by_ratio(self) -> NDArray[np.bool_]:
        """Whether the load of a reading is taken from its own voltage and current."""
        told = np.isfinite(self.ratio) & (self.ratio > 0)
        return (self.stated == -1.0) & ~np.isnan(self.ratio) | self.resistor & told

    @cached_property
    def at(self) -> At:
        """Where the readings are predicted: at V/I where both are read, else at the stated load.

        What V/I is uncertain by comes with voltage and current.
        """
        load = np.where(self.by_ratio, self.ratio, self.stated)
        return self._at(load, np.where(self.by_ratio, 0.0, self.u_load))

    @cached_property
    def at_stated(self) -> At:
        """The same at the stated load, where there is one."""
        free = self.stated == -1.0
        return self._at(np.where(free, self.ratio, self.stated), np.where(free, 0.0, self.u_load))

    def _at(self, load: Array, u_load: Array) -> At:
        load = np.where(load == -1.0, np.nan, load)
        return At(load, self.angle, self.light, self.warmer, self.distance, u_load)

    def own(self, name: str) -> Array:
        """Return the standard uncertainty of each reading of a channel on its own, V, A or W."""
        read = getattr(self, name)
        if name in self.noise:
            return self.noise[name]
        return np.hypot(self.u * np.abs(read), self.step.get(name, 0.0))

    @cached_property
    def u_ratio(self) -> Array:
        """Standard uncertainty of V/I on its own, as a fraction."""
        if self.voltage is None or self.current is None:
            return np.zeros(len(self))
        parts = []
        for name in ("voltage", "current"):
            read = np.abs(getattr(self, name))
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                parts.append(np.where(read > 0, self.own(name) / read, 0.0))
        return np.minimum(np.nan_to_num(np.hypot(*parts)), 0.5)

    def select(self, which: Any) -> "Readings":
        """Return some of the readings, by index or mask."""
        names = (*CHANNELS, "stated", "angle", "light", "warmer", "distance")
        cut = {n: getattr(self, n)[which] for n in names if getattr(self, n) is not None}
        noise = {name: values[which] for name, values in self.noise.items()}
        effects = tuple(replace(e, dv=e.dv[which], di=e.di[which]) for e in self.effects)
        return replace(self, **cut, noise=noise, effects=effects)
