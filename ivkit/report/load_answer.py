"""The answer of `ivkit load`: which resistor to take, and what the others lose."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ivkit.answer import Answer, Column, Entry, Table, columns, drawn_by
from ivkit.answer.text import number, percent
from ivkit.report.sweep_answer import warnings_of
from ivkit.verdict.load import Candidate, LoadChoice, value_and_u

if TYPE_CHECKING:
    from ivkit.curve.fit import Fit

CAUTION = (
    "Caution: the load gets hot. Mount it on what cannot burn; let it cool first. Cover the panel "
    "before touching wires; for strings and roofs follow local codes."
)


def load_answer(
    found: LoadChoice, fits: "Sequence[Fit]" = (), based_on: Sequence[str] = ()
) -> Answer:
    """Return the choice of a load as an answer; ``fits`` are of the conditions, in their order."""
    sweeps = [fit.sweep for fit in fits]
    names, curves = [one.name for one in sweeps], [fit.model for fit in fits]
    figure = drawn_by("ivkit.report.load_figure:load_figure", found, curves, sweeps, names)
    take, terms, several = found.choice, found.terms, len(found.weights) > 1
    least = 1.0 - value_and_u(found.best_power)[0] / value_and_u(found.max_power)[0]
    best = number(*value_and_u(found.best_resistance), "ohm")
    single = (
        f"Best single load {best}: it loses {percent(least)} against loads that follow each "
        "condition."
    )
    tables = {"loads": _loads(found)}
    if several:
        tables["conditions"] = _conditions(found, names)
    return Answer(
        "load",
        headline(found),
        based_on=based_on,
        summary={
            "load": take.made_of.label,
            "load_ohm": take.resistance,
            "connection": take.made_of.connection,
            "part_ohm": list(take.made_of.parts),
            "part_dissipation_W": list(take.dissipations),
            "part_rating_W": list(take.ratings),
            "power_W": take.power,
            "lost_fraction": _uncertain(take.loss, take.u_loss),
            "best_load_ohm": found.best_resistance if several else Entry(found.best_resistance),
            "best_power_W": found.best_power,
            "pmp_W": found.max_power if several else Entry(found.max_power, "maximum power"),
            "dissipation_W": found.worst_dissipation,
            "margin": terms.margin,
            "tolerance_fraction": terms.tolerance,
            "temp_air_degC": terms.ambient,
            "derate_from_degC": terms.derating.full_to,
            "derate_to_degC": terms.derating.zero_at,
            "rating_left_fraction": terms.derating.share(terms.ambient),
        },
        paragraphs=(single,) if several else (),
        tables=tables,
        warnings=warnings_of(fits),
        cautions=(CAUTION,),
        figure=figure if fits and fits[0].model is not None else None,
    )


def headline(found: LoadChoice) -> str:
    """Return the answer as one sentence, or two where the loss is not known."""
    take = found.choice
    made_of = take.made_of
    if made_of.connection == "single":
        where = "from the drawer" if made_of.source == "drawer" else found.terms.series
        head = f"Load the panel with {_ohm(take.resistance)} ({where})"
    else:
        head = (
            f"Load the panel with {made_of.label} in {made_of.connection}, together "
            f"{_ohm(take.resistance)}"
        )
    if math.isnan(take.loss):
        best = _ohm(value_and_u(found.best_resistance)[0])
        return (
            f"{head}, the nearest to {best}; {_purchase(take)}. What it loses could not be "
            "determined without a curve: measure a sweep and give it to this command."
        )
    several = len(found.weights)
    mean = f" on average over the {several} conditions" if several > 1 else ""
    power, top = (_short(value_and_u(x)[0], "W") for x in (take.power, found.max_power))
    return f"{head}: {power} of {top}{mean}, {percent(take.loss)} lost; {_purchase(take)}."


def _ohm(value: float) -> str:
    """Return a resistance; shops write 0.68 ohm, not 680 mohm."""
    return f"{value:.4g} ohm" if 0.1 <= value < 1 else number(value, None, "ohm")


def _short(value: float, unit: str) -> str:
    """Return a value to three figures."""
    return number(float(f"{value:.3g}"), None, unit)


def _purchase(candidate: Candidate) -> str:
    """Say which ratings to buy."""
    if any(map(math.isnan, candidate.ratings)):
        return "no usual part carries that heat, so spread it over several parts"
    if len(candidate.ratings) == 1:
        return f"buy a {candidate.ratings[0]:g} W part"
    pairs = zip(candidate.made_of.parts, candidate.ratings, strict=True)
    sizes = [f"{_ohm(r)} for {rating:g} W" for r, rating in pairs]
    return f"buy {' and '.join(sizes)}"


def _uncertain(value: float, u: float) -> Any:
    """Return a value with its u, or alone where that is not known."""
    if math.isnan(u):
        return value
    from uncertainties import ufloat

    return ufloat(value, u)


def _loads(found: LoadChoice) -> Table:
    """Return one row a candidate."""
    rows = found.candidates
    single = all(one.made_of.connection == "single" for one in rows)
    drawer = all(one.made_of.source == "drawer" for one in rows)
    curve = not math.isnan(found.choice.loss)  # else nothing is known of powers and losses
    ends = f"lost at +-{100 * found.terms.tolerance:g} %"
    headings = {"connection": None, "chosen": None, "source": None if drawer else "from"}
    headings |= {"load_ohm": None if single else "together", "rating_W": "rating"}
    headings |= {"dissipation_W": "heat, up to", "lost_at_tolerance_fraction": ends}
    if not curve:
        headings |= dict.fromkeys(("power_W", "lost_fraction", "lost_at_tolerance_fraction"))
    shows = {
        "load": [f"{'>' if one is found.choice else ' '} {one.made_of.label}" for one in rows],
        "load_ohm": _ohm,
        "dissipation_W": [", ".join(_short(w, "W") for w in one.dissipations) for one in rows],
        "rating_W": [
            ", ".join("none" if math.isnan(w) else f"{w:g} W" for w in one.ratings) for one in rows
        ],
    }
    made = columns(
        rows,
        headings,
        shows,
        load=lambda one: one.made_of.label,
        connection=lambda one: one.made_of.connection,
        source=lambda one: one.made_of.source,
        load_ohm="resistance",
        power_W="power",
        lost_fraction=lambda one: _uncertain(one.loss, one.u_loss),
        lost_at_tolerance_fraction="loss_at_tolerance",
        dissipation_W=lambda one: max(one.dissipations),
        rating_W=lambda one: max(one.ratings),
        chosen=lambda one: one is found.choice,
    )
    return Table("", made, note=_heat(found))


def _conditions(found: LoadChoice, names: Sequence[str]) -> Table:
    """Return what the choice gets at each condition."""
    several = range(len(found.weights))
    pairs = zip(found.choice_powers, found.max_powers, strict=True)
    lost = [max(0.0, 1.0 - power / value_and_u(top)[0]) for power, top in pairs]
    return Table(
        "",
        [
            Column(
                "condition",
                [names[k] if k < len(names) else f"condition {k + 1}" for k in several],
                show=lambda name: Path(name).name,
            ),
            Column("weight_fraction", found.weights),
            Column("best_load_ohm", found.best_resistances),
            Column("pmp_W", found.max_powers),
            Column("power_W", found.choice_powers, heading=f"into {found.choice.made_of.label}"),
            Column("lost_fraction", lost),
        ],
    )


def _heat(found: LoadChoice) -> str:
    """Say what the ratings are for."""
    terms = found.terms
    left = terms.derating.share(terms.ambient)
    u = [value_and_u(p)[1] for p in found.max_powers]
    sure = " and twice its standard uncertainty" if not all(map(math.isnan, u)) else ""
    largest = "largest maximum power" if len(u) > 1 else "maximum power"
    text = (
        f"The ratings are for {_short(found.worst_dissipation, 'W')} of heat in all (the panel's "
        f"{largest}{sure}), {terms.margin:g} W of rating for each watt, in air of "
        f"{terms.ambient:g} degC"
    )
    if left < 1:
        text += f", where a part carries {percent(left)} of its rating"
    return (
        f"{text}; at higher irradiance it is more. A part is taken to carry its full rating up to "
        f"{terms.derating.full_to:g} degC and nothing at {terms.derating.zero_at:g} degC: see its "
        "data sheet."
    )
