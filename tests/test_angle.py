"""A panel that is turned: power by angle and load, and what readings of it tell."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from ivkit.errors import RangeError, SweepError
from ivkit.light.incidence import martin_ruiz, no_glass
from ivkit.light.lamp_shape import Beam
from ivkit.light.panel_face import PanelFace
from ivkit.panel.conditions import ReferencePanel
from ivkit.verdict.angle import fit_angles
from ivkit.verdict.angle_readings import AngleReadings
from ivkit.verdict.angle_solver import Weighting
from ivkit.verdict.turned import Turned, against_angle, near_lamp
from tests.turned_panels import (
    NEAR,
    NOTHING,
    PARALLEL,
    beam_of_cells,
    by_its_sweep,
    known,
    table,
    voltages,
)

PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, 36)
ANGLES = np.array([0.0, 30.0, 45.0, 60.0, 75.0])

# The synthetic 36-cell module at 25 degC, G = 1000 cos(aoi), no glass; worked with the exact
# equation, 1e-6 W.
POWER = {
    8.0: (3.013279, 2.266100, 1.515610, 0.761001, 0.204914),
    20.0: (7.335571, 5.537318, 3.719026, 1.877511, 0.508776),
    31.6: (10.163621, 8.372649, 5.762916, 2.928912, 0.798561),
    60.0: (6.877897, 6.651748, 6.252097, 4.974106, 1.491924),
    200.0: (2.256610, 2.219085, 2.164604, 2.065081, 1.825936),
    None: (10.163626, 8.777287, 7.130076, 4.985062, 2.509438),
}


def _points():
    loads = [load for load in POWER if load is not None]
    return against_angle(Turned(PANEL, iam=no_glass), ANGLES, 1000.0, loads)


def test_power_at_five_loads_and_at_maximum_power_is_exact():
    for one in _points():
        assert one.power == pytest.approx(POWER[one.load], abs=1e-6), one.load
        assert one.power == pytest.approx(one.voltage * one.current)


def test_exponents_are_two_below_the_knee_one_at_maximum_power_and_little_above():
    # ln(P/P0)/ln cos: 1.95 to 1.99 to 20 ohm, 1.02 to 1.04 at maximum power, 0.11 to 0.21 at
    # 200 ohm; the local exponent is the same to its own change over the angle.
    by_load = {one.load: one.exponent for one in _points()}
    for load in (8.0, 20.0):
        assert np.all((by_load[load] > 1.94) & (by_load[load] < 2.0))
    assert np.all((by_load[None] > 1.0) & (by_load[None] < 1.06))
    assert np.all(by_load[200.0][:4] < 0.21)


def test_the_exponent_is_that_of_the_exact_table_between_its_angles():
    # By its definition the mean of the local exponent over ln cos from 30 to 45 deg is
    # ln(P45/P30)/ln(cos 45/cos 30), from the exact powers above.
    fine = np.linspace(30.0, 45.0, 301)
    ln_cos = np.log(np.cos(np.radians(fine)))
    for one in against_angle(Turned(PANEL, iam=no_glass), fine, 1000.0, [20.0, 60.0]):
        exact = np.log(POWER[one.load][2] / POWER[one.load][1])
        found = np.trapezoid(one.exponent, ln_cos)
        assert found == pytest.approx(exact, rel=1e-4)


def test_the_other_side_is_the_same_and_behind_there_is_nothing():
    one = against_angle(Turned(PANEL), [-40.0, 40.0, 90.0, 120.0], 1000.0, [20.0])[0]
    assert one.power[0] == one.power[1]
    assert list(one.power[2:]) == [0.0, 0.0]


def test_a_far_lamp_is_as_parallel_light_and_a_near_one_is_not():
    face = PanelFace(0.285, 0.285, 6, 6)
    flat, far, near = (
        against_angle(Turned(PANEL, iam=no_glass, near=light), [0.0, 45.0], 300.0)[0].power
        for light in (
            None,
            near_lamp(face, 200.0, iam=no_glass),
            near_lamp(face, 0.3, iam=no_glass),
        )
    )
    assert far == pytest.approx(flat, rel=2e-3)
    assert near[0] < 0.97 * flat[0]
    # Turned 45 deg the lower edge comes nearer and the upper goes: the darkest cell limits.
    assert near[1] / near[0] < 0.9 * flat[1] / flat[0]


def test_the_light_near_a_lamp_is_that_of_the_closed_form():
    # A point lamp 30 cm over the middle of 20 x 20 cm: the mean is 0.901507 of the middle's
    # (solid angle 4 asin(a2/(a2 + d2)), a = 0.1), and 0.871681 for a small Lambertian lamp.
    face = PanelFace(0.2, 0.2, 6, 6)
    facing = near_lamp(face, 0.3, iam=no_glass)[90]
    assert facing.mean() == pytest.approx(0.901507, abs=1e-6)
    lambertian = near_lamp(face, 0.3, Beam(120.0), iam=no_glass)[90]
    assert lambertian.mean() == pytest.approx(0.871681, abs=1e-6)
    # Turned, a small cell in the middle of the panel gets the cosine and no more.
    middle = near_lamp(PanelFace(1e-4, 1e-4, 1, 1), 0.3, iam=no_glass)[90:, 0]
    assert middle[:90] == pytest.approx(np.cos(np.radians(np.arange(90.0))), abs=1e-6)
    # And a small cell r from the middle, turned by t about it: E = z' / s3 with s its distance
    # from the lamp and z' the lamp's height over the panel's plane.
    thin = near_lamp(PanelFace(1e-4, 0.2, 201, 1), 0.3, iam=no_glass)
    r = (np.arange(201) - 100) * 0.2 / 201
    for degrees in (0, 35, 70):
        t = np.radians(degrees)
        s = np.sqrt((r * np.cos(t)) ** 2 + (0.3 + r * np.sin(t)) ** 2)
        exact = 0.3 * np.cos(t) / s**3 * 0.3**2
        assert thin[90 + degrees] == pytest.approx(exact, rel=1e-5)


def test_the_light_near_a_beam_is_that_of_an_independent_sum():
    # tests/turned_panels.py sums closed forms over points; the glass is taken at each cell's
    # middle here and at each point there.
    face = PanelFace(NEAR.width, NEAR.height, NEAR.rows, NEAR.columns)
    ours = near_lamp(face, NEAR.distance, Beam(NEAR.beam), martin_ruiz)
    for degrees in (-60, 0, 30, 60):
        theirs = beam_of_cells(NEAR, degrees, 0.16)[face.series_order]
        assert ours[90 + degrees] == pytest.approx(theirs, rel=2e-3), degrees


def test_near_a_lamp_there_is_no_exponent_where_the_darkest_cell_changes_sides():
    near = near_lamp(PanelFace(0.285, 0.285, 6, 6), 0.8, Beam(100.0))
    low, top = against_angle(Turned(PANEL, near=near), [0.0, 30.0, 60.0], 140.0, [20.0])
    for one in (low, top):
        assert np.isnan(one.exponent[0])
        assert np.all(np.isfinite(one.exponent[1:]))


@pytest.mark.parametrize("make", [PARALLEL, NEAR], ids=["parallel", "near"])
def test_voltage_into_a_load_is_that_of_another_solver(make):
    # pvlib's Lambert W, string by bisection on the current, light in closed form.
    turned, _ = known(make)
    angles = np.array([-60.0, -20.0, 0.0, 35.0, 75.0])
    for load in (20.0, 75.0, 220.0):
        ours, _ = turned.operate(angles, 140.0, 0.05, load)
        theirs = voltages(make, angles, 140.0, 0.05, load, NOTHING)
        assert ours == pytest.approx(theirs, rel=1e-8 if make is PARALLEL else 2e-3)


def test_white_readings_and_the_way_back_are_those_of_the_full_covariance():
    # (V^-1/2)^T V^-1/2 = V^-1, and the gain of the least squares is (J' V^-1 J)^-1 J' V^-1
    # (Aitken; JCGM 102:2011, 6.2 for the propagation).
    rng = np.random.default_rng(7)
    variance = rng.uniform(0.5, 3.0, 9)
    shared = {"a": rng.standard_normal(9), "b": 5.0 * rng.standard_normal(9)}
    weighting = Weighting(variance, shared)
    full = np.diag(variance) + sum(np.outer(s, s) for s in shared.values())
    root = weighting.white(np.eye(9))
    assert root.T @ root == pytest.approx(np.linalg.inv(full), abs=1e-12)
    jacobian = rng.standard_normal((9, 3))
    gain = weighting.unwhiten_gain(np.linalg.pinv(weighting.white(jacobian)))
    inverse = np.linalg.inv(full)
    exact = np.linalg.solve(jacobian.T @ inverse @ jacobian, jacobian.T @ inverse)
    assert gain == pytest.approx(exact, abs=1e-12)
    alone = Weighting(variance, {})
    assert alone.white(np.ones(9)) == pytest.approx(1.0 / np.sqrt(variance))


def test_every_cause_is_in_the_doubt_of_the_light():
    turned, doubts = known(PARALLEL)
    readings, _ = table(PARALLEL, 50_001, 60.0)
    found = fit_angles(turned, readings, doubts=doubts)
    tags = {variable.tag for variable in found.irradiance.error_components()}
    assert {"load", "noise", "glass", "cell temperature", "current"} <= tags
    # Below the knee P = G2 R to the extent that the curve is flat: a load off by 3 % is a
    # voltage off by 3 %, so 1 to 3 % of the light.
    parts = {v.tag: u for v, u in found.irradiance.error_components().items() if u}
    assert 0.005 < parts["load"] / found.irradiance.nominal_value < 0.03
    alone = fit_angles(turned, replace(readings, u_load=0.0))
    assert alone.irradiance.std_dev < found.irradiance.std_dev


@pytest.mark.parametrize("make", [PARALLEL, NEAR], ids=["parallel", "near"])
@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_readings_with_a_wrong_load_do_not_agree(make, factor):
    # The sweep was taken facing the same light. Below the knee V = G R to the extent that the
    # curve is flat, so the light alone tells; above it the shape does too.
    turned, doubts = known(make)
    turned = by_its_sweep(turned)
    doubts = {name: by_its_sweep(other) for name, other in doubts.items()}
    right = {"doubts": doubts, "u_same_light": 0.05}
    for seed, load in enumerate((60.0, 200.0, 500.0), start=60_000):
        load = load * make.cells / 36
        readings, _ = table(make, seed, load, 11, light=140.0)
        assert fit_angles(turned, readings, **right).agrees, load
        wrong, _ = table(make, seed, load, 11, stated_load=factor * load, light=140.0)
        assert not fit_angles(turned, wrong, **right).agrees, (load, factor)


def _from_the_plane(readings, keep):
    """Return readings whose angle was counted from the panel's plane."""
    return replace(
        readings,
        angle=90.0 - np.abs(readings.angle[keep]),
        value=readings.value[keep],
        load=readings.load[keep],
        floor=readings.floor[keep],
    )


