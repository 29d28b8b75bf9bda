"""Each fault that shows without a fit, on sweeps made by hand where the reason can be seen.

The sweeps are points of the single-diode equation as pvlib solves it (Jain and Kapoor, Sol. Energy
Mater. Sol. Cells 81 (2004) 269); what is done to them is said in each test.
"""

import numpy as np
import pytest
from pvlib.pvsystem import i_from_v

from ivkit.readings.evidence import Evidence
from ivkit.readings.faults import find_faults
from ivkit.readings.sweep import Sweep

PANEL = {
    "photocurrent": 0.62,
    "saturation_current": 3.7e-10,
    "resistance_series": 1.2,
    "resistance_shunt": 900.0,
    "nNsVth": 1.0175,
}
V_OC = 21.57


def current(v):
    return i_from_v(np.asarray(v, dtype=float), **PANEL)


def names(v, i, **known):
    return [one.name for one in find_faults(Sweep(np.asarray(v), np.asarray(i), **known))]


def noisy(i, share=1e-3, seed=1):
    return i + np.random.default_rng(seed).normal(0.0, share * np.max(i), np.shape(i))


@pytest.mark.parametrize(
    "v",
    [
        np.linspace(0.0, 21.0, 30),
        np.r_[np.linspace(0.0, 21.0, 30), np.linspace(21.0, 0.0, 30)[1:]],  # up and down again
        np.repeat(np.arange(0.0, 22.0), 3),  # three readings at each voltage
        np.r_[0.0, 5.0, 10.0, 12.0, 14.0, np.arange(15.0, 22.0)],  # finer about the knee
        np.r_[np.arange(0.0, 22.0), 0.0],  # the first one taken again at the end
    ],
)
def test_voltages_that_somebody_set_are_not_rounded(v):
    assert names(v, noisy(current(v))) == []


def test_an_even_grid_with_a_copied_block_is_a_copied_block():
    v = np.linspace(0.0, 21.0, 30)
    v, i = (np.r_[x[:12], x[8:]] for x in (v, noisy(current(v))))
    assert names(v, i) == ["repeated_rows"]


@pytest.mark.parametrize("steps", [9, 17, 26])
@pytest.mark.parametrize("channel", ["voltage", "current"])
def test_a_range_far_too_large_shows_in_steps(steps, channel):
    # Loads as they lie in a drawer: voltages fall on the steps as they come.
    v = V_OC * np.array([0.03, 0.07, 0.16, 0.26, 0.41, 0.52, 0.63, 0.71, 0.77, 0.8, 0.83, 0.86,
                         0.88, 0.91, 0.93, 0.955, 0.97, 0.985, 0.99, 0.995])  # fmt: skip
    i = current(v)
    values = {"voltage": v, "current": i}
    step = np.max(values[channel]) / steps
    values[channel] = np.round(values[channel] / step) * step
    (fault,) = find_faults(Sweep(**values))
    assert fault.name == "coarse_steps"
    assert f"the {channel} was read in" in fault.message
    assert fault.severity == "warning"
    assert not fault.leave_out


SIGNS = [
    ((1, -1), ["reversed_current"]),
    ((-1, 1), ["reversed_voltage"]),
    ((-1, -1), ["reversed_voltage", "reversed_current"]),
]


@pytest.mark.parametrize(("signs", "expected"), SIGNS)
@pytest.mark.parametrize("last", [21.4, 22.0, 22.5])  # short of open circuit, and past it
def test_reversed_leads_are_named_also_past_open_circuit(signs, expected, last):
    v = np.linspace(0.0, last, 20)
    assert names(signs[0] * v, signs[1] * current(v)) == expected


def test_a_reversed_current_is_named_with_one_stray_sign():
    # All but the last reading negative: a resistor has no such curve.
    v = np.linspace(0.0, 21.4, 20)
    i = -current(v)
    i[-1] = 0.05
    assert names(v, i) == ["reversed_current"]


def test_a_sweep_past_both_ends_and_a_driven_dark_panel_are_not_reversed():
    v = np.linspace(-4.0, 22.6, 40)
    assert names(v, noisy(current(v))) == []
    dark = current(v) - current(0.0)
    assert names(v[v > 0], dark[v > 0]) == []


