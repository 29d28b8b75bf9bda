"""A panel measured over light and temperature (IEC 61853-1), as what is known of its law.

The row at 1000 W/m2 and 25 degC is what the others are held against: the laboratory's calibration
is common to all rows and cancels in their ratios. What is left is how well irradiance and
temperature were set anew for each.
"""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import FileError, TableError
from ivkit.panel.fill import PRACTICE, USUAL_TOLERANCE
from ivkit.panel.law import LEFT_OVER, Statement
from ivkit.panel.sheet_file import SheetFile
from ivkit.readings.written_number import find_marks, read_plain_numbers

Array = NDArray[np.float64]

#: Relative standard uncertainty of a value against the row at 1000 W/m2 and 25 degC, percent
#: (common practice, no source), by its column. ``matrix_u_pct`` of a datasheet file replaces that
#: of the power; the others keep their proportion to it.
U_MATRIX_PCT = {"isc_A": 0.5, "voc_V": 0.2, "pmp_W": 0.5, "vmp_V": 0.4, "imp_A": 0.4}

_QUANTITY = {"isc_A": "i_sc", "voc_V": "v_oc", "pmp_W": "p_mp", "vmp_V": "v_mp", "imp_A": "i_mp"}
_NEEDED = ("temp_cell_degC", "irradiance_W_m2", "isc_A", "voc_V", "pmp_W")
_LIMITS = {"temp_cell_degC": (-40.0, 120.0), "irradiance_W_m2": (10.0, 2000.0)}
_REMEDY = f"head the columns {', '.join(_NEEDED)}; vmp_V and imp_A may stand beside them"
_NEAR_STC = (5.0, 0.5)  # W/m2 and K


@dataclass(frozen=True)
class Matrix:
    """A table of key points over light and temperature.

    Attributes
    ----------
    values : mapping of str to ndarray, shape (N,). By the headings of the columns, in their units:
        degC, W/m2, A, V, W.
    lines : tuple of int. Where each row stands in the file.
    """

    file: str
    values: Mapping[str, Array]
    lines: tuple[int, ...]

    @property
    def own_row(self) -> int | None:
        """The row at 1000 W/m2 and 25 degC; None where there is none."""
        light, heat = self.values["irradiance_W_m2"], self.values["temp_cell_degC"]
        near = (np.abs(light - 1000) <= _NEAR_STC[0]) & (np.abs(heat - 25) <= _NEAR_STC[1])
        return int(np.argmax(near)) if near.any() else None

    def remarks(self, sheet: SheetFile) -> tuple[str, ...]:
        """Return what was made of the matrix for this sheet."""
        if sheet.kind.law is None:
            return (f"{self.file} not used: {sheet.kind.name} cells follow no single diode",)
        what = f"{self.file}: {len(self.lines)} conditions"
        u = U_MATRIX_PCT["pmp_W"] if sheet.matrix_u_pct is None else sheet.matrix_u_pct
        if self.own_row is None:
            what += ", none at 1000 W/m2 and 25 degC: held against the sheet's figures as they are"
        said = "" if sheet.matrix_u_pct is not None else f" ({PRACTICE}; matrix_u_pct replaces it)"
        taken = [figure for figure, value in _stated(sheet).items() if value is None]
        first = f"{', '.join(taken)} from {self.file}" if taken else ""
        return tuple(x for x in (f"{what}; Pmp ratios to {u:g} %{said}", first) if x)

    def completed(self, sheet: SheetFile) -> SheetFile:
        """Return the sheet with Isc, Voc and Pmp from the matrix where it is silent.

        Raises TableError: there is no row to take them from, or it contradicts what the sheet
        states.
        """
        stated = _stated(sheet)
        row = self.own_row
        missing = [figure for figure, value in stated.items() if value is None]
        if row is None:
            if missing:
                what = f"no row at 1000 W/m2 and 25 degC, and the datasheet has no {missing[0]}"
                remedy = f"add the row, or state {', '.join(missing)} in the datasheet"
                raise TableError(what, self.file, remedy)
            return sheet
        for figure, value in stated.items():
            tolerance, u = _tolerance(sheet, figure), U_MATRIX_PCT[figure]
            own = self.values[figure][row]
            if value is not None and abs(own / value - 1) > max(tolerance, 2 * u) / 100:
                raise TableError(
                    f"{figure} {own:g} at 1000 W/m2 and 25 degC, but the datasheet has {value:g}, "
                    f"{tolerance:g} % either way",
                    f"{self.file}, line {self.lines[row]}",
                    "check that both are of one panel, or state the tolerance",
                )
        figures = missing
        if "pmp_W" in missing and sheet.imp_A is None and sheet.vmp_V is None:
            figures = [*missing, *({"imp_A", "vmp_V"} & set(self.values))]
        return replace(sheet, **{figure: float(self.values[figure][row]) for figure in figures})

    def statements(self, sheet: SheetFile) -> list[Statement]:
        """Return what the matrix says of how a panel leaves its reference.

        Values are those of the sheet times the ratio to the matrix's own row at 1000 W/m2 and
        25 degC; where it has none, as they stand, with the tolerance of the sheet's figures in
        their uncertainty. That of a power holds what the best law leaves of it, too
        (`ivkit.panel.law.LEFT_OVER`).

        ``sheet``: As `completed`.
        """
        u_pct = sheet.matrix_u_pct
        scale = 1.0 if u_pct is None else u_pct / U_MATRIX_PCT["pmp_W"]
        own, stated = self.own_row, _stated(sheet)
        # Pmp is Vmp times Imp: of the three, two say all.
        columns = ["isc_A", "voc_V", "pmp_W"]
        columns += [name for name in ("vmp_V", "imp_A") if name in self.values][:1]
        out = []
        for column in columns:
            values, u = self.values[column], scale * U_MATRIX_PCT[column] / 100
            if column == "pmp_W":
                u = float(np.hypot(u, LEFT_OVER))
            of = {"vmp_V": "voc_V", "imp_A": "isc_A"}.get(column, column)
            if own is None:
                u = float(np.hypot(u, _tolerance(sheet, of) / 100 / np.sqrt(3.0)))
            factor = 1.0 if own is None else stated[of] / self.values[of][own]
            out += [
                Statement(_QUANTITY[column], float(factor * values[k]), u, light, heat)
                for k, (light, heat) in enumerate(self._conditions())
                if np.isfinite(values[k]) and (k != own or column == "vmp_V")
            ]
        return out

    def _conditions(self) -> list[tuple[float, float]]:
        light, heat = self.values["irradiance_W_m2"], self.values["temp_cell_degC"]
        return list(zip(light.tolist(), heat.tolist(), strict=True))


