"""Bounds from a handful of readings: they must hold the truth of every concave curve."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

import ivkit
from ivkit.curve.between import key_points_between
from ivkit.curve.diode import SingleDiode
from ivkit.readings.sweep import Sweep
from ivkit.report.sweep_answer import headline, sweep_answer

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(0.0, 0.999), min_size=2, max_size=6, unique=True),
    st.floats(0.0, 0.3),
    st.floats(3.0, 1e5),
    st.floats(0.9, 2.2),
)
def test_the_truth_lies_between(shares, rs, rsh, n):
    # The single-diode curve is concave: d2I/dV2 < 0 everywhere.
    a = n * 36 * 0.025693
    panel = SingleDiode(0.62, 0.62 / np.expm1(21.5 / a), rs * 21.5 / 0.62, rsh * 21.5 / 0.62, a)
    points = panel.key_points()
    voltage = np.sort(np.array(shares)) * points.v_oc
    if np.min(np.diff(voltage)) < 1e-3:
        return
    found = key_points_between(voltage, panel.current(voltage))
    assert found is not None
    for name in ("i_sc", "v_oc", "p_mp"):
        low, high = getattr(found, name)
        truth = getattr(points, name)
        assert low <= truth * (1 + 1e-9)
        assert not high < truth * (1 - 1e-9)


def test_readings_of_no_concave_curve_have_no_bounds():
    assert key_points_between([0.0, 5.0, 10.0], [0.6, 0.2, 0.1]) is None
    assert key_points_between([0.0, 5.0], [0.1, 0.6]) is None
    assert key_points_between([5.0], [0.6]) is None


def test_four_readings_are_answered_with_bounds():
    voltage = np.array([0.0, 12.0, 18.0, 21.0])
    fit = ivkit.fit(Sweep(voltage, PANEL.current(voltage), name="four"))
    words = headline(fit)
    assert "five parameters need more readings" in words
    assert "Between the readings, taken as exact: Isc 619.2 mA, Voc 21" in words
    found = sweep_answer(fit)
    low, high = found["pmp_least_W"], found["pmp_most_W"]
    assert low < PANEL.key_points().p_mp < high
