"""Sound sweeps of every habit, solved by pvlib: nothing may be called wrong with them.

In the sun and indoors, 1 to 72 cells, 12 to 60 points from near short circuit to near open circuit
or past both, at even voltages or at spaced loads, in any order, with 0.05 to 1 % of noise, as read
by meters of four digits, by a converter that is good enough, or as voltages over known resistors.
All invented.
"""

import numpy as np
from pvlib.pvsystem import i_from_v, v_from_i

from ivkit.readings.front_end import make_sweep
from ivkit.readings.sweep import Sweep
from ivkit.readings.table import Table


def _panel(rng):
    """Return the five parameters and Voc (V)."""
    cells = int(rng.choice([1, 2, 4, 10, 18, 36, 60, 72]))
    indoors = rng.random() < 0.35
    each = rng.uniform(0.3, 0.5) if indoors else rng.uniform(0.53, 0.7)
    light = 10 ** rng.uniform(-4.3, -2) if indoors else 10 ** rng.uniform(-1.5, 0.95)
    a = cells * rng.uniform(1.0, 1.6) * 0.0257
    unit = cells * each / light
    series = rng.uniform(0.0, 0.01) if indoors else rng.uniform(0.005, 0.1)
    shunt = rng.uniform(5, 60) if indoors else rng.uniform(8, 300)
    saturation = light / np.expm1(cells * each / a)
    five = {
        "photocurrent": light,
        "saturation_current": saturation,
        "resistance_series": series * unit,
        "resistance_shunt": shunt * unit,
        "nNsVth": a,
    }
    return five, float(v_from_i(0.0, **five)), cells


def _voltages(rng, five, v_oc, n):
    """Return where the sweep is taken (V), and the loads (ohm), or None where a supply sets V."""
    if rng.random() < 0.45:
        ends = ((0.0, 1.0), (0.02, 0.985), (-0.05, 1.01), (0.0, 0.995))[rng.integers(4)]
        return np.linspace(*ends, n) * v_oc, None
    fine = np.linspace(1e-4, 1.0 - 1e-9, 20000) * v_oc
    loads = fine / np.maximum(i_from_v(fine, **five), 1e-300)
    v_mid = 0.78 * v_oc
    middle = v_mid / i_from_v(v_mid, **five)
    wanted = middle * np.geomspace(0.03, 40.0, n)
    if rng.random() < 0.5:
        wanted = wanted * rng.uniform(0.8, 1.25, n)
    return np.interp(wanted, loads, fine), wanted


def sound(seed):
    """Return one sound sweep."""
    rng = np.random.default_rng([seed, 4711])
    five, v_oc, cells = _panel(rng)
    v, load = _voltages(rng, five, v_oc, int(rng.integers(12, 61)))
    order = np.arange(len(v))
    how = rng.integers(4)
    order = (order, order[::-1], rng.permutation(order), np.r_[order[::2], order[1::2][::-1]])[how]
    v = v[order]
    i = i_from_v(v, **five)
    i_sc = float(i_from_v(0.0, **five))
    u_i = 10 ** rng.uniform(np.log10(5e-4), -2) * i_sc
    u_v = rng.choice([0.0, 5e-4, 2e-3]) * v_oc
    name = f"sound {seed}"
    read_v = v + rng.normal(0.0, 1.0, v.shape) * u_v
    if load is not None and rng.random() < 0.4:
        load = load[order]
        if rng.random() < 0.5:  # a meter that changes its range: four digits of every reading
            read_v = v * (1 + rng.normal(0.0, 10 ** rng.uniform(np.log10(5e-4), -2), v.shape))
            steps = 10.0 ** (np.floor(np.log10(read_v)) - 3)
            read_v = np.round(read_v / steps) * steps
        else:  # a fixed range, so that the current of a small load is its noise by percents
            read_v = _written(rng, v + rng.normal(0.0, 5e-4 * v_oc, v.shape), v_oc)
        columns = {"voltage": read_v, "load": load}
        return make_sweep(Table(columns, np.arange(len(v)) + 2, name), None)
    read_i = i + rng.normal(0.0, 1.0, v.shape) * u_i
    read_v, read_i = _written(rng, read_v, v_oc), _written(rng, read_i, i_sc)
    if load is not None or u_v == 0:
        if rng.random() < 0.5:
            return Sweep(read_v, read_i, name=name)
    elif rng.random() < 0.4:
        return Sweep(read_v, read_i, name=name)
    least = (v_oc / 4000, i_sc / 4000)
    noise = (np.full(v.shape, np.hypot(u, x)) for u, x in zip((u_v, u_i), least, strict=True))
    u_v, u_i = noise
    return Sweep(read_v, read_i, u_v, u_i, cells=cells, name=name)


def _written(rng, values, largest):
    """Return values as a meter of four digits writes them, or in codes of 12 or 16 bits."""
    digits = 3 - int(np.floor(np.log10(largest)))
    step = (10.0**-digits, 1.3 * largest / 4096, 1.6 * largest / 65536)[rng.integers(3)]
    return np.round(values / step) * step
