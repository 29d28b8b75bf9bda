"""What a log says in words."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ivkit.report.text import number, percent, table, wrap

if TYPE_CHECKING:
    from ivkit.verdict.steady_mean import Mean
    from ivkit.verdict.tracking import Tracking

_MOST = 12  # disturbances shown

CAUTION = (
    "Caution: a work lamp burns skin, and a panel in the light cannot be switched off: hold it by "
    "its frame, and mind the wiring."
)


def answer(found: "Tracking") -> str:
    """Return the answer in one sentence or two."""
    name = found.log.name or "log"
    steady = number(found.steady.value, found.steady.u, "W")
    if found.acquire is None:
        parts = [f"{name}: holds {steady} from its start"]
    else:
        before = "more than " if found.starts_moving else ""
        parts = [
            f"{name}: settles at {steady} after {before}{seconds(found.acquire)}",
            f"from {number(found.first.value, found.first.u, 'W')}",
        ]
        if found.rise is not None and found.rise.verdict != "cannot tell":
            word = {"plausible": "as angle and load predict"}.get(
                found.rise.verdict, f"which is {found.rise.verdict} for angle and load"
            )
            parts.append(f"{_times(found.rise.measured[0])}, {word}")
    told = found.pointing
    if told is not None and told.aoi is not None:
        parts.append(f"it points {_interval(told.low, told.high)} off the light (95 %)")
    elif found.at_least is not None:
        parts.append(f"it points at least {found.at_least:.0f} deg off the light")
    else:
        parts.append("how well it points cannot be told")
    if found.hunting is not None:
        word = "swings" if found.hunting.moves is not True else "hunts"
        parts.append(
            f"it {word} every {seconds(found.hunting.swing.period)} by "
            f"{number(found.hunting.swing.size, None, 'W')}"
        )
    return ", ".join(parts[:3]) + "".join(f"; {p}" for p in parts[3:]) + "."


def describe(
    found: "Tracking",
    remarks: Sequence[str] = (),
    damage: Sequence[Any] = (),
    width: int | None = None,
) -> str:
    """Return the whole result as text: answer, table, disturbances, what is missing.

    Parameters
    ----------
    found : Tracking
    remarks : sequence of str
        What was understood and assumed on the way.
    damage : sequence of Damage
        Rows that could not be read.
    width : int
        Characters in a line.
    """
    blocks = [wrap(answer(found), width), _aligned(_rows(found))]
    if found.disturbances:
        blocks.append(_disturbances(found, width))
    lost = _lost(found, damage)
    if lost:
        blocks.append("Left out:\n" + "\n".join(wrap(t, width, "  - ", "    ") for t in lost))
    if found.unknown:
        lines = [wrap(f"{what}: {how}.", width, "  - ", "    ") for what, how in found.unknown]
        blocks.append("Cannot tell, and what to do next time:\n" + "\n".join(lines))
    notes = [*remarks, *found.log.notes]
    if notes:
        blocks.append(
            "Understood:\n" + "\n".join(wrap(note, width, "  - ", "    ") for note in notes)
        )
    blocks.append("In parentheses: the standard uncertainty (1 sigma) of the last digits.")
    if any("by hand" in how for _, how in found.unknown):
        blocks.append(wrap(CAUTION, width))
    return "\n\n".join(blocks)


def _rows(found: "Tracking") -> list[list[str]]:
    """Return the findings: what, value, and what goes with it."""
    log, settling = found.log, found.settling
    rows = []
    if found.first is not None:
        away = found.turned.aoi_first
        where = f"until {seconds(log.time[max(settling.leaves - 1, 0)])}"
        where = "already moving" if found.starts_moving else where
        rows.append(
            ["first power", _mean(found.first), where + (f", {away:.0f} deg off" if away else "")]
        )
    alike = f"{found.steady.n} readings, worth {found.steady.n_effective:.0f} independent ones"
    rows.append(
        [
            "steady power",
            _mean(found.steady),
            f"from {seconds(log.time[settling.settled])}, {alike}",
        ]
    )
    if abs(settling.drift) > 3 * settling.u_drift:
        rate = number(60 * settling.drift, 60 * settling.u_drift, "W")
        rows.append(
            ["drift", f"{rate}/min", percent(60 * settling.drift / settling.level) + "/min"]
        )
    if found.acquire is not None:
        least = "at least " if found.starts_moving else ""
        band = f"to within {number(settling.band, None, 'W')}"
        rows.append(["time to acquire", least + seconds(found.acquire), band])
        rows.append(["overshoot", *_overshoot(found)])
    rows += _hunting(found)
    told = found.pointing
    if told is not None:
        share = f"{number(100 * told.share, 100 * told.u_share)} % of facing power"
        if told.aoi is None:
            rows.append(["pointing error", "-", told.reason])
        else:
            best = f"{told.aoi:.1f} deg"
            rows.append(
                ["pointing error", best, f"95 %: {_interval(told.low, told.high)}; {share}"]
            )
            if told.exponent == told.exponent:
                rows.append(["", "", f"there power goes as cosine to the {told.exponent:.2f}"])
    elif found.at_least is not None:
        rows.append(
            [
                "pointing error",
                f"> {found.at_least:.1f} deg",
                "the log itself holds more power once",
            ]
        )
    if found.turned.from_scale and found.turned.aoi_last is not None:
        rows.append(
            ["by the scale", f"{found.turned.aoi_last:.1f} deg", "off the light in the end"]
        )
    rows += _rise(found)
    rows += _energy(found)
    return rows


def _aligned(rows: Sequence[Sequence[str]]) -> str:
    """Return rows of label, value and what goes with it: left, right, left."""
    first, second = (max(len(row[k]) for row in rows) for k in (0, 1))
    then = " " * (first + second + 7)
    lines = (
        wrap(f"{a.ljust(first)}  {b.rjust(second)}   {c}".rstrip(), None, "  ", then)
        for a, b, c in rows
    )
    return "\n".join(lines)


def _overshoot(found: "Tracking") -> list[str]:
    size, settling = found.settling.overshoot, found.settling
    step = abs(settling.level - settling.first_level)
    if size:
        value = number(size, None, "W")
        what = f"{percent(size / step)} of the step"
    else:
        value, what = "none", f"above {number(settling.band, None, 'W')}"
    if found.overshoot_deg:
        what += f"; the drive went {found.overshoot_deg:.1f} deg beyond"
    return [value, what]


def _hunting(found: "Tracking") -> list[list[str]]:
    hunt = found.hunting
    if hunt is None:
        return [["hunting", "none", "no period stands out of the noise"]]
    swing = hunt.swing
    word = {True: "hunting", False: "flicker", None: "swing"}[hunt.moves]
    period = number(swing.period, swing.u_period, "s")
    what = f"every {period}" + ("" if swing.coherent else ", which wanders")
    rows = [[word, number(swing.size, swing.u, "W"), what]]
    if hunt.degrees is not None:
        low, high = hunt.degrees
        says = f"from {low:.1f} to {high:.1f} deg off the light, by the law"
        least, most = hunt.degrees_interval
        if most - least > 0.05:
            says += f"; 95 %: {least:.1f} to {most:.1f} deg"
        says = f"at most, {says}" if hunt.at_most else says
        rows.append(["", f"{high - low:.1f} deg", says])
    if hunt.measured_degrees is not None:
        rows.append(["", f"{hunt.measured_degrees:.1f} deg", "by the logged angle"])
    if hunt.moves is False:
        rows.append(["", "", "no logged angle moves with it: the light flickers, or a wire"])
    if hunt.moves is None:
        rows.append(["", "", "the drive hunts, or the light flickers"])
    return rows


def _rise(found: "Tracking") -> list[list[str]]:
    risen = found.rise
    if risen is None or risen.measured is None:
        return []
    what = f"95 %: {_range(*risen.measured[1:])}"
    rows = [["rise", _times(risen.measured[0]), what]]
    if risen.predicted is not None:
        rows.append(
            [
                "predicted",
                _times(risen.predicted[0]),
                f"95 %: {_range(*risen.predicted[1:])}",
            ]
        )
    score = f"E_n {risen.en:.2f}" if risen.en is not None else ""
    rows.append(["verdict", risen.verdict, score])
    return rows


def _energy(found: "Tracking") -> list[list[str]]:
    energy = found.energy
    rows = [["energy", _joule(energy.panel), f"in {seconds(energy.covered)} with readings"]]
    if energy.stayed is not None:
        rows.append(["had it stayed", _joule(energy.stayed), "at its first power"])
    if energy.drive is not None:
        moved = (
            "moving all along: no angle tells when it stood"
            if energy.moving is None
            else f"moving for {seconds(energy.moving)}"
        )
        rows.append(["drive", _joule(energy.drive), moved])
    if energy.net is not None:
        rows.append(["net gain", _joule(energy.net), "over staying, less the drive"])
    if energy.pays_after is not None:
        rows.append(["the turn pays", f"after {seconds(energy.pays_after)}", "of steady state"])
    return rows


def _disturbances(found: "Tracking", width: int | None) -> str:
    """Return the disturbances as a table, and what each kind may be once."""
    rows = []
    for d in found.disturbances[:_MOST]:
        over = "-" if d.over_facing is None else percent(d.over_facing)
        light = "-" if d.light is None else percent(d.light)
        rows.append(
            [
                d.kind,
                f"{d.start:.1f}",
                f"{d.end:.1f}",
                f"{d.rows[0]}-{d.rows[1]}" if d.rows[0] != d.rows[1] else f"{d.rows[0]}",
                number(d.extreme, None, "W"),
                percent(d.ratio),
                over,
                light,
            ]
        )
    head = ("disturbance", "from s", "to s", "rows", "power", "of steady", "of facing", "light")
    text = table(rows, head)
    more = len(found.disturbances) - _MOST
    if more > 0:
        text += f"\n  and {more} more"
    for kind, says in {d.kind: d.says for d in found.disturbances}.items():
        text += "\n" + wrap(f"{kind}: {says}", width, "  - ", "    ")
    return text


def _lost(found: "Tracking", damage: Sequence[Any]) -> list[str]:
    """Return what was left out, and where there are no readings."""
    lines = []
    for entry in damage:
        lines.append(f"{_named(entry.rows, entry.count)}: {entry.what}")
    for entry in found.log.left_out:
        lines.append(f"{_named(entry.rows, entry.count)}: {entry.reason}")
    gaps = found.log.gaps
    if gaps:
        longest = max(gaps, key=lambda g: g.end - g.start)
        lines.append(
            f"{len(gaps)} gap{'s' * (len(gaps) > 1)} without readings, the longest "
            f"{seconds(longest.end - longest.start)} before row {longest.row}; not counted in "
            "energy"
        )
    return lines


def _named(rows: Sequence[int], count: int) -> str:
    shown = ", ".join(str(row) for row in rows)
    more = count - len(rows)
    return f"row{'s' * (count > 1)} {shown}" + (f" and {more} more" if more > 0 else "")


def _mean(mean: "Mean") -> str:
    return number(mean.value, mean.u, "W")


def seconds(value: float) -> str:
    """Return a time: seconds, from ten minutes on minutes, from ten hours on hours."""
    if value != value or value in (float("inf"), float("-inf")):
        return "never"
    if abs(value) < 600:
        return f"{value:.3g} s" if abs(value) < 100 else f"{value:.0f} s"
    if abs(value) < 36000:
        return f"{value / 60:.1f} min"
    return f"{value / 3600:.1f} h"


def _joule(value: float) -> str:
    """Return an energy: joules, from 3.6 kJ on also usual watt hours."""
    if abs(value) >= 3600:
        return f"{value / 3600:.3g} Wh"
    return f"{value:.4g} J"


def _times(ratio: float) -> str:
    return f"{ratio:.3g} times"


def _range(low: float, high: float) -> str:
    return f"{low:.3g} to {high:.3g}"


def _interval(low: float, high: float) -> str:
    """Return angles from low to high, deg."""
    return f"{low:.0f} to {high:.0f} deg" if high >= 10 else f"{low:.1f} to {high:.1f} deg"
