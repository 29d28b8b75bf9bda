"""What a translation needs of the sweep as measured: its condition, its curve, its coefficients."""

from typing import Any

import numpy as np
from uncertainties import covariance_matrix, ufloat
from uncertainties.umath import log

from ivkit.assumptions import ASSUMED
from ivkit.curve.fit import Fit
from ivkit.curve.uncertainty import budget
from ivkit.errors import SweepError, about
from ivkit.panel.conditions import LOW_LIGHT, ReferencePanel
from ivkit.panel.datasheet import Datasheet, prior_law
from ivkit.panel.law import LAW, LOW, NAMES, panel_of_curve
from ivkit.panel.technology import TECHNOLOGY, assumed_law
from ivkit.panel.temperature import FROM_VOC, temperature_from_voc

WORTH_KNOWING = 0.5  # of a shunt resistance, 1 sigma: beyond, its logarithm says little
LEAST_APART = 8.0  # K, for a coefficient between two sweeps


class Measured:
    """What every method needs of the measured sweep.

    Attributes
    ----------
    light, heat : UFloat. Irradiance (W/m2) and cell temperature (degC) during the sweep; ``here``
        as plain numbers.
    from_voc : Whether the temperature was not known otherwise, and is from the sweep's Voc and Isc
        against the datasheet's.
    law : list of UFloat. How the panel leaves the sweep's condition, in the order of
        `ivkit.panel.law.LAW`.
    alpha, beta : UFloat. Relative temperature coefficients of Isc and Voc, 1/K.
    effects : dict of str to UFloat. The variable behind each effect of the sweep.
    notes : list of str. What was assumed.

    Raises SweepError: no curve from short to open circuit runs through the readings, they are too
    few to tell their noise, or their condition is not known.
    """

    def __init__(self, measured: Fit, sheet: Datasheet | None, technology: str) -> None:
        sweep = measured.sweep
        if measured.model is None or not np.isfinite(measured.key_points.i_sc.nominal_value):
            what = "no curve with a short-circuit current runs through the readings"
            raise SweepError(what, sweep.name, "look at it with 'ivkit characterize' first")
        if not np.isfinite(measured.key_points.v_oc.nominal_value):
            remedy = "add a larger load, or read the voltage with no load"
            raise SweepError("the readings do not reach near open circuit", sweep.name, remedy)
        if not np.isfinite(measured.key_points.v_oc.std_dev):
            remedy = "take at least eight loads, or state the front end's noise in a bench file"
            raise SweepError("too few readings to tell their noise", sweep.name, remedy)
        self.fit, self.notes = measured, []
        self.kind = sheet.kind if sheet is not None else TECHNOLOGY[technology]
        if self.kind.law is None:
            raise SweepError(
                f"{self.kind.name} cells follow no single diode from one light to another, so what "
                "this panel gives elsewhere could not be determined",
                sweep.name,
                "take a sweep in the light in question; its key points hold there",
            )
        self.sheet = sheet
        self.light, self.heat = condition_of(measured, sheet, self.notes)
        self.from_voc = sweep.condition.temp_cell is None
        self.here = (self.light.nominal_value, self.heat.nominal_value)
        self.cells = sweep.cells or (sheet.cells if sheet is not None else None)
        if sheet is not None:
            values, rows = sheet.law, {name: row[4:] for name, row in sheet.shifts.items()}
            variables = sheet.sources
            stated = {a.figure: a for a in sheet.assumed}
            for figure in ("alpha_isc_pct_per_K", "beta_voc_pct_per_K"):
                if figure in stated:
                    self.notes.append(f"assumed {stated[figure]}")
        else:
            usual_a, usual_b = self.kind.alpha, self.kind.beta
            values, spread = prior_law(
                self.kind,
                measured.key_points.v_oc.nominal_value,
                None,
                (usual_a.value, usual_b.value),
                (usual_a.u, usual_b.u),
            )
            rows = dict(zip(NAMES, np.diag(spread), strict=True))
            variables = {name: ufloat(0.0, 1.0, name) for name in NAMES}
            self.notes.append(
                f"no datasheet: temperature coefficients usual for {self.kind.name}, "
                f"{usual_a.value:g} +- {usual_a.u:g} %/K of Isc and {usual_b.value:g} +- "
                f"{usual_b.u:g} %/K of Voc"
            )
        if sheet is None or not sheet.law_stated:
            instead = "a sweep in the target's light, or pmp_200_W of a datasheet, replaces it"
            self.notes.append(assumed_law(self.kind, instead))
        self.law = [
            float(value)
            + sum((float(row[k]) * variables[name] for name, row in rows.items() if row[k]), 0.0)
            for k, value in enumerate(values)
        ]
        self._know_shunt()
        self.alpha, self.beta = self.law[0] / 100, self.law[1] / 100
        # The variables behind the sweep's effects, as the fit made them.
        found = (*measured.key_points.i_sc.derivatives, *measured.key_points.v_oc.derivatives)
        by_tag = {variable.tag: variable for variable in found}
        self.effects = {e.name: by_tag.get(e.name, ufloat(0, 1, e.name)) for e in sweep.effects}

    def _know_shunt(self) -> None:
        """Let the shunt that the sweep shows say how shunts of this panel follow the light.

        What is usual at 200 W/m2 and the law's exponents make a shunt in the sweep's light; that
        differs from the fitted one by what they are uncertain by (linear least squares with a
        prior, JCGM 100:2008, 5.2).
        """
        shunt, points = self.fit.parameters["resistance_shunt"], self.fit.key_points
        if shunt is None or not shunt.std_dev < WORTH_KNOWING * shunt.nominal_value:
            return
        if self.light.std_dev < 1e-6 * self.here[0]:
            return  # light in units of the sweep's own: nobody knows how far 200 W/m2 is
        a, v_oc = plain(self.fit.parameters["nNsVth"]), plain(points.v_oc)
        at_low = max(1.0 - a / v_oc * np.log(self.here[0] / LOW), 0.1)
        seen = log(shunt * points.i_sc / points.v_oc) - float(np.log(at_low))
        places = [LAW.index(f"shunt{name}") for name in ("", "_exponent", "_exponent_low")]
        usual, k, k_low = (self.law[at] for at in places)
        above, below = (log(part) for part in _parts(self.light))
        lacks = seen - (usual + (1.0 - k) * above + (1.0 - k_low) * below)
        if not lacks.std_dev > 0:
            return
        # Gain of each quantity of the law: its covariance with what is lacking, over the variance.
        for at in (at for at in places if hasattr(self.law[at], "derivatives")):
            gain = -covariance_matrix([self.law[at], lacks])[0][1] / lacks.std_dev**2
            self.law[at] = self.law[at] + gain * lacks

    @property
    def panel(self) -> ReferencePanel:
        """The panel by its fit, as it stands."""
        return panel_of_curve(self.fit.model, *self.here, [plain(x) for x in self.law], self.cells)

    def varied(self) -> tuple[list[Any], list[ReferencePanel]]:
        """Return the variables behind the law, and the panel with each one up."""
        variables = {v for x in self.law for v in getattr(x, "derivatives", {})}
        variables = sorted(variables, key=lambda v: str(v.tag))
        steps = [
            [getattr(x, "derivatives", {}).get(v, 0.0) * v.std_dev for x in self.law]
            for v in variables
        ]
        laws = np.array([plain(x) for x in self.law]) + np.reshape(steps, (-1, len(LAW)))
        panels = panel_of_curve(self.fit.model, *self.here, laws, self.cells)
        return variables, [panels.each(lambda x, k=k: x[k]) for k in range(len(variables))]

    def coefficient_seen(self, other: "Measured") -> list[str]:
        """Say which coefficient of Voc this sweep and another one show between them.

        What light does to Voc is taken out by the ratio of their own short-circuit currents and
        the curve's n Ns k T / q, so that no irradiance sensor has a part in it.
        """
        if self.from_voc or other.from_voc or abs(other.here[1] - self.here[1]) < LEAST_APART:
            return []
        (a, b), (v_a, v_b), (i_a, i_b) = (
            (f(self.fit), f(other.fit))
            for f in (
                lambda fit: fit.parameters["nNsVth"],
                lambda fit: fit.key_points.v_oc,
                lambda fit: fit.key_points.i_sc,
            )
        )
        light = 0.5 * (a + b) * log(i_b / i_a)
        warmer = other.heat - self.heat
        at_25 = float(self.panel.at(1000.0, 25.0).key_points().v_oc)
        seen = 100 * (v_b - v_a - light) / warmer / at_25
        return [
            f"between the two sweeps Voc moves by {seen:.2uS} %/K; the coefficient given is "
            f"{100 * self.beta.nominal_value:.2f} %/K"
        ]

    def inputs(self, target: tuple[float, float] | None) -> dict[str, Any]:
        """Return what procedures 1 to 3 take, apart from their own coefficients.

        They take the current to be in proportion to the irradiance. So that it follows the panel's
        law, the irradiance of the sweep is given as that from which a straight line would lead
        to the current at the target; procedure 3, without a target, measures it.
        """
        light = self.light
        if target is not None:
            linearity = self.law[LAW.index("current_exponent")]
            light = target[0] * (light / target[0]) ** (1.0 + linearity)
        return {
            "g1": light,
            "t1": self.heat,
            "i_sc1": self.fit.key_points.i_sc,
            "v_oc1": self.fit.key_points.v_oc,
            "alpha": self.alpha,
            "beta": self.beta,
        }


