"""The power of each reading of a log, and the load that its voltage and current show."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import RangeError
from ivkit.readings.log import Log
from ivkit.readings.table import need

if TYPE_CHECKING:
    from ivkit.bench import Bench

Array = NDArray[np.float64]
_SAMPLE = 20_000
_RUBBISH = 1e6  # V, A or W: far beyond any log, and small enough to multiply


@dataclass(frozen=True)
class LogPower:
    """Power of each reading, and what is seen of the load.

    Attributes
    ----------
    power : shape (N,). W; NaN or rubbish where the log holds it.
    load_seen, u_load_seen : V/I where it stays the same while the power changes, ohm; None where it
        does not, or where there is no telling.
    load_varies : V/I changes with the power: no fixed load.
    notes : tuple of str
    """

    power: Array
    load_seen: float | None = None
    u_load_seen: float | None = None
    load_varies: bool = False
    notes: tuple[str, ...] = ()


def log_power(log: Log, load_ohm: float | None = None, bench: "Bench | None" = None) -> LogPower:
    """Return the power of each reading of a log.

    Parameters
    ----------
    log : With power, or two of voltage, current and load, or one of them and ``load_ohm``.
    load_ohm : The stated load, ohm.
    bench : Its front end is corrected for where the log has voltage and current.

    Raises TableError: power follows from no column; RangeError: a stated load far from what voltage
    and current show.
    """
    log = _told(log)
    voltage, current, notes = _measured(log, bench)
    power = log.columns.get("power")
    load = log.columns.get("load", load_ohm)
    if voltage is not None and current is not None:
        with np.errstate(over="ignore", invalid="ignore"):
            product = voltage * current
        if power is not None:
            notes.append(_checked(power, product))
        seen, u_seen, varies = _load_seen(voltage, current, product)
        if seen is not None and load_ohm is not None and abs(seen / load_ohm - 1) > 0.1:
            raise RangeError(
                f"voltage over current is {seen:.4g} ohm throughout, and the load is said to be "
                f"{load_ohm:g} ohm",
                log.name,
                "check --load and the units of the two columns",
            )
        return LogPower(product, seen, u_seen, varies, tuple(n for n in notes if n))
    if power is None:
        power, given = _from_load(log, voltage, current, load)
        notes.append(f"power worked out from {given} and load")
    return LogPower(power, notes=tuple(notes))


def power_of(log: Log, load_ohm: float | None = None, bench: "Bench | None" = None) -> Array:
    """Return the power alone, as `log_power` gives it, W; for a part of a log."""
    log = _told(log)
    voltage, current, _ = _measured(log, bench)
    if voltage is not None and current is not None:
        with np.errstate(over="ignore", invalid="ignore"):
            return voltage * current
    power = log.columns.get("power")
    if power is not None:
        return power
    return _from_load(log, voltage, current, log.columns.get("load", load_ohm))[0]


def _told(log: Log) -> Log:
    """Return the log without columns that hold no number, as in one that `ivkit watch` writes."""
    blank = [q for q, values in log.columns.items() if values.size and np.isnan(values).all()]
    told = {q: v for q, v in log.columns.items() if q not in blank}
    return replace(log, columns=told) if blank else log


def _measured(log: Log, bench: "Bench | None") -> tuple[Array | None, Array | None, list[str]]:
    """Return voltage and current at the panel, as far as the log has them, and what was done."""
    notes: list[str] = []
    voltage, current = log.columns.get("voltage"), log.columns.get("current")
    coded = "voltage_code" in log or "current_code" in log
    front_end = bench is not None and bench.front_end is not None
    if front_end and not coded and bench.front_end.readings == "codes":
        notes.append("the bench is for converter codes and the log is in volts: taken as it stands")
        front_end = False
    if coded or (front_end and voltage is not None and current is not None):
        voltage, current, corrected = _at_panel(log, bench)
        notes += corrected
    return voltage, current, notes


def _from_load(
    log: Log, voltage: Array | None, current: Array | None, load: Array | float | None
) -> tuple[Array, str]:
    """Return the power of one of voltage and current on the load, and which of them it was."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        if voltage is not None and load is not None:
            return voltage**2 / load, "voltage"
        if current is not None and load is not None:
            return current**2 * load, "current"
    if voltage is not None or current is not None:
        return need(log.table(), "voltage" if voltage is None else "current"), ""  # raises
    return need(log.table(), "power"), ""  # raises


