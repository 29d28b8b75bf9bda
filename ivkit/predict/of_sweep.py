"""A panel known by a sweep brings the sweep's light and temperature with it.

Readings taken in the same light, or at the same temperature, share them: what the sweep's
irradiance is uncertain by then does not act on the prediction, as it should not.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ivkit.assumptions import ASSUMED
from ivkit.errors import SweepError
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.measured_panel import MeasuredPanel, measured_panel
from ivkit.predict.facing import Facing
from ivkit.predict.scene import Warmth

if TYPE_CHECKING:
    from ivkit.curve.fit import Fit

#: W/m2 that stand for a sweep's own light where nobody knows it: then nor is it known on which side
#: of 100 W/m2 the shunt's law holds, and starting there all of its uncertainty is carried.
OWN_LIGHT = 100.0
SAME_LIGHT = "light against the sweep's"
SINCE = "cell temperature since the sweep"
_LIGHT, _HEAT = 5, 6  # places in `MeasuredPanel.estimates`


@dataclass(frozen=True)
class SweepPanel:
    """A panel by its sweep.

    Attributes
    ----------
    panel : MeasuredPanel
    relative : bool
        Light counts in units of the sweep's own, `OWN_LIGHT` W/m2 each.
    """

    panel: MeasuredPanel
    relative: bool

    @property
    def irradiance(self) -> float:
        """Of the sweep, W/m2; `OWN_LIGHT` where nobody knows it."""
        return float(self.panel.estimates[_LIGHT])

    @property
    def celsius(self) -> float:
        """Cell temperature during the sweep, degC."""
        return float(self.panel.estimates[_HEAT])

    def same_light(self, times: float = 1.0, u: float | None = None, **more: object) -> Facing:
        """Return the sweep's own light, or so many times of it.

        ``u`` is the standard uncertainty of that ratio, as a fraction of it.
        """
        u = ASSUMED["light since the sweep"].u_fraction if u is None else u
        shifts = {name: float(row[_LIGHT]) for name, row in self.panel.shifts.items()}
        by = {SAME_LIGHT: u} if u > 0 else {}
        own = {name: shift for name, shift in shifts.items() if shift}
        return Facing(self.irradiance * times, by, own, **more)

    def same_warmth(self, u: float | None = None) -> Warmth:
        """Return the sweep's own temperature; ``u`` is what it may have moved by since, K."""
        u = ASSUMED[SINCE].u if u is None else u
        by = {name: float(row[_HEAT]) for name, row in self.panel.shifts.items() if row[_HEAT]}
        return Warmth(self.celsius, u, by, name=SINCE)


def panel_of_sweep(
    fit: "Fit",
    sheet: Datasheet | None = None,
    technology: str = "c-Si",
    *,
    own_light: bool = True,
    notes: list[str] | None = None,
) -> SweepPanel:
    """Return the panel that a fitted sweep is of, with the light and the temperature it had.

    Parameters
    ----------
    fit : Fit
    sheet : Datasheet, optional
        For what no sweep tells.
    technology : str
        Where there is no sheet.
    own_light : bool
        A sweep that does not say its irradiance is taken in units of it.
    notes : list of str, optional
        What was assumed is added.

    Raises
    ------
    SweepError
        No curve; or the sweep's light is not known and ``own_light`` is off.
    """
    notes = [] if notes is None else notes
    if fit.model is None:
        raise SweepError(
            f"no curve can be fitted ({', '.join(fit.flags)}), so what the panel should give could "
            "not be determined",
            fit.sweep.name,
            "see what 'ivkit characterize' says about it",
        )
    known = fit.sweep.condition
    relative = known.effective_irradiance is None and own_light
    if relative:
        known = replace(
            known, effective_irradiance=OWN_LIGHT, u_effective_irradiance=1e-9 * OWN_LIGHT
        )
    by_voc = sheet is not None and not relative and known.effective_irradiance is not None
    if known.temp_cell is None and not by_voc:
        usual = ASSUMED["cell temperature"]
        known = replace(known, temp_cell=usual.value, u_temp_cell=usual.u)
        notes.append(f"during the sweep: {usual.sentence('--sweep-temperature')}")
    panel = measured_panel(
        replace(fit, sweep=replace(fit.sweep, condition=known)), sheet, technology
    )
    return SweepPanel(panel, relative)
