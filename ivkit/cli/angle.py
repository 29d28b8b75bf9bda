"""``ivkit angle``: power against incidence angle, and readings against it."""

from functools import partial
from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.inputs import named_columns
from ivkit.cli.output import FiniteNumber, Output, output_options, understood
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.curve.fit import Fit
    from ivkit.verdict.angle import AngleReadings, Turned

USUAL_ALPHA = 0.0005  # of Isc, 1/K: usual for silicon, where a sweep has to do for a datasheet
STEPS = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 85.0)


@click.command("angle")
@click.argument("readings", metavar="[READINGS]", required=False)
@panel_options
@click.option("--sweep", metavar="FILE", help="The panel, by a sweep taken facing the light.")
@click.option("--bench", metavar="FILE", help="Bench of the sweep. [bench.toml here, if any]")
@click.option(
    "--load",
    "loads",
    type=FiniteNumber(0, 1e9, "ohm"),
    multiple=True,
    metavar="OHM",
    help="Load; may be repeated. With READINGS without a load column, theirs.",
)
@click.option(
    "--irradiance",
    type=FiniteNumber(0.001, 5000, "W/m2"),
    metavar="W_M2",
    help="Effective, facing the light. [that of the sweep, else 1000; fitted]",
)
@click.option(
    "--temperature",
    type=FiniteNumber(-90, 200, "degC"),
    metavar="DEGC",
    help="Of the cells. [that of the sweep, else 25]",
)
@click.option(
    "--iam",
    type=click.Choice(("martin-ruiz", "ashrae", "physical", "none")),
    help="What the glass loses at an angle. [that of the datasheet, else martin-ruiz]",
)
@click.option(
    "--stray",
    type=FiniteNumber(0, 1),
    metavar="SHARE",
    help="Light that does not turn with the panel. [0; fitted]",
)
@click.option(
    "--zero",
    type=FiniteNumber(-90, 90, "deg"),
    metavar="DEG",
    help="What the scale shows when the panel faces the light. [0; fitted]",
)
@click.option(
    "--lamp-distance",
    type=FiniteNumber(0.001, 1000, "m"),
    metavar="M",
    help="The light is a lamp this near, turned about the panel's width. [parallel]",
)
@click.option("--small", is_flag=True, help="Angles within 1.6 are meant in degrees.")
@click.option(
    "--column",
    multiple=True,
    metavar="QUANTITY=NAME",
    help="Which column is what: angle=tilt or power=P:mW.",
)
@output_options()
def command(readings: str | None, output: Output, **given: Any) -> int:
    """Power against incidence angle, at a load and at maximum power; compared with readings.

    READINGS is a table with the angle and V with I or a load, or P with a load. From it the zero
    of the scale, the stray light and the irradiance are fitted, unless they are given.

    Example: ivkit angle turned.csv --sweep facing.csv --load 220
    """
    import numpy as np

    from ivkit.report.angle_text import describe, document, frame
    from ivkit.verdict.angle import against_angle, fit_angles

    notes: list[str] = []
    turned, facing = _turned(given, notes)
    fit = table = None
    if readings is not None:
        table = read_angles(readings, given["loads"], given["column"], given["small"])
        held = {name: given[name] for name in ("irradiance", "zero", "stray")}
        fit = fit_angles(turned, table, **held)
        loads = tuple(dict.fromkeys(float(f"{r:.3g}") for r in table.load))[:4]
        light, stray = fit.irradiance.nominal_value, 0.0
        stray = fit.stray.nominal_value if fit.stray is not None else 0.0
    else:
        loads, light = given["loads"], given["irradiance"] or facing
        stray = given["stray"] or 0.0
    aoi = np.array(STEPS)
    points = against_angle(turned, aoi, light, loads, stray)

    def figure() -> Any:
        from ivkit.report.angle_figure import angle_figure

        fine = np.linspace(-89.0, 89.0, 179)
        return angle_figure(fine, against_angle(turned, fine, light, loads, stray), fit, table)

    files = [
        name for name in (readings, given["sweep"], given["datasheet"], given["bench"]) if name
    ]
    output.deliver(
        describe(points, aoi, fit, table, notes),
        document(points, aoi, fit, table, notes),
        lambda: frame(points, aoi),
        figure,
        files,
    )
    return 1 if fit is not None and not fit.agrees else 0


