"""De Soto's equations against pvlib and published translations."""

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
