"""The answer of `ivkit characterize`: what the fits of sweeps say of a panel."""

from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from uncertainties import ufloat

from ivkit.answer import Answer, Column, Table, columns, drawn_by, said_of
from ivkit.answer.lines import shown
from ivkit.answer.quantities import heading_of, unit_of
from ivkit.answer.text import interval, number, percent
from ivkit.curve.fault_list import NO_SINGLE_DIODE
from ivkit.curve.fit import Fit
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.uncertainty import budget
from ivkit.readings.redundancy import check_loads
from ivkit.report import key_points as keys
from ivkit.report.key_points import key_points, known
from ivkit.report.together_parts import together_parts
from ivkit.report.trials_table import trials_table

if TYPE_CHECKING:
    from ivkit.curve.montecarlo import Trials
    from ivkit.panel.together import Together

#: Flags that say why there is no curve; the others say how it is known.
_NO_CURVE = ("too_few_points", "no_light", "straight_line")
_SIDE_BY_SIDE = 3
"""Sweeps that fit beside each other on a page; of more there is one line each."""


def sweep_answer(
    fits: Fit | Sequence[Fit],
    together: "Together | None" = None,
    trials: "Mapping[int, Trials] | None" = None,
    based_on: Sequence[str] = (),
    load_ohm: float | None = None,
) -> Answer:
    """Return the fit of a sweep, or of several, as an answer.

    Parameters
    ----------
    fits : Fit or sequence of Fit
    together : Together, optional
        One panel through all of them: what the answer is about then.
    trials : mapping of int to Trials, optional
        Monte Carlo trials by the place of the fit.
    based_on : sequence of str
    load_ohm : float, optional
        Whose load line the figure shows; by default that of the best load.
    """
    fits = [fits] if isinstance(fits, Fit) else list(fits)
    rows = [_row(fit) for fit in fits]
    alone = fits[0] if len(fits) == 1 else None
    notes, assumed = said_of([(fit.sweep.name, fit.sweep.notes) for fit in fits])
    faults = [(fit.sweep.name, one) for fit in fits for one in fit.faults]
    common = together_parts(together) if together else {}
    tables = {"sweeps": _sweeps(fits, rows), "key_points": _points(fits, rows)}
    if alone:  # key points first, by the fit and by the data alone
        tables = dict(reversed(tables.items()))
    tables = common.get("tables", {}) | tables
    for k, drawn in (trials or {}).items():
        name = "" if alone else f"{fits[k].sweep.name}: "
        tables["trials" if alone else f"trials_{k + 1}"] = trials_table(drawn, name)
    made = columns(
        [one for _, one in faults],
        name="name",
        severity="severity",
        points=lambda one: " ".join(map(str, one.points)),
        message="message",
        remedy="remedy",
        left_out="leave_out",
    )
    tables["faults"] = Table("", [Column("file", [name for name, _ in faults]), *made], 0)
    return Answer(
        "characterize",
        common.get("headline") or "\n".join(map(headline, fits)),
        based_on=based_on,
        summary=common.get("summary") or (rows[0] if alone else {"sweeps": len(fits)}),
        tables=tables,
        csv="sweeps",
        budget=_budgets(rows[0]) if alone else {},
        warnings=[*common.get("warnings", ()), *warnings_of(fits)],
        assumptions=assumed,
        notes=notes,
        figure=drawn_by("ivkit.report.sweep_figure:sweep_figure", fits[0], load_ohm),
    )


def _row(fit: Fit) -> dict[str, Any]:
    """Return everything about one sweep that is a number or a word, by key."""
    condition = fit.sweep.condition
    loads = check_loads(fit.sweep if fit.taken is None else fit.taken)
    row = {
        "file": fit.sweep.name,
        "points": len(fit.sweep if fit.taken is None else fit.taken),
        "points_used": len(fit.sweep),
        **key_points(fit.key_points),
        **{
            key: None if name in fit.limits else fit.parameters[name]
            for key, name in keys.PARAMETERS.items()
        },
        "rmse_A": fit.rmse,
        "temp_cell_degC": condition.temp_cell,
        "irradiance_W_m2": condition.effective_irradiance,
    }
    for name, limit in fit.limits.items():
        word = "below" if name == "resistance_series" else "above"
        row[f"{name}_{word}_ohm"] = limit if limit > 0 else None
    for key, name in keys.KEY_POINTS.items():
        if hasattr(fit.between, name):
            stem, _, unit = key.rpartition("_")
            row[f"{stem}_least_{unit}"], row[f"{stem}_most_{unit}"] = getattr(fit.between, name)
    if loads is not None:  # estimates, even where they are within their u of nothing
        row["loads_series_resistance_ohm"] = ufloat(loads.resistance, loads.u_resistance)
        row["loads_current_offset_A"] = ufloat(loads.offset, loads.u_offset)
    return row | {
        "converged": fit.converged,
        "flags": " ".join(fit.flags),
        "faults": " ".join(one.name for one in fit.faults),
    }


