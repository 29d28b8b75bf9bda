"""The smooth line between points, against scipy's and against a cubic itself."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from ivkit.light.smooth import cubic_between


@pytest.mark.parametrize("count", [4, 5, 61])
def test_the_line_is_that_of_scipy(count):
    x = np.sort(np.random.default_rng(11).uniform(-90.0, 90.0, count))
    y = np.stack([np.cos(np.radians(x)), np.exp(-((x / 40.0) ** 2))], axis=-1)
    at = np.linspace(x[0] - 1.0, x[-1] + 1.0, 301)
    # not-a-knot is its default
    np.testing.assert_allclose(cubic_between(x, y, at), CubicSpline(x, y)(at), atol=1e-9)


def test_a_cubic_comes_back_as_it_is():
    x = np.array([-2.0, -1.0, 0.5, 1.0, 3.0])
    at = np.linspace(-2.0, 3.0, 21)
    found = cubic_between(x, 1.0 - 2.0 * x + 0.5 * x**3, at)
    np.testing.assert_allclose(found, 1.0 - 2.0 * at + 0.5 * at**3, atol=1e-12)
