"""The fit of a sweep in words, as a document for JSON, and as a table."""

from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.curve.fault_list import NO_SINGLE_DIODE
from ivkit.curve.uncertainty import budget
from ivkit.report.text import interval, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.curve.fit import Fit
    from ivkit.readings.fault import Fault

#: label, attribute of KeyPoints, key in JSON, unit
KEY_POINTS = (
    ("Isc", "i_sc", "isc_A", "A"),
    ("Voc", "v_oc", "voc_V", "V"),
    ("Vmp", "v_mp", "vmp_V", "V"),
    ("Imp", "i_mp", "imp_A", "A"),
    ("Pmp", "p_mp", "pmp_W", "W"),
    ("fill factor", "fill_factor", "fill_factor", ""),
    ("best load", "best_load", "best_load_ohm", "ohm"),
)
PARAMETERS = (
    ("photocurrent", "photocurrent", "photocurrent_A", "A"),
    ("saturation current", "saturation_current", "saturation_current_A", "A"),
    ("series resistance", "resistance_series", "resistance_series_ohm", "ohm"),
    ("shunt resistance", "resistance_shunt", "resistance_shunt_ohm", "ohm"),
    ("n Ns k T / q", "nNsVth", "nNsVth_V", "V"),
    ("ideality factor", "ideality_factor", "ideality_factor", ""),
)

#: Flags that say why there is no curve; the others say how it is known.
_NO_CURVE = ("too_few_points", "no_light", "straight_line")


def _told(quantity: Any) -> bool:
    return quantity is not None and bool(np.isfinite(quantity.nominal_value))


def shown(quantity: Any, unit: str) -> str:
    """Return an uncertain number as text, a dash where it cannot be told."""
    return number(quantity.nominal_value, quantity.std_dev, unit) if _told(quantity) else "-"


def data_point(fit: "Fit", name: str) -> Any:
    """Return a key point from the data alone, or None; ``name`` as in `KeyPoints`."""
    points = fit.key_points_from_data
    if name in points:
        return points[name]
    v, i = points["v_mp"], points["i_mp"]
    if v is None or i is None:
        return None
    if name == "p_mp":
        return v * i
    if name == "best_load":
        return v / i if i.nominal_value else None
    i_sc, v_oc = points["i_sc"], points["v_oc"]
    if i_sc is None or v_oc is None or not i_sc.nominal_value * v_oc.nominal_value:
        return None
    return v * i / (points["i_sc"] * points["v_oc"])


def parameter(fit: "Fit", name: str) -> Any:
    """Return a parameter, or None where the readings do not resolve it."""
    return None if name in fit.limits else fit.parameters[name]


def parameter_text(fit: "Fit", name: str, unit: str) -> str:
    """Return a parameter as text; where it is not resolved, the limit that the readings set."""
    if name not in fit.limits:
        return shown(fit.parameters[name], unit)
    limit = fit.limits[name]
    if not np.isfinite(limit) or limit == 0:
        return "not resolved"
    return f"{'below' if name == 'resistance_series' else 'above'} {number(limit, None, unit)}"


def limits(fit: "Fit") -> dict[str, dict[str, float | None]]:
    """Return the 95 % limits of what is not resolved, as JSON holds them."""
    out = {}
    for name, limit in fit.limits.items():
        word = "below" if name == "resistance_series" else "above"
        told = np.isfinite(limit) and limit > 0
        out[f"{name}_ohm"] = {word: limit if told else None}
    return out


def answer(fit: "Fit") -> str:
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
        best = data_point(fit, "p_mp")
        top = f" Largest power read from the data alone: {shown(best, 'W')}." if best else ""
        reasons = f": {reasons}" if reasons else ""
        return f"{name}: cannot tell the curve{reasons}.{top}{_bounds(fit)}"
    points = fit.key_points
    parts = []
    if _told(points.p_mp):
        parts.append(f"gives {shown(points.p_mp, 'W')} at {shown(points.v_mp, 'V')}")
        parts.append(f"best load {shown(points.best_load, 'ohm')}")
    else:
        parts.append("maximum power cannot be told")
    parts += [
        f"{label} {shown(getattr(points, attribute), unit)}"
        if _told(getattr(points, attribute))
        else f"{label} cannot be told"
        for label, attribute, _, unit in (KEY_POINTS[0], KEY_POINTS[1])
    ]
    if _told(points.fill_factor):
        parts.append(f"fill factor {shown(points.fill_factor, '')}")
    return f"{name}: {', '.join(parts)}."


def _bounds(fit: "Fit") -> str:
    """Return what too few readings tell for certain, as a sentence."""
    if fit.between is None:
        return ""
    parts = []
    for label, attribute, _, unit in KEY_POINTS:
        if not hasattr(fit.between, attribute):
            continue
        low, high = getattr(fit.between, attribute)
        if np.isfinite(high):
            text = interval(low, high, (high - low) / 20, unit)
            parts.append(f"{label} {text}" if high > low else f"{label} {number(low, None, unit)}")
        else:
            parts.append(f"{label} at least {number(low, None, unit)}")
    return f" Between the readings, taken as exact: {', '.join(parts)}."


