"""Slips that would explain readings: in words, and as JSON."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ivkit.report.text import percent, wrap

if TYPE_CHECKING:
    from ivkit.verdict.plausibility import Explanation

WIDE = 80
SHOWN = 5


def listed(slips: "Sequence[Explanation]") -> str:
    """Return the likeliest slips, each with its check."""
    agreeing = any(slip.agrees for slip in slips)
    head = "What would explain it, likeliest first:" if agreeing else "What comes nearest:"
    return "\n".join((head, *(_slip(slip, agreeing) for slip in slips[: SHOWN if agreeing else 2])))


def likeliest(slips: "Sequence[Explanation]", told_apart: bool) -> str:
    """Return which slip it is, or that none or several may be."""
    agreeing = [slip for slip in slips if slip.agrees]
    if not agreeing:
        return "No usual slip explains all of it."
    if slips[0].agrees and told_apart:
        return f"Likeliest slip: {_sized(slips[0])}."
    return "More than one slip would explain it: the checks below tell them apart."


def _sized(slip: "Explanation") -> str:
    return f"{slip.name} ({slip.size})" if slip.size else slip.name


def _slip(slip: "Explanation", agreeing: bool) -> str:
    """Return a slip and its check; how far it is believed only where some slip explains it all."""
    share = f" {percent(slip.belief)} of the belief." if agreeing else ""
    if agreeing and not slip.agrees:
        share = f" {percent(slip.belief)} of the belief, but it does not explain all of it."
    lines = [
        wrap(f"{_sized(slip)}: {slip.explains}.{share}", WIDE, "  - ", "    "),
        wrap(f"To tell: {slip.check}.", WIDE, "    ", "    "),
    ]
    return "\n".join(lines)


def slips_document(slips: "Sequence[Explanation]") -> list[dict[str, Any]]:
    """Return the slips of a verdict as JSON will hold them."""
    return [
        {
            "name": slip.name,
            "size": slip.size,
            "explains": slip.explains,
            "check": slip.check,
            "belief": slip.belief,
            "agrees": slip.agrees,
        }
        for slip in slips
    ]
