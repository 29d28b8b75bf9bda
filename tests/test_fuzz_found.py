"""What damaged files brought to light, one test each; every refusal names its file."""

import shutil
from pathlib import Path

import pytest
from uncertainties import ufloat

from ivkit.answer.lines import shown
from ivkit.curve.key_points import KeyPoints
from ivkit.panel.unequal import Unequal
from ivkit.predict.unknowns import Task
from tests.fuzz.cases import sound_files

ROOT = Path(__file__).parent.parent
SOUND = sound_files()
EPW = SOUND["day.epw"].decode().splitlines(keepends=True)
SPECTRUM = SOUND["spectrum.csv"].decode()


@pytest.fixture
def run(command_line, tmp_path):
    """Write the sound files and one changed, call a command."""
    for name, raw in SOUND.items():
        (tmp_path / name).write_bytes(raw)
    shutil.copy(ROOT / "examples" / "shed_angle.csv", tmp_path)

    def call(line, name, content):
        (tmp_path / name).write_text(content)
        return command_line(*line.split())

    return call


SUN = "sun --weather day.epw --day 2026-06-21 --timezone UTC"
LAMP = "lamp --datasheet panel.toml --spectrum spectrum.csv --lux 6000 --distance 0.35"
CHECK = "check check.csv --datasheet panel.toml --irradiance 137 --temperature 33"


@pytest.mark.parametrize(
    ("line", "name", "content", "message"),
    [
        (SUN, "day.epw", "".join(EPW[:8]), "(no hour below its heading)"),
        (SUN, "day.epw", "".join(EPW[:12]), "day.epw: "),
        (SUN, "day.epw", "x" * 30_000, "day.epw, line 1: the line has more than 20000 characters"),
        (
            "sun --weather table.csv --latitude 51.5 --longitude 0 --timezone UTC",
            "table.csv",
            SOUND["table.csv"].decode().replace("2023-06-21T05", "1700-06-21T05"),
            "table.csv, line 7: '1700-06-21T05:30Z' is a time of no weather",
        ),
        (
            LAMP,
            "spectrum.csv",
            SPECTRUM.replace("400,", "400,1e308\n400,"),
            "spectrum.csv, row 4: '400,1e308' holds a number that is none of a spectrum",
        ),
        (
            LAMP,
            "spectrum.csv",
            "".join(SPECTRUM.splitlines(keepends=True)[:12]),
            "spectrum.csv: the spectrum is known for 350 to 600 nm and stops short",
        ),
        (
            "plan --datasheet panel.toml --bench jetty.toml --irradiance 855",
            "jetty.toml",
            SOUND["jetty.toml"].decode().replace("reference_V = 3.3", "reference_V = 0.2"),
            "panel.toml, jetty.toml: the front end cannot read this panel at every load",
        ),
        (
            "track track.csv --load 68 --datasheet panel.toml",
            "track.csv",
            "t_s,U_V,angle_deg\n" + "".join(f"{k / 5},0,30\n" for k in range(100)),
            "track.csv: ",
        ),
        (
            "translate jetty.csv --bench jetty.toml --datasheet panel.toml",
            "jetty.csv",
            SOUND["jetty.csv"].decode().replace("45.7", "318.9"),
            "jetty.csv, row 3, column 'temp_cell_degC': '318.9' degC is no temperature",
        ),
        (
            "check check.xlsx --sweep jetty.csv --bench jetty.toml --irradiance 137",
            "jetty.toml",
            SOUND["jetty.toml"].decode().replace("counts = 2", "counts = 2000000"),
            "jetty.csv: one standard uncertainty off, its curve is none that a panel can have",
        ),
        (
            "lamp --bench shed.toml",
            "shed.toml",
            SOUND["shed.toml"].decode().replace('datasheet = "panel.toml"', ""),
            "; shed.toml names no datasheet",
        ),
        (
            "lamp --bench shed.toml",
            "shed.toml",
            SOUND["shed.toml"].decode().replace("distance_m = 0.8", "", 1),
            "(shed.toml gives none either)",
        ),
        (
            "plan --datasheet panel.toml --bench jetty.toml --irradiance 855",
            "jetty.toml",
            SOUND["jetty.toml"].decode().replace('"15k"', '"1.5e-11k"'),
            "jetty.toml, [front_end.voltage] divider_bottom_ohm: '1.5e-11k' is below 1e-06 ohm",
        ),
        (
            "lamp --sweep jetty.csv --sweep-bench jetty.toml --bench shed.toml",
            "shed.toml",
            SOUND["shed.toml"].decode().replace("distance_m = 0.8", "distance_m = 8e-13", 1),
            "shed.toml, [light] distance_m: 8e-13 is below 0.0001 m",
        ),
        (
            "sun --weather 703165TY.csv --day 2026-06-21 --timezone UTC",
            "703165TY.csv",
            SOUND["703165TY.csv"].decode().replace(",01:00,", ",9000000000000,"),
            "703165TY.csv: begins like a TMY3 file but cannot be read as one",
        ),
        (
            "check --power 0.2 --load 33 --irradiance 800 --datasheet panel.toml",
            "panel.toml",
            SOUND["panel.toml"].decode().replace("bypass_groups = 0", "bypass_groups = 5"),
            "panel.toml: 36 cells cannot be split into 5 equal bypass groups",
        ),
    ],
)
def test_what_no_command_can_use_is_refused(run, line, name, content, message):
    status, out, err = run(line, name, content)
    assert (status, out) == (2, "")
    assert message in " ".join(err.split())


