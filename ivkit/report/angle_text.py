"""A panel that is turned: in words, as JSON, and as a table."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ivkit.report.sweep_text import shown
from ivkit.report.text import bullets, number, percent, table, wrap

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.verdict.angle import AngleFit, AnglePoint, AngleReadings

CAUTION = (
    "Caution: a work lamp and a loaded resistor get hot; a panel in the light cannot be switched "
    "off. On a roof or a mast, follow local codes and leave the work to those licensed."
)


def load_name(load: float | None) -> str:
    """Return a load as a heading: ``33 ohm`` or ``maximum power``."""
    return "maximum power" if load is None else number(load, None, "ohm")


def answer(points: "Sequence[AnglePoint]", aoi: Any, fit: "AngleFit | None") -> str:
    """Return the answer in a sentence or two."""
    if fit is not None:
        zero = "not resolved" if fit.zero is None else f"at {shown(fit.zero, '')} deg of the scale"
        stray = f"below {percent(fit.stray_below)}" if fit.stray is None else shown(fit.stray, "")
        word = "agree" if fit.agrees else "do NOT agree"
        return (
            f"The readings {word} with what angle and load make of the panel's curve "
            f"(chi-square {fit.chi_square:.1f} for {fit.freedom}): the panel faces the light "
            f"{zero}, stray light is {stray} of it, and facing it gets "
            f"{shown(fit.irradiance, '')} W/m2."
        )
    far = int(np.argmax(np.abs(np.where(np.abs(aoi) < 90, aoi, 0))))
    parts = [
        f"{percent(float(one.power[far] / np.max(one.power)))} at {load_name(one.load)}"
        for one in points
    ]
    return f"Turned {aoi[far]:g} deg from facing the light, of the best power are left: " + (
        ", ".join(parts) + "."
    )


def describe(
    points: "Sequence[AnglePoint]",
    aoi: Any,
    fit: "AngleFit | None" = None,
    readings: "AngleReadings | None" = None,
    notes: Sequence[str] = (),
) -> str:
    """Return the prediction, and the readings against it where there are any."""
    blocks = [wrap(answer(points, aoi, fit))]
    head = ["angle, deg", *(load_name(one.load) for one in points)]
    rows = [
        [f"{angle:g}", *(number(float(one.power[k]), None, "W") for one in points)]
        for k, angle in enumerate(aoi)
    ]
    blocks.append("Power to expect\n" + table(rows, head))
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
            "Local exponent: power goes as cos(angle) to this. 2 below the knee, 1 at maximum "
            "power, near 0 far above the knee."
        )
        + "\n"
        + table(rows, head)
    )
    if fit is not None and readings is not None:
        rows = [
            [
                f"{angle:g}",
                number(load, None, "ohm"),
                number(power, u, "W"),
                number(predicted, None, "W"),
                f"{score:+.1f}",
            ]
            for angle, load, power, u, predicted, score in zip(
                readings.angle,
                readings.load,
                readings.power,
                readings.u_power,
                fit.predicted,
                fit.score,
                strict=True,
            )
        ]
        head = ("scale, deg", "load", "read", "fit", "(read - fit) / u")
        blocks.append("Readings\n" + table(rows, head))
        worst = int(np.argmax(np.abs(fit.score)))
        if not fit.agrees:
            notes = [
                *notes,
                f"furthest off is the reading at {readings.angle[worst]:g} deg: look at it first",
            ]
    if notes:
        blocks.append("Mind:\n" + bullets(notes))
    blocks.append(wrap(CAUTION))
    return "\n\n".join(blocks)


def document(
    points: "Sequence[AnglePoint]",
    aoi: Any,
    fit: "AngleFit | None" = None,
    readings: "AngleReadings | None" = None,
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """Return everything as JSON will hold it."""
    told = None
    if fit is not None and readings is not None:
        told = {
            "verdict": "plausible" if fit.agrees else "cannot tell",
            "agrees": fit.agrees,
            "chi_square": fit.chi_square,
            "freedom": fit.freedom,
            "zero_deg": fit.zero,
            "stray_share": fit.stray,
            "stray_share_below_95": fit.stray_below,
            "irradiance_W_m2": fit.irradiance,
            "readings": [
                {"angle_deg": a, "load_ohm": r, "power_W": p, "predicted_W": q, "score": s}
                for a, r, p, q, s in zip(
                    readings.angle,
                    readings.load,
                    readings.power,
                    fit.predicted,
                    fit.score,
                    strict=True,
                )
            ],
        }
    return {
        "angle_deg": aoi,
        "loads": [
            {
                "load_ohm": one.load,
                "voltage_V": one.voltage,
                "current_A": one.current,
                "power_W": one.power,
                "exponent": one.exponent,
            }
            for one in points
        ],
        "fit": told,
        "notes": list(notes),
    }


def frame(points: "Sequence[AnglePoint]", aoi: Any) -> "DataFrame":
    """Return one row an angle and a load."""
    from pandas import DataFrame

    return DataFrame(
        [
            {
                "angle_deg": float(angle),
                "load_ohm": one.load,
                "voltage_V": float(one.voltage[k]),
                "current_A": float(one.current[k]),
                "power_W": float(one.power[k]),
                "exponent": float(one.exponent[k]),
            }
            for one in points
            for k, angle in enumerate(aoi)
        ]
    )
