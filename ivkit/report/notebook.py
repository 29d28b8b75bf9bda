"""Each kind of result as an answer, for `ivkit.shown.Shown`.

What a command answers is made beside its command's other words; what only a library gives stands
here. Found by the name of the class, so that no computing room needs to be loaded; a result
without an entry is shown as its text.
"""

from collections.abc import Callable, Mapping, Sequence
from html import escape
from importlib import import_module
from typing import Any

import numpy as np

from ivkit.answer import Answer, Column, Table, columns
from ivkit.answer.lines import shown
from ivkit.report.key_points import KEY_POINTS, PARAMETERS


def as_html(result: Any) -> str:
    """Return a result as HTML for a notebook: its answer, or else its text."""
    if type(result).__qualname__ not in _KINDS:
        return f"<p>{escape(str(result))}</p>"
    return answer_of(result)._repr_html_()


def answer_of(result: Any) -> Answer:
    """Return a result as an answer.

    Raises
    ------
    TypeError
        A result of this kind has none.
    """
    make = _KINDS.get(type(result).__qualname__)
    if make is None:
        raise TypeError(f"a {type(result).__name__} has no answer of its own")
    if isinstance(make, str):
        module, _, name = make.partition(":")
        make = getattr(import_module(f"ivkit.report.{module}"), name)
    return make(result)


def _of(title: str, result: Any, names: Mapping[str, str]) -> Table:
    """Return attributes of a result by their keys: one row, or one each where they are arrays."""
    values = {key: np.atleast_1d(getattr(result, name)).ravel() for key, name in names.items()}
    rows = max(len(one) for one in values.values())
    made = [Column(key, np.broadcast_to(one, rows)) for key, one in values.items()]
    return Table(title, made, sideways=rows == 1)


def _frame(frame: Any, **more: Any) -> Table:
    """Return a DataFrame as a table: ``u_x`` is the standard uncertainty of ``x``."""
    names = [n for n in frame.columns if not (n.startswith("u_") and n[2:] in frame.columns)]
    return Table("", [Column(n, frame[n], frame.get(f"u_{n}")) for n in names], **more)


def _load(ohm: float) -> str:
    return "open" if np.isinf(ohm) else shown(float(ohm), "ohm")


def _loads(values: Sequence[float]) -> Column:
    return Column("load_ohm", values, show=[_load(ohm) for ohm in values])


def _sweep(sweep: Any) -> Answer:
    condition = sweep.condition
    where = [
        f"{shown(value)} {unit}"
        for value, unit in ((condition.effective_irradiance, "W/m2"), (condition.temp_cell, "degC"))
        if value is not None
    ]
    effects = f"; effects: {', '.join(e.name for e in sweep.effects)}" if sweep.effects else ""
    made = [
        Column("reading", np.arange(1, len(sweep) + 1)),
        *([] if sweep.load is None else [_loads(sweep.load)]),
        Column("voltage_V", sweep.voltage, sweep.noise_voltage),
        Column("current_A", sweep.current, sweep.noise_current),
        Column("power_W", sweep.power),
    ]
    title = f"in parentheses: noise of the last digits, 1 sigma{effects}"
    said = ", ".join([f"{sweep.name or 'sweep'}: {len(sweep)} readings", *where])
    return Answer("sweep", said, tables={"readings": Table(title, made)}, notes=sweep.notes)


def _points(points: Any) -> Answer:
    return Answer("key points", "key points", tables={"key_points": _of("", points, KEY_POINTS)})


def _diode(model: Any) -> Answer:
    names = {key: name for key, name in PARAMETERS.items() if name != "ideality_factor"}
    said = "single-diode curve"
    return Answer(said, said, tables={"parameters": _of("", model, names)})


def _fits(fits: Any) -> Answer:
    said = f"{len(fits)} sweep{'' if len(fits) == 1 else 's'}"
    return Answer("fits", said, tables={"sweeps": _frame(fits.to_frame())})


def _datasheet(sheet: Any) -> Answer:
    points = {
        key: name for key, name in KEY_POINTS.items() if key not in ("fill_factor", "best_load_ohm")
    }
    assumed = columns(
        sheet.assumed, {"figure": "assumed"}, figure="figure", value="value", source="source"
    )
    tables = {"at_stc": _of("at STC", sheet, points), "assumed": Table("", assumed)}
    return Answer("datasheet", str(sheet), tables=tables)


#: What makes an answer of a result of a class: a function, or where it is as "module:function".
_KINDS: dict[str, str | Callable[[Any], Answer]] = {
    "Sweep": _sweep,
    "KeyPoints": _points,
    "SingleDiode": _diode,
    "Fit": "sweep_answer:sweep_answer",
    "Fits": _fits,
    "LoadChoice": "load_answer:load_answer",
    "Judgement": "check_answer:check_answer",
    "Plan": "plan_answer:plan_answer",
    "Tracking": "track_answer:track_answer",
    "AngleAnswer": "angle_answer:angle_answer",
    "Datasheet": _datasheet,
    "Translated": "translate_text:translate_answer",
    "UnderLamp": "lamp_answer:lamp_answer",
}
