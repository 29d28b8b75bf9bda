"""A spectrum and its integrals: lux, watts in a stated band, the black body.

Every function here takes or returns the band, and no integral is cut to the grid of a table in
silence: what a table leaves out is estimated, and a spectrum that leaves out too much is refused.
"""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.light.response import Response, table_of
from ivkit.light.tables import two_columns

Array = NDArray[np.float64]
Band = tuple[float, float]

MAXIMUM_LUMINOUS_EFFICACY = 683.0
"""Km, lm/W (the candela's definition in the SI brochure, rounded as CIE 018:2019 does)."""

EVERYTHING: Band = (0.0, np.inf)
"""All wavelengths, nm."""
THERMOPILE: Band = (300.0, 2800.0)
"""What a pyranometer under a glass dome sees, nm (common practice)."""

# A spectrum may end before the detector does as long as what is missing is about this small.
LARGEST_SHARE_MISSING = 0.05


def describe_band(band: Band) -> str:
    """Return a band in words.

    >>> describe_band((300, 2800)), describe_band(EVERYTHING)
    ('300 to 2800 nm', 'all wavelengths')
    """
    low, high = band
    if low <= 0 and np.isinf(high):
        return "all wavelengths"
    return f"above {low:g} nm" if np.isinf(high) else f"{low:g} to {high:g} nm"


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Spectral irradiance of a light source, absolute or relative.

    Attributes
    ----------
    wavelength_nm : ndarray, shape (N,)
        nm, increasing; the spectrum is linear in between.
    irradiance_W_m2_nm : ndarray, shape (N,)
        Per nanometre and in power, W/m2/nm. A spectrum known in shape only is scaled to 1 W/m2.
    name : str
    band : tuple of float, optional
        Wavelengths between which the spectrum is known, nm; outside the table but inside the
        band there is no light. By default the range of the table.
    variants : tuple of (str, Spectrum)
        Cause, and this spectrum with that cause moved by one standard uncertainty.
    assumed : tuple of str
        What was not given and had to be assumed.

    Raises
    ------
    RangeError
        A table that makes no sense, values well below zero, or no light at all.

    Examples
    --------
    >>> spectrum = Spectrum([400, 800], [0.01, 0.01], "even")
    >>> float(spectrum.total()), float(round(spectrum.total((500, 600)), 9))
    (4.0, 1.0)
    """

    wavelength_nm: Array = field(repr=False)
    irradiance_W_m2_nm: Array = field(repr=False)
    name: str
    band: Band = None  # type: ignore[assignment]
    variants: tuple[tuple[str, "Spectrum"], ...] = field(default=(), repr=False)
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        wavelength, irradiance = table_of(self.wavelength_nm, self.irradiance_W_m2_nm, self.name)
        object.__setattr__(self, "wavelength_nm", wavelength)
        object.__setattr__(self, "irradiance_W_m2_nm", irradiance)
        if self.band is None:
            object.__setattr__(self, "band", (float(wavelength[0]), float(wavelength[-1])))
        peak = irradiance.max()
        if peak <= 0:
            raise RangeError("the spectrum holds no light", self.name, "check the value column")
        # Noise about zero is honest and averages out; more than that is an offset.
        if irradiance.min() < -0.01 * peak:
            worst = int(np.argmin(irradiance))
            raise RangeError(
                f"the irradiance at {wavelength[worst]:g} nm is {irradiance[worst]:g}, well below "
                f"zero for a peak of {peak:g}",
                self.name,
                "correct the dark reading of the spectrometer",
            )

    def total(self, band: Band | None = None) -> float:
        """Return the irradiance in a band (nm), W/m2; by default in the band that is known.

        RangeError for a band that is empty, or that reaches well beyond what is known.
        """
        band = check_band(self.band if band is None else band)
        refuse_if_short(self, band, "the band")
        return integral(self, band)

    def illuminance(self) -> float:
        """Return the illuminance, lx: Km times the integral of V(lambda), CIE 1924 at 1 nm.

        RangeError where the spectrum leaves out a part of the visible range.
        """
        vision = luminous_efficiency()
        refuse_if_short(self, vision.band_nm, "what the eye sees", vision)
        return MAXIMUM_LUMINOUS_EFFICACY * integral(self, vision.band_nm, vision)


@lru_cache
def luminous_efficiency() -> Response:
    """Return V(lambda) of CIE 1924 at 1 nm, 360 to 830 nm (CIE 018:2019)."""
    return Response(*two_columns("v_lambda_cie1924.csv"), "V(lambda), CIE 1924")


def check_band(band: Band) -> Band:
    """Return a band (lower, upper wavelength, nm); RangeError if empty, negative or in um."""
    low, high = (float(edge) for edge in band)
    if not (0 <= low < high):
        raise RangeError(
            f"the band {low:g} to {high:g} nm is empty", remedy="give lower and upper wavelength"
        )
    if high < 50:
        raise RangeError(
            f"the band {low:g} to {high:g} looks like micrometres", remedy="give it in nm"
        )
    return low, high


def black_body(temperature_K: float) -> Spectrum:
    """Return the light of a black body of 500 to 20000 K, known everywhere, scaled to 1 W/m2.

    Planck's law with the SI constants of 2019. The grid is half a nanometre where cells and eyes
    look and logarithmic elsewhere, out to where less than 1e-8 of the power is left, so that
    integrals are right to 3e-6. RangeError for another temperature.
    """
    if not 500 <= temperature_K <= 20000:
        raise RangeError(
            f"colour temperature {temperature_K:g} K is outside 500 to 20000 K",
            remedy="give it in kelvin, such as 2856",
        )
    from scipy.constants import Boltzmann, Planck, Stefan_Boltzmann, speed_of_light

    # In units of hc/kT the power lies between 0.02 and 400, whatever the temperature.
    scale_nm = Planck * speed_of_light / (Boltzmann * temperature_K) * 1e9
    wavelength = np.union1d(
        np.geomspace(scale_nm / 60.0, scale_nm * 400.0, 6000), np.arange(200.0, 1300.5, 0.5)
    )
    with np.errstate(over="ignore"):
        falls = np.expm1(scale_nm / wavelength)
        exitance = 2 * np.pi * Planck * speed_of_light**2 / (wavelength * 1e-9) ** 5 / falls * 1e-9
    irradiance = exitance / (Stefan_Boltzmann * temperature_K**4)
    return Spectrum(wavelength, irradiance, f"black body at {temperature_K:g} K", EVERYTHING)


def integral(spectrum: Spectrum, band: Band, weight: Response | None = None) -> float:
    """Return the integral of the spectrum, times a weight if given, over a band (nm), W/m2.

    Spectrum and weight are straight lines between their points; the integral is exact for that.
    """
    tables = [spectrum.wavelength_nm] + ([] if weight is None else [weight.wavelength_nm])
    # A table ends where it ends: no straight line from its last point down to the next of the
    # other table.
    low = max(band[0], *(table[0] for table in tables))
    high = min(band[1], *(table[-1] for table in tables))
    if high <= low:
        return 0.0
    inner = [table[(table > low) & (table < high)] for table in tables]
    grid = np.unique(np.concatenate([[low, high], *inner]))
    light = np.interp(grid, spectrum.wavelength_nm, spectrum.irradiance_W_m2_nm)
    seen = np.ones_like(grid) if weight is None else weight.at(grid)
    # Two straight lines multiply to a parabola, which Simpson's rule integrates exactly.
    middle = (light[1:] + light[:-1]) * (seen[1:] + seen[:-1])
    ends = light[1:] * seen[1:] + light[:-1] * seen[:-1]
    return float(np.sum(np.diff(grid) * (ends + middle)) / 6.0)


def share_missing(spectrum: Spectrum, band: Band, weight: Response | None = None) -> float:
    """Return what fraction of an integral over a band (nm) may lie beyond what is known, 0 to 1.

    The spectrum is continued as an exponential with the slope of its last 20 nm, and level where it
    is not falling: a guess of the size of what is missing, never used to fill it.
    """
    known_low, known_high = spectrum.band
    missing = 0.0
    for outwards, edge, limit in (
        (-1.0, known_low, band[0]),
        (1.0, known_high, min(band[1], 1e5)),
    ):
        reach = outwards * (limit - edge)
        if reach <= 0:
            continue
        inwards = outwards * (edge - spectrum.wavelength_nm)
        last = spectrum.irradiance_W_m2_nm[inwards <= 20.0]
        before = spectrum.irradiance_W_m2_nm[(inwards > 20.0) & (inwards <= 40.0)]
        level = max(float(last[0] if outwards < 0 else last[-1]), 0.0)
        falls = before.size > 0 and 0 < np.mean(last) < np.mean(before)
        decay = np.log(np.mean(before) / np.mean(last)) / 20.0 if falls else 0.0
        step = np.linspace(0.0, reach, 2001)
        seen = 1.0 if weight is None else weight.at(edge + outwards * step)
        missing += float(np.trapezoid(level * np.exp(-decay * step) * seen, step))
    inside = max(integral(spectrum, band, weight), 0.0)
    if missing + inside > 0:
        return missing / (missing + inside)
    overlaps = band[0] < known_high and band[1] > known_low
    return 0.0 if overlaps else 1.0


def refuse_if_short(
    spectrum: Spectrum, band: Band, what: str, weight: Response | None = None
) -> float:
    """Return `share_missing`; RangeError naming `what` it stops short of from a twentieth on."""
    share = share_missing(spectrum, band, weight)
    if share > LARGEST_SHARE_MISSING:
        raise RangeError(
            f"the spectrum is known for {describe_band(spectrum.band)} and stops short of {what}, "
            f"{describe_band(band)}: about {share:.0%} may be missing",
            spectrum.name,
            "use a spectrum that covers it, or state the lamp's colour temperature",
        )
    return share
