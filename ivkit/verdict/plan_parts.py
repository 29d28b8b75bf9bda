"""Which part to buy or to measure so that one cause of uncertainty is halved."""

from ivkit.bench import FrontEnd


def halved(name: str, front_end: FrontEnd | None) -> str:
    """Return what halves a cause of the budget, with the figure that does; empty if unknown."""
    if name == "noise":
        return "average four readings where one was taken"
    if front_end is None:
        return ""
    volt, ampere, converter = front_end.voltage, front_end.current, front_end.converter
    ends = (volt.divider_top_tolerance_pct, volt.divider_bottom_tolerance_pct, volt.tolerance_pct)
    parts: dict[str, tuple[str, float | None, str]] = {
        "divider ratio": ("divider resistors of", max((t for t in ends if t), default=None), "%"),
        "shunt": ("a shunt of", ampere.shunt_tolerance_pct, "%"),
        "burden": ("a burden known to", ampere.burden_tolerance_pct, "%"),
        "voltage amplifier gain": ("a voltage gain known to", volt.gain_tolerance_pct, "%"),
        "current amplifier gain": ("a current gain known to", ampere.gain_tolerance_pct, "%"),
        "voltage zero": ("the voltage channel's zero read to", volt.offset_tolerance_V, "V"),
        "current zero": ("the current channel's zero read to", ampere.offset_tolerance_V, "V"),
        "voltmeter scale": ("a voltmeter of", volt.accuracy_pct_of_reading, "%"),
        "ammeter scale": ("an ammeter of", ampere.accuracy_pct_of_reading, "%"),
        "voltmeter zero": ("a voltmeter good to", volt.accuracy_counts, "counts"),
        "ammeter zero": ("an ammeter good to", ampere.accuracy_counts, "counts"),
    }
    if converter is not None:
        parts["converter reference"] = ("a reference of", converter.reference_tolerance_pct, "%")
        parts["converter zero"] = (
            "the converter's zero read to",
            converter.offset_tolerance_counts,
            "counts",
        )
    what, now, unit = parts.get(name, ("", None, ""))
    if not now:
        return ""
    return f"{what} {now / 2:g} {unit} instead of {now:g} {unit}"
