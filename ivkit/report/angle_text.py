"""A panel that is turned: in words, as JSON, and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.answer.lines import shown
from ivkit.curve.uncertainty import budget
from ivkit.report.text import bullets, interval, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.verdict.angle import AngleFit
    from ivkit.verdict.angle_readings import AngleReadings
    from ivkit.verdict.turned import AnglePoint

CAUTION = (
    "Caution: a work lamp and a loaded resistor get hot; a panel in the light cannot be switched "
    "off. On a roof or a mast, follow local codes and leave the work to those licensed."
)
WIDTH = 79
_MOST_CAUSES = 3


def _wrap(text: str, *indent: str) -> str:
    """Return a paragraph whose percentages stay in one piece."""
    return wrap(text.replace(" %", "\u00a0%"), WIDTH, *indent).replace("\u00a0", " ")


def load_name(load: float | None) -> str:
    """Return a load as a heading: ``33 ohm`` or ``maximum power``."""
    return "maximum power" if load is None else number(load, None, "ohm")


def light_text(fit: "AngleFit") -> str:
    """Return how much light faces the panel: W/m2, or times the light of the sweep."""
    if fit.relative:
        if "irradiance" in fit.unresolved:
            return "light that the readings do not tell"
        return f"{shown(fit.light_of_sweep, '')} times the light of the sweep"
    if "irradiance" in fit.unresolved:
        return "an irradiance that the readings do not tell"
    text = f"{shown(fit.watts_per_m2, '')} W/m2"
    # Nothing judges this light: a wrong load can hide in it.
    return f"{text}, if the load is as stated" if "irradiance" in fit.intervals else text


def stray_text(fit: "AngleFit") -> str:
    """Return what was found of light that does not turn with the panel."""
    if fit.stray is None:
        return f"no stray light is found (below {percent(fit.stray_below)}, 95 %)"
    share = number(100 * fit.stray.nominal_value, 100 * fit.stray.std_dev, "%")
    return f"{share} of the light does not turn with the panel"


def answer(points: "Sequence[AnglePoint]", aoi: Any, fit: "AngleFit | None") -> str:
    """Return the answer in a sentence or two."""
    if fit is not None:
        zero = "at an angle that the readings do not tell"
        if fit.zero is not None:
            zero = f"where the scale shows {shown(fit.zero, '')} deg"
        word = "agree" if fit.agrees else "do NOT agree"
        told = (
            f"The readings {word} with what angle and load make of the panel's curve "
            f"(chi-square {fit.chi_square:.1f} for {fit.freedom})"
        )
        found = (
            f"the panel faces the light {zero}, {stray_text(fit)}, and facing it gets "
            f"{light_text(fit)}."
        )
        return f"{told}: {found}" if fit.agrees else f"{told}. The best that can be made: {found}"
    far = int(np.argmax(np.abs(np.where(np.abs(aoi) < 90, aoi, 0))))
    parts = [
        f"{percent(float(one.power[far] / np.max(one.power)))} at {load_name(one.load)}"
        for one in points
    ]
    return f"Turned {aoi[far]:g} deg from facing the light, of the best power are left: " + (
        ", ".join(parts) + "."
    )


def why_not(fit: "AngleFit", readings: "AngleReadings") -> list[str]:
    """Return what to look at where the readings do not agree."""
    if fit.agrees:
        return []
    said = []
    worst = int(np.argmax(np.abs(fit.en)))
    if abs(fit.en[worst]) > 1 or fit.chi_square > fit.limit:
        said.append(
            f"furthest off is the reading at {readings.angle[worst]:g} deg (E_n "
            f"{fit.en[worst]:+.1f}): look at it first, then at the load and at how the angle "
            "is counted (0 is facing the light)"
        )
    if fit.light_en is not None and abs(fit.light_en) > 1:
        said.append(
            f"the light would have to be {shown(fit.light_of_sweep, '')} times that of the "
            f"sweep (E_n {fit.light_en:+.1f}), which was taken facing the same light: check the "
            "load and the units; if the sweep's light was another, give --sweep-irradiance"
        )
    return said


def describe(
    points: "Sequence[AnglePoint]",
    aoi: Any,
    fit: "AngleFit | None" = None,
    readings: "AngleReadings | None" = None,
    notes: Sequence[str] = (),
) -> str:
    """Return the prediction, and the readings against it where there are any."""
    blocks = [_wrap(answer(points, aoi, fit))]
    if fit is not None and readings is not None:
        blocks += [_found(fit), "Readings\n" + table(*_against(fit, readings))]
        notes = [*why_not(fit, readings), *notes]
    head = ["angle, deg", *(load_name(one.load) for one in points)]
    rows = [
        [
            f"{angle:g}",
            *(number(float(one.power[k]), float(one.u_power[k]), "W") for one in points),
        ]
        for k, angle in enumerate(aoi)
    ]
    blocks.append("Power to expect, from facing the light\n" + table(rows, head))
    rows = [
        [
            f"{angle:g}",
            *(
                "-" if not np.isfinite(one.exponent[k]) else f"{one.exponent[k]:.2f}"
                for one in points
            ),
        ]
        for k, angle in enumerate(aoi)
    ]
    blocks.append(
        wrap(
            "Local exponent: power goes as cos(angle) to this. In parallel light 2 below the "
            "knee, 1 at maximum power, near 0 far above the knee; more near a lamp, whose far "
            "side of the panel darkens first.",
            WIDTH,
        )
        + "\n"
        + table(rows, head)
    )
    if notes:
        blocks.append("Mind:\n" + bullets(notes, WIDTH))
    blocks.append(wrap(CAUTION, WIDTH))
    return "\n\n".join(blocks)


def _found(fit: "AngleFit") -> str:
    """Return what the readings tell, with intervals and where the doubt comes from."""
    light = None if "irradiance" in fit.unresolved else fit.irradiance
    per = 0.01 if fit.relative else 1.0
    of_light = "light, times the sweep's" if fit.relative else "irradiance, W/m2"
    rows, doubts = [], []
    for name, label, value, scale in (
        ("zero", "zero of the scale, deg", fit.zero, 1.0),
        ("stray", "stray light, %", fit.stray, 100.0),
        ("irradiance", of_light, light, per),
    ):
        if name not in fit.intervals:
            told = fit.stray_below if value is None else value.nominal_value
            rows.append([label, number(told * scale), "given"])
            continue
        low, high = (end * scale for end in fit.intervals[name])
        told = "-"
        if value is not None:
            told = number(value.nominal_value * scale, float(value.std_dev) * scale)
            doubts.append(f"{label.partition(',')[0]}: {_causes(value)}")
        rows.append([label, told, interval(low, high, (high - low) / 4.0)])
    block = "What the readings tell\n" + table(rows, ("", "best", "95 % interval"))
    if doubts:
        block += "\n" + _wrap("Uncertainty comes from: " + "; ".join(doubts) + ".", "  ", "  ")
    return block


def _causes(value: Any) -> str:
    """Return the causes of an uncertainty, largest first."""
    shares = [(name, share) for name, share in budget(value).items() if share >= 0.05]
    return ", ".join(f"{name} {percent(share)}" for name, share in shares[:_MOST_CAUSES])


def _against(fit: "AngleFit", readings: "AngleReadings") -> tuple[list[list[str]], tuple[str, ...]]:
    """Return the readings against the fit as rows and their head."""
    rows = [
        [
            f"{angle:g}",
            "max. power" if np.isnan(load) else number(load, None, "ohm"),
            number(power, u, "W"),
            number(predicted, None, "W"),
            f"{en:+.2f}" + (" *" if abs(en) > 1 else "  "),
        ]
        for angle, load, power, u, predicted, en in zip(
            readings.angle,
            readings.load,
            readings.power,
            readings.u_power,
            fit.predicted,
            fit.en,
            strict=True,
        )
    ]
    return rows, ("scale, deg", "load", "read", "fit", "E_n  ")


def _verdict(fit: "AngleFit") -> str:
    """Return plausible; too high or low where only the light is off; not plausible."""
    if fit.agrees:
        return "plausible"
    if fit.chi_square <= fit.limit and fit.light_en is not None and abs(fit.light_en) > 1:
        return "too high" if fit.light_en > 0 else "too low"
    return "not plausible"


def document(
    points: "Sequence[AnglePoint]",
    aoi: Any,
    fit: "AngleFit | None" = None,
    readings: "AngleReadings | None" = None,
    notes: Sequence[str] = (),
    light: float | None = None,
    relative: bool = False,
) -> dict[str, Any]:
    """Return everything as JSON will hold it; ``light`` is that of the prediction."""
    told = None
    if fit is not None and readings is not None:
        known = "irradiance" not in fit.unresolved
        low, high = fit.intervals.get("irradiance", (None, None))
        per = 0.01 if fit.relative else 1.0
        columns = _columns(fit, readings)
        told = {
            "verdict": _verdict(fit),
            "agrees": fit.agrees,
            "chi_square": fit.chi_square,
            "chi_square_limit": fit.limit,
            "freedom": fit.freedom,
            "zero_deg": fit.zero,
            "zero_deg_interval_95": fit.intervals.get("zero"),
            "stray_share": fit.stray,
            "stray_share_below_95": fit.stray_below,
            "stray_share_interval_95": fit.intervals.get("stray"),
            "irradiance_W_m2": fit.watts_per_m2 if known else None,
            "light_of_sweep": fit.light_of_sweep if known else None,
            "light_interval_95": None if low is None else [low * per, high * per],
            "light_en": fit.light_en,
            "budget": {
                name: budget(value)
                for name, value in (
                    ("zero_deg", fit.zero),
                    ("stray_share", fit.stray),
                    ("light", fit.irradiance if known else None),
                )
                if value is not None and value.std_dev > 0
            },
            "readings": [
                dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)
            ],
        }
    return {
        "angle_deg": aoi,
        "irradiance_W_m2": None if relative else light,
        "light_of_sweep": light / 100.0 if relative and light is not None else None,
        "loads": [
            {
                "load_ohm": one.load,
                "voltage_V": one.voltage,
                "current_A": one.current,
                "power_W": one.power,
                "u_power_W": one.u_power if one.budget else None,
                "exponent": one.exponent,
            }
            for one in points
        ],
        "fit": told,
        "notes": list(notes),
    }


def _columns(fit: "AngleFit", readings: "AngleReadings") -> dict[str, list[float]]:
    """Return the readings against the fit by column."""
    facing, _, _ = fit.best
    light = "light_of_sweep" if fit.relative else "irradiance_W_m2"
    told = facing / (100.0 if fit.relative else 1.0)
    columns = {
        "angle_deg": readings.angle,
        "load_ohm": readings.load,
        "power_W": readings.power,
        "u_power_W": readings.u_power,
        "predicted_W": fit.predicted,
        "u_predicted_W": fit.u_predicted,
        "en": fit.en,
        light: np.full(len(readings), told),
    }
    return {name: values.tolist() for name, values in columns.items()}


def frame(
    points: "Sequence[AnglePoint]",
    aoi: Any,
    fit: "AngleFit | None" = None,
    readings: "AngleReadings | None" = None,
) -> "DataFrame":
    """Return one row a reading, or without readings one row an angle and a load."""
    from pandas import DataFrame

    if fit is not None and readings is not None:
        return DataFrame(_columns(fit, readings))
    return DataFrame(
        [
            {
                "angle_deg": float(angle),
                "load_ohm": one.load,
                "voltage_V": float(one.voltage[k]),
                "current_A": float(one.current[k]),
                "power_W": float(one.power[k]),
                "u_power_W": float(one.u_power[k]),
                "exponent": float(one.exponent[k]),
            }
            for one in points
            for k, angle in enumerate(aoi)
        ]
    )
