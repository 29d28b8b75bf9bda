"""From the options of `ivkit watch` to what its readings are judged by."""

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED

if TYPE_CHECKING:
    from collections.abc import Callable

    from ivkit.bench import Bench
    from ivkit.predict.facing import Facing
    from ivkit.predict.of_sweep import SweepPanel
    from ivkit.verdict.live import Stated

_ANY = 1000.0  # W/m2, in place of light that a column tells, or nobody
_TIMES = 10.0  # a sweep's light: further from it, its curve is no guide


@dataclass
class Setting:
    """What holds for all readings, said once.

    Attributes
    ----------
    stated : Stated
    bench : Bench or None
    light_of : callable or None
        The light that a power shows (`ivkit.predict.light_of.LightOf`).
    panel, condition : str
        Which panel it is; what the prediction is for.
    notes, files : list of str
        What was assumed; which files were read.
    """

    stated: "Stated"
    bench: "Bench | None"
    light_of: "Callable[[float, float, float], float | None] | None" = None
    panel: str = ""
    condition: str = ""
    notes: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)


def setting_of(given: dict[str, Any]) -> Setting:
    """Return what the options state; light that nobody states is not assumed."""
    from ivkit.bench import find_bench, load_bench
    from ivkit.predict.build import mount_of, stated_or_usual, warmth_of
    from ivkit.predict.light_of import LightOf
    from ivkit.predict.scene import Scene
    from ivkit.verdict.limits import BRIGHTEST
    from ivkit.verdict.live import Stated

    _refuse(given)
    path = given["bench"] or find_bench()
    bench = load_bench(path) if path else None
    notes: list[str] = []
    files = [str(f) for f in (path, given["sweep"], given["sweep_bench"], given["datasheet"]) if f]
    u_reading = stated_or_usual("reading", given["u_reading"], notes) / 100
    stated = Stated(angle=given["angle"], max_power=given["max_power"], u_reading=u_reading)
    panel, sweep = _panel(given, bench, notes)
    if panel is None:
        return Setting(stated, bench, None, "", "", notes, files)
    light, per_lux = _light(given, panel, sweep, notes)
    warm = warmth_of(given["temperature"], given["u_temperature"], notes, sweep)
    u_angle = given["u_angle"]
    if u_angle is None and bench is not None:
        u_angle = bench.mount.u_tilt_deg
    mount = mount_of(notes, u_angle=u_angle, stray=given["stray"], u_stray=given["u_stray"])
    relative = sweep is not None and (given["same_light"] or sweep.relative)
    by_bench = bench is not None and bench.loads.tolerance_pct is not None
    if not by_bench and not given["max_power"]:
        notes.append(ASSUMED["load resistor"].sentence())
    lit = given["same_light"] or given["irradiance"] is not None or given["lux"] is not None
    scene = Scene(panel, light, warm, mount)
    u_kelvin = given["u_temperature"]
    stated = replace(
        stated,
        scene=scene,
        lit=lit,
        relative=relative,
        per_lux=per_lux,
        u_irradiance=given["u_irradiance"],
        u_temperature=ASSUMED["stated cell temperature"].u if u_kelvin is None else u_kelvin,
        u_load=bench.loads.u_fraction if by_bench else ASSUMED["load resistor"].u_fraction,
        same_front_end=sweep is not None and given["sweep_bench"] in (None, given["bench"]),
    )
    if relative:
        shown_by = LightOf(scene, sweep.irradiance, _TIMES)
        said = "light as for the sweep" if lit else "light not stated"
    else:
        shown_by = LightOf(scene, 1.0, BRIGHTEST)
        said = f"light {light.irradiance:.4g} W/m2" if lit else "light by a column, if there is one"
    if lit:
        said += f" +- {100 * light.u:.2g} %"
    condition = f"expected for: {said}, cells {warm.celsius:.0f} +- {warm.total:.0f} degC"
    return Setting(stated, bench, shown_by, str(panel.name or panel), condition, notes, files)


def _refuse(given: dict[str, Any]) -> None:
    """Refuse options that do not go together."""
    ways = [given["irradiance"] is not None, given["lux"] is not None, given["same_light"]]
    if sum(ways) > 1:
        raise click.UsageError("say the light once: --irradiance, --lux or --same-light")
    if given["same_light"] and given["sweep"] is None:
        raise click.UsageError("--same-light goes with --sweep")
    if given["same_light"] and given["u_irradiance"] is not None:
        raise click.UsageError(
            "--u-irradiance is in W/m2, and --same-light leaves open how many there are; give "
            "--u-share, a fraction"
        )
    if given["u_share"] is not None and not given["same_light"]:
        raise click.UsageError("--u-share goes with --same-light")


def _light(
    given: dict[str, Any], panel: Any, sweep: "SweepPanel | None", notes: list[str]
) -> "tuple[Facing, float | None]":
    """Return the light, and the effective W/m2 of one lux where a column may hold them."""
    from ivkit.errors import SweepError
    from ivkit.predict.build import facing_by_lux, facing_of
    from ivkit.predict.facing import Facing

    if given["same_light"]:
        if given["u_share"] is None:
            notes.append(ASSUMED["light since the sweep"].sentence("--u-share"))
        return sweep.same_light(1.0, given["u_share"]), None
    known, u = given["irradiance"], given["u_irradiance"]
    if sweep is not None and sweep.relative:
        if known is not None or given["source"] is not None:
            raise SweepError(
                "the light of the sweep is not known, so its curve cannot be carried to other "
                "light",
                given["sweep"],
                "give --sweep-irradiance; or, if the light is still the same, --same-light instead",
            )
        return sweep.same_light(1.0, 0.0), None
    if given["source"] is not None or given["lux"] is not None:
        lux = given["lux"] or 1000.0
        light = facing_by_lux(lux, given["source"], u, panel.kind.name, notes)
        return light, light.irradiance / lux
    if known is not None or u is None:
        return facing_of(known or _ANY, u, notes), None
    return Facing(_ANY, {"irradiance": 0.0}), None  # of a column: see `LiveJudge`


def _panel(
    given: dict[str, Any], bench: "Bench | None", notes: list[str]
) -> "tuple[Any, SweepPanel | None]":
    """Return the panel, by its sweep or its datasheet, and its sweep; None where nobody says."""
    by_bench = bench is not None and bench.panel.datasheet is not None
    if not (given["datasheet"] or given["module"] or given["sweep"] or by_bench):
        return None, None
    from ivkit.cli.panel_source import panel_of

    asked = {**given, "technology": "c-Si", "bypass_groups": None}
    panel, sweep = panel_of(
        asked, bench, given["bench"], given["datasheet"], given["module"], [], notes
    )
    if sweep is None:
        notes.append(f"the panel is that of the datasheet, {panel}")
    notes += [*panel.law_assumed, *panel.notes]
    return panel, sweep
