"""Each fault that shows only against a fitted curve, on sweeps made by hand; and where it is shown.

The sound curve is the single-diode equation as pvlib solves it (Jain and Kapoor, Sol. Energy Mater.
Sol. Cells 81 (2004) 269); what is done to it is said in each test, and follows IEC 60891 for light
and warmth.
"""

import json

import numpy as np
import pytest
from pvlib.pvsystem import i_from_v, v_from_i

from ivkit.curve.fault_list import LIMITS
from ivkit.curve.fit import fit
from ivkit.readings.sweep import Sweep
from ivkit.report.sweep_figure import sweep_figure
from tests import published
from tests.test_faults_of_readings import PANEL, current

V = np.r_[np.linspace(0.0, 16.0, 12), np.linspace(16.8, 21.5, 14)]


def found(v, i, noise=1e-3, order=None, seed=5):
    """Return the faults of a sweep with a little noise, by name."""
    rng = np.random.default_rng(seed)
    order = np.arange(len(v)) if order is None else order
    i = i + rng.normal(0.0, noise * np.max(i), len(v))
    faults = fit(Sweep(v[order], i[order])).faults
    return {one.name: one for one in faults if one.name not in LIMITS}


def back_and_forth(n):
    up = np.arange(n)
    return np.r_[up[::2], up[1::2][::-1]]


def test_a_sound_sweep_has_none():
    assert found(V, current(V)) == {}


@pytest.mark.parametrize("path", [published.CELL, published.MODULE])
@pytest.mark.parametrize("turn", ["as published", "backwards", "at random"])
def test_the_published_sweeps_have_none(path, turn):
    v, i = published.readings(path)
    order = {
        "as published": np.arange(len(v)),
        "backwards": np.arange(len(v))[::-1],
        "at random": np.random.default_rng(3).permutation(len(v)),
    }[turn]
    assert fit(Sweep(v[order], i[order])).faults == ()


def test_two_stray_readings_are_left_out_and_the_curve_is_that_of_the_others():
    i = current(V)
    i[[4, 9]] *= [0.9, 1.08]
    faults = fit(Sweep(V, i))
    strays = [one for one in faults.faults if one.name == "stray_reading"]
    assert sorted(point for one in strays for point in one.points) == [4, 9]
    assert all(one.leave_out for one in strays)
    assert np.flatnonzero(faults.left_out).tolist() == [4, 9]
    # Without noise the others lie on the curve exactly.
    assert float(faults.model.photocurrent) == pytest.approx(PANEL["photocurrent"], rel=1e-6)
    assert float(faults.model.resistance_series) == pytest.approx(1.2, rel=1e-5)


def test_light_that_drifts_is_told_by_its_size():
    order = back_and_forth(len(V))
    passed = np.empty(len(V))
    passed[order] = np.linspace(0.0, 1.0, len(V))
    i = i_from_v(V, **PANEL | {"photocurrent": PANEL["photocurrent"] * (1 + 0.1 * passed)})
    faults = found(V, i, order=order)
    assert set(faults) == {"light_drifted"}
    assert "by about 10%" in faults["light_drifted"].message


def test_light_that_jumps_is_told_with_its_first_reading():
    order = back_and_forth(len(V))
    later = np.empty(len(V), dtype=bool)
    later[order] = np.arange(len(V)) >= 11
    light = np.where(later, 0.85, 1.0)
    i = i_from_v(V, **PANEL | {"photocurrent": PANEL["photocurrent"] * light})
    faults = found(V, i, order=order)
    assert set(faults) == {"light_jumped"}
    assert faults["light_jumped"].points == tuple(range(11, len(V)))
    assert "from reading 12 on" in faults["light_jumped"].message


def test_cells_that_warm_up_are_told_by_the_kelvin():
    # Voc of silicon falls by about 0.32 % a kelvin, Isc rises by about 0.05 % (common practice).
    order = back_and_forth(len(V))
    kelvin = np.empty(len(V))
    kelvin[order] = np.linspace(0.0, 15.0, len(V))
    light = PANEL["photocurrent"] * (1 + 5e-4 * kelvin)
    i = i_from_v(V + 21.57 * 0.0032 * kelvin, **PANEL | {"photocurrent": light})
    faults = found(V, i, order=order)
    assert set(faults) == {"warmed_up"}
    told = faults["warmed_up"].message.split("warms by about ")[1]
    assert float(told.removesuffix(" K")) == pytest.approx(15, abs=3)


