"""A panel that is turned: power by angle and load, and what readings of it tell."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.errors import RangeError, SweepError
from ivkit.light.glass import PLAIN, Glass
from ivkit.light.incidence import martin_ruiz
from ivkit.light.lamp_shape import Beam
from ivkit.light.panel_face import PanelFace
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.predict.estimate import estimate
from ivkit.predict.facing import Facing
from ivkit.predict.lamp_facing import LampFacing
from ivkit.predict.prediction import predict
from ivkit.predict.readings import Readings
from ivkit.predict.scene import At, Mount, Scene, Warmth
from ivkit.predict.weighting import Weighting
from ivkit.verdict.angle import against_angle
from tests.turned_panels import (
    NEAR,
    NOTHING,
    PARALLEL,
    U_ANGLE,
    bare,
    beam_of_cells,
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


FREE = ("light", "zero", "stray")
SAME = 0.05  # fraction, of the light staying that of the sweep


def _points():
    loads = [load for load in POWER if load is not None]
    found = against_angle(bare(PANEL), ANGLES, loads)
    return {None if np.isnan(load) else load: found.of(load) for load in found.loads}


def _fit(scene, readings, free=FREE, **more):
    return estimate(scene, readings, free, u_angle=U_ANGLE, **more)


def _same_light(scene):
    return {"light": SAME, "zero": None, "stray": None}


def test_power_at_five_loads_and_at_maximum_power_is_exact():
    for load, one in _points().items():
        assert one.power == pytest.approx(POWER[load], abs=1e-6), load
        assert one.power == pytest.approx(one.voltage * one.current)


def test_exponents_are_two_below_the_knee_one_at_maximum_power_and_little_above():
    # ln(P/P0)/ln cos: 1.95 to 1.99 to 20 ohm, 1.02 to 1.04 at maximum power, 0.11 to 0.21 at
    # 200 ohm; the local exponent is the same to its own change over the angle.
    by_load = {load: one.exponent for load, one in _points().items()}
    for load in (8.0, 20.0):
        assert np.all((by_load[load] > 1.94) & (by_load[load] < 2.0))
    assert np.all((by_load[None] > 1.0) & (by_load[None] < 1.06))
    assert np.all(by_load[200.0][:4] < 0.21)


def test_the_exponent_is_that_of_the_exact_table_between_its_angles():
    # By its definition the mean of the local exponent over ln cos from 30 to 45 deg is
    # ln(P45/P30)/ln(cos 45/cos 30), from the exact powers above.
    fine = np.linspace(30.0, 45.0, 301)
    ln_cos = np.log(np.cos(np.radians(fine)))
    found = against_angle(bare(PANEL), fine, [20.0, 60.0])
    for load in (20.0, 60.0):
        exact = np.log(POWER[load][2] / POWER[load][1])
        found_ = np.trapezoid(found.of(load).exponent, ln_cos)
        assert found_ == pytest.approx(exact, rel=1e-4)


def test_the_other_side_is_the_same_and_behind_there_is_nothing():
    one = against_angle(bare(PANEL, PLAIN), [-40.0, 40.0, 90.0, 120.0], [20.0]).of(20.0)
    assert one.power[0] == pytest.approx(one.power[1], rel=1e-12)
    assert one.power[2:] == pytest.approx([0.0, 0.0], abs=1e-15)


def test_a_far_lamp_is_as_parallel_light_and_a_near_one_is_not():
    place = {"shape": Beam(120.0), "face": PanelFace(0.285, 0.285, 6, 6)}
    flat, far, near = (
        against_angle(bare(PANEL, irradiance=300.0, **more), [0.0, 45.0]).power
        for more in ({}, {"distance_m": 200.0, **place}, {"distance_m": 0.3, **place})
    )
    assert far == pytest.approx(flat, rel=2e-3)
    assert near[0] < 0.97 * flat[0]
    # Turned 45 deg the lower edge comes nearer and the upper goes: the darkest cell limits.
    assert near[1] / near[0] < 0.9 * flat[1] / flat[0]


def test_the_light_near_a_beam_is_that_of_an_independent_sum():
    # tests/turned_panels.py sums closed forms over points; the glass is taken at each cell's
    # middle here and at each point there.
    face = PanelFace(NEAR.width, NEAR.height, NEAR.rows, NEAR.columns)
    place = {"shape": Beam(NEAR.beam), "distance_m": NEAR.distance, "face": face}
    panel = replace(PANEL, cells=NEAR.cells)
    for between in (False, True):
        scene = bare(panel, martin_ruiz, 1.0, between=between, **place)
        degrees = np.array([-60.0, 0.0, 30.0, 60.0])
        ours = scene.cells_light(At.of(angle=degrees))
        theirs = [beam_of_cells(NEAR, one, 0.16)[face.series_order] for one in degrees]
        assert ours == pytest.approx(np.array(theirs), rel=2e-3)


def test_near_a_lamp_there_is_no_exponent_where_the_darkest_cell_changes_sides():
    place = {"shape": Beam(100.0), "distance_m": 0.8, "face": PanelFace(0.285, 0.285, 6, 6)}
    found = against_angle(bare(PANEL, PLAIN, 140.0, **place), [0.0, 30.0, 60.0], [20.0])
    for one in (found.of(20.0), found.of(np.nan)):
        assert np.isnan(one.exponent[0])
        assert np.all(np.isfinite(one.exponent[1:]))


@pytest.mark.parametrize("make", [PARALLEL, NEAR], ids=["parallel", "near"])
def test_voltage_into_a_load_is_that_of_another_solver(make):
    # pvlib's Lambert W, string by bisection on the current, light in closed form.
    scene = known(make, light=140.0)
    scene = replace(scene, mount=Mount(0.0, 0.05, 0.0))
    angles = np.array([-60.0, -20.0, 0.0, 35.0, 75.0])
    for load in (20.0, 75.0, 220.0):
        ours = scene.solve(At.of(load=load, angle=angles))["voltage"][0]
        theirs = voltages(make, angles, 140.0, 0.05, load, NOTHING)
        assert ours == pytest.approx(theirs, rel=1e-8 if make is PARALLEL else 2e-3)


def test_white_readings_are_those_of_the_full_covariance():
    # (V^-1/2)^T V^-1/2 = V^-1 (Aitken's generalised least squares).
    rng = np.random.default_rng(7)
    variance = rng.uniform(0.5, 3.0, 9)
    shared = rng.standard_normal((2, 9)) * [[1.0], [5.0]]
    root = Weighting(variance, shared).white(np.eye(9))
    full = np.diag(variance) + shared.T @ shared
    assert root.T @ root == pytest.approx(np.linalg.inv(full), abs=1e-12)
    alone = Weighting(variance, np.zeros((0, 9)))
    assert alone.white(np.ones(9)) == pytest.approx(1.0 / np.sqrt(variance))


def test_every_input_is_in_the_uncertainty_of_the_light():
    readings, _ = table(PARALLEL, 50_001, 60.0)
    found = _fit(known(PARALLEL), readings)
    tags = {variable.tag for variable in found.irradiance.error_components()}
    inputs = {"load 60 ohm", "noise", "glass: angular loss", "cell temperature", "current"}
    assert inputs <= tags
    # Below the knee P = G2 R to the extent that the curve is flat: a load off by 3 % is a
    # voltage off by 3 %, so 1 to 3 % of the light.
    parts = {v.tag: u for v, u in found.irradiance.error_components().items() if u}
    assert 0.005 < parts["load 60 ohm"] / found.irradiance.nominal_value < 0.03
    alone = _fit(known(PARALLEL), replace(readings, u_load=0.0))
    assert alone.irradiance.std_dev < found.irradiance.std_dev


def test_adjustments_are_those_of_the_textbook_on_a_linear_problem():
    # Far below the knee the current is the light's: V = R G (1 - small), so that readings of one
    # light into one load at several angles are linear in all inputs. The adjusted inputs are then
    # V_z M V_d^-1 d (conditional normal distribution), here worked out with the full matrices.
    scene = replace(known(PARALLEL, light=140.0), mount=Mount(0.0, 0.0, 0.0))
    angle, load = np.array([-40.0, -20.0, 0.0, 20.0, 40.0]), 20.0
    volts = voltages(PARALLEL, angle, 141.0, 0.0, load)
    readings = Readings.of(voltage=volts, load=load, angle=angle, u=0.005, u_load=0.02)
    found = estimate(scene, readings, {"light": 0.03})
    one = predict(replace(scene, light=Facing.of(140.0, 4.2)), readings.at)["voltage"]
    moves = np.concatenate([one.moves, [0.02 * one.by_load]])
    full = np.diag((0.005 * volts) ** 2) + moves.T @ moves
    right = moves @ np.linalg.solve(full, volts - one.value)
    names = [*predict(replace(scene, light=Facing.of(140.0, 4.2)), readings.at).scene.names, "load"]
    expected = dict(zip(names, right, strict=True))
    assert found.pulls["light"][0] == pytest.approx(expected["irradiance"], abs=0.02)
    by_name = dict(zip(found.names, found.shifts, strict=True))
    assert by_name["load 20 ohm"] == pytest.approx(expected["load"], abs=0.02)
    assert by_name["cell temperature"] == pytest.approx(expected["cell temperature"], abs=0.02)


@pytest.mark.parametrize("make", [PARALLEL, NEAR], ids=["parallel", "near"])
@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_readings_with_a_wrong_load_do_not_agree(make, factor):
    # The sweep was taken facing the same light. Below the knee V = G R to the extent that the
    # curve is flat, so the light alone tells; above it the shape does too.
    scene = known(make, relative=True)
    same = _same_light(scene)
    for seed, load in enumerate((60.0, 200.0, 500.0), start=60_000):
        load = load * make.cells / 36
        readings, _ = table(make, seed, load, 11, light=140.0)
        assert _fit(scene, readings, same).agrees, load
        wrong, _ = table(make, seed, load, 11, stated_load=factor * load, light=140.0)
        found = _fit(scene, wrong, same)
        assert not found.agrees, (load, factor)
        assert found.verdict in ("too high", "too low", "inconsistent")


def _from_the_plane(readings, keep):
    """Return readings whose angle was counted from the panel's plane."""
    some = readings.select(keep)
    return replace(some, angle=90.0 - np.abs(some.angle))


