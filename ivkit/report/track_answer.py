"""The answer of ``ivkit track``: what a log of a turning panel says."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from uncertainties import ufloat

from ivkit.answer import Answer, Column, Table, columns, drawn_by
from ivkit.answer.text import number, percent
from ivkit.predict.score import UNDETERMINED

if TYPE_CHECKING:
    from ivkit.verdict.steady_mean import Mean
    from ivkit.verdict.tracking import Tracking

_MOST = 12  # disturbances shown
_FINDING = ("finding", "value", "about")

CAUTION = (
    "Caution: a work lamp burns skin, and a panel in the light cannot be switched off: hold it by "
    "its frame, and mind the wiring."
)


def track_answer(
    found: "Tracking",
    based_on: Sequence[str] = (),
    assumed: Sequence[str] = (),
    notes: Sequence[str] = (),
    damage: Sequence[Any] = (),
) -> Answer:
    """Return what a log says as an answer.

    Parameters
    ----------
    found : Tracking
    based_on, assumed, notes : sequence of str
    damage : sequence of Damage
        Rows that could not be read.
    """
    summary = _summary(found, damage)
    single = {key: value for key, value in summary.items() if not isinstance(value, list | tuple)}
    row = Table("", [Column(key, [value]) for key, value in single.items()], most_rows=0)
    unknown = [f"{what}: {how}." for what, how in found.unknown]
    by_hand = any("by hand" in how for _, how in found.unknown)
    return Answer(
        "track",
        headline(found),
        None if found.rise is None else found.rise.verdict,
        based_on=tuple(based_on),
        summary=summary,
        tables={"log": row} | _tables(found),
        assumptions=tuple(dict.fromkeys(assumed)),
        notes=(*notes, *found.log.notes),
        skipped=tuple(_lost(found, damage)),
        cautions=(CAUTION,) if by_hand else (),
        next=f"Could not be determined, and what to do next time: {' '.join(unknown)}"
        if unknown
        else "",
        figure=drawn_by("ivkit.report.track_figure:track_figure", found),
    )


def headline(found: "Tracking") -> str:
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
        if found.rise is not None and found.rise.verdict != UNDETERMINED:
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
        parts.append("how well it points could not be determined")
    if found.hunting is not None:
        word = "swings" if found.hunting.moves is not True else "hunts"
        parts.append(
            f"it {word} every {seconds(found.hunting.swing.period)} by "
            f"{number(found.hunting.swing.size, None, 'W')}"
        )
    return ", ".join(parts[:3]) + "".join(f"; {p}" for p in parts[3:]) + "."


def _summary(found: "Tracking", damage: Sequence[Any]) -> dict[str, Any]:
    """Return the findings by key."""
    log, settling, energy, turned = found.log, found.settling, found.energy, found.turned
    told, hunt, risen, first = found.pointing, found.hunting, found.rise, found.first
    swing = None if hunt is None else hunt.swing
    measured = None if risen is None else risen.measured
    predicted = None if risen is None else risen.predicted
    lost = [*((one.what, one) for one in damage), *((one.reason, one) for one in log.left_out)]
    return {
        "file": log.name,
        "readings": len(log),
        "interval_s": log.interval,
        "first_power_W": None if first is None else _pair(first),
        "first_to_s": log.time[max(settling.leaves - 1, 0)] if first is not None else None,
        "already_moving": found.starts_moving,
        "first_aoi_deg": turned.aoi_first,
        "steady_power_W": _pair(found.steady),
        "steady_from_s": log.time[settling.settled],
        "steady_to_s": log.time[-1],
        "steady_readings": found.steady.n,
        "independent_readings": found.steady.n_effective,
        "steady_spread_W": settling.spread,
        "drift_W_per_s": ufloat(settling.drift, settling.u_drift),
        "acquire_s": found.acquire,
        "acquire_is_lower_limit": found.starts_moving,
        "overshoot_W": settling.overshoot,
        "overshoot_deg": found.overshoot_deg,
        "hunting_period_s": swing and ufloat(swing.period, swing.u_period),
        "hunting_swing_W": swing and ufloat(swing.size, swing.u),
        "hunting_swing_deg": hunt and hunt.degrees and hunt.degrees[1] - hunt.degrees[0],
        "hunting_swing_deg_interval_95": hunt and hunt.degrees_interval,
        "hunting_swing_deg_is_upper_limit": hunt and hunt.at_most,
        "hunting_logged_swing_deg": hunt and hunt.measured_degrees,
        "angle_moves_with_hunting": hunt and hunt.moves,
        "hunting_period_wanders": hunt and not hunt.swing.coherent,
        "pointing_error_deg": None if told is None else told.aoi,
        "pointing_error_low_95_deg": found.at_least if told is None else told.low,
        "pointing_error_high_95_deg": None if told is None else told.high,
        "facing_power_W": found.facing and ufloat(found.facing.power, found.facing.u),
        "of_facing_power_fraction": None if told is None else ufloat(told.share, told.u_share),
        "exponent": None if told is None else told.exponent,
        "aoi_by_scale_deg": turned.aoi_last if turned.from_scale else None,
        "rise": measured and measured[0],
        "rise_interval_95": measured and list(measured[1:]),
        "rise_predicted": predicted and predicted[0],
        "rise_predicted_interval_95": predicted and list(predicted[1:]),
        "rise_en": None if risen is None else risen.en,
        "energy_J": energy.panel,
        "had_it_stayed_J": energy.stayed,
        "drive_J": energy.drive,
        "net_gain_J": energy.net,
        "covered_s": energy.covered,
        "moving_s": energy.moving,
        "turn_pays_after_s": energy.pays_after,
        "skipped_rows": sum(one.count for _, one in lost),
    }


def _tables(found: "Tracking") -> dict[str, Table]:
    """Return the findings in words, what broke in, and where there are no readings."""
    rows = _rows(found)
    told = [Column(key, [row[k] for row in rows], missing="") for k, key in enumerate(_FINDING)]
    tables = {"findings": Table("", told)}
    if found.disturbances:
        says = {d.kind: d.says for d in found.disturbances}
        made = columns(
            found.disturbances,
            {"kind": "disturbance", "from_s": "from, s", "to_s": "to, s"}
            | {"of_steady_fraction": "of steady", "of_facing_fraction": "of facing"}
            | {"light_of_facing_fraction": "light", "to_the_end": None, "message": None},
            {"from_s": "{:.1f}".format, "to_s": "{:.1f}".format},
            kind="kind",
            from_s="start",
            to_s="end",
            first_row=lambda one: one.rows[0],
            last_row=lambda one: one.rows[1],
            power_W="extreme",
            of_steady_fraction="ratio",
            of_facing_fraction="over_facing",
            light_of_facing_fraction="light",
            to_the_end="to_the_end",
            message="says",
        )
        note = "; ".join(f"{kind}: {what}" for kind, what in says.items())
        tables["disturbances"] = Table("", made, _MOST, note=f"{note[0].upper()}{note[1:]}.")
    gaps = found.log.gaps
    made = columns(gaps, from_s="start", to_s="end", row_after="row")
    return tables | {"gaps": Table("", made, most_rows=0)}


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


def _pair(mean: "Mean") -> Any:
    return ufloat(mean.value, mean.u)
