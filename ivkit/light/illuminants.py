"""Light sources by name: the sun, CIE illuminants, lamps as people name them.

The CIE tables are printed numbers with their source in the data files beside this module. A lamp
known only by its kind ("halogen", "led") is a usual lamp of that kind with variants wide enough
for others of the kind, and what was assumed is said in `Spectrum.assumed`.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files

import numpy as np

from ivkit.errors import RangeError
from ivkit.light.radiometry import Spectrum, black_body
from ivkit.light.tables import two_columns

ILLUMINANT_A_TEMPERATURE = 2848 * 1.438776877 / 1.435
"""2855.50 K: illuminant A is defined at 2848 K with c2 = 1.435e-2 m K; this is with today's c2."""

# Table names and their correlated colour temperature, K (CIE 015:2018).
_LED_TEMPERATURE = {
    "LED-B1": 2733.0,
    "LED-B2": 2998.0,
    "LED-B3": 4103.0,
    "LED-B4": 5109.0,
    "LED-B5": 6598.0,
}

# Kind of filament lamp: colour temperature and its standard uncertainty, K. Common practice.
_FILAMENT = {"incandescent": (2700.0, 100.0), "halogen": (2950.0, 100.0)}
_UNKNOWN_FILAMENT = (2850.0, 150.0)

# Tungsten against a black body of the same colour, 1 at 555 nm. To 800 nm from the emissivity
# formula of Larrabee (MIT RLE Technical Report 328, 1957) at 2800 K; beyond from memory of
# tungsten tables. A coiled filament and a hot envelope bring a real lamp nearer to 1.
_TUNGSTEN_NM = np.array([300.0, 555.0, 800.0, 1000.0, 1500.0, 2500.0, 4000.0])
_TUNGSTEN_RATIO = np.array([1.0, 1.0, 0.987, 0.94, 0.80, 0.65, 0.58])


@lru_cache
def am15g() -> Spectrum:
    """Return the AM1.5 global spectrum, 280 to 4000 nm, 1000.37 W/m2.

    ASTM G173-03, as shipped with pvlib, in a table of our own because importing pvlib takes half a
    second. IEC 60904-3 scales the same spectrum to 1000 W/m2.
    """
    wavelength, irradiance = two_columns("am15g_astm_g173.csv")
    return Spectrum(wavelength, irradiance, "AM1.5G")


@lru_cache
def sunlight() -> Spectrum:
    """Return daylight as it comes outdoors: AM1.5G, with variants a little redder and bluer.

    The variants are AM1.5G times (wavelength/555 nm) to the power of 0.2 and -0.2, which moves
    silicon by 4 to 5 % per lux: about what global clear-sky spectra by the Bird model (R. Bird and
    C. Riordan, J. Climate Appl. Meteor. 25 (1986) 87; `pvlib.spectrum.spectrl2`) scatter for sun
    heights from 10 to 90 deg. Light from the sky alone, without the sun, is bluer still: a quarter
    less per lux.
    """
    sun = am15g()
    variants = tuple(
        (
            "the sky is not AM1.5G",
            Spectrum(
                sun.wavelength_nm,
                sun.irradiance_W_m2_nm * (sun.wavelength_nm / 555.0) ** exponent,
                f"AM1.5G, {word}",
            ),
        )
        for word, exponent in (("redder", 0.2), ("bluer", -0.2))
    )
    return replace(sun, name="sunlight, AM1.5G", variants=variants)


@lru_cache
def _cie_tables() -> dict[str, Spectrum]:
    source = files("ivkit.light") / "data" / "illuminants_cie_5nm.csv"
    with source.open(encoding="utf-8") as lines:
        rows = [line.rstrip("\n") for line in lines if not line.startswith("#")]
    names = rows[0].split(",")[1:]
    table = np.genfromtxt(rows[1:], delimiter=",")
    tables = {}
    for name, values in zip(names, table[:, 1:].T, strict=True):
        tabled = np.isfinite(values)
        tables[name] = _per(Spectrum(table[tabled, 0], values[tabled], f"CIE illuminant {name}"))
    return tables


def _per(spectrum: Spectrum, lux: bool = False) -> Spectrum:
    """Return as much of a light as gives 1 W/m2 in its band, or 1 lx."""
    one = 1.0 / (spectrum.illuminance() if lux else spectrum.total())
    return replace(spectrum, irradiance_W_m2_nm=spectrum.irradiance_W_m2_nm * one)