@pytest.mark.parametrize("load", [60.0, 220.0])
def test_angles_counted_from_the_plane_show_a_zero_near_90_deg(load):
    # Of one side, 90 deg less the angle: the panel faces the light where that scale shows 90 deg
    # and as much more or less as the zero was off. Both sides folded into one have no zero.
    readings, (_, zero, _) = table(PARALLEL, 61_000, load)
    scene, one = known(PARALLEL), _from_the_plane(readings, readings.angle >= 0)
    found = _fit(scene, one)
    low, high = found.intervals["zero"]
    assert low < 90.0 - zero < high
    assert not _fit(scene, one, ("light", "stray")).agrees
    both = _from_the_plane(readings, slice(None))
    assert not _fit(scene, both).agrees


@pytest.mark.parametrize("zero", [-88.0, -60.0, 45.0, 75.0, 90.0])
def test_the_zero_is_found_over_the_whole_circle(zero):
    scene = known(PARALLEL)
    for seed in range(67_000, 67_003):
        readings, (_, own, _) = table(PARALLEL, seed, 220.0)
        moved = replace(readings, angle=readings.angle + zero - own)
        low, high = _fit(scene, moved).intervals["zero"]
        assert low < high < low + 4.0
        assert low - 1.0 < zero < high + 1.0  # 95 % intervals, and as much again


