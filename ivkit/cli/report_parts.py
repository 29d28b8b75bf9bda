"""The parts of the page that are answers of other commands: turned panel, lamp, check, log."""

from collections.abc import Callable, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from ivkit.answer import Answer
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit


def parts(
    settings: "Bench", bench: str, sweeps: Sequence[str], fits: list["Fit"]
) -> list[Callable[[], "Answer"]]:
    """Return what there is data for on a bench, each as work to be done.

    Parameters
    ----------
    settings : Bench
    bench : str
        Its file.
    sweeps : sequence of str
        Files of the sweeps.
    fits : list of Fit
        Of these sweeps; those with a curve.
    """
    data, light, condition = settings.data, settings.light, settings.condition
    panel, celsius = settings.panel.datasheet, condition.temp_cell_degC
    if celsius is None and fits:
        celsius = fits[0].sweep.condition.temp_cell
    u_celsius = None if celsius is None else condition.u_temp_cell_degC
    told = light.distance_m is not None and any(
        getattr(light, name) is not None
        for name in ("lux", "irradiance_W_m2", "power_W", "cell_isc_A")
    )
    lit = told and panel is not None
    out: list[Callable[[], Answer]] = []
    if data.angle and fits:
        out.append(lambda: _turned(settings, fits[0]))
    if lit:
        at = {"temperature": celsius, "u_temperature": u_celsius, **_measured(fits)}
        out.append(lambda: ask("lamp", bench=bench, **at))
    if data.check and panel is not None and (lit or condition.irradiance_W_m2 is not None):
        strong = {}  # its lamp it finds by itself
        if condition.irradiance_W_m2 is not None:
            strong["irradiance"] = condition.irradiance_W_m2
            strong["u_irradiance"] = condition.u_irradiance_W_m2
        asked = {"table": data.check, "bench": bench, "temperature": celsius, **strong}
        out.append(lambda: ask("check", **asked))
    if data.track:
        curve = sweeps[0] if len(fits) == len(sweeps) else None
        load = {} if data.track_load_ohm is None else {"load": data.track_load_ohm}
        log = {"log_file": data.track, "bench": bench, "sweep": curve, **load}
        out.append(lambda: ask("track", **log))
    return out


def ask(name: str, **stated: Any) -> "Answer":
    """Return what a command answers to options by their names; the others are at their defaults.

    Raises
    ------
    BenchError
        They do not go together, which here are those of the bench.
    """
    from ivkit.cli.output import with_reading
    from ivkit.errors import BenchError

    module = import_module(f"ivkit.cli.{name}")
    with module.command.make_context(name, [], resilient_parsing=True) as context:
        given = {key: one for key, one in context.params.items() if not key.endswith("_file")}
        try:
            return with_reading(module.answered(**(given | stated))[0])
        except click.UsageError as error:
            raise BenchError(
                error.format_message(), f"ivkit {name}", "complete the bench file"
            ) from None


def _turned(settings: "Bench", fit: "Fit") -> "Answer":
    """Return the answer about a panel turned in the light of a sweep."""
    from ivkit.cli.angle import read_angles
    from ivkit.panel.datasheet import load_datasheet
    from ivkit.predict.build_turned import turned_of
    from ivkit.report.angle_answer import angle_answer
    from ivkit.verdict.angle import turned_power

    read = read_angles(settings.data.angle, tolerance=settings.loads.tolerance_pct)
    sheet = settings.panel.datasheet and load_datasheet(settings.panel.datasheet)
    turned = turned_of({}, settings, sheet or None, fit)
    return angle_answer(turned_power(turned, (), read), fit.sweep.name, settings.path)


def _measured(fits: list["Fit"]) -> dict[str, float]:
    """Return the maximum power of the first sweep, to hold a prediction against."""
    from math import isfinite

    for fit in fits:
        power = fit.key_points.p_mp
        if isfinite(power.nominal_value) and isfinite(power.std_dev):
            return {"measured": power.nominal_value, "u_measured": power.std_dev}
    return {}
