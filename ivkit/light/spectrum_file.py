"""A measured spectrum from a file: two columns, wavelength in nm and what was measured there."""

import re
from pathlib import Path

from ivkit.errors import FileError, RangeError, TableError
from ivkit.light.radiometry import Spectrum, measured


def read_spectrum(path: str | Path) -> Spectrum:
    """Read a spectrum; lines that do not begin with a number are passed over.

    Raises
    ------
    FileError
        The file cannot be read.
    TableError
        A line with one number, a wavelength that is no nanometres, or too few lines.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        raise FileError(
            f"cannot read: {error.strerror or error}", str(path), "check the path"
        ) from None
    wavelength, value = [], []
    for number, line in enumerate(text.splitlines(), start=1):
        cells = [cell for cell in re.split(r"[;\t ]+|,\s*", line.strip()) if cell]
        try:
            pair = [float(cell) for cell in cells[:2]]
        except ValueError:
            if wavelength:
                raise TableError(
                    f"{line.strip()[:40]!r} is no wavelength with a value",
                    f"{path}, row {number}",
                    "give two numbers a line: nm, and irradiance per nm",
                ) from None
            continue
        if len(pair) < 2:
            if pair:
                raise TableError(
                    f"{line.strip()[:40]!r} is one number", f"{path}, row {number}", "give two"
                )
            continue
        wavelength.append(pair[0])
        value.append(pair[1])
    if len(wavelength) < 3:
        raise TableError("fewer than three wavelengths in it", str(path), "give nm and values")
    try:
        return measured(wavelength, value)
    except RangeError as error:
        raise TableError(error.what, str(path), error.remedy) from None
