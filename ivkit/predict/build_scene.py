"""A scene from what is stated of a bench: one way to say the light, one to say the temperature.

What is stated is a mapping by option names; None, or a name that is not there, stands for what
nobody says. What is then assumed is added to a list ``assumed``.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from ivkit.assumptions import ASSUMED
from ivkit.bench import Bench
from ivkit.bench_light import STRENGTHS
from ivkit.errors import RangeError, SweepError
from ivkit.light.panel_face import Placement
from ivkit.light.strength import ON_PANEL
from ivkit.predict.build import facing_of, mount_of, open_voltage, warmth_of
from ivkit.predict.build_lamp import lamp_of, with_bench
from ivkit.predict.near import POINT, NearLamp
from ivkit.predict.of_sweep import SweepPanel
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene, Warmth

WAYS = ("irradiance", "lux", "share")
_NONE = (
    "say how strong the light was: --irradiance W/m2, --lux with --source, a lamp in [light] of "
    "the bench, a column of TABLE, or with --sweep --share of the sweep's own light (1: the same)"
)


def scene_of(
    stated: Mapping[str, Any],
    panel: Any,
    sweep: SweepPanel | None,
    bench: Bench | None,
    read: Mapping[str, float],
    readings: Readings,
    assumed: list[str],
) -> tuple[Scene, str]:
    """Return the panel in its light, at its temperature; and how the light was told.

    Parameters
    ----------
    stated : mapping
        ``irradiance``, ``u_irradiance`` (W/m2), ``lux``, ``source``, ``share``, ``u_share`` (of a
        sweep's light), ``temperature``, ``u_temperature`` (degC, K), ``open_voltage``,
        ``u_open_voltage`` (V), ``stray``, ``u_stray``, ``u_angle`` (deg), ``distance``,
        ``u_distance`` (m).
    panel : Datasheet or MeasuredPanel
    sweep : SweepPanel or None
        The sweep that the panel is known by.
    bench : Bench or None
    read : mapping
        Means of light and temperature that a table tells: ``irradiance`` W/m2, ``illuminance`` lx,
        ``temperature`` degC.
    readings : Readings
        Whose angles and distances decide what matters.
    assumed : list of str

    Raises
    ------
    RangeError
        The light, or the temperature, is stated twice or not at all.
    SweepError
        The sweep's light is not known, and light is stated in W/m2.
    """
    given = {name: stated.get(name) for name in (*stated, *WAYS)}
    ways = [way for way in WAYS if given[way] is not None]
    if len(ways) > 1:
        raise RangeError(f"--{ways[0]} and --{ways[1]} both say how strong the light was")
    if not ways and "irradiance" in read:
        ways, given["irradiance"] = ["irradiance"], read["irradiance"]
    if not ways and "illuminance" in read:
        ways, given["lux"] = ["lux"], read["illuminance"]
    lamp = bench is not None and any(getattr(bench.light, n) is not None for n in STRENGTHS)
    way = ways[0] if ways else "lamp" if lamp else ""
    if given["u_irradiance"] is not None and way not in ("irradiance", ""):
        raise RangeError("--u-irradiance goes with an irradiance in W/m2")
    turned = bool((readings.angle != 0).any())
    if given["u_angle"] is None and bench is not None:
        given["u_angle"] = bench.mount.u_tilt_deg
    mount = mount_of(
        assumed, turned=turned, **{n: given[n] for n in ("u_angle", "stray", "u_stray")}
    )
    told = way or "irradiance"
    if way == "share":
        if given["u_share"] is None:
            assumed.append(ASSUMED["light since the sweep"].sentence("--u-share"))
        light = sweep.same_light(given["share"], given["u_share"])
    elif way in ("lux", "lamp"):
        light = _lamp(given, panel, bench, readings, assumed)
    else:
        light = _stated(given, bench, assumed)
    if readings.distance is not None and light.distance_m is None:
        raise RangeError(
            "the table has distances, but not the light at one of them",
            remedy="give --lux with --source and --distance, or [light] of a bench with distance_m",
        )
    if sweep is not None and sweep.relative and told != "share":
        raise SweepError(
            "the irradiance during the sweep is not known, so its curve cannot be carried to other "
            "light",
            sweep.panel.name,
            "give --sweep-irradiance, or irradiance_W_m2 in [condition] of its bench; or --share, "
            "if the readings are of light that is a share of the sweep's",
        )
    warm = _warmth(given, sweep, bench, read, assumed)
    scene = Scene(panel, light, warm, mount)
    if given["open_voltage"] is not None:
        v_oc = open_voltage(given["open_voltage"], given["u_open_voltage"], assumed)
        scene = scene.by_voc(v_oc)
    return scene, told


def _stated(given: Mapping[str, Any], bench: Bench | None, assumed: list[str]) -> Any:
    """Return light that is stated in W/m2: by an option or a column, else by the bench."""
    value, u = given["irradiance"], given["u_irradiance"]
    if value is None:
        condition = bench.condition if bench is not None else None
        if condition is None or condition.irradiance_W_m2 is None:
            raise RangeError(_NONE)
        value = condition.irradiance_W_m2
        u = condition.u_irradiance_W_m2 if u is None else u
        assumed.append(f"irradiance {value:g} W/m2, of [condition] of the bench")
    return facing_of(value, u, assumed)


def _warmth(
    given: Mapping[str, Any],
    sweep: SweepPanel | None,
    bench: Bench | None,
    read: Mapping[str, float],
    assumed: list[str],
) -> Warmth:
    """Return the cell temperature: stated, read, that of the sweep, of the bench, or usual."""
    if given["open_voltage"] is not None:
        for name in ("temperature", "u_temperature"):
            if given[name] is not None:
                raise RangeError(
                    f"--open-voltage and --{name.replace('_', '-')} both tell the cell temperature"
                )
        if "temperature" in read:
            raise RangeError(
                "--open-voltage and a temperature column of TABLE both tell the cell temperature"
            )
        return Warmth()  # to start from
    if given["u_open_voltage"] is not None:
        raise RangeError("--u-open-voltage goes with --open-voltage")
    celsius, kelvin = given["temperature"], given["u_temperature"]
    if celsius is None:
        celsius = read.get("temperature")
    if celsius is None and sweep is None and bench is not None:
        celsius = bench.condition.temp_cell_degC
    if celsius is not None and kelvin is None and bench is not None:
        kelvin = bench.condition.u_temp_cell_degC
    return warmth_of(celsius, kelvin, assumed, sweep)


def _lamp(
    given: Mapping[str, Any],
    panel: Any,
    bench: Bench | None,
    readings: Readings,
    assumed: list[str],
) -> NearLamp:
    """Return the lamp of the bench, or of lux and its source, over the panel."""
    names = ("lux", "source", "distance", "u_distance")
    lamp = with_bench({name: given[name] for name in names}, bench)
    if given["lux"] is not None and not (lamp["source"] or lamp["spectrum"]):
        raise RangeError("--lux says nothing without --source: 1000 lx are 3 to 32 W/m2 to silicon")
    found = lamp_of(lamp, panel, assumed)
    strength, tilt = found.strength, lamp["tilt"] or 0.0
    aside = readings.distance is not None or (readings.angle != tilt).any()
    here = strength.terms in ON_PANEL and strength.read_at is None
    if here and aside and lamp["distance"] is not None:
        # The reading was flat on the panel as it is mounted.
        place = Placement(lamp["distance"], tilt, 0.0, lamp["offset"])
        found = replace(found, strength=replace(strength, read_at=place))
    if (readings.angle != 0).any() and found.face is not POINT:
        assumed.append("turned about the panel's width under the lamp; the cells' light is unequal")
    return found