def test_a_series_resistance_in_the_loads_does_not_make_a_flat_current_stuck():
    # Where the current is flat it repeats itself while the stated loads move: V/I is each load
    # and the same ten ohm more.
    load = np.array([1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 22.0, 30.0, 47.0, 100.0, 220.0])
    fine = np.linspace(0.0, 21.56, 20001)
    flat = PANEL | {"resistance_shunt": np.inf}
    seen = fine / np.maximum(i_from_v(fine, **flat), 1e-12)
    v = np.round(np.interp(load + 10.0, seen, fine), 3)
    i = np.round(i_from_v(v, **flat), 3)
    assert np.sum(i[:4] == i[0]) >= 3
    found = names(v, i, evidence=Evidence(load_at_panel=load))
    assert "series_resistance_in_load" in found
    assert "stuck_channel" not in found


def test_a_current_that_sticks_while_the_loads_move_is_told_and_left_out():
    load = np.array([1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 22.0, 30.0, 47.0, 100.0, 220.0])
    fine = np.linspace(0.0, 21.56, 20001)
    v = np.interp(load, fine / np.maximum(current(fine), 1e-12), fine)
    i = current(v)
    i[6:10] = i[6]
    (fault,) = find_faults(Sweep(v, i, evidence=Evidence(load_at_panel=load)))
    assert (fault.name, fault.points, fault.leave_out) == ("stuck_channel", (7, 8, 9), True)


V = np.r_[np.linspace(0.3, 16.0, 12), np.linspace(16.8, 21.5, 14)]


def the_fault(v, i, **known):
    """Return the only fault that is found."""
    (found,) = find_faults(Sweep(np.asarray(v), np.asarray(i), **known))
    return found


def test_a_current_held_where_the_curve_has_to_fall_is_clipped():
    # Every junction lets the current fall by exp(-30 (1 - V/Voc)) at least.
    i = np.minimum(current(V), 0.55)
    fault = the_fault(V, i)
    assert fault.name == "clipped_channel"
    assert fault.points == tuple(np.flatnonzero(i == 0.55))
    assert fault.leave_out
    assert "the current stands at 0.55 A" in fault.message
    assert "smaller shunt" in fault.remedy


def test_a_flat_current_of_a_good_panel_is_not_clipped():
    # Without shunt the current is flat to the last digit up to two thirds of Voc.
    i = np.round(i_from_v(V, **PANEL | {"resistance_shunt": np.inf}), 3)
    assert np.sum(i == np.max(i)) > 8
    assert names(V, i) == []


def test_a_voltage_held_while_the_current_falls_is_clipped():
    v = np.minimum(V, 19.0)
    fault = the_fault(v, current(V))
    assert (fault.name, fault.points) == ("clipped_channel", tuple(np.flatnonzero(V >= 19.0)))
    assert fault.leave_out


def test_codes_at_the_converters_end_are_clipped():
    at_end = V > 21.0
    fault = the_fault(V, current(V), evidence=Evidence(at_end=at_end))
    assert (fault.name, fault.points) == ("clipped_channel", tuple(np.flatnonzero(at_end)))


def test_a_voltage_that_never_moves():
    assert the_fault(np.full(26, 12.3), current(V)).name == "one_voltage"


def test_no_light_and_columns_that_only_look_like_it():
    rng = np.random.default_rng(6)
    noise = {"noise_voltage": np.full(26, 0.02), "noise_current": np.full(26, 1e-3)}
    v, i = rng.normal(0.0, 0.02, 26), rng.normal(0.0, 1e-3, 26)
    assert the_fault(v, i, **noise).name == "no_light"
    # Currents of milliamperes under the voltage's heading are less than the noise of a voltage,
    # but they follow the other channel.
    swapped = names(1e-2 * current(V), V, **noise)
    assert "no_light" not in swapped


def test_swapped_columns_by_their_loads():
    load = V / current(V)
    fault = the_fault(current(V), V, evidence=Evidence(load_at_panel=load))
    assert (fault.name, fault.severity) == ("swapped_columns", "error")