def test_readings_at_a_short_circuit_give_no_division_by_nought(run):
    rows = "load_ohm;voltage_V;current_mA\n0;3.94;84.8\n0;8.33;83.3\n0;12.38;83.0\n"
    assert run(CHECK, "check.csv", rows)[0] in (0, 1, 2)


def test_a_first_current_of_nought_gives_no_fill_factor(run):
    text = SOUND["volts.csv"].decode().replace("0.000,0.25000,", "0.000,0,")
    status, out, err = run("characterize volts.csv", "volts.csv", text)
    assert (status, err) == (0, "")
    assert "fill factor" in out


def test_an_angle_at_a_load_of_nought_is_passed_over(run):
    text = SOUND["angle.csv"].decode() + "5,12.1,0\n"
    status, _, err = run("angle angle.csv --datasheet panel.toml", "angle.csv", text)
    assert (status in (0, 1), err) == (True, "")


def test_a_log_with_the_voltage_leads_reversed_ends_in_words(run):
    rows = "".join(f"{k},{-5.0 - 0.01 * (k % 3)},100\n" for k in range(200))
    status, _, err = run("track track.csv", "track.csv", "time_s,voltage_V,current_mA\n" + rows)
    assert status in (0, 1, 2)
    assert "fault of ivkit" not in err


def test_a_lamp_that_no_cells_make_the_sweep_of_is_given_up_soon(run):
    text = SOUND["shed.toml"].decode().replace("beam_angle_deg = 100", "beam_angle_deg = 10")
    line = "angle angle.csv --sweep shed.csv --bench shed.toml"
    status, out, err = run(f"{line} --sweep-light lamp", "shed.toml", text)
    assert (status, out) == (2, "")
    assert "no 36 cells in the light of that lamp have this curve" in " ".join(err.split())


def test_an_error_of_a_file_that_a_bench_names_is_told_of_both(run):
    status, _, err = run("report jetty.toml", "jetty_track.csv", "time_s,power_W\n0,none\n")
    assert status == 2
    assert err.startswith("ivkit: jetty.toml, jetty_track.csv: no column")


def test_a_front_end_that_lets_nothing_through_is_planned_in_words(run):
    text = SOUND["jetty.toml"].decode().replace('"15k"', '"1.1e-6"')
    line = "plan --datasheet panel.toml --bench jetty.toml --irradiance 855"
    status, out, err = run(line, "jetty.toml", text)
    assert (status, err) == (0, "")
    said = "They will not give Pmp: its uncertainty would be larger than itself"
    assert said in " ".join(out.split())
    assert "a divider ratio that lets some of it through" in " ".join(out.split())


def test_readings_all_at_one_angle_tell_no_zero(run):
    rows = "".join(f"0,{4 + 1.5 * k:.2f},220\n" for k in range(8))
    status, out, err = run(
        "angle angle.csv --datasheet panel.toml",
        "angle.csv",
        f"angle deg,voltage V,load ohm\n{rows}",
    )
    assert (status, err) == (1, "")
    assert "at an angle that the readings do not tell" in " ".join(out.split())


