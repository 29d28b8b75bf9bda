"""What ``ivkit lamp`` asks for."""

from collections.abc import Callable
from typing import Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.options import Irradiance, Load
from ivkit.cli.output import FiniteNumber
from ivkit.panel.technology import TECHNOLOGY


class CellTemperature(FiniteNumber):
    """A cell temperature in degC, which tells kelvin by mistake."""

    def convert(self, value, param, ctx) -> float:  # noqa: D102
        number = FiniteNumber().convert(value, param, ctx)
        if 200 < number < 500:
            self.fail(
                f"{number:g} degC is no cell temperature; give degC, {number:g} K are "
                f"{number - 273.15:.4g} degC",
                param,
                ctx,
            )
        return super().convert(value, param, ctx)


_READING = ", ".join(
    f"{ASSUMED[name].brief} % of {unit}"
    for name, unit in (("lux meter", "lx"), ("irradiance", "W/m2"), ("lamp power", "W and A"))
)


def _option(name: str, low: float, high: float, unit: str, text: str, **more: Any) -> Any:
    kind = more.pop("type", None) or FiniteNumber(low, high, unit)
    return click.option(name, type=kind, metavar=more.pop("metavar", "N"), help=text, **more)


_OPTIONS = (
    click.option(
        "--bench", metavar="FILE", help="Light, mount and panel. [bench.toml here, if any]"
    ),
    click.option("--sweep", metavar="FILE", help="The panel, by a sweep taken in known light."),
    click.option("--sweep-bench", metavar="FILE", help="Bench of that sweep. [--bench]"),
    _option("--sweep-irradiance", 0, 5000, "W/m2", "Effective irradiance of that sweep."),
    _option(
        "--sweep-temperature",
        -90,
        200,
        "degC",
        "Cell temperature of that sweep.",
        type=CellTemperature(-90, 200, "degC"),
    ),
    click.option(
        "--technology",
        type=click.Choice(tuple(TECHNOLOGY)),
        default="c-Si",
        show_default=True,
        help="Of the cells of a sweep without a datasheet.",
    ),
    _option("--lux", 0, 1e6, "lx", "Reading of a lux meter, on the panel or at --reading-at."),
    click.option(
        "--irradiance",
        type=Irradiance(),
        metavar="W/m2",
        help="Reading of a thermopile, likewise.",
    ),
    click.option(
        "--band",
        type=(FiniteNumber(100, 1e5, "nm"), FiniteNumber(100, 1e5, "nm")),
        metavar="FROM TO",
        help="Of that thermopile, nm. [300 2800]",
    ),
    _option("--reading-at", 1e-3, 1e3, "m", "Distance of the reading, on the lamp's axis. [panel]"),
    _option("--watts", 1e-3, 1e5, "W", "Instead of a reading: the lamp's electrical power."),
    _option("--efficacy", 0.1, 683, "lm/W", "Its luminous efficacy. [usual for its kind]"),
    _option("--cell-isc", 0, 1e3, "A", "Instead of a reading: Isc of a known cell on the panel."),
    _option("--cell-isc-stc", 1e-9, 1e3, "A", "What that cell gives at STC."),
    _option("--u-reading", 0, 100, "percent", f"Standard uncertainty of the reading. [{_READING}]"),
    click.option(
        "--source",
        metavar="KIND",
        help="Its light: halogen, incandescent, led, fluorescent, A, FL2, ...",
    ),
    _option("--colour-temperature", 1000, 20000, "K", "Of a filament lamp or an LED."),
    click.option(
        "--spectrum", metavar="FILE", help="Its light, measured: nm and values, two columns."
    ),
    _option("--distance", 0, 1e3, "m", "From the lamp to the panel's centre."),
    _option(
        "--u-distance",
        0,
        10,
        "m",
        f"Its standard uncertainty. [{ASSUMED['distance of the lamp'].brief}]",
    ),
    click.option(
        "--shape",
        type=click.Choice(("point", "disc", "strip", "beam")),
        help="What the lamp looks like from the panel. [point]",
    ),
    _option("--size", 1e-4, 10, "m", "Diameter of a disc, length of a strip."),
    _option("--beam-angle", 1, 179, "deg", "Full width of a beam at half its intensity."),
    _option("--width", 1e-3, 10, "m", "Of the area that the cells cover. [from the area]"),
    _option("--height", 1e-3, 10, "m", "Of the area that the cells cover."),
    click.option(
        "--rows", type=click.IntRange(1, 200), metavar="N", help="Of cells. [near square]"
    ),
    click.option("--columns", type=click.IntRange(1, 200), metavar="N", help="Of cells."),
    click.option("--uniform", is_flag=True, help="Take the light as even: no cell by cell."),
    _option("--tilt", -89.9, 89.9, "deg", "Of the panel from facing the lamp. [0]"),
    _option(
        "--temperature",
        -90,
        200,
        "degC",
        f"Of the cells. [{ASSUMED['cell temperature'].brief}]",
        type=CellTemperature(-90, 200, "degC"),
    ),
    _option(
        "--u-temperature",
        0,
        50,
        "K",
        f"Its standard uncertainty. [{ASSUMED['stated cell temperature'].brief}]",
    ),
    _option(
        "--u-angle",
        0,
        45,
        "deg",
        f"Standard uncertainty of the tilt. [{ASSUMED['angle'].brief}]",
    ),
    _option(
        "--stray",
        0,
        1,
        "",
        f"Fraction of the light that does not turn with the panel. "
        f"[{ASSUMED['stray light'].fraction:g}]",
    ),
    _option(
        "--u-stray",
        0,
        1,
        "",
        f"Its standard uncertainty. [{ASSUMED['stray light'].u_fraction:.2g}]",
    ),
    click.option(
        "--load",
        type=Load(),
        metavar="OHM",
        multiple=True,
        help="Power into this load too (47, 4k7); may be repeated.",
    ),
    _option("--measured", 0, 1e6, "W", "Power that was read, to compare; into --load if given."),
    _option(
        "--u-measured", 0, 1e6, "W", f"Its standard uncertainty. [{ASSUMED['reading'].brief} %]"
    ),
    click.option("--table", "wanted", is_flag=True, help="Power against distance too."),
)


def lamp_options(function: Callable) -> Callable:
    """Add everything that says which lamp, where, and what to answer."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function