def test_a_bypassed_half_makes_a_step():
    # The shaded half lets 60 % through; above, its diode of 0.5 V conducts.
    i = np.linspace(0.0, 0.6195, 4000)
    half = v_from_i(i, **PANEL) / 2
    shaded = np.fmax(v_from_i(i, **PANEL | {"photocurrent": 0.6 * PANEL["photocurrent"]}) / 2, -0.5)
    v = half + shaded
    taken = np.linspace(0.02, 0.995, 26) * v[0]
    faults = found(taken, np.interp(taken, v[::-1], i[::-1]))
    assert "step_in_curve" in faults
    near = float(faults["step_in_curve"].message.split("near ")[1].split(" ")[0])
    assert 7.0 < near < 12.0  # the lit half alone gives 10.8 V less 0.5 V at open circuit


def test_a_blocking_contact_makes_an_s():
    # A junction against the current takes voltage once current flows (Romero, del Pozo and
    # Arredondo, Solar Energy 86 (2012) 3026; abstract read, volume and page from memory).
    i = np.linspace(0.0, 0.6199, 4000)
    v = v_from_i(i, **PANEL) - 5.0 * (1 - np.exp(-i / 0.06))
    taken = np.linspace(0.0, 0.995, 28) * v[0]
    assert "s_shape" in found(taken, np.interp(taken, v[::-1], i[::-1]))


def test_swapped_columns_are_told_without_loads():
    i = current(V) + np.random.default_rng(2).normal(0.0, 6e-4, V.shape)
    faults = fit(Sweep(i, V)).faults
    assert "swapped_columns" in [one.name for one in faults]
    assert {one.severity for one in faults if one.name == "swapped_columns"} == {"error"}


def test_readings_that_scatter_by_percents_are_noisy():
    rng = np.random.default_rng(8)
    v = V + rng.normal(0.0, 0.04 * 21.5, V.shape)
    faults = found(v, current(V), noise=0.04)
    assert "noisy_readings" in faults


def test_the_current_of_small_loads_is_no_stray():
    # Worked out from a voltage with 0.1 % of its range as noise, it scatters by percents.
    load = 31.0 * np.geomspace(0.03, 40.0, 24)
    fine = np.linspace(1e-4, 21.57, 20000)
    v = np.interp(load, fine / np.maximum(current(fine), 1e-12), fine)
    for seed in range(5):
        noisy = v + np.random.default_rng(seed).normal(0.0, 0.001 * 21.57, v.shape)
        names = {one.name for one in fit(Sweep(noisy, noisy / load, load=load)).faults}
        assert names <= LIMITS


def test_a_stray_reading_is_shown_in_text_json_and_figure(command_line, tmp_path):
    i = current(V) + np.random.default_rng(4).normal(0.0, 6e-4, V.shape)
    i[6] *= 0.85
    table = "\n".join(f"{a:.4f},{b:.5f}" for a, b in zip(V, i, strict=True))
    (tmp_path / "stray.csv").write_text(f"voltage_V,current_A\n{table}\n")
    status, out, err = command_line("characterize", "stray.csv", "--plot", "stray.png")
    assert (status, err) == (0, "")
    assert "row 8 lies off the curve of the others" in " ".join(out.split())
    assert "(left out of the fit)" in " ".join(out.split())
    found = json.loads(command_line("characterize", "stray.csv", "--json", "-")[1])
    faults = found["tables"]["faults"]["columns"]
    k = faults["name"].index("stray_reading")
    told = [faults[key][k] for key in ("points", "left_out", "severity")]
    assert told == ["6", True, "warning"]
    assert (found["summary"]["points"], found["summary"]["points_used"]) == (26, 25)
    figure = sweep_figure(fit(Sweep(V, i)))
    crosses = [line for line in figure.axes[0].lines if line.get_marker() == "x"]
    assert [line.get_xdata().tolist() for line in crosses] == [[V[6]]]
    assert "left out" in [text.get_text() for text in figure.axes[0].texts]
