"""Which wavelengths a cell turns into current: its spectral response.

Only the shape matters: every result here is a ratio to the same cell under AM1.5G, so a response
may be in A/W or relative. One cell's curve is not another's, so each response carries
*variants*, the same curve with one thing about it moved by one standard uncertainty; how far the
answer moves with them is the uncertainty that comes from not knowing the cell. The moves are
ours, from the spread of curves seen in data sheets: common practice, no source.
"""

from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import RangeError
from ivkit.light.tables import two_columns

Array = NDArray[np.float64]


def table_of(wavelength_nm: ArrayLike, values: ArrayLike, name: str) -> tuple[Array, Array]:
    """Return wavelength (nm) and values as read-only arrays, shape (N,), after checking them.

    ``name`` is the file or label for messages. RangeError: shapes that differ, fewer than two
    points, values that are not finite, wavelengths that do not increase or are not in nanometres.
    """
    try:
        wavelength = np.array(wavelength_nm, dtype=float)
        value = np.array(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise RangeError(
            "the table holds something that is not a number", name, "give numbers only"
        ) from error
    if wavelength.ndim != 1 or wavelength.shape != value.shape or len(wavelength) < 2:
        raise RangeError(
            f"{wavelength.shape} wavelengths for {value.shape} values",
            name,
            "give two columns of equal length, at least two rows",
        )
    for label, array in (("wavelength", wavelength), ("value", value)):
        if not np.all(np.isfinite(array)):
            row = int(np.argmin(np.isfinite(array))) + 1
            raise RangeError(
                f"{label} {row} is {array[row - 1]}, not a finite number",
                name,
                "take the row out",
            )
    if np.any(np.diff(wavelength) <= 0):
        row = int(np.argmax(np.diff(wavelength) <= 0)) + 2
        raise RangeError(
            f"wavelength {row} ({wavelength[row - 1]:g} nm) does not increase on the one before "
            f"({wavelength[row - 2]:g} nm)",
            name,
            "sort the rows by wavelength and keep one of each",
        )
    if wavelength[0] <= 0:
        raise RangeError(f"wavelength 1 is {wavelength[0]:g} nm", name, "give it in nm, above zero")
    if wavelength[-1] < 50:
        raise RangeError(
            f"wavelengths run from {wavelength[0]:g} to {wavelength[-1]:g}, which are micrometres "
            "rather than nanometres",
            name,
            "multiply the column by 1000",
        )
    wavelength.setflags(write=False)
    value.setflags(write=False)
    return wavelength, value


@dataclass(frozen=True, eq=False)
class Response:
    """Spectral response of a cell or detector.

    Attributes
    ----------
    wavelength_nm : ndarray, shape (N,)
        nm, increasing. The response is linear in between and zero outside.
    value : ndarray, shape (N,)
        Response per watt of light, A/W or relative; never negative.
    name : str
    is_model : bool
        True where the curve is a band model drawn from a few edges and not a measurement.
    variants : tuple of (str, Response)
        Cause, and this response with that cause moved by one standard uncertainty. Two variants
        of one cause are its move up and its move down.

    Raises
    ------
    RangeError
        A table that makes no sense, or a negative response.

    Examples
    --------
    >>> response = Response([400, 900, 1100], [0.4, 1, 0], "my cell")
    >>> float(response.at(650)), response.band_nm
    (0.7, (400.0, 1100.0))
    """

    wavelength_nm: Array = field(repr=False)
    value: Array = field(repr=False)
    name: str
    is_model: bool = False
    variants: tuple[tuple[str, "Response"], ...] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        wavelength, value = table_of(self.wavelength_nm, self.value, self.name)
        object.__setattr__(self, "wavelength_nm", wavelength)
        object.__setattr__(self, "value", value)
        if np.any(value < 0) or not np.any(value > 0):
            raise RangeError(
                f"the response runs from {value.min():g} to {value.max():g}",
                self.name,
                "a response is zero or positive, and positive somewhere",
            )

    @property
    def band_nm(self) -> tuple[float, float]:
        """Wavelengths between which the response is not zero, nm."""
        lit = np.flatnonzero(self.value > 0)
        first, last = max(lit[0] - 1, 0), min(lit[-1] + 1, len(self.value) - 1)
        return float(self.wavelength_nm[first]), float(self.wavelength_nm[last])

    def at(self, wavelength_nm: ArrayLike) -> Array:
        """Response at a wavelength (nm, any shape); zero outside the table."""
        return np.interp(wavelength_nm, self.wavelength_nm, self.value, left=0.0, right=0.0)


@lru_cache
def crystalline_silicon() -> Response:
    """Return the response of a crystalline silicon cell, 290 to 1190 nm, relative.

    `pvlib.spectrum.get_example_spectral_response` at 1 nm, measured on one cell (Driesse and Stein,
    2020), in a table of our own. Its variants move the near-infrared fall by 15 nm (thickness,
    texture and rear side of the wafer) and the response at 400 nm by 10 % (coating, encapsulation),
    less towards 650 nm.
    """
    wavelength, curve = two_columns("silicon_response.csv")

    def infrared_moved_by(shift_nm: float) -> Response:
        # The move fades in between 850 and 950 nm, so that the rest of the curve stays.
        fade = np.clip((wavelength - 850.0) / 100.0, 0.0, 1.0)
        moved = np.interp(wavelength - shift_nm * fade, wavelength, curve)
        return Response(wavelength, moved, f"c-Si, near infrared {shift_nm:+g} nm")

    def blue_moved_by(share: float) -> Response:
        tilt = 1.0 + share * np.clip((650.0 - wavelength) / 250.0, 0.0, 1.0)
        return Response(wavelength, curve * tilt, f"c-Si, blue {share:+.0%}")

    variants = tuple(
        ("cell response in the near infrared", infrared_moved_by(s)) for s in (15, -15)
    )
    variants += tuple(("cell response in the blue", blue_moved_by(s)) for s in (0.1, -0.1))
    return Response(wavelength, curve, "c-Si", variants=variants)


def band_model(
    name: str,
    blue_nm: tuple[float, float],
    red_nm: tuple[float, float],
    u_blue_nm: float,
    u_red_nm: float,
) -> Response:
    """Return a response whose quantum efficiency is a trapezium: a model, not a measurement.

    Quantum efficiency rises from 0 to 1 across `blue_nm`, stays, and falls to 0 across `red_nm`
    (start and end, nm); the response per watt is that times wavelength, scaled to a maximum of 1.
    The standard uncertainties, nm, are of where the rise and the fall lie. RangeError for edges
    that do not increase.
    """

    def trapezium(blue_shift: float, red_shift: float, label: str, variants=()) -> Response:
        edges = np.array(
            [*(edge + blue_shift for edge in blue_nm), *(edge + red_shift for edge in red_nm)]
        )
        table_of(edges, np.zeros(4), name)
        wavelength = np.union1d(edges, np.arange(np.ceil(edges[0]), edges[-1]))
        response = wavelength * np.interp(wavelength, edges, [0.0, 1.0, 1.0, 0.0])
        return Response(wavelength, response / response.max(), label, True, variants)

    variants = tuple(
        (f"{edge} edge of the cell's band", trapezium(blue, red, f"{name}, {edge} edge moved"))
        for edge, blue, red in (
            ("short-wave", u_blue_nm, 0.0),
            ("short-wave", -u_blue_nm, 0.0),
            ("long-wave", 0.0, u_red_nm),
            ("long-wave", 0.0, -u_red_nm),
        )
    )
    return trapezium(0.0, 0.0, name, variants)


# Rise, fall and their standard uncertainties, nm: usual values, no source. The fall is centred on
# the band gap (CdTe 1.45 eV, CIGS 1.15 eV, which moves with the gallium share, perovskite of lead
# halides 1.6 eV, which moves with the halide), that of a-Si a little short of it (1.75 eV) because
# a thin film absorbs weakly there. CdTe rises where its window layer absorbs.
_BANDS = {
    "a-Si": ((300.0, 450.0), (600.0, 760.0), 25.0, 25.0),
    "CdTe": ((330.0, 500.0), (820.0, 890.0), 40.0, 25.0),
    "CIGS": ((350.0, 520.0), (978.0, 1178.0), 30.0, 50.0),
    "perovskite": ((300.0, 420.0), (740.0, 810.0), 40.0, 40.0),
}
TECHNOLOGIES = ("c-Si", "HJT", *_BANDS)
"""Cell technologies by the name that datasheet files use."""


@lru_cache
def of_technology(technology: str) -> Response:
    """Return the usual response of a cell technology of one junction, by a name of `TECHNOLOGIES`.

    RangeError for a technology that is not known.

    >>> of_technology("CdTe").is_model
    True
    """
    by_lower_case = {name.lower(): name for name in TECHNOLOGIES}
    name = by_lower_case.get(technology.lower())
    if name is None:
        near = get_close_matches(technology.lower(), by_lower_case, n=1, cutoff=0.4)
        hint = [name for name in TECHNOLOGIES if name.lower() in near] or TECHNOLOGIES
        raise RangeError(
            f"'{technology}' is not a known cell technology",
            remedy=f"did you mean {hint[0]}?" if near else f"use one of {', '.join(hint)}",
        )
    return band_model(name, *_BANDS[name]) if name in _BANDS else crystalline_silicon()