def describe(fit: "Fit", width: int | None = None) -> str:
    """Return the whole result as text: answer, tables, budget, flags, what was understood."""
    blocks = [wrap(answer(fit), width)]
    rows = []
    for label, attribute, _, unit in KEY_POINTS:
        of_model = getattr(fit.key_points, attribute) if fit.model else None
        rows.append([label, shown(of_model, unit), shown(data_point(fit, attribute), unit)])
    blocks.append(table(rows, ("key points", "from the fit", "from the data alone")))
    if fit.model:
        rows = [
            [label, parameter_text(fit, name, unit)]
            for label, name, _, unit in PARAMETERS
            if name != "ideality_factor" or fit.parameters[name] is not None
        ]
        rows.append(["rms residual", number(fit.rmse, None, "A")])
        blocks.append(table(rows, ("single diode", "")))
    shares = _budget(fit)
    if shares:
        parts = [f"{percent(share)} {name}" for name, share in shares.items() if share >= 0.005]
        u = fit.key_points.p_mp
        half = fit.interval_factor * u.std_dev
        scale = number(half, None, "W")
        blocks.append(
            wrap(
                f"95 % interval of Pmp: +-{scale} ({percent(half / u.nominal_value)}). "
                f"Its variance comes from: {', '.join(parts)}.",
                width,
            )
        )
    remarks = [f"{one}{_left_out_too(one)}." for one in fit.faults if one.severity != "error"]
    remarks += [f"{note}." for note in disagreements(fit)]
    if remarks:
        lines = [wrap(line[0].upper() + line[1:], width, "  - ", "    ") for line in remarks]
        blocks.append("Mind:\n" + "\n".join(lines))
    if fit.sweep.notes:
        lines = [wrap(note, width, "  - ", "    ") for note in fit.sweep.notes]
        blocks.append("Understood:\n" + "\n".join(lines))
    blocks.append("In parentheses: the standard uncertainty (1 sigma) of the last digits.")
    return "\n\n".join(blocks)


def _left_out_too(one: "Fault") -> str:
    return " (left out of the fit)" if one.leave_out else ""


#: What the rule for data alone may err by on a good sweep, as a share of the value; found on
#: noise-free curves with readings as people take them.
RULE_ERROR = {"i_sc": 0.01, "v_oc": 0.01, "p_mp": 0.02}


def disagreements(fit: "Fit") -> list[str]:
    """Say where fit and data alone differ by more than their uncertainty and the rule explain."""
    notes = []
    if fit.model is None:
        return notes
    for label, attribute, _, unit in KEY_POINTS:
        if attribute not in RULE_ERROR:
            continue
        of_model, of_data = getattr(fit.key_points, attribute), data_point(fit, attribute)
        if not (_told(of_model) and _told(of_data)):
            continue
        difference = of_model - of_data
        allowed = 3 * np.nan_to_num(difference.std_dev)
        allowed += RULE_ERROR[attribute] * abs(of_model.nominal_value)
        if abs(difference.nominal_value) > allowed:
            notes.append(
                f"{label} of the fit and of the data alone differ by "
                f"{number(abs(difference.nominal_value), None, unit)}, more than their "
                "uncertainty: look at the residuals"
            )
    return notes


def _budget(fit: "Fit") -> dict[str, float]:
    if fit.model is None or not _told(fit.key_points.p_mp):
        return {}
    return budget(fit.key_points.p_mp) if np.isfinite(fit.key_points.p_mp.std_dev) else {}


def document(fit: "Fit") -> dict[str, Any]:
    """Return everything about one sweep as JSON will hold it."""
    condition = fit.sweep.condition
    of_model = {
        key: getattr(fit.key_points, attribute) if fit.model else None
        for _, attribute, key, _ in KEY_POINTS
    }
    return {
        "file": fit.sweep.name,
        "points": len(fit.sweep if fit.taken is None else fit.taken),
        "points_used": len(fit.sweep),
        "condition": {
            "temp_cell_degC": condition.temp_cell,
            "irradiance_W_m2": condition.effective_irradiance,
        },
        "single_diode": {key: parameter(fit, name) for _, name, key, _ in PARAMETERS},
        "limits_95": limits(fit),
        "bounds": None
        if fit.between is None
        else {
            key: list(getattr(fit.between, attribute))
            for _, attribute, key, _ in KEY_POINTS
            if hasattr(fit.between, attribute)
        },
        "key_points": of_model,
        "key_points_from_data": {
            key: data_point(fit, attribute) for _, attribute, key, _ in KEY_POINTS
        },
        "rmse_A": fit.rmse,
        "fit": {"converged": fit.converged, "flags": list(fit.flags)},
        "budget": {
            key: budget(value)
            for key, value in of_model.items()
            if _told(value) and np.isfinite(value.std_dev)
        },
        "faults": [
            {
                "name": one.name,
                "severity": one.severity,
                "points": list(one.points),
                "message": one.message,
                "remedy": one.remedy,
                "left_out": one.leave_out,
            }
            for one in fit.faults
        ],
        "notes": [*fit.sweep.notes, *disagreements(fit)],
    }


def frame(fits: "list[Fit]") -> "DataFrame":
    """Return one row a sweep: key points and parameters with their standard uncertainties."""
    from pandas import DataFrame

    rows = []
    for fit in fits:
        row: dict[str, Any] = {
            "file": fit.sweep.name,
            "points": len(fit.sweep if fit.taken is None else fit.taken),
            "points_used": len(fit.sweep),
        }
        for _, attribute, key, _ in KEY_POINTS:
            value = getattr(fit.key_points, attribute) if fit.model else None
            row[key] = value.nominal_value if _told(value) else None
            row[f"u_{key}"] = value.std_dev if _told(value) else None
        for _, name, key, _ in PARAMETERS:
            value = parameter(fit, name)
            row[key] = value.nominal_value if _told(value) else None
            row[f"u_{key}"] = value.std_dev if _told(value) else None
        row["rmse_A"] = fit.rmse
        row["flags"] = " ".join(fit.flags)
        row["faults"] = " ".join(one.name for one in fit.faults)
        rows.append(row)
    return DataFrame(rows)
