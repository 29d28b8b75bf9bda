"""Lamps over panels: closed forms, numerical integrals and conservation of flux.

E/E_isq is the irradiance over what the inverse-square law gives for the same axial intensity.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import dblquad, quad

from ivkit.errors import RangeError
from ivkit.light.lamp import effective_irradiance_from_cell, light_on
from ivkit.light.lamp_shape import Beam, Disc, Point, Strip
from ivkit.light.panel_face import PanelFace, Placement

FACING = np.array([0.0, 0.0, -1.0])
SMALL_LAMBERTIAN = Beam(120.0)
SQUARE = PanelFace(0.2, 0.2, 4, 4)


def unit(vector):
    return np.asarray(vector) / np.linalg.norm(vector)


# --- closed forms, on the axis and off it


@pytest.mark.parametrize(
    ("radii", "ratio"),
    [(1, 0.5), (2, 0.8), (4, 0.941176), (5, 0.961538), (10, 0.990099), (20, 0.997506)],
)
def test_a_disc_falls_short_of_the_inverse_square_law(radii, ratio):
    # E = pi L R2/(R2 + d2), the closed form for a Lambertian disc.
    disc = Disc(0.1)
    value = disc.per_intensity([0.0, 0.0, 0.1 * radii], FACING) * (0.1 * radii) ** 2
    assert_allclose(value, ratio, atol=1e-6)
    assert_allclose(value, radii**2 / (1 + radii**2), rtol=1e-14)


def test_a_strip_at_five_lengths():
    value = Strip(0.6).per_intensity([0.0, 0.0, 3.0], FACING) * 9.0
    assert_allclose(value, 0.993393, atol=1e-6)


def test_five_largest_dimensions_are_far_enough_for_one_percent():
    # IES lighting library, definition 9.1.1 (inverse-square law).
    for shape in (Disc(0.1), Strip(0.3)):
        d = 5 * shape.size
        assert 0.99 < shape.per_intensity([0.0, 0.0, d], FACING) * d**2 < 1.0


def test_equal_coaxial_discs_exchange_the_textbook_fraction():
    # F12 of equal coaxial discs at a distance of one radius: (3 - sqrt 5)/2 = 0.381966.
    disc = Disc(0.2)
    total, _ = quad(
        lambda r: 2 * np.pi * r * float(disc.per_intensity([r, 0.0, 0.2], FACING)), 0, 0.2
    )
    assert_allclose(total / disc.solid_angle, (3 - np.sqrt(5)) / 2, rtol=1e-10)
    assert_allclose(total / disc.solid_angle, 0.381966, atol=1e-6)


@pytest.mark.parametrize(
    ("shape", "power", "share"), [(Point(), 3, 0.853815), (SMALL_LAMBERTIAN, 4, 0.81)]
)
def test_off_axis_light_falls_as_cosine_cubed_or_to_the_fourth(shape, power, share):
    on = shape.per_intensity([0.0, 0.0, 0.3], FACING)
    off = shape.per_intensity([0.1, 0.0, 0.3], FACING)
    assert_allclose(off / on, share, atol=1e-6)
    assert_allclose(off / on, (0.3 / np.hypot(0.3, 0.1)) ** power, rtol=1e-13)


@pytest.mark.parametrize(("shape", "mean"), [(Point(), 0.901507), (SMALL_LAMBERTIAN, 0.871681)])
def test_the_mean_over_a_panel_is_less_than_its_centre(shape, mean):
    # Point: solid angle of the square, 4 asin(a2/(a2 + d2)), times d2/A.
    light = light_on(shape, SQUARE, Placement(0.3))
    assert_allclose(light.cells.mean() / light.centre, mean, atol=1e-6)
    assert_allclose(light.centre, 1 / 0.3**2, rtol=1e-13)


@pytest.mark.parametrize("distance", [0.25, 0.12])
def test_means_of_cells_agree_with_numerical_integration(distance):
    face, where = PanelFace(0.30, 0.35, 9, 4), Placement(distance, 25.0, 40.0, (0.03, -0.05))
    beam = Beam(60.0)
    light = light_on(beam, face, where)
    for row, column in ((0, 0), (8, 3), (4, 2)):
        x0, y0 = -0.15 + column * 0.075, -0.175 + row * 0.35 / 9

        def value(y, x):
            point = where.points(np.array(x), np.array(y))
            return float(beam.per_intensity(point, where.axes[2]))

        total, _ = dblquad(value, x0, x0 + 0.075, y0, y0 + 0.35 / 9, epsrel=1e-10)
        assert_allclose(light.cells[row, column], total / (0.075 * 0.35 / 9), rtol=1e-6)


# --- against integration over the lamp, any position and orientation

PATCHES = [
    ([0.05, 0.02, 0.3], [0.0, 0.0, -1.0]),
    ([0.2, -0.1, 0.15], [0.3, 0.5, -1.0]),
    ([0.4, 0.3, 0.1], [-1.0, -0.2, -0.1]),
    ([0.05, 0.0, 0.06], [-1.0, 0.1, -0.2]),  # its horizon cuts the lamp
    ([-0.03, 0.05, 0.1], [0.2, -1.0, 0.3]),  # and here it looks half away
    ([0.1, 0.1, 0.2], [0.5, 0.5, 1.0]),  # and away
]


@pytest.mark.parametrize(("position", "normal"), PATCHES)
def test_disc_agrees_with_integration_over_its_face(position, normal):
    p, n = np.array(position), unit(normal)

    def part(phi, r):
        to = np.array([r * np.cos(phi), r * np.sin(phi), 0.0]) - p
        return max(n @ to, 0.0) * p[2] / (to @ to) ** 2 * r

    total, _ = dblquad(part, 0.0, 0.12, 0.0, 2 * np.pi, epsabs=1e-7, epsrel=1e-7)
    ours = Disc(0.12).per_intensity(p, n)
    assert_allclose(ours, total / (np.pi * 0.12**2), rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize(("position", "normal"), PATCHES)
def test_strip_agrees_with_integration_along_it(position, normal):
    p, n = np.array(position), unit(normal)
    strip = Strip(0.3, along_deg=30.0)

    def part(x):
        to = x * strip.direction - p
        return max(n @ to, 0.0) * p[2] / (to @ to) ** 2

    total, _ = quad(part, -0.15, 0.15, epsabs=1e-11, limit=500)
    assert_allclose(strip.per_intensity(p, n), total / 0.3, rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("shape", [Point(), Beam(38.0), SMALL_LAMBERTIAN, Disc(0.3), Strip(0.4)])
def test_all_the_light_passes_through_a_sphere_around_the_lamp(shape):
    nodes, weights = np.polynomial.legendre.leggauss(200)
    phi = (np.arange(64) + 0.5) / 64 * 2 * np.pi
    total = 0.0
    for low, high in ((-1.0, 0.0), (0.0, 1.0)):
        cos = (nodes + 1) / 2 * (high - low) + low
        sin = np.sqrt(1 - cos**2)
        out = np.stack(
            [
                sin[:, None] * np.cos(phi),
                sin[:, None] * np.sin(phi),
                np.broadcast_to(cos[:, None], (200, 64)),
            ],
            axis=-1,
        )
        each = shape.per_intensity(0.7 * out, -out).mean(axis=1) * 2 * np.pi * 0.7**2
        total += (each * weights).sum() * (high - low) / 2
    assert_allclose(total, shape.solid_angle, rtol=1e-5)


@settings(max_examples=80, deadline=None)
@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(0.5, 3), st.floats(-80, 80), st.floats(0, 360))
def test_small_lamps_of_every_shape_look_alike(x, y, z, tilt, axis):
    normal = Placement(1.0, tilt, axis).axes[2]
    expected = SMALL_LAMBERTIAN.per_intensity([x, y, z], normal)
    for shape in (Disc(1e-4), Strip(1e-4)):
        assert_allclose(shape.per_intensity([x, y, z], normal), expected, rtol=1e-4, atol=1e-6)


# --- geometry of the panel


def test_tilt_turns_the_named_edge_away():
    up = Placement(0.5, 30.0, 0.0)
    width, height, normal = up.axes
    assert_allclose(width, [1, 0, 0], atol=1e-15)
    assert_allclose(height, [0, np.cos(np.pi / 6), 0.5], atol=1e-15)
    assert_allclose(normal @ FACING, np.cos(np.pi / 6))
    left = Placement(0.5, 30.0, 90.0).points(np.array(-0.1), np.array(0.0))
    assert_allclose(left, [-0.1 * np.cos(np.pi / 6), 0, 0.55], atol=1e-15)
    light = light_on(Point(), SQUARE, up)
    assert np.all(light.cells[0] > light.cells[-1])


def test_far_away_a_tilted_panel_gets_the_cosine_on_every_cell():
    light = light_on(Point(), SQUARE, Placement(1000.0, 60.0, 20.0))
    assert_allclose(1e6 * light.cells, 0.5, rtol=1e-3)
    assert_allclose(light.aoi, 60.0, atol=0.02)
    assert light.cells.min() / light.cells.max() > 0.999


def test_cells_behind_a_flat_lamp_get_nothing():
    face = PanelFace(1.0, 0.1, 1, 4)
    light = light_on(Disc(0.01), face, Placement(0.1, 80.0, 90.0))
    # The right half comes forward, past the lamp's plane.
    assert light.cells[0, 3] == 0.0
    assert light.cells[0, 0] > 0.0


def test_series_runs_up_one_column_and_down_the_next():
    face = PanelFace(0.3, 0.4, 3, 2)
    light = light_on(Point(), face, Placement(0.3, 20.0))
    assert face.series_order.tolist() == [0, 2, 4, 5, 3, 1]
    assert_allclose(light.in_series[[0, 3]], light.cells[[0, 2], [0, 1]])


# --- the lamp's strength


def test_beam_exponent_is_that_of_half_intensity_at_half_the_angle():
    for angle in (10.0, 38.0, 120.0):
        half = np.cos(np.radians(angle / 2)) ** Beam(angle).exponent
        assert_allclose(half, 0.5, rtol=1e-12)


def test_a_known_cell_reads_effective_irradiance():
    assert_allclose(effective_irradiance_from_cell(0.062, 0.62), 100.0)


# --- bad input


@pytest.mark.parametrize("distance", [0.0, -0.3, np.inf, np.nan])
def test_impossible_distances_are_refused(distance):
    with pytest.raises(RangeError, match=r"m from lamp to panel cannot be; give metres"):
        Placement(distance)


def test_a_lamp_behind_the_panel_is_refused():
    with pytest.raises(RangeError, match=r"tilt 95 deg turns the panel's back to the lamp"):
        Placement(0.5, 95.0)
    with pytest.raises(RangeError, match=r"the lamp is behind the panel: 0\.0232 m behind"):
        light_on(Point(), SQUARE, Placement(0.1, 45.0, 0.0, (0.0, 0.1328)))


@pytest.mark.parametrize("shape", [Disc(0.15), Strip(0.3, along_deg=90.0)])
def test_a_lamp_inside_the_panel_is_refused(shape):
    with pytest.raises(RangeError, match=r"the lamp, 0\.3 m across, is partly inside the panel"):
        light_on(shape, PanelFace(0.3, 0.6, 9, 4), Placement(0.1, 60.0))
    # A smaller panel ends before it reaches the lamp.
    assert light_on(shape, PanelFace(0.1, 0.1, 2, 2), Placement(0.1, 60.0)).centre > 0


def test_impossible_numbers_are_refused():
    with pytest.raises(RangeError, match="beam angle 180 deg is not that of a beam"):
        Beam(180.0)
    with pytest.raises(RangeError, match="disc radius 0 m is not a size"):
        Disc(0.0)
    with pytest.raises(RangeError, match="strip length -1 m is not a size"):
        Strip(-1.0)
    with pytest.raises(RangeError, match="panel width 0 m is not a size"):
        PanelFace(0.0, 1.0, 1, 1)
    with pytest.raises(RangeError, match="0 rows of cells cannot be"):
        PanelFace(1.0, 1.0, 0, 1)
    with pytest.raises(RangeError, match="tilt axis and offset must be finite"):
        Placement(1.0, offset_m=(np.nan, 0.0))
    with pytest.raises(RangeError, match="short-circuit current -1 A is not 0 or greater"):
        effective_irradiance_from_cell(-1.0, 0.62)
    with pytest.raises(RangeError, match="short-circuit current 0 A at STC is not greater"):
        effective_irradiance_from_cell(0.1, 0.0)