@pytest.mark.parametrize(
    ("factor", "word"), [(7.667, "more than any cell"), (1 / 7.667, "less than a cell")]
)
def test_a_divider_forgotten_or_applied_twice_shows_by_the_cell(factor, word):
    fault = the_fault(factor * V, current(V), cells=36)
    assert (fault.name, fault.severity) == ("voltage_per_cell", "error")
    assert word in fault.message


@pytest.mark.parametrize(
    ("cells", "severity", "word"),
    [(20, "note", "perovskite does"), (13, "error", "stacked junctions, tandem or triple, do")],
)
def test_cells_of_another_kind_are_not_called_impossible(cells, severity, word):
    # 21.6 V at open circuit: 1.05 V a cell as of perovskite, 1.66 V as of a tandem.
    fault = the_fault(V, current(V), cells=cells)
    assert (fault.name, fault.severity) == ("voltage_per_cell", severity)
    assert word in fault.message


def test_a_current_that_no_light_gives_from_this_area():
    # 0.62 A from 36 cells takes 36 x 0.62 / 350 m2 in the sun; ten times the current is a slip.
    known = {"cells": 36, "evidence": Evidence(area=36 * 0.62 / 350)}
    assert names(V, current(V), **known) == []
    assert the_fault(V, 10 * current(V), **known).name == "current_beyond_area"


def test_a_power_column_is_held_against_voltage_times_current():
    watts = V * current(V)
    assert names(V, current(V), evidence=Evidence(power=watts)) == []
    slip = the_fault(V, current(V), evidence=Evidence(power=1000 * watts))
    assert (slip.name, "1000 times" in slip.message) == ("unit_slip", True)
    watts[7] *= 2
    wrong = the_fault(V, current(V), evidence=Evidence(power=watts))
    assert (wrong.name, wrong.points) == ("power_disagrees", (7,))


def test_a_current_that_is_not_zero_with_nothing_connected():
    load = np.r_[V / current(V), np.inf]
    v, i = np.r_[V, 21.57], np.r_[current(V), 0.0]
    fault = the_fault(v, i + 0.03, evidence=Evidence(load_at_panel=load, load_tolerance=0.01))
    assert fault.name == "current_offset"
    assert 0.028 < float(fault.message.split("reads ")[1].split(" ")[0]) < 0.032


def test_loads_that_leave_out_the_knee():
    # Between the neighbours up to V2 x I1 could be had: twice what was read.
    keep = (V < 9.0) | (V > 20.5)
    fault = the_fault(V[keep], current(V)[keep])
    assert fault.name == "no_points_at_knee"
    assert "add loads" in fault.remedy


def test_columns_of_light_and_warmth_that_move():
    light = Evidence(irradiance=np.linspace(900.0, 780.0, 26))
    assert the_fault(V, current(V), evidence=light).name == "light_drifted"
    warmth = Evidence(temp_cell=np.linspace(25.0, 36.0, 26))
    assert the_fault(V, current(V), evidence=warmth).name == "warmed_up"
    steady = Evidence(irradiance=np.linspace(900, 890, 26), temp_cell=np.linspace(25, 26, 26))
    assert names(V, current(V), evidence=steady) == []


def test_a_second_reading_that_happens_to_agree_is_no_copy():
    # Two large loads give nearly the same reading; a copied row of the flat part stands apart.
    v, i = np.r_[V, 21.52, 21.53], current(np.r_[V, 21.52, 21.53]).round(3)
    v, i = np.r_[v, v[-1]], np.r_[i, i[-1]]
    assert names(v, i) == []


def test_three_large_loads_at_one_voltage_are_a_channel_at_its_end():
    # From 60 to 15 % of Isc no junction holds its voltage to the last digit.
    v = np.r_[np.linspace(0.3, 18.0, 12), 19.0, 20.0, 21.0]
    i = current(np.minimum(v, 21.0))
    v = np.minimum(v, 19.0)
    fault = the_fault(v, i)
    assert (fault.name, fault.points) == ("clipped_channel", (12, 13, 14))
