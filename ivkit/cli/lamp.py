"""``ivkit lamp``: what the panel should give under this lamp."""

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.inputs import SweepOptions
from ivkit.cli.lamp_options import lamp_options, with_bench
from ivkit.cli.output import Output, output_options
from ivkit.cli.panel_source import panel_of, panel_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from ivkit.light.lamp_shape import Shape
    from ivkit.panel.under_lamp import Strength, UnderLamp


@click.command("lamp")
@panel_options
@lamp_options
@output_options()
def command(
    output: Output, bench: str | None, datasheet: str | None, module: str | None, **given: Any
) -> int:
    """What the panel should give under this lamp, and whether a reading fits.

    Say how strong the lamp is by --lux, --irradiance, --watts or --cell-isc, and what its light is
    by --source or --spectrum; or write it into [light] of the bench. The light is worked out cell
    by cell where the cells' places are known. Exit status 1: the reading does not fit.

    Example: ivkit lamp --datasheet panel.toml --lux 6000 --source halogen --distance 0.35
    """
    set_up = SweepOptions(bench=bench).load_bench()
    files = SweepOptions(bench=bench).files(())
    given = with_bench(given, set_up)
    assumed: list[str] = []
    sheet = panel_of(given, set_up, bench, datasheet, module, files)
    if given["distance"] is None:
        silent = f" ({files[0]} gives none either)" if set_up is not None else ""
        raise click.UsageError(
            f"--distance is missing: metres from the lamp to the panel's centre{silent}"
        )

    from ivkit.cli.lamp_parts import (
        cell_temperature,
        face_of,
        placed,
        shape_of,
        strength_of,
        uncertain,
    )
    from ivkit.errors import about
    from ivkit.panel.under_lamp import under_lamp
    from ivkit.report.lamp_text import describe, document, frame

    read = ", ".join(name for name in (given["spectrum"], *files) if name)
    with about(read):
        strength = strength_of(given, assumed)
    shape, beam = shape_of(given, assumed)
    with about(read):
        face = None if given["uniform"] else face_of(given, sheet, assumed)
    if given["uniform"]:
        assumed.append("even light: all of the panel gets what its centre gets")
    celsius = cell_temperature(given, assumed)
    if given["measured"] is not None and given["u_measured"] is None:
        assumed.append(ASSUMED["reading"].sentence("--u-measured"))
    u_distance, u_tilt = placed(given, assumed)
    tilt = uncertain(given["tilt"] or 0.0, u_tilt, "tilt")

    def at(distance: float, strength: "Strength") -> Any:
        return under_lamp(
            sheet,
            strength,
            shape,
            uncertain(distance, u_distance, "distance"),
            face,
            tilt_deg=tilt,
            beam_angle_deg=beam,
            offset_m=given["offset"],
            temp_cell=celsius,
            loads=given["load"],
            assumed=[*assumed, *sheet.law_assumed],
        )

    distances: list[Any] = []
    with about(read):
        found = at(given["distance"], strength)
        if given["wanted"]:
            distances = _against_distance(at, _fixed(strength, given), given["distance"], shape)
    judged, verdict = _judge(given, found)
    slips: Any = ()

    def figure() -> Any:
        from ivkit.report.lamp_figure import lamp_figure

        return lamp_figure(found, distances)

    output.deliver(
        describe(found, sheet, judged.get("sentence", ""), distances, slips),
        {**document(found, sheet, distances), "judged": judged or None},
        lambda: frame(found, distances),
        figure,
        [*files, *(name for name in (datasheet, given["sweep"], given["spectrum"]) if name)],
    )
    return 1 if verdict in ("too high", "too low") else 0


def _fixed(strength: "Strength", given: dict[str, Any]) -> "Strength":
    """Return a strength that stays when the panel moves: a reading on it is one at its place."""
    from dataclasses import replace

    from ivkit.light.panel_face import Placement

    if strength.terms not in ("panel", "cell") or strength.read_at is not None:
        return strength
    place = Placement(given["distance"], given["tilt"] or 0.0, 0.0, given["offset"])
    return replace(strength, read_at=place)


def _against_distance(
    at: "Callable[[float, Strength], UnderLamp]",
    strength: "Strength",
    distance: float,
    shape: "Shape",
) -> "list[tuple[float, UnderLamp]]":
    """Return what the panel gives at distances around the one given, where it can be there."""
    import numpy as np

    from ivkit.errors import RangeError

    low = max(0.4 * distance, 1.1 * shape.size)
    found = []
    for step in np.geomspace(low, max(4 * distance, 2 * low), 9):
        place = float(f"{step:.2g}")
        # Nearer than the lamp can be, or brighter than any lamp: left out.
        with suppress(RangeError):
            found.append((place, at(place, strength)))
    return found


def _judge(given: dict[str, Any], found: Any) -> tuple[dict[str, Any], str]:
    """Return the comparison with a measured power, and its verdict."""
    if given["measured"] is None:
        return {}, ""
    from uncertainties import ufloat

    from ivkit.report.text import number
    from ivkit.verdict.score import en_number, verdict

    if len(given["load"]) > 1:
        raise click.UsageError("--measured compares with one --load, or with none")
    u = given["u_measured"]
    if u is None:
        u = ASSUMED["reading"].u_fraction * given["measured"]
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