@pytest.mark.parametrize("load", [60.0, 220.0])
def test_angles_counted_from_the_plane_are_refused_or_do_not_agree(load):
    turned, doubts = known(PARALLEL)
    readings, _ = table(PARALLEL, 61_000, load)
    both_sides = _from_the_plane(readings, slice(None))
    one_side = _from_the_plane(readings, readings.angle >= 0)
    for wrong in (both_sides, one_side):
        with pytest.raises(RangeError, match="counted from facing the light"):
            fit_angles(turned, wrong, doubts=doubts)
        assert not fit_angles(turned, wrong, zero=0.0, doubts=doubts).agrees


def test_one_reading_off_is_found_and_named_by_its_score():
    turned, doubts = known(PARALLEL)
    readings, _ = table(PARALLEL, 62_000, 220.0)
    assert fit_angles(turned, readings, doubts=doubts).agrees
    value = readings.value.copy()
    value[4] *= 1.08  # ten times its standard uncertainty
    found = fit_angles(turned, replace(readings, value=value), doubts=doubts)
    assert not found.agrees
    assert int(np.argmax(np.abs(found.en))) == 4
    assert found.en[4] > 1


def test_scores_of_readings_without_fault_are_those_of_a_normal_distribution():
    # E_n is the difference over twice its own standard uncertainty, so its root mean square is 1/2
    # and 4.6 % of readings are beyond 1.
    turned, doubts = known(PARALLEL)
    scores = np.concatenate(
        [
            fit_angles(turned, table(PARALLEL, seed, 60.0)[0], doubts=doubts).en
            for seed in range(63_000, 63_025)
        ]
    )
    assert np.sqrt(np.mean(scores**2)) == pytest.approx(0.5, abs=0.06)
    assert 0.01 < np.mean(np.abs(scores) > 1) < 0.09


