"""The preferred values of resistors (IEC 60063), and how a value is written on a part.

Source: IEC 60063:2015, preferred number series for resistors and capacitors. The E24 values are
a list, because eight of them are not what rounding 10^(k/24) gives; E12 and E6 are every second
and every fourth of them; E96 is 10^(k/96) rounded to three figures.
"""

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError

_E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
SERIES: dict[str, tuple[float, ...]] = {
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E96": tuple(round(10 ** (k / 96), 2) for k in range(96)),
}


def series_values(series: str, low: float, high: float) -> NDArray[np.float64]:
    """Return the values of a series from ``low`` to ``high``, both in ohm and included.

    Parameters
    ----------
    series : ``E6``, ``E12``, ``E24`` or ``E96``.
    low, high : Ohm, greater than 0.

    Returns ndarray, ascending, ohm.

    Raises RangeError: a series that is not listed, or limits that are not positive and finite.
    """
    if series not in SERIES:
        raise RangeError(f"series '{series}' is not one of {', '.join(SERIES)}")
    if not (0 < low < np.inf and 0 < high < np.inf):
        raise RangeError(f"limits {low:g} and {high:g} ohm are not positive and finite")
    decades = range(int(np.floor(np.log10(low))), int(np.floor(np.log10(high))) + 1)
    # Through text, so that 3.3 in the decade of 10 is 33 and not 33.000000000000004.
    values = np.array([float(f"{v:.2f}e{d}") for d in decades for v in SERIES[series]])
    return values[(values >= low) & (values <= high)]


def resistance_code(ohm: float) -> str:
    """Return a resistance as it is written on a part, the letter in the decimal mark's place.

    ``ohm``: 0 or greater; six figures are kept.

    References
    ----------
    IEC 60062:2016, letter and digit code for resistance.

    Examples
    --------
    >>> [resistance_code(r) for r in (0.22, 33, 31.6, 4700, 10e3, 1e6)]
    ['0R22', '33R', '31R6', '4k7', '10k', '1M']
    """
    scale, letter = next(
        ((s, m) for s, m in ((1e6, "M"), (1e3, "k")) if ohm >= s * (1 - 5e-7)), (1.0, "R")
    )
    digits = f"{ohm / scale:#.6g}" if ohm >= 0.1 else f"{ohm:.9f}"
    whole, _, decimals = digits.partition(".")
    return f"{whole}{letter}{decimals.rstrip('0')}"
