"""From the options of `ivkit watch` to what its readings are judged by."""

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.verdict.live import Stated


@dataclass
class Setting:
    """What holds for all readings, said once.

    Attributes
    ----------
    stated : Stated
    bench : Bench or None
    condition : str
        What the prediction is for, in a line.
    notes, files : list of str
        What was assumed; which files were read.
    """

    stated: "Stated"
    bench: "Bench | None"
    condition: str = ""
    notes: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)


def setting_of(given: dict[str, Any]) -> Setting:
    """Return what the options state; light that nobody states is not assumed."""
    from ivkit.bench import find_bench, load_bench
    from ivkit.verdict.live import Stated

    path = given["bench"] or find_bench()
    bench = load_bench(path) if path else None
    notes: list[str] = []
    files = [str(f) for f in (path, given["sweep"], given["sweep_bench"], given["datasheet"]) if f]
    light, per_lux, u_light = _light(given, notes)
    sheet, of_sweep, heat = _panel(given, bench, light is not None or per_lux is not None, notes)
    u_reading = _percent(given["u_reading"], "reading", notes) / 100
    setting = Setting(Stated(None, given["angle"], u_reading), bench, "", notes, files)
    if sheet is None:
        return setting
    from ivkit.verdict.prospect import Prospect

    if given["same_light"]:
        light = 1.0
        u_light = _percent(given["u_light"], "light since the sweep", notes) / 100
    celsius, kelvin = heat
    usual, stray = ASSUMED["stray light"], given["stray"]
    if stray is None:
        stray = usual.fraction
        notes.append(usual.sentence())
    load = ASSUMED["load resistor"]
    stated = bench is not None and bench.loads.tolerance_pct is not None
    prospect = Prospect(
        sheet,
        light,
        u_light,
        celsius,
        kelvin,
        stray,
        usual.u_fraction,
        given["u_angle"],
        bench.loads.u_fraction if stated else load.u_fraction,
        given["max_power"],
        of_sweep,
    )
    if not stated and not given["max_power"]:
        notes.append(load.sentence())
    same = given["sweep"] is not None and given["sweep_bench"] in (None, given["bench"])
    setting.stated = replace(
        setting.stated, prospect=prospect, per_lux=per_lux, same_front_end=same
    )
    if per_lux is not None and given["lux"] is None:
        said = "light by the column of lux"
    elif light is None:
        said = "light not stated"
    elif of_sweep:
        said = "light as for the sweep"
    else:
        said = f"light {light:.4g} W/m2"
    facing = "" if light is None else f" +- {100 * u_light:.2g} %"
    setting.condition = f"expected for: {said}{facing}, cells {celsius:.0f} +- {kelvin:.0f} degC"
    return setting


def _percent(stated: float | None, name: str, notes: list[str]) -> float:
    """Return a standard uncertainty in percent as stated, or the usual one, which is noted."""
    if stated is None:
        notes.append(ASSUMED[name].sentence())
        return ASSUMED[name].u
    return stated


def _light(given: dict[str, Any], notes: list[str]) -> tuple[float | None, float | None, float]:
    """Return the stated light in W/m2, W/m2 of one lux, and its standard uncertainty as a share."""
    ways = [given["irradiance"] is not None, given["lux"] is not None, given["same_light"]]
    if sum(ways) > 1:
        raise click.UsageError("say the light once: --irradiance, --lux or --same-light")
    if given["same_light"] and given["sweep"] is None:
        raise click.UsageError("--same-light goes with --sweep")
    if given["lux"] is not None and given["source"] is None:
        raise click.UsageError(
            "--lux says nothing without --source: 1000 lx are 3 to 32 W/m2 to silicon"
        )
    stated = None if given["u_light"] is None else given["u_light"] / 100
    if given["source"] is not None:
        from ivkit.light.spectrum import effective_irradiance, named

        lux, u_lux = given["lux"] or 1000.0, ASSUMED["lux meter"].u_fraction
        if stated is None:
            notes.append(ASSUMED["lux meter"].sentence("--u-light"))
        usable = effective_irradiance(named(given["source"]), lux=lux, u_reading=u_lux * lux)
        value, u = float(usable.value_W_m2), float(usable.u_W_m2)
        light = None if given["lux"] is None else value
        return light, value / lux, u / value if stated is None else stated
    usual = ASSUMED["irradiance"]
    if stated is None and given["irradiance"] is not None:
        notes.append(usual.sentence("--u-light"))
    return given["irradiance"], None, usual.u_fraction if stated is None else stated


