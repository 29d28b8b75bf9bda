"""`ivkit track` at the command line: what it prints, writes and refuses, and the example logs."""

import csv
import importlib.util
import io
import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from ivkit.cli import main
from ivkit.curve.diode import SingleDiode
from ivkit.readings.log import read_log

EXAMPLES = Path(__file__).parents[1] / "examples"
SHED = EXAMPLES / "shed_track.csv"
JETTY = EXAMPLES / "jetty_track.csv"
SHED_OPTIONS = ("--load", 68, "--sweep", EXAMPLES / "shed_sweep.csv", "--same-light")
SHED_OPTIONS += ("--bench", EXAMPLES / "bench.toml")
JETTY_OPTIONS = ("--sweep", EXAMPLES / "jetty_sweep.csv", "--bench", EXAMPLES / "jetty.toml")
JETTY_OPTIONS += ("--facing-power", 5.85, "--stray", 0.15, "--u-stray", 0.04, "--tilt-is", "panel")


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path, monkeypatch):
    """No bench.toml of the working folder may be found."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def run(capsys):
    """Run the command; return exit status, standard output and standard error."""

    def call(*arguments):
        with pytest.raises(SystemExit) as done:
            main(["track", *map(str, arguments)])
        out, err = capsys.readouterr()
        return done.value.code, out, err

    return call


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_track", EXAMPLES / "make_track.py")
    module = importlib.util.module_from_spec(spec)
    path = list(sys.path)
    spec.loader.exec_module(module)
    sys.path[:] = path
    return module


def words(text):
    """Return the text with every run of blanks and line ends as one blank."""
    return " ".join(text.split())


def written(name="log.csv", low=0.005, high=0.5, **columns):
    """Write an invented log of 600 s; return its name."""
    time = np.arange(600.0)
    x = np.clip((time - 50) / 20, 0, 1)
    power = low + (high - low) * x * x * (3 - 2 * x)
    power *= 1 + 0.005 * np.random.default_rng(3).normal(size=600)
    columns = {"t_s": time, "P_W": power} | columns
    rows = (",".join(f"{v:.6g}" for v in row) for row in zip(*columns.values(), strict=True))
    Path(name).write_text(",".join(columns) + "\n" + "\n".join(rows) + "\n")
    return name


def sweep_file(name="sweep.csv"):
    """Write an invented sweep of the panel under a lamp; return its name."""
    panel = SingleDiode(0.0868, 3.7e-10, 1.2, 6400.0, 1.0175)
    v = np.linspace(0, 19.2, 40)
    i = panel.current(v) + 2e-5 * np.random.default_rng(1).normal(size=40)
    rows = "\n".join(f"{a:.4f},{1e3 * b:.4f}" for a, b in zip(v, i, strict=True))
    Path(name).write_text("voltage_V,current_mA\n" + rows + "\n")
    return name


# --- the examples


def test_the_script_makes_the_committed_logs_to_the_last_byte(script, tmp_path):
    script.main(tmp_path)
    for path in (SHED, JETTY):
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()


def test_the_shed_log_rises_a_hundredfold_or_so_and_that_is_plausible(run, script):
    # Common practice, no source: a fixed load from far off axis to facing, a factor of a hundred.
    status, out, err = run(SHED, *SHED_OPTIONS)
    assert (status, err) == (0, "")
    assert "times, as angle and load predict; it points 0 to" in words(out)
    told = json.loads(run(SHED, *SHED_OPTIONS, "--json", "-")[1])
    assert 60 < told["summary"]["rise"] < 130
    low, high = told["summary"]["rise_predicted_interval_95"]
    assert low < 100 < high
    assert told["verdict"] == "plausible"
    assert "verdict plausible" in words(out)
    # The truth behind it: 81 deg, then 4 deg off the lamp.
    assert "81 deg off" in out
    assert script.SHED["aoi_last"] == 4.0


def test_the_jetty_log_tells_what_was_put_into_it(run, script, tmp_path):
    status, out, err = run(JETTY, *JETTY_OPTIONS, "--drive-power", 1.2, "--json", "-")
    assert (status, err) == (0, "")
    told = json.loads(out)
    said, broke = told["summary"], told["tables"]["disturbances"]["columns"]
    assert said["hunting_period_s"]["value"] == pytest.approx(
        script.JETTY["hunting_period"], rel=2e-3
    )
    assert said["hunting_logged_swing_deg"] == pytest.approx(
        2 * script.JETTY["hunting_pan"], rel=0.05
    )
    assert said["angle_moves_with_hunting"] is True
    # Pan 150 and sun 165 deg at tilt and zenith 38 deg are 9.2 deg apart.
    assert said["pointing_error_low_95_deg"] < 9.2 < said["pointing_error_high_95_deg"]
    assert broke["kind"] == ["darker", "bright edge"]
    # The cloud took 55 % of the light away, its edge added 30 %, both of what 9.2 deg leave.
    assert broke["light_of_facing_fraction"][0] == pytest.approx(0.45 * 0.985, abs=0.02)
    assert broke["light_of_facing_fraction"][1] == pytest.approx(1.30 * 0.985, abs=0.03)
    lost = [re.sub(r"^rows? [^:]*: |, such as .*", "", line) for line in told["skipped"]]
    assert sorted(lost)[1:] == [
        "has fewer cells than the table has columns",
        "power is blank or NaN",
        "power is rubbish",
        "the time is that of the reading before",
        "the time runs backwards",
    ]
    assert said["skipped_rows"] == 6
    gaps = told["tables"]["gaps"]["columns"]
    assert [b - a for a, b in zip(gaps["from_s"], gaps["to_s"], strict=True)] == [10.5]
    assert told["verdict"] == "plausible"
    assert said["net_gain_J"] == pytest.approx(
        said["energy_J"] - said["drive_J"] - said["had_it_stayed_J"]
    )


def test_the_answer_comes_first_then_table_disturbances_and_what_was_left_out(run):
    _, out, _ = run(JETTY, *JETTY_OPTIONS, "--drive-power", 1.2, "--drive-idle", 0.05)
    first, then = out.split("\n\n")[:2]
    assert words(first) == (
        f"Panel: {JETTY_OPTIONS[1]}, with 10 W, 36 cells; bench: {JETTY_OPTIONS[3]}"
    )
    assert then.startswith(f"{JETTY}: settles at 5.7")
    places = [
        out.index(word)
        for word in (
            "settles at",
            "first power",
            "disturbance",
            "How the file was read:",
            "Skipped rows:",
        )
    ]
    assert places == sorted(places)
    assert "net gain" in out
    assert "the turn pays" in out
    assert "1 gap without readings, the longest 10.5 s before row" in words(out)
    assert "rows 153, 705: power is rubbish" in out


# --- what it writes


def test_csv_and_figure_are_written(run, tmp_path):
    status, out, _ = run(JETTY, *JETTY_OPTIONS, "--csv", "-", "--plot", "log.png")
    assert status == 0
    row = next(csv.DictReader(io.StringIO(out)))
    assert float(row["steady_power_W"]) == pytest.approx(5.71, abs=0.02)
    assert float(row["u_steady_power_W"]) == pytest.approx(0.0024, abs=0.0006)
    assert (tmp_path / "log.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize("more", [[], ["--facing-power", "0.52"]])
def test_every_kind_of_log_has_its_figure(run, tmp_path, more):
    time = np.arange(600.0)
    sway = 20 * np.clip((70 - time) / 20, 0, 1) + 3 * np.sin(2 * np.pi * time / 11)
    log = written(
        high=0.5, pan_deg=sway, P_W=0.5 * np.cos(np.radians(sway + 15)) ** 2 + 1e-5 * time % 7e-5
    )
    status, out, _ = run(log, "--sweep", sweep_file(), "--load", 68, *more, "--plot", "a.svg")
    assert status == 0
    assert b"<svg" in (tmp_path / "a.svg").read_bytes()[:600]
    assert "hunting" in out
    assert run(written(), "--plot", "b.pdf")[0] == 0
    assert (tmp_path / "b.pdf").read_bytes()[:4] == b"%PDF"


def test_an_input_is_never_written_over(run):
    log = written()
    before = Path(log).read_bytes()
    status, _, err = run(log, "--csv", log)
    assert (status, "is an input of this command" in err) == (2, True)
    sweep = sweep_file()
    assert run(log, "--sweep", sweep, "--json", sweep)[0] == 2
    assert Path(log).read_bytes() == before


# --- what it cannot tell, and what it calls wrong


def test_without_curve_and_angles_it_says_what_to_record_next(run):
    status, out, _ = run(written())
    assert status == 0
    assert "how well it points could not be determined" in words(out)
    text = words(out)
    assert "the pointing error and the swing in degrees: give the panel's curve (--sweep" in text
    assert "log pan and tilt beside the power" in text
    _, out, _ = run(written(), "--sweep", sweep_file(), "--load", 68)
    assert "hold the panel by hand so that its power is greatest" in words(out)
    assert "Caution: a work lamp burns skin" in out


def test_a_rise_that_angle_and_load_do_not_make_exits_with_one(run):
    angle = np.where(np.arange(600) < 50, 40.0, 0.0)
    log = written(angle_deg=angle)
    status, out, err = run(log, "--sweep", sweep_file(), "--load", 68, "--facing-power", 0.5)
    assert (status, err) == (1, "")
    assert "which is too high for angle and load" in words(out)


def test_a_datasheet_does_where_there_is_no_sweep(run):
    sheet = EXAMPLES.parent / "datasheets" / "jetty_10W.toml"
    log = written()
    status, out, _ = run(log, "--load", 68, "--datasheet", sheet)
    assert status == 0
    assert words(out).startswith("Panel: 10 W, 36 cells")
    assert "--facing-power says better" in words(out)
    assert "cell temperature 30 +- 8 degC assumed" in words(out)
    # In 140 W/m2 the label's 0.63 A make 0.0882 A and 0.529 W on 68 ohm, less what the shunt takes
    # at 6 V: 1 to 4 % of the current (Rsh Isc/Voc of 8 to 30, modules of NREL/TP-5200-61610).
    options = ("--load", 68, "--datasheet", sheet, "--irradiance", 140, "--temperature", 30)
    status, out, _ = run(log, *options, "--json", "-")
    facing = json.loads(out)["summary"]["facing_power_W"]
    assert 0.96**2 < facing["value"] / (0.0882**2 * 68) < 0.99**2
    assert 0.05 < facing["u"] / facing["value"] < 0.2
    # The bench of the shed names the same label.
    status, out, _ = run(SHED, "--load", 68, "--bench", EXAMPLES / "bench.toml")
    assert status == 0
    assert words(out).startswith("Panel: 10 W, 36 cells")
    _, out, _ = run(JETTY, "--bench", EXAMPLES / "jetty.toml", "--tilt-is", "panel")
    assert "from the datasheet in 855 W/m2" in words(out)


def test_maximum_power_and_a_load_that_varies_are_said(run):
    # Without a fixed load, V/I moves with the light.
    time = np.arange(600.0)
    light = np.where(time < 50, 0.2, 1.0)
    panel = SingleDiode(0.0868 * light, 3.7e-10, 1.2, 6400.0 / light, 1.0175).key_points()
    log = written(U_V=panel.v_mp, I_A=panel.i_mp * (1 + 1e-3 * np.cos(time**2)), P_W=panel.p_mp)
    _, out, _ = run(log, "--sweep", sweep_file())
    assert "no fixed load; say --max-power" in words(out)
    status, out, _ = run(log, "--sweep", sweep_file(), "--max-power", "--same-light")
    assert status == 0
    assert "it points 0 to" in words(out)
    _, out, _ = run(log, "--sweep", sweep_file(), "--max-power", "--facing-power", 1.3)
    assert (
        "reading, u = 2 %, assumed (common practice, no source); --u-facing replaces it"
        in words(out)
    )


def test_options_cut_and_column_choices_reach_the_log(run):
    log = written()
    text = Path(log).read_text().replace("t_s,P_W", "t_s,x1")
    Path(log).write_text(text)
    status, out, _ = run(log, "--column", "power=x1:W", "--from", 100, "--to", 500)
    assert status == 0
    assert "holds 5" in out
    assert "from its start" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--load", "5", "--max-power"], "exclude each other; give one"),
        (["--sweep-irradiance", "100"], "--sweep-irradiance needs a --sweep"),
        (["--u-irradiance", "5"], "--u-irradiance needs --irradiance"),
        (["--load", "short"], "open and short circuit give no power"),
        (["--datasheet", "nowhere.toml"], "nowhere.toml"),
        (["--same-light"], "--same-light goes with --sweep"),
        (["--drive-idle", "1"], "--drive-idle goes with --drive-power"),
        (["--from", "590"], "10 readings between the times asked for"),
        (["--sweep", "nowhere.csv"], "nowhere.csv"),
        (["--column", "power"], "write it as QUANTITY=NAME"),
        (["--load", "nan"], "is no load"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_line_or_two(run, arguments, message):
    status, out, err = run(written(), *arguments)
    assert (status, out) == (2, "")
    assert message in words(err)
    assert "Traceback" not in err


def test_a_log_without_time_or_with_radians_or_too_short_is_refused(run):
    Path("a.csv").write_text("P_W\n" + "0.5\n" * 50)
    status, _, err = run("a.csv")
    assert status == 2
    assert "time" in err
    log = written(pan_deg=np.radians(np.where(np.arange(600) < 50, 80.0, 0.0)))
    status, _, err = run(log)
    assert (status, "looks like radians" in err, "multiply by 57.2958" in err) == (2, True, True)
    assert run(log, "--column", "pan=pan_deg:rad")[0] == 0
    status, _, err = run(written(), "--to", 60)
    assert (status, "shorter than the settling time" in err) == (2, True)
    assert run("-", "--sweep", "-")[0] == 2


def test_a_sweep_without_a_knee_gives_no_law(run):
    Path("flat.csv").write_text("U_V,I_A\n0,0.5\n1,0.5\n2,0.5\n")
    status, _, err = run(written(), "--sweep", "flat.csv", "--load", 68)
    assert status == 2
    assert "no curve can be fitted" in err


def test_standard_input_is_read(run, monkeypatch):
    text = Path(written()).read_text()
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(text.encode())))
    status, out, _ = run("-")
    assert status == 0
    assert out.startswith("standard input: settles at 500")
    assert len(read_log(io.StringIO(text))) == 600


def test_the_cell_temperature_from_an_open_voltage(command_line):
    label = EXAMPLES.parent / "datasheets" / "jetty_10W.toml"
    given = ("track", SHED, "--datasheet", label, "--load", 68)
    volts = ("--open-voltage", 18.5)
    status, out, err = command_line(*given, "--irradiance", 140, *volts)
    assert (status, err) == (0, "")
    text = " ".join(out.split())
    # (18.5/21.8 - 1 - 0.05 ln 0.14)/-0.0033 + 25 = 41.1 degC by the line of IEC 60904-5.
    warm = re.search(r"cell temperature (\S+)\(5\.\d\) degC from Voc \(IEC 60904-5\)", text)
    assert float(warm[1]) == pytest.approx(41.1, abs=3.0)
    assert "cell temperature 30" not in text
    for more, message in (
        (volts, "give --irradiance W/m2, or irradiance_W_m2 in [condition] of the bench"),
        ((*volts, "--facing-power", 0.5), "neither --sweep nor --facing-power"),
        ((*volts, "--temperature", 30), "--temperature and --open-voltage both tell"),
        (("--u-open-voltage", 0.1), "--u-open-voltage goes with --open-voltage"),
    ):
        status, out, err = command_line(*given, *more)
        assert (status, out) == (2, "")
        assert message in " ".join(err.split())


def test_a_sweep_goes_with_a_datasheet_and_known_light(run):
    sheet = EXAMPLES.parent / "datasheets" / "jetty_10W.toml"
    given = ("--sweep", EXAMPLES / "jetty_sweep.csv", "--sweep-bench", EXAMPLES / "jetty.toml")
    given += ("--datasheet", sheet, "--load", "68", "--temperature", 33, "--irradiance", 140)
    told = json.loads(run(SHED, *given, "--u-irradiance", 3, "--json", "-")[1])
    # The truth is 140 W/m2, 33 degC and 68.3 ohm (examples/make_track.py); 0.4786 W at 4 deg is
    # 0.480 W facing it, as the light goes with cos(4 deg) and the power with its square.
    facing = told["summary"]["facing_power_W"]
    assert abs(facing["value"] - 0.480) < 2 * facing["u"]
    assert "10 W, 36 cells" in told["based_on"][0]
    assert told["based_on"][1] == "light: 140 W/m2"
