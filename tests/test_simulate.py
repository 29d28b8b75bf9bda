"""`ivkit simulate`: what it writes, that the truth comes back out of it, and what it refuses."""

import io
import json
import shutil
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from ivkit.bench import load_bench
from ivkit.cli.simulate import _csv
from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import fit
from ivkit.errors import RangeError, SweepError
from ivkit.panel.conditions import ReferencePanel
from ivkit.readings.broken import BREAKS
from ivkit.readings.read import read_sweep
from ivkit.verdict.simulate import simulate
from tests.schema import errors

ROOT = Path(__file__).parent.parent
FIGURES = ("--isc", 0.6, "--voc", 21.5, "--imp", 0.55, "--vmp", 17.5)
MODEL = SingleDiode(0.0845, 6e-10, 1.7, 4400.0, 0.98)
PANEL = ReferencePanel.from_curve(MODEL, 140.0, 33.0, 4e-5, 36)


@pytest.fixture
def run(command_line, tmp_path):
    """Run the command in a folder with the shed's bench, under a name that is not found alone."""
    shutil.copy(ROOT / "examples" / "bench.toml", tmp_path / "shed.toml")
    shutil.copy(ROOT / "datasheets" / "jetty_10W.toml", tmp_path / "panel.toml")
    text = (tmp_path / "shed.toml").read_text()
    (tmp_path / "shed.toml").write_text(text.replace("../datasheets/jetty_10W.toml", "panel.toml"))
    return partial(command_line, "simulate")


def shed():
    return load_bench(ROOT / "examples" / "bench.toml")


# That the truth comes back


@pytest.fixture(scope="module")
def returned():
    """Off by how many of its standard uncertainties each key point comes back, 200 seeds."""
    bench, truth = shed(), MODEL.key_points()
    loads = [0.0, *bench.loads.values, np.inf]
    off = {name: [] for name in ("i_sc", "v_oc", "p_mp", "best_load")}
    for seed in range(5000, 5200):
        rng = np.random.default_rng(seed)
        made = simulate(PANEL, 140.0, 33.0, loads, rng, bench)
        sweep = read_sweep(io.StringIO(_csv(made, seed)), bench)
        points = fit(sweep).key_points
        for name in off:
            found = getattr(points, name)
            off[name].append((found.nominal_value - getattr(truth, name)) / found.std_dev)
    return {name: np.array(values) for name, values in off.items()}


@pytest.mark.parametrize("name", ["i_sc", "v_oc", "p_mp", "best_load"])
def test_the_truth_lies_within_the_stated_interval_as_often_as_stated(returned, name):
    # 95 % of 200: 190 +- 3.1 (binomial), so three of these below is 181. Several rectangular
    # tolerances make a distribution with shorter tails than the normal one, of which more lies
    # within, so the other side is judged by the mean square instead: of 200 it is 1 +- 0.1
    # (chi-square: sqrt(2/200)), an interval twice too wide would show as 0.25.
    off = returned[name]
    assert np.sum(np.abs(off) <= 1.96) >= 181
    assert 0.7 <= np.mean(off**2) <= 1.3


def test_the_operating_points_are_the_equation_s():
    # Closed form: a panel without resistances gives I = IL - I0 (exp(V/a) - 1) at any load.
    panel = ReferencePanel.from_curve(SingleDiode(0.5, 1e-9, 0.0, np.inf, 1.0), 1000.0, 25.0, 0.0)
    made = simulate(panel, 1000.0, 25.0, [0, 10, 50, 500, np.inf], np.random.default_rng(0))
    v, i = made.voltage, made.current
    np.testing.assert_allclose(i, 0.5 - 1e-9 * np.expm1(v), atol=1e-12)
    np.testing.assert_allclose(v[1:-1], i[1:-1] * [10, 50, 500], rtol=1e-9)
    assert i[-1] == pytest.approx(0, abs=1e-12)
    # Hand-held meters of 4000 counts: 20.03 V in steps of 10 mV, 0.5 A in steps of 1 mA.
    np.testing.assert_allclose(made.columns["voltage"] * 100 % 1, 0, atol=1e-6)
    assert np.std(made.columns["current"] - i) < 2e-3


