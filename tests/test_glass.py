"""Glass of two coefficients has the shape of measured modules."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from ivkit.errors import RangeError
from ivkit.light.glass import GLASSES, GRAZING, LOSS, NAMED, PLAIN, Glass, inputs_of, off
from ivkit.light.incidence import ashrae, martin_ruiz, no_glass, physical
from tests.measured_glass import AT, MEASURED


def fitted(name):
    """Return the coefficients a_r and g of a measured module, and what is left at each angle."""
    values = np.array(MEASURED[name])
    known = np.isfinite(values)
    found = least_squares(lambda p: Glass(*p)(AT[known]) - values[known], [0.18, 0.0])
    return found.x, found.fun


@pytest.mark.parametrize("name", MEASURED)
def test_two_coefficients_have_the_shape_of_each_measured_module(name):
    assert np.abs(fitted(name)[1]).max() < 0.01


def test_one_coefficient_has_not():
    # That is why there are two: for every silicon module, no a_r is within 0.02 at all four angles.
    coefficients = np.linspace(0.08, 0.4, 321)
    for name in ("multicrystalline", "monocrystalline", "heterojunction"):
        apart = [np.abs(martin_ruiz(AT, a_r) - MEASURED[name]).max() for a_r in coefficients]
        assert min(apart) > 0.02


def test_the_prior_is_that_of_one_more_front():
    # One case of each kind: the two CIGS modules are one, and so is Martin and Ruiz' clean glass.
    cases = {name: fitted(name)[0] for name in MEASURED}
    cigs = np.mean([cases.pop("CIGS, lowest"), cases.pop("CIGS, highest")], axis=0)
    every = np.array([*cases.values(), cigs, (0.16, 0.0)])
    student = 2.365 / 1.960  # 95 %, seven degrees of freedom, over a normal distribution
    wide = every.std(axis=0, ddof=1) * np.sqrt(1 + 1 / len(every)) * student
    np.testing.assert_allclose((PLAIN.a_r, PLAIN.g), every.mean(axis=0), atol=0.005)
    np.testing.assert_allclose((PLAIN.u_a_r, PLAIN.u_g), wide, rtol=0.06)


@pytest.mark.parametrize("name", MEASURED)
def test_each_measured_module_is_within_two_standard_uncertainties(name):
    a_r, g = fitted(name)[0]
    assert abs(a_r - PLAIN.a_r) <= 2 * PLAIN.u_a_r
    assert abs(g - PLAIN.g) <= 2 * PLAIN.u_g


def test_without_grazing_loss_it_is_martin_and_ruiz():
    aoi = np.linspace(-180, 180, 721)
    np.testing.assert_array_equal(Glass(0.16)(aoi), martin_ruiz(aoi, 0.16))
    np.testing.assert_array_equal(NAMED["martin-ruiz"](aoi), martin_ruiz(aoi, 0.16))


@pytest.mark.parametrize("loss", [-2.0, 0.0, 2.0])
@pytest.mark.parametrize("grazing", [-2.0, 0.0, 2.0])
@pytest.mark.parametrize("front", ["plain", "antireflective"])
def test_it_falls_from_one_to_none_for_all_that_is_likely(front, loss, grazing):
    glass = GLASSES[front].off(LOSS, loss).off(GRAZING, grazing)
    value = glass(np.linspace(0, 90, 901))
    assert value[0] == pytest.approx(1.0)
    assert value[-1] == 0.0
    assert np.all(np.diff(value) <= 1e-12)
    np.testing.assert_array_equal(glass([91.0, 180.0]), 0.0)


def test_no_glass_has_no_loss_and_no_input():
    assert GLASSES["none"] is no_glass
    assert inputs_of(no_glass) == ()
    assert off(no_glass, LOSS) is no_glass


@pytest.mark.parametrize("law", [ashrae, physical])
def test_a_law_of_another_form_is_uncertain_by_the_same_two(law):
    assert inputs_of(law) == inputs_of(PLAIN) == (LOSS, GRAZING)
    for name in (LOSS, GRAZING):
        moved = off(law, name)
        part = off(PLAIN, name)(AT) / PLAIN(AT)
        np.testing.assert_allclose(moved(AT), law(AT) * part, rtol=1e-12)
        assert moved(0.0) == pytest.approx(1.0)
        assert moved(90.0) == 0.0


def test_coefficients_that_no_glass_has_are_refused():
    with pytest.raises(RangeError, match="angular loss coefficient 0"):
        Glass(0.0)(30.0)
    with pytest.raises(RangeError, match="grazing coefficient 2"):
        Glass(0.16, 2.0)(30.0)