def test_one_reading_off_is_found_and_named_by_its_score():
    scene = known(PARALLEL)
    readings, _ = table(PARALLEL, 62_000, 220.0)
    assert _fit(scene, readings).agrees
    value = readings.voltage.copy()
    value[4] *= 1.08  # ten times its standard uncertainty
    found = _fit(scene, replace(readings, voltage=value))
    assert not found.agrees
    assert found.worst == 4
    assert found.en[4] > 1


def test_scores_of_readings_without_fault_are_those_of_a_normal_distribution():
    # E_n is the difference over twice its own standard uncertainty, so its root mean square is 1/2
    # and 4.6 % of readings are beyond 1.
    scene = known(PARALLEL)
    seeds = range(63_000, 63_025)
    scores = np.concatenate([_fit(scene, table(PARALLEL, seed, 60.0)[0]).en for seed in seeds])
    assert np.sqrt(np.mean(scores**2)) == pytest.approx(0.5, abs=0.06)
    assert 0.01 < np.mean(np.abs(scores) > 1) < 0.09


def test_the_light_is_the_same_in_times_of_the_sweeps():
    readings, _ = table(PARALLEL, 64_000, 60.0)
    watts = _fit(known(PARALLEL), readings).irradiance.nominal_value
    times = _fit(known(PARALLEL, relative=True), readings).values["light"].nominal_value
    assert times == pytest.approx(watts / 140.0, rel=0.01)


