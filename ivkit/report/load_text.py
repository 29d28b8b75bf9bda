"""The choice of a load in words, and as a document for JSON."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ivkit.report.text import number, percent, table, wrap
from ivkit.verdict.load import Candidate, LoadChoice, value_and_u

if TYPE_CHECKING:
    from ivkit.verdict.combinations import Combination

CAUTION = (
    "Caution: the load gets hot. Mount it on what cannot burn; let it cool first.\n"
    "Cover the panel before touching wires; for strings and roofs follow local codes."
)


def answer(found: LoadChoice) -> str:
    """Return the answer as one sentence, or two where the loss cannot be told."""
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
            f"{head}, the nearest to {best}; {_purchase(take)}. What it loses cannot be told "
            "without a curve: measure a sweep and give it to this command."
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


def _rating(candidate: Candidate) -> str:
    return ", ".join("none" if math.isnan(r) else f"{r:g} W" for r in candidate.ratings)


def _loss(loss: float, u: float) -> str:
    """Return a loss with its uncertainty, or a dash."""
    if math.isnan(loss):
        return "-"
    return percent(loss) if math.isnan(u) else number(100 * loss, 100 * u, "%")


def describe(
    found: LoadChoice,
    names: Sequence[str] = (),
    remarks: Sequence[str] = (),
    understood: Sequence[str] = (),
    width: int | None = None,
) -> str:
    """Return answer, tables, what the ratings are for, remarks, and the caution.

    Parameters
    ----------
    found : LoadChoice
    names : sequence of str
        Of the conditions; shown where there are several.
    remarks : sequence of str
        What to mind about the readings that the answer rests on.
    understood : sequence of str
        How the readings were understood.
    width : int
        Of the lines.
    """
    blocks = [wrap(answer(found), width)]
    best = number(*value_and_u(found.best_resistance), "ohm")
    if len(found.weights) == 1:
        top = number(*value_and_u(found.max_power), "W")
        blocks.append(f"Best load {best}, maximum power {top}.")
    else:
        least = 1.0 - value_and_u(found.best_power)[0] / value_and_u(found.max_power)[0]
        blocks.append(
            wrap(
                f"Best single load {best}: it loses {percent(least)} against loads that follow "
                "each condition.",
                width,
            )
        )
        blocks.append(_conditions(found, names))
    head = ("load", "from", "together", "power", "lost")
    head = (*head, f"lost at +-{100 * found.terms.tolerance:g} %", "heat, up to", "rating")
    rows = [
        [
            f"{'>' if c is found.choice else ' '} {c.made_of.label}",
            c.made_of.source,
            _ohm(c.resistance),
            number(*value_and_u(c.power), "W"),
            _loss(c.loss, c.u_loss),
            _loss(c.loss_at_tolerance, math.nan),
            ", ".join(_short(heat, "W") for heat in c.dissipations),
            _rating(c),
        ]
        for c in found.candidates
    ]
    if all(c.made_of.connection == "single" for c in found.candidates):
        head, rows = _without(head, 2), [_without(row, 2) for row in rows]
    left = 2
    if all(c.made_of.source == "drawer" for c in found.candidates):
        head, rows, left = _without(head, 1), [_without(row, 1) for row in rows], 1
    if math.isnan(found.choice.loss):
        keep = [k for k, name in enumerate(head) if not name.startswith(("power", "lost"))]
        head, rows = [head[k] for k in keep], [[row[k] for k in keep] for row in rows]
    blocks.append(table(rows, head, left))
    blocks.append(wrap(_heat(found), width))
    for title, lines in (("Mind", remarks), ("Understood", understood)):
        if lines:
            items = [wrap(x, width, "  - ", "    ") for x in lines]
            blocks.append("\n".join([f"{title}:", *items]))
    if hasattr(found.best_resistance, "std_dev"):
        blocks.append("In parentheses: the standard uncertainty (1 sigma) of the last digits.")
    blocks.append("\n".join(wrap(line, width) for line in CAUTION.splitlines()))
    return "\n\n".join(blocks)


def _without(row: Sequence[str], k: int) -> list[str]:
    return [*row[:k], *row[k + 1 :]]


def _conditions(found: LoadChoice, names: Sequence[str]) -> str:
    """Return what the choice gets at each condition."""
    rows = []
    for k, share in enumerate(found.weights):
        top = value_and_u(found.max_powers[k])
        power = found.choice_powers[k]
        rows.append(
            [
                Path(names[k]).name if k < len(names) else f"condition {k + 1}",
                percent(share),
                number(*value_and_u(found.best_resistances[k]), "ohm"),
                number(*top, "W"),
                number(power, None, "W"),
                percent(max(0.0, 1.0 - power / top[0])),
            ]
        )
    label = found.choice.made_of.label
    return table(rows, ("condition", "weight", "best load", "maximum", f"into {label}", "lost"))


def _heat(found: LoadChoice) -> str:
    """Say what the ratings are for."""
    terms = found.terms
    share = terms.derating.share(terms.ambient)
    u = [value_and_u(p)[1] for p in found.max_powers]
    sure = " and twice its standard uncertainty" if not all(map(math.isnan, u)) else ""
    largest = "largest maximum power" if len(u) > 1 else "maximum power"
    text = (
        f"The ratings are for {_short(found.worst_dissipation, 'W')} of heat in all (the panel's "
        f"{largest}{sure}), {terms.margin:g} W of rating for each watt, in air of "
        f"{terms.ambient:g} degC"
    )
    if share < 1:
        text += f", where a part carries {percent(share)} of its rating"
    return (
        f"{text}; in brighter light it is more. A part is taken to carry its full rating up to "
        f"{terms.derating.full_to:g} degC and nothing at {terms.derating.zero_at:g} degC: see its "
        "data sheet."
    )


def document(
    found: LoadChoice, names: Sequence[str] = (), notes: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the whole choice as JSON will hold it; what cannot be told is NaN here, null there."""
    terms = found.terms
    return {
        "best_load_ohm": _pair(found.best_resistance),
        "best_power_W": _pair(found.best_power),
        "max_power_W": _pair(found.max_power),
        "conditions": [
            {
                "file": names[k] if k < len(names) else None,
                "weight": share,
                "best_load_ohm": _pair(found.best_resistances[k]),
                "max_power_W": _pair(found.max_powers[k]),
                "power_W": found.choice_powers[k],
            }
            for k, share in enumerate(found.weights)
        ],
        "choice": _candidate(found.choice),
        "candidates": [_candidate(c) for c in found.candidates],
        "heat": {
            "worst_dissipation_W": found.worst_dissipation,
            "margin": terms.margin,
            "ambient_degC": terms.ambient,
            "derate_from_degC": terms.derating.full_to,
            "derate_to_degC": terms.derating.zero_at,
            "share_of_rating": terms.derating.share(terms.ambient),
        },
        "tolerance": terms.tolerance,
        "notes": list(notes),
        "caution": CAUTION.replace("\n", " "),
    }


def _pair(quantity: Any, u: float | None = None) -> dict[str, Any] | None:
    """Return ``{"value", "u"}``, or None for what cannot be told."""
    value, own = value_and_u(quantity)
    return None if math.isnan(value) else {"value": value, "u": own if u is None else u}


def _candidate(c: Candidate) -> dict[str, Any]:
    made_of: Combination = c.made_of
    return {
        "load": made_of.label,
        "connection": made_of.connection,
        "source": made_of.source,
        "resistance_ohm": c.resistance,
        "power_W": _pair(c.power),
        "loss": _pair(c.loss, c.u_loss),
        "loss_at_tolerance": c.loss_at_tolerance,
        "parts": [
            {"resistance_ohm": r, "dissipation_W": heat, "rating_W": rating}
            for r, heat, rating in zip(made_of.parts, c.dissipations, c.ratings, strict=True)
        ],
    }
