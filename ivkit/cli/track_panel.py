"""From the options of `ivkit track` to how its panel's power falls with the angle."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.cli.inputs import SweepOptions
    from ivkit.curve.fit import Fit
    from ivkit.panel.datasheet import Datasheet
    from ivkit.verdict.angle_law import AngleLaw, Surroundings
    from ivkit.verdict.pointing import Facing

    Law = Callable[[float], AngleLaw]


@dataclass
class Panel:
    """A panel on its load: load and its uncertainty (ohm), facing power if stated, remarks."""

    load: float | None
    u_load: float
    facing: "Facing | None"
    remarks: list[str]

    def of_sweep(
        self,
        fit: "Fit",
        diffuse: float | None,
        u_diffuse: float | None,
        same_light: bool,
        u_light: float | None,
    ) -> "tuple[Law, Facing | None]":
        """Return the law of a panel whose sweep was fitted, and the facing power."""
        from ivkit.errors import SweepError
        from ivkit.verdict.facing import facing_from_fit

        if fit.model is None:
            raise SweepError(
                "no curve can be fitted, so how the power falls with the angle cannot be told",
                fit.sweep.name,
                "see what `ivkit characterize` says about it",
            )
        if same_light:
            if u_light is None:
                u_light = ASSUMED["light since the sweep"].u
                self.remarks.append(ASSUMED["light since the sweep"].sentence("--u-facing"))
            self.facing = facing_from_fit(fit, self.load, self.u_load, u_light / 100)
            self.remarks.append(
                f"facing power {self.facing.power:.4g} W from the curve of {fit.sweep.name}, u = "
                f"{100 * self.facing.u / self.facing.power:.2g} %"
            )
        return self._law(fit.model, self._around(diffuse, u_diffuse)), self.facing

    def of_sheet(
        self,
        sheet: "Datasheet",
        diffuse: float | None,
        u_diffuse: float | None,
        options: "SweepOptions",
        bench: "Bench | None",
        open_voltage: tuple[float | None, float | None] = (None, None),
    ) -> "tuple[Law, Facing | None]":
        """Return the law of a panel by its datasheet, and the facing power if light is stated."""
        from dataclasses import replace

        from uncertainties import ufloat

        from ivkit.cli.lamp_parts import open_voltage as read_open_voltage
        from ivkit.panel.temperature import FROM_VOC, temperature_from_voc
        from ivkit.verdict.facing import facing_from_sheet

        stated = bench.condition if bench is not None else None
        warm, u_warm = options.temp_cell, None
        if warm is None and stated is not None:
            warm, u_warm = stated.temp_cell_degC, stated.u_temp_cell_degC
        if open_voltage[0] is None and warm is None:
            warm, u_warm = ASSUMED["cell temperature"].value, ASSUMED["cell temperature"].u
            self.remarks.append(ASSUMED["cell temperature"].sentence())
        self.remarks.append(f"the panel is that of the datasheet, {sheet}")
        light = options.irradiance
        u_light = None
        if light is None and stated is not None:
            light, u_light = stated.irradiance_W_m2, stated.u_irradiance_W_m2
        if open_voltage[0] is not None and not light:
            raise click.UsageError(
                "--open-voltage tells the cell temperature together with the light: give "
                "--irradiance W/m2, or irradiance_W_m2 in [condition] of the bench"
            )
        if self.facing is None and light:
            if not u_light:
                u_light = ASSUMED["irradiance"].u_fraction * light
                instead = "u_irradiance_W_m2 in [condition] of the bench"
                self.remarks.append(ASSUMED["irradiance"].sentence(instead))
            irradiance = ufloat(light, u_light, "irradiance")
            if open_voltage[0] is not None:
                v_oc = read_open_voltage(*open_voltage, self.remarks)
                celsius = temperature_from_voc(sheet, v_oc, light=irradiance)
                warm, u_warm = celsius.nominal_value, celsius.std_dev
                self.remarks.append(f"cell temperature {celsius:.2uS} degC from {FROM_VOC}")
            elif u_warm is None:
                u_warm = ASSUMED["stated cell temperature"].u
                instead = "u_temp_cell_degC in [condition] of the bench"
                self.remarks.append(ASSUMED["stated cell temperature"].sentence(instead))
            if open_voltage[0] is None:
                celsius = ufloat(warm, u_warm, "cell temperature")
            self.facing = facing_from_sheet(sheet, self.load, irradiance, celsius, self.u_load)
            self.remarks.append(
                f"facing power {self.facing.power:.3g} W from the datasheet in {light:g} W/m2, "
                f"u = {100 * self.facing.u / self.facing.power:.2g} %"
            )
        around = replace(self._around(diffuse, u_diffuse), iam=sheet.iam)
        return self._law(sheet.panel().at(1000.0, warm), around), self.facing

    def _law(self, model: Any, around: "Surroundings") -> "Law":
        from ivkit.verdict.angle_law import panel_law

        if self.facing is None:
            self.remarks.append(
                "the light is taken to be such that the panel gives the steady power when it "
                "faces it; --facing-power says better"
            )
        return partial(_make_law, panel_law, model, self.load, around, self.u_load)

    def _around(self, diffuse: float | None, u_diffuse: float | None) -> "Surroundings":
        """Return the stray light, assumed where nothing is said."""
        from ivkit.verdict.angle_law import Surroundings

        usual = ASSUMED["stray light"]
        if diffuse is None and u_diffuse is None:
            self.remarks.append(usual.sentence("--diffuse"))
        share = usual.fraction if diffuse is None else diffuse / 100
        return Surroundings(share, usual.u_fraction if u_diffuse is None else u_diffuse / 100)


def _make_law(
    panel_law: Any,
    model: Any,
    load: float | None,
    around: "Surroundings",
    u_load: float,
    facing_power: float,
) -> "AngleLaw":
    return panel_law(model, load, facing_power, around, u_load)
