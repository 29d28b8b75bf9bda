"""Angle of incidence and what glass takes of it, against published tables and closed forms."""

import subprocess
import sys
from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError
from ivkit.light.incidence import (
    angle_between,
    ashrae,
    beam_on_plane,
    direction,
    martin_ruiz,
    no_glass,
    physical,
    plausible_degrees,
)

# Incidence angle modifiers: Martin and Ruiz (SEMSC 70 (2001) 25; 110 (2013) 154) for a_r 0.14,
# 0.16, 0.17, 0.20; ASHRAE with b0 0.05; physical (De Soto et al. 2006, n 1.526, K 4 /m, L 2 mm).
# Computed with pvlib and, at 30 to 80 deg, again with mpmath.
MODIFIER_TABLE = """
0   1        1        1        1        1        1
30  0.998731 0.997466 0.996647 0.993528 0.992265 0.997887
45  0.994382 0.989870 0.987136 0.977443 0.979289 0.987978
60  0.972653 0.957912 0.949845 0.924142 0.950000 0.946003
70  0.913823 0.883772 0.868685 0.824709 0.903810 0.859720
80  0.711278 0.663481 0.641720 0.584247 0.762061 0.634117
"""
MODIFIERS = (martin_ruiz, ashrae, physical, no_glass)
COLUMNS = [partial(martin_ruiz, a_r=a) for a in (0.14, 0.16, 0.17, 0.20)] + [ashrae, physical]

# Power (W) against angle of a 36-cell module at 25 degC under 1000 cos(aoi) W/m2 without IAM:
# IL 0.62 A, I0 3.7e-10 A, Rs 1.2 ohm, Rsh 900 ohm, a 1.0175 V at 1000 W/m2; photocurrent goes
# with the light and shunt resistance against it (De Soto et al., Solar Energy 80 (2006) 78).
LOADS = np.array([8.0, 20.0, 31.6, 60.0, 200.0])
POWER_TABLE = """
0  3.013279 7.335571 10.163621 6.877897 2.256610 10.163626
30 2.266100 5.537318 8.372649  6.651748 2.219085 8.777287
45 1.515610 3.719026 5.762916  6.252097 2.164604 7.130076
60 0.761001 1.877511 2.928912  4.974106 2.065081 4.985061
75 0.204914 0.508776 0.798561  1.491924 1.825936 2.509438
"""


def table(text):
    return np.array([line.split() for line in text.strip().splitlines()], dtype=float)


def module_under(light):
    """The module of the power table under a share of 1000 W/m2 (any shape)."""
    light = np.asarray(light)
    return SingleDiode(0.62 * light, 3.7e-10, 1.2, 900.0 / light, 1.0175)


def power_at_loads(aoi):
    """Power (W) over angle and load, without glass."""
    light = beam_on_plane(aoi, no_glass)[:, np.newaxis]
    return module_under(light).operating_point(LOADS).power


# --- incidence angle modifiers ---


@pytest.mark.parametrize("column", range(6))
def test_modifiers_follow_the_published_table(column):
    rows = table(MODIFIER_TABLE)
    np.testing.assert_allclose(COLUMNS[column](rows[:, 0]), rows[:, 1 + column], rtol=0, atol=1e-6)


def test_martin_ruiz_by_default_is_that_of_clean_glass():
    np.testing.assert_array_equal(martin_ruiz([30, 70]), martin_ruiz([30, 70], a_r=0.16))


@pytest.mark.parametrize("modifier", MODIFIERS)
def test_modifiers_are_even_zero_from_behind_and_one_straight_on(modifier):
    aoi = np.array([[0.0, 30.0, 60.0], [89.9, 90.0, 100.0], [150.0, 179.0, 180.0]])
    front = modifier(aoi)
    assert front.shape == aoi.shape
    np.testing.assert_array_equal(modifier(-aoi), front)
    assert front[0, 0] == pytest.approx(1, abs=1e-12)
    np.testing.assert_array_equal(front[aoi >= 90], 0)
    assert np.all((front >= 0) & (front <= 1))
    assert np.isnan(modifier(np.nan))
    assert float(modifier(30.0)) == front[0, 1]


