"""Datasheet to five parameters, every module of the table that pvlib ships, against pvlib's own."""

import time
import warnings
from collections import Counter
from importlib.resources import files

import numpy as np
import pandas as pd
from pvlib.ivtools.sdm import fit_desoto

from ivkit.panel.desoto import Outcome, solve_desoto
from tests.benchmarks.row import Row

PEER = 40


def rows() -> list[Row]:
    """Return the rows of this file."""
    path = next(p for p in (files("pvlib") / "data").iterdir() if "cec-modules" in p.name)
    with path.open("rb") as file:
        table = pd.read_csv(file, skiprows=[1, 2], index_col=0, low_memory=False)
    names = ("I_sc_ref", "V_oc_ref", "I_mp_ref", "V_mp_ref", "alpha_sc", "beta_oc")
    figures = [table[name].to_numpy(dtype=float) for name in names]
    start = time.perf_counter()
    found = solve_desoto(*figures)
    took = time.perf_counter() - start
    worst = float(np.nanmax(np.abs(found.residual[found.solved])))
    reasons = Counter(int(k) for k in found.outcome if k)
    named = ", ".join(
        f"{count} {Outcome(k).name.lower().replace('_', ' ')}" for k, count in reasons.most_common()
    )
    return [
        Row(
            f"datasheet to five parameters, {len(table)} modules, seconds",
            "-",
            f"{took:.1f}",
            "< 10",
            took < 10,
        ),
        Row(
            f"  solved; the others have none: {named}",
            f"pvlib fit_desoto solves {_peer(table, names)} of {PEER}",
            f"{int(found.solved.sum())} of {len(table)}",
            "all that have one",
            int(found.solved.sum()) + sum(reasons.values()) == len(table),
        ),
        Row("  worst relative residual of the solved", "-", f"{worst:.1e}", "< 1e-8", worst < 1e-8),
    ]


def _peer(table, names) -> int:
    """Return how many of some modules pvlib solves with its defaults."""
    chosen = table.sample(PEER, random_state=1)
    done = 0
    for _, row in chosen.iterrows():
        i_sc, v_oc, i_mp, v_mp, alpha, beta = (float(row[name]) for name in names)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                fit_desoto(v_mp, i_mp, v_oc, i_sc, alpha, beta, int(row["N_s"]))
            except RuntimeError:
                continue
        done += 1
    return done
