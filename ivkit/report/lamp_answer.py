"""The answer of ``ivkit lamp``: what the panel should give under this lamp."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.answer import Answer, Column, Entry, Table
from ivkit.answer.lines import shown
from ivkit.answer.text import number, percent
from ivkit.curve.uncertainty import budget
from ivkit.predict.score import INCONSISTENT, PLAUSIBLE, UNDETERMINED
from ivkit.report.gross_errors import (
    checks,
    explains_table,
    gross_errors_table,
    likeliest,
    what_next,
)
from ivkit.report.key_points import KEY_POINTS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.predict.prediction import Prediction
    from ivkit.predict.under_lamp import UnderLamp
    from ivkit.verdict.plausibility import Judgement

CAUTION = (
    "Caution: a lamp this near gets hot enough to burn skin, bench and panel; keep it off what "
    "burns and do not leave it alone. Its mains side is for your local code and those licensed."
)
_WIDEST = 16  # columns of cells in the text
_SAYING = {
    "plausible": "It is what this lamp should give",
    "too high": "It is more than this lamp should give",
    "too low": "It is less than this lamp should give",
    "inconsistent": "It does not go with itself",
    "impossible": "No panel gives that",
    "undetermined": "It fits, but the prediction is too wide to judge it",
}


def lamp_answer(
    found: "UnderLamp",
    judged: "Judgement | None" = None,
    based_on: Sequence[str] = (),
    figure: "Callable[[], Figure] | None" = None,
) -> Answer:
    """Return what a panel should give under a lamp, and whether a reading fits.

    Parameters
    ----------
    found : UnderLamp
    judged : Judgement, optional
        Of a measured power.
    based_on : sequence of str
    figure : callable, optional
    """
    panel, points, light = found.scene.panel, found.key_points, found.irradiance
    even = found.even_key_points
    power = points["p_mp"]
    tables = {}
    if found.distances is not None:
        tables["distances"] = _distances(found)
    tables["curve"] = _curve(found)
    tables["key_points"] = _key_points(points, even)
    if len(found.loads):
        tables["loads"] = _loads(found.expected, found.loads)
    if found.cells is not None:
        tables["cells"] = _cells(found.cells)
    summary: dict[str, Any] = {
        "label_pmp_W": panel.label,
        "stc_pmp_W": panel.p_mp,
        "effective_irradiance_W_m2": light,
        "limiting_cell": found.limiting_cell,
        **{key: points[name] for key, name in KEY_POINTS.items()},
    }
    budgets = {"pmp_W": budget(power), "effective_irradiance_W_m2": budget(light)}
    for k, ohm in enumerate(found.loads, 1):
        budgets[_into(ohm)] = budget(found.expected.number("power", k))
    paragraphs, word = [], None
    if judged is not None:
        word = judged.verdict
        paragraphs = [_judged(judged), *map(str, judged.limits)]
        tables |= _explained(judged)
        paragraphs += [f"To tell: {line}." for line in checks(judged.gross_errors)]
        compared = judged.compared
        unit = {"power": "W", "voltage": "V", "current": "A"}[compared.each.quantities[0]]
        summary |= {
            "en": compared.en,
            f"measured_{unit}": _pair(compared.each.measured[0], compared.each.u_measured[0]),
            f"predicted_{unit}": _pair(compared.each.predicted[0], compared.each.u_predicted[0]),
        }
    if 0 < power.std_dev < 0.5 * power.nominal_value:
        width = 2 * power.std_dev / power.nominal_value
        summary["interval_fraction"] = Entry(
            width, "95 % interval of Pmp", show=f"+-{percent(width)}"
        )
    first = next(iter(budgets["pmp_W"]), "")
    return Answer(
        "lamp",
        headline(found),
        word,
        based_on,
        summary,
        tables,
        budget=budgets,
        assumptions=[*found.assumed, *map(str, panel.assumed), *panel.law_assumed],
        notes=panel.notes,
        cautions=(CAUTION,),
        paragraphs=paragraphs,
        next=f"To know it better, {what_next(first)}." if first else "",
        figure=figure,
    )


def headline(found: "UnderLamp") -> str:
    """Return the answer in one sentence."""
    points, light, panel = found.key_points, found.irradiance, found.scene.panel
    power = points["p_mp"]
    if power.std_dev < 0.5 * power.nominal_value:
        most = f"{shown(power, 'W')} at its best load, {shown(points['best_load'], 'ohm')}"
        most += "".join(
            f", {shown(found.expected.number('power', k), 'W')} into {_ohm(ohm)}"
            for k, ohm in enumerate(found.loads, 1)
        )
    else:
        # As uncertain as it is large: the bound is all that is known.
        high = power.nominal_value + 2 * power.std_dev
        most = f"no more than {number(high, None, 'W')}; how much of it could not be determined"
    if panel.label is not None:
        sun = f"the label says {number(panel.label, None, 'W')} because that is for"
    else:
        sun = f"{number(panel.p_mp, None, 'W')} is what it gives in"
    return (
        f"Under this lamp the panel should give {most}; {sun} 1000 W/m2 of sunlight: here its "
        f"cells get light worth {shown(light)} W/m2."
    )


def _judged(judged: "Judgement") -> str:
    """Return the verdict on a measured power."""
    each, word = judged.compared.each, judged.verdict
    load = judged.compared.readings.stated[0]
    where = "at its best load" if np.isnan(load) else f"into {_ohm(load)}"
    read = number(float(each.measured[0]), float(each.u_measured[0]), "W")
    expected = number(float(each.predicted[0]), float(each.u_predicted[0]), "W")
    said = (
        f"Measured {read} {where}: {word}. {_SAYING[word]}, {expected} (E_n = {each.en[0]:.2f}, "
        "agreement up to 1)."
    )
    if judged.gross_errors:
        said += f" {likeliest(judged.gross_errors)}"
    return said


def _explained(judged: "Judgement") -> dict[str, Table]:
    tables = {}
    if judged.explains and judged.verdict not in (PLAUSIBLE, INCONSISTENT):
        tables["explained_by"] = explains_table(judged.explains)
    if judged.gross_errors and judged.verdict != UNDETERMINED:
        tables["gross_errors"] = gross_errors_table(judged.gross_errors)
    return tables


def _key_points(points: dict[str, Any], even: dict[str, Any]) -> Table:
    """Return the key points cell by cell, and of the same light spread evenly."""
    light = Column("light", ["cell by cell", "uniform irradiance"], heading="expected")
    rows = (points, even)
    columns = [Column(key, [one[name] for one in rows]) for key, name in KEY_POINTS.items()]
    return Table("", [light, *columns], sideways=True)


def _loads(found: "Prediction", loads: Any) -> Table:
    rows = range(1, len(loads) + 1)
    columns = [
        Column(key, [found.number(name, k) for k in rows], missing="-")
        for key, name in (("power_W", "power"), ("voltage_V", "voltage"), ("current_A", "current"))
    ]
    return Table("", [Column("load_ohm", loads, show=[_ohm(ohm) for ohm in loads]), *columns])


def _cells(cells: Any) -> Table:
    """Return the light of each cell, upper row first, as the panel is seen from the lamp."""
    rows, count = cells.shape
    dark = float(np.min(cells) / np.max(cells)) if np.max(cells) > 0 else 0.0
    title = (
        "Effective irradiance of each cell, W/m2 (lowest "
        f"{number(float(cells.min()), None)}, {percent(dark)} of the highest):"
    )
    columns = [
        Column(f"column_{k + 1}_W_m2", column, heading=str(k + 1), show=lambda x: f"{x:.0f}")
        for k, column in enumerate(cells[::-1].T)
    ]
    row = Column("row", list(range(rows, 0, -1)), heading="row")
    return Table(title, [row, *columns], most_rows=60 if count <= _WIDEST else 0)


def _curve(found: "UnderLamp") -> Table:
    voltage, current, even = found.curves
    return Table(
        "",
        [
            Column("voltage_V", voltage),
            Column("current_A", current),
            Column("uniform_current_A", even),
        ],
        most_rows=0,
    )


def _distances(found: "UnderLamp") -> Table:
    """Return power against distance."""
    far, each = found.distances, len(found.loads) + 1
    first = range(0, len(far.at), each)
    columns = [
        Column("distance_m", far.at.distance[::each], show=lambda x: f"{x:.3g} m"),
        Column("effective_irradiance_W_m2", [far.number("light", k) for k in first]),
        Column("pmp_W", [far.number("p_mp", k) for k in first], heading="at best load"),
    ]
    for j, ohm in enumerate(found.loads, 1):
        columns.append(
            Column(
                _into(ohm),
                [far.number("power", k + j) for k in first],
                heading=_ohm(ohm),
            )
        )
    return Table("", columns)


def _ohm(ohm: float) -> str:
    if ohm == 0 or np.isinf(ohm):
        return "a short circuit" if ohm == 0 else "an open circuit"
    return number(float(ohm), None, "ohm")


def _into(ohm: float) -> str:
    return f"power_into_{ohm:g}_ohm_W".replace(".", "_").replace("+", "")


def _pair(value: float, u: float) -> Any:
    from uncertainties import ufloat

    return ufloat(float(value), max(float(u), 1e-300))
