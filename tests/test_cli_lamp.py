"""``ivkit lamp`` as a person would call it."""

import csv
import io
import json
from functools import partial
from pathlib import Path

import pytest

from tests.schema import errors

ROOT = Path(__file__).parent.parent
SHEET = ROOT / "datasheets" / "jetty_10W.toml"
BENCH = ROOT / "examples" / "bench.toml"
HALOGEN = ("--lux", 6000, "--source", "halogen", "--distance", 0.35)


@pytest.fixture
def run(command_line):
    return partial(command_line, "lamp", "--datasheet", SHEET)


def words(text):
    return " ".join(text.split())


def test_the_answer_says_why_the_label_is_not_what_the_lamp_gives(run):
    status, out, err = run(*HALOGEN, "--load", 220)
    assert (status, err) == (0, "")
    said = words(out)
    assert said.startswith(
        "Panel: 10 W, 36 cells (jetty_10W.toml); light: 6000 lx of halogen, 0.35"
    )
    assert "Under this lamp the panel should give 1." in said
    assert "into 220 ohm" in said
    assert "; the label says 10 W because that is for 1000 W/m2 of sunlight: here its" in said
    assert "cell by cell uniform irradiance" in said
    assert "Effective irradiance of each cell" in said
    assert "Caution: a lamp this near" in said
    assert "colour temperature" in said


def test_json_has_pairs_map_and_budget(run):
    status, out, _ = run(*HALOGEN, "--load", 220, "--json", "-")
    assert status == 0
    document = json.loads(out)
    assert not list(errors(document))
    cells = document["tables"]["cells"]["columns"]
    assert cells["row"] == [6, 5, 4, 3, 2, 1]
    assert len(cells) == 7
    assert set(document["summary"]["pmp_W"]) == {"value", "u"}
    assert sum(document["budget"]["pmp_W"].values()) == pytest.approx(1.0)
    assert document["tables"]["loads"]["columns"]["load_ohm"] == [220]
    assert document["verdict"] is None


def test_a_reading_is_judged_and_decides_the_exit_status(run):
    # 0.2 W where 1.1 W is to be expected, and 1.1 W.
    status, out, _ = run(*HALOGEN, "--measured", 0.2)
    assert status == 1
    assert "too low" in out
    status, out, _ = run(*HALOGEN, "--measured", 1.1, "--json", "-")
    assert status == 0
    found = json.loads(out)
    assert not list(errors(found))
    assert found["verdict"] == "plausible"
    assert abs(found["summary"]["en"]) < 1


def test_a_measured_power_goes_with_a_load_as_it_is_printed(run):
    status, out, _ = run(*HALOGEN, "--measured", 0.0775, "--load", "4k7")
    assert status == 0
    assert "into 4.7 kohm: plausible." in words(out)


def test_a_watt_per_square_metre_that_must_be_lux_says_so(run, command_line):
    for command in ("lamp", "watch"):
        status, out, err = command_line(command, "--irradiance", 60000)
        assert (status, out) == (2, "")
        assert "60000 W/m2 is more than the sun or a lamp on a bench gives" in words(err)
        assert "it looks like lux: give lux by --lux with --source" in words(err)
    status, _, err = command_line("characterize", "gone.csv", "--irradiance", 60000)
    assert status == 2
    assert "it looks like lux: give W/m2, not lux" in words(err)


def test_power_against_distance_as_a_table_and_a_picture(run, tmp_path):
    status, out, _ = run(*HALOGEN, "--table", "--load", 100, "--csv", "-", "--plot", "lamp.svg")
    assert status == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    power = [float(row["pmp_W"]) for row in rows]
    assert power[-1] < power[2]
    assert "power_into_100_ohm_W" in rows[0]
    assert (tmp_path / "lamp.svg").read_bytes().startswith(b"<?xml")


def test_every_way_of_saying_how_strong_the_lamp_is(run):
    for way in (
        ("--watts", 50, "--source", "halogen"),
        ("--irradiance", 200, "--source", "A"),
        ("--lux", 6000, "--reading-at", 0.5, "--source", "led"),
        ("--cell-isc", 0.0124, "--cell-isc-stc", 0.1),
    ):
        status, out, err = run(*way, "--distance", 0.5)
        assert (status, err) == (0, ""), way
        assert "Under this lamp" in out