def test_a_scale_read_from_the_other_end_only_turns_the_sign_of_its_zero():
    # A property: the panel knows no left and right.
    scene = known(PARALLEL)
    readings, _ = table(PARALLEL, 66_000, 220.0)
    one, other = (_fit(scene, replace(readings, angle=k * readings.angle)) for k in (1.0, -1.0))
    assert other.zero == pytest.approx(-one.zero, abs=1e-3)
    assert other.best[0] == pytest.approx(one.best[0], abs=1e-4)
    assert other.chi_square == pytest.approx(one.chi_square, rel=1e-3)


def test_what_is_known_is_held():
    readings, (light, zero, stray) = table(PARALLEL, 65_000, 220.0)
    scene = replace(known(PARALLEL, light=light), mount=Mount(0.0, stray, 0.0))
    found = _fit(scene, readings, (), zero=zero)
    assert found.irradiance == pytest.approx(light)
    assert found.zero == zero
    assert found.freedom == len(readings)
    assert found.agrees
    assert found.intervals == {}


def test_a_temperature_and_a_load_are_found_too():
    # Readings of the other solver, 6 K warmer; then of a load 4 % larger. Into an open circuit
    # V falls by 1/T of what is missing to the band gap; below the knee it goes as the load.
    angle = np.linspace(-60.0, 60.0, 13)
    scene = known(PARALLEL, light=140.0)
    scene = replace(scene, mount=Mount(0.0, 0.05, 0.0))
    warm = voltages(PARALLEL, angle, 140.0, 0.05, 2000.0, replace(NOTHING, heat=3.0))
    told = Readings.of(voltage=warm, load=2000.0, angle=angle, u=0.001, u_load=0.0)
    found = estimate(scene, told, ["temperature"])
    low, high = found.intervals["temperature"]
    assert low < 6.0 < high
    more = voltages(PARALLEL, angle, 140.0, 0.05, 60.0 * 1.04)
    told = Readings.of(voltage=more, load=60.0, angle=angle, u=0.002)
    low, high = estimate(scene, told, {"load": 0.03}).intervals["load"]
    assert low < 1.04 < high < low + 0.1


def test_no_stray_light_is_told_where_none_is_seen():
    angles = np.linspace(-70.0, 70.0, 15)
    volts = voltages(PARALLEL, angles, 140.0, 0.0, 60.0)
    told = Readings.of(voltage=volts, load=60.0, angle=angles, u=0.01, u_load=0.0)
    found = _fit(known(PARALLEL), told)
    assert "stray" in found.unresolved
    assert 0.0 < found.stray_below < 0.03


def test_readings_near_facing_do_not_resolve_the_stray_light():
    scale = np.arange(-12.0, 13.0, 4.0)
    scene = bare(PANEL, PLAIN, 150.0, 0.05)
    power = against_angle(scene, scale, [20.0]).of(20.0).power
    found = _fit(bare(PANEL, PLAIN), Readings.of(power=power, load=20.0, angle=scale))
    assert "stray" in found.unresolved
    assert found.stray_below > 0.1


def test_power_of_volts_and_amperes_needs_no_load():
    scene = replace(known(PARALLEL, light=150.0), mount=Mount(0.0, 0.04, 0.0))
    angles = np.linspace(-60.0, 60.0, 13)
    seen = scene.solve(At.of(load=220.0, angle=angles - 3.0))
    told = Readings.of(voltage=seen["voltage"][0], current=seen["current"][0], angle=angles)
    found = _fit(known(PARALLEL), told)
    assert found.zero == pytest.approx(3.0, abs=1e-3)
    assert found.irradiance.nominal_value == pytest.approx(150.0, rel=1e-3)
    at_top = against_angle(scene, angles - 3.0).power
    found = _fit(known(PARALLEL), Readings.of(power=at_top, load=np.nan, angle=angles))
    # Its power there is the mean over what is uncertain of the panel, which is not quite the
    # power of the mean panel.
    assert found.irradiance.nominal_value == pytest.approx(150.0, rel=2e-3)


