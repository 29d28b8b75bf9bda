"""``ivkit lamp``: what the panel should give under this lamp."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.light.lamp_shape import Shape
    from ivkit.light.panel_face import PanelFace
    from ivkit.panel.datasheet import Datasheet
    from ivkit.panel.under_lamp import Strength

ASSUMED_READING_PCT = 10.0  # of a lux meter, 1 sigma, where not given: common practice, no source
ASSUMED_CELSIUS, ASSUMED_KELVIN = 35.0, 8.0  # of cells under a lamp: common practice, no source


def _option(name: str, low: float, high: float, unit: str, text: str, **more: Any) -> Any:
    return click.option(
        name,
        type=FiniteNumber(low, high, unit),
        metavar=more.pop("metavar", "N"),
        help=text,
        **more,
    )


@click.command("lamp")
@panel_options
@_option("--lux", 0, 1e6, "lx", "Reading of a lux meter, on the panel or at --reading-at.")
@_option("--irradiance", 0, 1e5, "W/m2", "Reading of a thermopile, 300 to 2800 nm, likewise.")
@_option("--reading-at", 1e-3, 1e3, "m", "Distance of the reading, on the lamp's axis. [panel]")
@_option("--watts", 1e-3, 1e5, "W", "Instead of a reading: the lamp's electrical power.")
@_option("--efficacy", 0.1, 683, "lm/W", "Its luminous efficacy. [usual for its kind]")
@_option("--cell-isc", 0, 1e3, "A", "Instead of a reading: Isc of a known cell on the panel.")
@_option("--cell-isc-stc", 1e-9, 1e3, "A", "What that cell gives at STC.")
@_option("--u-reading", 0, 100, "percent", "Standard uncertainty of the reading. [10 %]")
@click.option(
    "--source",
    metavar="KIND",
    help="Its light: halogen, incandescent, led, fluorescent, 'halogen 3000 K', A, ...",
)
@click.option("--spectrum", metavar="FILE", help="Its light, measured: nm and values, two columns.")
@_option("--distance", 0, 1e3, "m", "From the lamp to the panel's centre.", required=True)
@_option("--u-distance", 0, 10, "m", "Its standard uncertainty.", default=0.005, show_default=True)
@click.option(
    "--shape",
    type=click.Choice(("point", "disc", "strip", "beam")),
    default="point",
    show_default=True,
    help="What the lamp looks like from the panel.",
)
@_option("--size", 1e-4, 10, "m", "Diameter of a disc, length of a strip.")
@_option("--beam-angle", 1, 179, "deg", "Full width of a beam at half its intensity.")
@_option("--width", 1e-3, 10, "m", "Of the area that the cells cover. [from the datasheet's area]")
@_option("--height", 1e-3, 10, "m", "Of the area that the cells cover.")
@click.option("--rows", type=click.IntRange(1, 200), metavar="N", help="Of cells. [near square]")
@click.option("--columns", type=click.IntRange(1, 200), metavar="N", help="Of cells.")
@click.option("--uniform", is_flag=True, help="Take the light as even: no cell by cell.")
@_option("--tilt", -89.9, 89.9, "deg", "Of the panel from facing the lamp.", default=0.0)
@_option("--temperature", -90, 200, "degC", "Of the cells. [35 +- 8]")
@_option("--load", 0, 1e9, "ohm", "Power into this load too; may be repeated.", multiple=True)
@_option("--measured", 0, 1e6, "W", "Power that was read, to compare; into --load if given.")
@_option("--u-measured", 0, 1e6, "W", "Its standard uncertainty. [3 %]")
@click.option("--table", "wanted", is_flag=True, help="Power against distance too.")
@output_options()
def command(output: Output, datasheet: str | None, module: str | None, **given: Any) -> int:
    """What the panel should give under this lamp, and whether a reading fits.

    Say how strong the lamp is by --lux, --irradiance, --watts or --cell-isc, and what its light is
    by --source or --spectrum. The light is worked out cell by cell where the cells' places are
    known.

    Example: ivkit lamp --datasheet panel.toml --lux 6000 --source halogen --distance 0.35
    """
    from uncertainties import ufloat

    from ivkit.panel.under_lamp import under_lamp
    from ivkit.report.lamp_text import describe, document, frame

    assumed: list[str] = []
    sheet = load_panel(datasheet, module)
    strength = _strength(given, assumed)
    shape = _shape(given)
    face = None if given["uniform"] else _face(given, sheet, assumed)
    if given["temperature"] is None:
        assumed.append(
            f"cells at {ASSUMED_CELSIUS:g} +- {ASSUMED_KELVIN:g} degC (common practice, no source)"
        )
        celsius = ufloat(ASSUMED_CELSIUS, ASSUMED_KELVIN, "cell temperature")
    else:
        celsius = ufloat(given["temperature"], 1.0, "cell temperature")

    def at(distance: float) -> Any:
        far = distance
        if given["u_distance"] > 0:
            far = ufloat(distance, given["u_distance"], "distance")
        return under_lamp(
            sheet,
            strength,
            shape,
            far,
            face,
            tilt_deg=given["tilt"],
            temp_cell=celsius,
            loads=given["load"],
            assumed=assumed,
        )

    found = at(given["distance"])
    distances: list[Any] = []
    if given["wanted"]:
        strength = _fixed(strength, shape, given)
        distances = [(d, at(d)) for d in _ladder(given["distance"], shape, face)]
    judged, verdict = _judge(given, found)
    inputs = [name for name in (datasheet, given["spectrum"]) if name]

    def figure() -> Any:
        from ivkit.report.lamp_figure import lamp_figure

        return lamp_figure(found, distances)

    output.deliver(
        describe(found, sheet, judged.get("sentence", ""), distances),
        {**document(found, sheet, distances), "judged": judged or None},
        lambda: frame(found, distances),
        figure,
        inputs,
    )
    return 1 if verdict in ("too high", "too low") else 0


def _strength(given: dict[str, Any], assumed: list[str]) -> "Strength":
    """Return how strong the lamp is, from exactly one way of saying it."""
    from uncertainties import ufloat

    from ivkit.light.lamp import effective_irradiance_from_cell
    from ivkit.light.spectrum import THERMOPILE
    from ivkit.panel.under_lamp import USUAL_EFFICACY, Strength

    ways = [n for n in ("lux", "irradiance", "watts", "cell_isc") if given[n] is not None]
    if len(ways) != 1:
        raise click.UsageError(
            "say how strong the lamp is in exactly one way: --lux, --irradiance, --watts or "
            "--cell-isc"
        )
    (way,) = ways
    share = given["u_reading"]
    if share is None:
        share = 2.0 if way in ("watts", "cell_isc") else ASSUMED_READING_PCT
        assumed.append(f"reading of the lamp known to {share:g} % (common practice, no source)")
    name = {
        "lux": "lux meter",
        "irradiance": "thermopile",
        "watts": "lamp power",
        "cell_isc": "known cell",
    }[way]
    value = given[way]
    reading = ufloat(value, value * share / 100, name) if value * share > 0 else value
    if way == "cell_isc":
        if given["cell_isc_stc"] is None:
            raise click.UsageError("--cell-isc needs --cell-isc-stc: what the cell gives at STC")
        light = effective_irradiance_from_cell(reading, given["cell_isc_stc"])
        return Strength("cell", light, "W_m2")
    spectrum = _spectrum(given)
    if way == "watts":
        efficacy = given["efficacy"]
        if efficacy is None:
            kind = next((k for k in USUAL_EFFICACY if k in (given["source"] or "").lower()), None)
            if kind is None:
                raise click.UsageError(
                    "--watts needs --efficacy, or a --source whose efficacy is usual: "
                    + ", ".join(USUAL_EFFICACY)
                )
            usual, u = USUAL_EFFICACY[kind]
            assumed.append(f"{usual:g} +- {u:g} lm/W, usual for {kind} lamps")
        else:
            usual, u = efficacy, 0.05 * efficacy
        return Strength(
            "power", reading, "lx", spectrum, efficacy_lm_W=ufloat(usual, u, "luminous efficacy")
        )
    terms = "panel" if given["reading_at"] is None else "distance"
    if way == "lux":
        return Strength(terms, reading, "lx", spectrum, distance_m=given["reading_at"])
    return Strength(terms, reading, "W_m2", spectrum, THERMOPILE, given["reading_at"])


def _spectrum(given: dict[str, Any]) -> Any:
    if given["spectrum"] and given["source"]:
        raise click.UsageError("--source and --spectrum exclude each other; give one")
    if given["spectrum"]:
        from ivkit.light.spectrum_file import read_spectrum

        return read_spectrum(given["spectrum"])
    if not given["source"]:
        return None
    from ivkit.light.spectrum import named

    return named(given["source"])


def _shape(given: dict[str, Any]) -> "Shape":
    """Return the lamp's shape, with the size that it needs."""
    from ivkit.light.lamp_shape import Beam, Disc, Point, Strip

    kind, size, beam = given["shape"], given["size"], given["beam_angle"]
    if kind in ("disc", "strip") and size is None:
        raise click.UsageError(f"--shape {kind} needs --size, in m")
    if kind == "beam" and beam is None:
        raise click.UsageError("--shape beam needs --beam-angle, in deg")
    if kind == "disc":
        return Disc(size / 2)
    if kind == "strip":
        return Strip(size)
    return Beam(beam) if kind == "beam" else Point()