def test_a_panel_has_to_be_named(command_line):
    status, out, err = command_line("lamp", *HALOGEN)
    assert (status, out) == (2, "")
    assert "name the panel with --datasheet FILE, --module NAME or --sweep FILE" in err


def test_a_module_of_the_open_table_is_found_by_name(command_line):
    status, _, err = command_line("lamp", "--module", "No Such Module 300", *HALOGEN)
    assert status == 2
    assert len(err.strip().splitlines()) <= 2


def value(run, *arguments):
    status, out, err = run(*arguments, "--json", "-")
    assert (status, err) == (0, "")
    return json.loads(out)["summary"]["effective_irradiance_W_m2"]["value"]


def test_the_lamp_in_the_shed_is_answered_from_the_examples(command_line):
    # The truth behind the example: 140 W/m2 and 1.208 W (examples/README.md), which
    # the sweep knows to 0.016 W.
    arguments = ("lamp", "--bench", BENCH, "--temperature", 33)
    status, out, _ = command_line(*arguments, "--measured", 1.208, "--u-measured", 0.016)
    assert status == 0
    assert "plausible. It is what this lamp should give" in words(out)
    assert "beam angle, u = 10 %, assumed (common practice, no source)" in words(out)
    status, out, _ = command_line(*arguments, "--json", "-")
    document = json.loads(out)
    for key, true in (("effective_irradiance_W_m2", 140.0), ("pmp_W", 1.20798)):
        found = document["summary"][key]
        assert abs(found["value"] - true) < 2 * found["u"]
        assert found["u"] < 0.15 * true
    status, out, _ = command_line(*arguments, "--measured", 0.2)
    assert status == 1
    assert "too low" in out


def test_the_panel_may_be_known_by_its_sweep_in_the_sun(command_line):
    jetty = ("--sweep", ROOT / "examples/jetty_sweep.csv")
    jetty += ("--sweep-bench", ROOT / "examples/jetty.toml")
    # 140 W/m2 by a known cell: the truth is 1.208 W at 33 degC (examples/README.md).
    lamp = ("--cell-isc", 0.084, "--cell-isc-stc", 0.6, "--distance", 5, "--temperature", 33)
    status, out, _ = command_line("lamp", *jetty, *lamp, "--json", "-")
    assert status == 0
    document = json.loads(out)
    power = document["summary"]["pmp_W"]
    assert abs(power["value"] - 1.20798) < 2 * power["u"]
    assert document["summary"]["label_pmp_W"] == 10.0  # the bench of the sweep names the datasheet
    assert "irradiance of the sweep" in document["budget"]["pmp_W"]
    status, out, _ = command_line(
        "lamp", *jetty[:2], "--sweep-irradiance", 855, *lamp, "--sweep-bench", bare_bench(".")
    )
    assert status == 0
    assert "is what it gives in 1000 W/m2 of sunlight" in words(out)


def bare_bench(folder):
    """Write the jetty's bench without its panel; return its path."""
    text = (ROOT / "examples/jetty.toml").read_text()
    path = Path(folder) / "bare.toml"
    path.write_text(text.replace('datasheet = "../datasheets/jetty_10W.toml"\n', ""))
    return path


def test_a_reading_of_the_bench_stays_at_its_place_when_the_panel_moves(command_line, tmp_path):
    path = tmp_path / "lamp.toml"
    path.write_text(
        f'[panel]\ndatasheet = "{SHEET}"\n[light]\nkind = "A"\nlux = 1000\ndistance_m = 1\n'
        "[mount]\ntilt_deg = 0\n[condition]\ntemp_cell_degC = 25\n"
    )
    exact = ("--u-distance", 0, "--u-angle", 0)  # what is uncertain bends the mean
    run = partial(command_line, "lamp", "--bench", path, "--uniform", *exact)
    # A point: half the distance is four times the light.
    assert value(run, "--distance", 0.5) / value(run) == pytest.approx(4.0, rel=1e-9)
    # A reading that is given is one where the panel is.
    assert value(run, "--distance", 0.5, "--lux", 1000) == pytest.approx(value(run), rel=1e-9)
    # Other light puts the bench's aside: an LED is far less to silicon for its lux.
    assert value(run, "--source", "led") < 0.2 * value(run)


