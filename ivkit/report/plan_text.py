"""The plan of a sweep in words, as a document for JSON, and as a table."""

import math
from typing import TYPE_CHECKING, Any

from ivkit.report.sweep_text import KEY_POINTS, shown
from ivkit.report.text import bullets, number, percent, table, wrap
from ivkit.verdict.e_series import resistance_code

if TYPE_CHECKING:
    from pandas import DataFrame
    from uncertainties import UFloat

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


def describe_plan(plan: "Plan") -> str:
    """Return the plan as text: answer, loads in order, what will come out, what would help."""
    power = plan.key_points.p_mp
    parts = [load_name(one.load) for one in plan.loads]
    will = (
        "They will not tell Pmp, whose doubt would be larger than itself: mend that first, as "
        "below."
    )
    if _told(power):
        share = percent(power.std_dev / power.nominal_value)
        will = f"They will give Pmp {shown(power, 'W')}, {share} (1 sigma)."
    answer = (
        f"Take {len(parts)} readings, in this order: {', '.join(parts)}; then the first once more. "
        f"{will}"
    )
    rows = [
        [
            load_name(one.load),
            number(one.voltage, None, "V"),
            number(one.current, None, "A"),
            number(one.power, None, "W"),
            f"{one.rating:g} W" if one.rating > 0 else "-",
        ]
        for one in plan.loads
    ]
    blocks = [
        wrap(answer),
        wrap(ORDER),
        table(rows, ("load", "voltage", "current", "power", "rating to buy")),
    ]
    points = [(label, getattr(plan.key_points, name), unit) for label, name, _, unit in KEY_POINTS]
    rows = [
        [label, shown(value, unit) if _told(value) else "cannot tell"]
        for label, value, unit in points
    ]
    blocks.append(table(rows, ("will be known as", "")))
    said = [_channel(channel) for channel in plan.channels]
    if plan.divider_share > 0 or plan.shunt_share > 0:
        said.append(
            f"at maximum power the divider takes {percent(plan.divider_share)} of the current and "
            f"the shunt {percent(plan.shunt_share)} of the voltage; ivkit corrects for both"
        )
    said += plan.notes
    if said:
        blocks.append("Front end:\n" + bullets(said))
    if plan.improvements and not plan.assumed_noise:
        rows = [
            [
                one.name,
                percent(one.share),
                percent(one.u_power / power.nominal_value)
                if one.u_power < power.nominal_value
                else "-",
            ]
            for one in plan.improvements
            if one.share >= 0.01
        ]
        best = plan.improvements[0]
        how = f": {best.part}" if best.part else ""
        blocks.append(
            wrap(f"The change that helps most: halve the error of the {best.name}{how}.")
            + "\n\n"
            + table(rows, ("cause", "of the variance", "u(Pmp) with it halved"))
        )
    blocks.append(wrap(CAUTION))
    return "\n\n".join(blocks)


def _told(value: "UFloat") -> bool:
    """Return whether a value is known to better than itself."""
    return value.std_dev < abs(value.nominal_value)


def _channel(channel) -> str:
    use = f"{channel.name}: {percent(channel.used)} of the converter's range is used"
    if channel.used > 1:
        use = f"{channel.name}: the signal is {channel.used:.2g} times the converter's range"
    return f"{use}; {channel.better} would use it well" if channel.better else use


def plan_document(plan: "Plan") -> dict[str, Any]:
    """Return the plan as JSON will hold it."""
    return {
        "loads": [
            {
                "load_ohm": one.load if math.isfinite(one.load) else None,
                "name": load_name(one.load),
                "voltage_V": one.voltage,
                "current_A": one.current,
                "power_W": one.power,
                "rating_W": one.rating or None,
            }
            for one in plan.loads
        ],
        "take_again": load_name(plan.loads[0].load),
        "key_points": {key: getattr(plan.key_points, name) for _, name, key, _ in KEY_POINTS},
        "channels": [
            {"name": c.name, "range_used": c.used, "step_share": c.step, "better": c.better}
            for c in plan.channels
        ],
        "divider_share": plan.divider_share,
        "shunt_share": plan.shunt_share,
        "improvements": [
            {"name": one.name, "share": one.share, "u_pmp_W": one.u_power, "part": one.part}
            for one in plan.improvements
        ],
        "assumed_noise": plan.assumed_noise,
        "notes": list(plan.notes),
    }


def plan_frame(plan: "Plan") -> "DataFrame":
    """Return one row a load, in the order to take them."""
    from pandas import DataFrame

    return DataFrame(plan_document(plan)["loads"])