def _face(given: dict[str, Any], sheet: "Datasheet", assumed: list[str]) -> "PanelFace | None":
    """Return where the cells are: as given, or square ones tiling the datasheet's area."""
    from ivkit.light.panel_face import PanelFace
    from ivkit.panel.under_lamp import usual_face

    sizes = [given[name] for name in ("width", "height", "rows", "columns")]
    if all(size is not None for size in sizes):
        return PanelFace(*sizes)
    if any(size is not None for size in sizes):
        raise click.UsageError("--width, --height, --rows and --columns belong together")
    face = usual_face(sheet)
    if face is None:
        assumed.append("even light: neither the panel's size nor its area is known")
    else:
        assumed.append(
            f"{face.rows} rows of {face.columns} square cells over {100 * face.width_m:.0f} cm by "
            f"{100 * face.height_m:.0f} cm"
        )
    return face


def _fixed(strength: "Strength", shape: "Shape", given: dict[str, Any]) -> "Strength":
    """Return a strength that stays when the panel moves: a reading on it is one at its distance."""
    from dataclasses import replace

    if strength.terms not in ("panel", "cell"):
        return strength
    if given["tilt"]:
        raise click.UsageError("--table needs a panel that faces the lamp, or --reading-at")
    if strength.terms == "cell":
        from ivkit.light.spectrum import am15g

        # Effective irradiance is irradiance of the reference spectrum itself.
        reference = am15g()
        return replace(
            strength,
            terms="distance",
            spectrum=reference,
            band=(280.0, 4000.0),
            distance_m=given["distance"],
        )
    return replace(strength, terms="distance", distance_m=given["distance"])