@given(st.lists(st.floats(0, 90), min_size=2, max_size=20).map(sorted))
def test_modifiers_never_rise_with_the_angle(angles):
    for modifier in MODIFIERS:
        assert np.all(np.diff(modifier(angles)) <= 1e-12)


# --- angles ---


def test_duffie_and_beckman_example_1_6_1():
    # Duffie and Beckman, Solar Engineering of Thermal Processes, eq. 1.6.2 and Example 1.6.1:
    # latitude 43, slope 45, surface 15 deg west of south, declination -14, hour angle -22.5:
    # 35 deg; with all digits 35.176 deg.
    latitude, declination, hour = np.radians([43.0, -14.0, -22.5])
    up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(
        hour
    )
    south = np.sin(latitude) * np.cos(declination) * np.cos(hour) - np.cos(latitude) * np.sin(
        declination
    )
    west = np.cos(declination) * np.sin(hour)
    sun = [-west, -south, up]
    assert angle_between(direction(45, 180 + 15), sun) == pytest.approx(35.176, abs=1e-3)
    zenith = np.degrees(np.arccos(up))
    azimuth = np.degrees(np.arctan2(-west, -south)) % 360
    assert angle_between(direction(45, 195), direction(zenith, azimuth)) == pytest.approx(
        35.176, abs=1e-3
    )


@given(st.floats(0, 180), st.floats(-360, 360), st.floats(0, 180), st.floats(-360, 360))
def test_angle_of_incidence_agrees_with_pvlib(tilt, facing, zenith, azimuth):
    from pvlib.irradiance import aoi

    # pvlib takes the arc cosine, which keeps only half the digits near 0 and 180 deg.
    expected = float(aoi(tilt, facing, zenith, azimuth))
    ours = angle_between(direction(tilt, facing), direction(zenith, azimuth))
    assert ours == pytest.approx(expected, abs=1e-5)


def test_small_angles_keep_their_digits():
    # A direction turned by one microdegree; the arc cosine of 1 - 1.5e-16 would say 0 or 1.2e-6.
    turned = angle_between(direction(30, 180), direction(30 + 1e-6, 180))
    assert turned == pytest.approx(1e-6, rel=1e-6)


def test_azimuth_runs_clockwise_from_north():
    np.testing.assert_allclose(
        direction(90, [0, 90, 180, 270]) @ [1, 0, 0], [0, 1, 0, -1], atol=1e-12
    )
    np.testing.assert_allclose(
        direction(90, [0, 90, 180, 270]) @ [0, 1, 0], [1, 0, -1, 0], atol=1e-12
    )


def test_angles_broadcast_over_many_directions():
    normals = direction(np.array([[0.0], [45.0]]), np.array([0.0, 90.0, 180.0]))
    assert angle_between(normals, [0, 0, 3]).shape == (2, 3)
    np.testing.assert_allclose(angle_between(normals, [0, 0, 3])[1], 45)


# --- beam ---


def test_beam_on_plane_is_cosine_times_modifier_and_leaves_the_diffuse_share():
    rows = table(MODIFIER_TABLE)
    cosine = np.cos(np.radians(rows[:, 0]))
    np.testing.assert_allclose(beam_on_plane(rows[:, 0]), cosine * rows[:, 2], atol=1e-6)
    with_stray = beam_on_plane(rows[:, 0], ashrae, 0.2)
    np.testing.assert_allclose(with_stray, 0.8 * cosine * rows[:, 5] + 0.2, atol=1e-6)
    np.testing.assert_allclose(beam_on_plane([90, 120, -180], martin_ruiz, 0.2), 0.2)
    shares = np.array([[0.0], [0.5], [1.0]])
    assert beam_on_plane([0, 30, 60, 90], diffuse_share=shares).shape == (3, 4)


# --- power against angle ---


