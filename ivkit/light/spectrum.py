"""What of a light a cell can use: lux, or watts in a stated band, as effective irradiance.

A lux meter sees 400 to 700 nm, a thermopile 300 to 2800 nm, a silicon cell 300 to 1190 nm, and
a filament lamp sends most of its power beyond 1000 nm. So the same lamp is 16 or 200 lm/W, and
its light is worth 0.45 or 1.3 times that of the sun, by the band that is meant.

A spectrum or a cell that is not exactly known carries *variants*: the same with one thing about it
moved by one standard uncertainty. How far a result moves with them is its uncertainty.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ivkit.errors import RangeError
from ivkit.light.illuminants import am15g, named
from ivkit.light.radiometry import THERMOPILE, Band, Spectrum, integral, refuse_if_short
from ivkit.light.response import Response, crystalline_silicon

__all__ = ["THERMOPILE", "EffectiveIrradiance", "effective_irradiance", "named"]


@dataclass(frozen=True)
class EffectiveIrradiance:
    """AM1.5G irradiance that would give a cell the same short-circuit current.

    Attributes
    ----------
    value_W_m2, u_W_m2 : float
        Estimate and standard uncertainty, W/m2.
    parts_W_m2 : dict of str to float
        Standard uncertainty by cause, W/m2; their root sum of squares is `u_W_m2`.
    assumed : tuple of str
        What was not given and had to be assumed.
    """

    value_W_m2: float
    u_W_m2: float
    parts_W_m2: dict[str, float]
    assumed: tuple[str, ...] = ()


def effective_irradiance(
    spectrum: Spectrum,
    *,
    lux: float | None = None,
    irradiance: float | None = None,
    band: Band | None = None,
    u_reading: float = 0.0,
    response: Response | None = None,
) -> EffectiveIrradiance:
    """Return the AM1.5G irradiance that would drive the same current through a cell.

    That is the reading times the spectral mismatch factor of the cell against the meter (IEC
    60904-7; ASTM E973).

    Parameters
    ----------
    spectrum : Spectrum
        Shape of the light; its own amount is not used.
    lux : float, optional
        Illuminance on the cell, lx.
    irradiance, band : float and tuple of float, optional
        Irradiance on the cell, W/m2, and the band it was measured in, nm: `THERMOPILE`, ... An
        irradiance without its band means nothing and is refused.
    u_reading : float
        Standard uncertainty of `lux` (lx) or `irradiance` (W/m2).
    response : Response, optional
        Of the cell; crystalline silicon by default.

    Returns
    -------
    EffectiveIrradiance
        With the uncertainty from the reading, from what is not known of the spectrum (its
        variants), of the cell (its variants), and of light beyond the table. AM1.5G is taken as
        tabled, 1000.37 W/m2 over 280 to 4000 nm.

    Raises
    ------
    RangeError
        Not exactly one of `lux` and `irradiance`, no band, a negative amount, no light where the
        meter looks, or a spectrum that stops well short of the cell's band.

    Examples
    --------
    >>> found = effective_irradiance(named("halogen 2856 K"), lux=1000)
    >>> print(f"{found.value_W_m2:.1f} W/m2")
    27.5 W/m2
    """
    response = crystalline_silicon() if response is None else response
    if (lux is None) == (irradiance is None):
        raise RangeError(
            "the amount of light is not clear", remedy="give lux or irradiance, one of the two"
        )
    if irradiance is not None and band is None:
        raise RangeError(
            "an irradiance without the band it was measured in",
            remedy="state the band in nm, such as 300 to 2800 for a pyranometer",
        )
    amount, unit = (lux, "lx") if irradiance is None else (irradiance, "W/m2")
    if not (0 <= amount < np.inf and u_reading >= 0):
        raise RangeError(
            f"{amount:g} {unit} of light, with standard uncertainty {u_reading:g}",
            remedy="give finite amounts that are zero or positive",
        )
    beyond = refuse_if_short(spectrum, response.band_nm, f"the band of {response.name}", response)

    def metered(light: Spectrum) -> float:
        seen = light.illuminance() if irradiance is None else light.total(band)
        if not seen > 0:
            where = "the eye sees" if irradiance is None else f"the meter looks, {band}"
            raise RangeError(f"there is no light where {where}", light.name, "check the band")
        return seen

    def usable(light: Spectrum, cell: Response) -> float:
        return integral(light, cell.band_nm, cell) * _per_usable_watt(cell)

    seen = metered(spectrum)
    best = usable(spectrum, response) / seen
    moved = [(cause, usable(one, response) / metered(one)) for cause, one in spectrum.variants]
    moved += [(cause, usable(spectrum, cell) / seen) for cause, cell in response.variants]
    squares: dict[str, list[float]] = {}
    for cause, value in moved:
        squares.setdefault(cause, []).append((value - best) ** 2)
    parts = {cause: amount * float(np.sqrt(np.mean(s))) for cause, s in squares.items()}
    if beyond > 0:
        parts["light beyond the table"] = amount * best * beyond
    if u_reading > 0:
        parts["reading"] = best * u_reading
    u = float(np.sqrt(sum(part**2 for part in parts.values())))
    assumed = spectrum.assumed
    if response.is_model:
        assumed += (f"spectral response of {response.name}, by a model of its band",)
    return EffectiveIrradiance(float(amount * best), u, parts, assumed)


@lru_cache(maxsize=64)
def _per_usable_watt(response: Response) -> float:
    """W/m2 of AM1.5G for each unit of its integral with the response."""
    sun = am15g()
    return sun.total() / integral(sun, response.band_nm, response)