def cie_illuminant(name: str) -> Spectrum:
    """Return a CIE illuminant by name, scaled to 1 W/m2 in the band of its table.

    ``A``, tungsten, which CIE defines from 300 to 830 nm and which is continued here as the black
    body that it is; ``D65`` (300 to 780 nm); ``FL1`` to ``FL12``, fluorescent; ``LED-B1`` to
    ``LED-B5``, ``LED-BH1``, ``LED-RGB1``, ``LED-V1``, ``LED-V2`` (380 to 780 nm, 5 nm). RangeError
    for another name. CIE 015:2018, doi 10.25039/TR.015.2018.

    >>> cie_illuminant("LED-B3").band
    (380.0, 780.0)
    """
    if name == "A":
        return replace(black_body(ILLUMINANT_A_TEMPERATURE), name="CIE illuminant A")
    tables = _cie_tables()
    if name not in tables:
        raise _unknown(name, ["A", *tables])
    return tables[name]


def filament_lamp(
    temperature_K: float | None = None,
    u_temperature_K: float | None = None,
    kind: str = "",
) -> Spectrum:
    """Return the light of a filament lamp: a black body, with what is not known about it.

    Parameters
    ----------
    temperature_K : float, optional
        Colour temperature, K, 1500 to 3600. By default the usual one of the kind (2700 K
        incandescent, 2950 K halogen; 2850 K when the kind is not given either), as assumed.
    u_temperature_K : float, optional
        Its standard uncertainty, K. By default 50 K for a stated temperature (supply voltage,
        tolerance) and 100 to 150 K for an assumed one. A dimmed lamp is hundreds of kelvin
        colder than its label says.
    kind : str
        ``incandescent``, ``halogen`` or empty.

    Returns
    -------
    Spectrum
        With variants "colour temperature" and "tungsten is not a black body". The second is
        small for a silicon cell from lux and large for power in the infrared.

    Raises
    ------
    RangeError
        A temperature that no filament has, a kind that is not known.
    """
    if kind and kind not in _FILAMENT:
        raise _unknown(kind, list(_FILAMENT))
    usual, u_usual = _FILAMENT.get(kind, _UNKNOWN_FILAMENT)
    assumed = []
    if temperature_K is None:
        temperature_K = usual
        if u_temperature_K is None:
            u_temperature_K = u_usual
        assumed.append(f"colour temperature {usual:g} K, standard uncertainty {u_usual:g} K")
    elif u_temperature_K is None:
        u_temperature_K = 50.0
        assumed.append("colour temperature within a standard uncertainty of 50 K")
    if not 1500 <= temperature_K <= 3600:
        raise RangeError(
            f"colour temperature {temperature_K:g} K is not one of a filament (1500 to 3600 K)",
            remedy="a cooler white is an LED or a fluorescent lamp: name that kind",
        )
    if not 0 <= u_temperature_K <= 500:
        raise RangeError(
            f"standard uncertainty {u_temperature_K:g} K of a colour temperature",
            remedy="give 0 to 500 K",
        )
    best = black_body(temperature_K)
    variants = [("tungsten is not a black body", _like_tungsten(best))]
    if u_temperature_K > 0:
        variants += [
            ("colour temperature", black_body(temperature_K + shift))
            for shift in (u_temperature_K, -u_temperature_K)
        ]
    name = f"{kind or 'filament'} lamp, {best.name}"
    return replace(best, name=name, variants=tuple(variants), assumed=tuple(assumed))


def _like_tungsten(spectrum: Spectrum) -> Spectrum:
    ratio = np.interp(spectrum.wavelength_nm, _TUNGSTEN_NM, _TUNGSTEN_RATIO)
    return replace(spectrum, irradiance_W_m2_nm=spectrum.irradiance_W_m2_nm * ratio)


