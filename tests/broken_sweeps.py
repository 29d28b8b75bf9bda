"""Sweeps of random panels on random benches, sound or broken on purpose; all invented.

Each comes as a table would be read: by meters whose figures are written with four digits, or by a
converter behind divider, shunt and amplifier, with parts off within their tolerance. Panels have 1
to 72 cells and 5 mA to 8 A; loads are spread evenly over the curve or over their logarithm, in any
order.
"""

from dataclasses import replace

import numpy as np

from ivkit.bench import (
    Bench,
    BenchCondition,
    Converter,
    CurrentChannel,
    FrontEnd,
    Loads,
    PanelUnderTest,
    VoltageChannel,
)
from ivkit.curve.diode import SingleDiode
from ivkit.panel.conditions import ReferencePanel
from ivkit.readings.broken import BREAKS
from ivkit.readings.front_end import make_sweep
from ivkit.readings.table import Table
from ivkit.verdict.simulate import hand_meters, simulate

#: Kinds that show only with the stated loads, the cells or the area at hand, or only on one bench.
NEEDS_LOADS = {"series_resistance", "current_offset"}
ONLY_METERS = {"reversed_current", "reversed_voltage", "power_unit", "shunt_factor"}
NEEDS_STRING = {"step_in_curve"}
ONLY_CONVERTER = {"converter_at_end"}
NEEDS_CELLS = {"divider_factor", "shunt_factor"}


def random_panel(rng, fewest_cells=1):
    """Return a panel as it may be, at 1000 W/m2 and 25 degC."""
    cells = int(rng.choice([n for n in (1, 2, 10, 18, 36, 60, 72) if n >= fewest_cells]))
    i_l = 10 ** rng.uniform(-2, 0.9)
    a = cells * rng.uniform(1.0, 1.5) * 0.025693
    v_oc = cells * rng.uniform(0.56, 0.66)
    i_0 = i_l / np.expm1(v_oc / a)
    unit = v_oc / i_l
    return ReferencePanel.from_curve(
        SingleDiode(i_l, i_0, rng.uniform(0.01, 0.08) * unit, rng.uniform(8, 150) * unit, a),
        1000.0,
        25.0,
        rng.uniform(3e-4, 6e-4) * i_l,
        cells,
    )


def random_loads(rng, model, ends):
    """Return loads in the order taken, ohm."""
    n = int(rng.integers(14, 32))
    best = float(model.key_points().best_load)
    if rng.random() < 0.5:
        loads = best * np.geomspace(0.03, 30.0, n) * rng.uniform(0.95, 1.05, n)
    else:
        v_oc = float(model.key_points().v_oc)
        v = v_oc * np.linspace(0.03, 0.995, n)
        loads = v / model.current(v)
    if ends:
        loads = np.r_[0.0, loads, np.inf]
    order = np.argsort(loads)
    how = rng.integers(4)
    if how == 1:
        order = order[::-1]
    elif how == 2:
        order = rng.permutation(order)
    elif how == 3:
        order = np.r_[order[::2], order[1::2][::-1]]
    return loads[order]


def converter_bench(rng, v_oc, i_sc):
    """Return a home-made bench whose ranges suit a panel."""
    top = 100e3
    share = rng.uniform(0.55, 0.9) * 3.3 / v_oc
    divided = VoltageChannel(gain=min(share, 50.0), gain_tolerance_pct=1.0, noise_V=5e-4 * v_oc)
    if share < 1:
        divided = VoltageChannel(
            divider_top_ohm=top,
            divider_bottom_ohm=top * share / (1 - share),
            tolerance_pct=1.0,
            noise_V=5e-4 * v_oc,
        )
    gain = 20.0
    shunt = rng.uniform(0.5, 0.85) * 3.2 / (gain * i_sc)
    return FrontEnd(
        divider_at="panel",
        readings="codes",
        voltage=divided,
        current=CurrentChannel(
            shunt_ohm=shunt,
            shunt_tolerance_pct=1.0,
            gain=gain,
            gain_tolerance_pct=0.5,
            offset_V=0.05,
            offset_tolerance_V=0.002,
            noise_A=5e-4 * i_sc,
        ),
        converter=Converter(
            bits=12,
            reference_V=3.3,
            reference_tolerance_pct=0.5,
            offset_tolerance_counts=1.0,
            noise_counts=0.8,
            averages=int(rng.choice([1, 16])),
        ),
    )


def taken(seed, kind=None):
    """Return a sweep as it would be read, broken in one of the ways of `BREAKS` or in none."""
    rng = np.random.default_rng([seed, 77])
    panel = random_panel(rng, 10 if kind in NEEDS_STRING else 1)
    light, temp_cell = rng.uniform(150, 1000), rng.uniform(20, 45)
    model = panel.at(light, temp_cell)
    points = model.key_points()
    v_oc, i_sc = float(points.v_oc), float(points.i_sc)
    with_converter = (rng.random() < 0.5 and kind not in ONLY_METERS) or kind in ONLY_CONVERTER
    front_end = converter_bench(rng, v_oc, i_sc) if with_converter else hand_meters(v_oc, i_sc)
    if not with_converter:
        front_end = replace(
            front_end,
            voltage=replace(front_end.voltage, accuracy_pct_of_reading=0.5),
            current=replace(front_end.current, accuracy_pct_of_reading=1.0),
        )
    density = rng.uniform(250, 380)  # A/m2 a cell
    area = panel.cells * float(panel.photocurrent) / density
    known = with_converter or kind in NEEDS_CELLS or rng.random() < 0.4
    bench = Bench(
        panel=PanelUnderTest(cells=panel.cells, area_cm2=1e4 * area),
        condition=BenchCondition(irradiance_W_m2=light * rng.uniform(0.95, 1.05)),
        front_end=front_end,
        loads=Loads(tolerance_pct=float(rng.choice([1.0, 5.0]))),
    )
    loads = random_loads(rng, model, ends=rng.random() < 0.7)
    broken = None if kind is None else BREAKS[kind]
    columns = dict(simulate(panel, light, temp_cell, loads, rng, bench, broken).columns)
    resolution = {}
    if not with_converter:
        for name in ("voltage", "current", "power"):
            if name in columns:
                digits = 3 - np.floor(np.log10(np.max(np.abs(columns[name]))))
                columns[name] = np.round(columns[name], int(digits))
                resolution[name] = 10.0**-digits
    elif kind not in ("coarse_steps",):
        columns = {k: np.round(x, 4) if "code" in k else x for k, x in columns.items()}
    if kind not in NEEDS_LOADS and rng.random() < 0.3:
        del columns["load"]
    rows = np.arange(len(next(iter(columns.values())))) + 2
    table = Table(columns, rows, f"{kind or 'sound'} {seed}", resolution=resolution)
    return make_sweep(table, bench if known else None)