def test_too_few_readings_and_no_power_are_refused():
    few = Readings.of(angle=[0, 10, 20], power=[1, 1, 1], load=20.0)
    with pytest.raises(SweepError, match="3 readings for 3 unknowns; take more angles"):
        _fit(bare(PANEL), few)
    dark = Readings.of(angle=[0, 1, 2, 3], power=[0, 0, 0, 0], load=20.0)
    with pytest.raises(SweepError, match="no reading is above zero"):
        _fit(bare(PANEL), dark)
    with pytest.raises(ValueError, match="no unknown is called weight"):
        _fit(bare(PANEL), few, ["weight"])


def test_a_scale_that_is_out_by_far_is_refused():
    scale = np.arange(0.0, 90.0, 10.0)
    power = against_angle(bare(PANEL, PLAIN, 150.0), scale - 125.0, [20.0]).of(20.0).power
    told = Readings.of(power=np.maximum(power, 1e-6), load=20.0, angle=scale)
    with pytest.raises(RangeError, match="no zero of the scale within 110 deg"):
        _fit(bare(PANEL, PLAIN), told, ("light", "zero"))


def test_a_fixed_load_rises_a_hundredfold_where_a_cosine_alone_does_not():
    # Common practice, no source: turned from far off axis to facing a lamp, a panel on one fixed
    # load rises by a factor of a hundred or so, from about 5 mW to 0.5 W.
    found = against_angle(bare(PANEL, PLAIN, 220.0), [80.0, 0.0], [20.0])
    low, top = found.of(20.0), found.of(np.nan)
    cosine = 1.0 / np.cos(np.radians(80.0))
    assert cosine < 6
    assert top.power[1] / top.power[0] < 15
    assert 60 < low.power[1] / low.power[0] < 400
    # In watts: 20 ohm, and a light in which facing it brings 0.5 W.
    light = 220.0 * np.sqrt(0.5 / low.power[1])
    away, facing = against_angle(bare(PANEL, PLAIN, light), [80.0, 0.0], [20.0]).of(20.0).power
    assert 0.45 < facing < 0.55
    assert 0.002 < away < 0.009


SHEET = make_datasheet(SheetFile(pmp_W=10.0, cells=36))


@settings(max_examples=25, deadline=None)
@given(
    load=st.floats(1.0, 1000.0),
    angles=st.lists(st.floats(-89.0, 89.0), min_size=1, max_size=5),
    irradiance=st.floats(20.0, 1200.0),
    stray=st.floats(0.0, 0.3),
    celsius=st.floats(-10.0, 70.0),
    near=st.booleans(),
)
def test_the_table_is_predict_in_any_scene(load, angles, irradiance, stray, celsius, near):
    # The same reading in the same scene has the same value and uncertainty from every command.
    light = Facing.of(irradiance, 0.05 * irradiance)
    if near:
        place = {"shape": Beam(100.0), "distance_m": 0.5, "face": PanelFace(0.28, 0.28, 6, 6)}
        light = LampFacing.of(irradiance, **place)
    scene = Scene(SHEET, light, Warmth(celsius, 2.0), Mount(0.0, stray, 0.005))
    found = against_angle(scene, angles, [load], exponents=False)
    for ohm in (load, np.nan):
        one = found.of(ohm)
        for k, angle in enumerate(angles):
            alone = predict(scene, At.of(load=ohm, angle=angle))["power"]
            assert one.power[k] == pytest.approx(alone.value[0], rel=1e-9, abs=1e-12)
            assert one.u_power[k] == pytest.approx(alone.u[0], rel=1e-9, abs=1e-12)


def test_one_input_off_moves_the_prediction_and_is_in_its_uncertainty():
    glass = Glass(0.16, 0.0, 0.02)
    scene = replace(known(PARALLEL, glass, light=140.0), temp_cell=Warmth(25.0, 0.0))
    found = against_angle(scene, [0.0, 75.0], [20.0])
    one = found.prediction["power"]
    row = one.moves[found.prediction.scene.names.index("glass: angular loss")]
    assert row[0] == 0.0
    # By martin_ruiz itself, in light of 1 + a little.
    less = martin_ruiz(75.0, 0.18) / martin_ruiz(75.0, 0.16) - 1
    assert row[1] / one.value[1] == pytest.approx(1.97 * less, rel=0.1)