def read_matrix(path: str | Path) -> Matrix:
    """Read a table with the columns temp_cell_degC, irradiance_W_m2, isc_A, voc_V, pmp_W.

    ``imp_A`` and ``vmp_V`` are read where they are there, other columns are not. Lines that begin
    with # are passed over; a decimal comma needs semicolons or tabs between the columns.

    Raises FileError: the file cannot be read; TableError: a column is missing, a cell is no number
    or one that no panel has, a condition stands twice.
    """
    name = Path(path).name
    try:
        lines = Path(path).read_text(encoding="utf-8-sig", errors="replace").splitlines()
    except OSError as error:
        raise FileError(
            f"cannot be read ({error.strerror or error})", str(path), "check `matrix`"
        ) from None
    numbered = [(k, t) for k, t in enumerate(lines, 1) if t.strip() and t.lstrip()[0] != "#"]
    if len(numbered) < 2:
        raise TableError("holds no row", name, _REMEDY)
    mark = max(";\t,", key=numbered[0][1].count)
    head, *rows = (
        [c.strip() for c in row] for row in csv.reader((t for _, t in numbered), delimiter=mark)
    )
    at = [k for k, _ in numbered[1:]]
    places = {word.lower(): k for k, word in reversed(list(enumerate(head)))}
    values = {}
    for column in (*_NEEDED, "vmp_V", "imp_A"):
        if column.lower() in places:
            values[column] = _column(column, places[column.lower()], rows, at, name)
        elif column in _NEEDED:
            raise TableError(f"no column {column}", f"{name}, line {numbered[0][0]}", _REMEDY)
    _check(values, at, name)
    return Matrix(name, values, tuple(at))


def _column(column: str, place: int, rows: Sequence[list[str]], at: Sequence[int], name: str):
    """Return the numbers of a column."""
    cells = [row[place] if place < len(row) else "" for row in rows]
    marks = find_marks(zip((f"line {k}" for k in at), cells, strict=True), name, lone=True)
    low, high = _LIMITS.get(column, (0.0, np.inf))
    values = []
    for line, cell in zip(at, cells, strict=True):
        where, read = f"{name}, line {line}", read_plain_numbers([cell], marks)
        if read is None:
            what = f"{cell[:30]!r} is not a number" if cell else "is blank"
            raise TableError(f"{column} {what}", where, "give it, or leave the row out")
        value = float(read[0][0])
        if not low <= value < high or (value == 0 and column not in _LIMITS):
            wrong = "is not above zero" if column not in _LIMITS else f"is not {low:g} to {high:g}"
            raise TableError(f"{column} {value:g} {wrong}", where, "correct it")
        values.append(value)
    return np.array(values)


def _check(values: Mapping[str, Array], at: Sequence[int], name: str) -> None:
    """Refuse rows that no one curve has, and conditions that stand twice."""
    seen: dict[Any, int] = {}
    fill = values["pmp_W"] / (values["isc_A"] * values["voc_V"])
    both = zip(values["irradiance_W_m2"], values["temp_cell_degC"], strict=True)
    for k, condition in enumerate(both):
        where = f"{name}, line {at[k]}"
        if condition in seen:
            what = f"{condition[0]:g} W/m2 and {condition[1]:g} degC stand in line"
            raise TableError(f"{what} {seen[condition]} as well", where, "give each condition once")
        seen[condition] = at[k]
        if not 0.25 <= fill[k] <= 0.90:
            what = f"isc_A, voc_V and pmp_W make a fill factor of {fill[k]:.3g}"
            raise TableError(what, where, "check the three")


def _tolerance(sheet: SheetFile, figure: str) -> float:
    """Return the tolerance of isc_A, voc_V or pmp_W, percent."""
    stated = getattr(sheet, f"{figure[:3]}_tolerance_pct")
    return USUAL_TOLERANCE if stated is None else stated


def _stated(sheet: SheetFile) -> dict[str, float | None]:
    """Return Isc, Voc and Pmp as a sheet states them."""
    return {"isc_A": sheet.isc_A, "voc_V": sheet.voc_V, "pmp_W": sheet.power}