def led_lamp(temperature_K: float | None = None) -> Spectrum:
    """Return the light of a white LED lamp of the usual kind, blue chip and phosphor.

    ``temperature_K``, 2000 to 8000, else RangeError: the CIE type nearest to it is taken (LED-B1
    2733, B2 2998, B3 4103, B4 5109, B5 6598 K), by default LED-B3, as assumed. Its variants are
    "colour of the LED" (the types beside it) and "type of LED" (three tenths of the light from a
    violet chip, LED-V1 or V2, which brings as much red as lamps of high colour rendering have; our
    judgement, no source).
    """
    if temperature_K is not None and not 2000 <= temperature_K <= 8000:
        raise RangeError(
            f"colour temperature {temperature_K:g} K is not one of a white LED (2000 to 8000 K)",
            remedy="read it from the package, such as 2700 or 4000",
        )
    names = list(_LED_TEMPERATURE)
    if temperature_K is None:
        name, beside = "LED-B3", ["LED-B1", "LED-B5"]
        assumed = "white LED of 4103 K (CIE LED-B3); its colour temperature was not given"
    else:
        # Equal steps of 1/T are about equal steps of colour.
        name = min(names, key=lambda n: abs(1 / _LED_TEMPERATURE[n] - 1 / temperature_K))
        place = names.index(name)
        beside = [names[i] for i in (place - 1, place + 1) if 0 <= i < len(names)]
        assumed = f"white LED like CIE {name}, the tabled type nearest to {temperature_K:g} K"
    lamp = _usual_lamp("LED lamp", name, "colour of the LED", beside, assumed)
    blue, violet = (
        _per(cie_illuminant(chip), lux=True)
        for chip in (name, "LED-V1" if _LED_TEMPERATURE[name] < 3500 else "LED-V2")
    )
    mixed = replace(
        blue, irradiance_W_m2_nm=0.7 * blue.irradiance_W_m2_nm + 0.3 * violet.irradiance_W_m2_nm
    )
    return replace(lamp, variants=(*lamp.variants, ("type of LED", mixed)))


def fluorescent_lamp() -> Spectrum:
    """Return the light of a fluorescent lamp of unknown type: FL2, or else FL4, FL7 or FL11.

    The variants are warm white, broad-band daylight and three-band types.
    """
    assumed = "fluorescent lamp of cool white (CIE FL2); its type was not given"
    return _usual_lamp(
        "fluorescent lamp", "FL2", "type of fluorescent lamp", ["FL4", "FL7", "FL11"], assumed
    )


def _usual_lamp(kind: str, name: str, cause: str, others: list[str], assumed: str) -> Spectrum:
    return replace(
        cie_illuminant(name),
        name=f"{kind}, CIE {name}",
        variants=tuple((cause, cie_illuminant(other)) for other in others),
        assumed=(assumed,),
    )


_BY_KIND: dict[str, Callable[[], Spectrum]] = {
    "AM1.5G": am15g,
    "sun": sunlight,
    "halogen": lambda: filament_lamp(kind="halogen"),
    "incandescent": lambda: filament_lamp(kind="incandescent"),
    "led": led_lamp,
    "fluorescent": fluorescent_lamp,
}


def names() -> list[str]:
    """Return every name that `named` knows, besides a temperature such as ``2856 K``."""
    return [*_BY_KIND, "A", *_cie_tables()]


def named(name: str) -> Spectrum:
    """Return a spectrum by what people call it, in upper or lower case.

    ``AM1.5G``, the reference; ``sun``, outdoors; a kind of lamp (``halogen``, ``incandescent``,
    ``led``, ``fluorescent``), with a colour temperature if known (``halogen 3000 K``, ``led 4000
    K``); ``2856 K`` alone is a filament; or a CIE illuminant. RangeError for another name, with the
    nearest.

    >>> named("led-b3").name, named("halogen 3000 K").name
    ('CIE illuminant LED-B3', 'halogen lamp, black body at 3000 K')
    """
    found = re.fullmatch(r"([a-z]*)\s*(\d+(?:\.\d*)?)\s*k", name.strip().lower())
    if found:
        kind, temperature = found[1], float(found[2])
        if kind == "led":
            return led_lamp(temperature)
        if kind in ("", *_FILAMENT):
            return filament_lamp(temperature, kind=kind)
        raise RangeError(
            f"a colour temperature does not describe '{name}'",
            remedy="it does for halogen, incandescent and led; give a CIE illuminant otherwise",
        )
    by_lower_case = {known.lower(): known for known in names()}
    known = by_lower_case.get(name.strip().lower())
    if known is None:
        raise _unknown(name, list(by_lower_case.values()))
    return _BY_KIND[known]() if known in _BY_KIND else cie_illuminant(known)


def _unknown(name: str, known: list[str]) -> RangeError:
    by_lower_case = {one.lower(): one for one in known}
    near = [by_lower_case[n] for n in get_close_matches(name.lower(), by_lower_case, n=3)]
    listed = f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(known)}"
    return RangeError(f"'{name}' is not a known light source", remedy=listed)