def test_power_against_angle_at_five_loads_follows_the_table():
    rows = table(POWER_TABLE)
    np.testing.assert_allclose(power_at_loads(rows[:, 0]), rows[:, 1:6], rtol=0, atol=1e-6)


def test_maximum_power_against_angle_follows_the_table():
    rows = table(POWER_TABLE)
    p_mp = module_under(beam_on_plane(rows[:, 0], no_glass)).key_points().p_mp
    np.testing.assert_allclose(p_mp, rows[:, 6], rtol=0, atol=1e-6)


def test_short_circuit_current_goes_with_the_light_and_glass_makes_it_steeper():
    # Same module: Isc has the exponent 0.999. Glass adds ln(IAM)/ln(cos), closed form; over the
    # models and 15 to 75 deg that makes at most 1.19 (physical model at 75 deg).
    aoi = np.arange(15.0, 76.0, 5.0)
    straight_on = module_under(1.0).current(0.0)
    cosine = np.cos(np.radians(aoi))

    def exponent(iam):
        i_sc = module_under(beam_on_plane(aoi, iam)).current(0.0)
        return np.log(i_sc / straight_on) / np.log(cosine)

    np.testing.assert_allclose(exponent(no_glass), 0.999, atol=1e-3)
    modifier = (1 - np.exp(-cosine / 0.16)) / (1 - np.exp(-1 / 0.16))
    expected = 0.999 * (1 + np.log(modifier) / np.log(cosine))
    np.testing.assert_allclose(exponent(martin_ruiz), expected, atol=2e-3)
    steepest = max(exponent(iam).max() for iam in (martin_ruiz, ashrae, physical))
    assert steepest == pytest.approx(1.19, abs=5e-3)


# --- bad input ---


@pytest.mark.parametrize(
    ("angles", "message"),
    [
        (
            [0, 0.26, 0.52, 0.79, 1.05],
            r"^angle column: angles from 0 to 1.05 look like radians; .*57",
        ),
        (np.radians([-90, -45, 0, 45, 90]), "look like radians"),
        ([0, 45, 95], "angle 95 deg is more than 90 deg from the normal"),
        ([-120, 45], "angle -120 deg is more than 90 deg"),
        ([0, np.nan], "not a finite number"),
        ([], "there are no angles"),
    ],
)
def test_angles_that_cannot_be_degrees_are_refused(angles, message):
    with pytest.raises(RangeError, match=message):
        plausible_degrees(angles, "angle column")


@pytest.mark.parametrize(
    "angles", [[0, 15, 30], [0.0, 1.0], [-0.3, 0, 0.3], [1.2], [0, 0.5, 1.0, 1.5, 2.0]]
)
def test_angles_that_can_be_degrees_pass(angles):
    np.testing.assert_array_equal(plausible_degrees(angles), angles)


def test_small_angles_pass_when_they_are_meant_and_large_ones_within_the_limit():
    assert plausible_degrees([0, 0.5, 1.0], small_is_meant=True).size == 3
    assert plausible_degrees([0, 120], limit=180).max() == 120


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: martin_ruiz(200), "angle of incidence 200 deg"),
        (lambda: martin_ruiz(30, a_r=0), "angular loss coefficient 0"),
        (lambda: ashrae(30, b0=-1), "coefficient b0 -1"),
        (lambda: beam_on_plane(30, diffuse_share=1.5), "diffuse share 1.5"),
        (lambda: beam_on_plane(30, diffuse_share=np.nan), "diffuse share nan"),
        (lambda: angle_between([1, 0], [0, 0, 1]), r"give x, y and z"),
        (lambda: angle_between([0, 0, 0], [0, 0, 1]), "a direction of no length"),
    ],
)
def test_impossible_angles_are_refused_with_what_to_do(call, message):
    with pytest.raises(RangeError, match=message):
        call()


def test_importing_incidence_loads_neither_pvlib_nor_pandas():
    code = (
        "import sys, ivkit.light.incidence; "
        "print([name for name in ('pvlib', 'pandas', 'scipy') if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
