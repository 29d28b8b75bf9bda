"""The answer of `ivkit sun`: what tracking is worth."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ivkit.answer import Answer, Column, Table, columns, drawn_by
from ivkit.answer.text import number, percent
from ivkit.light.sky import SkyModel
from ivkit.verdict.gain import Yield

if TYPE_CHECKING:
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
        figure=drawn_by("ivkit.report.sun_figure:sun_figure", gain, when),
    )


def _brief(gain: "Gain", what: Yield) -> str:
    load = f"into {number(gain.load_ohm or 0.0, None, 'ohm')}"
    return {Yield.LIGHT: "light", Yield.MAX_POWER: "max power", Yield.LOAD: load}[what]


def headline(gain: "Gain", when: str) -> str:
    """Return the answer in one sentence."""
    first = gain.mounts[0].mount
    begin = f"{when[0].upper()}{when[1:]} at {gain.sky.place}"
    at = {
        Yield.LIGHT: "of light",
        Yield.MAX_POWER: "at maximum power",
        Yield.LOAD: _brief(gain, Yield.LOAD),
    }
    if len(gain.mounts) == 1:
        told = [f"{_energy(gain.energy(0, each), each)} {at[each]}" for each in gain.yields]
        return f"{begin} the mount '{first}' collects {', '.join(told)}."
    judged = [each for each in gain.yields if each is not Yield.LIGHT] or [Yield.LIGHT]
    best = max(range(1, len(gain.mounts)), key=lambda k: gain.energy(k, judged[0]))
    at |= {Yield.LIGHT: "light", Yield.MAX_POWER: "energy at maximum power"}
    more, over = [], []
    for each in judged:
        change = gain.over_first(best, each)
        more.append(f"{percent(abs(change))} {'less' if change < 0 else 'more'} {at[each]}")
        low, high = (100 * end for end in gain.spread(best, each))
        digits = 0 if max(abs(low), abs(high)) >= 10 else 1
        over.append(f"{low:.{digits}f} to {high:.{digits}f} %")
    return (
        f"{begin} '{gain.mounts[best].mount}' gives {' and '.join(more)} than '{first}' by the "
        f"{NAMES[gain.model]} sky model; over {len(gain.by_model)} sky models {' and '.join(over)}."
    )


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


def _mounts(gain: "Gain") -> Table:
    """Return one row a mount: energies net of the drive, gains over the first with their spread."""
    rows = range(len(gain.mounts))
    made = columns(gain.mounts, mount=lambda one: str(one.mount))
    for what, key in _KEYS.items():
        energies = [gain.energy(k, what) for k in rows]
        if what not in gain.yields:
            made.append(Column(key, energies, heading=None))
            continue
        gains = [gain.over_first(k, what) for k in rows]
        low, high = zip(*(gain.spread(k, what) for k in rows), strict=True)
        texts = [_energy(one, what) for one in energies]
        more = ["", *map(signed, gains[1:])]
        made += [
            Column(key, energies, heading=_brief(gain, what), show=texts),
            Column(f"gain_{what}_fraction", gains, heading="gain", show=more),
            Column(f"gain_{what}_low_fraction", low, heading=None),
            Column(f"gain_{what}_high_fraction", high, heading=None),
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
    made = columns(
        rows,
        shows={"quantity": [_brief(gain, what) for _, what in rows]},
        mount=lambda row: str(gain.mounts[row[0]].mount),
        quantity=lambda row: row[1].value,
    )
    for m, one in gains.items():
        key = f"gain_{m.value.replace('-', '_')}_fraction"
        made.append(Column(key, one, heading=NAMES[m], show=signed))
    points = [f"{100 * one:.1f} points" for one in spread]
    return Table("Gain by sky model", [*made, Column("spread_fraction", spread, show=points)])


def _drive(gain: "Gain", turns: Sequence[int]) -> Table:
    """Return what the drive takes, and what it may take before the gain is gone."""
    what = Yield.LIGHT if len(gain.yields) == 1 else Yield.MAX_POWER
    each = " per rated watt" if what is Yield.LIGHT else ""
    none = gain.drive is None
    made = columns(
        turns,
        {"drive_Wh": None if none else "takes", "travel_deg": None if none else "travel"},
        {
            "travel_deg": lambda one: f"{one:.0f}°",
            "break_even_W": lambda one: (
                f"{number(one, None, 'W')}{each}" if one > 0 else "no gain to take"
            ),
        },
        mount=lambda k: str(gain.mounts[k].mount),
        drive_Wh=gain.drive_energy,
        travel_deg=lambda k: gain.mounts[k].orientation.travel,
        break_even_W=lambda k: gain.break_even(k, what) if k else None,
    )
    note = (
        "A drive that takes more than the break-even power on average, day and night, takes the "
        "whole gain."
    )
    some = any(k and gain.break_even(k, what) > 0 for k in turns)
    return Table("Drive", made, note=note if some else "")


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