def _parts(light: Any) -> tuple[Any, Any]:
    """Return an irradiance over 200 W/m2 in two factors: above 100 W/m2, and below."""
    if plain(light) >= LOW_LIGHT:
        return light / LOW, 1.0
    return LOW_LIGHT / LOW, light / LOW_LIGHT


def condition_of(measured: Fit, sheet: Datasheet | None, notes: list[str]) -> tuple[Any, Any]:
    """Return irradiance (W/m2) and cell temperature (degC) of a sweep as uncertain numbers.

    A temperature that is not known comes from the sweep's own Voc and Isc, if there is a sheet.

    Raises SweepError: one of them is not known.
    """
    sweep, known = measured.sweep, measured.sweep.condition
    for value, word, option, more in (
        (known.effective_irradiance, "irradiance", "--irradiance", ""),
        (known.temp_cell if sheet is None else 0.0, "cell temperature", "--temperature",
         "; or a datasheet, by whose Voc it can be told"),
    ):  # fmt: skip
        if value is None:
            remedy = f"give {option}, a column of the table, or [condition] in the bench file{more}"
            raise SweepError(f"the {word} during the sweep is not known", sweep.name, remedy)
    light, heat = known.effective_irradiance, known.temp_cell
    if not light > 0:
        raise SweepError(
            f"the irradiance is {light:g} W/m2", sweep.name, "give the light there was"
        )
    u_light, u_heat = known.u_effective_irradiance, known.u_temp_cell
    if not u_light:
        assumed = ASSUMED["irradiance"]
        u_light = assumed.u_fraction * light
        notes.append(assumed.sentence("u_irradiance_W_m2 in [condition] of the bench"))
    if heat is None:
        points = measured.key_points
        with about(sweep.name):
            warm = temperature_from_voc(sheet, points.v_oc, i_sc=points.i_sc)
        first, part = next(iter(budget(warm).items()))
        notes.append(
            f"cell temperature {warm:.2uS} degC from {FROM_VOC}, with the sweep's Isc, against the "
            f"datasheet's; {100 * part:.0f} % of its variance is {first}. So Voc at STC is the "
            "datasheet's by construction, to within the light: Isc is tested, and of Pmp the "
            "current and the fill factor, not the voltage. A stated temperature replaces it"
        )
        return uncertain(light, u_light, "irradiance"), warm
    if not u_heat:
        assumed = ASSUMED["stated cell temperature"]
        u_heat = assumed.u
        notes.append(assumed.sentence("u_temp_cell_degC in [condition] of the bench"))
    return uncertain(light, u_light, "irradiance"), uncertain(heat, u_heat, "cell temperature")


def plain(quantity: Any) -> float:
    """Return the value of a number, uncertain or not."""
    return float(getattr(quantity, "nominal_value", quantity))


def uncertain(value: float, u: float, name: str) -> Any:
    """Return a number that moves with a variable of its own, 0 +- 1, as an `Effect` wants it."""
    return value + u * ufloat(0.0, 1.0, name)
