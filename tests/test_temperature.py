"""Cell temperature: against IEC 60904-5's worked numbers, pvlib, lmfit and chance."""

import lmfit
import numpy as np
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from ivkit.errors import RangeError, SweepError
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.temperature import (
    behind_the_back,
    equivalent_cell_temperature,
    temperature_outdoors,
    warm_up,
)

# The synthetic 36-cell module of the IEC 60891 checks.
PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, 36)
STC_VOC, HOT_VOC, BETA, A = 21.571058, 20.08455396, -0.0045521, 0.0489


def test_equivalent_cell_temperature_of_the_synthetic_module():
    # IEC 60904-5:2011's equation with these numbers gives 38.0067 degC; the module was at 38.
    found = equivalent_cell_temperature(STC_VOC, 25.0, HOT_VOC, 0.82, BETA, A)
    assert found == pytest.approx(38.0067, abs=1e-4)
    assert found == pytest.approx(38.0, abs=0.01)


def test_light_from_the_short_circuit_currents_does_as_well():
    ratio = PANEL.at(820.0, 38.0).current(0.0) / PANEL.at(1000.0, 25.0).current(0.0)
    found = equivalent_cell_temperature(STC_VOC, 25.0, HOT_VOC, ratio, BETA, A)
    assert found == pytest.approx(38.0, abs=0.1)


@given(st.floats(400.0, 1100.0), st.floats(5.0, 65.0))
def test_the_temperature_of_the_exact_model_comes_out_over_the_usual_range(light, celsius):
    voc = float(PANEL.at(light, celsius).voltage(0.0))
    found = equivalent_cell_temperature(STC_VOC, 25.0, voc, light / 1000, BETA, A)
    # The equation is linear in T, and its a is one number for all light: good to 1.5 K here.
    assert found == pytest.approx(celsius, abs=1.5)


def test_uncertain_voltages_make_an_uncertain_temperature():
    voc2 = ufloat(HOT_VOC, 0.02, "voltmeter")
    found = equivalent_cell_temperature(STC_VOC, 25.0, voc2, 0.82, BETA, A)
    assert found.std_dev == pytest.approx(0.02 / STC_VOC / -BETA, rel=1e-6)
    light = ufloat(0.82, 0.03)
    found = equivalent_cell_temperature(STC_VOC, 25.0, HOT_VOC, light, BETA, A)
    assert found.std_dev == pytest.approx(A * 0.03 / 0.82 / -BETA, rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 25.0, 20.0, 0.8, BETA), "Voc1 is 0 V"),
        ((21.0, 25.0, -20.0, 0.8, BETA), "Voc2 is -20 V"),
        ((21.0, 25.0, 20.0, 0.0, BETA), "G2/G1 is 0; give it above 0"),
        ((21.0, 25.0, 20.0, 0.8, 0.0033), "0.0033 is not negative"),
        ((21.0, 25.0, 20.0, 0.8, -0.33), "give it in 1/K: -0.33 %/K is -0.0033"),
    ],
)
def test_figures_that_make_no_sense_are_refused(arguments, message):
    with pytest.raises(RangeError, match=message):
        equivalent_cell_temperature(*arguments)


@given(st.floats(0.0, 1300.0), st.floats(-30.0, 45.0), st.floats(40.0, 55.0))
def test_outdoors_it_is_the_line_that_pvlib_has(light, air, nmot):
    assert temperature_outdoors(light, air, nmot) == pytest.approx(
        pvlib.temperature.ross(light, air, noct=nmot)
    )


def test_outdoors_at_the_condition_that_defines_it_nmot_comes_out():
    assert temperature_outdoors(800.0, 20.0, 46.0) == 46.0
    assert temperature_outdoors(ufloat(800, 40), 20.0, 46.0).std_dev == pytest.approx(1.3)
    with pytest.raises(RangeError, match="irradiance -1 W/m2 is negative"):
        temperature_outdoors(-1.0, 20.0, 46.0)
    with pytest.raises(RangeError, match=r"air temperature 293\.15 degC is outside -90 to 70"):
        temperature_outdoors(800.0, 293.15, 46.0)
    with pytest.raises(RangeError, match="NMOT 319 degC is outside 30 to 80"):
        temperature_outdoors(800.0, 20.0, 319.0)


@given(st.floats(0.0, 1300.0), st.floats(-30.0, 90.0))
def test_the_cell_is_warmer_than_its_back_by_what_pvlib_says(light, back):
    theirs = pvlib.temperature.sapm_cell_from_module(back, light, 3.0)
    assert behind_the_back(back, light) == pytest.approx(theirs)


def test_a_back_in_negative_light_is_refused():
    with pytest.raises(RangeError, match="irradiance -5 W/m2 is negative"):
        behind_the_back(20.0, -5.0)


def curve(t, cold=19.9, change=-1.4, tau=240.0):
    return cold + change * (1 - np.exp(-t / tau))


