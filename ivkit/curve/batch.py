"""Many sweeps to one row each: key points, parameters, uncertainties, faults, how the fit went.

`rows_of` is the whole of it: unread sweeps in, rows out, nothing kept. A loop over chunks on one
machine calls it, and so do other processes and other machines; all give the same rows.
"""

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

import numpy as np
from scipy.constants import Boltzmann, elementary_charge

from ivkit.bench import Bench
from ivkit.curve import many
from ivkit.curve.batch_uncertainty import parameter_covariance, result_uncertainties
from ivkit.curve.diode import SingleDiode
from ivkit.curve.engine import Array
from ivkit.curve.fault_list import all_faults
from ivkit.curve.fit import FEWEST_LEFT, UNRESOLVED, fit_readings
from ivkit.curve.many import PARAMETERS, UNITS, Fits, fit_many
from ivkit.curve.uncertainty import noise_as_taken
from ivkit.errors import IvkitError
from ivkit.readings.fault import Fault
from ivkit.readings.faults import check
from ivkit.readings.front_end import make_sweep
from ivkit.readings.long_table import ReadSweep, UnreadSweep, unread_sweeps
from ivkit.readings.redundancy import settle_units
from ivkit.readings.sweep import Sweep

#: Sweeps fitted in one go: enough for the engine to be quick, few enough to hold at once.
CHUNK = 512

KEY_POINTS = many.KEY_POINTS | {"best_load_ohm": "best_load"}
#: The flags that take a key point away.
_SHORT, _OPEN, _KNEE = "short_circuit_not_reached", "open_circuit_not_reached", "knee_not_reached"
TAKEN = {key: {_KNEE} for key in KEY_POINTS} | {
    "isc_A": {_SHORT},
    "voc_V": {_OPEN},
    "fill_factor": {_SHORT, _OPEN, _KNEE},
}
_RESULTS = (*KEY_POINTS, *(f"{name}_{unit}" for name, unit in UNITS.items()), "ideality_factor")
COLUMNS = (
    "file",
    "sweep",
    "points",
    "points_used",
    "temp_cell_degC",
    "irradiance_W_m2",
    *(column for key in _RESULTS for column in (key, f"u_{key}")),
    "rmse_A",
    "flags",
    "faults",
    "severity",
    "error",
)
_SEVERITIES = ("note", "warning", "error")

Row = dict[str, Any]


@dataclass(frozen=True)
class FileContent:
    """A small file that is not read yet."""

    file: str
    content: bytes


@dataclass(frozen=True)
class Failure:
    """A file or sweep that could not be read, and why."""

    file: str
    sweep: str
    error: str


