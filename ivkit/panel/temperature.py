"""Cell temperature from the open-circuit voltage, as IEC 60904-5 has it: the cell is the sensor.

IEC 60904-5:2011 has a line through one known condition (written from memory, its text not at hand):

    T2 = T1 + (1/beta_rel) [Voc2/Voc1 - 1 - a ln(G2/G1)]

Here the panel's own curve takes its place, of which that is the tangent: the temperature at which
the panel, by its datasheet or a sweep, has this voltage in this light.
"""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat

from ivkit.errors import RangeError
from ivkit.panel.bracket import rising_root
from ivkit.panel.datasheet import Datasheet

if TYPE_CHECKING:
    from ivkit.panel.measured_panel import MeasuredPanel

Array = NDArray[np.float64]

#: How an answer names where its cell temperature is from.
FROM_VOC = "Voc (IEC 60904-5)"
#: degC. No panel in use is colder or hotter: then voltage, light and panel do not go together.
COLDEST, HOTTEST = -50.0, 130.0
_BEYOND = 40.0  # K, as far as one standard uncertainty may move it past these
_FINE = 1e-9  # of the bracket
_ROUNDS = 5  # each leaves a few hundredths of the error: the current is nearly linear in the light


def temperature_from_voc(
    panel: "Datasheet | MeasuredPanel", v_oc: Any, *, light: Any = None, i_sc: Any = None
) -> Any:
    """Return the cell temperature, degC, at which a panel has an open-circuit voltage.

    Parameters
    ----------
    panel : Each of its sources is moved up and down, and the temperature found anew.
    v_oc : float or UFloat. V, above 0.
    light : float or UFloat. Effective irradiance, W/m2, above 0.
    i_sc : float or UFloat. In place of it: short-circuit current in the same light, A, above 0.
        What it is against the panel's own at 1000 W/m2 is the best measure of the light.

    Returns UFloat: Tied to the panel's sources and to what voltage and light are tied to.

    Raises RangeError: no light, or two; a voltage or light that is not positive; a temperature that
    no panel in use has, below -50 or above 130 degC; BenchError: no panel has the figures of the
    datasheet, or no single diode is the model of its cells.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> sheet = make_datasheet(SheetFile(pmp_W=10.0, cells=36, voc_V=21.8, voc_tolerance_pct=1))
    >>> print(f"{temperature_from_voc(sheet, 20.2, light=800.0):.2uS} degC")
    43.2(2.3) degC
    """
    if (light is None) == (i_sc is None):
        what = "how strong the light was is not known, or told twice"
        remedy = "give either the irradiance or the short-circuit current"
        raise RangeError(what, "cell temperature from Voc", remedy)
    inputs = {"open-circuit voltage": v_oc}
    inputs |= {"irradiance": light} if i_sc is None else {"short-circuit current": i_sc}
    panel.panel()  # refuses figures that no panel has
    curves = panel.varied.each(lambda values: np.append(values, np.full(4, values[0])))
    first = 1 + 2 * len(panel.sources)  # each of them up and down, then each input
    rows = []
    for k, quantity in enumerate(inputs.values()):
        row = np.full(first + 4, float(getattr(quantity, "nominal_value", quantity)))
        u = getattr(quantity, "std_dev", 0.0)
        row[first + 2 * k : first + 2 * k + 2] += u, -u
        rows.append(row)
    for name, row, unit in zip(inputs, rows, ("V", "W/m2" if i_sc is None else "A"), strict=True):
        if not np.all(row > 0):
            what = f"{name} of {row[0]:g} {unit}, less one standard uncertainty, is not above 0"
            remedy = "read it with the panel in the light, and better"
            raise RangeError(what, "cell temperature from Voc", remedy)
    volts, told = rows

    def lacks(celsius: Array) -> Array:
        shining = told
        if i_sc is not None:
            shining = np.full(told.shape, 1000.0)
            for _ in range(_ROUNDS):
                shining = shining * told / curves.at(shining, celsius).current(0.0)
        return volts - curves.at(shining, celsius).voltage(0.0)

    low, high = (np.full(volts.shape, x) for x in (COLDEST - _BEYOND, HOTTEST + _BEYOND))
    found = rising_root(lacks, low, high, 1, _FINE)
    if not COLDEST < found[0] < HOTTEST:
        word = f"below {COLDEST:g}" if found[0] < 0 else f"above {HOTTEST:g}"
        raise RangeError(
            f"Voc of {volts[0]:.4g} V in this light would need cells {word} degC",
            panel.name or "cell temperature from Voc",
            "check the voltage, the light, and voc_V and cells of the datasheet",
        )
    celsius: Any = float(found[0]) + 0.0 * ufloat(0.0, 1.0)
    up, down = found[1::2] - found[0], found[2::2] - found[0]
    up, down = np.where(np.isfinite(up), up, -down), np.where(np.isfinite(down), down, -up)
    for k, (name, one) in enumerate({**panel.sources, **inputs}.items()):
        u = getattr(one, "std_dev", 0.0)
        if u > 0:
            celsius += 0.5 * float(up[k] - down[k]) / u * (one - one.nominal_value)
        bend = float(up[k] + down[k])
        if name in panel.bends and np.isfinite(bend):
            celsius += 0.5 * bend + bend / 2**0.5 * panel.bends[name]
    return celsius
