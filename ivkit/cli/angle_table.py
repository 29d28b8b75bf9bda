"""A table of readings over the angle, from its file; rows that cannot be used are named."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED

if TYPE_CHECKING:
    from ivkit.verdict.angle_readings import AngleReadings

_NAMED = 6  # rows left out that are named one by one


def read_angles(
    path: str,
    loads: tuple[float, ...] = (),
    column: tuple[str, ...] = (),
    *,
    small: bool = False,
    max_power: bool = False,
    u_reading: float | None = None,
    u_angle: float | None = None,
    tolerance: float | None = None,
) -> "tuple[AngleReadings, list[str]]":
    """Return the readings of a table, and what is to be said of them.

    Parameters
    ----------
    path : str
        ``-`` is standard input.
    loads : tuple of float
        One load, ohm, for a table without a column of it.
    column : tuple of str
        ``angle=tilt``, ...
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
    """
    import numpy as np

    from ivkit.cli.inputs import named_columns
    from ivkit.cli.output import understood
    from ivkit.errors import RangeError, SweepError
    from ivkit.light.incidence import plausible_degrees
    from ivkit.readings.table import need, read_table
    from ivkit.verdict.angle_readings import FLOOR, AngleReadings, scatter

    table = read_table(path, columns=named_columns(column))
    understood(path, table.notes)
    (angle,) = need(table, "angle")
    read = {q: table.columns[q] for q in ("voltage", "current", "power") if q in table}
    load = table.columns.get("load")
    if max_power and (load is not None or loads):
        raise click.UsageError(
            "--max-power does not go with a load, given by --load or a column of READINGS"
        )
    if max_power:
        load = np.full(angle.shape, np.nan)
    elif load is None and loads:
        if len(loads) > 1:
            raise click.UsageError("READINGS without a load column take one --load")
        load = np.full(angle.shape, loads[0])
    if len(read) > 1 and not max_power:
        load = None  # two of V, I and P tell it
    faults = _faults(angle, read, load, max_power)
    good = np.array([fault is None for fault in faults], dtype=bool)
    if not np.any(good):
        if len(faults):
            raise SweepError(f"no row can be used: the first has {faults[0]}", path)
        raise SweepError("the table holds no readings", path, "give angles with what was read")
    try:
        plausible_degrees(angle[good], small_is_meant=small)
    except RangeError as error:
        raise RangeError(error.what, f"{path}, angle", error.remedy) from None
    if max_power and len(read) > 1:
        v = read.get("voltage")
        i = read.get("current")
        read = {"power": read["power"] if "power" in read else v * i}
    given: dict[str, Any] = {quantity: values[good] for quantity, values in read.items()}
    if load is not None:
        given["load"] = load[good]
    usual = ASSUMED["load resistor"]
    readings = AngleReadings.of(
        angle[good],
        **given,
        share=None if u_reading is None else u_reading / 100.0,
        u_load=usual.u_fraction if tolerance is None else tolerance / 100.0 / np.sqrt(3.0),
        u_angle=ASSUMED["angle set by hand"].u if u_angle is None else u_angle,
        step=table.resolution,
        name=path,
    )
    said = _said(table, faults)
    if u_angle is None:
        said.append(ASSUMED["angle set by hand"].sentence())
    if tolerance is None and readings.u_load > 0:
        said.append(usual.sentence(f"--tolerance, or {usual.instead},"))
    if not readings.stated:
        of_power = readings.observed == "power" and not readings.load_is_ratio
        said += [scatter(of_power).sentence(), FLOOR.sentence("--u-reading")]
    return readings, said


def _faults(angle: Any, read: dict[str, Any], load: Any, max_power: bool) -> list[str | None]:
    """Return why each row cannot be used, None where it can."""
    import numpy as np

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


def _said(table: Any, faults: list[str | None]) -> list[str]:
    """Return what was left out: how many, which, why."""
    out = [(int(row), fault) for row, fault in zip(table.rows, faults, strict=True) if fault]
    if not out:
        return []
    named = "; ".join(f"line {row} ({fault})" for row, fault in out[:_NAMED])
    more = f"; and {len(out) - _NAMED} more" if len(out) > _NAMED else ""
    return [f"left out {len(out)} of {len(faults)} readings: {named}{more}"]
