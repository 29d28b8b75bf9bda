"""Uncertainty by moving inputs, against the uncertainties package and the GUM's examples."""

import math

import numpy as np
import pytest
import uncertainties
from numpy.testing import assert_allclose
from uncertainties import ufloat, umath

from ivkit.curve.diode import SingleDiode
from ivkit.curve.uncertainty import budget
from ivkit.errors import RangeError
from ivkit.panel.propagate import propagate


def test_linear_functions_agree_with_exact_derivatives():
    lamp, gauge = ufloat(10.0, 0.5, "lamp"), ufloat(2.0, 0.1, "gauge")
    inputs = {"a": 3.0 * lamp + gauge, "b": lamp - gauge, "c": 4.0}
    found = propagate(lambda a, b, c: {"x": a + c * b, "y": a - 2.0 * b}, inputs)
    expected = inputs["a"] + 4.0 * inputs["b"], inputs["a"] - 2.0 * inputs["b"]
    for key, value in zip("xy", expected, strict=True):
        assert_allclose(found[key].nominal_value, value.nominal_value)
        assert_allclose(found[key].std_dev, value.std_dev, rtol=1e-12)
    # x - y depends on b alone, whatever the two share.
    assert_allclose((found["x"] - found["y"] - 6.0 * inputs["b"]).std_dev, 0.0, atol=1e-12)
    assert list(budget(found["x"])) == ["lamp", "gauge"]


def test_impedance_of_the_guide_with_its_correlations():
    # JCGM 100:2008, H.2: five readings each of V (V), I (mA) and phi (rad).
    readings = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    v, i, phi = uncertainties.correlated_values(readings.mean(axis=1), np.cov(readings) / 5)

    def impedance(v, i, phi):
        return {"R": v / i * math.cos(phi), "X": v / i * math.sin(phi), "Z": v / i}

    found = propagate(impedance, {"v": v, "i": i, "phi": phi})
    exact = {"R": v / i * umath.cos(phi), "X": v / i * umath.sin(phi), "Z": v / i}
    for key, printed, u in (("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)):
        assert_allclose(found[key].nominal_value, printed, atol=5.1e-4)
        assert_allclose(found[key].std_dev, u, atol=1e-3)
        assert_allclose(found[key].std_dev, exact[key].std_dev, rtol=1e-4)


def test_a_one_sided_input_is_moved_the_way_it_can_go():
    def power(rs):
        return {"p": SingleDiode(0.62, 3.7e-10, rs, 900.0, 1.0175).key_points().p_mp}

    found = propagate(power, {"rs": ufloat(0.0, 0.1, "Rs")})["p"]
    # dPmp/dRs = -Imp^2, by the envelope theorem.
    i_mp = SingleDiode(0.62, 3.7e-10, 0.0, 900.0, 1.0175).key_points().i_mp
    assert_allclose(found.std_dev, 0.1 * i_mp**2, rtol=1e-2)


def test_certain_inputs_give_certain_results():
    found = propagate(lambda x, label: {"y": 2 * x}, {"x": 3.0, "label": "lamp"})
    assert found["y"].nominal_value == 6.0
    assert found["y"].std_dev == 0.0


def test_an_input_that_cannot_be_moved_either_way_says_why():
    def picky(x):
        if x != 1.0:
            raise RangeError(f"x is {x:g}, expected 1")
        return {"y": x}

    with pytest.raises(RangeError, match=r"x is 1\.5, expected 1"):
        propagate(picky, {"x": ufloat(1.0, 0.5)})
