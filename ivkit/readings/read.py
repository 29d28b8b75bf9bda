"""From a file to a sweep in one step: table, front end, condition."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from ivkit.bench import Bench, load_bench
from ivkit.readings.front_end import make_sweep
from ivkit.readings.redundancy import settle_units
from ivkit.readings.sweep import Sweep

if TYPE_CHECKING:
    from typing import BinaryIO, TextIO


def read_sweep(
    source: "str | Path | TextIO | BinaryIO",
    bench: "str | Path | Bench | None" = None,
    *,
    columns: Mapping[str, str] | None = None,
    sheet: str | None = None,
    cells: int | None = None,
    temp_cell: float | None = None,
    irradiance: float | None = None,
) -> Sweep:
    """Read a sweep from a table.

    ``source`` is a path, ``-`` (standard input) or an open file; ``bench`` what stands between the
    panel and the numbers; ``columns`` the column by quantity where the header does not say:
    ``{"voltage": "U2:mV"}``; ``sheet`` that of a workbook. ``cells`` in series, ``temp_cell``
    (degC) and ``irradiance`` (effective, W/m2) go before what table and bench say.

    FileError, TableError, BenchError, SweepError: what cannot be read, with place, value and
    remedy.
    """
    from ivkit.readings.table import read_table

    if bench is not None and not isinstance(bench, Bench):
        bench = load_bench(bench)
    table = read_table(source, columns=columns, sheet=sheet)
    return settle_units(
        make_sweep(table, bench, cells=cells, temp_cell=temp_cell, irradiance=irradiance)
    )
