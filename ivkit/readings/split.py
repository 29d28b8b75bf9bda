"""One long table with several sweeps in it, taken apart by the column that names the sweep."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ivkit.readings.table import Table, need


def split_table(table: Table) -> Iterator[Table]:
    """Yield one table a sweep, in the order in which the sweeps begin; rows keep their order.

    Raises
    ------
    TableError
        No column names the sweep, or it is blank in some row.
    """
    (number,) = need(table, "sweep")
    blank = ~np.isfinite(number)
    # A row without a name belongs to no sweep; rather than drop it in silence it is one of its own.
    names, first, which = np.unique(
        np.where(blank, np.inf, number), return_index=True, return_inverse=True
    )
    order = np.argsort(which, kind="stable")
    ends = np.searchsorted(which[order], np.arange(len(names) + 1))
    for k in np.argsort(first, kind="stable"):
        rows = order[ends[k] : ends[k + 1]]
        columns = {q: c[rows] for q, c in table.columns.items() if q != "sweep"}
        label = f"{names[k]:g}" if np.isfinite(names[k]) else "without a number"
        yield replace(
            table, columns=columns, rows=table.rows[rows], name=f"{table.name}, sweep {label}"
        )
