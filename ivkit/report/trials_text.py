"""Monte Carlo trials of a fit in words, and as a document for JSON."""

from typing import TYPE_CHECKING, Any

from ivkit.report.text import interval, number, table, wrap

if TYPE_CHECKING:
    from ivkit.curve.montecarlo import Trials

#: label, name in `montecarlo.RESULTS`, key in JSON, unit
ROWS = (
    ("Isc", "i_sc", "isc_A", "A"),
    ("Voc", "v_oc", "voc_V", "V"),
    ("Vmp", "v_mp", "vmp_V", "V"),
    ("Imp", "i_mp", "imp_A", "A"),
    ("Pmp", "p_mp", "pmp_W", "W"),
    ("fill factor", "fill_factor", "fill_factor", ""),
    ("best load", "best_load", "best_load_ohm", "ohm"),
    ("photocurrent", "photocurrent", "photocurrent_A", "A"),
    ("saturation current", "saturation_current", "saturation_current_A", "A"),
    ("series resistance", "resistance_series", "resistance_series_ohm", "ohm"),
    ("shunt conductance", "conductance_shunt", "conductance_shunt_S", "S"),
    ("n Ns k T / q", "nNsVth", "nNsVth_V", "V"),
)


def describe_trials(trials: "Trials") -> str:
    """Return the 95 % intervals as a table, and whether the linear result was good enough."""
    rows = []
    for label, name, _, unit in ROWS:
        spread = trials.results[name]
        rows.append(
            [
                label,
                number(spread.mean, spread.u, unit),
                interval(spread.low, spread.high, spread.u, unit),
                {True: "yes", False: "no", None: "-"}[spread.linear_agrees],
            ]
        )
    head = ("Monte Carlo", "mean(u)", "95 % interval", "linear agrees")
    verdict = (
        "The linear uncertainties stand."
        if trials.linear_agrees
        else "Where the linear result does not agree, take the interval here."
    )
    lost = f", {trials.failed} without a fit left out" if trials.failed else ""
    said = wrap(f"{trials.trials} trials, seed {trials.seed}{lost}. {verdict}")
    return f"{table(rows, head)}\n\n{said}"


def trials_document(trials: "Trials") -> dict[str, Any]:
    """Return the trials as JSON will hold them."""
    return {
        "trials": trials.trials,
        "failed": trials.failed,
        "seed": trials.seed,
        "linear_agrees": trials.linear_agrees,
        "results": {
            key: {
                "value": trials.results[name].mean,
                "u": trials.results[name].u,
                "low_95": trials.results[name].low,
                "high_95": trials.results[name].high,
                "linear_agrees": trials.results[name].linear_agrees,
            }
            for _, name, key, _ in ROWS
        },
    }
