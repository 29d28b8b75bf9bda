"""Monte Carlo trials of a fit as a table of an answer."""

from typing import TYPE_CHECKING

from ivkit.answer import Table, columns
from ivkit.answer.lines import shown
from ivkit.answer.quantities import heading_of, unit_of
from ivkit.answer.text import interval
from ivkit.report.key_points import KEY_POINTS, PARAMETERS

if TYPE_CHECKING:
    from ivkit.curve.montecarlo import Trials


def trials_table(trials: "Trials", name: str = "") -> Table:
    """Return one row a quantity: mean, u, 95 % interval, and whether the linear u agrees.

    ``name`` is that of the sweep, with a colon.
    """
    keys = KEY_POINTS | PARAMETERS | {"conductance_shunt_S": "conductance_shunt"}
    rows = [(key, trials.results[one]) for key, one in keys.items() if one in trials.results]
    stand = (
        "The linear uncertainties stand."
        if trials.linear_agrees
        else "Where the linear result does not agree, take the interval here."
    )
    lost = f", {trials.failed} without a fit skipped" if trials.failed else ""
    made = columns(
        rows,
        {
            "quantity": "Monte Carlo",
            "unit": None,
            "u": None,
            "value": "mean(u)",
            "low_95": "95 % interval",
        }
        | {"high_95": None},
        {
            "quantity": heading_of,
            "value": [shown(one.mean, unit_of(key), one.u) for key, one in rows],
            "low_95": [interval(one.low, one.high, one.u, unit_of(key)) for key, one in rows],
        },
        quantity=lambda row: row[0],
        unit=lambda row: unit_of(row[0]),
        value=lambda row: row[1].mean,
        u=lambda row: row[1].u,
        low_95=lambda row: row[1].low,
        high_95=lambda row: row[1].high,
        linear_agrees=lambda row: row[1].linear_agrees,
    )
    note = f"{name}{trials.trials} trials, seed {trials.seed}{lost}. {stand}"
    return Table("", made, note=note)
