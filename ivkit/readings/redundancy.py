"""More columns than needed: power, voltage, current and load held against each other.

P = V I, and V/I is the load. A factor between them is a unit slip; a constant resistance between
V/I and the stated load is in leads, contacts, ammeter or switch; a constant current is an offset.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError
from ivkit.readings.sweep import Sweep

Array = NDArray[np.float64]

#: Stated loads whose tolerance nobody says: plus or minus 5 %, the usual carbon-film resistor
#: (common practice, no source).
USUAL_LOAD_TOLERANCE = 0.05
#: What the readings themselves may be off by where their noise is not stated, as a share of the
#: largest (common practice, no source).
USUAL_NOISE = 0.003


@dataclass(frozen=True)
class LoadCheck:
    """What V and I say about the stated loads.

    Attributes
    ----------
    resistance, u_resistance : float
        In series with every load and not stated, ohm, with its standard uncertainty.
    offset, u_offset : float
        Constant part of the current readings, A, with its standard uncertainty.
    used : ndarray of bool, shape (N,)
        Readings that this rests on.
    ratio : ndarray, shape (N,)
        V/I over the stated load; NaN at short and open circuit.
    """

    resistance: float
    u_resistance: float
    offset: float
    u_offset: float
    used: NDArray[np.bool_]
    ratio: Array


def check_loads(sweep: Sweep) -> LoadCheck | None:
    """Hold V/I against the stated loads; None where the sweep has no loads to check.

    The series resistance is what V/I - R has in common, and the offset what I - V/R does; each by
    weighted least squares over all readings with Huber's weights (Ann. Math. Stat. 35 (1964) 73),
    so that a load with a wrong label does not decide. Weights hold the noise and the loads'
    tolerance, each load's own; the uncertainty is enlarged where the loads disagree by more.

    Examples
    --------
    >>> from ivkit.readings.evidence import Evidence
    >>> load = np.array([10.0, 100.0, 1000.0])
    >>> current = np.array([4e-3, 3e-3, 1e-3])
    >>> found = check_loads(
    ...     Sweep(current * (load + 2), current, evidence=Evidence(load_at_panel=load))
    ... )
    >>> round(found.resistance, 6)
    2.0
    """
    load = sweep.evidence.load_at_panel
    if load is None:
        return None
    v, i = sweep.voltage, sweep.current
    tolerance = sweep.evidence.load_tolerance
    share = (USUAL_LOAD_TOLERANCE if tolerance is None else tolerance) / np.sqrt(3)
    u_v, u_i = usual_noise(sweep)
    known = np.isfinite(load) & (load > 0)
    with np.errstate(all="ignore"):
        ratio = np.where(known, v / i / load, np.nan)
        over = v / i - load
        u_over = np.hypot(np.hypot(u_v / i, v * u_i / i**2), share * load)
        by_load = np.where(np.isinf(load), 0.0, v / load)
        u_by_load = np.hypot(np.hypot(u_i, u_v / load), share * by_load)
    enough = known & (np.abs(i) > 10 * u_i) & np.isfinite(over)
    resistance, u_resistance = _common(over[enough], u_over[enough])
    # An offset shows where little current flows: there a series resistance hides.
    faint = (load > 0) & (np.abs(by_load) < 0.5 * np.max(np.abs(i)))
    offset, u_offset = _common((i - by_load)[faint], u_by_load[faint])
    return LoadCheck(resistance, u_resistance, offset, u_offset, enough, ratio)


def usual_noise(sweep: Sweep) -> tuple[Array, Array]:
    """Return the noise of V and I as stated, or else as it usually is: 0.3 % of the largest."""
    u_v, u_i = sweep.noise_voltage, sweep.noise_current
    if u_v is None:
        u_v = np.full(len(sweep), USUAL_NOISE * np.max(np.abs(sweep.voltage), initial=0.0))
    if u_i is None:
        u_i = np.full(len(sweep), USUAL_NOISE * np.max(np.abs(sweep.current), initial=0.0))
    return u_v, u_i


def _common(values: Array, u: Array) -> tuple[float, float]:
    """Return the common value of readings and its standard uncertainty; NaN for none."""
    if not values.size:
        return np.nan, np.nan
    u = np.maximum(u, 1e-12 * np.max(np.abs(values), initial=1e-300))
    order = np.argsort(values)
    heap = np.cumsum(1 / u[order] ** 2)
    middle = float(values[order][np.searchsorted(heap, heap[-1] / 2)])
    weight = 1 / u**2
    for _ in range(30):
        far = np.abs(values - middle) / u
        weight = np.minimum(1.0, 1.5 / np.maximum(far, 1e-300)) / u**2
        middle = float(weight @ values / weight.sum())
    scatter = 1.0
    if values.size > 1:
        scatter = float(weight @ (values - middle) ** 2 / (values.size - 1))
    return middle, float(np.sqrt(max(scatter, 1.0) / weight.sum()))


def with_series_resistance(sweep: Sweep) -> Sweep:
    """Return the sweep with the resistance that `check_loads` finds added to its stated loads.

    Raises
    ------
    SweepError
        There is nothing to find it from.
    """
    found = check_loads(sweep)
    if sweep.load is None or found is None or not np.isfinite(found.resistance):
        raise SweepError(
            "no series resistance can be found",
            sweep.name,
            "it takes voltage, current and the stated load of each reading",
        )
    from dataclasses import replace

    more = found.resistance
    note = f"{more:.3g} ohm in series added to the stated loads"
    evidence = replace(sweep.evidence, load_at_panel=sweep.evidence.load_at_panel + more)
    return replace(sweep, load=sweep.load + more, evidence=evidence, notes=(*sweep.notes, note))
