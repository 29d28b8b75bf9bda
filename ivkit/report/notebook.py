"""Results as small tables for a notebook: plain HTML, every text escaped, no colour, no script.

The numbers are written by the same functions as everywhere. Each kind of result has one function
here, found by the name of its class, so that no computing room needs to be loaded; a result
without one is shown as its text.
"""

from collections.abc import Callable
from html import escape
from importlib import import_module
from typing import Any

import numpy as np

from ivkit.answer import Answer
from ivkit.answer.html import as_html as answer_html
from ivkit.answer.html import html_table
from ivkit.report.page import PageTable
from ivkit.report.text import number, percent

_MOST = 40  # rows; of a longer table the beginning and the end are shown
_ENDS = 5

#: label, attribute of KeyPoints, unit
_POINTS = (
    ("Isc", "i_sc", "A"),
    ("Voc", "v_oc", "V"),
    ("Vmp", "v_mp", "V"),
    ("Imp", "i_mp", "A"),
    ("Pmp", "p_mp", "W"),
    ("fill factor", "fill_factor", ""),
)
_PARAMETERS = (
    ("photocurrent", "photocurrent", "A"),
    ("saturation current", "saturation_current", "A"),
    ("series resistance", "resistance_series", "ohm"),
    ("shunt resistance", "resistance_shunt", "ohm"),
    ("n Ns k T / q", "nNsVth", "V"),
)
_UNITS = {
    **{"V": "V", "A": "A", "W": "W", "ohm": "ohm", "J": "J", "s": "s", "deg": "deg"},
    **{"degC": "degC", "Wh": "Wh", "K": "K"},
}


def as_html(result: Any) -> str:
    """Return a result as HTML for a notebook.

    The caption is the result's own text, where it has one; the tables follow.
    """
    make = _KINDS.get(type(result).__qualname__)
    if isinstance(make, str):
        return answer_html(answer_of(result))
    caption, tables = make(result) if make else (str(result), [])
    return "".join([f"<p>{escape(caption)}</p>", *map(_table, tables)])


def answer_of(result: Any) -> Answer:
    """Return a result as an answer.

    Raises
    ------
    TypeError
        A result of this kind has none.
    """
    make = _KINDS.get(type(result).__qualname__)
    if not isinstance(make, str):
        raise TypeError(f"a {type(result).__name__} has no answer of its own")
    module, _, name = make.partition(":")
    return getattr(import_module(f"ivkit.report.{module}"), name)(result)


def _table(table: PageTable) -> str:
    """Return a table, a long one without its middle."""
    rows = [list(row) for row in table.rows]
    if len(rows) > _MOST:
        hidden = len(rows) - _MOST
        width = len(rows[0]) - 1
        between = [[f"... {hidden} more", *[""] * width]]
        rows = rows[: _MOST - _ENDS] + between + rows[-_ENDS:]
    return html_table(rows, table.head, table.title)


def _shown(value: Any, unit: str = "") -> str:
    """Return a float or an uncertain number as text; for an array its range."""
    if value is None:
        return "-"
    if hasattr(value, "nominal_value"):
        return number(value.nominal_value, value.std_dev, unit)
    values = np.asarray(value, dtype=float)
    if values.ndim == 0:
        if np.isposinf(values):
            return "infinite"
        return number(float(values), None, unit)
    if not np.isfinite(values).any():
        return "-"
    low, high = np.nanmin(values), np.nanmax(values)
    return f"{number(float(low), None, unit)} to {number(float(high), None, unit)}"


def _load(ohm: float) -> str:
    return "open" if np.isinf(ohm) else _shown(ohm, "ohm")


def _sweep(sweep: Any) -> tuple[str, list[PageTable]]:
    condition = sweep.condition
    where = [
        f"{_shown(value)} {unit}"
        for value, unit in ((condition.effective_irradiance, "W/m2"), (condition.temp_cell, "degC"))
        if value is not None
    ]
    caption = f"{sweep.name or 'sweep'}: {len(sweep)} readings"
    columns: dict[str, list[str]] = {}
    if sweep.load is not None:
        columns["load"] = [_load(ohm) for ohm in sweep.load]
    for name, values, noise, unit in (
        ("voltage", sweep.voltage, sweep.noise_voltage, "V"),
        ("current", sweep.current, sweep.noise_current, "A"),
        ("power", sweep.power, None, "W"),
    ):
        u = np.full(len(sweep), np.nan) if noise is None else noise
        columns[name] = [number(float(v), float(s), unit) for v, s in zip(values, u, strict=True)]
    rows = [[str(k + 1), *cells] for k, cells in enumerate(zip(*columns.values(), strict=True))]
    effects = f"; effects: {', '.join(e.name for e in sweep.effects)}" if sweep.effects else ""
    title = "in parentheses: noise of the last digits, 1 sigma" + effects
    return ", ".join([caption, *where]), [PageTable(rows, ("", *columns), title)]