def _turned(given: dict[str, Any], notes: list[str]) -> "tuple[Turned, float]":
    """Return the panel that turns, and the light that it faces, W/m2."""
    from ivkit.light import incidence
    from ivkit.verdict.angle import Turned, near_lamp

    face = None
    if given["sweep"] is not None:
        if given["datasheet"] or given["module"]:
            raise click.UsageError("name the panel once: --sweep, --datasheet or --module")
        panel, celsius, light = _of_sweep(given, notes)
        iam, groups = incidence.martin_ruiz, 0
    else:
        from ivkit.panel.under_lamp import usual_face

        sheet = load_panel(given["datasheet"], given["module"])
        panel, celsius, light = sheet.panel(), given["temperature"], 1000.0
        iam, groups, face = sheet.iam, sheet.bypass_groups, usual_face(sheet)
    if given["iam"]:
        iam = {
            "martin-ruiz": partial(incidence.martin_ruiz),
            "ashrae": incidence.ashrae,
            "physical": incidence.physical,
            "none": incidence.no_glass,
        }[given["iam"]]
    near = None
    if given["lamp_distance"] is not None:
        if face is None:
            raise click.UsageError("--lamp-distance needs a --datasheet with cells and area_cm2")
        near = near_lamp(face, given["lamp_distance"], iam=iam)
    return Turned(panel, 25.0 if celsius is None else celsius, iam, near, groups), light


def _of_sweep(given: dict[str, Any], notes: list[str]) -> tuple[Any, float, float]:
    """Return the panel of a sweep that was taken facing the light, with temperature and light."""
    from ivkit.cli.inputs import SweepOptions

    fit = SweepOptions(bench=given["bench"]).fit(given["sweep"])
    return panel_of_fit(fit, given["temperature"], notes)


def panel_of_fit(
    fit: "Fit", temperature: float | None, notes: list[str]
) -> tuple[Any, float, float]:
    """Return the panel of a fitted sweep that faced the light, its temperature, and the light."""
    from ivkit.errors import SweepError
    from ivkit.panel.conditions import ReferencePanel

    if fit.model is None:
        raise SweepError(f"no curve to turn ({', '.join(fit.flags)})", fit.sweep.name)
    condition = fit.sweep.condition
    celsius = temperature if temperature is not None else condition.temp_cell
    celsius = 25.0 if celsius is None else celsius
    light = condition.effective_irradiance
    if light is None:
        light = 1000.0
        notes.append("the sweep does not say its light: irradiance counts as 1000 for its own")
    taken = condition.temp_cell if condition.temp_cell is not None else celsius
    alpha = USUAL_ALPHA * float(fit.model.current(0.0)) * 1000.0 / light
    panel = ReferencePanel.from_curve(fit.model, light, taken, alpha, fit.sweep.cells)
    return panel, celsius, light


def read_angles(
    path: str, loads: tuple[float, ...] = (), column: tuple[str, ...] = (), small: bool = False
) -> "AngleReadings":
    """Return the readings of a table: power and load at each angle."""
    import numpy as np

    from ivkit.errors import RangeError, TableError
    from ivkit.light.incidence import plausible_degrees
    from ivkit.readings.table import need, read_table
    from ivkit.verdict.angle import AngleReadings

    table = read_table(path, columns=named_columns(column))
    understood(path, table.notes)
    (angle,) = need(table, "angle")
    v, i = (table.columns.get(name) for name in ("voltage", "current"))
    power, load = table.columns.get("power"), table.columns.get("load")
    if load is None and loads:
        if len(loads) > 1:
            raise click.UsageError("READINGS without a load column take one --load")
        load = np.full(angle.shape, loads[0])
    if power is None and v is not None and i is not None:
        power = v * i
    if load is None and v is not None and i is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            load = v / i
    if power is None and v is not None and load is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            power = v**2 / load
    if power is None or load is None:
        raise TableError("holds no power and load", path, "give V and I, or V or P with --load OHM")
    good = np.isfinite(angle) & np.isfinite(power) & np.isfinite(load) & (load > 0)
    try:
        plausible_degrees(angle[good], small_is_meant=small)
    except RangeError as error:
        raise RangeError(error.what, f"{path}, angle", error.remedy) from None
    return AngleReadings.of(angle[good], power[good], load[good], name=path)
