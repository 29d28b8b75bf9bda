"""What ``ivkit lamp`` asks for: of the command line, and where it is silent, of the bench."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.output import FiniteNumber
from ivkit.panel.technology import TECHNOLOGY

if TYPE_CHECKING:
    from ivkit.bench import Bench

#: Ways to say how strong the lamp is: option, key in ``[light]``, name of it in the budget.
STRENGTHS = {
    "lux": ("lux", "lux meter"),
    "irradiance": ("irradiance_W_m2", "thermopile"),
    "watts": ("power_W", "lamp power"),
    "cell_isc": ("cell_isc_A", "known cell"),
}
#: Everything that `with_bench` and `ivkit.cli.lamp_parts` ask of a lamp and its panel.
LAMP = (
    *STRENGTHS,
    *("u_reading", "efficacy", "cell_isc_stc", "band", "reading_at"),
    *("source", "colour_temperature", "spectrum", "shape", "size", "beam_angle"),
    *("distance", "u_distance", "tilt", "width", "height", "rows", "columns"),
    *("temperature", "u_temperature"),
)


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
    _option("--irradiance", 0, 1e5, "W/m2", "Reading of a thermopile, likewise."),
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
    _option("--load", 0, 1e9, "ohm", "Power into this load too; may be repeated.", multiple=True),
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


def with_bench(given: dict[str, Any], bench: "Bench | None") -> dict[str, Any]:
    """Return the options with what they leave open taken from the bench.

    A lamp's strength, its light and its shape are each taken from one place: options for one of
    them put aside all that the bench says of it. A reading on the panel, of the bench, stays one
    at the bench's distance when ``--distance`` moves the panel.
    """
    told = dict(given, read_from=None, offset=(0.0, 0.0), bypass_groups=None, u_tilt=None)
    if bench is None:
        return told
    light, mount, panel = bench.light, bench.mount, bench.panel

    def fill(**values: Any) -> None:
        for name, value in values.items():
            if told[name] is None:
                told[name] = value

    if all(told[way] is None for way in STRENGTHS):
        fill(**{way: getattr(light, key) for way, (key, _) in STRENGTHS.items()})
        fill(
            efficacy=light.efficacy_lm_W,
            cell_isc_stc=light.cell_isc_stc_A,
            u_reading=light.u_reading_pct,
        )
        if light.band_from_nm is not None:
            fill(band=(light.band_from_nm, light.band_to_nm))
        if told["reading_at"] is None:
            told["reading_at"] = light.reading_distance_m
            told["read_from"] = light.distance_m
    if all(told[name] is None for name in ("source", "colour_temperature", "spectrum")):
        fill(colour_temperature=light.colour_temperature_K, spectrum=light.spectrum)
        if told["spectrum"] is None:
            fill(source=light.kind)
        else:
            told["colour_temperature"] = None
    if all(told[name] is None for name in ("shape", "size", "beam_angle")):
        fill(shape=light.shape, size=light.size_m, beam_angle=light.beam_angle_deg)
    fill(distance=light.distance_m, u_distance=light.u_distance_m)
    fill(tilt=mount.tilt_deg, u_tilt=mount.u_tilt_deg, bypass_groups=panel.bypass_groups)
    told["offset"] = (mount.offset_across_m, mount.offset_up_m)
    for name in ("width", "height"):
        size = getattr(panel, f"{name}_cm")
        fill(**{name: None if size is None else size / 100})
    fill(rows=panel.rows, columns=panel.columns)
    # A bench may know how good its sensor is while its reading is a column of the sweep.
    if told["temperature"] is None and bench.condition.temp_cell_degC is not None:
        fill(
            temperature=bench.condition.temp_cell_degC,
            u_temperature=bench.condition.u_temp_cell_degC,
        )
    return told
