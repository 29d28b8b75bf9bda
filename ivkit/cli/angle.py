"""``ivkit angle``: power against incidence angle, and readings against it."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.angle_table import read_angles
from ivkit.cli.inputs import SweepOptions
from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.cli.angle_scene import Scene
    from ivkit.verdict.angle import AngleFit
    from ivkit.verdict.angle_readings import AngleReadings

STEPS = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 85.0)


def _option(name: str, low: float, high: float, unit: str, metavar: str, text: str) -> Any:
    return click.option(name, type=FiniteNumber(low, high, unit), metavar=metavar, help=text)


@click.command("angle")
@click.argument("readings", metavar="[READINGS]", required=False)
@panel_options
@click.option("--sweep", metavar="FILE", help="The panel, by a sweep taken facing the light.")
@click.option(
    "--bench",
    metavar="FILE",
    help="Of the sweep; its lamp and its panel's cells too. [bench.toml here, if any]",
)
@click.option("--sweep-bench", metavar="FILE", help="Bench of the sweep, if another. [--bench]")
@click.option(
    "--load",
    "loads",
    type=FiniteNumber(1e-6, 1e9, "ohm"),
    multiple=True,
    metavar="OHM",
    help="Load; may be repeated. With READINGS without a load column, theirs.",
)
@click.option("--max-power", is_flag=True, help="READINGS were taken at maximum power.")
@_option(
    "--irradiance",
    0.001,
    5000,
    "W/m2",
    "W_M2",
    "Effective, facing the light. [that of the sweep, else 1000; fitted]",
)
@_option("--sweep-irradiance", 0.001, 5000, "W/m2", "W_M2", "Effective irradiance of the sweep.")
@_option("--temperature", -90, 200, "degC", "DEGC", "Of the cells. [the sweep's, else 30 +- 8]")
@click.option(
    "--iam",
    type=click.Choice(("martin-ruiz", "ashrae", "physical", "none")),
    help="What the glass loses at an angle. [as measured modules do, by the datasheet]",
)
@_option("--stray", 0, 1, "", "SHARE", "Light that does not turn with the panel. [0.01; fitted]")
@_option(
    "--zero",
    -90,
    90,
    "deg",
    "DEG",
    "What the scale shows when the panel faces the light. [0; fitted]",
)
@_option(
    "--lamp-distance",
    0.001,
    1000,
    "m",
    "M",
    "The light is a lamp this near. [that of the bench]",
)
@click.option(
    "--about",
    type=click.Choice(("width", "height")),
    default="width",
    show_default=True,
    help="Under a near lamp: the side of the panel that it is turned about.",
)
@click.option("--parallel", is_flag=True, help="The light is parallel, whatever the bench says.")
@click.option(
    "--sweep-light",
    type=click.Choice(("lamp", "even")),
    help="Under a near lamp: the sweep's light was the lamp's, or even. [as its curve shows]",
)
@_option("--u-reading", 0.001, 50, "percent", "PCT", "1 sigma of each reading. [1; of power 2]")
@_option("--u-angle", 0, 20, "deg", "DEG", "1 sigma of each angle set. [0.29]")
@_option("--u-temperature", 0, 50, "K", "K", "1 sigma of the cells. [2; 3 since the sweep]")
@_option(
    "--u-light",
    0,
    100,
    "percent",
    "PCT",
    "1 sigma of the light staying that of a sweep which does not state it. [2.9]",
)
@_option("--tolerance", 0, 50, "percent", "PCT", "Of the load, plus or minus. [bench, else 5]")
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
    of the scale, the stray light and the light are fitted, unless they are given. Exit status 1:
    the readings do not agree.

    Example: ivkit angle turned.csv --sweep facing.csv --load 220
    """
    import numpy as np

    from ivkit.report.angle_text import describe, document, frame
    from ivkit.verdict.turned import against_angle

    options = SweepOptions(bench=given["bench"])
    bench = options.load_bench()
    files = [*options.files(()), *(name for name in (readings, given["sweep"]) if name)]
    scene = _scene(given, options, bench, files)
    turned, notes = scene.turned, scene.notes
    if turned.relative and given["irradiance"] is not None:
        raise click.UsageError(
            "--irradiance needs a sweep in known light: give --sweep-irradiance too"
        )
    fit = table = None
    light = given["irradiance"] or scene.light
    stray, u_stray = given["stray"] or 0.0, 0.0
    loads, aoi = given["loads"], np.array(STEPS)
    if readings is not None:
        table, said = read_angles(
            readings,
            loads,
            given["column"],
            small=given["small"],
            max_power=given["max_power"],
            u_reading=given["u_reading"],
            u_angle=given["u_angle"],
            tolerance=tolerance_of(given["tolerance"], bench),
        )
        notes += said
        held = {name: given[name] for name in ("irradiance", "zero", "stray")}
        fit, assumed = judge(scene, table, given["u_light"], **held)
        notes += assumed
        loads = loads_of(table)
        light, _, stray = fit.best
    else:
        if given["irradiance"] is None and given["sweep"] is None:
            notes.append(ASSUMED["facing irradiance"].sentence())
        if given["stray"] is None:
            usual = ASSUMED["stray light"]
            stray, u_stray = usual.fraction, usual.u_fraction
            notes.append(usual.sentence())
    doubts = None if fit is not None else scene.doubts

    def at(angles: Any, exponents: bool = True) -> Any:
        found = against_angle(turned, angles, light, loads, stray, doubts, exponents=exponents)
        if not u_stray:
            return found
        more = against_angle(turned, angles, light, loads, stray + u_stray, exponents=False)
        return [
            replace(one, budget={**one.budget, "stray light": other.power - one.power})
            for one, other in zip(found, more, strict=True)
        ]

    points = at(aoi)

    def figure() -> Any:
        from ivkit.report.angle_figure import angle_figure

        fine = np.linspace(-89.0, 89.0, 179)
        return angle_figure(fine, at(fine, exponents=False), fit, table)

    output.deliver(
        describe(points, aoi, fit, table, notes),
        document(points, aoi, fit, table, notes, light, turned.relative),
        lambda: frame(points, aoi, fit, table),
        figure,
        files,
    )
    return 1 if fit is not None and not fit.agrees else 0