def test_a_shunt_known_to_a_quarter_only_does_not_hold_the_fit_up(run, monkeypatch):
    text = SOUND["shed.toml"].decode()
    text = text.replace("height_cm = 28.5", "height_cm = 1.0")
    text = text.replace("shunt_tolerance_pct = 1.0", "shunt_tolerance_pct = 28.5")
    asked, model = [], Task.model
    monkeypatch.setattr(Task, "model", lambda *a, **k: asked.append(1) or model(*a, **k))
    line = "angle angle.csv --sweep shed.csv --bench shed.toml"
    status, _, err = run(line, "shed.toml", text)
    assert (status, err) == (1, "")
    assert len(asked) < 600  # 375 times; it was 1,015 when the fit crept along a bound


@pytest.mark.parametrize(
    "line",
    [
        "translate jetty.csv --bench jetty.toml --to-irradiance 500",
        "angle angle.csv --bench jetty.toml",
        "track track.csv --bench jetty.toml --load 68",
        "watch volts.csv --bench jetty.toml",
        "simulate --bench jetty.toml",
        "check --power 0.2 --load 33 --irradiance 800 --bench jetty.toml",
        "lamp --bench jetty.toml",
    ],
)
def test_a_datasheet_that_is_not_there_is_told_with_the_bench_that_names_it(run, line):
    text = SOUND["jetty.toml"].decode().replace('"panel.toml"', '"panel.datasheet"')
    status, out, err = run(line, "jetty.toml", text)
    assert (status, out) == (2, "")
    assert "jetty.toml, " in err
    assert "panel.datasheet: no such file" in err


@pytest.mark.parametrize(
    ("bench", "line", "old", "new"),
    [
        ("shed.toml", "lamp --bench shed.toml", 'kind = "halogen"', 'spectrum = "gone.csv"'),
        (
            "shed.toml",
            "check --power 0.2 --load 33 --bench shed.toml",
            'kind = "halogen"',
            'spectrum = "gone.csv"',
        ),
        ("shed.toml", "report shed.toml", 'angle = "shed_angle.csv"', 'angle = "gone.csv"'),
        ("shed.toml", "report shed.toml", 'check = "shed_check.csv"', 'check = "gone.csv"'),
        ("shed.toml", "report shed.toml", 'sweeps = ["shed_sweep.csv"]', 'sweeps = ["gone.csv"]'),
        ("jetty.toml", "report jetty.toml", 'track = "jetty_track.csv"', 'track = "gone.csv"'),
    ],
)
def test_another_file_that_is_not_there_is_told_with_the_bench_that_names_it(
    run, bench, line, old, new
):
    text = SOUND[bench].decode()
    assert old in text
    status, out, err = run(line, bench, text.replace(old, new))
    assert (status, out) == (2, "")
    assert err.startswith(f"ivkit: {bench}, ")
    assert err.count(bench) == 1
    assert err.count("gone.csv: cannot read: No such file") == 1


@pytest.mark.parametrize("line", ["lamp --bench shed.toml", "check --bench shed.toml check.csv"])
def test_what_is_no_datasheet_is_told_with_the_bench_that_names_it(run, line):
    text = SOUND["shed.toml"].decode()
    text = text.replace('datasheet = "panel.toml"', 'datasheet = "shed_check.csv"')
    status, out, err = run(line, "shed.toml", text)
    assert (status, out) == (2, "")
    assert err.startswith("ivkit: shed.toml, shed_check.csv, line 2, column 9: not valid TOML")


def test_next_to_no_diffuse_light_is_none(run):
    sky = "time,ghi,dni,dhi\n" + "".join(
        f"2023-06-21 {hour:02d}:00,{ghi},{dni},1e-320\n"
        for hour, ghi, dni in ((10, 500, 600), (11, 600, 700), (12, 650, 750), (13, 600, 700))
    )
    line = "sun --weather table.csv --latitude 51.5 --longitude 0 --day 2023-06-21 --timezone UTC"
    status, out, err = run(line, "table.csv", sky)
    assert (status, err) == (0, "")
    assert "nan" not in out


@pytest.mark.parametrize("load", ["1e-12", "1e-7"])
def test_a_load_of_next_to_nothing_is_refused(run, load):
    for line, name in (
        ("characterize shed.csv --bench shed.toml", "shed.csv"),
        ("check check.csv --datasheet panel.toml --irradiance 137", "check.csv"),
    ):
        lines = SOUND[name].decode().splitlines()
        k = next(k for k, one in enumerate(lines) if one.startswith("load_ohm"))
        lines[k + 1] = ",".join([load, *lines[k + 1].split(",")[1:]])
        status, out, err = run(line, name, "\n".join(lines) + "\n")
        assert (status, out) == (2, "")
        assert "is no load that can be" in err


