"""Gross errors that would explain readings, and what to measure better: words and tables."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ivkit.answer.answer import Column, Table
from ivkit.answer.text import number

if TYPE_CHECKING:
    from ivkit.verdict.explained_by import Explains
    from ivkit.verdict.plausibility import Explanation

SHOWN = 5
#: What to measure first, by the beginning of the name of the largest contribution.
_NEXT = {
    "irradiance of": "take the sweep again beside a better irradiance sensor",
    "irradiance": "read the light again, or by the Isc of a known cell of the same kind",
    "light against": "read the light again during the readings, or take the sweep beside them",
    "lux meter": "read the light again, or by the Isc of a known cell of the same kind",
    "thermopile": "read the light again, or by the Isc of a known cell of the same kind",
    "spectrum": "read the light by the Isc of a known cell: that needs no spectrum",
    "fitting": "read the lux on the panel instead of reckoning from watts",
    "luminous": "read the lux on the panel instead of reckoning from watts",
    "beam angle": "read the lux on the panel instead of reckoning from watts",
    "stray light": "hide the lamp with a card and read what is left",
    "zero of the angle": "read the same angle to either side: its middle is where the panel faces",
    "glass": "read at angles below 60 deg as well, where the front takes little",
    "load": "measure the load resistors with an ohmmeter, and state how well by --u-load",
    "the readings": "read with a better meter, or on a smaller range, and state it by --u-reading",
    "open-circuit voltage": "read Voc with a better meter, and state it by --u-open-voltage",
    "temperature of the sweep": "measure the temperature on the panel's back during the sweep",
    "cell temperature": "measure the temperature on the panel's back",
    "distance": "measure the distance again, or read the light on the panel",
    "shunt": "measure a sweep in this light",
    "datasheet": "measure a sweep of the panel in known light, and give it by --sweep",
}


def what_next(first: str) -> str:
    """Return what to measure better, by the name of the largest contribution."""
    hints = (hint for name, hint in _NEXT.items() if first.startswith(name))
    return next(hints, f"find out the {first} better")


def likeliest(errors: "Sequence[Explanation]") -> str:
    """Return which gross error it is, or that none or several may be."""
    agreeing = [error for error in errors if error.agrees]
    if not agreeing:
        return "No usual gross error explains all of it."
    tied = [error for error in agreeing if error.tied]
    if len(tied) == 1 and errors[0].agrees:
        return f"Likeliest gross error: {_sized(errors[0])}."
    if len(tied) > 1:
        names = "; ".join(_sized(error) for error in tied[:4])
        return f"These readings do not tell apart: {names}. The checks below do."
    return "More than one gross error would explain it: the checks below tell them apart."


def gross_errors_table(errors: "Sequence[Explanation]") -> Table:
    """Return the gross errors, likeliest first."""
    agreeing = any(error.agrees for error in errors)
    return Table(
        "Gross errors that would explain it:" if agreeing else "Gross errors that come nearest:",
        [
            Column("gross_error", [error.name for error in errors], heading="gross error"),
            Column("size", [error.size for error in errors]),
            Column(
                "probability",
                [error.probability for error in errors],
                show=lambda p: "above 99 %" if p > 0.99 else f"{100 * p:.2g} %",
            ),
            Column(
                "agrees", [error.agrees for error in errors], show=lambda a: "yes" if a else "no"
            ),
            Column("tied", [error.tied for error in errors], heading=None),
            Column("explains", [error.explains for error in errors], heading=None),
            Column("check", [error.check for error in errors], heading=None),
        ],
        most_rows=SHOWN,
    )


def checks(errors: "Sequence[Explanation]") -> list[str]:
    """Return how to tell the likeliest gross errors apart."""
    agreeing = any(error.agrees for error in errors)
    shown = errors[: SHOWN if agreeing else 2]
    return [f"{error.name}: {error.explains}; {error.check}" for error in shown]


def explains_table(explains: "Sequence[Explains]") -> Table:
    """Return the light, temperature and load that would each explain the readings."""
    return Table(
        "Each of these alone would explain it:",
        [
            Column("quantity", [one.quantity for one in explains]),
            Column(
                "would_be",
                [one.value for one in explains],
                heading="would be",
                show=[_shown(one.value, None, one.unit) for one in explains],
            ),
            Column(
                "stated",
                [one.stated for one in explains],
                [one.u_stated for one in explains],
                show=[_shown(one.stated, one.u_stated, one.unit) for one in explains],
            ),
            Column("unit", [one.unit for one in explains], heading=None),
        ],
    )


def _shown(value: float | None, u: float | None, unit: str) -> str:
    return "no value" if value is None else number(value, u, unit)


def _sized(error: "Explanation") -> str:
    return f"{error.name} ({error.size})" if error.size else error.name
