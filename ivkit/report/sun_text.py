"""What tracking is worth, in words, as a document for JSON, and as a table."""

import math
from typing import TYPE_CHECKING, Any

from ivkit.light.sky import SkyModel
from ivkit.report.text import bullets, number, percent, table, wrap
from ivkit.verdict.gain import Yield

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.verdict.gain import Gain

NAMES = {
    SkyModel.ISOTROPIC: "isotropic",
    SkyModel.HAY_DAVIES: "Hay-Davies",
    SkyModel.PEREZ: "Perez",
}
CAUTION = (
    "Roofs and masts are high, a tracker's arm can crush a hand, and panels in the sun are a "
    "source that cannot be switched off: cover them before touching the wiring, follow the local "
    "code, and leave roofs and mains to those licensed for them."
)


def describe(gain: "Gain", when: str) -> str:
    """Return the whole answer as text; ``when`` as ``on 2026-06-21``."""
    parts = [wrap(answer(gain, when)), _energies(gain)]
    if len(gain.mounts) > 1:
        parts.append(_models(gain))
    if gain.drive is not None or len(gain.mounts) > 1:
        parts += [_drive(gain)] if any(c.mount.turns for c in gain.mounts) else []
    parts.append("Assumed\n" + bullets(assumptions(gain)))
    parts.append("Caution\n" + bullets(cautions(gain)))
    return "\n\n".join(parts)


