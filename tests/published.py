"""The two published sweeps as arrays; their source stands in tests/data/published/README.md."""

from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "data" / "published"
CELL = FOLDER / "cell_57mm_33degC.csv"
MODULE = FOLDER / "module_36cell_45degC.csv"


def readings(path):
    """Return voltage (V) and current (A)."""
    return np.loadtxt(path, delimiter=",", skiprows=1, unpack=True)
