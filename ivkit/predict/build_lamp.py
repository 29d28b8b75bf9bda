"""A lamp over a panel, from what options and the bench state of it.

What is stated is a mapping by the names in `LAMP`; None stands for what nobody says. What is then
assumed is added to a list ``assumed``.
"""

from collections.abc import Mapping
from typing import Any

from uncertainties import ufloat

from ivkit.assumptions import ASSUMED
from ivkit.bench import Bench
from ivkit.errors import RangeError
from ivkit.light.lamp import effective_irradiance_from_cell
from ivkit.light.lamp_shape import Beam, Disc, Point, Shape, Strip
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.light.radiometry import Spectrum
from ivkit.light.spectrum import THERMOPILE, named
from ivkit.light.strength import ON_PANEL, Strength
from ivkit.panel.cells import usual_face
from ivkit.predict.build import stated_or_usual, uncertain
from ivkit.predict.facing import DISTANCE
from ivkit.predict.near import NearLamp, lamp_over

#: Ways to say how strong the lamp is: option, key in ``[light]``, name of its input.
STRENGTHS = {
    "lux": ("lux", "lux meter"),
    "irradiance": ("irradiance_W_m2", "thermopile"),
    "watts": ("power_W", "lamp power"),
    "cell_isc": ("cell_isc_A", "known cell"),
}
#: What is asked of a lamp and its panel.
LAMP = (
    *STRENGTHS,
    *("u_reading", "efficacy", "cell_isc_stc", "band", "reading_at"),
    *("source", "colour_temperature", "spectrum", "shape", "size", "beam_angle"),
    *("distance", "u_distance", "tilt", "width", "height", "rows", "columns"),
    *("temperature", "u_temperature", "u_tilt"),
)
#: What replaces an entry here, where it differs from other commands.
U_READING = "--u-reading, or u_reading_pct in [light] of the bench,"
U_TILT = "--u-angle, or u_tilt_deg in [mount] of the bench,"
_EFFICACY = " efficacy"  # after a lamp's kind, in the list of what is assumed
_KINDS = [name.removesuffix(_EFFICACY) for name in ASSUMED if name.endswith(_EFFICACY)]
_KINDS.remove("stated luminous")


def with_bench(given: Mapping[str, Any], bench: Bench | None) -> dict[str, Any]:
    """Return what is stated, with what it leaves open taken from the bench.

    A lamp's strength, its light and its shape are each taken from one place: one of them stated
    puts aside all that the bench says of it. A reading on the panel, of the bench, stays one at
    the bench's distance where another distance is stated.
    """
    told = dict.fromkeys(LAMP) | dict(given)
    told |= {"read_from": None, "offset": (0.0, 0.0), "bypass_groups": None}
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
    fill(temperature=bench.condition.temp_cell_degC)
    if told["temperature"] is not None:  # the sensor is the bench's, whatever it reads now
        fill(u_temperature=bench.condition.u_temp_cell_degC)
    return told


def lamp_of(
    given: Mapping[str, Any],
    panel: Any,
    assumed: list[str],
    *,
    uniform: bool = False,
) -> NearLamp:
    """Return the lamp over a panel.

    Parameters
    ----------
    given : mapping
        As `with_bench` returns it.
    panel : Datasheet or MeasuredPanel
    assumed : list of str
    uniform : bool
        All of the panel gets what its centre gets.

    Raises
    ------
    RangeError
        The strength is stated in no way or in several, something that it needs is missing, or
        there is no such lamp.
    """
    strength, (shape, beam) = strength_of(given, assumed), shape_of(given, assumed)
    if uniform:
        face = None
        assumed.append("uniform irradiance: all of the panel gets what its centre gets")
    else:
        face = face_of(given, panel, assumed)
    distance = given["distance"]
    if distance is None:
        if strength.terms not in ON_PANEL:
            raise RangeError(
                "--distance is missing: metres from the lamp to the panel's centre",
                remedy="measure it, and give it with the option or as distance_m in [light] of "
                "the bench",
            )
        assumed.append("uniform irradiance: the lamp's distance is not known (--distance)")
        face = None
        metres = 1.0
    else:
        u = stated_or_usual("distance of the lamp", given["u_distance"], assumed)
        metres = uncertain(distance, u, DISTANCE)
    found, said = lamp_over(
        panel,
        strength,
        shape,
        metres,
        face,
        beam_angle_deg=beam,
        offset_m=given["offset"],
    )
    assumed += [one for one in said if one not in assumed]
    return found


def strength_of(given: Mapping[str, Any], assumed: list[str]) -> Strength:
    """Return how strong the lamp is, from exactly one way of saying it."""
    ways = [n for n in STRENGTHS if given[n] is not None]
    if len(ways) != 1:
        raise RangeError(
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
            raise RangeError("--cell-isc needs --cell-isc-stc: what the cell gives at STC")
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


def _efficacy(given: Mapping[str, Any], assumed: list[str]) -> Any:
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
        raise RangeError(
            "--watts needs --efficacy, or a --source whose efficacy is usual: " + ", ".join(_KINDS)
        )
    usual, leaves = ASSUMED[kind + _EFFICACY], ASSUMED["light that leaves the fitting"]
    assumed += [usual.sentence(), leaves.sentence()]
    fitting = ufloat(leaves.fraction, leaves.u_fraction, "fitting of the lamp")
    return ufloat(usual.value, usual.u, "luminous efficacy") * fitting


def _spectrum(given: Mapping[str, Any]) -> Spectrum | None:
    source, kelvin = given["source"], given["colour_temperature"]
    if given["spectrum"]:
        if source or kelvin is not None:
            raise RangeError(
                "--spectrum excludes --source and --colour-temperature; give one of them"
            )
        from ivkit.light.spectrum_file import read_spectrum

        return read_spectrum(given["spectrum"])
    if kelvin is not None:
        return named(f"{source or ''} {kelvin:g} K".strip())
    return named(source) if source else None


def shape_of(given: Mapping[str, Any], assumed: list[str]) -> tuple[Shape, Any]:
    """Return the lamp's shape, with the size that it needs, and a beam's uncertain angle."""
    size, beam = given["size"], given["beam_angle"]
    kind = given["shape"] or ("beam" if beam is not None and size is None else "point")
    if kind in ("disc", "strip") and size is None:
        raise RangeError(f"--shape {kind} needs --size, in m")
    if kind == "beam" and beam is None:
        raise RangeError("--shape beam needs --beam-angle, in deg")
    unused = {"size": kind in ("disc", "strip"), "beam_angle": kind == "beam"}
    for name, used in unused.items():
        if given[name] is not None and not used:
            option = f"--{name.replace('_', '-')}"
            raise RangeError(f"{option} does not go with a lamp of shape {kind}")
    if kind == "disc":
        return Disc(size / 2), None
    if kind == "strip":
        return Strip(size), None
    if kind == "point":
        return Point(), None
    usual = ASSUMED["beam angle"]
    assumed.append(usual.sentence())
    return Beam(beam), ufloat(beam, min(usual.u_fraction * beam, 0.5 * (180 - beam)), "beam angle")


def face_of(given: Mapping[str, Any], panel: Any, assumed: list[str]) -> PanelFace | None:
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
    face = usual_face(panel)
    if face is None:
        assumed.append(
            "uniform irradiance: the places of the cells are not known (--width, --height, "
            "--rows, --columns)"
        )
    else:
        assumed.append(
            f"{face.rows} rows of {face.columns} square cells over {100 * face.width_m:.1f} cm by "
            f"{100 * face.height_m:.1f} cm, from the datasheet's area"
        )
    return face