def test_a_bench_in_the_folder_is_found_by_itself(command_line, tmp_path):
    (tmp_path / "bench.toml").write_text(f'[panel]\ndatasheet = "{SHEET}"\nbypass_groups = 2\n')
    status, out, err = command_line("lamp", *HALOGEN)
    assert (status, err) == (0, "")
    assert "bypass" not in out.split("Assumptions")[1]


def test_the_band_of_a_thermopile_counts(run):
    # Planck at 2856 K: 0.528 of AM1.5G's Isc per W/m2 over 300 to 2800 nm, 0.449 over all.
    near, every = (
        value(run, "--uniform", "--irradiance", 100, "--band", *band, "--source", "A", *far)
        for band, far in (((300, 2800), ("--distance", 5)), ((280, 100000), ("--distance", 5)))
    )
    assert near == pytest.approx(52.8, rel=5e-3)
    assert every < near


def test_faint_light_is_bounded_rather_than_told(run):
    status, out, _ = run("--lux", 10, "--source", "led", "--distance", 1)
    assert status == 0
    assert "no more than" in out
    assert "how much of it could not be determined" in words(out)


def test_watts_alone_are_electrical_and_uncertain(run):
    status, out, _ = run("--watts", 50, "--source", "halogen", "--distance", 0.15)
    said = words(out)
    assert status == 0
    assert "halogen efficacy 20 +- 2.3 lm per electrical W assumed (TRILUX" in said
    assert "light that leaves the fitting 80 +- 12 % assumed" in said
    assert "the lamp shines alike in all directions" in said
    assert "To know it better, read the lux on the panel" in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--lux", 6000, "--source", "halogen"), "--distance is missing"),
        (("--lux", 0, "--source", "A", "--distance", 1), "no light: the lamp's reading is 0"),
        ((*HALOGEN, "--size", 0.2), "--size does not go with a lamp of shape point"),
        ((*HALOGEN, "--u-temperature", 2), "--u-temperature needs --temperature"),
        ((*HALOGEN, "--colour-temperature", 9000), "9000 K is not one of a filament"),
        ((*HALOGEN, "--bench", "gone.toml"), "gone.toml: no such file"),
        ((*HALOGEN, "--sweep", "gone.csv"), "gone.csv"),
        ((*HALOGEN, "--json", SHEET), "is an input of this command"),
        (
            (*HALOGEN[:5], 0.05, "--tilt", 60, "--shape", "disc", "--size", 0.3),
            "partly inside the panel",
        ),
        (("--irradiance", 9, "--band", 0.3, 2.8, *HALOGEN[2:]), "0.3 nm is outside 100"),
        (("--lux", 6000, "--distance", 0.35), "say nothing without the kind of lamp"),
        ((*HALOGEN[:4], "--distance", 0), "distance 0 m"),
        ((*HALOGEN, "--temperature", 298), "298 K are 24.85"),
        ((*HALOGEN, "--watts", 5), "in exactly one way"),
        (("--lux", 1, "--source", "halogn", "--distance", 1), "did you mean halogen"),
        (("--watts", 5, "--source", "A", "--distance", 1), "--watts needs --efficacy"),
        (("--cell-isc", 1, "--distance", 1), "--cell-isc needs --cell-isc-stc"),
        ((*HALOGEN, "--shape", "disc"), "--shape disc needs --size"),
        ((*HALOGEN, "--shape", "beam"), "--shape beam needs --beam-angle"),
        ((*HALOGEN, "--rows", 6), "belong together"),
        ((*HALOGEN, "--spectrum", "gone.csv"), "--spectrum excludes --source"),
        (("--lux", 1, "--spectrum", "gone.csv", "--distance", 1), "gone.csv: cannot read"),
        ((*HALOGEN, "--measured", 1, "--load", 1, "--load", 2), "compares with one --load"),
        ((*HALOGEN, "--measured", 1, "--load", "open"), "an open or short circuit takes none"),
        ((*HALOGEN, "--load", "4q7"), "'4q7' is no load"),
        ((*HALOGEN, "--module", "x"), "either --datasheet FILE or --module NAME"),
    ],
)
def test_bad_input_is_a_line_or_two_and_status_2(run, arguments, message):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert "Traceback" not in err
