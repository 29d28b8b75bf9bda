"""A panel taken apart into cells, in uniform light and near a lamp."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ivkit.errors import RangeError
from ivkit.light.lamp import light_on
from ivkit.light.lamp_shape import Disc, Point
from ivkit.light.panel_face import PanelFace, Placement
from ivkit.panel.cells import cells_under
from ivkit.panel.conditions import ReferencePanel

PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)
FACE = PanelFace(0.28, 0.35, 9, 4)

# The synthetic module at 25 degC and 1000 cos(theta) W/m2: power into 8, 20, 31.6, 60 and 200 ohm
# and at most, W, worked with mpmath; 1e-6.
ANGLES = [
    (0, 3.013279, 7.335571, 10.163621, 6.877897, 2.256610, 10.163626),
    (30, 2.266100, 5.537318, 8.372649, 6.651748, 2.219085, 8.777287),
    (45, 1.515610, 3.719026, 5.762916, 6.252097, 2.164604, 7.130076),
    (60, 0.761001, 1.877511, 2.928912, 4.974106, 2.065081, 4.985061),
    (75, 0.204914, 0.508776, 0.798561, 1.491924, 1.825936, 2.509438),
]


@pytest.mark.parametrize("row", ANGLES)
@pytest.mark.parametrize("groups", [0, 2])
def test_equal_cells_give_the_published_powers_against_angle(row, groups):
    theta, *powers, most = row
    light = np.full(36, 1000.0 * np.cos(np.radians(theta)))
    string = cells_under(PANEL, light, 25.0, bypass_groups=groups)
    loads = np.array([8.0, 20.0, 31.6, 60.0, 200.0])
    assert_allclose(string.operating_point(loads).power, powers, atol=1e-6)
    assert_allclose(string.key_points().p_mp, most, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.floats(1.0, 1200.0), st.floats(-20.0, 80.0))
def test_equal_cells_are_the_panel_in_any_condition(light, celsius):
    string = cells_under(PANEL, np.full(36, light), celsius).key_points()
    panel = PANEL.at(light, celsius).key_points()
    for name in ("i_sc", "v_oc", "v_mp", "i_mp", "p_mp"):
        assert_allclose(getattr(string, name), getattr(panel, name), rtol=1e-10)


def test_many_panels_in_many_lights_at_once():
    light = np.random.default_rng(0).uniform(100.0, 900.0, (5, 36))
    string = cells_under(PANEL, light, np.array([10.0, 20.0, 30.0, 40.0, 50.0])[:, None])
    assert string.shape == (5,)
    one = cells_under(PANEL, light[3], 40.0)
    assert_allclose(string.key_points().p_mp[3], one.key_points().p_mp, rtol=1e-13)


# --- near a lamp


def test_a_far_lamp_is_uniform_light():
    light = light_on(Point(), FACE, Placement(50.0))  # of 40 W/m2 at the centre
    near = cells_under(PANEL, 40.0 * 50.0**2 * light.in_series, 25.0).key_points()
    assert_allclose(near.p_mp, PANEL.at(40.0, 25.0).key_points().p_mp, rtol=2e-4)


@pytest.mark.parametrize("groups", [0, 2])
def test_a_near_lamp_gives_less_than_its_mean_light_would(groups):
    # A disc of 60 W/m2 at a metre: pi L R2/(R2 + d2) there, pi L R2 on its axis.
    light = 60.0 * (1.0 + 0.05**2) * light_on(Disc(0.05), FACE, Placement(0.3)).in_series
    string = cells_under(PANEL, light, 25.0, bypass_groups=groups)
    points, even = string.key_points(), PANEL.at(light.mean(), 25.0).key_points()
    assert points.p_mp < 0.9 * even.p_mp
    # The darkest cells are the corners: ends of the first and of the last column.
    assert string.at_max_power().limiting_cell in (0, 8, 27, 35)
    assert_allclose(light[[0, 8, 27, 35]], light.min())


# --- bad input


def test_light_that_does_not_fit_the_cells_is_refused():
    with pytest.raises(RangeError, match="light for 35 cells, but the panel has 36 in series"):
        cells_under(PANEL, np.ones(35), 25.0)
    with pytest.raises(RangeError, match="light for 1 cells, but the panel has 36"):
        cells_under(PANEL, 100.0, 25.0)
    unknown = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003)
    with pytest.raises(RangeError, match="the number of cells of the panel is not known; give it"):
        cells_under(unknown, np.ones(36), 25.0)
    with pytest.raises(RangeError, match="effective irradiance -1 W/m2 is negative"):
        cells_under(PANEL, -np.ones(36), 25.0)
