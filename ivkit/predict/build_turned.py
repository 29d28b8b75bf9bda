"""A panel that is turned, as a scene: by its datasheet or by a sweep taken facing the light.

What is stated is a mapping by the names in `TURNED`; None stands for what nobody says.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from uncertainties import ufloat

from ivkit.assumptions import ASSUMED
from ivkit.bench import Bench
from ivkit.curve.fit import Fit
from ivkit.errors import BenchError, RangeError, SweepError
from ivkit.light.glass import NAMED
from ivkit.light.panel_face import PanelFace
from ivkit.panel.cells import usual_face
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.measured_panel import MeasuredPanel
from ivkit.panel.unequal import Unequal, in_unequal_light
from ivkit.predict.build import facing_of, mount_of, stated_or_usual, uncertain, warmth_of
from ivkit.predict.build_lamp import shape_of, with_bench
from ivkit.predict.facing import DISTANCE, Facing
from ivkit.predict.lamp_facing import LampFacing
from ivkit.predict.of_sweep import SweepPanel, panel_of_sweep
from ivkit.predict.scene import At, Mount, Scene

#: What is asked of a panel that is turned.
TURNED = (
    *("irradiance", "u_irradiance", "u_light", "temperature", "u_temperature"),
    *("stray", "u_stray", "iam", "sweep_light"),
)
BEAM, EVENNESS = "beam angle", "evenness of the sweep's light"
_NO_STRAY = Mount(0.0, 0.0, 0.0)
_NEEDS = {"disc": "size_m", "strip": "size_m", "beam": "beam_angle_deg"}

Place = Mapping[str, Any]
"""Where a near lamp is: arguments of `LampFacing.of`."""


@dataclass(frozen=True)
class Turned:
    """A panel that is turned.

    Attributes
    ----------
    scene : Scene
        Its light that of the panel facing it.
    u_light : float or None
        How well that light is known before any reading, as a fraction; None where it may be any.
    relative : bool
        Light counts in units of that of the panel's sweep.
    light : str
        Which light it is, for the answer's first lines; empty where nobody says.
    assumed, notes : list of str
    """

    scene: Scene
    u_light: float | None
    relative: bool
    light: str
    assumed: list[str]
    notes: list[str]


def place_of(
    bench: Bench | None,
    distance_m: float | None,
    panel: Any,
    about: str = "width",
    *,
    assumed: list[str],
    notes: list[str],
) -> Place | None:
    """Return where a near lamp is by the bench, a stated distance going before it.

    Parameters
    ----------
    bench : Bench or None
    distance_m : float or None
        From the lamp, m, as stated.
    panel : Datasheet or None
        For square cells over its area, where the bench does not say where they are.
    about : str
        What the panel is turned about: its ``width`` or its ``height``.
    assumed, notes : list of str

    Returns
    -------
    mapping or None
        None for parallel light.

    Raises
    ------
    RangeError
        A stated distance, and nobody says where the cells are.
    BenchError
        A lamp's shape without its size.
    """
    told = with_bench({"distance": distance_m}, bench)
    distance = told["distance"]
    if distance is None:
        return None
    sizes = [told[name] for name in ("width", "height", "rows", "columns")]
    face = PanelFace(*sizes) if all(size is not None for size in sizes) else None
    if face is None and panel is not None:
        face = usual_face(panel)
    if face is None and distance_m is not None:
        raise RangeError(
            "--lamp-distance needs the places of the cells: width_cm, height_cm, rows and "
            "columns in [panel] of the bench, or a --datasheet with cells and area_cm2"
        )
    if face is None:
        notes.append(
            f"the lamp is {distance:g} m away, but its light counts as parallel, because nobody "
            "says where the cells are: give width_cm, height_cm, rows and columns in [panel] of "
            "the bench"
        )
        return None
    need = _NEEDS.get(told["shape"])
    if need is not None and getattr(bench.light, need) is None:
        raise BenchError(
            f'shape = "{told["shape"]}" without {need}', f"{bench.path}, [light]", f"give {need}"
        )
    instead = "u_distance_m in [light] of the bench"
    u = stated_or_usual("distance of the lamp", told["u_distance"], assumed, instead)
    shape, beam = shape_of(told, assumed)
    return {
        "shape": shape,
        "distance_m": uncertain(distance, u, DISTANCE),
        "face": face,
        "beam_angle_deg": beam,
        "offset_m": told["offset"],
        "axis_deg": 90.0 if about == "height" else 0.0,
    }


def turned_of(
    given: Mapping[str, Any],
    bench: Bench | None,
    sheet: Datasheet | None = None,
    fit: Fit | None = None,
    *,
    parallel: bool = False,
    lamp_distance: float | None = None,
    about: str = "width",
) -> Turned:
    """Return a panel by its fitted sweep, else by its datasheet, in the light of the bench.

    Parameters
    ----------
    given : mapping
        By the names in `TURNED`; what is missing nobody says.
    bench : Bench or None
        For the lamp's place, the cells' places and the bypass diodes.
    sheet, fit : optional
        One of them at least.
    parallel : bool
        The light is parallel, whatever the bench says.
    lamp_distance, about
        As in `place_of`.
    """
    given, assumed, notes = dict.fromkeys(TURNED) | dict(given), [], []
    place = None
    if not parallel:
        place = place_of(bench, lamp_distance, sheet, about, assumed=assumed, notes=notes)
    if fit is None:
        found = turned_by_sheet(sheet, given, place)
    else:
        groups = bench.panel.bypass_groups if bench is not None else None
        found = turned_by_sweep(fit, given, place, sheet, groups)
    found.assumed.extend(assumed)
    found.notes.extend(notes)
    return found


def turned_by_sheet(sheet: Datasheet, given: Mapping[str, Any], place: Place | None) -> Turned:
    """Return a panel by its datasheet.

    Parameters
    ----------
    sheet : Datasheet
    given : mapping
        By the names in `TURNED`.
    place : mapping or None
        As `place_of` returns it.
    """
    assumed: list[str] = []
    irradiance, u = given["irradiance"], None
    if irradiance is None:
        facing, light = Facing(ASSUMED["facing irradiance"].value), ""
    else:
        facing = facing_of(irradiance, given["u_irradiance"], assumed)
        u, light = facing.u, f"{irradiance:g} W/m2 when the panel faces it"
    warm = warmth_of(given["temperature"], given["u_temperature"], assumed)
    scene = Scene(sheet, _from(facing, place), warm, _mount(given, assumed))
    return Turned(scene, u, False, light, assumed, [_lamp_note(place)] if place else [])


def turned_by_sweep(
    fit: Fit,
    given: Mapping[str, Any],
    place: Place | None,
    sheet: Datasheet | None = None,
    bypass_groups: int | None = None,
) -> Turned:
    """Return a panel by a sweep that was taken facing the light.

    Parameters
    ----------
    fit : Fit
    given : mapping
        By the names in `TURNED`. ``sweep_light`` is ``lamp`` where the sweep was taken in the near
        lamp's unequal light, ``even`` where it was not, None where the sweep shall tell.
    place : mapping or None
        As `place_of` returns it.
    sheet : Datasheet, optional
        For what no sweep tells.
    bypass_groups : int, optional
        Of the panel, as the bench has it.

    Raises
    ------
    SweepError
        No curve; cells that are not those of the sweep; no cells in the lamp's light have its
        curve.
    RangeError
        Light in W/m2 for a sweep that does not say its own.
    """
    assumed: list[str] = []
    notes = [f"the sweep: {fault}" for fault in fit.faults if fault.severity != "note"]
    found = panel_of_sweep(fit, sheet, notes=assumed)
    irradiance, u = given["irradiance"], None
    if irradiance is not None and found.relative:
        raise RangeError("--irradiance needs a sweep in known light: give --sweep-irradiance too")
    if irradiance is not None:
        facing = facing_of(irradiance, given["u_irradiance"], assumed)
        u, light = facing.u, f"{irradiance:g} W/m2 when the panel faces it"
    else:
        if given["u_light"] is None:
            assumed.append(ASSUMED["light since the sweep"].sentence())
        facing, light = found.same_light(1.0, given["u_light"]), "that of the sweep"
        u = facing.u if found.relative else None
    if found.relative:
        notes.append(
            "the sweep does not state its light, so light counts in times of that; for W/m2 give "
            "--sweep-irradiance, or irradiance_W_m2 in [condition] of the bench"
        )
    panel, mount = found.panel, _mount(given, assumed)
    if bypass_groups:
        panel = replace(panel, bypass_groups=bypass_groups)
    if place is not None:
        lamp, iam = LampFacing.of(1.0, **place), mount.iam or panel.iam
        panel = _by_cells(panel, fit, lamp, iam, given["sweep_light"], notes)
    warm = warmth_of(
        given["temperature"], given["u_temperature"], assumed, SweepPanel(panel, found.relative)
    )
    scene = Scene(panel, _from(facing, place), warm, mount)
    return Turned(scene, u, found.relative, light, assumed, notes)


def _mount(given: Mapping[str, Any], assumed: list[str]) -> Any:
    mount = mount_of(assumed, u_angle=0.0, stray=given["stray"], u_stray=given["u_stray"])
    return mount if given["iam"] is None else replace(mount, iam=NAMED[given["iam"]])


def _from(facing: Facing, place: Place | None) -> Facing | LampFacing:
    """Return so much light from a near lamp, or the parallel light that it is."""
    if place is None:
        return facing
    moves = {**facing.by, **facing.of_panel}
    more = sum((u * ufloat(0.0, 1.0, name) for name, u in moves.items()), 0.0)
    return LampFacing.of(facing.irradiance * (1.0 + more), **place)


def _lamp_note(place: Place) -> str:
    metres = getattr(place["distance_m"], "nominal_value", place["distance_m"])
    return f"the light is that of a lamp {metres:g} m away, cell by cell; --parallel for the sun's"


def _by_cells(
    panel: MeasuredPanel,
    fit: Fit,
    lamp: LampFacing,
    iam: Any,
    sweep_light: str | None,
    notes: list[str],
) -> MeasuredPanel:
    """Return the panel of the sweep for the light of a near lamp, cell by cell.

    Where the sweep was taken in that light, the lamp's place moves the panel too; where the sweep
    does not tell, the other panel that it may be is a source.
    """
    face = lamp.face
    if panel.cells is not None and panel.cells != face.cells:
        raise SweepError(
            f"the sweep is of {panel.cells} cells, the bench has {face.rows} rows of "
            f"{face.columns}",
            fit.sweep.name,
            "make rows times columns the number of cells",
        )
    panel = replace(panel, cells=face.cells)
    note = _lamp_note({"distance_m": lamp.distance_m}).partition(";")[0]
    if sweep_light == "even":
        notes.append(f"{note}; the sweep's was even, as stated (--sweep-light)")
        return panel

    def taken(start: MeasuredPanel, lamp: LampFacing) -> Unequal:
        parts = Scene(start, lamp, mount=replace(_NO_STRAY, iam=iam)).cells_light(At.of())[0]
        return in_unequal_light(start, fit, parts)

    def settled(unequal: Unequal) -> MeasuredPanel:
        if unequal.settled:
            return unequal.panel
        raise SweepError(
            f"no {face.cells} cells in the light of that lamp have this curve",
            fit.sweep.name,
            "check [light] and [mount] of the bench, or state --sweep-light even",
        )

    unequal = taken(panel, lamp)
    if sweep_light is None and unequal.seen is False:
        notes.append(
            f"{note}; the sweep's light was even, as its curve shows (chi-square "
            f"{unequal.chi_square_even:.0f}, against {unequal.chi_square:.0f} under that lamp)"
        )
        return panel
    known = settled(unequal)
    told = {None: "which its curve does not tell (--sweep-light)", True: "as its curve shows"}
    how = "as stated (--sweep-light)" if sweep_light else told[unequal.seen]
    notes.append(f"{note}, and so was the sweep's, {how}")
    whole = known
    for name, moved in _moved(lamp).items():
        whole = whole.also(name, settled(taken(known, moved)))
    if sweep_light is None and unequal.seen is None:
        whole = whole.also(EVENNESS, panel)
    return whole


def _moved(lamp: LampFacing) -> dict[str, LampFacing]:
    """Return the lamp with its distance and its beam one standard uncertainty off."""
    found = {}
    for name, key in ((DISTANCE, "distance_m"), (BEAM, "beam_angle_deg")):
        value = getattr(lamp, key)
        if getattr(value, "std_dev", 0.0):
            found[name] = replace(lamp, **{key: value.nominal_value + value.std_dev})
    return found