def _ladder(distance: float, shape: "Shape", face: "PanelFace | None") -> list[float]:
    """Return distances around the one given, none inside the lamp."""
    import numpy as np

    low = max(0.4 * distance, 1.1 * shape.size)
    return [float(f"{d:.2g}") for d in np.geomspace(low, 4 * distance, 8)]


def _judge(given: dict[str, Any], found: Any) -> tuple[dict[str, Any], str]:
    """Return the comparison with a measured power, and its verdict."""
    if given["measured"] is None:
        return {}, ""
    from uncertainties import ufloat

    from ivkit.report.text import number
    from ivkit.verdict.score import en_number, verdict

    if len(given["load"]) > 1:
        raise click.UsageError("--measured compares with one --load, or with none")
    u = given["u_measured"] if given["u_measured"] is not None else 0.03 * given["measured"]
    measured = ufloat(given["measured"], max(u, 1e-12), "measured power")
    predicted = found.loads[given["load"][0]] if given["load"] else found.key_points.p_mp
    where = f"into {given['load'][0]:g} ohm" if given["load"] else "at its best load"
    score, word = en_number(measured, predicted), verdict(measured, predicted)
    saying = {
        "plausible": "is what this lamp should give",
        "too high": "is more than this lamp should give",
        "too low": "is less than this lamp should give",
        "cannot tell": "fits, but the prediction is too wide to tell anything",
    }
    sentence = (
        f"Measured {number(given['measured'], measured.std_dev, 'W')} {where}: {word}. It "
        f"{saying[word]}, {number(predicted.nominal_value, predicted.std_dev, 'W')} "
        f"(E_n = {score:.2f}, agreement up to 1)."
    )
    return {
        "verdict": word,
        "en": score,
        "measured": measured,
        "predicted": predicted,
        "sentence": sentence,
        "slips": [],
    }, word
