"""Verdicts on simulated benches with a hidden slip or none, hard limits, and the command."""

import json
from collections import Counter
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from ivkit.errors import SweepError
from ivkit.verdict.limits import DETAILED_BALANCE, broken_limits
from ivkit.verdict.plausibility import Readings, Scene, Setting, judge
from ivkit.verdict.slips import SLIPS
from tests.slip_benches import SHEET, bench, usable

LABEL = Path(__file__).parent.parent / "datasheets" / "jetty_10W.toml"


@pytest.mark.parametrize("count", [88, pytest.param(400, marks=pytest.mark.long)])
def test_the_hidden_slip_is_ranked_first_in_80_and_in_the_first_three_in_95_of_100(count):
    slips, first, third = usable(), 0, 0
    for k in range(count):
        hidden = slips[k % len(slips)]
        names = [one.name for one in judge(bench(1000 + k, hidden)).slips]
        first += names[:1] == [hidden.name]
        third += hidden.name in names[:3]
    assert first >= 0.80 * count
    assert third >= 0.95 * count


@pytest.mark.parametrize("count", [100, pytest.param(400, marks=pytest.mark.long)])
def test_without_a_slip_the_readings_are_plausible(count):
    words = Counter(judge(bench(k)).verdict for k in range(count))
    assert words["plausible"] >= 0.94 * count


def test_there_are_fifteen_slips_or_more_each_with_its_check():
    assert len(SLIPS) >= 15
    assert len({slip.name for slip in SLIPS}) == len(SLIPS)
    assert all(slip.explains and slip.check and slip.prior > 0 for slip in SLIPS)


def _one(power, load=33.0, irradiance=800.0, u=None, **more):
    setting = Setting(SHEET, irradiance, 0.05 * irradiance if u is None else u, 30.0, 3.0)
    one = Readings(np.array([load]), np.array([0.0]), power=np.array([power]), **more)
    return judge(Scene(setting, one))


def test_one_reading_is_judged_by_its_en_number():
    # ISO 13528: difference over the root sum of squares of the expanded uncertainties, k = 2.
    found = _one(7.5)
    u = np.hypot(0.02 * 7.5, float(found.u_predicted[0]))
    assert found.en == pytest.approx((7.5 - float(found.predicted[0])) / (2 * u))
    assert found.verdict == "plausible"
    assert _one(4.0).verdict == "too low"
    assert _one(12.0).verdict == "too high"


def test_a_prediction_that_is_too_wide_tells_nothing_and_names_what_to_measure():
    found = _one(7.0, u=400.0)
    assert found.verdict == "cannot tell"
    assert next(iter(found.budget)) == "irradiance"


def test_a_hundredfold_rise_on_one_load_is_plausible():
    # Common practice, no source: with one fixed load, turned from far off axis to facing a lamp,
    # from about 5 mW to 0.5 W. A cosine alone would make it six.
    load = np.array([8.0, 8.0])
    power = np.array([0.005, 0.5])
    volts = np.sqrt(power * load)
    readings = Readings(load, np.array([81.0, 0.0]), volts, volts / load)
    found = judge(Scene(Setting(SHEET, 395.0, 40.0, 30.0, 3.0), readings))
    assert found.verdict == "plausible"


def test_a_panel_gives_several_times_more_outdoors_than_under_a_lamp():
    # Common practice, no source.
    setting = partial(Setting, SHEET, u_irradiance=10.0, temp_cell=30.0, u_temp_cell=3.0)
    load = Readings(np.array([np.nan]), np.array([0.0]), power=np.array([1.0]))
    sun, lamp = (
        float(judge(Scene(setting(irradiance=g), load)).predicted[0]) for g in (800.0, 140.0)
    )
    assert 4 < sun / lamp < 8


