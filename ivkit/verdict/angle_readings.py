"""Readings of a panel that was turned by hand or by a drive: what was read, into which load."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.assumptions import ASSUMED, Assumed
from ivkit.errors import SweepError

Array = NDArray[np.float64]

FLOOR = ASSUMED["noise, of the largest reading"]


def scatter(of_power: bool) -> Assumed:
    """Return what is assumed of each reading on its own where nothing is stated."""
    return ASSUMED["scatter of a power" if of_power else "scatter of a voltage or current"]


@dataclass(frozen=True)
class AngleReadings:
    """Readings over the angle; make them with `of`.

    Attributes
    ----------
    angle : ndarray, shape (N,)
        As on the scale, deg.
    observed : str
        What was read and is compared: ``voltage``, ``current`` or ``power``.
    value : ndarray, shape (N,)
        V, A or W.
    load : ndarray, shape (N,)
        What the panel was loaded with, ohm: as stated, or V over I; NaN for maximum power.
    share : float
        Standard uncertainty of each reading on its own, as a share of it.
    floor : ndarray, shape (N,)
        The same in V, A or W, on top: the last digit, and what does not go with the reading.
    u_load : float
        Standard uncertainty of the stated load as a share, common to all readings; 0 where the
        load is V over I.
    u_angle : float
        Standard uncertainty of each angle on its own, deg.
    load_is_ratio : bool
        The load is V over I of the very readings whose product is ``value``; ``share`` then is
        that of each of the two.
    stated : bool
        Whether the uncertainty of the readings was stated, not taken as usual.
    name : str
        File, for messages.
    """

    angle: Array
    observed: str
    value: Array
    load: Array
    share: float
    floor: Array
    u_load: float = 0.0
    u_angle: float = 0.0
    load_is_ratio: bool = False
    stated: bool = False
    name: str = ""

    @classmethod
    def of(
        cls,
        angle: ArrayLike,
        *,
        voltage: ArrayLike | None = None,
        current: ArrayLike | None = None,
        power: ArrayLike | None = None,
        load: ArrayLike | None = None,
        share: float | None = None,
        floor: float | None = None,
        u_load: float = ASSUMED["load resistor"].u_fraction,
        u_angle: float = ASSUMED["angle set by hand"].u,
        step: Mapping[str, float] | None = None,
        name: str = "",
    ) -> "AngleReadings":
        """Return readings of the angle with voltage and current, or one of them, or power.

        Parameters
        ----------
        angle : array_like, shape (N,)
            deg.
        voltage, current, power : array_like, shape (N,)
            V, A, W. Of V, I and P two make the third, and the load with it.
        load : array_like, optional
            ohm; NaN for maximum power. Not used where two of V, I and P tell it.
        share, floor : float, optional
            Standard uncertainty of each reading; the usual one where neither is given.
        u_load, u_angle : float
            Of the stated load as a share, of each angle in deg.
        step : mapping of str to float, optional
            Last digit of each quantity.

        Raises
        ------
        SweepError
            Nothing was read, or nobody knows into which load.

        Examples
        --------
        >>> print(AngleReadings.of([0, 40], voltage=[16.0, 13.0], load=220.0).power.round(3))
        [1.164 0.768]
        """
        angle = np.atleast_1d(np.asarray(angle, dtype=float))
        given = {"voltage": voltage, "current": current, "power": power, "load": load}
        told = {
            quantity: np.broadcast_to(np.asarray(values, dtype=float), angle.shape)
            for quantity, values in given.items()
            if values is not None
        }
        read = [quantity for quantity in told if quantity != "load"]
        if not read:
            raise SweepError(
                "no voltage, current or power beside the angle",
                name,
                "give V and I, or one of V, I and P with the load",
            )
        steps = {q: (step or {}).get(q, 0.0) / np.sqrt(12.0) for q in read}
        ratio = len(read) > 1
        if ratio:
            observed, value, ohm, digit = _product(told, steps)
        elif "load" not in told:
            raise SweepError(
                "nobody says into which load",
                name,
                "give V and I, a column of the load, or --load OHM (or --max-power)",
            )
        else:
            (observed,) = read
            value, ohm, digit = told[observed], told["load"], np.full(angle.shape, steps[observed])
        stated = share is not None or floor is not None
        if not stated:
            share = scatter(observed == "power" and not ratio).u_fraction
            floor = FLOOR.u_fraction * float(np.nanmax(np.abs(value), initial=0.0))
        return cls(
            angle,
            observed,
            value,
            ohm,
            share or 0.0,
            np.hypot(floor or 0.0, digit),
            0.0 if ratio else u_load,
            u_angle,
            ratio,
            stated,
            name,
        )

    def __len__(self) -> int:
        return len(self.angle)

    @property
    def power(self) -> Array:
        """W."""
        return self.in_watts(self.value)

    @property
    def u_power(self) -> Array:
        """Standard uncertainty of each power on its own, W, that of the angle left out."""
        share = self.share * (np.sqrt(2.0) if self.load_is_ratio else 1.0)
        u = np.hypot(share * self.value, self.floor)
        return u if self.observed == "power" else np.abs(self.in_watts(self.value, u))

    def in_watts(self, value: Array, change: Array | None = None) -> Array:
        """Return readings as power, W, or a small ``change`` of them at ``value``."""
        if self.observed == "power":
            return value if change is None else change
        per = 1.0 / self.load if self.observed == "voltage" else self.load
        return value**2 * per if change is None else 2.0 * value * per * change

    def seen(self, voltage: Array, current: Array) -> Array:
        """Return what would have been read of voltages (V) and currents (A), shape (..., N)."""
        return {"voltage": voltage, "current": current, "power": voltage * current}[self.observed]

    def moved(
        self, voltage: Array, current: Array, more_voltage: Array, more_current: Array
    ) -> Array:
        """Return how far a reading moves with small changes of the voltage (V) and current (A)."""
        power = more_voltage * current + voltage * more_current
        return {"voltage": more_voltage, "current": more_current, "power": power}[self.observed]


def _product(
    told: Mapping[str, Array], steps: Mapping[str, float]
) -> tuple[str, Array, Array, Array]:
    """Return what two of V, I and P make: power, load, and what the last digits do to the power."""
    v, i, p = (told.get(quantity) for quantity in ("voltage", "current", "power"))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if v is None:
            v = p / i
        elif i is None:
            i = p / v
        digit = np.hypot(i * steps.get("voltage", 0.0), v * steps.get("current", 0.0))
        return "power", v * i, v / i, np.hypot(digit, steps.get("power", 0.0))