def test_a_warm_up_agrees_with_lmfit():
    t = np.arange(0.0, 1200.0, 20.0)
    v = curve(t) + np.random.default_rng(5).normal(0, 0.004, len(t))
    found = warm_up(t, v, beta_voc=-0.07)
    model = lmfit.Model(lambda t, cold, change, tau: cold + change * (1 - np.exp(-t / tau)))
    theirs = model.fit(v, t=t, cold=20.0, change=-1.0, tau=100.0)
    change = found.v_oc_warm - found.v_oc_cold
    for name, quantity in (
        ("cold", found.v_oc_cold), ("change", change), ("tau", found.time_constant)
    ):  # fmt: skip
        assert quantity.nominal_value == pytest.approx(theirs.params[name].value, rel=1e-5)
        assert quantity.std_dev == pytest.approx(theirs.params[name].stderr, rel=1e-2)
    assert found.rise.nominal_value == pytest.approx(
        theirs.params["change"].value / -0.07, rel=1e-5
    )
    assert np.allclose(found.residuals, v - theirs.best_fit, atol=1e-6)
    assert found.notes == ()
    assert "K warmer" in str(found)


def test_the_truth_lies_in_the_interval_as_often_as_stated():
    rng = np.random.default_rng(11)
    t = np.arange(0.0, 900.0, 15.0)
    hits = np.zeros(3)
    for _ in range(300):
        found = warm_up(t, curve(t) + rng.normal(0, 0.01, len(t)), -0.07, noise_V=0.01)
        told = (found.v_oc_cold, found.time_constant, found.rise)
        for k, (q, true) in enumerate(zip(told, (19.9, 240.0, 20.0), strict=True)):
            hits[k] += abs(q.nominal_value - true) < 1.96 * q.std_dev
    # 95 % of 300 is 285; 273 to 295 holds 99.8 of 100 such counts (binomial).
    assert np.all((hits >= 273) & (hits <= 297)), hits


def test_a_panel_that_warms_up_in_the_model_tells_its_rise():
    """36 cells under 150 W/m2, from 20 to 45 degC with a time constant of 5 minutes."""
    t = np.arange(0.0, 1500.0, 15.0)
    celsius = 20.0 + 25.0 * (1 - np.exp(-t / 300.0))
    v = PANEL.at(150.0, celsius).voltage(0.0)
    ends = PANEL.at(150.0, np.array([20.0, 45.0])).voltage(0.0)
    beta = (ends[1] - ends[0]) / 25.0
    found = warm_up(t, v, beta_voc=ufloat(beta, 0.05 * -beta, "beta"))
    assert found.rise.nominal_value == pytest.approx(25.0, rel=2e-3)
    assert found.v_oc_cold.nominal_value == pytest.approx(ends[0], rel=1e-4)
    assert found.time_constant.nominal_value == pytest.approx(300.0, rel=5e-3)
    assert found.rise.std_dev / 25.0 == pytest.approx(0.05, rel=0.02)


def test_readings_that_stop_early_or_start_late_are_said():
    t = np.arange(0.0, 300.0, 10.0)
    early = warm_up(t, curve(t), noise_V=0.0005)
    assert early.rise is None
    assert "cover only 70 % of the way" in early.notes[0]
    late = np.array([0.0, 300.0, 400.0, 500.0, 700.0, 900.0, 1200.0])
    found = warm_up(late, curve(late), noise_V=0.002)
    assert any("the first readings are 300 s apart" in note for note in found.notes)
    rising = warm_up(t, curve(t, change=0.8), noise_V=0.0005)
    assert any("Voc rises" in note for note in rising.notes)


@pytest.mark.parametrize(
    ("t", "v", "message"),
    [
        ([0, 1, 2], [20, 19, 18], "3 readings; give at least 5"),
        ([0, 1, 2, 2, 4], [20, 19, 18, 17, 16], "reading 4 at 2 s is not later"),
        ([0, 1, 2, 3, np.nan], [20, 19, 18, 17, 16], "not finite"),
        ([0, 1, 2, 3], [[1, 2]], "time has shape"),
        (np.arange(20.0), 20 + 0.01 * np.cos(np.arange(20.0) ** 2), "no warming up can be seen"),
        (np.arange(30.0), 20 - 0.001 * np.arange(30.0) + 1e-4 * np.cos(np.arange(30.0) ** 2),
         "the readings end before the bend of the warming up can be seen"),
    ],
)  # fmt: skip
def test_readings_without_a_warm_up_are_refused(t, v, message):
    with pytest.raises(SweepError, match=message):
        warm_up(t, v)


def test_a_coefficient_that_is_not_negative_is_refused():
    t = np.arange(0.0, 900.0, 15.0)
    with pytest.raises(RangeError, match=r"0.07 V/K is not negative"):
        warm_up(t, curve(t), beta_voc=0.07)
