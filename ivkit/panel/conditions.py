"""The same panel in other light and at another temperature: a reference, and how it is left.

The five parameters move as De Soto, Klein and Beckman have them, Solar Energy 80 (2006) 78,
doi:10.1016/j.solener.2005.06.010, and eight coefficients stand beside their equations for what
measured modules do besides (NREL/TP-5200-61610, `ivkit.panel.technology`). With s = S / S_ref, the
effective irradiance over that of the reference, and T the cell temperature in kelvin:

    a = a_ref T / T_ref
    IL = s^(1 + m) (IL_ref + alpha (T - T_ref))
    I0 = I0_ref (T / T_ref)^3 exp(Eg_ref / (k T_ref) - Eg / (k T)) s^c1 exp(c2 ln(s)^2)
    Eg = Eg_ref (1 + dEgdT (T - T_ref))
    Rsh = Rsh_ref s^-k exp(h (T - T_ref)) from 100 W/m2 up, and with a k of its own below
    Rs = Rs_ref s^e exp(d (T - T_ref))

m = c1 = c2 = d = e = h = 0 and k = 1 are De Soto's equations. Below 100 W/m2 no module of those was
measured: a shunt that is a plain resistance stays what it is, k = 0; k = 1 makes it vanish.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError

KELVIN = 273.15
BOLTZMANN_EV = 8.617333262e-5  # eV/K, CODATA 2018
#: Below this effective irradiance, W/m2, the law of the shunt is not supported by measurements.
LOW_LIGHT = 100.0
_GAPS = (-2.0, 10.0)  # eV: no activation energy is outside, nor does a curve of one overflow
_BY_LIGHT = ("current_exponent", "diode_exponent", "diode_bend", "series_exponent")
WARMER = 2.0  # K above 25 degC, where a coefficient of Voc is required to hold (De Soto et al.)


@dataclass(frozen=True)
class ReferencePanel:
    """Five parameters at a reference condition, and how they move away from it.

    Every attribute but ``cells`` is a number or an array; they broadcast.

    Attributes
    ----------
    photocurrent, saturation_current : float or ndarray, A
    resistance_series, resistance_shunt : float or ndarray, ohm
    nNsVth : float or ndarray, V. All five at the reference.
    alpha_sc : float or ndarray. Change of the short-circuit current with temperature at the
        reference, A/K.
    cells : In series.
    EgRef : Activation energy of the saturation current at the reference, eV: the band gap of
        silicon where not given.
    dEgdT : Its relative change with temperature, 1/K.
    irradiance_ref : Effective irradiance at the reference, W/m2.
    temp_ref : Cell temperature at the reference, degC.
    shunt_exponent, shunt_exponent_low : k from 100 W/m2 up, and below.
    current_exponent : m: the photocurrent goes as the irradiance to the power 1 + m.
    diode_exponent, diode_bend : c1 and c2, of the saturation current against the irradiance.
    series_per_K, shunt_per_K : d and h, 1/K.
    series_exponent : e.

    Examples
    --------
    >>> panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)
    >>> print(panel.at(820.0, 38.0).key_points().i_sc.round(6))
    0.511039
    """

    photocurrent: Any
    saturation_current: Any
    resistance_series: Any
    resistance_shunt: Any
    nNsVth: Any
    alpha_sc: Any
    cells: int | None = None
    EgRef: Any = 1.121
    dEgdT: Any = -0.0002677
    irradiance_ref: Any = 1000.0
    temp_ref: Any = 25.0
    shunt_exponent: Any = 1.0
    shunt_exponent_low: Any = 1.0
    current_exponent: Any = 0.0
    diode_exponent: Any = 0.0
    diode_bend: Any = 0.0
    series_per_K: Any = 0.0
    series_exponent: Any = 0.0
    shunt_per_K: Any = 0.0

    def at(self, effective_irradiance: ArrayLike, temp_cell: ArrayLike) -> SingleDiode:
        """Return the curve in this light (W/m2, 0 or more) and at this temperature (degC).

        Raises RangeError: negative light, or a temperature that no cell survives: kelvin by
        mistake.
        """
        light = np.asarray(effective_irradiance, dtype=float)
        if np.any(light < 0):
            raise RangeError(f"effective irradiance {light.min():g} W/m2 is negative")
        ratio, gap = self._temperature(temp_cell)
        moved = np.asarray(temp_cell, dtype=float) - self.temp_ref
        photo = light / self.irradiance_ref * (self.photocurrent + self.alpha_sc * moved)
        series = self.resistance_series + 0.0 * light
        shunt = self._shunt(light)
        if any(np.any(getattr(self, name)) for name in _BY_LIGHT):
            log = np.log(np.where(light > 0, light, self.irradiance_ref) / self.irradiance_ref)
            photo = photo * np.exp(self.current_exponent * log)
            gap = gap + (self.diode_exponent + self.diode_bend * log) * log
            series = series * np.exp(self.series_exponent * log)
        if np.any(self.series_per_K) or np.any(self.shunt_per_K):
            series = series * np.exp(self.series_per_K * moved)
            shunt = shunt * np.exp(self.shunt_per_K * moved)
        diode = self.saturation_current * ratio**3 * np.exp(gap)
        return SingleDiode(photo, diode, series, shunt, self.nNsVth * ratio)

    def _shunt(self, light: Any) -> Any:
        """Return the shunt resistance in light, ohm; none in the dark."""

        def to_1(value: Any) -> tuple[Any, Any]:
            return np.maximum(value, LOW_LIGHT) / LOW_LIGHT, np.minimum(value, LOW_LIGHT)

        high, low = to_1(light)
        high_ref, low_ref = to_1(np.asarray(self.irradiance_ref, dtype=float))
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            factor = (high_ref / high) ** self.shunt_exponent
            factor = factor * (low_ref / low) ** self.shunt_exponent_low
            return np.where(light > 0, self.resistance_shunt * factor, np.inf)[()]

    def with_beta(self, beta_voc: ArrayLike) -> "ReferencePanel":
        """Return the panel with the activation energy that gives a temperature coefficient of Voc.

        ``beta_voc``: array_like. Relative to Voc at 1000 W/m2 and 25 degC, 1/K, negative. It is met
        between 25 and 27 degC, as De Soto et al. require it.
        """
        beta = np.asarray(beta_voc, dtype=float)
        # Voc is nearly linear in the energy: a secant through two of them, then twice more.
        low = np.asarray(self.EgRef, dtype=float) + 0.0 * beta
        high = low + 0.1
        with np.errstate(all="ignore"):
            for _ in range(3):
                lacks = []
                for gap in (low, high):
                    panel = replace(self, EgRef=gap)
                    cold, warm = (panel.at(1000.0, t).voltage(0.0) for t in (25.0, 25.0 + WARMER))
                    lacks.append(warm - cold * (1.0 + WARMER * beta))
                slope = (lacks[1] - lacks[0]) / (high - low)
                low = np.clip(low - lacks[0] / slope, *_GAPS)
                high = low + 1e-3
        return replace(self, EgRef=low[()])

    def each(self, function: Callable[[np.ndarray], Any]) -> "ReferencePanel":
        """Return the panel with every number changed by a function; all have one shape then."""
        values = [np.asarray(getattr(self, name), dtype=float) for name in NUMBERS]
        values = np.broadcast_arrays(*values)
        return replace(self, **{n: function(x) for n, x in zip(NUMBERS, values, strict=True)})

    @classmethod
    def stacked(cls, panels: Sequence["ReferencePanel"]) -> "ReferencePanel":
        """Return panels of one number each as one panel with arrays of shape (B,)."""
        values = {
            name: np.array([float(np.ravel(getattr(panel, name))[0]) for panel in panels])
            for name in NUMBERS
        }
        return cls(**values, cells=panels[0].cells)

    @classmethod
    def from_curve(
        cls,
        model: SingleDiode,
        effective_irradiance: float,
        temp_cell: float,
        alpha_sc: float,
        cells: int | None = None,
        **reference: float,
    ) -> "ReferencePanel":
        """Return the panel whose curve in this light and at this temperature is ``model``.

        ``reference`` takes EgRef, dEgdT, irradiance_ref, temp_ref. Light has to be above 0.
        """
        if np.any(np.asarray(effective_irradiance) == 0):
            raise RangeError("no panel can be known from a curve in the dark")
        blank = cls(1.0, 1.0, 0.0, 1.0, 1.0, 0.0, cells, **reference)
        one = blank.at(effective_irradiance, temp_cell)
        moved = np.asarray(temp_cell, dtype=float) - blank.temp_ref
        photo = model.photocurrent / one.photocurrent - alpha_sc * moved
        diode = model.saturation_current / one.saturation_current
        shunt, width = model.resistance_shunt / one.resistance_shunt, model.nNsVth / one.nNsVth
        five = (photo, diode, model.resistance_series, shunt, width)
        return cls(*five, alpha_sc, cells, **reference)

    def _temperature(self, temp_cell: ArrayLike) -> tuple[Any, Any]:
        """Return T / T_ref, and the exponent of the saturation current."""
        celsius = np.asarray(temp_cell, dtype=float)
        if np.any((celsius < -100) | (celsius > 200)):
            odd = celsius[(celsius < -100) | (celsius > 200)].flat[0]
            remedy = "give it in degC; 298 K is 25 degC"
            raise RangeError(f"cell temperature {odd:g} degC", "", remedy)
        ref, kelvin = self.temp_ref + KELVIN, celsius + KELVIN
        band = self.EgRef * (1.0 + self.dEgdT * (celsius - self.temp_ref))
        return kelvin / ref, self.EgRef / (BOLTZMANN_EV * ref) - band / (BOLTZMANN_EV * kelvin)


#: The attributes that are numbers.
NUMBERS = tuple(field.name for field in fields(ReferencePanel) if field.name != "cells")
