"""The same panel in other light and at another temperature: five parameters at a reference.

De Soto, Klein and Beckman, Solar Energy 80 (2006) 78, doi:10.1016/j.solener.2005.06.010:

    a = a_ref T / T_ref
    IL = S / S_ref (IL_ref + alpha (T - T_ref))
    I0 = I0_ref (T / T_ref)^3 exp(Eg_ref / (k T_ref) - Eg / (k T))
    Eg = Eg_ref (1 + dEgdT (T - T_ref))
    Rsh = Rsh_ref S_ref / S
    Rs = Rs_ref

with S the effective irradiance and T the cell temperature in kelvin. Rsh ~ 1/S is a fit to
crystalline modules in daylight; below about 100 W/m2 a real shunt grows less than that.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError

KELVIN = 273.15
BOLTZMANN_EV = 8.617333262e-5  # eV/K, CODATA 2018
#: Below this effective irradiance, W/m2, the law of the shunt is not supported by measurements.
LOW_LIGHT = 100.0


@dataclass(frozen=True)
class ReferencePanel:
    """Five parameters at a reference condition, and how they move away from it.

    Attributes
    ----------
    photocurrent, saturation_current : float or ndarray, A
    resistance_series, resistance_shunt : float or ndarray, ohm
    nNsVth : float or ndarray, V
        All five at the reference; they broadcast.
    alpha_sc : float or ndarray
        Change of the short-circuit current with temperature at the reference, A/K.
    cells : int or None
        In series.
    EgRef : float
        Band gap at the reference, eV; silicon where not given.
    dEgdT : float
        Its relative change with temperature, 1/K.
    irradiance_ref : float
        Effective irradiance at the reference, W/m2.
    temp_ref : float
        Cell temperature at the reference, degC.

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
    EgRef: float = 1.121
    dEgdT: float = -0.0002677
    irradiance_ref: float = 1000.0
    temp_ref: float = 25.0

    def at(self, effective_irradiance: ArrayLike, temp_cell: ArrayLike) -> SingleDiode:
        """Return the curve in this light (W/m2, 0 or more) and at this temperature (degC).

        Raises
        ------
        RangeError
            Negative light, or a temperature that no cell survives: kelvin by mistake.
        """
        share = self._share(effective_irradiance)
        ratio, gap = self._temperature(temp_cell)
        moved = np.asarray(temp_cell, dtype=float) - self.temp_ref
        with np.errstate(divide="ignore", over="ignore"):
            shunt = np.asarray(self.resistance_shunt, dtype=float) / share
        return SingleDiode(
            share * (self.photocurrent + self.alpha_sc * moved),
            self.saturation_current * ratio**3 * np.exp(gap),
            self.resistance_series + 0.0 * share,
            shunt,
            self.nNsVth * ratio,
        )

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
        blank = cls(1.0, 1.0, 0.0, 1.0, 1.0, 0.0, cells, **reference)
        share = blank._share(effective_irradiance)
        if np.any(share == 0):
            raise RangeError("no panel can be known from a curve in the dark")
        ratio, gap = blank._temperature(temp_cell)
        moved = np.asarray(temp_cell, dtype=float) - blank.temp_ref
        return cls(
            model.photocurrent / share - alpha_sc * moved,
            model.saturation_current / ratio**3 * np.exp(-gap),
            model.resistance_series,
            model.resistance_shunt * share,
            model.nNsVth / ratio,
            alpha_sc,
            cells,
            **reference,
        )

    def _share(self, effective_irradiance: ArrayLike) -> Any:
        light = np.asarray(effective_irradiance, dtype=float)
        if np.any(light < 0):
            raise RangeError(f"effective irradiance {light.min():g} W/m2 is negative")
        return light / self.irradiance_ref

    def _temperature(self, temp_cell: ArrayLike) -> tuple[Any, Any]:
        """Return T / T_ref, and the exponent of the saturation current."""
        celsius = np.asarray(temp_cell, dtype=float)
        if np.any((celsius < -100) | (celsius > 200)):
            odd = celsius[(celsius < -100) | (celsius > 200)].flat[0]
            raise RangeError(
                f"cell temperature {odd:g} degC", "", "give it in degC; 298 K is 25 degC"
            )
        ref, kelvin = self.temp_ref + KELVIN, celsius + KELVIN
        band = self.EgRef * (1.0 + self.dEgdT * (celsius - self.temp_ref))
        return kelvin / ref, self.EgRef / (BOLTZMANN_EV * ref) - band / (BOLTZMANN_EV * kelvin)