def _panel(
    given: dict[str, Any], bench: "Bench | None", light_stated: bool, notes: list[str]
) -> tuple[Any, bool, tuple[float, float]]:
    """Return the panel, whether light counts in shares of its sweep's, and its temperature."""
    usual = ASSUMED["cell temperature"]
    heat = usual.value, usual.u
    if given["temperature"] is not None:
        heat = given["temperature"], ASSUMED["stated cell temperature"].u
    sheet = None
    by_bench = bench.panel.datasheet if bench is not None else None
    stated = given["datasheet"] or given["module"]
    if stated or by_bench:
        from ivkit.cli.panel_source import load_panel

        datasheet = given["datasheet"] if stated else by_bench
        sheet = load_panel(datasheet, given["module"], bench)
    if given["sweep"] is None:
        if sheet is not None:
            notes.append(f"the panel is that of the datasheet, {sheet}")
            _note_temperature(given, notes)
        return sheet, False, heat
    return _by_sweep(given, sheet, light_stated, heat, notes)


def _note_temperature(given: dict[str, Any], notes: list[str]) -> None:
    if given["temperature"] is None:
        notes.append(ASSUMED["cell temperature"].sentence())
    else:
        notes.append(ASSUMED["stated cell temperature"].sentence(""))


def _by_sweep(
    given: dict[str, Any],
    sheet: Any,
    light_stated: bool,
    heat: tuple[float, float],
    notes: list[str],
) -> tuple[Any, bool, tuple[float, float]]:
    from ivkit.cli.inputs import SweepOptions
    from ivkit.errors import SweepError
    from ivkit.panel.measured_panel import measured_panel
    from ivkit.verdict.prospect import SWEEP_LIGHT

    fit = SweepOptions(
        bench=given["sweep_bench"] or given["bench"],
        irradiance=given["sweep_irradiance"],
        temp_cell=given["sweep_temperature"],
    ).fit(given["sweep"])
    known = fit.sweep.condition
    unknown = known.effective_irradiance is None
    if unknown and light_stated:
        raise SweepError(
            "the light of the sweep is not known, so its curve cannot be carried to other light",
            given["sweep"],
            "give --sweep-irradiance; or, if the light is still the same, --same-light instead",
        )
    of_sweep = given["same_light"] or unknown
    if known.temp_cell is None:
        # Taken to be as now: what counts is the difference.
        since = ASSUMED["cell temperature since the sweep"]
        known = replace(known, temp_cell=heat[0], u_temp_cell=since.u)
        notes.append(since.sentence("--sweep-temperature"))
        heat = (heat[0], since.u) if given["temperature"] is None else heat
    elif given["temperature"] is None and of_sweep:
        since = ASSUMED["cell temperature since the sweep"]
        notes.append(since.sentence())
        heat = (known.temp_cell, since.u)
    else:
        _note_temperature(given, notes)
    if of_sweep:
        # Its light is the unit; how strong it is in W/m2 matters to nothing that is shown.
        known = replace(
            known, effective_irradiance=SWEEP_LIGHT, u_effective_irradiance=1e-9 * SWEEP_LIGHT
        )
    fit = replace(fit, sweep=replace(fit.sweep, condition=known))
    return measured_panel(fit, sheet), of_sweep, heat