def _scene(
    given: dict[str, Any], options: SweepOptions, bench: "Bench | None", files: list[str]
) -> "Scene":
    """Return the panel that turns, by its sweep or its datasheet, which the bench may name."""
    from ivkit.cli.angle_scene import geometry_of, of_sheet, of_sweep

    if given["parallel"] and given["lamp_distance"] is not None:
        raise click.UsageError("--parallel and --lamp-distance exclude each other")
    told = (given["iam"], given["temperature"], given["u_temperature"])
    if given["sweep"] is not None:
        if given["datasheet"] or given["module"]:
            raise click.UsageError("name the panel once: --sweep, --datasheet or --module")
        of_its_own = SweepOptions(
            bench=given["sweep_bench"] or given["bench"], irradiance=given["sweep_irradiance"]
        )
        fit = of_its_own.fit(given["sweep"])
        files += of_its_own.files(())
        notes: list[str] = []
        geometry = None
        if not given["parallel"]:
            geometry = geometry_of(bench, given["lamp_distance"], None, notes, given["about"])
        scene = of_sweep(fit, bench, geometry, *told, given["sweep_light"])
        scene.notes.extend(notes)
        return scene
    for name in ("sweep_irradiance", "sweep_light", "sweep_bench"):
        if given[name] is not None:
            raise click.UsageError(f"--{name.replace('_', '-')} needs a --sweep")
    datasheet = given["datasheet"]
    if datasheet is None and given["module"] is None:
        datasheet = bench.panel.datasheet if bench is not None else None
        if datasheet is None:
            raise click.UsageError(
                "name the panel: --sweep FILE, --datasheet FILE or --module NAME"
            )
    files += [datasheet] if datasheet else []
    sheet = load_panel(datasheet, given["module"], bench)
    notes = []
    geometry = None
    if not given["parallel"]:
        geometry = geometry_of(bench, given["lamp_distance"], sheet, notes, given["about"])
    if geometry is not None:
        notes.append(
            f"the light is that of a lamp {geometry.distance_m:g} m away, cell by cell; "
            "--parallel for the sun's"
        )
    return of_sheet(sheet, geometry, *told, notes)


def tolerance_of(given: float | None, bench: "Bench | None") -> float | None:
    """Return the tolerance of the load, plus or minus percent; None where nobody states it."""
    if given is None and bench is not None:
        return bench.loads.tolerance_pct
    return given


def loads_of(table: "AngleReadings") -> tuple[float, ...]:
    """Return the loads to draw: those of the readings, at most four."""
    import numpy as np

    rounded = (float(f"{ohm:.3g}") for ohm in table.load if np.isfinite(ohm))
    return tuple(dict.fromkeys(rounded))[:4]


def judge(
    scene: "Scene", table: "AngleReadings", u_light: float | None = None, **held: float | None
) -> "tuple[AngleFit, list[str]]":
    """Return the fit of readings, and what was taken as usual for it.

    ``u_light`` is the relative standard uncertainty of the light being the sweep's, percent.
    """
    from ivkit.verdict.angle import fit_angles

    assumed = []
    if u_light is None:
        u_light = ASSUMED["light since the sweep"].u
        if scene.turned.relative and held.get("irradiance") is None:
            assumed.append(ASSUMED["light since the sweep"].sentence())
    fit = fit_angles(scene.turned, table, doubts=scene.doubts, u_same_light=u_light / 100.0, **held)
    if not scene.turned.relative and held.get("irradiance") is None:
        assumed.append(
            "the light is fitted, and a wrong load can hide in it: give --irradiance to test the "
            "load too"
        )
    return fit, assumed
