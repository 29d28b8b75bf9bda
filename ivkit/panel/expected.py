"""What a panel should give by its datasheet, in any light, with the doubt of every figure.

Each source is moved by its standard uncertainty to either side and the whole panel solved anew
(JCGM 100:2008, 5.1.3 note 2), all in one batch; the curvature of what the panel's law is uncertain
by corrects the mean (5.1.2 note). Results stay tied to the sources, so that
`ivkit.curve.uncertainty.budget` says which figure to find out first.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat

from ivkit.curve.diode import SingleDiode
from ivkit.curve.key_points import KeyPoints
from ivkit.errors import RangeError
from ivkit.panel.datasheet import Datasheet

Array = NDArray[np.float64]
Curve = Callable[[SingleDiode], Mapping[str, Any]]


def expect(
    sheet: Datasheet,
    function: Curve,
    effective_irradiance: Any = 1000.0,
    temp_cell: Any = 25.0,
) -> dict[str, Any]:
    """Return what the datasheet's curve tells, as uncertain numbers.

    Parameters
    ----------
    sheet : Datasheet
    function : callable
        Takes the curve, `SingleDiode` with parameters of shape (B,), and returns numbers of shape
        (B,) by name.
    effective_irradiance, temp_cell : float or UFloat
        W/m2 and degC; what is uncertain about them is carried too.

    Raises
    ------
    BenchError
        No panel has the sheet's figures.
    RangeError
        Light or temperature that make no sense.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> sheet = make_datasheet(SheetFile(pmp_W=10.0, cells=36))
    >>> found = expect(sheet, lambda curve: {"power": curve.operating_point(47.0).power}, 500.0)
    >>> print(f"{found['power']:.2uS} W")
    3.81(39) W
    """
    sheet.panel()  # refuses figures that no panel has
    light, celsius = (
        float(getattr(x, "nominal_value", x)) for x in (effective_irradiance, temp_cell)
    )
    names = list(sheet.sources)
    # Rows: as stated; then up and down for each source; then up and down for light and heat.
    panel = sheet.varied.each(lambda values: np.append(values, np.full(4, values[0])))
    count = 2 * len(names) + 5
    lights, heats = np.full(count, light), np.full(count, celsius)
    u_light, u_heat = (float(getattr(x, "std_dev", 0.0)) for x in (effective_irradiance, temp_cell))
    lights[-4:-2] += u_light * np.array([1.0, -1.0])
    heats[-2:] += u_heat * np.array([1.0, -1.0])
    lights = np.maximum(lights, 0.0)
    rows = function(panel.at(lights, heats))
    out = {}
    for key, values in rows.items():
        values = np.asarray(values, dtype=float)
        quantity: Any = float(values[0]) + 0.0 * ufloat(0.0, 1.0)
        for k, name in enumerate(names):
            quantity += _half(values, 1 + 2 * k, sheet, name) * sheet.sources[name]
            bend = values[1 + 2 * k] + values[2 + 2 * k] - 2.0 * values[0]
            if name in sheet.bends and np.isfinite(bend):
                quantity += 0.5 * float(bend) + float(bend) / 2**0.5 * sheet.bends[name]
        if u_light > 0:
            slope = _half(values, -4, sheet, "irradiance") / u_light
            quantity += slope * (effective_irradiance - light)
        if u_heat > 0:
            slope = _half(values, -2, sheet, "cell temperature") / u_heat
            quantity += slope * (temp_cell - celsius)
        out[key] = quantity
    return out


def expected_key_points(
    sheet: Datasheet, effective_irradiance: Any = 1000.0, temp_cell: Any = 25.0
) -> KeyPoints:
    """Return the key points that the datasheet promises in this light, as uncertain numbers.

    The arguments and what is raised are those of `expect`.
    """

    def points(curve: SingleDiode) -> dict[str, Any]:
        found = curve.key_points()
        return {name: getattr(found, name) for name in ("i_sc", "v_oc", "v_mp", "i_mp")}

    return KeyPoints(**expect(sheet, points, effective_irradiance, temp_cell))


def _half(values: Array, at: int, sheet: Datasheet, name: str) -> float:
    """Return half of the difference between up and down; one side alone where the other is none."""
    up, down = values[at], values[at + 1]
    if np.isfinite(up) and np.isfinite(down):
        return float(0.5 * (up - down))
    if np.isfinite(up):
        return float(up - values[0])
    if np.isfinite(down):
        return float(values[0] - down)
    raise RangeError(
        f"one standard uncertainty of '{name}' makes figures that no panel has",
        sheet.path or sheet.name,
        "state the figure, or a smaller tolerance",
    )