def test_hidden_errors_stay_within_their_tolerances_and_are_told_apart():
    bench = shed()
    loads = [0.0, *bench.loads.values, np.inf]
    off = []
    for seed in range(60):
        made = simulate(PANEL, 140.0, 33.0, loads, np.random.default_rng(seed), bench)
        hidden = made.truth["hidden_errors"]
        assert abs(hidden["divider top"]["off_pct"]) <= 1.0
        assert hidden["divider top"]["true_value"] == pytest.approx(
            100e3 * (1 + hidden["divider top"]["off_pct"] / 100)
        )
        assert abs(hidden["current zero"]["off_V"]) <= 0.002
        off.append(np.array(made.truth["true_loads_ohm"])[1:-1] / bench.loads.values - 1)
    off = np.array(off)
    assert np.max(np.abs(off)) <= 0.05
    # Rectangular within +-5 %: standard deviation 5/sqrt(3) % (GUM 4.3.7), of 1860 draws.
    assert np.std(off) == pytest.approx(0.05 / np.sqrt(3), rel=0.05)


def test_drift_moves_the_short_circuit_current_with_the_light():
    # Isc follows the light in proportion where Rs/Rsh is nothing (King et al. 2004).
    panel = ReferencePanel.from_curve(SingleDiode(0.5, 1e-9, 0.0, np.inf, 1.0), 1000.0, 25.0, 0.0)
    made = simulate(panel, 1000.0, 25.0, np.zeros(11), np.random.default_rng(0), drift=0.2)
    np.testing.assert_allclose(made.current, 0.5 * np.linspace(1.0, 1.2, 11), rtol=1e-9)


# Faults

#: What only a calculation can get wrong, on a bench of codes; and a converter's end without one.
REFUSED = {("shunt_factor", False), ("power_unit", False), ("converter_at_end", True)}


@pytest.mark.parametrize("name", sorted(BREAKS))
@pytest.mark.parametrize("bench", [None, "shed"])
def test_every_fault_is_written_or_refused_for_a_reason(name, bench):
    bench = shed() if bench else None
    best = float(MODEL.key_points().best_load)
    loads = [0.0, *(best * np.geomspace(0.03, 30, 20)), np.inf]
    plain, spoilt = (
        (PANEL, 140.0, 33.0, loads, np.random.default_rng(5), bench, broken)
        for broken in (None, BREAKS[name])
    )
    if (name, bench is None) in REFUSED:
        with pytest.raises(RangeError, match=r"cannot happen to codes|without a converter"):
            simulate(*spoilt)
        return
    made = simulate(*spoilt)
    assert made.truth["fault"]["name"] == name
    if bench is not None:
        for channel in ("voltage_code", "current_code"):
            assert np.all((made.columns[channel] >= 0) & (made.columns[channel] <= 4095))
    sound = simulate(*plain)
    same = all(
        made.columns[key].shape == values.shape and np.array_equal(made.columns[key], values)
        for key, values in sound.columns.items()
    )
    assert not same or "power" in made.columns


def test_what_only_a_calculation_can_get_wrong_is_not_put_into_codes(run):
    for fault, reason in (
        ("shunt_factor", "would be above the converter's largest, 4095"),
        ("power_unit", "there is no column 'voltage'"),
    ):
        status, out, err = run("--bench", "shed.toml", "--irradiance", 140, "--fault", fault)
        assert (status, out) == (2, "")
        assert err.startswith("ivkit: shed.toml, --fault: ")
        assert f"{fault} cannot happen to codes" in err
        assert reason in err
        assert 'a bench without a converter, or one whose readings are "scaled"' in err


def test_few_loads_are_refused_for_a_fault():
    with pytest.raises(SweepError, match="3 loads are too few for a fault to show; take at least"):
        simulate(PANEL, 140, 33, [0, 9, 99], np.random.default_rng(0), None, BREAKS["no_light"])


# The command


def test_a_seed_gives_the_same_readings_and_another_one_others(run):
    one, two = (run(*FIGURES, "--seed", 7) for _ in range(2))
    other = run(*FIGURES, "--seed", 8)
    assert one == two
    assert one[0] == other[0] == 0
    assert one[1].startswith("# Simulated readings, not measured; seed 7\nload_ohm,voltage_V,curr")
    assert one[1].splitlines()[2:] != other[1].splitlines()[2:]


