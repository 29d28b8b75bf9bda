"""Many sweeps to one row each: key points, parameters, how the fit went.

The same function serves a loop over chunks on one machine and partitions on many.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from ivkit.curve.many import PARAMETERS, Fits, fit_many
from ivkit.readings.sweep import Sweep

#: Sweeps fitted in one go: enough for the engine to be quick, few enough to hold at once.
CHUNK = 512

KEY_POINTS = (
    ("isc_A", "i_sc"),
    ("voc_V", "v_oc"),
    ("vmp_V", "v_mp"),
    ("imp_A", "i_mp"),
    ("pmp_W", "p_mp"),
    ("fill_factor", "fill_factor"),
    ("best_load_ohm", "best_load"),
)
UNITS = ("A", "A", "ohm", "ohm", "V")
#: The flag that takes a key point away.
TAKEN = {
    "isc_A": "short_circuit_not_reached",
    "voc_V": "open_circuit_not_reached",
    "vmp_V": "knee_not_reached",
    "imp_A": "knee_not_reached",
    "pmp_W": "knee_not_reached",
    "best_load_ohm": "knee_not_reached",
}
COLUMNS = (
    "sweep",
    "points",
    *(key for key, _ in KEY_POINTS),
    *(f"{name}_{unit}" for name, unit in zip(PARAMETERS, UNITS, strict=True)),
    "rmse_A",
    "converged",
    "flags",
    "error",
)


def fit_rows(sweeps: Sequence[Sweep]) -> list[dict[str, Any]]:
    """Fit sweeps and return one row each, by the names of `COLUMNS`; what cannot be told is None.

    Sweeps with a stated noise are weighted by it; the others count all currents alike.
    """
    rows: list[dict[str, Any]] = [{} for _ in sweeps]
    for kind in (0, 1, 2):
        which = [k for k, sweep in enumerate(sweeps) if _kind(sweep) == kind]
        if not which:
            continue
        fits = _fit([sweeps[k] for k in which], kind)
        points = fits.model.key_points()
        for place, (k, flags) in enumerate(zip(which, fits.flags, strict=True)):
            rows[k] = _row(sweeps[k], fits, points, place, flags)
    return rows


def failed_row(name: str, error: str) -> dict[str, Any]:
    """Return the row of a sweep that could not be read."""
    return {**dict.fromkeys(COLUMNS), "sweep": name, "flags": "", "error": error}


def chunks(sweeps: Iterable[Any], size: int = CHUNK) -> Iterator[list[Any]]:
    """Yield the sweeps in lists of ``size``; only one list is held at a time."""
    held = []
    for sweep in sweeps:
        held.append(sweep)
        if len(held) == size:
            yield held
            held = []
    if held:
        yield held


def _kind(sweep: Sweep) -> int:
    """Return what is known of the noise: 0 nothing, 1 of the current, 2 of both."""
    if sweep.noise_current is None:
        return 0
    return 1 if sweep.noise_voltage is None else 2


def _fit(sweeps: Sequence[Sweep], kind: int) -> Fits:
    longest = max(len(sweep) for sweep in sweeps)

    def padded(name: str) -> Any:
        out = np.full((len(sweeps), longest), np.nan if name in ("voltage", "current") else 1.0)
        for k, sweep in enumerate(sweeps):
            out[k, : len(sweep)] = getattr(sweep, name)
        return out

    return fit_many(
        padded("voltage"),
        padded("current"),
        padded("noise_voltage") if kind == 2 else None,
        padded("noise_current") if kind else None,
    )


def _row(
    sweep: Sweep, fits: Fits, points: Any, place: int, flags: tuple[str, ...]
) -> dict[str, Any]:
    row: dict[str, Any] = {"sweep": sweep.name, "points": int(fits.points[place])}
    for key, name in KEY_POINTS:
        row[key] = None if TAKEN.get(key) in flags else _number(getattr(points, name)[place])
    if row["isc_A"] is None or row["voc_V"] is None or row["pmp_W"] is None:
        row["fill_factor"] = None
    for name, unit in zip(PARAMETERS, UNITS, strict=True):
        row[f"{name}_{unit}"] = _number(getattr(fits, name)[place])
    row["rmse_A"] = _number(fits.rmse[place])
    row["converged"] = bool(fits.converged[place])
    row["flags"] = " ".join(flags)
    row["error"] = None
    return row


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
