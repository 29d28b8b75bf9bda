"""``ivkit check``: is this reading, or this table of readings, plausible."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.inputs import named_columns
from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.verdict.plausibility import Readings, Setting

#: Standard uncertainty of a stated irradiance, as a share (common practice, no source).
U_LIGHT = 0.05


def _number(name: str, low: float, high: float, unit: str, text: str) -> Any:
    return click.option(name, type=FiniteNumber(low, high, unit), metavar="N", help=text)


@click.command("check")
@click.argument("table", metavar="[TABLE]", required=False)
@panel_options
@click.option("--sweep", metavar="FILE", help="The panel, by a sweep taken in known light.")
@click.option("--bench", metavar="FILE", help="Bench of the sweep. [bench.toml here, if any]")
@_number("--sweep-irradiance", 0, 5000, "W/m2", "Effective irradiance of that sweep.")
@_number("--sweep-temperature", -90, 200, "degC", "Cell temperature of that sweep.")
@_number("--voltage", -1e5, 1e5, "V", "One reading, without a TABLE.")
@_number("--current", -1e5, 1e5, "A", "Likewise.")
@_number("--power", -1e6, 1e6, "W", "Likewise.")
@_number("--load", 0, 1e9, "ohm", "Load of the reading, or of a TABLE without one. [maximum power]")
@_number("--angle", -90, 90, "deg", "From facing the light. [0]")
@_number("--irradiance", 0, 1e5, "W/m2", "Effective, facing the light.")
@_number("--u-irradiance", 0, 1e5, "W/m2", "Its standard uncertainty. [5 %]")
@_number("--lux", 0, 1e7, "lx", "Instead of it, with --source.")
@click.option("--source", metavar="KIND", help="What gives the lux: halogen, led, sun, ...")
@_number("--temperature", -90, 200, "degC", "Of the cells. [30 +- 8]")
@_number("--stray", 0, 1, "", "Share of the light that does not turn with the panel. [0]")
@_number("--u-reading", 0.01, 50, "percent", "Standard uncertainty of each reading. [2 %]")
@click.option("--outdoors", is_flag=True, help="The light is the sky's.")
@click.option("--column", multiple=True, metavar="QUANTITY=NAME", help="Which column is what.")
@output_options(plot=False)
def command(table: str | None, output: Output, **given: Any) -> int:
    """Is this reading, or this table of readings, what physics says it should be.

    TABLE has voltage, current or power, and load or angle, one row a reading. Exit status 1: it
    is not.

    Example: ivkit check --datasheet panel.toml --power 0.2 --load 33 --irradiance 800
    """
    from ivkit.report.check_text import describe, document, frame
    from ivkit.verdict.plausibility import Scene, judge

    notes: list[str] = []
    setting = _setting(given, notes)
    readings = _of_table(table, given) if table else _of_options(given)
    found = judge(Scene(setting, readings))
    limits = _limits(setting, readings, given["outdoors"])
    files = [name for name in (table, given["datasheet"], given["sweep"], given["bench"]) if name]
    notes += [str(one) for one in getattr(setting.sheet, "assumed", ())]
    output.deliver(
        describe(found, readings, limits, notes),
        document(found, readings, limits, notes),
        lambda: frame(found, readings),
        inputs=files,
    )
    return 1 if limits or found.verdict in ("too high", "too low") else 0


def _setting(given: dict[str, Any], notes: list[str]) -> "Setting":
    """Return the panel, its light and its temperature."""
    from ivkit.verdict.plausibility import Setting

    sheet = _panel(given)
    light, u = given["irradiance"], given["u_irradiance"]
    if (light is None) == (given["lux"] is None):
        raise click.UsageError("say how strong the light is: either --irradiance, or --lux")
    if light is None:
        if given["source"] is None:
            raise click.UsageError(
                "--lux says nothing without --source: 1000 lx are 3 to 32 W/m2 to silicon"
            )
        from ivkit.light.response import of_technology
        from ivkit.light.spectrum import effective_irradiance, named

        usable = effective_irradiance(
            named(given["source"]),
            lux=given["lux"],
            u_reading=0.05 * given["lux"],
            response=of_technology(sheet.kind.name),
        )
        light, u = float(usable.value_W_m2), float(usable.u_W_m2)
        notes += usable.assumed
    elif u is None:
        u = U_LIGHT * light
        notes.append(f"irradiance known to {100 * U_LIGHT:g} % (common practice, no source)")
    celsius, kelvin = given["temperature"], 1.0
    if celsius is None:
        celsius, kelvin = 30.0, 8.0
        notes.append("cells at 30 +- 8 degC (common practice, no source)")
    return Setting(sheet, light, u, celsius, kelvin, given["stray"] or 0.0)


def _panel(given: dict[str, Any]) -> Any:
    """Return the panel: by its sweep, its datasheet, or its name; a sweep may have a datasheet."""
    if given["sweep"] is None:
        return load_panel(given["datasheet"], given["module"])
    from ivkit.cli.inputs import SweepOptions
    from ivkit.panel.measured_panel import measured_panel

    sheet = None
    if given["datasheet"] or given["module"]:
        sheet = load_panel(given["datasheet"], given["module"])
    options = SweepOptions(
        bench=given["bench"],
        irradiance=given["sweep_irradiance"],
        temp_cell=given["sweep_temperature"],
    )
    return measured_panel(options.fit(given["sweep"]), sheet)


def _of_options(given: dict[str, Any]) -> "Readings":
    import numpy as np

    from ivkit.verdict.plausibility import Readings

    told = {name: given[name] for name in ("voltage", "current", "power")}
    if all(value is None for value in told.values()):
        raise click.UsageError("give a TABLE, or a reading: --voltage, --current or --power")
    arrays = {k: None if v is None else np.array([v], dtype=float) for k, v in told.items()}
    load = np.nan if given["load"] is None else given["load"]
    angle = np.array([given["angle"] or 0.0])
    return Readings(np.array([load], dtype=float), angle, **arrays, u=_share(given))


def _share(given: dict[str, Any]) -> float:
    from ivkit.verdict.plausibility import U_READING

    return U_READING if given["u_reading"] is None else given["u_reading"] / 100


def _of_table(path: str, given: dict[str, Any]) -> "Readings":
    import numpy as np

    from ivkit.errors import RangeError, TableError
    from ivkit.light.incidence import plausible_degrees
    from ivkit.readings.table import read_table
    from ivkit.verdict.plausibility import Readings

    table = read_table(path, columns=named_columns(given["column"]))
    told = {name: table.columns.get(name) for name in ("voltage", "current", "power")}
    if all(value is None for value in told.values()):
        raise TableError(
            "no voltage, current or power column", path, "name one with --column voltage=NAME"
        )
    count = len(table.rows)
    load = table.columns.get("load")
    if load is None:
        load = np.full(count, np.nan if given["load"] is None else given["load"])
    angle = table.columns.get("angle")
    if angle is None:
        angle = np.full(count, given["angle"] or 0.0)
    else:
        try:
            plausible_degrees(angle[np.isfinite(angle)])
        except RangeError as error:
            raise RangeError(error.what, f"{path}, angle", error.remedy) from None
    if told["voltage"] is not None and told["current"] is not None and np.all(np.isnan(load)):
        with np.errstate(divide="ignore", invalid="ignore"):
            load = np.abs(told["voltage"] / told["current"])
    good = np.isfinite(angle) & ~np.isnan(np.where(np.isnan(load), 0.0, load))
    for value in told.values():
        if value is not None:
            good &= np.isfinite(value)
    if not np.any(good):
        raise TableError("no row has every reading", path, "fill the blank cells, or drop a column")
    kept = {k: None if v is None else v[good] for k, v in told.items()}
    return Readings(load[good], angle[good], **kept, u=_share(given))


def _limits(setting: "Setting", readings: "Readings", outdoors: bool) -> list[Any]:
    import numpy as np

    from ivkit.verdict.limits import broken_limits

    def most(values: Any) -> float | None:
        return None if values is None else float(np.max(np.abs(values)))

    power = readings.power
    if power is None and readings.voltage is not None and readings.current is not None:
        power = readings.voltage * readings.current
    sheet = setting.sheet
    return broken_limits(
        voltage=most(readings.voltage),
        current=most(readings.current),
        power=most(power),
        irradiance=setting.irradiance + 3 * setting.u_irradiance,
        area_m2=sheet.area_m2,
        cells=sheet.cells,
        band_gap=sheet.kind.EgRef,
        outdoors=outdoors,
    )
