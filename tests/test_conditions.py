"""De Soto's equations against pvlib and published translations."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError
from ivkit.panel.conditions import ReferencePanel

SIXTY = ReferencePanel(9.45232, 3.22460e-10, 0.297814, 125.798, 1.59128, 0.005658, 60)

# De Soto, Klein and Beckman (2006) with pvlib's test module (60 cells, Isc 9.43 A), worked with
# pvlib calcparams_desoto and a 40-digit solution of the equation; 1e-6 relative.
# S, Tc: I0, Isc, Voc, Imp, Vmp, Pmp
TRANSLATED = [
    (1000, 25, 3.2246e-10, 9.4299954, 38.299822, 8.7099954, 30.999854, 270.00858),
    (1000, 50, 1.57157229e-8, 9.5711113, 34.839865, 8.7608045, 27.482475, 240.76859),
    (800, 45, 7.5740734e-9, 7.6379184, 35.155712, 7.0152604, 28.282546, 198.40942),
    (200, 25, 3.2246e-10, 1.8895693, 35.742288, 1.7506505, 30.434938, 53.280940),
    (100, 10, 2.27655836e-11, 0.93652329, 36.886858, 0.87080287, 31.923406, 27.798994),
]


@pytest.mark.parametrize("row", TRANSLATED)
def test_published_translations_are_reproduced(row):
    light, celsius, i0, *points = row
    curve = SIXTY.at(light, celsius)
    found = curve.key_points()
    assert curve.saturation_current == pytest.approx(i0, rel=1e-6)
    named = (found.i_sc, found.v_oc, found.i_mp, found.v_mp, found.p_mp)
    assert named == pytest.approx(points, rel=1e-6)


# The synthetic 36-cell module of the translation checks; exact model, worked at 40 digits.
def test_the_synthetic_module_has_the_stated_points():
    panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, 36)
    stc = panel.at(1000.0, 25.0).key_points()
    assert (stc.i_sc, stc.v_oc, stc.p_mp) == pytest.approx(
        (0.6191744, 21.571058, 10.1636258), rel=1e-7
    )
    warm = panel.at(820.0, 38.0).key_points()
    assert (warm.i_sc, warm.v_oc) == pytest.approx((0.51103926, 20.08455396), rel=1e-7)


@given(st.floats(1.0, 1500.0), st.floats(-40.0, 90.0))
def test_equations_are_those_of_pvlib(light, celsius):
    from pvlib.pvsystem import calcparams_desoto

    theirs = calcparams_desoto(
        light, celsius, 0.005658, 1.59128, 9.45232, 3.22460e-10, 125.798, 0.297814
    )
    ours = SIXTY.at(light, celsius)
    il, i0, rs, rsh, a = theirs
    found = (
        ours.photocurrent,
        ours.saturation_current,
        ours.resistance_series,
        ours.resistance_shunt,
        ours.nNsVth,
    )
    # pvlib's Boltzmann constant in eV/K carries fewer digits, which the exponential shows.
    assert found == pytest.approx((il, i0, rs, rsh, a), rel=1e-6)


@given(st.floats(20.0, 1500.0), st.floats(-20.0, 80.0))
def test_a_curve_taken_back_to_the_reference_comes_out_again(light, celsius):
    curve = SIXTY.at(light, celsius)
    again = ReferencePanel.from_curve(curve, light, celsius, 0.005658, 60)
    for name in ("photocurrent", "saturation_current", "resistance_shunt", "nNsVth"):
        assert getattr(again, name) == pytest.approx(getattr(SIXTY, name), rel=1e-9), name


def test_light_and_temperature_broadcast_and_the_dark_is_dark():
    curves = SIXTY.at(np.array([[0.0], [500.0]]), np.array([10.0, 25.0, 60.0]))
    power = curves.key_points().p_mp
    assert power.shape == (2, 3)
    assert np.all(power[0] == 0)
    assert np.all(np.diff(power[1]) < 0)


def test_conditions_that_make_no_sense_are_refused():
    with pytest.raises(RangeError, match="effective irradiance -5 W/m2 is negative"):
        SIXTY.at(-5.0, 25.0)
    with pytest.raises(RangeError, match=r"cell temperature 298.15 degC; give it in degC"):
        SIXTY.at(1000.0, 298.15)
    with pytest.raises(RangeError, match="no panel can be known from a curve in the dark"):
        ReferencePanel.from_curve(SingleDiode(1.0, 1e-9, 0.0, 10.0, 1.0), 0.0, 25.0, 0.0)


def test_the_shunt_follows_one_power_law_above_100_w_and_another_below():
    # Rsh(S) = Rsh_ref (S_ref / S)^k, by hand: 900 ohm at 1000 W/m2, k 0.5, then 0.25.
    panel = ReferencePanel(
        0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, shunt_exponent=0.5, shunt_exponent_low=0.25
    )
    found = panel.at(np.array([1000.0, 250.0, 100.0, 100.0 / 16]), 25.0).resistance_shunt
    at_100 = 900.0 * np.sqrt(10.0)
    assert found == pytest.approx([900.0, 1800.0, at_100, 2 * at_100])
    # The same from a reference below 100 W/m2.
    low = replace(panel, irradiance_ref=100.0 / 16, resistance_shunt=2 * at_100)
    assert low.at(1000.0, 25.0).resistance_shunt == pytest.approx(900.0)
    assert panel.at(0.0, 25.0).key_points().p_mp == 0.0


def test_current_saturation_current_and_series_resistance_follow_their_coefficients():
    plain = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003)
    panel = replace(
        plain, current_exponent=0.04, diode_exponent=0.1, diode_bend=0.05, series_per_K=-0.002
    )
    for got, bare in zip(panel.at(1000.0, 25.0).raw, plain.at(1000.0, 25.0).raw, strict=True):
        assert got == pytest.approx(bare)
    # By hand at S/S_ref = 1/e: e^-0.04, e^(-0.1 + 0.05); at 45 degC: e^(-0.002 * 20).
    got, bare = (one.at(1000.0 / np.e, 45.0) for one in (panel, plain))
    assert got.photocurrent / bare.photocurrent == pytest.approx(np.exp(-0.04))
    assert got.saturation_current / bare.saturation_current == pytest.approx(np.exp(-0.05))
    assert got.resistance_series / bare.resistance_series == pytest.approx(np.exp(-0.04))


@pytest.mark.parametrize("light", [30.0, 300.0, 1000.0])
def test_a_coefficient_of_voc_is_met_from_any_reference(light):
    panel = ReferencePanel(
        0.62, 3.7e-8, 1.2, 900.0, 1.2, 0.0003, irradiance_ref=light, temp_ref=40.0, diode_bend=0.04
    )
    found = panel.with_beta(np.array([-0.0025, -0.0033, -0.0045]))
    cold, warm = (found.at(1000.0, t).voltage(0.0) for t in (25.0, 27.0))
    assert (warm - cold) / 2 / cold == pytest.approx([-0.0025, -0.0033, -0.0045], rel=1e-9)
