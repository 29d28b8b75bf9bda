"""More columns than needed: power, voltage, current and load held against each other.

P = V I, and V/I is the load. A factor between them is a unit slip (a voltage or current that may be
wrong by a factor is refused, a load column is set aside); a constant resistance between
V/I and the stated load is in leads, contacts, ammeter or switch; a constant current is an offset.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ivkit.assumptions import ASSUMED
from ivkit.errors import SweepError
from ivkit.readings.sweep import Sweep
from ivkit.schema import LIMITS

Array = NDArray[np.float64]

#: Standard uncertainty of V/I by parts that are off, as a fraction.
SCALE_OFF = ASSUMED["scale of voltage over current"].u_fraction
#: Noise where it is not stated, as a fraction of the largest reading.
USUAL_NOISE = ASSUMED["noise, of the largest reading"].u_fraction


@dataclass(frozen=True)
class LoadCheck:
    """What V and I say about the stated loads.

    ``resistance``, ohm, is in series with every load and not stated; ``offset``, A, the constant
    part of the current readings; ``u_...`` their standard uncertainties. ``used`` (N,) are the
    readings that this rests on.
    """

    resistance: float
    u_resistance: float
    offset: float
    u_offset: float
    used: NDArray[np.bool_]


def check_loads(sweep: Sweep) -> LoadCheck | None:
    """Hold V/I against the stated loads; None where the sweep has no loads to check.

    With a series resistance r, an offset d of the current and a scale s that is off, as parts
    within their tolerance make it, V/R = s (I + I r/R - d). The three follow by weighted least
    squares with Huber's weights (Ann. Math. Stat. 35 (1964) 73), so that a load with a wrong label
    does not decide. Weights hold the noise and the loads' tolerance, each load's own; the
    uncertainty is enlarged where the loads disagree by more.

    >>> from ivkit.readings.evidence import Evidence
    >>> load = np.array([10.0, 50.0, 100.0, 200.0, 1000.0])
    >>> current = np.array([4e-3, 4e-3, 3e-3, 2e-3, 1e-3])
    >>> said = Evidence(load_at_panel=load)
    >>> found = check_loads(Sweep(current * (load + 2), current, evidence=said))
    >>> round(found.resistance, 6), round(1e6 * abs(found.offset), 3)
    (2.0, 0.0)
    """
    load = sweep.evidence.load_at_panel
    if load is None or len(sweep) < 4 or load_factor(sweep) is not None:
        return None
    v, i = sweep.voltage, sweep.current
    tolerance = sweep.evidence.load_tolerance
    share = ASSUMED["load resistor"].u_fraction if tolerance is None else tolerance / np.sqrt(3)
    u_v, u_i = usual_noise(sweep)
    largest = np.max(np.abs(i))
    known = np.isfinite(load) & (load > 0)
    with np.errstate(all="ignore"):
        by_load = np.where(np.isinf(load), 0.0, v / load)
        u_by_load = np.hypot(np.hypot(u_i, u_v / load), share * by_load)
    # A short circuit says nothing, and a voltage within its noise says the same.
    used = (load > 0) & (np.abs(v) > 5 * u_v) & np.isfinite(by_load)
    if used.sum() < 4 or largest == 0:
        return None
    in_load = np.where(known, i / np.where(known, load, 1.0), 0.0)
    columns = np.stack([i, in_load, -np.ones(len(sweep))], axis=1)
    x, y, u = columns[used], by_load[used], np.maximum(u_by_load[used], 1e-9 * largest)
    # The scale is one within what parts are off by.
    x = np.vstack([x / u[:, None], [1 / SCALE_OFF, 0.0, 0.0]])
    y = np.append(y / u, 1 / SCALE_OFF)
    size = np.linalg.norm(x, axis=0)
    if np.any(size == 0):
        return None
    weight = np.ones(len(y))
    for _ in range(40):
        root = np.sqrt(weight)[:, None]
        inverse = np.linalg.pinv(x / size * root)
        found = inverse @ (y * root[:, 0])
        far = np.abs(y - x / size @ found)
        weight = np.minimum(1.0, 1.5 / np.maximum(far, 1e-300))
    scatter = max(float(weight @ far**2) / max(len(y) - 3, 1), 1.0)
    spread = np.sqrt(scatter * np.diag(inverse @ inverse.T)) / size
    scale, over, offset = found / size
    unit = abs(scale)
    found = over / scale, spread[1] / unit, offset / scale, spread[2] / unit
    return LoadCheck(*map(float, found), used & known)


def usual_noise(sweep: Sweep) -> tuple[Array, Array]:
    """Return the noise of V and I as stated, or else as it usually is: 0.3 % of the largest."""

    def of(values: Array, stated: Array | None) -> Array:
        if stated is not None:
            return stated
        return np.full(len(sweep), USUAL_NOISE * np.max(np.abs(values), initial=0.0))

    return of(sweep.voltage, sweep.noise_voltage), of(sweep.current, sweep.noise_current)


def with_series_resistance(sweep: Sweep) -> Sweep:
    """Return the sweep with the resistance that `check_loads` finds added to its stated loads.

    SweepError: nothing to find it from, or nothing that stands out of its uncertainty.
    """
    found = check_loads(sweep.evidence.taken or sweep)
    if sweep.load is None or found is None or not np.isfinite(found.resistance):
        remedy = "it takes voltage, current and the stated load of each reading"
        raise SweepError("no series resistance can be found", sweep.name, remedy)
    more, u = found.resistance, found.u_resistance
    if not more > 2 * u:
        raise SweepError(
            f"the resistance in series with the loads is {more:.2g} +- {u:.1g} ohm, which may be "
            "none",
            sweep.name,
            "leave the loads as they are, or take more readings at small loads",
        )
    note = f"{more:.3g} +- {u:.1g} ohm in series (1 sigma) added to the stated loads"
    return _with_loads(sweep, lambda load: load + more, note)


def _with_loads(sweep: Sweep, change: Callable[[Array], Array | None], note: str) -> Sweep:
    """Return the sweep, and in it the one as taken, with its stated loads changed."""

    def changed(one: Sweep) -> Sweep:
        load, at_panel = (
            None if x is None else change(x) for x in (one.load, one.evidence.load_at_panel)
        )
        taken = None if one.evidence.taken is None else changed(one.evidence.taken)
        return replace(
            one, load=load, evidence=replace(one.evidence, load_at_panel=at_panel, taken=taken)
        )

    return replace(changed(sweep), notes=(*sweep.notes, note))


def load_factor(sweep: Sweep) -> float | None:
    """Return the power of a thousand by which V/I is off the stated loads; None where it is not.

    Nine of ten loads must show it, within 20 %: more is off than a series resistance or a load with
    a wrong label explains.

    >>> from ivkit.readings.evidence import Evidence
    >>> load = np.array([10.0, 50.0, 100.0, 200.0])
    >>> current = np.array([4e-3, 4e-3, 3e-3, 2e-3])
    >>> load_factor(Sweep(current * load, current * 1000, evidence=Evidence(load_at_panel=load)))
    0.001
    """
    load = sweep.evidence.load_at_panel
    if load is None:
        return None
    with np.errstate(all="ignore"):
        ratio = sweep.voltage / sweep.current / load
        tens = np.log10(ratio)
    known = np.isfinite(load) & (load > 0) & np.isfinite(tens)
    if known.sum() < 3:
        return None
    power = 3 * round(float(np.median(tens[known])) / 3)
    near = np.abs(tens[known] - power) < np.log10(1.2)
    return 10.0**power if power and np.mean(near) > 0.9 else None


def _refuse_beyond(sweep: Sweep) -> None:
    """Refuse what no panel gives, as the current from a voltage across a millionth of an ohm."""
    for values, name, unit in ((sweep.voltage, "voltage", "V"), (sweep.current, "current", "A")):
        beyond = np.flatnonzero(np.abs(values) > LIMITS[unit][1])
        if beyond.size:
            k = int(beyond[0])
            row = "" if sweep.rows is None else f", row {sweep.rows[k]:g}"
            what = f"a {name} of {values[k]:.3g} {unit} follows, which no panel gives"
            remedy = "correct the row's readings or its load, or leave a cell blank"
            raise SweepError(what, f"{sweep.name}{row}", remedy)


def settle_units(sweep: Sweep) -> Sweep:
    """Return the sweep without a load column whose unit is wrong; refuse where V or I may be.

    A power column tells which it is: P = V I holds where the load is wrong, P = V^2/R where the
    current is, P = I^2 R where the voltage is.

    SweepError: voltage or current is off by a factor of a thousand, or cannot be told not to be, or
    is one that no panel gives.
    """
    _refuse_beyond(sweep)
    whole = sweep.evidence.taken or sweep
    factor = load_factor(whole)
    if factor is None:
        return sweep
    wrong = _wrong_quantity(whole)
    off = f"voltage over current is {factor:g} times the stated load"
    if wrong == "load":
        note = (
            f"{off}, and power is voltage times current: the load's heading names the wrong unit; "
            "the column is not used"
        )
        return _with_loads(sweep, lambda load: None, note)
    # As many times too large or too small, each by itself would explain it.
    small = "m" if 1e-3 <= factor <= 1e3 else "u"
    unit = {
        "voltage": f"{small}V" if factor > 1 else "V",
        "current": "A" if factor > 1 else f"{small}A",
        "load": "kohm" if factor > 1 else "mohm",
    }
    if wrong is not None:
        raise SweepError(
            f"{off}, and the power agrees with the other two: the {wrong} is in the wrong unit",
            sweep.name,
            f"correct its heading, or say --column {wrong}=NAME:{unit[wrong]}",
        )
    raise SweepError(
        f"{off} in all readings: voltage, current or load is in the wrong unit",
        sweep.name,
        "correct its heading, or say which: "
        + ", ".join(f"--column {name}=NAME:{word}" for name, word in unit.items())
        + "; --column load=none leaves the loads out",
    )


def _wrong_quantity(sweep: Sweep) -> str | None:
    """Return which of load, current and voltage a power column contradicts."""
    power, load = sweep.evidence.power, sweep.evidence.load_at_panel
    if power is None:
        return None
    v, i = sweep.voltage, sweep.current
    by = {"load": v * i, "current": v**2 / np.where(load > 0, load, np.nan), "voltage": i**2 * load}
    for name, product in by.items():
        with np.errstate(all="ignore"):
            ratio = power / product
        ratio = ratio[np.isfinite(ratio) & (ratio > 0)]
        if ratio.size >= 3 and 0.8 < np.median(ratio) < 1.25:
            return name
    return None