def test_a_current_that_no_panel_gives_is_refused_with_its_row(run):
    rows = "".join(f"{r},{v}\n" for r, v in ((1e-4, 19.0), (10, 5.0), (33, 15.0), (100, 19.0)))
    line = "characterize volts.csv"
    status, out, err = run(line, "volts.csv", "load_ohm,voltage_V\n" + rows)
    assert (status, out) == (2, "")
    assert "volts.csv, row 2: a current of 1.9e+05 A follows, which no panel gives" in err


def test_a_live_line_with_a_load_that_cannot_be_is_set_aside(run):
    line = "watch check.csv --datasheet panel.toml --irradiance 137"
    table = "load_ohm,current_mA\n47,84.8\n1e300,83.3\n150,83.0\n"
    status, out, err = run(line, "check.csv", table)
    assert status == 0
    assert "load 1e+300 ohm is no reading" in out + err


def test_a_log_whose_angles_are_all_blank_has_none(run):
    rows = "".join(f"{0.2 * k:.1f},{0.6 + 0.001 * (k % 5):.3f},\n" for k in range(300))
    line = "track track.csv --load 68 --datasheet panel.toml"
    status, _, err = run(line, "track.csv", "time_s,voltage_V,angle_deg\n" + rows)
    assert (status, err) in ((0, ""), (1, ""))


def test_a_lamp_whose_beam_misses_the_panel_gives_nothing_in_words(run):
    text = SOUND["shed.toml"].decode().replace("beam_angle_deg = 100", "beam_angle_deg = 0.01")
    text = text.replace("width_cm = 28.5", "width_cm = 31.35")
    status, out, err = run("lamp --bench shed.toml --temperature 33", "shed.toml", text)
    assert (status, err) == (0, "")
    assert "how much of it could not be determined" in " ".join(out.split())
    assert "95 % interval of Pmp" not in out


def test_a_translation_whose_doubt_is_without_end_is_none(run):
    text = SOUND["dim.toml"].decode()
    text = text.replace("offset_tolerance_counts = 2", "offset_tolerance_counts = 2e9")
    line = "translate jetty.csv shed.csv --bench jetty.toml --second-bench dim.toml"
    status, out, err = run(f"{line} --to-irradiance 500", "dim.toml", text)
    assert (status, out) == (2, "")
    assert "the noise of its fit has no translation that could be told" in err
    assert "jetty.csv" in err


def test_sweeps_that_no_panel_has_in_common_are_refused(run):
    lines = SOUND["jetty.csv"].decode().splitlines()
    k = next(k for k, one in enumerate(lines) if one.startswith("load_ohm"))
    rows = [line.split(",") for line in lines[k + 1 :]]
    rows = [[load, f"{float(volts) / 10:.3f}", *rest] for load, volts, *rest in rows]
    table = "\n".join([*lines[: k + 1], *map(",".join, rows)]) + "\n"
    line = "characterize shed.csv jetty.csv --together --bench jetty.toml --json -"
    status, out, err = run(line, "jetty.csv", table)
    assert (status, out) == (2, "")
    assert "no common panel was found" in err
    assert "jetty.csv" in err


def test_the_best_load_without_current_is_none_and_no_fault():
    points = KeyPoints(*(ufloat(x, 0.1) for x in (0.0, 1.0, 0.5, 0.0)))
    assert shown(points.best_load, "ohm") == shown(points.fill_factor, "") == "-"


def test_a_fit_that_did_not_end_tells_nothing_unless_it_is_far_off():
    near, far = (Unequal(None, x, 20.0, settled=False) for x in (40.0, 4e4))
    assert (near.seen, far.seen) == (None, False)
    assert Unequal(None, 40.0, 20.0).seen is False


def test_a_power_over_next_to_no_current_is_no_voltage(run):
    text = SOUND["volts.csv"].decode().splitlines()
    rows = [line.split(",") for line in text if "," in line]
    rows = [[i, p] for _, i, p in rows]
    rows[-3][0] = "1e-320"  # W / A is then beyond all numbers
    table = "\n".join(map(",".join, rows))
    status, out, err = run("characterize volts.csv", "volts.csv", table + "\n")
    assert (status, err) == (0, "")
    assert "left out: no voltage and current follow from it" in out
    assert "steps from its least" not in out
