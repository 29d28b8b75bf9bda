"""Modules as a laboratory measured them; source: tests/data/module_matrices/README.md.

The row at 1000 W/m2 and 25 degC serves as the datasheet, so the laboratory's calibration, common to
all rows of a module, cancels: what is left is the uncertainty of one row relative to another.
"""

from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import TECHNOLOGY

FOLDER = Path(__file__).parent / "data" / "module_matrices"

QUANTITIES = ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")
#: Columns of the files, with the step of their last digit.
COLUMNS = {
    "i_sc": ("isc_A", 1e-3),
    "v_oc": ("voc_V", 1e-2),
    "i_mp": ("imp_A", 1e-3),
    "v_mp": ("vmp_V", 1e-2),
    "p_mp": ("pmp_W", 1e-2),
}
#: Standard uncertainty of a row relative to the row at 1000 W/m2 and 25 degC, as a fraction: what
#: setting the irradiance and the temperature of a flash simulator anew leaves (common practice, no
#: source).
U_RELATIVE = {"i_sc": 0.003, "v_oc": 0.001, "i_mp": 0.003, "v_mp": 0.001, "p_mp": 0.003}
#: Of each figure when the row is written as a datasheet: its digits alone, percent.
TOLERANCE = 0.1
#: The report's words to pieces of the technology's name here, the most particular one first.
_KINDS = {
    "Multi-crystalline silicon": ("multi", "c-Si"),
    "Single-crystalline silicon": ("mono", "c-Si"),
    "Silicon heterojunction": ("HJT", "hetero", "c-Si"),
    "Cadmium telluride": ("CdTe",),
    "Copper indium gallium selenide": ("CIGS",),
}


@dataclass(frozen=True)
class Module:
    """A measured module: columns of its matrix, and what `modules.csv` says of it.

    ``rows`` has the columns irradiance (W/m2), temp_cell (degC) and `QUANTITIES` (A, V, W);
    ``alpha``, ``beta`` and ``gamma`` are in %/K, ``area`` in m2.
    """

    name: str
    technology: str
    cells: int
    strings: int
    area: float
    alpha: float
    beta: float
    gamma: float
    rows: pd.DataFrame

    @property
    def single_junction(self) -> bool:
        return self.technology in _KINDS

    @property
    def silicon(self) -> bool:
        return self.single_junction and "silicon" in self.technology.lower()

    @property
    def kind(self) -> str:
        """The technology by the name that a datasheet file uses."""
        return next(
            name
            for piece in _KINDS[self.technology]
            for name in TECHNOLOGY
            if piece.lower() in name.lower()
        )

    def at(self, irradiance, temp_cell):
        """Return the row of a condition, as a series."""
        rows = self.rows
        (place,) = np.flatnonzero((rows.irradiance == irradiance) & (rows.temp_cell == temp_cell))
        return rows.iloc[place]

    def others(self, *but):
        """Return the rows at any other condition than STC and those given."""
        known = [(1000, 25), *but]
        seen = list(zip(self.rows.irradiance, self.rows.temp_cell, strict=True))
        return self.rows[[condition not in known for condition in seen]].reset_index(drop=True)

    def figures(self):
        """Return Isc, Voc, Imp, Vmp and Pmp at STC by name."""
        stc = self.at(1000, 25)
        return {name: float(stc[name]) for name in QUANTITIES}

    def coefficients(self):
        return {
            "alpha_isc_pct_per_K": self.alpha,
            "beta_voc_pct_per_K": self.beta,
            "gamma_pmp_pct_per_K": self.gamma,
        }

    def sheet(self, technology_stated=True, **more):
        """Return the STC row as a datasheet; ``more`` are further keys of a datasheet file."""
        keys = {COLUMNS[name][0]: value for name, value in self.figures().items()}
        keys |= {f"{name}_tolerance_pct": TOLERANCE for name in ("isc", "voc", "pmp")}
        keys |= self.coefficients() | more
        return make_datasheet(
            SheetFile(
                name=self.name,
                technology=self.kind if technology_stated else None,
                cells=self.cells,
                **keys,
            )
        )


@cache
def modules():
    """Return all nine modules, as `Module`."""
    table = pd.read_csv(FOLDER / "modules.csv")
    names = {key: name for name, (key, _) in COLUMNS.items()}
    names |= {"irradiance_W_m2": "irradiance", "temp_cell_degC": "temp_cell"}
    return tuple(
        Module(*line, pd.read_csv(FOLDER / f"{line[0]}.csv").rename(columns=names))
        for line in table.itertuples(index=False)
    )


def single_junction():
    """Return the seven modules of one junction."""
    return tuple(module for module in modules() if module.single_junction)


def u_measured(name, values):
    """Return the standard uncertainty of measured values relative to STC, as fractions of them."""
    digit = COLUMNS[name][1] / np.sqrt(12.0) / np.asarray(values, dtype=float)
    return np.hypot(U_RELATIVE[name], digit)


def knows_key(key):
    """Return whether a datasheet file may have this key."""
    return key in {field.name for field in fields(SheetFile)}
