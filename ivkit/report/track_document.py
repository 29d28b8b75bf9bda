"""What a log says, as a document for JSON and as a row of a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.verdict.steady_mean import Mean
    from ivkit.verdict.tracking import Tracking


def document(
    found: "Tracking", remarks: Sequence[str] = (), damage: Sequence[Any] = ()
) -> dict[str, Any]:
    """Return everything as JSON will hold it."""
    log, settling, energy = found.log, found.settling, found.energy
    told, hunt, risen = found.pointing, found.hunting, found.rise
    return {
        "file": log.name,
        "readings": len(log),
        "interval_s": log.interval,
        "first": None
        if found.first is None
        else {
            "power_W": _pair(found.first),
            "to_s": log.time[max(settling.leaves - 1, 0)],
            "already_moving": found.starts_moving,
            "aoi_deg": found.turned.aoi_first,
        },
        "steady": {
            "power_W": _pair(found.steady),
            "from_s": log.time[settling.settled],
            "to_s": log.time[-1],
            "readings": found.steady.n,
            "independent_readings": found.steady.n_effective,
            "spread_W": settling.spread,
            "drift_W_per_s": {"value": settling.drift, "u": settling.u_drift},
        },
        "acquire_s": found.acquire,
        "acquire_is_lower_limit": found.starts_moving,
        "overshoot_W": settling.overshoot,
        "overshoot_deg": found.overshoot_deg,
        "hunting": None
        if hunt is None
        else {
            "period_s": {"value": hunt.swing.period, "u": hunt.swing.u_period},
            "swing_W": {"value": hunt.swing.size, "u": hunt.swing.u},
            "swing_deg": None if hunt.degrees is None else hunt.degrees[1] - hunt.degrees[0],
            "swing_deg_interval": hunt.degrees_interval,
            "swing_deg_is_upper_limit": hunt.at_most,
            "logged_swing_deg": hunt.measured_degrees,
            "angle_moves_with_it": hunt.moves,
            "period_wanders": not hunt.swing.coherent,
        },
        "pointing_error": {
            "aoi_deg": None if told is None else told.aoi,
            "low_deg": found.at_least if told is None else told.low,
            "high_deg": None if told is None else told.high,
            "coverage": 0.95,
            "facing_power_W": None
            if found.facing is None
            else {"value": found.facing.power, "u": found.facing.u},
            "share_of_facing_power": None
            if told is None
            else {"value": told.share, "u": told.u_share},
            "exponent": None if told is None else told.exponent,
            "by_scale_deg": found.turned.aoi_last if found.turned.from_scale else None,
        },
        "rise": None
        if risen is None
        else {
            "verdict": risen.verdict,
            "en": risen.en,
            "measured": _limits(risen.measured),
            "predicted": _limits(risen.predicted),
            "reason": risen.reason or None,
            "slips": [],
        },
        "disturbances": [
            {
                "kind": d.kind,
                "from_s": d.start,
                "to_s": d.end,
                "rows": list(d.rows),
                "power_W": d.extreme,
                "of_steady": d.ratio,
                "of_facing": d.over_facing,
                "light_of_facing": d.light,
                "to_the_end": d.to_the_end,
                "message": d.says,
            }
            for d in found.disturbances
        ],
        "energy": {
            "panel_J": energy.panel,
            "had_it_stayed_J": energy.stayed,
            "drive_J": energy.drive,
            "net_gain_J": energy.net,
            "covered_s": energy.covered,
            "moving_s": energy.moving,
            "turn_pays_after_s": energy.pays_after,
        },
        "left_out": [
            {"reason": reason, "count": entry.count, "first_rows": list(entry.rows)}
            for reason, entry in [
                *((entry.what, entry) for entry in damage),
                *((entry.reason, entry) for entry in log.left_out),
            ]
        ],
        "gaps": [{"from_s": g.start, "to_s": g.end, "row_after": g.row} for g in log.gaps],
        "cannot_tell": [{"what": what, "remedy": how} for what, how in found.unknown],
        "notes": [*remarks, *log.notes],
    }


def frame(found: "Tracking") -> "DataFrame":
    """Return one row with the findings and their standard uncertainties."""
    from pandas import DataFrame

    told, hunt, risen = found.pointing, found.hunting, found.rise
    row: dict[str, Any] = {
        "file": found.log.name,
        "readings": len(found.log),
        "first_power_W": None if found.first is None else found.first.value,
        "u_first_power_W": None if found.first is None else found.first.u,
        "steady_power_W": found.steady.value,
        "u_steady_power_W": found.steady.u,
        "acquire_s": found.acquire,
        "overshoot_W": found.settling.overshoot,
        "hunting_period_s": None if hunt is None else hunt.swing.period,
        "hunting_swing_W": None if hunt is None else hunt.swing.size,
        "pointing_error_deg": None if told is None else told.aoi,
        "pointing_error_low_deg": found.at_least if told is None else told.low,
        "pointing_error_high_deg": None if told is None else told.high,
        "rise": None if risen is None or risen.measured is None else risen.measured[0],
        "rise_predicted": None if risen is None or risen.predicted is None else risen.predicted[0],
        "rise_en": None if risen is None else risen.en,
        "rise_verdict": None if risen is None else risen.verdict,
        "disturbances": len(found.disturbances),
        "left_out": sum(entry.count for entry in found.log.left_out),
        "energy_J": found.energy.panel,
        "drive_J": found.energy.drive,
        "net_gain_J": found.energy.net,
    }
    return DataFrame([row])


def _pair(mean: "Mean") -> dict[str, float]:
    return {"value": mean.value, "u": mean.u}


def _limits(limits: tuple[float, float, float] | None) -> dict[str, float] | None:
    return None if limits is None else dict(zip(("value", "low", "high"), limits, strict=True))
