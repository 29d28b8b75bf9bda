"""From the options of ``ivkit lamp`` to lamp, light, panel face and temperature.

What was not said is assumed and added to the list ``assumed``.
"""

from typing import Any

import click
from uncertainties import ufloat

from ivkit.assumptions import ASSUMED
from ivkit.cli.lamp_options import STRENGTHS
from ivkit.errors import RangeError
from ivkit.light.lamp import effective_irradiance_from_cell
from ivkit.light.lamp_shape import Beam, Disc, Point, Shape, Strip
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.light.radiometry import Spectrum
from ivkit.light.spectrum import THERMOPILE, named
from ivkit.light.strength import Strength
from ivkit.panel.cells import usual_face
from ivkit.panel.under_lamp import Panel

#: What replaces an entry here, where it differs from other commands.
U_READING = "--u-reading, or u_reading_pct in [light] of the bench,"
U_TILT = "u_tilt_deg in [mount] of the bench"
_EFFICACY = " efficacy"  # after a lamp's kind, in the list of what is assumed
_KINDS = [name.removesuffix(_EFFICACY) for name in ASSUMED if name.endswith(_EFFICACY)]
_KINDS.remove("stated luminous")


def uncertain(value: float, u: float, name: str) -> Any:
    """Return an uncertain number under its name, or a plain one where nothing is uncertain."""
    return ufloat(value, u, name) if u > 0 else value


def strength_of(given: dict[str, Any], assumed: list[str]) -> Strength:
    """Return how strong the lamp is, from exactly one way of saying it."""
    ways = [n for n in STRENGTHS if given[n] is not None]
    if len(ways) != 1:
        raise click.UsageError(
            "say how strong the lamp is in exactly one way: --lux, --irradiance, --watts or "
            "--cell-isc"
        )
    (way,) = ways
    percent = given["u_reading"]
    if percent is None:
        usual = ASSUMED["irradiance" if way == "irradiance" else STRENGTHS[way][1]]
        percent = usual.u
        assumed.append(usual.sentence(U_READING))
    reading = uncertain(given[way], given[way] * percent / 100, STRENGTHS[way][1])
    read_at = None
    if given["read_from"] is not None and given["read_from"] != given["distance"]:
        read_at = Placement(given["read_from"], given["tilt"] or 0.0, 0.0, given["offset"])
    if way == "cell_isc":
        if given["cell_isc_stc"] is None:
            raise click.UsageError("--cell-isc needs --cell-isc-stc: what the cell gives at STC")
        assumed.append("the known cell is of the panel's technology, at about 25 degC")
        light = effective_irradiance_from_cell(reading, given["cell_isc_stc"])
        return Strength("cell", light, "W_m2", read_at=read_at)
    spectrum = _spectrum(given)
    if way == "watts":
        return Strength("power", reading, "lx", spectrum, efficacy_lm_W=_efficacy(given, assumed))
    terms = "panel" if given["reading_at"] is None else "distance"
    unit, band = ("lx", None) if way == "lux" else ("W_m2", given["band"] or THERMOPILE)
    if way == "irradiance" and given["band"] is None:
        assumed.append("the thermopile reads 300 to 2800 nm")
    if terms == "distance":
        read_at = None
    return Strength(
        terms, reading, unit, spectrum, band, distance_m=given["reading_at"], read_at=read_at
    )


def _efficacy(given: dict[str, Any], assumed: list[str]) -> Any:
    """Return the luminous efficacy as given, or the usual one of the lamp's kind."""
    stated = given["efficacy"]
    if (given["shape"] or "point") == "point" and given["beam_angle"] is None:
        assumed.append(
            "the lamp shines alike in all directions: with a reflector it gives several times as "
            "much ahead; say so by --shape beam --beam-angle"
        )
    if stated is not None:
        usual = ASSUMED["stated luminous efficacy"]
        assumed.append(usual.sentence())
        return ufloat(stated, usual.u_fraction * stated, "luminous efficacy")
    kind = next((k for k in _KINDS if k in (given["source"] or "").lower()), None)
    if kind is None:
        raise click.UsageError(
            "--watts needs --efficacy, or a --source whose efficacy is usual: " + ", ".join(_KINDS)
        )
    usual, leaves = ASSUMED[kind + _EFFICACY], ASSUMED["light that leaves the fitting"]
    assumed += [usual.sentence(), leaves.sentence()]
    fitting = ufloat(leaves.fraction, leaves.u_fraction, "fitting of the lamp")
    return ufloat(usual.value, usual.u, "luminous efficacy") * fitting