def test_the_answers_hold_panel_light_errors_and_fault(run, tmp_path):
    status, out, err = run(
        *("--bench", "shed.toml", "--irradiance", 140, "--temperature", 33, "--drift", 4),
        *("--out", "made.csv", "--truth", "truth.json", "--fault", "stuck_voltage"),
    )
    assert (status, err) == (0, "")
    assert out == "made.csv: 33 simulated readings\ntruth.json: the truth behind them\n"
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert list(errors(truth)) == []
    told = truth["summary"]
    assert told["seed"] == 0
    assert (told["irradiance_W_m2"], told["temp_cell_degC"]) == (140, 33)
    assert told["fault"] == "stuck_voltage"
    assert told["drift_of_light_fraction"] == 0.04
    hidden = truth["tables"]["hidden_errors"]["columns"]
    assert {"divider top", "shunt", "converter reference"} <= set(hidden["part"])
    rows = (tmp_path / "made.csv").read_text().splitlines()
    assert rows[1] == "load_ohm,voltage_code,current_code,temp_cell_degC"
    assert (rows[2].split(",")[0], rows[-1].split(",")[0]) == ("0", "open")


def test_the_answers_can_be_printed(run, tmp_path):
    status, out, _ = run(*FIGURES, "--out", "made.csv", "--truth", "-")
    assert status == 0
    assert json.loads(out)["summary"]["isc_A"] == pytest.approx(0.6, rel=1e-6)
    assert (tmp_path / "made.csv").exists()


@pytest.mark.parametrize("which", ["--out", "--truth"])
def test_simulated_readings_replace_no_file(run, tmp_path, which):
    (tmp_path / "sweep.csv").write_text("measured\n")
    status, out, err = run(*FIGURES, which, "sweep.csv")
    assert (status, out) == (2, "")
    assert err == (
        "ivkit: sweep.csv: is there already, and simulated readings replace no file; "
        "give another name, or remove it first\n"
    )
    assert (tmp_path / "sweep.csv").read_text() == "measured\n"


def test_a_sweep_is_simulated_again_as_the_panel_it_shows(run, tmp_path):
    rows = "\n".join(f"{v},{MODEL.current(v):.6f}" for v in np.linspace(0, 18.4, 30))
    (tmp_path / "sweep.csv").write_text(f"voltage_V,current_A\n{rows}\n")
    status, out, _ = run("--sweep", "sweep.csv", "--out", "made.csv", "--truth", "-")
    assert status == 0
    assert json.loads(out)["summary"]["pmp_W"] == pytest.approx(MODEL.key_points().p_mp, 1e-3)


def test_orders_of_taking_the_loads(run):
    loads = ("--loads", "47,10,4k7,open,0")

    def taken(*more):
        return [row.split(",")[0] for row in run(*FIGURES, *loads, *more)[1].splitlines()[2:]]

    assert taken() == ["47", "10", "4700", "open", "0"]
    assert taken("--order", "up") == ["0", "10", "47", "4700", "open"]
    assert taken("--order", "down") == ["open", "4700", "47", "10", "0"]
    assert taken("--order", "back-and-forth") == ["0", "47", "open", "4700", "10"]
    assert sorted(taken("--order", "random")) == sorted(taken())


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "name the panel in one way"),
        ((*FIGURES, "--datasheet", "panel.toml"), "name the panel in one way"),
        (("--isc", 0.6), "--isc, --voc, --imp and --vmp go together: give all four"),
        (("--parameters", "1,2"), "--parameters 1,2: write five numbers, IL,I0,RS,RSH,A"),
        (("--parameters", "1,-2,0,inf,1"), "--parameters 1,-2,0,inf,1: saturation_current is -2"),
        ((*FIGURES, "--loads", "ten,20"), "--loads: 'ten' is not a resistance; write it like 470"),
        ((*FIGURES, "--loads", "20"), "--loads: give at least two, as in 0,10,47,open"),
        ((*FIGURES, "--fault", "gremlins"), "--fault: no fault is called 'gremlins'"),
        ((*FIGURES, "--out", "a", "--truth", "a"), "--out and --truth must name different files"),
        (("--sweep", "none.csv"), "none.csv: cannot read: No such file"),
        ((*FIGURES, "--drift", -95), "-95 % is outside -90 to 300 %"),
    ],
)
def test_what_cannot_be_is_refused(run, words, message):
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert message in " ".join(err.split())


def test_the_faults_are_listed(run):
    status, out, _ = run("--fault", "list")
    assert status == 0
    assert [line.split()[0] for line in out.splitlines()] == list(BREAKS)
