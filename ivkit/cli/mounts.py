"""Mounts as they are written on the command line: ``two-axis,error=5,every=15``."""

import math
from difflib import get_close_matches
from typing import TYPE_CHECKING

import click

from ivkit.errors import RangeError

if TYPE_CHECKING:
    from ivkit.light.mount import Mount
    from ivkit.light.place import Place

_AIM = {"error": "pointing_error", "dead_band": "dead_band", "every": "update_interval"}
KINDS = {
    "fixed": ("tilt", "azimuth"),
    "daily": ("azimuth",),
    "monthly": ("azimuth",),
    "one-axis": ("axis_tilt", "axis_azimuth", "limit", *_AIM),
    "two-axis": tuple(_AIM),
}
"""Each kind of mount and what may be said about it."""


def read_mount(text: str, place: "Place") -> "Mount":
    """Return the mount that a text means; what is left out suits the place.

    Parameters
    ----------
    text : str
        Kind, then figures: ``fixed,tilt=35,azimuth=170``. Degrees; ``every`` in minutes.
    place : Place

    Raises
    ------
    click.UsageError
        An unknown kind or word, or a figure that is none.
    RangeError
        A figure outside its range.
    """
    from ivkit.light.mount import Aim, Fixed, OneAxis, Retilted, TwoAxis

    kind, *words = (part.strip() for part in text.split(","))
    if kind not in KINDS:
        raise click.UsageError(f"--mount {text}: {_unknown(kind, KINDS)}")
    said = {}
    for word in words:
        key, equals, figure = (part.strip() for part in word.partition("="))
        if key not in KINDS[kind]:
            raise click.UsageError(f"--mount {text}: {_unknown(key, KINDS[kind])}")
        try:
            said[key] = float(figure)
        except ValueError:
            said[key] = math.nan
        if not math.isfinite(said[key]):
            raise click.UsageError(
                f"--mount {text}: {figure!r} is not a number; write {key}=NUMBER"
                if equals
                else f"--mount {text}: write {key}=NUMBER"
            )
    try:
        if kind == "fixed":
            tilt = said.get("tilt", round(abs(place.latitude), 1))
            return Fixed(tilt, said.get("azimuth", place.equator))
        if kind in ("daily", "monthly"):
            period = {"daily": "day", "monthly": "month"}[kind]
            return Retilted(period, said.get("azimuth", place.equator))
        aim = Aim(**{name: said[key] for key, name in _AIM.items() if key in said})
        if kind == "two-axis":
            return TwoAxis(aim)
        return OneAxis(
            said.get("axis_tilt", 0.0),
            said.get("axis_azimuth", place.equator),
            said.get("limit", 90.0),
            aim,
        )
    except RangeError as error:
        raise RangeError(error.what, f"--mount {text}", error.remedy) from None


def _unknown(word: str, known) -> str:
    near = get_close_matches(word, known, 1)
    hint = f"did you mean {near[0]}?" if near else f"choose from {', '.join(known)}"
    return f"{word!r} is not known; {hint}"