def _spectrum(given: dict[str, Any]) -> Spectrum | None:
    source, kelvin = given["source"], given["colour_temperature"]
    if given["spectrum"]:
        if source or kelvin is not None:
            raise click.UsageError(
                "--spectrum excludes --source and --colour-temperature; give one of them"
            )
        from ivkit.light.spectrum_file import read_spectrum

        return read_spectrum(given["spectrum"])
    if kelvin is not None:
        return named(f"{source or ''} {kelvin:g} K".strip())
    return named(source) if source else None


def shape_of(given: dict[str, Any], assumed: list[str]) -> tuple[Shape, Any]:
    """Return the lamp's shape, with the size that it needs, and a beam's uncertain angle."""
    size, beam = given["size"], given["beam_angle"]
    kind = given["shape"] or ("beam" if beam is not None and size is None else "point")
    if kind in ("disc", "strip") and size is None:
        raise click.UsageError(f"--shape {kind} needs --size, in m")
    if kind == "beam" and beam is None:
        raise click.UsageError("--shape beam needs --beam-angle, in deg")
    unused = {"size": kind in ("disc", "strip"), "beam_angle": kind == "beam"}
    for name, used in unused.items():
        if given[name] is not None and not used:
            option = f"--{name.replace('_', '-')}"
            raise click.UsageError(f"{option} does not go with a lamp of shape {kind}")
    if kind == "disc":
        return Disc(size / 2), None
    if kind == "strip":
        return Strip(size), None
    if kind == "point":
        return Point(), None
    usual = ASSUMED["beam angle"]
    assumed.append(usual.sentence())
    return Beam(beam), ufloat(beam, min(usual.u_fraction * beam, 0.5 * (180 - beam)), "beam angle")


def face_of(given: dict[str, Any], sheet: Panel, assumed: list[str]) -> PanelFace | None:
    """Return where the cells are: as given, or square ones tiling the datasheet's area."""
    sizes = [given[name] for name in ("width", "height", "rows", "columns")]
    if all(size is not None for size in sizes):
        return PanelFace(*sizes)
    if any(size is not None for size in sizes):
        raise RangeError(
            "the cells' places are half told: width, height, rows and columns belong together",
            remedy="give --width, --height, --rows and --columns, or all four in [panel] of the "
            "bench",
        )
    face = usual_face(sheet)
    if face is None:
        assumed.append(
            "even light: the places of the cells are not known (--width, --height, --rows, "
            "--columns)"
        )
    else:
        assumed.append(
            f"{face.rows} rows of {face.columns} square cells over {100 * face.width_m:.1f} cm by "
            f"{100 * face.height_m:.1f} cm, from the datasheet's area"
        )
    return face


def cell_temperature(given: dict[str, Any], assumed: list[str]) -> Any:
    """Return the temperature of the cells, degC: as given, or the usual one."""
    celsius, kelvin = given["temperature"], given["u_temperature"]
    if celsius is None and kelvin is not None:
        raise click.UsageError("--u-temperature needs --temperature")
    return uncertain(*stated_or_usual_temperature(celsius, kelvin, assumed), "cell temperature")


def stated_or_usual_temperature(
    celsius: float | None, kelvin: float | None, assumed: list[str]
) -> tuple[float, float]:
    """Return the cell temperature and its standard uncertainty, degC and K."""
    if celsius is None:
        usual = ASSUMED["cell temperature"]
        assumed.append(usual.sentence())
        return usual.value, usual.u
    return celsius, stated_or_usual("stated cell temperature", kelvin, assumed)


def open_voltage(volts: float, u: float | None, assumed: list[str]) -> Any:
    """Return an open-circuit voltage that was read, V."""
    if u is None:
        u = volts * ASSUMED["open-circuit voltage"].u_fraction
        assumed.append(ASSUMED["open-circuit voltage"].sentence())
    return uncertain(volts, u, "open-circuit voltage")


def stated_or_usual(
    name: str, u: float | None, assumed: list[str], instead: str | None = None
) -> float:
    """Return a standard uncertainty as stated, or the usual one, which is added to ``assumed``."""
    if u is not None:
        return u
    usual = ASSUMED[name]
    assumed.append(usual.sentence(instead))
    return usual.u


def placed(given: dict[str, Any], assumed: list[str]) -> tuple[float, float]:
    """Return the standard uncertainties of the lamp's distance, m, and of the tilt, deg."""
    u_distance = stated_or_usual("distance of the lamp", given["u_distance"], assumed)
    return u_distance, stated_or_usual("angle", given["u_tilt"], assumed, U_TILT)
