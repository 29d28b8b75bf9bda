"""The answer of `ivkit plan`: the loads to take, in order, and what they will be worth."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ivkit.answer import Answer, Column, Table, columns
from ivkit.answer.lines import shown
from ivkit.answer.text import percent
from ivkit.report.key_points import key_points
from ivkit.verdict.e_series import resistance_code

if TYPE_CHECKING:
    from ivkit.verdict.plan import Plan

CAUTION = (
    "Caution: a loaded resistor and a lamp get hot enough to burn. Use parts of the rating above, "
    "on something that does not burn. A panel in the light cannot be switched off: cover it before "
    "touching the wiring."
)
ORDER = (
    "In this order neighbours on the curve are taken far apart in time, so that warming cells or "
    "fading light show as scatter, and as a first load that reads otherwise the second time; in "
    "order of size they would bend the curve and hide."
)


def load_name(ohm: float) -> str:
    """Return a load as it is said on a bench.

    >>> load_name(0.0), load_name(float("inf")), load_name(4700.0)
    ('short circuit', 'open circuit', '4k7')
    """
    if ohm == 0:
        return "short circuit"
    return "open circuit" if math.isinf(ohm) else resistance_code(ohm)


def plan_answer(plan: "Plan", based_on: Sequence[str] = ()) -> Answer:
    """Return a plan as an answer; ``based_on`` names the panel and the bench."""
    points = key_points(plan.key_points)
    worth = {
        key: one if one.std_dev < abs(one.nominal_value) else None for key, one in points.items()
    }
    power, told = points["pmp_W"], worth["pmp_W"] is not None
    names = [load_name(one.load) for one in plan.loads]
    will = "They will not give Pmp: its uncertainty would be larger than itself. First see below."
    if told:
        relative = percent(power.std_dev / power.nominal_value)
        will = f"They will give Pmp {shown(power, 'W')}, {relative} (1 sigma)."
    helps = [one for one in plan.improvements if one.share >= 0.01 and not plan.assumed_noise]
    best = helps[0] if helps else None
    most = f"The change that helps most: halve the error of the {best.name}" if best else ""
    return Answer(
        "plan",
        f"Take {len(names)} readings, in this order: {', '.join(names)}; then the first once more. "
        f"{will}",
        based_on=based_on,
        paragraphs=(ORDER,),
        summary={
            **points,
            "take_again": names[0],
            "divider_current_fraction": plan.divider_share,
            "shunt_voltage_fraction": plan.shunt_share,
        },
        tables={
            "loads": Table(
                "",
                columns(
                    plan.loads,
                    {"load_ohm": None, "rating_W": "rating to buy"},
                    load=lambda one: load_name(one.load),
                    load_ohm="load",
                    voltage_V="voltage",
                    current_A="current",
                    power_W="power",
                    rating_W=lambda one: one.rating or None,
                ),
            ),
            "expected": Table(
                "expected of the sweep",
                [Column(key, [one], missing="not resolved") for key, one in worth.items()],
                sideways=True,
            ),
            "channels": Table(
                "Front end",
                columns(
                    plan.channels,
                    {"step_fraction": None},
                    channel="name",
                    range_used_fraction="used",
                    step_fraction="step",
                    better="better",
                ),
                note=_burden(plan),
            ),
            "improvements": Table(
                f"{most}{f': {best.part}' if best.part else ''}." if best else "",
                columns(
                    helps,
                    {"variance_fraction": None, "part": None, "u_pmp_W": "u(Pmp) with it halved"},
                    {"u_pmp_W": lambda u: percent(u / power.nominal_value) if told else "-"},
                    cause="name",
                    variance_fraction="share",
                    u_pmp_W="u_power",
                    part="part",
                ),
            ),
        },
        budget={"pmp_W": {one.name: one.share for one in plan.improvements}},
        assumptions=plan.notes,
        cautions=(CAUTION,),
    )


def _burden(plan: "Plan") -> str:
    if not (plan.divider_share > 0 or plan.shunt_share > 0):
        return ""
    return (
        f"At maximum power the divider takes {percent(plan.divider_share)} of the current and the "
        f"shunt {percent(plan.shunt_share)} of the voltage; ivkit corrects for both."
    )
