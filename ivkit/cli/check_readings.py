"""The readings that ``ivkit check`` judges: one from options, or a table."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import named_columns
from ivkit.cli.output import understood

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.predict.readings import Readings
    from ivkit.readings.table import Table

CHANNELS = ("voltage", "current", "power")


def of_options(given: dict[str, Any]) -> "tuple[Readings, dict[str, float]]":
    """Return one reading."""
    from ivkit.predict.readings import Readings

    told = {name: given[name] for name in CHANNELS if given[name] is not None}
    if not told:
        raise click.UsageError("give a TABLE, or a reading: --voltage, --current or --power")
    readings = Readings.of(
        **told,
        load=given["load"],
        angle=given["angle"] or 0.0,
    )
    return readings, {}


def of_table(
    path: str, given: dict[str, Any], notes: list[str]
) -> "tuple[Readings, dict[str, float]]":
    """Return the readings of a table, and the means of what light and temperature it tells.

    Rows without any reading, or without what the others have (load, angle, light), are left out.
    """
    import numpy as np

    from ivkit.errors import TableError
    from ivkit.predict.readings import Readings
    from ivkit.readings.table import read_table

    for name in CHANNELS:
        if given[name] is not None:
            raise click.UsageError(f"--{name} is a reading of its own; leave out TABLE or it")
    table = read_table(path, columns=named_columns(given["column"]))
    understood(path, table.notes)
    told = {name: table[name] for name in CHANNELS if name in table}
    if not told:
        for name in CHANNELS:
            if name in table.doubts:
                raise TableError(table.doubts[name], path)
        raise TableError(
            "no voltage, current or power column", path, "name one with --column voltage=NAME"
        )
    beside = {n: table[n] for n in ("load", "angle", "distance", "temperature") if n in table}
    light = next((n for n in ("irradiance", "illuminance") if n in table and not _light(given)), "")
    if light:
        beside[light] = table[light]
    good = np.any(np.isfinite(np.array(list(told.values()))), axis=0)
    for name, column in beside.items():
        good &= ~np.isnan(column) if name == "load" else np.isfinite(column)
    if not np.any(good):
        raise TableError("no row has every reading", path, "fill the blank cells, or drop a column")
    if not np.all(good):
        rows = ", ".join(map(str, table.rows[~good][:5]))
        notes.append(f"left out for blank cells: line {rows}{' ...' if sum(~good) > 5 else ''}")
    beside = {name: column[good] for name, column in beside.items()}
    _refuse(table, beside, path)
    means = {n: float(np.mean(beside[n])) for n in (light, "temperature") if n in beside}
    steps = {name: step for name, step in table.resolution.items() if name in CHANNELS}
    readings = Readings.of(
        **{name: column[good] for name, column in told.items()},
        load=beside.get("load", given["load"]),
        angle=beside.get("angle", given["angle"] or 0.0),
        distance=beside.get("distance"),
        light=beside[light] / means[light] if light else 1.0,
        warmer=beside["temperature"] - means["temperature"] if "temperature" in beside else 0.0,
        step=steps,
    )
    return readings, means


def _light(given: dict[str, Any]) -> bool:
    """Return whether an option says how strong the light was."""
    return any(given[n] is not None for n in ("irradiance", "lux", "share"))


def _refuse(table: "Table", beside: dict[str, Any], path: str) -> None:
    """Refuse angles that are radians or beyond edge-on, and light and distances of nought."""
    import numpy as np

    from ivkit.errors import RangeError, TableError
    from ivkit.light.incidence import plausible_degrees

    if "angle" in beside:
        try:
            plausible_degrees(beside["angle"])
        except RangeError as error:
            raise RangeError(error.what, f"{path}, angle", error.remedy) from None
    for name in ("irradiance", "illuminance", "distance"):
        if name in beside and not np.all(beside[name] > 0):
            value = float(np.min(beside[name]))
            raise TableError(
                f"{table.headings.get(name, name)} of {value:g} makes no reading",
                path,
                "leave out the rows without light",
            )


def with_uncertainty(
    readings: "Readings", given: dict[str, Any], bench: "Bench | None", notes: list[str]
) -> "Readings":
    """Return the readings with the standard uncertainties of themselves and their loads."""
    from dataclasses import replace

    u, u_load = given["u_reading"], given["u_load"]
    if u is None:
        u = ASSUMED["reading"].u
        notes.append(ASSUMED["reading"].sentence())
    if u_load is None:
        stated = bench is not None and bench.loads.tolerance_pct is not None
        usual = ASSUMED["load resistor"]
        u_load = 100 * bench.loads.u_fraction if stated else usual.u
        if not stated and readings.load is not None:
            notes.append(usual.sentence(f"--u-load, or {usual.instead},"))
    return replace(readings, u=u / 100, u_load=u_load / 100)
