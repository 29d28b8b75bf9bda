"""A panel known by a measured sweep: its five parameters, carried to other light with their doubt.

It answers as a `ivkit.panel.datasheet.Datasheet` does: causes of doubt are *sources* of one
standard uncertainty, and ``panel(shifts)`` is the panel with sources off by so many. The sources
are the effects behind the sweep (divider, shunt, ...), its noise, and what is uncertain about the
light and the temperature it was taken in.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import Fit
from ivkit.curve.many import PARAMETERS
from ivkit.errors import SweepError
from ivkit.light.incidence import IncidenceAngleModifier, martin_ruiz
from ivkit.panel.conditions import LOW_LIGHT, ReferencePanel
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.low_light import SHUNT_EXPONENT, U_SHUNT_EXPONENT
from ivkit.panel.measured import Measured
from ivkit.panel.technology import Technology
from ivkit.panel.translation import U_BAND_GAP

Array = NDArray[np.float64]

NOISE = "noise"
#: Quantities that move with the sources, and whether by shares: as logarithms.
_MOVED = (*PARAMETERS, "light", "heat", "alpha", "gap")
_BY_SHARE = np.array([True, True, False, False, True, True, False, False, False])
_TOLD_APART = {
    "irradiance": "irradiance of the sweep",
    "cell temperature": "temperature of the sweep",
}


@dataclass(frozen=True)
class MeasuredPanel:
    """What a sweep says of a panel.

    Attributes
    ----------
    name : str
    kind : Technology
    cells : int or None
        In series; a sweep knows one string.
    bypass_groups : int
    area_m2 : float or None
    label : float or None
        What its datasheet promises, W, where one is given.
    estimates : ndarray, shape (9,)
        The five parameters as the fit has them (1/Rsh for Rsh), then irradiance (W/m2) and cell
        temperature (degC) of the sweep, the relative coefficient of Isc (1/K), the band gap (eV).
    shifts : mapping of str to ndarray, shape (9,)
        Of each source: what one standard uncertainty does to them, as a share where they are
        positive by nature.
    sources : dict of str to UFloat
        0 +- 1 each; the noise of a sweep takes several, all tagged alike.
    shunt_exponent : UFloat
    notes : tuple of str
        What was assumed on the way.
    """

    name: str
    kind: Technology
    cells: int | None
    bypass_groups: int
    area_m2: float | None
    label: float | None
    estimates: Array
    shifts: Mapping[str, Array]
    notes: tuple[str, ...] = ()
    iam: IncidenceAngleModifier = martin_ruiz
    strings: int = 1
    assumed: tuple[str, ...] = ()
    sources: dict[str, UFloat] = field(init=False, compare=False, repr=False)
    shunt_exponent: UFloat = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        sources = {
            name: ufloat(0.0, 1.0, NOISE if name.startswith(NOISE) else name)
            for name in self.shifts
        }
        object.__setattr__(self, "sources", sources)
        exponent = ufloat(SHUNT_EXPONENT, float(U_SHUNT_EXPONENT), "shunt in faint light")
        object.__setattr__(self, "shunt_exponent", exponent)

    @property
    def p_mp(self) -> float:
        """Maximum power at 1000 W/m2, AM1.5G, 25 degC: of the label, or else by the sweep, W."""
        if self.label is not None:
            return self.label
        return float(self.panel().at(1000.0, 25.0).key_points().p_mp)

    def panel(
        self,
        shifts: Mapping[str, float] | None = None,
        shunt_exponent: float = SHUNT_EXPONENT,
    ) -> ReferencePanel:
        """Return the panel with sources off by ``shifts``.

        Parameters
        ----------
        shifts : mapping of str to float, optional
            Standard uncertainties by the name of the source.
        shunt_exponent : float
            With which the panel will be asked for faint light (`ivkit.panel.low_light`): in the
            sweep's own light it has the sweep's own shunt, whatever the exponent.

        Raises
        ------
        SweepError
            No light, saturation current, slope or irradiance is left with such shifts.
        """
        off = np.zeros(len(_MOVED))
        for name, amount in (shifts or {}).items():
            off += amount * self.shifts[name]
        with np.errstate(over="ignore"):
            moved = np.where(_BY_SHARE, self.estimates * np.exp(off), self.estimates + off)
        if (
            not np.all(np.isfinite(moved))
            or not np.all(moved[[0, 1, 4, 5]] > 0)
            or abs(moved[6]) > 200
        ):
            raise SweepError(
                "one standard uncertainty off, its curve is none that a panel can have",
                self.name,
                "check the tolerances in the bench file, or take a better sweep",
            )
        il, i0, rs, g, a, light, heat, alpha, gap = (float(x) for x in moved)
        # Below LOW_LIGHT in_faint_light will take this out of the shunt again.
        g *= min(light / LOW_LIGHT, 1.0) ** (1.0 - shunt_exponent)
        at_25 = il * 1000.0 / light / (1.0 + alpha * (heat - 25.0))
        return ReferencePanel.from_curve(
            SingleDiode(il, i0, max(rs, 0.0), 1.0 / g if g > 0 else np.inf, a),
            light,
            heat,
            alpha * at_25,
            self.cells,
            EgRef=gap,
            dEgdT=self.kind.dEgdT,
        )


def measured_panel(
    measured: Fit, sheet: Datasheet | None = None, technology: str = "c-Si"
) -> MeasuredPanel:
    """Return the panel that a fitted sweep, taken in known light, is of.

    Parameters
    ----------
    measured : Fit
    sheet : Datasheet, optional
        For what no sweep tells: glass, area, bypass diodes, coefficients, the label's power.
    technology : str
        Where there is no sheet.

    Raises
    ------
    SweepError
        No curve runs from short to open circuit, the sweep's condition is not known, or its noise
        cannot be told.
    """
    known = Measured(measured, sheet, technology)
    quantities = [
        (1.0 / measured.parameters[n] if n == "resistance_shunt" else measured.parameters[n])
        if measured.parameters[n] is not None
        else raw
        for n, raw in zip(PARAMETERS, (float(x) for x in measured.model.raw), strict=True)
    ]
    gap = ufloat(known.kind.EgRef, U_BAND_GAP, "band gap")
    quantities += [known.light, known.heat, known.alpha, gap]
    estimates = np.array([getattr(q, "nominal_value", q) for q in quantities], dtype=float)
    by_name: dict[str, Array] = {}
    noise: dict[Any, Array] = {}
    for k, quantity in enumerate(quantities):
        per = estimates[k] if _BY_SHARE[k] else 1.0
        for variable, slope in getattr(quantity, "derivatives", {}).items():
            moves = noise if variable.tag in (None, NOISE) else by_name
            tag = _TOLD_APART.get(variable.tag, variable.tag)
            place = variable if moves is noise else tag
            moves.setdefault(place, np.zeros(len(_MOVED)))[k] += slope * variable.std_dev / per
    by_name = {name: move for name, move in by_name.items() if np.any(move)}
    return MeasuredPanel(
        name=measured.sweep.name,
        kind=known.kind,
        cells=known.cells,
        bypass_groups=sheet.bypass_groups if sheet is not None else 0,
        area_m2=sheet.area_m2 if sheet is not None else None,
        label=sheet.p_mp if sheet is not None else None,
        estimates=estimates,
        shifts=by_name | _few(noise),
        notes=tuple(known.notes),
        iam=sheet.iam if sheet is not None else martin_ruiz,
    )


def _few(noise: Mapping[Any, Array]) -> dict[str, Array]:
    """Return moves with the same covariance as those of each reading's noise, a handful of them."""
    if not noise:
        return {}
    vectors, sizes, _ = np.linalg.svd(np.array(list(noise.values())).T, full_matrices=False)
    return {
        f"{NOISE} {k + 1}": vectors[:, k] * size
        for k, size in enumerate(sizes)
        if size > 1e-9 * sizes[0]
    }
