"""A measured spectrum from a file: two columns, wavelength in nm and what was measured there."""

import re
from pathlib import Path

from ivkit.errors import FileError, RangeError, TableError
from ivkit.light.radiometry import Spectrum

_BEYOND = 1e15  # nm, or any unit of light: larger numbers are damage


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
        # A comma is a decimal mark where something else stands between the columns.
        other = re.split(r"\s*;\s*|\t\s*|(?<!,)\s+", line.strip())
        cells = other if len(other) > 1 else line.strip().split(",")
        try:
            pair = [float(cell.replace(",", ".")) for cell in cells if cell.strip()]
        except ValueError:
            if wavelength:
                raise TableError(
                    f"{line.strip()[:40]!r} is no wavelength with a value",
                    f"{path}, row {number}",
                    "give two numbers a line: nm, and irradiance per nm",
                ) from None
            continue
        if not pair:
            continue
        if len(pair) != 2:
            raise TableError(
                f"{line.strip()[:40]!r} holds {len(pair)} number{'s'[: len(pair) != 1]}",
                f"{path}, row {number}",
                "give two a line: nm, and irradiance per nm; a decimal comma needs ; in between",
            )
        if not all(abs(one) < _BEYOND for one in pair):
            raise TableError(
                f"{line.strip()[:40]!r} holds a number that is none of a spectrum",
                f"{path}, row {number}",
                "correct it, or leave the line out",
            )
        wavelength.append(pair[0])
        value.append(pair[1])
    if len(wavelength) < 3:
        raise TableError("fewer than three wavelengths in it", str(path), "give nm and values")
    try:
        return Spectrum(wavelength, value, Path(path).name)
    except RangeError as error:
        raise TableError(error.what, str(path), error.remedy) from None
