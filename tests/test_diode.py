"""The forward equation against published high-precision curves and 50-digit computation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.curve.diode import SingleDiode, local, solve_current, solve_voltage
from ivkit.errors import RangeError
from tests import exact

# Computed with mpmath 1.4.1 at 50 digits by bisection on the diode's voltage, maximum power as
# the root of dP/dV. D is a case whose exponent overflows double precision in the textbook form.
CASES = {
    "A low light": (
        (1.2e-3, 2e-9, 1.5, 8000.0, 0.40),
        {
            "i_sc": 0.0011997750331626964,
            "v_oc": 5.0253796205561221,
            "v_mp": 3.7683940442504986,
            "i_mp": 7.0406598531810986e-4,
            "p_mp": 2.6531980658321241e-3,
            "fill_factor": 0.44004893838574321,
        },
        -1.2498158755720815e-4,
        {4.0: 6.557176644881103e-4, 6.0: -5.9428260108088248e-3},
    ),
    "B 36 cells at STC": (
        (5.20, 3.2e-10, 0.30, 250.0, 0.98),
        {
            "i_sc": 5.1937674777775789,
            "v_oc": 23.023619770662131,
            "v_mp": 18.693959349781437,
            "i_mp": 4.8477526934471125,
            "p_mp": 90.623691789093791,
            "fill_factor": 0.75785416776353108,
        },
        -3.9952073503706934e-3,
        {-1.0: 5.1977626845322948, 18.0: 4.9825745495006765, 24.0: -2.1207990219652447},
    ),
    "C high series resistance": (
        (1.0, 1e-8, 20.0, 200.0, 1.0),
        {
            "i_sc": 0.81014197953198206,
            "v_oc": 18.324585048942553,
            "v_mp": 9.2793367794281238,
            "i_mp": 0.42140554314844807,
            "p_mp": 3.9103639555922794,
            "fill_factor": 0.26340371459401480,
        },
        -0.034741567859907854,
        {10.0: 0.38858312694547937, 19.0: -0.032046382095129394},
    ),
    "D overflow": (
        (8.0, 1e-9, 2.5, 1000.0, 0.026),
        {
            "i_sc": 0.23683482887277876,
            "v_oc": 0.59286846495362102,
            "v_mp": 0.29643568545693483,
            "i_mp": 0.11841800659689409,
            "p_mp": 0.035103322955994129,
            "fill_factor": 0.25000247554267901,
        },
        -0.39946481403709434,
        {0.5: 0.037099041619663504, 0.7: -0.042797122126071187},
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_key_points_agree_with_fifty_digit_values(case):
    parameters, points, slope, currents = CASES[case]
    panel = SingleDiode(*parameters)
    found = panel.key_points()
    for name, value in points.items():
        assert getattr(found, name) == pytest.approx(value, rel=1e-10), name
    assert panel.slope(0.0) == pytest.approx(slope, rel=1e-10)
    for voltage, current in currents.items():
        assert panel.current(voltage) == pytest.approx(current, rel=1e-10)
        assert panel.voltage(current) == pytest.approx(voltage, rel=1e-10)


# pvlib-python, tests/data/precise_iv_curves1.json (BSD 3-clause), curve 1 and 2: 72 cells, n 1.01
# and 1.3, 298.15 K, computed there with more than 20 digits. pvlib's own limits are used.
K_T_OVER_Q = 1.380649e-23 * 298.15 / 1.602176634e-19
PRECISE = [
    (
        (1.0, 5e-10, 0.1, 300.0, 1.01 * 72 * K_T_OVER_Q),
        {
            0.0: 0.9996667777132811507,
            0.4014960341400983790: 0.9983289034311699783,
            38.1421232433093493341: 0.4955681305251634626,
            38.5436192774494443825: 0.4060858652321705779,
            38.9451153115895465362: 0.2966088961935733891,
            39.3466113457296415845: 0.1629067767190341108,
            39.7481073798697327059: 0.0,
        },
        (
            39.7481073798697327059,
            33.9368943154555520067,
            0.8461238609144800038,
            28.7148160456399205657,
        ),
    ),
    (
        (1.0, 5e-10, 0.1, 300.0, 1.3 * 72 * K_T_OVER_Q),
        {
            0.0: 0.9996667777195376026,
            0.5156981946037029196: 0.9979483564200094525,
            17.0180404219221976803: 0.9429582640177529562,
            26.3006079247888493455: 0.9119981240932248934,
        },
        None,
    ),
]


@pytest.mark.parametrize(("parameters", "curve", "ends"), PRECISE)
def test_currents_agree_with_the_precise_curves_of_pvlib(parameters, curve, ends):
    panel = SingleDiode(*parameters)
    volts, amperes = np.array(list(curve)), np.array(list(curve.values()))
    np.testing.assert_allclose(panel.current(volts), amperes, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(panel.voltage(amperes), volts, rtol=1e-10, atol=1e-10)
    if ends:
        v_oc, v_mp, i_mp, p_mp = ends
        points = panel.key_points()
        assert points.v_oc == pytest.approx(v_oc, abs=1e-10)
        assert points.p_mp == pytest.approx(p_mp, abs=1e-10)
        assert points.i_mp == pytest.approx(i_mp, abs=1e-7)
        assert points.v_mp == pytest.approx(v_mp, abs=1e-6)


# Section 3 of De Soto, Klein and Beckman, Solar Energy 80 (2006) 78, for the ranges of parameters;
# wide enough for one cell at a milliampere and for a module in the sun.
curves = st.builds(
    lambda cells, isc, n, voc, rs, rsh: (cells, isc, n * cells * 0.025693, voc * cells, rs, rsh),
    st.integers(1, 72),
    st.floats(1e-5, 10.0),
    st.floats(0.95, 2.2),
    st.floats(0.3, 0.75),
    st.one_of(st.just(0.0), st.floats(1e-6, 0.3)),
    st.one_of(st.just(np.inf), st.floats(2.0, 1e5)),
)


def _parameters(curve):
    _, isc, a, voc, rs, rsh = curve
    return isc, isc / np.expm1(voc / a), rs * voc / isc, 1.0 / (rsh * voc / isc), a


@settings(max_examples=150, deadline=None)
@given(curves, st.floats(-0.3, 1.2))
def test_the_current_is_right_to_a_trillionth_of_isc_anywhere(curve, where):
    p = _parameters(curve)
    voltage = where * curve[3]
    truth = float(exact.current(voltage, *p))
    assert abs(solve_current(voltage, *p) - truth) <= 1e-12 * max(p[0], abs(truth))


@settings(max_examples=150, deadline=None)
@given(curves, st.floats(-0.3, 1.1))
def test_voltage_is_the_inverse_of_current(curve, where):
    p = _parameters(curve)
    current = solve_current(where * curve[3], *p)
    back = solve_current(solve_voltage(current, *p), *p)
    assert abs(back - current) <= 1e-11 * max(p[0], abs(current))


@settings(max_examples=60, deadline=None)
@given(curves)
def test_no_point_gives_more_power_than_the_one_found(curve):
    il, i0, rs, g, a = _parameters(curve)
    panel = SingleDiode(il, i0, rs, np.inf if g == 0 else 1 / g, a)
    points = panel.key_points()
    voltages = np.linspace(0.0, points.v_oc, 500)
    assert np.all(panel.power(voltages) <= points.p_mp * (1 + 1e-12))
    best = panel.operating_point(points.best_load)
    assert best.power == pytest.approx(points.p_mp, rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(curves, st.floats(0.0, 1.05))
def test_derivatives_agree_with_differences_of_fifty_digit_values(curve, where):
    p = np.array(_parameters(curve))
    voltage = where * curve[3]
    found = local(voltage, solve_current(voltage, *p), *p)
    for k in range(5):
        if p[k] == 0:
            continue  # one-sided there; the bound itself is tested with the fit
        h = 1e-7 * p[k]
        up, down = p.copy(), p.copy()
        up[k] += h
        down[k] -= h
        difference = exact.current(voltage, *up) - exact.current(voltage, *down)
        truth = float(difference / (up[k] - down[k]))
        assert found.di[k] * p[k] == pytest.approx(truth * p[k], rel=1e-6, abs=1e-9 * p[0])
    h = 1e-7 * curve[3]
    ends = [exact.current(voltage + s * h, *p) for s in (-1, 1)]
    assert found.slope == pytest.approx(float((ends[1] - ends[0]) / (2 * h)), rel=1e-5)


def test_everything_broadcasts():
    panel = SingleDiode(np.array([[0.1], [0.2]]), 1e-9, 0.0, np.inf, np.array([0.5, 1.0, 1.5]))
    assert panel.key_points().p_mp.shape == (2, 3)
    assert panel.current(np.zeros((4, 1, 1))).shape == (4, 2, 3)
    big = SingleDiode(np.linspace(0.1, 0.2, 3)[:, None], 1e-9, 0.5, 100.0, 0.5)
    volts = np.linspace(0, 10, 7000)
    whole = big.current(volts)
    assert whole.shape == (3, 7000)
    np.testing.assert_array_equal(whole[1], big.current(volts[None])[1])


def test_a_dark_panel_has_no_power_and_no_fill_factor():
    points = SingleDiode(0.0, 1e-9, 1.0, 100.0, 0.5).key_points()
    assert points.p_mp == 0
    assert np.isnan(points.fill_factor)
    assert np.isnan(points.best_load)


def test_open_circuit_is_a_load_too():
    panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    point = panel.operating_point([0.0, np.inf])
    assert point.voltage[1] == panel.key_points().v_oc
    assert list(point.power) == [0.0, 0.0]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"saturation_current": 0.0}, "saturation_current is 0, expected greater than 0"),
        ({"resistance_series": -1.0}, "resistance_series is -1, expected 0 or greater"),
        ({"resistance_shunt": -5.0}, "resistance_shunt is -5"),
        ({"nNsVth": 0.0}, "nNsVth is 0"),
        ({"photocurrent": np.inf}, "photocurrent is inf, expected finite"),
    ],
)
def test_an_unphysical_parameter_is_refused(changes, message):
    sound = {
        "photocurrent": 1.0,
        "saturation_current": 1e-9,
        "resistance_series": 0.1,
        "resistance_shunt": 100.0,
        "nNsVth": 0.5,
    }
    with pytest.raises(RangeError, match=message):
        SingleDiode(**sound | changes)


def test_a_negative_load_is_refused():
    with pytest.raises(RangeError, match="load -3 ohm is negative"):
        SingleDiode(1.0, 1e-9, 0.1, 100.0, 0.5).operating_point(-3.0)
