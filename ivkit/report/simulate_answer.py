"""The answers to a simulated sweep: the panel behind it, the hidden errors, the fault."""

from typing import TYPE_CHECKING

from ivkit.answer import Answer, Column, Table

if TYPE_CHECKING:
    from ivkit.verdict.simulate import Simulated

_ERRORS = ("off_pct", "off_V", "off_A", "true_value", "in_standard_uncertainties")


def simulate_answer(made: "Simulated", seed: int) -> Answer:
    """Return the truth behind simulated readings as an answer, for ``--truth``."""
    truth = made.truth
    fault = truth["fault"] or {"name": None, "what": None}
    errors = truth["hidden_errors"]
    hidden = [
        Column(key, [one.get(key) for one in errors.values()])
        for key in _ERRORS
        if any(key in one for one in errors.values())
    ]
    return Answer(
        "simulate",
        f"{len(made.columns['load'])} simulated readings, not measured; seed {seed}.",
        summary={
            "seed": seed,
            **truth["condition"],
            **truth["key_points"],
            **truth["single_diode"],
            "drift_of_light_fraction": truth["drift_of_light_pct"] / 100,
            "fault": fault["name"],
            "fault_what": fault["what"],
        },
        tables={
            "readings": Table(
                "before noise, steps and hidden errors",
                [
                    Column("load_ohm", truth["true_loads_ohm"]),
                    Column("voltage_V", truth["voltage_V"]),
                    Column("current_A", truth["current_A"]),
                ],
            ),
            "hidden_errors": Table("hidden errors", [Column("part", list(errors)), *hidden]),
        },
    )
