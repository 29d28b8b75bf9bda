"""A panel that is turned, against exact values, and the truth behind simulated readings."""

import importlib.util
import json
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from ivkit.errors import RangeError, SweepError
from ivkit.light.incidence import no_glass
from ivkit.light.panel_face import PanelFace
from ivkit.panel.conditions import ReferencePanel
from ivkit.verdict.angle import AngleReadings, Turned, against_angle, fit_angles, near_lamp

ROOT = Path(__file__).parent.parent
EXAMPLES = ROOT / "examples"
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


def _simulated(seed):
    rng = np.random.default_rng(seed)
    scale = np.arange(-70.0, 71.0, 10.0)
    truth = (150.0, rng.uniform(-8, 8), rng.uniform(0.02, 0.12))
    load = rng.choice([20.0, 60.0, 200.0])
    light, zero, stray = truth
    power = against_angle(Turned(PANEL), scale - zero, light, [load], stray)[0].power
    u = np.hypot(0.02 * power, 0.003 * np.max(power))
    noisy = power + u * rng.standard_normal(len(power))
    return AngleReadings.of(scale, noisy, load, u), truth


@pytest.mark.parametrize(
    "count", [60, pytest.param(400, marks=pytest.mark.long)], ids=["quick", "long"]
)
def test_zero_stray_light_and_irradiance_are_covered(count):
    inside, agreed = [], 0
    for seed in range(count):
        readings, truth = _simulated(seed)
        found = fit_angles(Turned(PANEL), readings)
        agreed += found.agrees
        for told, true in zip((found.irradiance, found.zero, found.stray), truth, strict=True):
            if told is not None:
                inside.append(abs(told.nominal_value - true) <= 1.96 * told.std_dev)
    # 60 runs of three results: 1.6 % standard deviation of the share; 400 runs: 0.6 %.
    low, high = (0.90, 0.99) if count < 100 else (0.93, 0.97)
    assert low <= np.mean(inside) <= high
    assert agreed >= 0.98 * count


def test_readings_with_a_wrong_load_do_not_agree_where_the_light_is_known():
    # Below the knee P goes as G^2 R: with the light free, a wrong load hides in it.
    readings, (light, _, _) = _simulated(1)
    load = 5.0 * readings.load
    wrong = AngleReadings.of(readings.angle, readings.power, load, readings.u_power)
    assert not fit_angles(Turned(PANEL), wrong, irradiance=light).agrees


def test_what_is_known_is_held():
    readings, (light, zero, stray) = _simulated(2)
    found = fit_angles(Turned(PANEL), readings, irradiance=light, zero=zero, stray=stray)
    assert found.irradiance.nominal_value == light
    assert found.freedom == len(readings.power)
    assert found.agrees


def test_readings_near_facing_do_not_resolve_the_stray_light():
    scale = np.arange(-12.0, 13.0, 4.0)
    power = against_angle(Turned(PANEL), scale, 150.0, [20.0], 0.05)[0].power
    found = fit_angles(Turned(PANEL), AngleReadings.of(scale, power, 20.0))
    assert found.stray is None
    assert found.stray_below > 0.1


def test_too_few_readings_and_no_power_are_refused():
    with pytest.raises(SweepError, match="3 readings for 3 unknowns; take more angles"):
        fit_angles(Turned(PANEL), AngleReadings.of([0, 10, 20], [1, 1, 1], 20.0))
    with pytest.raises(SweepError, match="no reading has any power"):
        fit_angles(Turned(PANEL), AngleReadings.of([0, 1, 2, 3], [0, 0, 0, 0], 20.0, [1, 1, 1, 1]))


def test_a_scale_that_is_out_by_far_is_refused():
    scale = np.arange(0.0, 90.0, 10.0)
    power = against_angle(Turned(PANEL), scale - 75.0, 150.0, [20.0])[0].power
    with pytest.raises(RangeError, match="no zero of the scale within 40 deg"):
        fit_angles(Turned(PANEL), AngleReadings.of(scale, power, 20.0), stray=0.0)


def test_a_fixed_load_rises_a_hundredfold_where_a_cosine_alone_does_not():
    # Common practice, no source: turned from far off axis to facing a lamp, a panel on one fixed
    # load rises by a factor of a hundred or so, from about 5 mW to 0.5 W.
    low, top = against_angle(Turned(PANEL), [80.0, 0.0], 220.0, [20.0])
    assert top.power[1] / top.power[0] < 15
    assert 60 < low.power[1] / low.power[0] < 400


@pytest.fixture
def run(command_line):
    return partial(command_line, "angle")


SWEEP = ("--sweep", EXAMPLES / "shed_sweep.csv", "--bench", EXAMPLES / "bench.toml")


def test_the_example_is_what_its_maker_writes_and_its_truth_is_covered(run, tmp_path):
    spec = importlib.util.spec_from_file_location("make_angle", EXAMPLES / "make_angle.py")
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    maker.main(tmp_path / "again.csv")
    assert (tmp_path / "again.csv").read_text() == (EXAMPLES / "shed_angle.csv").read_text()
    status, out, _ = run(EXAMPLES / "shed_angle.csv", *SWEEP, "--json", "-")
    assert status == 0
    fit = json.loads(out)["fit"]
    for key, truth in (("zero_deg", maker.ZERO), ("stray_share", maker.STRAY)):
        assert abs(fit[key]["value"] - truth) < 3 * fit[key]["u"], key
    assert fit["agrees"]


def test_the_command_answers_first_and_draws(run, tmp_path):
    status, out, err = run(EXAMPLES / "shed_angle.csv", *SWEEP, "--plot", "a.png")
    assert (status, err) == (0, "")
    assert out.startswith("The readings agree")
    assert "Local exponent" in out
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    sheet = ROOT / "datasheets" / "jetty_10W.toml"
    status, out, _ = run("--datasheet", sheet, "--load", 33, "--lamp-distance", 0.4, "--csv", "-")
    assert status == 0
    assert out.startswith("angle_deg,load_ohm,voltage_V")


@pytest.mark.parametrize(
    ("table", "arguments", "message"),
    [
        ("angle,V\n0,1\n0.5,2\n1.0,2\n1.5,1\n", ("--load", 20), "radian"),
        ("angle,V\n0,1\n10,2\n200,2\n", ("--load", 20), "200"),
        ("V,I\n0,1\n10,2\n", (), "angle"),
        ("angle,V\n0,1\n10,2\n", (), "holds no power and load"),
        ("angle,V\n0,1\n10,2\n", ("--load", 1, "--load", 2), "take one --load"),
        ("angle,V\n0,1\n10,2\n", ("--load", 20), "2 readings for 3 unknowns"),
    ],
)
def test_bad_readings_are_refused_in_a_line(run, tmp_path, table, arguments, message):
    (tmp_path / "t.csv").write_text(table)
    status, out, err = run("t.csv", *SWEEP, *arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert "Traceback" not in err


def test_bad_usage_is_refused(run):
    sheet = ROOT / "datasheets" / "jetty_10W.toml"
    for arguments, message in (
        ((), "either --datasheet FILE or --module NAME"),
        ((*SWEEP, "--datasheet", sheet), "name the panel once"),
        ((*SWEEP, "--lamp-distance", 0.3), "needs a --datasheet with cells"),
    ):
        status, _, err = run(*arguments)
        assert status == 2
        assert message in err
