"""A panel's power on a grid of light and temperature, so that a year of minutes costs nothing.

Power is a smooth function of ln(irradiance) and temperature: some tens of thousands of solutions of
the diode equation and a cubic spline through their logarithms give it to better than 1e-5.
"""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError

# W/m2: below, a panel's power is nothing to anybody and is counted as such.
FAINTEST = 0.1
_LN_STEP, _TEMP_STEP = 0.02, 2.5  # of ln(W/m2), and degC
_MARGIN = 6  # nodes: a spline's edge is felt over about this many


class Panel(Protocol):
    """What can say its curve at any condition."""

    def at(self, effective_irradiance: Any, temp_cell: Any) -> SingleDiode:
        """Return the curve at an irradiance (W/m2) and a cell temperature (degC)."""


@dataclass(frozen=True)
class PowerTable:
    """Power against light and temperature, to be looked up.

    Attributes
    ----------
    ln_least, temp_least : Where the grid begins: ln(W/m2) and degC.
    at_max_power : shape (light, temperature). Spline coefficients of ln(W).
    into_load : ndarray or None. The same for a fixed load.
    brightest : W/m2; the table ends there.
    coldest, hottest : degC; the table ends there.
    """

    ln_least: float
    temp_least: float
    at_max_power: np.ndarray
    into_load: np.ndarray | None
    brightest: float
    coldest: float
    hottest: float

    @classmethod
    def of(
        cls,
        panel: Panel,
        load_ohm: float | None = None,
        *,
        brightest: float = 1600.0,
        coldest: float = -40.0,
        hottest: float = 100.0,
    ) -> "PowerTable":
        """Return the table of a panel.

        Parameters
        ----------
        load_ohm : A fixed load, ohm, greater than 0.
        brightest : Greatest effective irradiance, W/m2.
        coldest, hottest : Range of cell temperature, degC.

        Raises RangeError: a load that takes no power, or a panel that gives none.
        """
        from scipy.ndimage import spline_filter

        if load_ohm is not None and not 0 < load_ohm < np.inf:
            what = f"a load of {load_ohm:g} ohm takes no power"
            raise RangeError(what, remedy="give it in ohm, above 0")
        brightest = max(brightest, 1.0)
        below = np.log(FAINTEST) - _MARGIN * _LN_STEP
        nodes = int(np.ceil((np.log(brightest) - below) / _LN_STEP)) + _MARGIN + 1
        light = np.exp(below + _LN_STEP * np.arange(nodes))
        cold = coldest - _MARGIN * _TEMP_STEP
        nodes = int(np.ceil((hottest - cold) / _TEMP_STEP)) + _MARGIN + 1
        curves = panel.at(light[:, None], cold + _TEMP_STEP * np.arange(nodes))
        powers = [curves.key_points().p_mp]
        if load_ohm is not None:
            powers.append(curves.operating_point(load_ohm).power)
        splines: list[np.ndarray | None] = []
        for power in powers:
            if not (np.all(np.isfinite(power)) and np.all(power > 0)):
                raise RangeError(
                    f"the panel gives no power somewhere between {FAINTEST:g} and "
                    f"{brightest:.0f} W/m2, {coldest:.0f} and {hottest:.0f} °C",
                    remedy="check its parameters",
                )
            splines.append(spline_filter(np.log(power), order=3, mode="mirror"))
        splines.append(None)
        return cls(below, cold, splines[0], splines[1], brightest, coldest, hottest)

    def look_up(self, effective_irradiance: Any, temp_cell: Any) -> tuple[Any, Any]:
        """Return the power (W) at maximum power and into the load (None without a load).

        Parameters
        ----------
        effective_irradiance : ndarray. W/m2, one-dimensional; below 0.1 W/m2 the power is counted
            as 0.
        temp_cell : ndarray. degC, of the same shape.

        Raises RangeError: a value beyond the table's edge.
        """
        from scipy.ndimage import map_coordinates

        light = np.asarray(effective_irradiance, dtype=float)
        temp = np.asarray(temp_cell, dtype=float)
        for values, low, high, unit in (
            (light, -np.inf, self.brightest, "W/m2"),
            (temp, self.coldest, self.hottest, "degC"),
        ):
            if values.size and not (values.min() >= low and values.max() <= high):
                worst = values.max() if values.max() > high else values.min()
                edge = f"{high:g}" if np.isinf(low) else f"{low:g} to {high:g}"
                raise RangeError(f"{worst:g} {unit} is beyond the table of powers, {edge} {unit}")
        lit = light > FAINTEST
        by_light = (np.log(np.where(lit, light, 1.0)) - self.ln_least) / _LN_STEP
        place = np.stack([by_light, (temp - self.temp_least) / _TEMP_STEP])

        def power(spline: np.ndarray) -> np.ndarray:
            ln = map_coordinates(spline, place, order=3, prefilter=False, mode="mirror")
            return np.where(lit, np.exp(ln), 0.0)

        return power(self.at_max_power), (None if self.into_load is None else power(self.into_load))
