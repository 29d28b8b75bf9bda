"""A panel known by a measured sweep: its five parameters, carried to other light with their doubt.

It answers as a `ivkit.panel.datasheet.Datasheet` does: causes of doubt are *sources* of one
standard uncertainty, and ``panel(shifts)`` is the panel with sources off by so many. The sources
are the effects behind the sweep (divider, shunt, ...), its noise, and what is uncertain about the
light and the temperature it was taken in.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import Fit
from ivkit.curve.many import PARAMETERS
from ivkit.errors import SweepError
from ivkit.light.glass import PLAIN
from ivkit.light.incidence import IncidenceAngleModifier
from ivkit.panel.conditions import WARMER, ReferencePanel
from ivkit.panel.datasheet import Datasheet, bends_of
from ivkit.panel.law import LAW, panel_of_curve
from ivkit.panel.measured import Measured
from ivkit.panel.technology import TECHNOLOGY, Technology, assumed_law

if TYPE_CHECKING:
    from ivkit.panel.together import Together

Array = NDArray[np.float64]

NOISE = "noise"
#: Quantities that move with the sources, and whether by shares: as logarithms.
_MOVED = (*PARAMETERS, "light", "heat", *LAW)
_BY_SHARE = np.isin(_MOVED, ("photocurrent", "saturation_current", "nNsVth", "light"))
TOLD_APART = {
    "irradiance": "irradiance of the sweep",
    "cell temperature": "temperature of the sweep",
}


@dataclass(frozen=True)
class MeasuredPanel:
    """What a sweep says of a panel.

    Attributes
    ----------
    cells : In series; a sweep knows one string.
    label : What its datasheet promises, W, where one is given.
    estimates : shape (19,). The five parameters as the fit has them (1/Rsh for Rsh), then
        irradiance (W/m2) and cell temperature (degC) of the sweep, and how the panel leaves them
        (`ivkit.panel.law.LAW`).
    shifts : mapping of str to ndarray, shape (19,). Of each source: what one standard uncertainty
        does to them, as a share where they are positive by nature.
    sources : dict of str to UFloat. 0 +- 1 each; the noise of a sweep takes several, all tagged
        alike.
    notes : tuple of str. What was assumed on the way.
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
    iam: IncidenceAngleModifier = PLAIN
    strings: int = 1
    assumed: tuple[str, ...] = ()
    sources: dict[str, UFloat] = field(init=False, compare=False, repr=False)
    bends: dict[str, UFloat] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        sources = {
            name: ufloat(0.0, 1.0, NOISE if name.startswith(NOISE) else name)
            for name in self.shifts
        }
        object.__setattr__(self, "sources", sources)
        object.__setattr__(self, "bends", bends_of(sources))

    @property
    def law_assumed(self) -> tuple[str, ...]:
        """What is assumed of the panel in other light than its sweep's, as a sentence."""
        return (assumed_law(self.kind, "sweeps in several lights replace it"),)

    @property
    def p_mp(self) -> float:
        """Maximum power at 1000 W/m2, AM1.5G, 25 degC: of the label, or else by the sweep, W."""
        if self.label is not None:
            return self.label
        return float(self.panel().at(1000.0, 25.0).key_points().p_mp)

    @cached_property
    def varied(self) -> ReferencePanel:
        """The panel as measured, then with each source up and down: arrays of shape (1 + 2 S,)."""
        off = np.zeros((1 + 2 * len(self.sources), len(_MOVED)))
        for k, name in enumerate(self.sources):
            off[1 + 2 * k], off[2 + 2 * k] = self.shifts[name], -self.shifts[name]
        return self._moved(off)

    def moved(self, amounts: Array) -> ReferencePanel:
        """Return panels with sources off by ``amounts``, shape (R, S), in their order."""
        return self._moved(amounts @ np.array([*self.shifts.values()]).reshape(-1, len(_MOVED)))

    def panel(self, shifts: Mapping[str, float] | None = None) -> ReferencePanel:
        """Return the panel with sources off by ``shifts``.

        ``shifts``: mapping of str to float. Standard uncertainties by the name of the source.

        Raises SweepError: no light, saturation current, slope or irradiance is left with such
        shifts.
        """
        off = np.zeros(len(_MOVED))
        for name, amount in (shifts or {}).items():
            off += amount * self.shifts[name]
        return self._moved(off)

    def also(self, name: str, other: "MeasuredPanel") -> "MeasuredPanel":
        """Return the panel with one source more, which one standard uncertainty off makes it other.

        ``other`` is of the same sweep.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            by_share = np.log(other.estimates / self.estimates)
        shift = np.where(_BY_SHARE, by_share, other.estimates - self.estimates)
        return replace(self, shifts={**self.shifts, name: np.nan_to_num(shift)})

    def _moved(self, off: Array) -> ReferencePanel:
        """Return the panel with its estimates off by so much, shape (..., 19)."""
        with np.errstate(over="ignore"):
            moved = np.where(_BY_SHARE, self.estimates * np.exp(off), self.estimates + off)
            # By how much I0 and a move together, Voc does not feel: a step along is straight in
            # a ln(IL/I0), not in ln I0.
            width = np.log(self.estimates[0] / self.estimates[1])
            if width > 1.0:
                narrower = width * np.exp((off[..., 0] - off[..., 1]) / width)
                moved[..., 1] = moved[..., 0] * np.exp(-narrower)
        if (
            not np.all(np.isfinite(moved))
            or not np.all(moved[..., _BY_SHARE] > 0)
            or np.any(np.abs(moved[..., 6]) > 200)
        ):
            raise SweepError(
                "one standard uncertainty off, its curve is none that a panel can have",
                self.name,
                "check the tolerances in the bench file, or take a better sweep",
            )
        il, i0, rs, g, a, light, heat, *_ = np.moveaxis(moved, -1, 0)
        with np.errstate(divide="ignore"):
            shunt = np.where(g > 0, 1.0 / np.maximum(g, 0.0), np.inf)
        curve = SingleDiode(il, i0, np.maximum(rs, 0.0), shunt[()], a)
        return panel_of_curve(curve, light, heat, moved[..., 7:], self.cells)


def measured_panel(
    measured: Fit, sheet: Datasheet | None = None, technology: str = "c-Si"
) -> MeasuredPanel:
    """Return the panel that a fitted sweep, taken in known light, is of.

    Parameters
    ----------
    sheet : For what no sweep tells: glass, area, bypass diodes, coefficients, the label's power.
    technology : Where there is no sheet.

    Raises SweepError: no curve runs from short to open circuit, the sweep's condition is not known,
    or its noise cannot be told.
    """
    known = Measured(measured, sheet, technology)
    quantities = [
        (1.0 / measured.parameters[n] if n == "resistance_shunt" else measured.parameters[n])
        if measured.parameters[n] is not None
        else raw
        for n, raw in zip(PARAMETERS, (float(x) for x in measured.model.raw), strict=True)
    ]
    quantities += [known.light, known.heat, *known.law]
    estimates, shifts = _sources_of(quantities)
    return MeasuredPanel(
        name=measured.sweep.name,
        kind=known.kind,
        cells=known.cells,
        estimates=estimates,
        shifts=shifts,
        notes=tuple(known.notes),
        **_of_sheet(sheet),
    )


def panel_from_together(found: "Together", sheet: Datasheet | None = None) -> MeasuredPanel:
    """Return the panel that several sweeps are of; its sources are those of all of them.

    ``sheet``: For what no sweep tells: glass, area, bypass diodes, the label's power.

    Raises SweepError: no sweep's light was known, so the panel is known in that light's measure
    only.
    """
    if found.relative:
        raise SweepError(
            "the light of no sweep is known, so what the panel gives in other light could not be "
            "determined",
            found.fits[0].sweep.name,
            "state the irradiance of one sweep",
        )
    five = [found.parameters[name] for name in PARAMETERS]
    five[3] = 0.0 if five[3] is None else 1.0 / five[3]
    panel = found.panel
    cold, warm = (float(panel.at(1000.0, t).voltage(0.0)) for t in (25.0, 25.0 + WARMER))
    law = {name: float(getattr(panel, name)) for name in LAW[4:]}
    law |= {"alpha": 100 * panel.alpha_sc / panel.photocurrent, "ideality": 0.0, "shunt": 0.0}
    law |= {"beta": 100 * (warm / cold - 1) / WARMER} | found.law
    here = [float(panel.irradiance_ref), float(panel.temp_ref)]
    estimates, shifts = _sources_of([*five, *here, *(law[name] for name in LAW)])
    return MeasuredPanel(
        name=f"{len(found.fits)} sweeps",
        kind=sheet.kind if sheet is not None else TECHNOLOGY[found.technology],
        cells=panel.cells,
        estimates=estimates,
        shifts=shifts,
        notes=found.notes,
        **_of_sheet(sheet),
    )


def _of_sheet(sheet: Datasheet | None) -> dict[str, Any]:
    """Return what no sweep tells."""
    if sheet is None:
        return {"bypass_groups": 0, "area_m2": None, "label": None}
    own = {name: getattr(sheet, name) for name in ("bypass_groups", "area_m2", "iam")}
    return {**own, "label": sheet.p_mp}


def _sources_of(quantities: Sequence[Any]) -> tuple[Array, dict[str, Array]]:
    """Return the values of the quantities of `MeasuredPanel`, and what moves them by its name."""
    estimates = np.array([getattr(q, "nominal_value", q) for q in quantities], dtype=float)
    by_name: dict[str, Array] = {}
    noise: dict[Any, Array] = {}
    for k, quantity in enumerate(quantities):
        per = estimates[k] if _BY_SHARE[k] else 1.0
        for variable, slope in getattr(quantity, "derivatives", {}).items():
            moves = noise if variable.tag in (None, NOISE) else by_name
            tag = TOLD_APART.get(variable.tag, variable.tag)
            place = variable if moves is noise else tag
            moves.setdefault(place, np.zeros(len(_MOVED)))[k] += slope * variable.std_dev / per
    by_name = {name: move for name, move in by_name.items() if np.any(move)}
    return estimates, by_name | _few(noise)


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
