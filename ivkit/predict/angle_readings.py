"""Readings of a panel that was turned, from a table: what can be used, and how well it is known."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.assumptions import ASSUMED, Assumed
from ivkit.errors import RangeError, SweepError
from ivkit.light.incidence import plausible_degrees
from ivkit.predict.readings import CHANNELS, Readings
from ivkit.readings.table import Table, need

Array = NDArray[np.float64]

FLOOR = ASSUMED["noise, of the largest reading"]


@dataclass(frozen=True)
class AngleReadings:
    """Readings over the angle.

    Attributes
    ----------
    readings : Readings
        Angles as on the scale.
    u_angle : float
        Standard uncertainty of each angle on its own, deg.
    stated : bool
        Whether the uncertainty of the readings was stated, not taken as usual.
    name : str
        Of the table.
    skipped, assumed : tuple of str
    """

    readings: Readings
    u_angle: float
    stated: bool
    name: str = ""
    skipped: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()


def scatter(of_power: bool) -> Assumed:
    """Return what is assumed of each reading on its own where nothing is stated."""
    return ASSUMED["scatter of a power" if of_power else "scatter of a voltage or current"]


def angle_readings(
    table: Table,
    name: str,
    loads: Sequence[float] = (),
    *,
    small: bool = False,
    max_power: bool = False,
    u_reading: float | None = None,
    u_angle: float | None = None,
    tolerance: float | None = None,
) -> AngleReadings:
    """Return the readings of a table.

    Parameters
    ----------
    table : Table
        With an angle, and two of voltage, current and power, or one with a load.
    name : str
        Of its file, for messages.
    loads : sequence of float
        One load, ohm, for a table without a column of it.
    small : bool
        Angles that all lie within 1.6 are degrees.
    max_power : bool
        The readings were taken at maximum power.
    u_reading : float, optional
        Standard uncertainty of each reading, percent of it.
    u_angle : float, optional
        Of each angle, deg.
    tolerance : float, optional
        Of the load, plus or minus percent.

    Raises
    ------
    SweepError
        No row can be used, nothing was read, or nobody says into which load.
    RangeError
        Angles that are radians, or beyond 180 deg.
    """
    (angle,) = need(table, "angle")
    read = {q: table.columns[q] for q in CHANNELS if q in table}
    load = table.columns.get("load")
    if max_power and (load is not None or len(loads)):
        raise SweepError(
            "--max-power does not go with a load, given by --load or a column of READINGS", name
        )
    if max_power:
        load = np.full(angle.shape, np.nan)
    elif load is None and len(loads):
        if len(loads) > 1:
            raise SweepError("READINGS without a load column take one --load", name)
        load = np.full(angle.shape, loads[0])
    if len(read) > 1 and not max_power:
        load = None  # two of V, I and P tell it
    faults = _faults(angle, read, load, max_power)
    good = np.array([fault is None for fault in faults], dtype=bool)
    if not np.any(good):
        if len(faults):
            raise SweepError(f"no row can be used: the first has {faults[0]}", name)
        raise SweepError("the table holds no readings", name, "give angles with what was read")
    try:
        plausible_degrees(angle[good], small_is_meant=small)
    except RangeError as error:
        raise RangeError(error.what, f"{name}, angle", error.remedy) from None
    if not read:
        raise SweepError(
            "no voltage, current or power beside the angle",
            name,
            "give V and I, or one of V, I and P with the load",
        )
    if len(read) < 2 and load is None:
        raise SweepError(
            "nobody says into which load",
            name,
            "give V and I, a column of the load, or --load OHM (or --max-power)",
        )
    steps = {q: table.resolution.get(q, 0.0) / np.sqrt(12.0) for q in read}
    told = {q: values[good] for q, values in read.items()}
    if len(told) > 1:
        told, steps = _of_two(told, steps, max_power)
    usual, of_power = ASSUMED["load resistor"], "power" in told
    part = scatter(of_power).u_fraction if u_reading is None else u_reading / 100.0
    floor = FLOOR.u_fraction if u_reading is None else 0.0
    noise = {
        q: np.sqrt((part * v) ** 2 + (floor * np.max(np.abs(v))) ** 2 + steps[q] ** 2)
        for q, v in told.items()
    }
    assumed = [] if u_angle is not None else [ASSUMED["angle set by hand"].sentence()]
    if tolerance is None and load is not None and not max_power:
        assumed.append(usual.sentence(f"--tolerance, or {usual.instead},"))
    if u_reading is None:
        assumed += [scatter(of_power).sentence(), FLOOR.sentence("--u-reading")]
    readings = Readings.of(
        **told,
        load=None if load is None else load[good],
        angle=angle[good],
        u=part,
        u_load=usual.u_fraction if tolerance is None else tolerance / 100.0 / np.sqrt(3.0),
        noise=noise,
    )
    u_angle = ASSUMED["angle set by hand"].u if u_angle is None else u_angle
    return AngleReadings(
        readings, u_angle, u_reading is not None, name, tuple(_skipped(table, faults)), (*assumed,)
    )


def _of_two(
    told: Mapping[str, Array], steps: Mapping[str, float], max_power: bool
) -> tuple[dict[str, Array], dict[str, Any]]:
    """Return voltage and current, of which a power was one; at maximum power their product."""
    v, i, p = (told.get(q) for q in CHANNELS)
    if max_power:
        if p is not None:
            return {"power": p}, {"power": steps["power"]}
        return {"power": v * i}, {"power": np.hypot(i * steps["voltage"], v * steps["current"])}
    steps = dict(steps)
    if v is None:
        v, steps["voltage"] = p / i, np.hypot(steps["power"], p / i * steps["current"]) / i
    elif i is None:
        i, steps["current"] = p / v, np.hypot(steps["power"], p / v * steps["voltage"]) / v
    return {"voltage": v, "current": i}, steps


def _faults(
    angle: Array, read: Mapping[str, Array], load: Array | None, max_power: bool
) -> list[str | None]:
    """Return why each row cannot be used, None where it can."""
    found: list[str | None] = []
    for k, at in enumerate(angle):
        fault = None
        if not np.isfinite(at):
            fault = "no angle"
        elif blank := [q for q, values in read.items() if not np.isfinite(values[k])]:
            fault = f"no {blank[0]}"
        elif load is not None and not max_power and not 0 < load[k] < np.inf:
            fault = "no load" if np.isnan(load[k]) else f"a load of {load[k]:g} ohm: no power"
        elif len(read) > 1 and any(values[k] <= 0 for values in read.values()):
            low = next(q for q, values in read.items() if values[k] <= 0)
            fault = f"a {low} of {read[low][k]:g}: no power"
        found.append(fault)
    return found


def _skipped(table: Table, faults: Sequence[str | None]) -> list[str]:
    return [
        f"line {int(row)}: {fault}"
        for row, fault in zip(table.rows, faults, strict=True)
        if fault is not None
    ]
