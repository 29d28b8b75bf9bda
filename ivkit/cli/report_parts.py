"""The parts of the page that are answers of other commands: the lamp, readings to check, a log.

Each command is run as a reader would run it, and hands over its text, its document and its
figure; so the page cannot say anything else than the command that it names.
"""

from collections.abc import Callable, Sequence
from importlib import import_module
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit
    from ivkit.report.delivered import Delivered
    from ivkit.report.page import Section

#: What is to be said of a part: its command, the sentence for the top of the page, its section.
Part = tuple[str, str, "Section"]


def without_picture(part: Callable[[], Part]) -> bool:
    """Return whether a part of `parts` draws nothing."""
    return part.__name__ == "check"


def parts(
    settings: "Bench", bench: str, sweeps: Sequence[str], fits: list["Fit"]
) -> list[Callable[[], Part]]:
    """Return what there is data for on a bench, each as work to be done in this order.

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
    words = ["--bench", bench]
    data, light = settings.data, settings.light
    condition, panel = settings.condition, settings.panel.datasheet
    celsius = condition.temp_cell_degC
    if celsius is None and fits:
        celsius = fits[0].sweep.condition.temp_cell
    warm = [] if celsius is None else ["--temperature", f"{celsius:.2f}"]
    if condition.u_temp_cell_degC is not None and warm:
        cells = [*warm, "--u-temperature", f"{condition.u_temp_cell_degC:g}"]
    else:
        cells = warm
    told = light.distance_m is not None and any(
        getattr(light, name) is not None
        for name in ("lux", "irradiance_W_m2", "power_W", "cell_isc_A")
    )
    lit = told and panel is not None
    out: list[Callable[[], Part]] = []
    if lit:

        def lamp() -> Part:
            return _part("lamp", ask(["lamp", *words, *cells, *_measured(fits)]))

        out.append(lamp)
    if data.check and panel is not None and (lit or condition.irradiance_W_m2 is not None):

        def check() -> Part:
            asked = ["check", data.check, *words, *warm, *_strength(settings)]
            return _part("check", ask(asked))

        out.append(check)
    if data.track:
        curve = ["--sweep", sweeps[0]] if len(fits) == len(sweeps) else []
        load = [] if data.track_load_ohm is None else ["--load", f"{data.track_load_ohm:g}"]
        track = ["track", data.track, *words, *curve, *load]
        out.append(lambda: _part("track", ask(track)))
    return out


def _part(name: str, delivered: "Delivered") -> Part:
    """Return the sentence and the section of a command's answer."""
    from ivkit.report.bench_page import answer_section

    return name, delivered.answer.headline, answer_section(delivered.answer, name)


def ask(words: list[str]) -> "Delivered":
    """Run a command and return what it delivers.

    Raises
    ------
    BenchError
        Its options do not go together, which here are those of the bench.
    """
    from ivkit.cli.output import taken
    from ivkit.errors import BenchError

    command = import_module(f"ivkit.cli.{words[0]}").command
    with taken() as delivered:
        try:
            with command.make_context(f"ivkit {words[0]}", words[1:]) as context:
                command.invoke(context)
        except click.exceptions.Exit:
            pass  # "no" is an answer
        except click.UsageError as error:
            raise BenchError(
                error.format_message(), f"ivkit {words[0]}", "complete the bench file"
            ) from None
    return delivered[-1]


def _measured(fits: list["Fit"]) -> list[str]:
    """Return the maximum power of the first sweep, to hold a prediction against."""
    import numpy as np

    for fit in fits:
        power = fit.key_points.p_mp
        if np.isfinite(power.nominal_value) and np.isfinite(power.std_dev):
            value = ["--measured", f"{power.nominal_value:.8g}"]
            return [*value, "--u-measured", f"{power.std_dev:.4g}"]
    return []


def _strength(settings: "Bench") -> list[str]:
    """Return the light as options of `check` where it is stated; its lamp it finds by itself."""
    condition = settings.condition
    if condition.irradiance_W_m2 is None:
        return []
    u = condition.u_irradiance_W_m2
    stated = ["--irradiance", f"{condition.irradiance_W_m2:g}"]
    return stated if u is None else [*stated, "--u-irradiance", f"{u:g}"]