def answer(gain: "Gain", when: str) -> str:
    """Return the answer in one sentence."""
    what = Yield.LIGHT if len(gain.yields) == 1 else Yield.MAX_POWER
    first = gain.mounts[0].mount
    begin = f"{when[0].upper()}{when[1:]} at {gain.sky.place}"
    if len(gain.mounts) == 1:
        energies = [
            _energy(gain, 0, each) + _named(gain, each, " of " if each is Yield.LIGHT else " ")
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
    low, high = (100 * share for share in gain.spread(mount, what))
    digits = 0 if max(abs(low), abs(high)) >= 10 else 1
    return f"{low:.{digits}f} to {high:.{digits}f} %"


def signed(share: float) -> str:
    """Return a share as a change in percent with its sign, a dash where it cannot be told.

    >>> signed(0.314), signed(-0.02)
    ('+31.4 %', '-2.0 %')
    """
    return f"{100 * share:+.1f} %" if share == share else "-"


def _energy(gain: "Gain", mount: int, what: Yield) -> str:
    energy = gain.energy(mount, what)
    if what is Yield.LIGHT:
        return f"{energy / 1000:.4g} kWh/m²"
    return f"{energy / 1000:.4g} kWh" if abs(energy) >= 1e4 else f"{energy:.4g} Wh"


def _energies(gain: "Gain") -> str:
    names = {
        Yield.LIGHT: "light",
        Yield.MAX_POWER: "max power",
        Yield.LOAD: _named(gain, Yield.LOAD, ""),
    }
    head = ["mount"] + [cell for what in gain.yields for cell in (names[what], "gain")]
    rows = []
    for k, collected in enumerate(gain.mounts):
        row = [str(collected.mount)]
        for what in gain.yields:
            row += [_energy(gain, k, what), signed(gain.over_first(k, what)) if k else ""]
        rows.append(row)
    text = table(rows, head)
    if gain.drive is not None:
        text += "\n  Energies and gains are what is left after the drive."
    if gain.yields == (Yield.LIGHT,):
        text += "\n" + wrap(
            "1 kWh/m² is 1 Wh for each rated watt of an ideal panel (no heat, no glass, "
            "always at maximum power).",
            None,
            "  ",
            "  ",
        )
    return text


def _models(gain: "Gain") -> str:
    head = ["gain by sky model", *(NAMES[model] for model in gain.by_model), "spread"]
    rows = []
    for k, collected in enumerate(gain.mounts[1:], start=1):
        for what in gain.yields:
            gains = [gain.over_first(k, what, model) for model in gain.by_model]
            spread = f"{100 * (max(gains) - min(gains)):.1f} points"
            label = f"{collected.mount}:{_named(gain, what, ' ')}"
            rows.append([label, *map(signed, gains), spread])
    return table(rows, head)


def _drive(gain: "Gain") -> str:
    """Say what the drive takes, and how much it may take."""
    what = Yield.LIGHT if len(gain.yields) == 1 else Yield.MAX_POWER
    lines = []
    for k, collected in enumerate(gain.mounts):
        if not collected.mount.turns:
            continue
        if gain.drive is not None:
            lines.append(
                f"{collected.mount}: the drive takes {number(gain.drive_energy(k), None)} Wh for "
                f"{collected.orientation.travel:.0f}° of travel and "
                f"{gain.sky.total_hours:.0f} h of standby."
            )
        if k == 0:
            continue
        limit = gain.break_even(k, what)
        each = " per rated watt" if what is Yield.LIGHT else ""
        lines.append(
            f"{collected.mount}: a drive that takes more than {_watts(limit)}{each} "
            "on average, day and night, takes the whole gain."
            if limit > 0
            else f"{collected.mount}: there is no gain for a drive to take."
        )
    return "Drive\n" + bullets(lines)


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


def cautions(gain: "Gain") -> list[str]:
    """Return what to be careful with, a line each."""
    lines = []
    sky = gain.sky
    if sky.source.startswith("clear sky") and sky.total_hours > 24 * 40:
        lines.append(
            "No climate is cloudless for so long: clouds take more from a tracker than from a "
            "fixed panel. Give --weather for an answer to plan with."
        )
    if gain.load_ohm is not None and sky.hours * 60 > 10:
        lines.append(
            f"Into a fixed load power is not proportional to light, and means over "
            f"{sky.hours * 60:.0f} min hide the clouds within them: the load's energy is less sure "
            "than that at maximum power."
        )
    lines.append(CAUTION)
    return lines


_KEYS = {Yield.LIGHT: "light_Wh_m2", Yield.MAX_POWER: "max_power_Wh", Yield.LOAD: "load_Wh"}


def document(gain: "Gain", when: str) -> dict[str, Any]:
    """Return the answer for JSON; energies are net of the drive, gains are shares."""
    place, sky = gain.sky.place, gain.sky
    return {
        "answer": answer(gain, when),
        "place": {
            "latitude_deg": place.latitude,
            "longitude_deg": place.longitude,
            "altitude_m": place.altitude,
        },
        "when": when,
        "light": {
            "source": sky.source,
            "step_min": sky.hours * 60,
            "sun_up_h": len(sky.times) * sky.hours,
            "total_h": sky.total_hours,
        },
        "sky_model": gain.model.value,
        "albedo": gain.albedo,
        "load_ohm": gain.load_ohm,
        "mounts": [_mount(gain, k) for k in range(len(gain.mounts))],
        "assumptions": assumptions(gain),
        "cautions": cautions(gain),
    }


def _mount(gain: "Gain", k: int) -> dict[str, Any]:
    collected = gain.mounts[k]
    entry: dict[str, Any] = {"mount": str(collected.mount)}
    for what, key in _KEYS.items():
        entry[key] = gain.energy(k, what)
    entry["drive_Wh"] = gain.drive_energy(k)
    entry["gain"] = {
        what.value: {
            "value": gain.over_first(k, what),
            "low": gain.spread(k, what)[0],
            "high": gain.spread(k, what)[1],
            "by_sky_model": {m.value: gain.over_first(k, what, m) for m in gain.by_model},
        }
        for what in gain.yields
    }
    return entry


def frame(gain: "Gain") -> "DataFrame":
    """Return one row a mount: energies net of the drive, gains as shares with their spread."""
    import pandas as pd

    rows = []
    for k in range(len(gain.mounts)):
        entry = _mount(gain, k)
        gains = entry.pop("gain")
        for what, share in gains.items():
            for part in ("value", "low", "high"):
                entry[f"gain_{what}" + ("" if part == "value" else f"_{part}")] = share[part]
        rows.append(entry)
    return pd.DataFrame(rows)
