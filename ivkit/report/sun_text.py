"""The answer of `ivkit sun`: what tracking is worth."""

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from ivkit.answer import Answer, Column, Table, columns
from ivkit.answer.text import number, percent
from ivkit.light.sky import SkyModel
from ivkit.verdict.gain import Yield

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.verdict.gain import Gain

NAMES = {
    SkyModel.ISOTROPIC: "isotropic",
    SkyModel.HAY_DAVIES: "Hay-Davies",
    SkyModel.PEREZ: "Perez",
}
CAUTION = (
    "Caution: roofs and masts are high, a tracker's arm can crush a hand, and panels in the sun "
    "are a source that cannot be switched off: cover them before touching the wiring, follow the "
    "local code, and leave roofs and mains to those licensed for them."
)


_KEYS = {Yield.LIGHT: "light_Wh_m2", Yield.MAX_POWER: "max_power_Wh", Yield.LOAD: "load_Wh"}


def sun_answer(
    gain: "Gain",
    when: str = "in this time",
    based_on: Sequence[str] = (),
    figure: "Callable[[], Figure] | None" = None,
) -> Answer:
    """Return what tracking is worth as an answer; ``when`` as ``on 2026-06-21``."""
    place, sky = gain.sky.place, gain.sky
    several = len(gain.mounts) > 1
    turns = [k for k, one in enumerate(gain.mounts) if one.mount.turns]
    tables = {"mounts": _mounts(gain)}
    if several:
        tables["models"] = _models(gain)
    if turns and (several or gain.drive is not None):
        tables["drive"] = _drive(gain, turns)
    return Answer(
        "sun",
        headline(gain, when),
        based_on=based_on,
        summary={
            "latitude_deg": place.latitude,
            "longitude_deg": place.longitude,
            "altitude_m": place.altitude,
            "when": when,
            "light": sky.source,
            "step_min": sky.hours * 60,
            "sun_up_h": len(sky.times) * sky.hours,
            "total_h": sky.total_hours,
            "sky_model": gain.model.value,
            "albedo_fraction": gain.albedo,
            "load_ohm": gain.load_ohm,
        },
        tables=tables,
        assumptions=assumptions(gain),
        warnings=warnings(gain),
        cautions=(CAUTION,),
        figure=figure,
    )


def _brief(gain: "Gain") -> dict[Yield, str]:
    load = _named(gain, Yield.LOAD, "")
    return {Yield.LIGHT: "light", Yield.MAX_POWER: "max power", Yield.LOAD: load}


def _mounts(gain: "Gain") -> Table:
    """Return one row a mount: energies net of the drive, gains over the first with their spread."""
    rows = range(len(gain.mounts))
    made = columns(gain.mounts, mount=lambda one: str(one.mount))
    for what, key in _KEYS.items():
        energies = [gain.energy(k, what) for k in rows]
        if what not in gain.yields:
            made.append(Column(key, [math.nan] * len(rows), heading=None))
            continue
        ends = [gain.spread(k, what) for k in rows]
        gains = [gain.over_first(k, what) for k in rows]
        made += [
            Column(
                key, energies, heading=_brief(gain)[what], show=[_energy(e, what) for e in energies]
            ),
            Column(
                f"gain_{what}_fraction", gains, None, "gain", show=["", *map(signed, gains[1:])]
            ),
            Column(f"gain_{what}_low_fraction", [low for low, _ in ends], heading=None),
            Column(f"gain_{what}_high_fraction", [high for _, high in ends], heading=None),
        ]
    made.append(Column("drive_Wh", [gain.drive_energy(k) for k in rows], heading=None))
    note = "" if gain.drive is None else "Energies and gains are what is left after the drive. "
    if gain.yields == (Yield.LIGHT,):
        note += (
            "1 kWh/m² is 1 Wh for each rated watt of an ideal panel (no heat, no glass, always at "
            "maximum power)."
        )
    return Table("", made, note=note.strip())


def _models(gain: "Gain") -> Table:
    """Return the gain of each mount and quantity by each model of the sky."""
    rows = [(k, what) for k in range(1, len(gain.mounts)) for what in gain.yields]
    gains = {m: [gain.over_first(k, what, m) for k, what in rows] for m in gain.by_model}
    spread = [max(each) - min(each) for each in zip(*gains.values(), strict=True)]
    models = [
        Column(
            f"gain_{one.value.replace('-', '_')}_fraction",
            gains[one],
            None,
            NAMES[one],
            show=signed,
        )
        for one in gain.by_model
    ]
    return Table(
        "Gain by sky model",
        [
            Column("mount", [str(gain.mounts[k].mount) for k, _ in rows]),
            Column(
                "quantity",
                [what.value for _, what in rows],
                show=[_brief(gain)[what] for _, what in rows],
            ),
            *models,
            Column("spread_fraction", spread, show=lambda one: f"{100 * one:.1f} points"),
        ],
    )


def _drive(gain: "Gain", turns: Sequence[int]) -> Table:
    """Return what the drive takes, and what it may take before the gain is gone."""
    what = Yield.LIGHT if len(gain.yields) == 1 else Yield.MAX_POWER
    limits = [gain.break_even(k, what) if k else math.nan for k in turns]
    each = " per rated watt" if what is Yield.LIGHT else ""
    taken = {"heading": None} if gain.drive is None else {}
    return Table(
        "Drive",
        [
            Column("mount", [str(gain.mounts[k].mount) for k in turns]),
            Column(
                "drive_Wh", [gain.drive_energy(k) for k in turns], **({"heading": "takes"} | taken)
            ),
            Column(
                "travel_deg",
                [gain.mounts[k].orientation.travel for k in turns],
                show=lambda one: f"{one:.0f}°",
                **taken,
            ),
            Column(
                "break_even_W",
                limits,
                show=lambda one: f"{_watts(one)}{each}" if one > 0 else "no gain to take",
            ),
        ],
        note="A drive that takes more than the break-even power on average, day and night, takes "
        "the whole gain."
        if any(one > 0 for one in limits)
        else "",
    )


