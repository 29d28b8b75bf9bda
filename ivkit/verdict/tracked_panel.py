"""A panel in a log: how its power falls with the angle, and what it gives facing the light.

What is stated is a mapping by the names in `TRACKED`; None stands for what nobody says.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ivkit.assumptions import ASSUMED
from ivkit.bench import Bench
from ivkit.curve.fit import Fit
from ivkit.errors import RangeError
from ivkit.panel.datasheet import Datasheet
from ivkit.panel.temperature import FROM_VOC
from ivkit.predict.angle_law import PanelLaw
from ivkit.predict.build import facing_of, mount_of, open_voltage, warmth_of
from ivkit.predict.facing import Facing
from ivkit.predict.of_sweep import panel_of_sweep
from ivkit.predict.scene import Scene, Warmth
from ivkit.verdict.log_power import LogPower
from ivkit.verdict.pointing import FacingPower

#: What is asked of a panel in a log.
TRACKED = (
    *("irradiance", "u_irradiance", "temperature", "u_temperature", "stray", "u_stray"),
    *("open_voltage", "u_open_voltage", "same_light", "facing_power", "u_facing"),
)


@dataclass(frozen=True)
class Tracked:
    """A panel in a log.

    Attributes
    ----------
    law : PanelLaw or None
        None where nothing says what the panel is, or what it is loaded with.
    facing : FacingPower or None
        None where nobody knows it.
    light : str
        Which light it is, for the answer's first lines; empty where nobody says.
    assumed, notes : list of str
    """

    law: PanelLaw | None
    facing: FacingPower | None
    light: str = ""
    assumed: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def load_of(
    stated: float | None, powers: LogPower, bench: Bench | None, assumed: list[str]
) -> tuple[float | None, float, list[str]]:
    """Return the load of a log, ohm, its standard uncertainty as a fraction, and notes.

    Parameters
    ----------
    stated : float or None
        ohm; NaN where the panel is kept at maximum power, None where nobody says.
    powers : LogPower
        V over I of the log goes before a stated load.
    bench : Bench or None
        For the tolerance of its loads.
    assumed : list of str
    """
    if stated is not None and np.isnan(stated):
        return stated, 0.0, []
    if powers.load_seen is not None:
        seen = powers.load_seen
        said = [f"voltage over current shows a fixed load of {seen:.4g} ohm"]
        return seen, powers.u_load_seen / seen, said
    if stated is not None:
        if bench is not None and bench.loads.tolerance_pct is not None:
            return stated, bench.loads.u_fraction, []
        assumed.append(ASSUMED["load resistor"].sentence())
        return stated, ASSUMED["load resistor"].u_fraction, []
    varies = (
        "voltage over current changes with the power: no fixed load; say --max-power if a "
        "converter keeps it at maximum power"
    )
    return None, 0.0, [varies] if powers.load_varies else []


def tracked(
    given: Mapping[str, Any],
    load: float | None,
    u_load: float,
    bench: Bench | None = None,
    sheet: Datasheet | None = None,
    fit: Fit | None = None,
) -> Tracked:
    """Return how a panel's power falls with the angle, by its sweep or else by its datasheet.

    Parameters
    ----------
    given : mapping
        By the names in `TRACKED`; what is missing nobody says.
    load, u_load : float or None, float
        As `load_of` returns them.
    bench : Bench, optional
        For light and temperature of the log, where the panel is known by its datasheet.
    sheet, fit : optional

    Raises
    ------
    RangeError
        Options that do not go together; light that makes no power.
    SweepError
        The sweep has no curve.
    """
    given, assumed, notes = dict.fromkeys(TRACKED) | dict(given), [], []
    facing = None
    if given["facing_power"] is not None:
        u = given["u_facing"]
        if u is None:
            u = ASSUMED["reading"].u_fraction
            assumed.append(f"facing power: {ASSUMED['reading'].sentence('--u-facing')}")
        facing = FacingPower(given["facing_power"], given["facing_power"] * u)
    volts = given["open_voltage"]
    if volts is not None and (fit is not None or sheet is None or facing is not None):
        raise RangeError(
            "--open-voltage serves the facing power by a datasheet: it needs --datasheet, and "
            "neither --sweep nor --facing-power"
        )
    if load is None or (fit is None and sheet is None):
        return Tracked(None, facing, "", assumed, notes)
    mount = mount_of(assumed, u_angle=0.0, stray=given["stray"], u_stray=given["u_stray"])
    irradiance, u_light = given["irradiance"], given["u_irradiance"]
    celsius, kelvin = given["temperature"], given["u_temperature"]
    if fit is not None:
        found = panel_of_sweep(fit, sheet, notes=assumed)
        panel, name = found.panel, f"the curve of {fit.sweep.name}"
        warm = warmth_of(celsius, kelvin, assumed, found)
        if irradiance is not None and found.relative:
            raise RangeError(
                "--irradiance needs a sweep in known light: give --sweep-irradiance too"
            )
    else:
        panel, name, found = sheet, "the datasheet", None
        condition = None if bench is None else bench.condition
        if condition is not None and irradiance is None:
            irradiance = condition.irradiance_W_m2
            u_light = condition.u_irradiance_W_m2 if u_light is None else u_light
        if condition is not None and celsius is None and condition.temp_cell_degC is not None:
            celsius = condition.temp_cell_degC
            kelvin = condition.u_temp_cell_degC if kelvin is None else kelvin
        warm = Warmth() if volts is not None else warmth_of(celsius, kelvin, assumed)
    if given["same_light"]:
        u = given["u_facing"]
        if u is None:
            assumed.append(ASSUMED["light since the sweep"].sentence("--u-facing"))
        light, told = found.same_light(1.0, u), "that of the sweep"
    elif irradiance and facing is None:
        light, told = facing_of(irradiance, u_light or None, assumed), f"{irradiance:g} W/m2"
    else:
        known = ASSUMED["facing irradiance"].value if found is None else found.irradiance
        light, told = Facing(known), ""
    scene = Scene(panel, light, warm, mount)
    if volts is not None:
        if not told:
            raise RangeError(
                "--open-voltage tells the cell temperature together with the light: give "
                "--irradiance W/m2, or irradiance_W_m2 in [condition] of the bench"
            )
        scene = scene.by_voc(open_voltage(volts, given["u_open_voltage"], assumed))
        notes.append(f"cell temperature {scene.temp_cell.from_voc:.2uS} degC from {FROM_VOC}")
    law = PanelLaw(scene, load, u_load)
    if told:
        one = law.power()
        facing = FacingPower(float(one.value[0]), float(one.u[0]), name)
        where = f" in {told}" if found is None else ""
        notes.append(
            f"facing power {facing.power:.4g} W from {name}{where}, u = "
            f"{100 * facing.u / facing.power:.2g} %"
        )
    if facing is None:
        notes.append(
            "the light is taken to be such that the panel gives the steady power when it faces "
            "it; --facing-power says better"
        )
    # The law follows the facing power, whatever the light is uncertain by.
    exact = replace(light, by={}, of_panel={})
    law = replace(law, scene=replace(scene, light=exact, _known={}))
    return Tracked(law, facing, told, assumed, notes)