def _sweeps(fits: list[Fit], rows: list[dict[str, Any]]) -> Table:
    """Return one row a sweep: parameters where it stands alone, else key points too."""
    several = len(fits) > 1
    beside = len(fits) <= _SIDE_BY_SIDE
    shown_keys = [*keys.PARAMETERS, "rmse_A"] if beside else []
    if several:
        chosen = ("isc_A", "voc_V", "pmp_W", "fill_factor", "best_load_ohm")
        shown_keys = ["file", *(keys.KEY_POINTS if beside else chosen), *shown_keys]
    if not any(known(row["ideality_factor"]) for row in rows) and beside:
        shown_keys.remove("ideality_factor")
    texts = {
        k: [_parameter_text(fit, k, name) for fit in fits] for k, name in keys.PARAMETERS.items()
    }
    texts["file"] = [PurePath(row["file"]).name for row in rows]
    uncertain = {*keys.KEY_POINTS, *keys.PARAMETERS}
    made = [
        Column(
            key,
            [row.get(key) for row in rows],
            [getattr(row[key], "std_dev", None) for row in rows] if key in uncertain else None,
            heading="" if key in shown_keys else None,
            show=texts.get(key),
        )
        for key in dict.fromkeys(key for row in rows for key in row)
    ]
    none = not any(fit.model for fit in fits)
    title = "" if several and not beside else "single diode" if not several else "sweep"
    note = "" if several else _interval(fits[0])
    return Table(title, made, 0 if none else 40, note, sideways=beside)


_WAYS = {
    "fit": "from the fit",
    "low_95": "95 %, from",
    "high_95": "to",
    "data": "from the data alone",
}


def _points(fits: list[Fit], rows: list[dict[str, Any]]) -> Table:
    """Return the key points of each sweep by its fit, their 95 % intervals, and by data alone."""
    cells = []
    for fit, row in zip(fits, rows, strict=True):
        found = {key: row[key] for key in keys.KEY_POINTS}
        cells.append(found)
        for sign in (-1, 1):
            half = sign * fit.interval_factor
            cells.append({k: v and v.nominal_value + half * v.std_dev for k, v in found.items()})
        cells.append(data_points(fit))
    made = [Column("from", list(_WAYS) * len(fits), show=list(_WAYS.values()) * len(fits))]
    made += [Column(key, [one[key] for one in cells]) for key in keys.KEY_POINTS]
    made.append(Column("file", [row["file"] for row in rows for _ in _WAYS], heading=None))
    return Table("key points", made, 40 if len(fits) == 1 else 0, sideways=True)


def data_points(fit: Fit) -> dict[str, Any]:
    """Return the key points from the data alone by key; None where the readings do not reach."""
    nothing = ufloat(np.nan, np.nan)
    points = {name: one or nothing for name, one in fit.key_points_from_data.items()}
    return key_points(KeyPoints(**points))


def _parameter_text(fit: Fit, key: str, name: str) -> str:
    """Return a parameter as text; where it is not resolved, the limit that the readings set."""
    if name not in fit.limits:
        return shown(fit.parameters[name], unit_of(key))
    limit = fit.limits[name]
    if not np.isfinite(limit) or limit == 0:
        return "not resolved"
    word = "below" if name == "resistance_series" else "above"
    return f"{word} {number(limit, None, unit_of(key))}"


