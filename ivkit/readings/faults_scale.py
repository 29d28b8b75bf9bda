"""Faults of scale: what no cell gives, what no light gives, and columns that contradict others."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ivkit.readings.fault import Fault, fault, named_points
from ivkit.readings.redundancy import check_loads, usual_noise
from ivkit.readings.sweep import Sweep

#: V per cell. The best silicon cells reach 0.75 V at open circuit (Green et al., Solar cell
#: efficiency tables, Prog. Photovolt. 32 (2024) 3, doi:10.1002/pip.3750), amorphous ones 0.9 V.
MOST_VOLTS = 1.0
#: Perovskite cells of one junction reach 1.26 V (those tables, from memory), three stacked
#: junctions 3.2 V (common practice, no source).
MOST_ONE_JUNCTION, MOST_STACK = 1.35, 3.2
#: Near open circuit, in any light that a sweep can be taken in (common practice, no source).
LEAST_VOLTS = 0.15
#: A/m2 at 1000 W/m2. All photons of AM1.5G up to 1200 nm, where silicon ends, are 464 A/m2 (from
#: the spectrum of IEC 60904-3 as pvlib holds it).
MOST_DENSITY = 464.0
#: W/m2. More than the sun gives, edges of clouds included (common practice, no source).
MOST_SUN = 1600.0
#: Of the stated irradiance: it may be off by this share before a current is called impossible.
DOUBT = 0.15


def voltage_per_cell(sweep: Sweep) -> Iterator[Fault]:
    """Find a voltage that so many cells cannot give."""
    if not sweep.cells or len(sweep) < 3:
        return
    most = float(np.max(np.abs(sweep.voltage)))
    each = most / sweep.cells
    reached = np.min(np.abs(sweep.current)) < 0.5 * np.max(np.abs(sweep.current))
    if each > MOST_STACK:
        what = f"more than any cell gives ({MOST_STACK:g} V, three stacked junctions)"
    elif each > MOST_ONE_JUNCTION:
        what = (
            f"more than any cell of one junction gives ({MOST_ONE_JUNCTION:g} V); stacked "
            "junctions, tandem or triple, do"
        )
    elif each > MOST_VOLTS:
        what = f"more than a silicon or thin-film cell gives ({MOST_VOLTS:g} V); perovskite does"
    elif each < LEAST_VOLTS and reached:
        what = f"less than a cell in light gives ({LEAST_VOLTS:g} V)"
    else:
        return
    found = fault(
        "voltage_per_cell", f"{most:.4g} V from {sweep.cells} cells is {each:.3g} V a cell, {what}"
    )
    yield replace(found, severity="note") if MOST_VOLTS < each <= MOST_ONE_JUNCTION else found


def current_beyond_area(sweep: Sweep) -> Iterator[Fault]:
    """Find a current that the panel's area cannot give in this light."""
    area, cells = sweep.evidence.area, sweep.cells
    if area is None or not cells or not len(sweep):
        return
    light = sweep.condition.effective_irradiance
    limit = MOST_SUN if light is None else (1 + DOUBT) * light
    most = MOST_DENSITY * area / cells * limit / 1000.0
    largest = float(np.max(np.abs(sweep.current)))
    if largest > most:
        under = "the brightest sun" if light is None else f"{light:.4g} W/m2"
        yield fault(
            "current_beyond_area",
            f"{largest:.4g} A is more than {cells} cells on {1e4 * area:.4g} cm2 can give under "
            f"{under}, {most:.3g} A",
        )


def power_column(sweep: Sweep) -> Iterator[Fault]:
    """Hold a power column against voltage times current."""
    power = sweep.evidence.power
    if power is None:
        return
    product = sweep.power
    ok = np.isfinite(power) & (np.abs(product) > 0.05 * np.max(np.abs(product), initial=0.0))
    ok &= power != 0
    if ok.sum() < 3:
        return
    ratio = power[ok] / product[ok]
    middle = float(np.median(ratio))
    if not 0.8 < middle < 1.25:
        tens = np.round(np.log10(middle)) if middle > 0 else 0.0
        if tens != 0 and abs(np.log10(middle) - tens) < 0.1:
            said = f"the power column is {10**tens:g} times voltage times current: its heading "
            yield fault("unit_slip", said + "names the wrong unit")
        else:
            said = f"the power column is {middle:.3g} times voltage times current"
            yield fault("power_disagrees", said)
    u_v, u_i = usual_noise(sweep)
    with np.errstate(all="ignore"):
        loose = np.hypot(u_v / sweep.voltage, u_i / sweep.current)[ok]
        if sweep.evidence.step_power:
            loose = loose + sweep.evidence.step_power / np.abs(power[ok])
    odd = np.abs(ratio / middle - 1) > 0.1 + 5 * loose
    if np.any(odd) and np.mean(odd) < 0.3:
        where = np.flatnonzero(ok)[odd]
        said = f"power is not voltage times current in {named_points(where, sweep.rows)}"
        yield fault("power_disagrees", said, where)


def stated_loads(sweep: Sweep) -> Iterator[Fault]:
    """Find a series resistance that is not in the stated loads, and a current offset."""
    found = check_loads(sweep)
    if found is None:
        return
    largest = float(np.max(np.abs(sweep.current), initial=0.0))
    r, u_r = found.resistance, found.u_resistance
    smallest = np.min(sweep.evidence.load_at_panel[found.used], initial=np.inf)
    clear = found.used.sum() >= 4 and r > 4 * u_r and r > 0.02 * smallest
    if clear and _constant(sweep, r, found.used):
        yield fault(
            "series_resistance_in_load",
            f"voltage over current is {r:.3g} +- {u_r:.1g} ohm more than the stated load "
            "(1 sigma): so much is in series with it",
        )
    if abs(found.offset) > 5 * found.u_offset and abs(found.offset) > 0.008 * largest:
        yield fault(
            "current_offset",
            f"the current reads {found.offset:.3g} +- {found.u_offset:.1g} A more than "
            "voltage over load (1 sigma), at small currents as well",
        )


def _constant(sweep: Sweep, r: float, used) -> bool:
    """Tell whether a resistance in series explains V/I better than a common factor does."""
    v, i, load = sweep.voltage[used], sweep.current[used], sweep.evidence.load_at_panel[used]
    with np.errstate(all="ignore"):
        series = np.abs(np.log(np.abs(v / i / (load + r))))
        factor = np.log(np.abs(v / i / load))
        factor = np.abs(factor - np.median(factor))
    return bool(np.median(series) < np.median(factor) or np.mean(series) < np.mean(factor))