def test_the_light_is_a_share_where_the_sweep_does_not_state_it():
    turned, _ = known(PARALLEL)
    readings, _ = table(PARALLEL, 64_000, 60.0)
    watts = fit_angles(turned, readings)
    share = fit_angles(by_its_sweep(turned), readings)
    assert watts.light_of_sweep is None
    assert share.watts_per_m2 is None
    assert share.light_of_sweep.nominal_value == pytest.approx(
        watts.watts_per_m2.nominal_value / 140.0, rel=0.01
    )


def test_a_scale_read_from_the_other_end_only_turns_the_sign_of_its_zero():
    # A property: the panel knows no left and right.
    turned, doubts = known(PARALLEL)
    readings, _ = table(PARALLEL, 66_000, 220.0)
    one = fit_angles(turned, readings, doubts=doubts)
    other = fit_angles(turned, replace(readings, angle=-readings.angle), doubts=doubts)
    assert other.zero.nominal_value == pytest.approx(-one.zero.nominal_value, abs=1e-3)
    assert other.irradiance.nominal_value == pytest.approx(one.irradiance.nominal_value, rel=1e-4)
    assert other.chi_square == pytest.approx(one.chi_square, rel=1e-3)


def test_what_is_known_is_held():
    turned, doubts = known(PARALLEL)
    readings, (light, zero, stray) = table(PARALLEL, 65_000, 220.0)
    found = fit_angles(turned, readings, light, zero, stray, doubts)
    assert found.irradiance.nominal_value == pytest.approx(light)
    assert found.zero.nominal_value == zero
    assert found.freedom == len(readings)
    assert found.agrees
    assert found.intervals == {}