def headline(fit: Fit) -> str:
    """Return the answer in one sentence; what makes it worthless goes before it."""
    wrong = [str(one) for one in fit.faults if one.severity == "error"]
    name = fit.sweep.name or "sweep"
    if wrong:
        name = (
            f"{name}: no number from these readings can be trusted: {'; '.join(wrong)}. As written"
        )
    if fit.model is None:
        # A flag that a fault explains is not among the faults any more: then the fault is told.
        why = [one.message for one in fit.faults if one.name in (*_NO_CURVE, *NO_SINGLE_DIODE)]
        reasons = "; ".join(why) if not wrong else ""
        best = data_points(fit)["pmp_W"]
        top = f" Largest power read from the data alone: {shown(best, 'W')}." if best else ""
        reasons = f": {reasons}" if reasons else ""
        return f"{name}: the curve could not be determined{reasons}.{top}{_bounds(fit)}"
    points = key_points(fit.key_points)
    parts = []
    if points["pmp_W"] is not None:
        parts.append(f"gives {shown(points['pmp_W'], 'W')} at {shown(points['vmp_V'], 'V')}")
        parts.append(f"best load {shown(points['best_load_ohm'], 'ohm')}")
    else:
        parts.append("maximum power could not be determined")
    parts += [
        f"{heading_of(key)} "
        + ("could not be determined" if points[key] is None else shown(points[key], unit_of(key)))
        for key in ("isc_A", "voc_V")
    ]
    if points["fill_factor"] is not None:
        parts.append(f"fill factor {shown(points['fill_factor'])}")
    return f"{name}: {', '.join(parts)}."


def _bounds(fit: Fit) -> str:
    """Return what too few readings tell for certain, as a sentence."""
    if fit.between is None:
        return ""
    parts = []
    for key, name in keys.KEY_POINTS.items():
        if not hasattr(fit.between, name):
            continue
        low, high = getattr(fit.between, name)
        text = f"at least {number(low, None, unit_of(key))}"
        if np.isfinite(high):
            text = interval(low, high, (high - low) / 20, unit_of(key))
            text = text if high > low else number(low, None, unit_of(key))
        parts.append(f"{heading_of(key)} {text}")
    return f" Between the readings, taken as exact: {', '.join(parts)}."


def _interval(fit: Fit) -> str:
    """Return the 95 % interval of Pmp as a sentence."""
    power = key_points(fit.key_points)["pmp_W"]
    if power is None or not np.isfinite(power.std_dev):
        return ""
    half = fit.interval_factor * power.std_dev
    relative = percent(half / power.nominal_value)
    return f"95 % interval of Pmp: +-{number(half, None, 'W')} ({relative})."


def warnings_of(fits: Sequence[Fit]) -> list[str]:
    """Return what is to be minded: faults, and where fit and data alone disagree."""
    said = []
    for fit in fits:
        name = f"{fit.sweep.name}: " if len(fits) > 1 else ""
        said += [
            f"{name}{one}{' (left out of the fit)' if one.leave_out else ''}" for one in fit.faults
        ]
        said += [f"{name}{one}" for one in disagreements(fit)]
    return said


#: What the rule for data alone may err by on a good sweep, as a fraction of the value; found on
#: noise-free curves with readings as people take them.
RULE_ERROR = {"isc_A": 0.01, "voc_V": 0.01, "pmp_W": 0.02}


def disagreements(fit: Fit) -> list[str]:
    """Say where fit and data alone differ by more than their uncertainty and the rule explain."""
    notes = []
    of_model, of_data = key_points(fit.key_points), data_points(fit)
    for key, rule in RULE_ERROR.items():
        if of_model[key] is None or of_data[key] is None:
            continue
        difference = of_model[key] - of_data[key]
        allowed = 3 * np.nan_to_num(difference.std_dev) + rule * abs(of_model[key].nominal_value)
        if abs(difference.nominal_value) > allowed:
            notes.append(
                f"{heading_of(key)} of the fit and of the data alone differ by "
                f"{number(abs(difference.nominal_value), None, unit_of(key))}, more than their "
                "uncertainty: look at the residuals"
            )
    return notes


def _budgets(row: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Return the budget of each key point, that of Pmp first."""
    return {
        key: budget(row[key])
        for key in sorted(keys.KEY_POINTS, key=lambda key: key != "pmp_W")
        if known(row[key]) and np.isfinite(row[key].std_dev)
    }