def _points(points: Any) -> tuple[str, list[PageTable]]:
    rows = [[label, _shown(getattr(points, name), unit)] for label, name, unit in _POINTS]
    rows.append(["best load", _shown(points.best_load, "ohm")])
    return "key points", [PageTable(rows)]


def _diode(model: Any) -> tuple[str, list[PageTable]]:
    rows = [[label, _shown(getattr(model, name), unit)] for label, name, unit in _PARAMETERS]
    return "single-diode curve", [PageTable(rows)]


def _judgement(found: Any) -> tuple[str, list[PageTable]]:
    units = {"power": "W", "voltage": "V", "current": "A"}
    rows = []
    for k, quantity in enumerate(found.quantities):
        unit = units[quantity]
        measured = number(float(found.measured[k]), float(found.u_measured[k]), unit)
        predicted = number(float(found.predicted[k]), float(found.u_predicted[k]), unit)
        rows.append([str(k + 1), quantity, measured, predicted, f"{found.scores[k]:.2f}"])
    tables = [PageTable(rows, ("reading", "quantity", "measured", "predicted", "E_n"))]
    if found.slips:
        slips = [[s.name, s.size, percent(s.belief), s.explains, s.check] for s in found.slips]
        heading = ("slip", "size", "belief", "what it explains", "how to check")
        tables.append(PageTable(slips, heading))
    return f"{found.verdict}: furthest off E_n = {found.en:.2f}, agreement up to 1", tables


def _frame(frame: Any) -> PageTable:
    """Return a table of results: ``u_x`` goes into the parentheses of ``x``."""
    columns: dict[str, list[str]] = {}
    for name in frame.columns:
        if name.startswith("u_") and name[2:] in frame.columns:
            continue
        stem, _, suffix = name.rpartition("_")
        unit = _UNITS.get(suffix, "") if stem else ""
        doubts = frame.get(f"u_{name}", [None] * len(frame))
        columns[stem.replace("_", " ") if unit else name.replace("_", " ")] = [
            _cell(value, u, unit) for value, u in zip(frame[name], doubts, strict=True)
        ]
    return PageTable(list(zip(*columns.values(), strict=True)), tuple(columns))


def _cell(value: Any, u: Any, unit: str) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | float | np.number):
        if np.isinf(value):
            return "infinite"
        return number(float(value), None if u is None else float(u), unit)
    return "-" if value is None else str(value)


def _translated(found: Any) -> tuple[str, list[PageTable]]:
    from ivkit.report.translate_text import frame

    caption = f"at {found.to_irradiance:g} W/m2 and {found.to_temperature:g} degC"
    return caption, [_frame(frame(found, None))]


def _tracking(found: Any) -> tuple[str, list[PageTable]]:
    from ivkit.report.track_document import frame

    one = _frame(frame(found))
    rows = [
        [name, cell]
        for name, cell in zip(one.head, one.rows[0], strict=True)
        if cell not in ("-", "")
    ]
    return str(found), [PageTable(rows)]


def _under_lamp(found: Any) -> tuple[str, list[PageTable]]:
    light = found.effective_irradiance
    tables = _points(found.key_points)[1]
    if found.loads:
        rows = [[_load(ohm), _shown(power, "W")] for ohm, power in found.loads.items()]
        tables.append(PageTable(rows, ("load", "power")))
    return f"effective irradiance {_shown(light)} W/m2, mean over the panel", tables


def _datasheet(sheet: Any) -> tuple[str, list[PageTable]]:
    rows = [[label, _shown(getattr(sheet, name), unit)] for label, name, unit in _POINTS[:-1]]
    assumed = [[one.figure, _shown(one.value), one.source] for one in sheet.assumed]
    tables = [PageTable(rows, ("at STC", ""))]
    return str(sheet), tables + (
        [PageTable(assumed, ("assumed", "value", "source"))] if assumed else []
    )


#: What shows a result of a class; "module:function" makes an answer of it.
_KINDS: dict[str, str | Callable[[Any], tuple[str, list[PageTable]]]] = {
    "Sweep": _sweep,
    "KeyPoints": _points,
    "SingleDiode": _diode,
    "Fit": "sweep_text:sweep_answer",
    "Fits": lambda fits: (
        f"{len(fits)} sweep{'' if len(fits) == 1 else 's'}",
        [_frame(fits.to_frame())],
    ),
    "LoadChoice": "load_text:load_answer",
    "Judgement": _judgement,
    "Plan": "plan_text:plan_answer",
    "Tracking": _tracking,
    "Datasheet": _datasheet,
    "Translated": _translated,
    "UnderLamp": _under_lamp,
}
