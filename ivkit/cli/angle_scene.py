"""From the options of ``ivkit angle`` and the bench to the panel that turns, and its doubts."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit
    from ivkit.light.lamp_shape import Shape
    from ivkit.light.panel_face import PanelFace
    from ivkit.panel.datasheet import Datasheet
    from ivkit.panel.measured_panel import MeasuredPanel
    from ivkit.verdict.turned import Turned

_DISTANCE, _BEAM = ASSUMED["distance of the lamp"], ASSUMED["beam angle"]
PERCENT = 100.0  # the light of a sweep that does not state it
ITS_LIGHT, ITS_HEAT = "irradiance of the sweep", "temperature of the sweep"


@dataclass(frozen=True)
class Geometry:
    """Where a near lamp is: the cells, distance (m), shape, offset (m), axis of turning (deg)."""

    face: "PanelFace"
    distance_m: float
    u_distance_m: float = _DISTANCE.u
    shape: "Shape | None" = None
    offset_m: tuple[float, float] = (0.0, 0.0)
    tilt_axis_deg: float = 0.0

    def shares(self, iam: Any) -> Any:
        """Return ``Turned.near``."""
        from ivkit.verdict.turned import near_lamp

        return near_lamp(
            self.face,
            self.distance_m,
            self.shape,
            iam,
            tilt_axis_deg=self.tilt_axis_deg,
            offset_m=self.offset_m,
        )

    def moved(self) -> "dict[str, Geometry]":
        """Return the same with one thing one standard uncertainty off."""
        from ivkit.light.lamp_shape import Beam

        other = {"distance": replace(self, distance_m=self.distance_m + self.u_distance_m)}
        if isinstance(self.shape, Beam):
            wider = min(self.shape.beam_angle_deg * (1.0 + _BEAM.u_fraction), 179.0)
            other["beam angle"] = replace(self, shape=Beam(wider))
        return other


@dataclass(frozen=True)
class Scene:
    """The panel that turns, as it is and with one thing off each, and the light that it faces.

    Attributes
    ----------
    turned : Turned
    doubts : dict of str to Turned
    light : float
        Facing, where nothing else is said: W/m2, or percent of the sweep's.
    notes : list of str
    """

    turned: "Turned"
    doubts: "dict[str, Turned]"
    light: float
    notes: list[str]


def geometry_of(
    bench: "Bench | None",
    distance_m: float | None = None,
    sheet: "Datasheet | None" = None,
    notes: list[str] | None = None,
    about: str = "width",
) -> Geometry | None:
    """Return where the lamp is by the bench, an option going before it; None for parallel light.

    ``about`` is what the panel is turned about: its ``width`` or its ``height``.
    """
    from ivkit.errors import BenchError
    from ivkit.light.lamp_shape import Beam, Disc, Point, Strip
    from ivkit.light.panel_face import PanelFace
    from ivkit.panel.cells import usual_face

    stated = bench.light.distance_m if bench is not None else None
    distance = distance_m if distance_m is not None else stated
    if distance is None:
        return None
    face = None
    if bench is not None:
        part = bench.panel
        sizes = (part.width_cm, part.height_cm, part.rows, part.columns)
        if all(size is not None for size in sizes):
            face = PanelFace(part.width_cm / 100, part.height_cm / 100, part.rows, part.columns)
    if face is None and sheet is not None:
        face = usual_face(sheet)
    if face is None:
        if distance_m is not None:
            raise click.UsageError(
                "--lamp-distance needs the places of the cells: width_cm, height_cm, rows and "
                "columns in [panel] of the bench, or a --datasheet with cells and area_cm2"
            )
        if notes is not None:
            notes.append(
                f"the lamp is {distance:g} m away, but its light counts as parallel, because "
                "nobody says where the cells are: give width_cm, height_cm, rows and columns in "
                "[panel] of the bench"
            )
        return None
    geometry = Geometry(face, distance, tilt_axis_deg=90.0 if about == "height" else 0.0)
    if bench is not None:
        light, mount = bench.light, bench.mount
        kind = light.shape or ("beam" if light.beam_angle_deg is not None else "point")
        need = {"disc": "size_m", "strip": "size_m", "beam": "beam_angle_deg"}.get(kind)
        if need is not None and getattr(light, need) is None:
            raise BenchError(
                f'shape = "{kind}" without {need}', f"{bench.path}, [light]", f"give {need}"
            )
        shape = {
            "point": Point,
            "disc": lambda: Disc(light.size_m / 2.0),
            "strip": lambda: Strip(light.size_m),
            "beam": lambda: Beam(light.beam_angle_deg),
        }[kind]()
        u = light.u_distance_m if light.u_distance_m is not None else _DISTANCE.u
        offset = (mount.offset_across_m, mount.offset_up_m)
        geometry = replace(geometry, shape=shape, u_distance_m=u, offset_m=offset)
    if notes is not None:
        if bench is None or bench.light.u_distance_m is None:
            notes.append(_DISTANCE.sentence("u_distance_m in [light] of the bench"))
        if isinstance(geometry.shape, Beam):
            notes.append(_BEAM.sentence())
    return geometry


def of_sheet(
    sheet: "Datasheet",
    geometry: Geometry | None,
    glass: str | None = None,
    temperature: float | None = None,
    u_temperature: float | None = None,
    notes: list[str] | None = None,
) -> Scene:
    """Return a panel by its datasheet."""
    from ivkit.light.glass import NAMED

    notes = [] if notes is None else notes
    usual = ASSUMED["cell temperature"]
    celsius = usual.value if temperature is None else temperature
    if temperature is None:
        notes.append(usual.sentence())
    if u_temperature is None:
        u_temperature = usual.u
        if temperature is not None:
            u_temperature = ASSUMED["stated cell temperature"].u
            notes.append(ASSUMED["stated cell temperature"].sentence())

    iam = sheet.iam if glass is None else NAMED[glass]
    return Scene(
        *_with_doubts(sheet, celsius, u_temperature, iam, geometry, sheet.bypass_groups),
        1000.0,
        notes,
    )


def of_sweep(
    fit: "Fit",
    bench: "Bench | None",
    geometry: Geometry | None,
    glass: str | None = None,
    temperature: float | None = None,
    u_temperature: float | None = None,
    sweep_light: str | None = None,
) -> Scene:
    """Return a panel by a sweep that was taken facing the light.

    ``sweep_light`` is ``lamp`` where the sweep was taken in the near lamp's unequal light, ``even``
    where it was not, None where the sweep shall tell.
    """
    from ivkit.errors import SweepError
    from ivkit.light.glass import NAMED, PLAIN
    from ivkit.panel.measured_panel import NOISE, measured_panel

    if fit.model is None:
        raise SweepError(f"no curve to turn ({', '.join(fit.flags)})", fit.sweep.name)
    known = fit.sweep.condition
    notes = [f"the sweep: {fault}" for fault in fit.faults if fault.severity != "note"]
    celsius = temperature if temperature is not None else known.temp_cell
    if celsius is None:
        celsius = ASSUMED["cell temperature"].value
        notes.append(f"in the sweep and since: {ASSUMED['cell temperature'].sentence()}")
    relative = known.effective_irradiance is None
    if relative:
        # In percent of its own light, which it is by definition: nothing is uncertain about that.
        known = replace(known, effective_irradiance=PERCENT, u_effective_irradiance=1e-12 * PERCENT)
        notes.append(
            "the sweep does not state its light, so light counts in times of that; for W/m2 give "
            "--sweep-irradiance, or irradiance_W_m2 in [condition] of the bench"
        )
    if known.temp_cell is None:
        known = replace(known, temp_cell=celsius)
    fit = replace(fit, sweep=replace(fit.sweep, condition=known))
    panel = measured_panel(fit)
    if bench is not None and bench.panel.bypass_groups:
        panel = replace(panel, bypass_groups=bench.panel.bypass_groups)
    iam = PLAIN if glass is None else NAMED[glass]
    u_heat = u_temperature
    if u_heat is None:
        since = temperature is None
        usual = ASSUMED["cell temperature since the sweep" if since else "stated cell temperature"]
        u_heat = usual.u
        notes.append(usual.sentence("--u-temperature"))
    refit: Callable | None = None
    either = None
    if geometry is not None:
        panel, refit, either = _by_cells(panel, fit, geometry, iam, sweep_light, notes)
    turned, doubts = _with_doubts(panel, celsius, u_heat, iam, geometry, panel.bypass_groups, refit)
    if either is not None:
        doubts["evenness of the sweep's light"] = replace(turned, panel=either.panel())
    leave = {ITS_LIGHT} if relative else set()
    if temperature is None:
        leave.add(ITS_HEAT)  # it was read alike then and since: what matters is a difference
    doubts = {
        name.replace(NOISE, f"{NOISE} of the sweep"): replace(other, relative=relative)
        for name, other in doubts.items()
        if name not in leave
    }
    return Scene(
        replace(turned, relative=relative), doubts, float(known.effective_irradiance), notes
    )


def _by_cells(
    panel: "MeasuredPanel",
    fit: "Fit",
    geometry: Geometry,
    iam: Any,
    sweep_light: str | None,
    notes: list[str],
) -> "tuple[MeasuredPanel, Callable | None, MeasuredPanel | None]":
    """Return the panel as its cells make it, how to take it anew for another geometry, and the
    panel that it is as well as not, where the sweep does not tell.
    """
    from ivkit.errors import SweepError
    from ivkit.panel.unequal import in_unequal_light

    face = geometry.face
    if panel.cells is not None and panel.cells != face.cells:
        raise SweepError(
            f"the sweep is of {panel.cells} cells, the bench has {face.rows} rows of "
            f"{face.columns}",
            fit.sweep.name,
            "make rows times columns the number of cells",
        )
    panel = replace(panel, cells=face.cells)
    note = f"the light is that of a lamp {geometry.distance_m:g} m away, cell by cell"
    if sweep_light == "even":
        notes.append(f"{note}; the sweep's was even, as stated (--sweep-light)")
        return panel, None, None

    def taken(start: "MeasuredPanel", geometry: Geometry) -> Any:
        return in_unequal_light(start, fit, geometry.shares(iam)[90])

    def settled(unequal: Any) -> "MeasuredPanel":
        if unequal.settled:
            return unequal.panel
        raise SweepError(
            f"no {face.cells} cells in the light of that lamp have this curve",
            fit.sweep.name,
            "check [light] and [mount] of the bench, or state --sweep-light even",
        )

    unequal = taken(panel, geometry)
    if sweep_light is None and unequal.seen is False:
        notes.append(
            f"{note}; the sweep's light was even, as its curve shows (chi-square "
            f"{unequal.chi_square_even:.0f}, against {unequal.chi_square:.0f} under that lamp)"
        )
        return panel, None, None
    known = settled(unequal)
    told = {None: "which its curve does not tell (--sweep-light)", True: "as its curve shows"}
    how = "as stated (--sweep-light)" if sweep_light else told[unequal.seen]
    notes.append(f"{note}, and so was the sweep's, {how}")
    either = panel if sweep_light is None and unequal.seen is None else None

    def refit(other: Geometry) -> "MeasuredPanel":
        return settled(taken(known, other))

    return known, refit, either


def _with_doubts(
    known: Any,
    celsius: float,
    u_celsius: float,
    iam: Any,
    geometry: Geometry | None,
    groups: int,
    refit: Callable | None = None,
) -> "tuple[Turned, dict[str, Turned]]":
    """Return the panel that turns, and the same with one thing one standard uncertainty off."""
    from ivkit.light.glass import inputs_of, off
    from ivkit.verdict.turned import Turned

    near = None if geometry is None else geometry.shares(iam)
    turned = Turned(known.panel(), celsius, iam, near, groups)
    doubts = {name: replace(turned, panel=known.panel({name: 1.0})) for name in known.sources}
    if u_celsius > 0:
        doubts["cell temperature"] = replace(turned, temp_cell=celsius + u_celsius)
    for name in inputs_of(iam):
        other_iam = off(iam, name)
        near = None if geometry is None else geometry.shares(other_iam)
        doubts[name] = replace(turned, iam=other_iam, near=near)
    for name, other in ({} if geometry is None else geometry.moved()).items():
        moved = turned.panel if refit is None else refit(other).panel()
        doubts[name] = replace(turned, panel=moved, near=other.shares(iam))
    return turned, doubts
