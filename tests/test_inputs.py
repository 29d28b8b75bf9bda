"""Input quantities: one object is one cause; numbers of the GUM and the uncertainties package."""

import pickle
from math import inf, nan, sqrt

import numpy as np
import pytest
from uncertainties import correlated_values, correlation_matrix, umath

from ivkit.errors import RangeError
from ivkit.inputs import Distribution, Input, independent


@pytest.mark.parametrize(
    ("distribution", "u"),
    # JCGM 100:2008, 4.3.7 (a/sqrt(3)) and 4.3.9 (a/sqrt(6)); JCGM 101:2008, 6.4.6 (a/sqrt(2)).
    [("rectangular", 0.577350), ("triangular", 0.408248), ("u_shaped", 0.707107)],
)
def test_standard_uncertainty_of_a_half_width(distribution, u):
    found = Input.within("offset", 2.0, 1.0, "V", distribution)
    assert found.u == pytest.approx(u, abs=5e-7)
    assert found.bounds == (1.0, 3.0)
    assert found.distribution is Distribution(distribution)


@pytest.mark.parametrize(
    ("top", "bottom", "relative"),
    # 10k:1k and 30k:7.5k, both resistors +-1 % rectangular: dk/k = (top / (top + bottom)) times
    # the difference of the two relative errors; worked by hand.
    [(10e3, 1e3, 0.00742270), (30e3, 7.5e3, 0.00653197)],
)
def test_a_divider_of_two_resistors(top, bottom, relative):
    a = Input.within("top", top, 0.01 * top, "ohm").variable
    b = Input.within("bottom", bottom, 0.01 * bottom, "ohm").variable
    ratio = 1.0 + a / b
    assert ratio.std_dev / ratio.nominal_value == pytest.approx(relative, rel=1e-5)


def test_one_object_is_one_cause_and_two_alike_are_two():
    one, other = (Input("reference", 5.0, 0.1, "V") for _ in range(2))
    assert (one.variable - one.variable).std_dev == 0.0
    assert (one.variable - other.variable).std_dev == pytest.approx(0.1 * sqrt(2.0))
    assert one != other
    assert len({one, other}) == 2
    assert one.variable.tag == "reference"


def test_a_cause_stays_one_through_a_pickle():
    one = Input("reference", 5.0, 0.1, "V")
    back, doubled = pickle.loads(pickle.dumps((one, 2.0 * one.variable)))
    assert (doubled - 2.0 * back.variable).std_dev == pytest.approx(0.0, abs=1e-15)


# JCGM 100:2008, H.2: five sets of simultaneous readings of voltage, current and phase.
VOLTAGE = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def _gum_h2():
    readings = np.array([VOLTAGE, CURRENT, PHASE])
    return readings.mean(axis=1), np.cov(readings) / 5


def test_correlated_estimates_of_the_gum_as_independent_inputs():
    values, covariance = _gum_h2()
    inputs, effects = independent(values, covariance, ["V", "I", "phi"], "JCGM 100, H.2")
    v, i, phi = values + effects.T @ np.array([one.variable for one in inputs])
    results = (v / i * umath.cos(phi), v / i * umath.sin(phi), v / i)
    # Table H.4: R 127.732, X 219.847, Z 254.260 ohm; u unrounded 0.071071, 0.295582, 0.236336
    # (H.2.3 gives 0.071, 0.295, 0.236), correlations -0.588, -0.485, 0.993.
    for got, value, u in zip(
        results, (127.732, 219.847, 254.260), (0.071071, 0.295582, 0.236336), strict=True
    ):
        assert got.nominal_value == pytest.approx(value, abs=5e-4)
        assert got.std_dev == pytest.approx(u, abs=5e-7)
    r = correlation_matrix(results)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=5e-4)


def test_independent_inputs_are_what_correlated_values_of_the_package_are():
    values, covariance = _gum_h2()
    inputs, effects = independent(values, covariance, ["V", "I", "phi"])
    ours = values + effects.T @ np.array([one.variable for one in inputs])
    theirs = correlated_values(values, covariance)
    for f in (lambda v, i, phi: v * i * umath.cos(phi), lambda v, i, phi: v / i + phi):
        assert f(*ours).std_dev == pytest.approx(f(*theirs).std_dev, rel=1e-9)
    assert effects.T @ effects == pytest.approx(covariance, rel=1e-9, abs=1e-18)
    assert all((one.value, one.u, one.unit) == (0.0, 1.0, "") for one in inputs)


def test_what_has_no_variance_makes_no_input():
    inputs, effects = independent([1.0, 2.0, 3.0], np.diag([0.0, 0.04, 0.0]), ["a", "b", "c"])
    assert [one.name for one in inputs] == ["b (1)"]
    assert np.abs(effects) == pytest.approx(np.array([[0.0, 0.2, 0.0]]))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"value": nan}, "a value of nan"),
        ({"u": -1.0}, "a standard uncertainty of -1"),
        ({"u": inf}, "a standard uncertainty of inf"),
        ({"bounds": (0.0, 10.0)}, "30 degC is outside 0 to 10"),
        ({"degrees_of_freedom": 0.0}, "0 degrees of freedom"),
    ],
)
def test_what_is_no_input_is_refused_by_name(more, said):
    given = {"name": "cells", "value": 30.0, "u": 8.0, "unit": "degC", **more}
    with pytest.raises(RangeError, match=f"^cells: {said}"):
        Input(**given)


def test_a_half_width_of_a_normal_distribution_is_refused():
    with pytest.raises(RangeError, match="no half width"):
        Input.within("a", 1.0, 0.1, "V", "normal")


@pytest.mark.parametrize(
    ("covariance", "said"),
    [
        ([[1.0, 2.0], [2.0, 1.0]], "not a covariance"),
        ([[1.0, 0.5], [0.4, 1.0]], "not a covariance"),
        ([[-1.0, 0.0], [0.0, 1.0]], "not a covariance"),
        ([[nan, 0.0], [0.0, 1.0]], "not a covariance"),
        ([[1.0]], "2 names"),
    ],
)
def test_what_is_no_covariance_is_refused(covariance, said):
    with pytest.raises(RangeError, match=said):
        independent([1.0, 2.0], covariance, ["a", "b"], "a fit")
