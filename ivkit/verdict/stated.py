"""What was read, and in which set-up; and how the true set-up may differ from the stated one."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, ufloat

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError, SweepError
from ivkit.panel.temperature import temperature_from_voc

Array = NDArray[np.float64]

CHANNELS = ("voltage", "current", "power")


@dataclass(frozen=True)
class Setting:
    """The panel and the light that the readings were taken in.

    Attributes
    ----------
    sheet : Datasheet or MeasuredPanel
        The panel, with its own sources of doubt.
    irradiance : float
        Effective, facing the light, W/m2, above 0; with ``distance_m`` at that distance.
    light : mapping of str to float
        Standard uncertainty of the irradiance by cause, as shares of it.
    temp_cell, u_temp_cell : float
        degC, K; the latter what no cause of ``warmer_by`` accounts for.
    warmer_by : mapping of str to float
        K that one standard uncertainty of a source of the panel or of the light adds to the cell
        temperature, where that was found with their help.
    warmer_in_light : float
        K likewise for an e-fold more light.
    from_voc : UFloat or None
        The cell temperature where it is from Voc, with all that it is uncertain by.
    stray, u_stray : float
        Share of the light that does not turn with the panel, 0 to 1.
    u_angle : float
        Of the zero of the angle's scale, deg.
    distance_m, u_distance_m : float
        From the lamp to where ``irradiance`` was read, m; None for the sun, or where all
        readings were taken at that place.
    near : ndarray, shape (181, cells), or None
        Under a near lamp, the light of each cell at -90 to 90 deg (`ivkit.verdict.turned`); None
        for light that comes in parallel, and where the panel is not turned.
    """

    sheet: Any
    irradiance: float
    light: Mapping[str, float] = field(
        default_factory=lambda: {"irradiance": ASSUMED["irradiance"].u_fraction}
    )
    temp_cell: float = ASSUMED["cell temperature"].value
    u_temp_cell: float = ASSUMED["cell temperature"].u
    warmer_by: Mapping[str, float] = field(default_factory=dict)
    warmer_in_light: float = 0.0
    from_voc: UFloat | None = None
    stray: float = ASSUMED["stray light"].fraction
    u_stray: float = ASSUMED["stray light"].u_fraction
    u_angle: float = ASSUMED["angle"].u
    distance_m: float | None = None
    u_distance_m: float = ASSUMED["distance of the lamp"].u
    near: Array | None = None

    def __post_init__(self) -> None:
        if not 0 < self.irradiance < np.inf:
            raise RangeError(
                f"irradiance {self.irradiance:g} W/m2 makes no readings",
                remedy="give the light there was, above 0",
            )

    def by_voc(self, v_oc: Any) -> "Setting":
        """Return the setting at the temperature by an open-circuit voltage (V) facing the light.

        The causes of the panel and of the light act on it too, so that each counts once.
        """
        causes = {name: ufloat(0.0, 1.0, name) for name in self.light}
        brighter = sum((u * causes[n] for n, u in self.light.items()), 0.0)
        found = temperature_from_voc(self.sheet, v_oc, light=self.irradiance * (1.0 + brighter))
        variables = {**self.sheet.sources, **causes}
        warmer = {name: found.derivatives.get(one, 0.0) for name, one in variables.items()}
        left = found.std_dev**2 - sum(kelvin**2 for kelvin in warmer.values())
        return replace(
            self,
            temp_cell=found.nominal_value,
            u_temp_cell=float(np.sqrt(max(left, 0.0))),
            warmer_by=warmer,
            warmer_in_light=next((warmer[n] / u for n, u in self.light.items() if u > 0), 0.0),
            from_voc=found,
        )

    @property
    def u_light(self) -> float:
        """Standard uncertainty of the irradiance, as a share."""
        return float(np.sqrt(sum(u**2 for u in self.light.values())))


@dataclass(frozen=True)
class Readings:
    """Readings to judge; make them with `of`.

    Attributes
    ----------
    voltage, current, power : ndarray, shape (N,), or None
        V, A, W as written down, NaN where blank. Power counts only where voltage and current are
        not both there.
    load : ndarray, shape (N,), or None
        ohm, as stated: 0 for short circuit, infinite for open, NaN for maximum power. None where
        it is not stated: voltage over current then.
    angle : ndarray, shape (N,)
        Of incidence, from facing the light, deg, -90 to 90.
    light : ndarray, shape (N,)
        Of the setting's irradiance, what there was at this reading.
    distance : ndarray, shape (N,), or None
        From the lamp, m.
    warmer : ndarray, shape (N,)
        Than the setting's temperature, K.
    u : float
        Standard uncertainty of each voltage, current and power, as a share.
    u_load : float
        Of each stated load, as a share.
    step : mapping of str to float
        Last digit of each channel, V, A, W: a reading is off by one of it too.
    """

    voltage: Array | None
    current: Array | None
    power: Array | None
    load: Array | None
    angle: Array
    light: Array
    distance: Array | None
    warmer: Array
    u: float = ASSUMED["reading"].u_fraction
    u_load: float = ASSUMED["load resistor"].u_fraction
    step: Mapping[str, float] = field(default_factory=dict)

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
        distance: ArrayLike | None = None,
        warmer: ArrayLike = 0.0,
        **more: Any,
    ) -> "Readings":
        """Return readings of values that broadcast; numbers stand for one reading.

        Raises
        ------
        SweepError
            No reading has a voltage, a current or a power; or no load where there must be one.
        """
        told = [x for x in (voltage, current, power) if x is not None]
        if not told or not any(np.any(np.isfinite(np.asarray(x, dtype=float))) for x in told):
            raise SweepError("no voltage, current or power to check")
        if load is None and (voltage is None or current is None):
            raise SweepError(
                "no load is stated, and voltage and current are not both there to tell it",
                remedy="state it: ohm, open, short, or max for maximum power",
            )
        given = (voltage, current, power, load, angle, light, distance, warmer)
        arrays = [np.asarray(x, dtype=float) for x in given if x is not None]
        shape = np.broadcast_shapes((1,), *(x.shape for x in arrays))
        return cls(
            *(
                None if x is None else np.broadcast_to(np.asarray(x, dtype=float), shape).copy()
                for x in given
            ),
            **more,
        )

    def __len__(self) -> int:
        return len(self.angle)

    @property
    def observed(self) -> tuple[str, ...]:
        """What is compared: voltage and current, one of them, or power."""
        told = tuple(n for n in ("voltage", "current") if getattr(self, n) is not None)
        return (*told, "power") if len(told) < 2 and self.power is not None else told

    def select(self, which: Any) -> "Readings":
        """Return some of the readings, by index or mask."""
        cut = {
            name: getattr(self, name)[which]
            for name in (*CHANNELS, "load", "angle", "light", "distance", "warmer")
            if getattr(self, name) is not None
        }
        return replace(self, **cut)


@dataclass(frozen=True)
class Change:
    """How the true set-up differs from the stated one.

    Attributes
    ----------
    light : float
        Times the stated irradiance.
    warmer : float
        K.
    from_plane : bool
        Angles were counted from the panel's plane.
    zero : float
        To be added to each angle, deg.
    stray : float
        More of the light that does not turn, a share.
    load : float or tuple of float
        Times the stated load, one for all or one for each reading.
    series : float
        Between the panel and the load that is stated, ohm.
    shaded : float
        Share of the light that one cell gets.
    farther : float
        The lamp is this much farther away than every distance says, m.
    """

    light: float = 1.0
    warmer: float = 0.0
    from_plane: bool = False
    zero: float = 0.0
    stray: float = 0.0
    load: float | tuple[float, ...] = 1.0
    series: float = 0.0
    shaded: float = 1.0
    farther: float = 0.0


AS_STATED = Change()