def _at_panel(log: Log, bench: "Bench | None") -> tuple[Array, Array, list[str]]:
    """Return voltage and current at the panel, NaN where the front end gives none."""
    from ivkit.readings.front_end import make_sweep

    converter = bench.front_end.converter if bench and bench.front_end else None
    tame = {}
    for quantity, values in log.columns.items():
        limit = converter.top + 1.0 if quantity.endswith("_code") and converter else _RUBBISH
        with np.errstate(invalid="ignore"):
            fits = (np.abs(values) < limit) | (quantity in ("time", "load"))
        tame[quantity] = np.where(fits, values, np.nan)
    places = np.arange(len(log))
    sweep = make_sweep(replace(log.table(), columns=tame, rows=places), bench)
    voltage, current = np.full(len(log), np.nan), np.full(len(log), np.nan)
    voltage[sweep.rows], current[sweep.rows] = sweep.voltage, sweep.current
    told = set(log.notes)
    # Rows are named by what reads them: here they are counted from nought, which nobody reads.
    return voltage, current, [n for n in sweep.notes if n not in told and not n.startswith("row")]


def _checked(power: Array, product: Array) -> str:
    """Say what the power column is against voltage times current, which is what is used."""
    stride = slice(None, None, 1 + power.size // _SAMPLE)
    p, vi = power[stride], product[stride]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ratio = p / vi
        usable = np.isfinite(ratio) & (np.abs(p) < _RUBBISH) & (np.abs(vi) < _RUBBISH)
        usable &= vi > 0.05 * np.nanquantile(vi[usable], 0.98) if usable.any() else False
    if not usable.any():
        return ""
    middle = float(np.median(ratio[usable]))
    if abs(middle - 1) <= 0.02:
        return "power is voltage times current, as it should be"
    slip = [f for f in (1e3, 1e-3, 1e6, 1e-6) if abs(middle / f - 1) < 0.05]
    what = f", a slip of {slip[0]:g} in a unit" if slip else ""
    return f"power is {middle:.4g} times voltage times current{what}; the product is used"


def _load_seen(
    voltage: Array, current: Array, product: Array
) -> tuple[float | None, float | None, bool]:
    """Return V/I, its standard uncertainty, and whether it changes with the power."""
    stride = slice(None, None, 1 + product.size // _SAMPLE)
    v, i, p = voltage[stride], current[stride], product[stride]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        usable = np.isfinite(p) & (np.abs(v) < _RUBBISH) & (np.abs(i) < _RUBBISH) & (i > 0)
        if usable.sum() < 20:
            return None, None, False
        usable &= p > 0.01 * np.quantile(p[usable], 0.98)
    v, i, p = v[usable], i[usable], p[usable]
    if p.size < 20:
        return None, None, False
    low, high = np.quantile(p, [0.005, 0.995])
    if high < 1.5 * low:
        return None, None, False
    ratio = v / i
    # Middles of faint, middling and strong readings, against how well each is known: a fixed load
    # gives one value for all.
    step = np.clip(np.log(p / low) / np.log(high / low) * 5, 0, 4).astype(int)
    parts = [ratio[step == k] for k in range(5) if np.count_nonzero(step == k) >= 10]
    middles = np.array([np.median(part) for part in parts])
    spreads = np.array([1.25 * np.std(part) / np.sqrt(part.size) for part in parts])
    far = np.ptp(middles) > 0.03 * np.median(middles) + 4 * np.max(spreads)
    if far:
        return None, None, True
    k = int(np.argmin(spreads))
    return float(middles[k]), float(max(spreads[k], np.ptp(middles) / 2)), False