def test_no_stray_light_is_told_where_none_is_seen():
    turned, _ = known(PARALLEL)
    angles = np.linspace(-70.0, 70.0, 15)
    volts = voltages(PARALLEL, angles, 140.0, 0.0, 60.0)
    readings = AngleReadings.of(angles, voltage=volts, load=60.0, share=0.01, u_load=0.0)
    found = fit_angles(turned, readings)
    assert found.stray is None
    assert 0.0 < found.stray_below < 0.03


def test_readings_near_facing_do_not_resolve_the_stray_light():
    scale = np.arange(-12.0, 13.0, 4.0)
    power = against_angle(Turned(PANEL), scale, 150.0, [20.0], 0.05)[0].power
    found = fit_angles(Turned(PANEL), AngleReadings.of(scale, power=power, load=20.0))
    assert found.stray is None
    assert found.stray_below > 0.1


def test_power_of_volts_and_amperes_needs_no_load():
    turned, _ = known(PARALLEL)
    angles = np.linspace(-60.0, 60.0, 13)
    v, i = turned.operate(angles - 3.0, 150.0, 0.04, 220.0)
    found = fit_angles(turned, AngleReadings.of(angles, voltage=v, current=i))
    assert found.zero.nominal_value == pytest.approx(3.0, abs=1e-3)
    assert found.irradiance.nominal_value == pytest.approx(150.0, rel=1e-3)
    at_top = against_angle(turned, angles - 3.0, 150.0, (), 0.04)[0].power
    found = fit_angles(turned, AngleReadings.of(angles, power=at_top, load=np.nan))
    assert found.irradiance.nominal_value == pytest.approx(150.0, rel=1e-3)


def test_too_few_readings_and_no_power_are_refused():
    few = AngleReadings.of([0, 10, 20], power=[1, 1, 1], load=20.0)
    with pytest.raises(SweepError, match="3 readings for 3 unknowns; take more angles"):
        fit_angles(Turned(PANEL), few)
    dark = AngleReadings.of([0, 1, 2, 3], power=[0, 0, 0, 0], load=20.0, floor=1.0)
    with pytest.raises(SweepError, match="no reading is above zero"):
        fit_angles(Turned(PANEL), dark)
    with pytest.raises(SweepError, match="no voltage, current or power"):
        AngleReadings.of([0, 1, 2, 3], load=20.0)
    with pytest.raises(SweepError, match="nobody says into which load"):
        AngleReadings.of([0, 1, 2, 3], power=[1, 1, 1, 1])


def test_a_scale_that_is_out_by_far_is_refused():
    scale = np.arange(0.0, 90.0, 10.0)
    power = against_angle(Turned(PANEL), scale - 75.0, 150.0, [20.0])[0].power
    with pytest.raises(RangeError, match="no zero of the scale within 40 deg"):
        fit_angles(Turned(PANEL), AngleReadings.of(scale, power=power, load=20.0), stray=0.0)


def test_a_fixed_load_rises_a_hundredfold_where_a_cosine_alone_does_not():
    # Common practice, no source: turned from far off axis to facing a lamp, a panel on one fixed
    # load rises by a factor of a hundred or so, from about 5 mW to 0.5 W.
    low, top = against_angle(Turned(PANEL), [80.0, 0.0], 220.0, [20.0])
    cosine = 1.0 / np.cos(np.radians(80.0))
    assert cosine < 6
    assert top.power[1] / top.power[0] < 15
    assert 60 < low.power[1] / low.power[0] < 400
    # In watts: 20 ohm, and a light in which facing it brings 0.5 W.
    light = 220.0 * np.sqrt(0.5 / low.power[1])
    away, facing = against_angle(Turned(PANEL), [80.0, 0.0], light, [20.0])[0].power
    assert 0.45 < facing < 0.55
    assert 0.002 < away < 0.009


def test_one_thing_off_moves_the_prediction_and_is_in_its_doubt():
    turned = Turned(PANEL, iam=martin_ruiz)
    doubts = {
        "glass": replace(turned, iam=partial(martin_ruiz, a_r=0.18)),
        "series": replace(turned, panel=replace(PANEL, resistance_series=1.4)),
    }
    one = against_angle(turned, [0.0, 75.0], 140.0, [20.0], doubts=doubts)[0]
    assert one.budget["glass"][0] == 0.0
    assert one.budget["glass"][1] < 0.0
    assert one.u_power == pytest.approx(np.hypot(one.budget["glass"], one.budget["series"]))
