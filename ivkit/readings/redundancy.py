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
#: Standard uncertainty of V/I by parts that are off, as a share (common practice, no source).
SCALE_OFF = 0.02
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

    With a series resistance r, an offset d of the current and a scale s that is off, as parts
    within their tolerance make it, V/R = s (I + I r/R - d). The three follow by weighted least
    squares over all readings with Huber's weights (Ann. Math. Stat. 35 (1964) 73), so that a load
    with a wrong label does not decide. Weights hold the noise and the loads' tolerance, each
    load's own; the uncertainty is enlarged where the loads disagree by more.

    Examples
    --------
    >>> from ivkit.readings.evidence import Evidence
    >>> load = np.array([10.0, 50.0, 100.0, 200.0, 1000.0])
    >>> current = np.array([4e-3, 4e-3, 3e-3, 2e-3, 1e-3])
    >>> found = check_loads(
    ...     Sweep(current * (load + 2), current, evidence=Evidence(load_at_panel=load))
    ... )
    >>> round(found.resistance, 6), round(1e6 * abs(found.offset), 3)
    (2.0, 0.0)
    """
    load = sweep.evidence.load_at_panel
    if load is None or len(sweep) < 4:
        return None
    v, i = sweep.voltage, sweep.current
    tolerance = sweep.evidence.load_tolerance
    share = (USUAL_LOAD_TOLERANCE if tolerance is None else tolerance) / np.sqrt(3)
    u_v, u_i = usual_noise(sweep)
    largest = np.max(np.abs(i))
    known = np.isfinite(load) & (load > 0)
    with np.errstate(all="ignore"):
        ratio = np.where(known, v / i / load, np.nan)
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
    return LoadCheck(
        float(over / scale),
        float(spread[1] / abs(scale)),
        float(offset / scale),
        float(spread[2] / abs(scale)),
        used & known,
        ratio,
    )


def usual_noise(sweep: Sweep) -> tuple[Array, Array]:
    """Return the noise of V and I as stated, or else as it usually is: 0.3 % of the largest."""
    u_v, u_i = sweep.noise_voltage, sweep.noise_current
    if u_v is None:
        u_v = np.full(len(sweep), USUAL_NOISE * np.max(np.abs(sweep.voltage), initial=0.0))
    if u_i is None:
        u_i = np.full(len(sweep), USUAL_NOISE * np.max(np.abs(sweep.current), initial=0.0))
    return u_v, u_i


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
