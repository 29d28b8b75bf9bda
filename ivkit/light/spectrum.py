"""Light by wavelength: lux, watts in a stated band, and what of it a cell can use.

A lux meter sees 400 to 700 nm, a thermopile 300 to 2800 nm, a silicon cell 300 to 1190 nm, and
a filament lamp sends most of its power beyond 1000 nm. So the same lamp is 16 or 200 lm/W, and
its light is worth 0.45 or 1.3 times that of the sun, by the band that is meant. Every function
here takes or returns the band, and no integral is cut to the grid of a table in silence.

A spectrum that is not exactly known carries *variants*: the same spectrum with one thing about
it moved by one standard uncertainty. How far a result moves with them is its uncertainty.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError
from ivkit.light.illuminants import (
    am15g,
    cie_illuminant,
    filament_lamp,
    fluorescent_lamp,
    illuminant_a,
    led_lamp,
    named,
)
from ivkit.light.radiometry import (
    EVERYTHING,
    THERMOPILE,
    VISIBLE,
    Band,
    Spectrum,
    amount_of_light,
    black_body,
    check_band,
    describe_band,
    integral,
    luminous_efficiency,
    measured,
    refuse_if_short,
    share_missing,
)
from ivkit.light.response import Response, crystalline_silicon, flat, of_technology

Array = NDArray[np.float64]

__all__ = [
    "EVERYTHING",
    "THERMOPILE",
    "VISIBLE",
    "Band",
    "EffectiveIrradiance",
    "Response",
    "Spectrum",
    "am15g",
    "black_body",
    "cie_illuminant",
    "describe_band",
    "effective_irradiance",
    "effective_irradiance_per_klx",
    "filament_lamp",
    "flat",
    "fluorescent_lamp",
    "illuminant_a",
    "led_lamp",
    "measured",
    "named",
    "of_technology",
    "spectral_mismatch",
]


@dataclass(frozen=True)
class EffectiveIrradiance:
    """AM1.5G irradiance that would give a cell the same short-circuit current.

    Unpacks as ``value, u = ...``.

    Attributes
    ----------
    value_W_m2, u_W_m2 : float or ndarray
        Estimate and standard uncertainty, W/m2.
    parts_W_m2 : dict of str to float or ndarray
        Standard uncertainty by cause, W/m2; their root sum of squares is `u_W_m2`.
    band : tuple of float
        Band that the light was given in, nm.
    assumed : tuple of str
        What was not given and had to be assumed.
    """

    value_W_m2: float | Array
    u_W_m2: float | Array
    parts_W_m2: dict[str, float | Array]
    band: Band
    assumed: tuple[str, ...] = ()

    def __str__(self) -> str:
        if np.ndim(self.value_W_m2):
            return f"effective irradiance at {np.size(self.value_W_m2)} points"
        return (
            f"effective irradiance {self.value_W_m2:.4g} W/m2, "
            f"standard uncertainty {self.u_W_m2:.2g} W/m2"
        )

    def __iter__(self) -> Iterator[float | Array]:
        return iter((self.value_W_m2, self.u_W_m2))


def effective_irradiance(
    spectrum: Spectrum,
    *,
    lux: ArrayLike | None = None,
    irradiance: ArrayLike | None = None,
    band: Band | None = None,
    u_reading: ArrayLike = 0.0,
    response: Response | None = None,
    dark_beyond_table: bool = False,
) -> EffectiveIrradiance:
    """Return the AM1.5G irradiance that would drive the same current through a cell.

    Parameters
    ----------
    spectrum : Spectrum
        Shape of the light; its own amount is not used.
    lux : array_like, optional
        Illuminance on the cell, lx.
    irradiance, band : array_like and tuple of float, optional
        Irradiance on the cell, W/m2, and the band it was measured in, nm: `THERMOPILE`,
        `EVERYTHING`, ... An irradiance without its band means nothing and is refused.
    u_reading : array_like
        Standard uncertainty of `lux` (lx) or `irradiance` (W/m2).
    response : Response, optional
        Of the cell; crystalline silicon by default.
    dark_beyond_table : bool
        Take what the spectrum's table leaves out to be dark. By default a table that stops well
        short of the cell's band is refused, and what one that stops a little short may leave out
        is in the uncertainty.

    Returns
    -------
    EffectiveIrradiance
        With the uncertainty from the reading, from what is not known of the spectrum (its
        variants), of the cell (its variants), and of light beyond the table. AM1.5G is taken as
        tabled, 1000.37 W/m2 over 280 to 4000 nm.

    Raises
    ------
    RangeError
        Not exactly one of `lux` and `irradiance`, no band, a negative amount, or a spectrum that
        does not cover the cell.

    Examples
    --------
    >>> value, u = effective_irradiance(black_body(2856), lux=1000)
    >>> print(f"{value:.1f} W/m2")
    27.5 W/m2
    """
    response = crystalline_silicon() if response is None else response
    amount, measure = amount_of_light(lux, irradiance, band)
    amount, u_amount = np.asarray(amount, dtype=float), np.asarray(u_reading, dtype=float)
    if not np.all(amount >= 0) or not np.all(np.isfinite(amount)) or not np.all(u_amount >= 0):
        raise RangeError(
            f"{np.min(amount):g} {'lx' if irradiance is None else 'W/m2'} of light, with standard "
            f"uncertainty {np.min(u_amount):g}",
            remedy="give finite amounts that are zero or positive",
        )
    missing = 0.0
    if not dark_beyond_table:
        missing = share_missing(spectrum, response.band_nm, response)
        refuse_if_short(spectrum, response.band_nm, f"the band of {response.name}", response)

    def usable(of: Spectrum, cell: Response) -> float:
        return integral(of, cell.band_nm, cell) * _per_usable_watt(cell)

    seen = measure(spectrum)
    best = usable(spectrum, response) / seen
    squares: dict[str, list[float]] = {}
    for cause, variant in spectrum.variants:
        squares.setdefault(cause, []).append(
            (usable(variant, response) / measure(variant) - best) ** 2
        )
    for cause, variant in response.variants:
        squares.setdefault(cause, []).append((usable(spectrum, variant) / seen - best) ** 2)
    parts = {cause: amount * float(np.sqrt(np.mean(s))) for cause, s in squares.items()}
    if missing > 0:
        parts["light beyond the table"] = amount * best * missing
    if np.any(u_amount > 0):
        parts["reading"] = best * u_amount
    u = np.sqrt(sum((part**2 for part in parts.values()), start=np.zeros_like(amount)))
    assumed = spectrum.assumed
    if response.is_model:
        assumed += (f"spectral response of {response.name}, by a model of its band",)
    used = luminous_efficiency().band_nm if irradiance is None else check_band(band)
    if amount.ndim == 0 and u.ndim == 0:
        parts = {cause: float(part) for cause, part in parts.items()}
        return EffectiveIrradiance(float(amount * best), float(u), parts, used, assumed)
    return EffectiveIrradiance(amount * best, u, parts, used, assumed)


def effective_irradiance_per_klx(
    spectrum: Spectrum, response: Response | None = None, dark_beyond_table: bool = False
) -> float:
    """Return the effective irradiance that comes with 1000 lx, W/m2, without uncertainty.

    Raises
    ------
    RangeError
        As `effective_irradiance`.
    """
    return effective_irradiance(
        spectrum, lux=1000.0, response=response, dark_beyond_table=dark_beyond_table
    ).value_W_m2


def spectral_mismatch(
    spectrum: Spectrum,
    response: Response | None = None,
    *,
    band: Band | None = None,
    detector: Response | None = None,
    reference: Spectrum | None = None,
) -> float:
    """Return the spectral mismatch factor M of a cell against a detector.

    M = (int E_t S_d)(int E_r S_r) / ((int E_t S_r)(int E_r S_d)), with E_t the light under test,
    E_r the reference spectrum, S_d the cell and S_r the detector. Irradiance read by a detector
    that is right under the reference spectrum, times M, is the cell's effective irradiance.

    Parameters
    ----------
    spectrum : Spectrum
        Light under test.
    response : Response, optional
        Of the cell; crystalline silicon by default.
    band : tuple of float, optional
        Band of a flat detector under the light under test, nm: M is then the worth of one watt in
        that band against one watt of the whole reference spectrum. By default the band that is
        known of the spectrum.
    detector : Response, optional
        A detector that is not flat, in place of `band`.
    reference : Spectrum, optional
        AM1.5G by default.

    Raises
    ------
    RangeError
        Both `band` and `detector`, or a spectrum that stops short of the cell or of the band.

    References
    ----------
    IEC 60904-7; ASTM E973 (as encoded in `pvlib.spectrum.calc_spectral_mismatch_field`).
    """
    response = crystalline_silicon() if response is None else response
    reference = am15g() if reference is None else reference
    if band is not None and detector is not None:
        raise RangeError("both a band and a detector are given", remedy="give one of them")
    for light in (spectrum, reference):
        refuse_if_short(light, response.band_nm, f"the band of {response.name}", response)
    usable = integral(spectrum, response.band_nm, response)
    usable_reference = integral(reference, response.band_nm, response)
    if detector is None:
        seen, seen_reference = spectrum.total(band), reference.total()
    else:
        for light in (spectrum, reference):
            refuse_if_short(light, detector.band_nm, "the detector's band", detector)
        seen = integral(spectrum, detector.band_nm, detector)
        seen_reference = integral(reference, detector.band_nm, detector)
    return usable * seen_reference / (seen * usable_reference)


@lru_cache(maxsize=64)
def _per_usable_watt(response: Response) -> float:
    """W/m2 of AM1.5G for each unit of its integral with the response."""
    sun = am15g()
    return sun.total() / integral(sun, response.band_nm, response)
