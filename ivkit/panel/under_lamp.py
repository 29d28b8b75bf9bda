"""What a panel should give under this lamp: light cell by cell, the string solved, with its doubt.

The lamp's strength comes in whatever terms are at hand; its spectrum turns lux or watts into light
that the cells can use; its shape and place turn that into the light of each cell; the cells are
solved as a string, which the darkest limits. Every uncertain input is moved by its standard
uncertainty and all of it done again (JCGM 100:2008, 5.1.3 note 2), so the budget names what to
find out first.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat

from ivkit.curve.key_points import KeyPoints
from ivkit.errors import RangeError
from ivkit.light.glass import inputs_of, off
from ivkit.light.lamp import Lamp, PanelLight
from ivkit.light.lamp_shape import Beam, Shape
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.light.strength import Strength
from ivkit.panel.cells import cells_under
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.measured_panel import MeasuredPanel
from ivkit.panel.propagate import propagate
from ivkit.shown import Shown

Array = NDArray[np.float64]

#: Brighter light than any lamp on a bench makes, W/m2: a unit or a distance must be wrong. Cells
#: and panels are checked up to about 1200 W/m2.
TOO_BRIGHT = 5000.0
Panel = Datasheet | MeasuredPanel


@dataclass(frozen=True)
class UnderLamp(Shown):
    """What the panel should give.

    Attributes
    ----------
    light : PanelLight or None
        Effective irradiance of each cell before the glass, W/m2; None for even light.
    cells : ndarray, shape (rows, columns)
        The same with the incidence angle modifier of the glass, W/m2.
    effective_irradiance : UFloat
        Mean over the panel behind the glass, W/m2.
    key_points : KeyPoints
        Of the string, as uncertain numbers.
    even : KeyPoints
        What the same light, spread evenly, would give.
    loads : dict of float to UFloat
        Power into each load, W, by ohm.
    voltage, current, even_current : ndarray
        The expected curve, V and A, and that of the same light spread evenly.
    limiting_cell : int or None
        Place in the string of the cell that limits at maximum power, from 0.
    assumed : tuple of str
        What was not given.
    """

    light: PanelLight | None
    cells: Array
    effective_irradiance: UFloat
    key_points: KeyPoints
    even: KeyPoints
    loads: dict[float, UFloat]
    voltage: Array
    current: Array
    even_current: Array
    limiting_cell: int | None
    assumed: tuple[str, ...]


def under_lamp(
    sheet: Panel,
    strength: Strength,
    shape: Shape,
    distance_m: UFloat | float,
    face: PanelFace | None = None,
    *,
    tilt_deg: UFloat | float = 0.0,
    beam_angle_deg: UFloat | float | None = None,
    offset_m: tuple[float, float] = (0.0, 0.0),
    temp_cell: UFloat | float = 25.0,
    loads: Sequence[float] = (),
    assumed: Sequence[str] = (),
) -> UnderLamp:
    """Return what a panel should give under this lamp.

    Parameters
    ----------
    sheet : Datasheet or MeasuredPanel
    strength : Strength
    shape : Point, Beam, Strip or Disc
    distance_m : float or UFloat
        From the lamp to the panel's centre, m.
    face : PanelFace, optional
        The cells' places; without it the light counts as even.
    tilt_deg, offset_m : float or UFloat, tuple of float
        As in `Placement`.
    beam_angle_deg : float or UFloat, optional
        Of a beam, where it is uncertain; by default that of ``shape``.
    temp_cell : float or UFloat
        degC.
    loads : sequence of float
        Loads to say the power into, ohm.
    assumed : sequence of str
        What was not given, to be passed on.

    Raises
    ------
    RangeError
        A lamp inside or behind the panel, cells that are not those of the sheet, light that no
        lamp on a bench makes.
    """
    count = _cells_of(sheet)
    if face is not None and count is not None and face.cells != count:
        raise RangeError(
            f"{face.rows} rows of {face.columns} cells are {face.cells}, but the panel has "
            f"{count} of them",
            remedy="make rows times columns the number of cells",
        )
    notes = list(assumed)
    by_cell = face is not None and sheet.strings == 1 and count is not None
    if face is not None and not by_cell:
        notes.append(
            "curve of the mean light: which cells are in series is not known, so what the darkest "
            "of them take away is not counted"
        )
    factor, weights, told = strength.effective(sheet.kind.name)
    set_up = _SetUp(
        sheet, strength, shape, face, by_cell, offset_m, tuple(map(float, loads)), factor, weights
    )
    inputs: dict[str, Any] = {
        "reading": strength.value,
        "efficacy": strength.efficacy_lm_W,
        "distance": distance_m,
        "tilt": tilt_deg,
        "beam": beam_angle_deg if isinstance(shape, Beam) else None,
        "temperature": temp_cell,
        **{cause: ufloat(0.0, 1.0, cause) for cause in weights},
        **{name: ufloat(0.0, 1.0, name) for name in inputs_of(sheet.iam)},
        **{_OF_PANEL + name: source for name, source in sheet.sources.items()},
    }
    plain = {name: getattr(value, "nominal_value", value) for name, value in inputs.items()}
    light = set_up.light(plain)
    if light.cells.max() > TOO_BRIGHT:
        raise RangeError(
            f"the lamp would be worth {light.cells.max():.0f} W/m2 of sunlight to a cell",
            remedy="check the unit of the reading, and that distances are in metres",
        )
    cells = set_up.cells(light, plain)
    curved = {_OF_PANEL + name: bend for name, bend in sheet.bends.items()}
    found = propagate(set_up.solve, inputs, curved)
    whole = set_up.curve(plain, cells)
    limiting = None
    if by_cell:
        limiting = int(np.ravel(whole.at_max_power().limiting_cell)[0])
    even = set_up.curve(plain, cells, even=True)
    voltage = np.linspace(0.0, found["v_oc"].nominal_value, 200)
    return UnderLamp(
        None if face is None else light,
        cells,
        found["mean"],
        KeyPoints(*(found[name] for name in _NAMES)),
        KeyPoints(*(found[f"even {name}"] for name in _NAMES)),
        {ohm: found[f"load {ohm!r}"] for ohm in set_up.loads},
        voltage,
        np.asarray(whole.current(voltage)),
        np.asarray(even.current(voltage)),
        limiting,
        tuple(dict.fromkeys([*notes, *told])),
    )


def _cells_of(sheet: Panel) -> int | None:
    """Return the number of cells of all strings, where it is known."""
    return None if sheet.cells is None else sheet.cells * sheet.strings


_NAMES = ("i_sc", "v_oc", "v_mp", "i_mp")
_OF_PANEL = "panel: "  # a sweep's front end has a shunt as well


@dataclass(frozen=True)
class _SetUp:
    """What stays while the uncertain inputs are moved; inputs are plain numbers by name."""

    sheet: Panel
    strength: Strength
    shape: Shape
    face: PanelFace | None
    by_cell: bool
    offset_m: tuple[float, float]
    loads: tuple[float, ...]
    factor: float
    weights: dict[str, float]

    def light(self, given: Mapping[str, Any]) -> PanelLight:
        """Return the effective irradiance of each cell ahead of the glass, W/m2."""
        strength = self.strength
        placement = Placement(given["distance"], given["tilt"], 0.0, self.offset_m)
        shape = self.shape if given["beam"] is None else Beam(given["beam"])
        reading = max(given["reading"], 0.0)
        if strength.terms in ("panel", "cell"):
            then = strength.read_at or placement
            lamp = Lamp.from_panel_centre(shape, reading, then, strength.unit)
        elif strength.terms == "distance":
            lamp = Lamp.from_reading(shape, reading, strength.distance_m, strength.unit)
        else:
            lamp = Lamp.from_power(shape, reading, given["efficacy"])
        share = 1.0 + sum(weight * given[cause] for cause, weight in self.weights.items())
        lamp = lamp.times(self.factor * max(share, 0.0), "W_m2")
        return lamp.on(self.face or _POINT, placement)

    def cells(self, light: PanelLight, given: Mapping[str, Any]) -> Array:
        """Return the effective irradiance of each cell behind the glass, W/m2."""
        iam = self.sheet.iam
        for name in inputs_of(iam):
            iam = off(iam, name, given[name])
        return light.cells * iam(light.aoi)

    def curve(self, given: Mapping[str, Any], cells: Array, even: bool = False) -> Any:
        """Return the panel's curve: its string of cells, or with the light spread evenly."""
        celsius = given["temperature"]
        panel = self.sheet.panel({name: given[_OF_PANEL + name] for name in self.sheet.sources})
        if even or not self.by_cell:
            return panel.at(float(np.mean(cells)), celsius)
        return cells_under(
            panel,
            cells.ravel()[self.face.series_order],
            celsius,
            bypass_groups=self.sheet.bypass_groups,
        )

    def solve(self, **given: Any) -> dict[str, float]:
        """Return the mean light, the key points of the string and of even light, and the loads."""
        cells = self.cells(self.light(given), given)
        curve = self.curve(given, cells)
        return {
            "mean": float(np.mean(cells)),
            **_points(curve, ""),
            **_points(self.curve(given, cells, even=True), "even "),
            **_powers(curve, self.loads),
        }


#: A panel without extent, for even light.
_POINT = PanelFace(1e-6, 1e-6, 1, 1)


def _points(curve: Any, prefix: str) -> dict[str, float]:
    points = curve.key_points()
    return {
        f"{prefix}{name}": float(np.ravel(getattr(points, name))[0])
        for name in ("i_sc", "v_oc", "v_mp", "i_mp")
    }


def _powers(curve: Any, loads: Sequence[float]) -> dict[str, float]:
    return {
        f"load {ohm!r}": float(np.ravel(curve.operating_point(ohm).power)[0])
        for ohm in map(float, loads)
    }
