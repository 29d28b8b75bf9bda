"""A module by its name, from the open table of the California Energy Commission.

pvlib ships the table as of 2019-03-05, 21,535 modules. Only what the makers rated is used here;
the five parameters that the table adds are not, because the fit that made them raised Isc in steps
of 1 % in 4,821 of the modules. Ours are solved anew from the rated figures.
"""

import difflib
import re
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from ivkit.errors import BenchError
from ivkit.panel.datasheet import Datasheet, make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import TECHNOLOGY

if TYPE_CHECKING:
    from pandas import DataFrame

TABLE = "CEC module table (2019)"
_KINDS = {"Mono-c-Si": "c-Si", "Multi-c-Si": "c-Si", "CdTe": "CdTe", "CIGS": "CIGS"}
_OFFERED = 3


@lru_cache
def module_table() -> "DataFrame":
    """Return the table: one row a module, its name as the index, rated figures as numbers.

    Raises BenchError: the installed pvlib does not ship it.
    """
    import pandas as pd

    found = sorted(p for p in (files("pvlib") / "data").iterdir() if "cec-modules" in p.name)
    if not found:
        what = "pvlib does not ship a CEC module table"
        raise BenchError(what, "", "write a datasheet file instead")
    with found[-1].open("rb") as file:
        table = pd.read_csv(file, skiprows=[1, 2], index_col=0, low_memory=False)
    return table[~table.index.duplicated()]


def module_from_table(name: str) -> Datasheet:
    """Return the datasheet of a module of the table.

    ``name``: As in the table; case, spaces and punctuation do not matter.

    Raises BenchError: there is no such module (near matches are named), or its figures contradict
    each other.
    """
    table = module_table()
    plain = _plain_names()
    wanted = _plain(name)
    if wanted not in plain:
        raise BenchError(f"no module '{name[:80]}'", TABLE, _near(wanted, plain))
    label = plain[wanted]
    return sheet_of(str(label), table.loc[label])


def sheet_of(name: str, row: Any) -> Datasheet:
    """Return the datasheet of one row of the table.

    Raises BenchError: its figures contradict each other.
    """
    isc, voc = float(row["I_sc_ref"]), float(row["V_oc_ref"])
    series = int(row["N_s"])
    kind = _KINDS.get(str(row["Technology"])) or _thin_film(voc / series)
    cells, strings = _in_series(kind, voc, series)
    values: dict[str, Any] = {
        "name": name,
        "technology": kind,
        "cells": cells,
        "strings": strings,
        "area_cm2": 1e4 * float(row["A_c"]),
        "isc_A": isc,
        "voc_V": voc,
        "imp_A": float(row["I_mp_ref"]),
        "vmp_V": float(row["V_mp_ref"]),
        "nmot_degC": float(row["T_NOCT"]),
    }
    for word, value in (
        ("alpha_isc_pct_per_K", 100 * float(row["alpha_sc"]) / isc),
        ("beta_voc_pct_per_K", 100 * float(row["beta_oc"]) / voc),
        ("gamma_pmp_pct_per_K", float(row["gamma_r"])),
    ):
        if _believable(kind, isc, word, value):
            values[word] = value
    remarks = [f"rated figures from the {TABLE}; its own five parameters are not used"]
    if str(row["Technology"]) not in _KINDS:
        remarks.append(f"the table says {row['Technology']} only; taken as {kind} by its voltage")
    if cells is None:
        remarks.append(f"{series} cells in series do not make {voc:g} V; their number is left open")
    try:
        return make_datasheet(SheetFile(**values), TABLE, tuple(remarks))
    except BenchError as error:
        raise BenchError(error.what, f"{TABLE}, {name}", "write a datasheet file") from None


def _believable(kind: str, isc: float, word: str, value: float) -> bool:
    """Tell whether a coefficient is one; a few rows of the table hold slips."""
    try:
        SheetFile(technology=kind, isc_A=isc, **{word: value})
    except BenchError:
        return False
    return True


def _thin_film(volts: float) -> str:
    """Return what a thin film of unstated kind is by the voltage of one cell, V."""
    return "a-Si" if volts > 0.75 else "CIGS"


def _in_series(kind: str, voc: float, cells: int) -> tuple[int | None, int]:
    """Return cells in series and parallel strings; None where the count makes no sense.

    Many rows count all cells of a panel whose strings are in parallel.
    """
    low, high = TECHNOLOGY[kind].voc_limits
    for strings in range(1, 7):
        if cells % strings == 0 and low <= voc * strings / cells <= high:
            return cells // strings, strings
    return None, 1


@lru_cache
def _plain_names() -> dict[str, Any]:
    return {_plain(str(name)): name for name in module_table().index}


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", name.lower()).strip()


def _near(wanted: str, plain: dict[str, Any]) -> str:
    """Return the names nearest to one that is not there, as what to do."""
    words = wanted.split()
    shared = {
        name: sum(word in name for word in words) for name in plain if any(w in name for w in words)
    }
    if shared:
        most = max(shared.values())
        shared = {name: count for name, count in shared.items() if count >= most - 1}
    pool = sorted(shared, key=lambda name: -shared[name])[:400]
    near = difflib.get_close_matches(wanted, pool, n=_OFFERED, cutoff=0.3)
    if not near:
        return "write a datasheet file instead"
    return "did you mean " + " or ".join(f"'{plain[name]}'" for name in near) + "?"