def headline(gain: "Gain", when: str) -> str:
    """Return the answer in one sentence."""
    what = Yield.LIGHT if len(gain.yields) == 1 else Yield.MAX_POWER
    first = gain.mounts[0].mount
    begin = f"{when[0].upper()}{when[1:]} at {gain.sky.place}"
    if len(gain.mounts) == 1:
        energies = [
            _energy(gain.energy(0, each), each)
            + _named(gain, each, " of " if each is Yield.LIGHT else " ")
            for each in gain.yields
        ]
        return f"{begin} the mount '{first}' collects {', '.join(energies)}."
    best = max(range(1, len(gain.mounts)), key=lambda k: gain.energy(k, what))
    judged = [each for each in gain.yields if each is not Yield.LIGHT] or [Yield.LIGHT]
    more = [f"{_change(gain, best, each)}{_named(gain, each, ' ')}" for each in judged]
    over = [_range(gain, best, each) for each in judged]
    return (
        f"{begin} '{gain.mounts[best].mount}' gives {' and '.join(more)} than '{first}' by the "
        f"{NAMES[gain.model]} sky model; over {len(gain.by_model)} sky models {' and '.join(over)}."
    )


def _named(gain: "Gain", what: Yield, before: str) -> str:
    return {
        Yield.LIGHT: f"{before}light",
        Yield.MAX_POWER: f"{before}at maximum power",
        Yield.LOAD: f"{before}into {number(gain.load_ohm or 0.0, None, 'ohm')}",
    }[what]


def _change(gain: "Gain", mount: int, what: Yield) -> str:
    change = gain.over_first(mount, what)
    word = "less" if change < 0 else "more"
    kind = {Yield.LIGHT: "", Yield.MAX_POWER: " energy", Yield.LOAD: ""}[what]
    return f"{percent(abs(change))} {word}{kind}"


def _range(gain: "Gain", mount: int, what: Yield) -> str:
    low, high = (100 * end for end in gain.spread(mount, what))
    digits = 0 if max(abs(low), abs(high)) >= 10 else 1
    return f"{low:.{digits}f} to {high:.{digits}f} %"


def signed(fraction: float) -> str:
    """Return a fraction as a change in percent with its sign, a dash where there is none.

    >>> signed(0.314), signed(-0.02)
    ('+31.4 %', '-2.0 %')
    """
    return f"{100 * fraction:+.1f} %" if fraction == fraction else "-"


def _energy(energy: float, what: Yield) -> str:
    if what is Yield.LIGHT:
        return f"{energy / 1000:.4g} kWh/m²"
    return f"{energy / 1000:.4g} kWh" if abs(energy) >= 1e4 else f"{energy:.4g} Wh"


def _watts(power: float) -> str:
    """Return a power to three figures.

    >>> _watts(0.034028)
    '34.0 mW'
    """
    scale, unit = (1.0, "W") if power >= 1 else (1e3, "mW")
    digits = max(0, 2 - math.floor(math.log10(power * scale))) if power > 0 else 0
    return f"{power * scale:.{digits}f} {unit}"


def assumptions(gain: "Gain") -> list[str]:
    """Return what the answer rests on, a line each."""
    sky = gain.sky
    lines = [
        f"light: {sky.source}, steps of {sky.hours * 60:.4g} min",
        *sky.notes,
        f"sky model for the answer: {NAMES[gain.model]}; ground gives back "
        f"{percent(gain.albedo)} of the light",
        "azimuth from north, clockwise; nothing shades the panel, nothing lies on it",
    ]
    if len(gain.yields) > 1:
        lines += [
            "no loss at the glass by angle"
            if gain.glass is None
            else f"glass: angular loss coefficient {gain.glass:g} (Martin and Ruiz 2001)",
            f"cells: {gain.nmot:g} °C nominal operating temperature"
            if gain.nmot is not None
            else "cells: Faiman's equation (2008), 25 W/m²/K and 6.84 W/m²/K per m/s of wind",
            "spectrum AM1.5G at all times",
        ]
        if gain.drive is None and any(c.mount.turns for c in gain.mounts):
            lines.append("no drive taken off: state it with --drive and --standby")
    if any(c.mount.turns for c in gain.mounts):
        lines.append("at night a tracker turns back the way it came")
    return lines


def warnings(gain: "Gain") -> list[str]:
    """Return what makes the answer less sure, a line each."""
    lines = []
    sky = gain.sky
    if sky.source.startswith("clear sky") and sky.total_hours > 24 * 40:
        lines.append(
            "no climate is cloudless for so long: clouds take more from a tracker than from a "
            "fixed panel; give --weather for an answer to plan with"
        )
    if gain.load_ohm is not None and sky.hours * 60 > 10:
        lines.append(
            f"into a fixed load power is not proportional to light, and means over "
            f"{sky.hours * 60:.0f} min hide the clouds within them: the load's energy is less sure "
            "than that at maximum power"
        )
    return lines