@dataclass(frozen=True)
class Taking:
    """How tables are to be taken: what the user says of columns, bench and condition.

    ``columns`` are columns by quantity, as in `ivkit.readings.table.read_table`; ``sheet`` is that
    of a workbook. ``cells`` in series, ``temp_cell`` (degC) and effective ``irradiance`` (W/m2) go
    before what table and bench say.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    sheet: str | None = None
    bench: Bench | None = None
    cells: int | None = None
    temp_cell: float | None = None
    irradiance: float | None = None


Item = FileContent | UnreadSweep | ReadSweep | Failure


def rows_of(items: Sequence[Item], taking: Taking) -> list[Row]:
    """Read and fit sweeps and return one row each, in their order.

    A sweep that cannot be read gives a row with ``error`` and no numbers.
    """
    rows: list[Row] = []
    good: list[tuple[int, _Looked]] = []
    for item in items:
        for one in _unpacked(item, taking):
            if isinstance(one, Failure):
                rows.append(failed_row(one.file, one.sweep, one.error))
                continue
            try:
                sweep = settle_units(
                    make_sweep(
                        one.read(), taking.bench, taking.cells, taking.temp_cell, taking.irradiance
                    )
                )
                looked = look_through(sweep)
                if len(looked.used) < 2 or not np.any(looked.used.current):
                    fit_readings(looked.used)  # raises what it raises for one sweep
            except IvkitError as error:
                rows.append(failed_row(one.file, one.sweep, str(error)))
                continue
            good.append((len(rows), looked))
            rows.append({"file": one.file, "sweep": one.sweep})
    for part in chunks(good):
        for (k, _), row in zip(part, fit_rows([looked for _, looked in part]), strict=True):
            rows[k] = row | rows[k]
    return rows


def failed_row(file: str, sweep: str, error: str) -> Row:
    """Return the row of a sweep that could not be read."""
    return dict.fromkeys(COLUMNS) | {
        "file": file,
        "sweep": sweep,
        "flags": (),
        "faults": (),
        "severity": "error",
        "error": error,
    }


def chunks(items: Iterable[Any], size: int = CHUNK) -> Iterator[list[Any]]:
    """Yield the items in lists of ``size``; only one list is held at a time."""
    left = iter(items)
    while held := list(islice(left, size)):
        yield held


def _unpacked(item: Item, taking: Taking) -> Iterable[UnreadSweep | ReadSweep | Failure]:
    """Return the sweeps of a small file; anything else is one already."""
    if not isinstance(item, FileContent):
        return [item]
    stream = io.BytesIO(item.content)
    stream.name = item.file
    try:
        return list(unread_sweeps(stream, columns=taking.columns, sheet=taking.sheet))
    except IvkitError as error:
        return [Failure(item.file, "", str(error))]


@dataclass(frozen=True)
class _Looked:
    """A sweep, the readings of it that the fit may use, and what is wrong with it."""

    sweep: Sweep
    used: Sweep
    faults: tuple[Fault, ...]


def look_through(sweep: Sweep) -> _Looked:
    """Return a sweep with the readings that the fit may use: those at fault are left out."""
    checked = check(sweep)
    enough = np.sum(checked.keep) >= FEWEST_LEFT
    return _Looked(sweep, checked.sweep if enough else checked.taken, checked.faults)


def fit_rows(sweeps: Sequence[_Looked]) -> list[Row]:
    """Fit sweeps and return one row each, by the names of `COLUMNS`; what cannot be told is None.

    Sweeps with a stated noise are weighted by it; the others count all currents alike.
    """
    rows: list[Row] = [{} for _ in sweeps]
    for kind in (0, 1, 2):
        which = [k for k, one in enumerate(sweeps) if _kind(one.used) == kind]
        if not which:
            continue
        fits, results = _fit([sweeps[k].used for k in which], kind)
        for place, (k, flags) in enumerate(zip(which, fits.flags, strict=True)):
            told = {key: (float(x[place]), float(u[place])) for key, (x, u) in results.items()}
            rows[k] = _row(sweeps[k], told, flags)
            rows[k]["rmse_A"] = _number(fits.rmse[place])
    return rows


def _kind(sweep: Sweep) -> int:
    """Return what is known of the noise: 0 nothing, 1 of the current, 2 of both."""
    if sweep.noise_current is None:
        return 0
    return 1 if sweep.noise_voltage is None else 2


def _padded(sweeps: Sequence[Sweep], name: str, fill: float) -> Array:
    """Return one array of all sweeps, (B, N), filled up where a sweep is shorter."""
    out = np.full((len(sweeps), max(map(len, sweeps))), fill)
    for k, sweep in enumerate(sweeps):
        out[k, : len(sweep)] = getattr(sweep, name)
    return out


def _fit(sweeps: Sequence[Sweep], kind: int) -> tuple[Fits, dict[str, tuple[Array, Array]]]:
    """Return the fits, and every result with its standard uncertainty by column."""
    v, i = (_padded(sweeps, name, np.nan) for name in ("voltage", "current"))
    u_i = _padded(sweeps, "noise_current", 1.0) if kind else None
    u_v = _padded(sweeps, "noise_voltage", 1.0) if kind == 2 else None
    fits = fit_many(v, i, u_v, u_i)
    points = fits.model.key_points()
    unknown = np.full(len(fits), np.nan)
    u = dict.fromkeys((*KEY_POINTS.values(), *PARAMETERS), unknown)
    told = np.flatnonzero(np.isfinite(fits.rmse) & np.isfinite(fits.nNsVth))
    if told.size:
        model = SingleDiode(*(getattr(fits, name)[told] for name in PARAMETERS))
        noise = (None if x is None else x[told] for x in (u_v, u_i))
        *taken, _ = noise_as_taken(fits, told, v[told], i[told], *noise)
        effects = [sweeps[k].effects for k in told]
        covariance = parameter_covariance(model.raw, np.nan_to_num(v[told]), *taken, effects)
        for name, values in result_uncertainties(model, covariance).items():
            u[name] = unknown.copy()
            u[name][told] = values
    results = {
        key: (np.asarray(getattr(points, name)), u[name]) for key, name in KEY_POINTS.items()
    }
    for name, unit in UNITS.items():
        results[f"{name}_{unit}"] = getattr(fits, name), u[name]
    return fits, results


def _row(looked: _Looked, told: dict[str, tuple[float, float]], flags: tuple[str, ...]) -> Row:
    sweep, condition = looked.sweep, looked.sweep.condition
    every = all_faults(list(looked.faults), flags)
    row: Row = dict.fromkeys(COLUMNS) | {
        "file": sweep.name,
        "sweep": "",
        "points": len(sweep.evidence.taken or sweep),
        "points_used": len(looked.used),
        "temp_cell_degC": condition.temp_cell,
        "irradiance_W_m2": condition.effective_irradiance,
        "flags": flags,
        "faults": tuple(one.name for one in every),
        "severity": max((one.severity for one in every), key=_SEVERITIES.index, default=None),
    }
    hidden = {key for key, needs in TAKEN.items() if needs & set(flags)}
    hidden |= {f"{name}_ohm" for name, why in UNRESOLVED.items() if set(why) & set(flags)}
    factor, u_factor = told["nNsVth_V"]
    if sweep.cells and condition.temp_cell is not None:
        kelvin = condition.temp_cell + 273.15
        thermal = sweep.cells * Boltzmann / elementary_charge * kelvin
        of_temp = factor / kelvin * (condition.u_temp_cell or 0.0)
        told["ideality_factor"] = factor / thermal, np.hypot(u_factor, of_temp) / thermal
    for key, (value, u) in told.items():
        if key not in hidden and np.isfinite(value):
            row[key], row[f"u_{key}"] = float(value), _number(u)
    return row


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