def test_nothing_gives_more_than_detailed_balance():
    # Ruehle, Solar Energy 130 (2016) 139: 33.77 % at 1.34 eV.
    assert DETAILED_BALANCE[1.34][2] == pytest.approx(0.3377, abs=2e-4)
    assert broken_limits(power=16.0, irradiance=1000.0, area_m2=0.05) == []
    (limit,) = broken_limits(power=17.0, irradiance=1000.0, area_m2=0.05)
    assert str(limit).startswith("impossible: power is 17 W")
    assert broken_limits(voltage=36.0, cells=36)
    assert not broken_limits(voltage=24.0, cells=36)
    # Yordanov et al. (2013): 1528 W/m2 was seen at a cloud's edge; 2 kW/m2 never.
    assert not broken_limits(irradiance=1528.0, outdoors=True)
    assert broken_limits(irradiance=2100.0, outdoors=True)


def test_no_reading_is_nothing_to_check():
    with pytest.raises(SweepError, match="no voltage, current or power to check"):
        judge(Scene(Setting(SHEET, 100.0, 5.0), Readings(np.array([1.0]), np.array([0.0]))))


@pytest.fixture
def run(command_line):
    return partial(command_line, "check", "--datasheet", LABEL)


def words(text):
    return " ".join(text.split())


def test_one_reading_from_options(run):
    status, out, err = run("--power", 7, "--load", 33, "--irradiance", 800)
    assert (status, err) == (0, "")
    assert words(out).startswith("Plausible: the power is what this panel")
    status, out, _ = run("--power", 0.2, "--load", 33, "--irradiance", 800)
    assert status == 1
    assert "Too low" in out


def test_a_table_with_a_forgotten_divider_names_it(run, tmp_path):
    (tmp_path / "t.csv").write_text(
        "# invented\nload_ohm,voltage_V,current_A\n10,0.62,0.48\n22,1.37,0.47\n33,1.93,0.44\n"
        "68,2.45,0.27\n220,2.60,0.09\n"
    )
    status, out, _ = run("t.csv", "--irradiance", 800, "--json", "-")
    assert status == 1
    document = json.loads(out)
    assert document["verdict"] == "too low"
    assert document["slips"][0]["name"] == "divider factor forgotten"
    assert set(document["measured"]) == {"value", "u"}
    status, out, _ = run("t.csv", "--irradiance", 800)
    assert "Likeliest slip: divider factor forgotten" in words(out)


def test_the_panel_may_be_known_by_its_sweep(command_line):
    examples = LABEL.parent.parent / "examples"
    status, out, err = command_line(
        "check",
        examples / "shed_check.csv",
        "--sweep",
        examples / "jetty_sweep.csv",
        "--bench",
        examples / "jetty.toml",
        "--irradiance",
        140,
        "--u-irradiance",
        10,
        "--temperature",
        33,
    )
    assert (status, err) == (0, "")
    # Both are of the same invented panel, in the sun and under the lamp.
    assert words(out).startswith("Plausible: the 6 readings together are")


def test_more_than_the_light_holds_is_called_impossible(run):
    status, out, _ = run("--power", 7, "--load", 33, "--lux", 6000, "--source", "halogen")
    assert status == 1
    assert out.startswith("Impossible: power is 7 W")


@pytest.mark.parametrize(
    ("table", "arguments", "message"),
    [
        (None, ("--irradiance", 800), "give a TABLE, or a reading"),
        (None, ("--power", 1), "either --irradiance, or --lux"),
        (None, ("--power", 1, "--lux", 1), "--lux says nothing without --source"),
        (None, ("--power", "nan", "--irradiance", 1), "not a finite number"),
        (None, ("--power", 1, "--irradiance", 800, "--angle", 95), "outside -90 to 90"),
        ("angle,V\n0,1\n95,1\n", ("--irradiance", 800, "--load", 8), "95"),
        ("x,y\n1,2\n", ("--irradiance", 800), "t.csv"),
        ("angle,V\n0,1\n0.5,1\n1.0,1\n1.5,1\n", ("--irradiance", 800, "--load", 8), "radian"),
    ],
)
def test_bad_input_is_a_line_and_status_2(run, tmp_path, table, arguments, message):
    if table is not None:
        (tmp_path / "t.csv").write_text(table)
        arguments = ("t.csv", *arguments)
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert "Traceback" not in err
