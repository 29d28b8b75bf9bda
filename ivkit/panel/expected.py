"""What a panel should give by its datasheet, in any light, with the doubt of every figure.

Each source is moved by its standard uncertainty to either side and the whole panel solved anew
(JCGM 100:2008, 5.1.3 note 2), all in one batch; the curvature of what the panel's law is uncertain
by corrects the mean (5.1.2 note). Results stay tied to the sources, so that
`ivkit.curve.uncertainty.budget` says which figure to find out first.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat

from ivkit.curve.diode import SingleDiode
from ivkit.curve.key_points import KeyPoints
from ivkit.errors import RangeError
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.datasheet import Datasheet

if TYPE_CHECKING:
    from ivkit.panel.measured_panel import MeasuredPanel

Array = NDArray[np.float64]
_EITHER = np.array([1.0, -1.0])
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
    inputs = {"irradiance": effective_irradiance, "cell temperature": temp_cell}
    panel, (lights, heats) = moved_with(sheet, inputs)
    rows = function(panel.at(np.maximum(lights, 0.0), heats))
    return {key: tied_to(sheet, inputs, values) for key, values in rows.items()}


def moved_with(
    sheet: "Datasheet | MeasuredPanel", inputs: Mapping[str, Any]
) -> tuple[ReferencePanel, list[Array]]:
    """Return the panel and further inputs, each source and then each input up and down.

    Parameters
    ----------
    sheet : Datasheet or MeasuredPanel
    inputs : mapping of str to float or UFloat, of length K

    Returns
    -------
    ReferencePanel, list of ndarray
        Of arrays of shape (1 + 2 S + 2 K,), S being the number of sources: as stated first.
    """
    sheet.panel()  # refuses figures that no panel has
    more = 2 * len(inputs)
    panel = sheet.varied.each(lambda values: np.append(values, np.full(more, values[0])))
    first, rows = 1 + 2 * len(sheet.sources), []
    for k, quantity in enumerate(inputs.values()):
        row = np.full(first + more, float(getattr(quantity, "nominal_value", quantity)))
        row[first + 2 * k : first + 2 * k + 2] += getattr(quantity, "std_dev", 0.0) * _EITHER
        rows.append(row)
    return panel, rows


def tied_to(sheet: "Datasheet | MeasuredPanel", inputs: Mapping[str, Any], values: Any) -> Any:
    """Return a result of the rows of `moved_with` as one number, tied to sources and inputs."""
    values = np.asarray(values, dtype=float)
    quantity: Any = float(values[0]) + 0.0 * ufloat(0.0, 1.0)
    for k, (name, one) in enumerate([*sheet.sources.items(), *inputs.items()]):
        u = float(getattr(one, "std_dev", 0.0))
        if u > 0:
            quantity += _half(values, 1 + 2 * k, sheet, name) / u * (one - one.nominal_value)
        bend = float(values[1 + 2 * k] + values[2 + 2 * k] - 2.0 * values[0])
        if name in sheet.bends and np.isfinite(bend):
            quantity += 0.5 * bend + bend / 2**0.5 * sheet.bends[name]
    return quantity


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


def _half(values: Array, at: int, sheet: "Datasheet | MeasuredPanel", name: str) -> float:
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
        getattr(sheet, "path", "") or sheet.name,
        "state the figure, or a smaller tolerance",
    )
