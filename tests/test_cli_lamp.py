"""``ivkit lamp`` as a person would call it."""

import csv
import io
import json
from functools import partial
from pathlib import Path

import pytest

SHEET = Path(__file__).parent.parent / "datasheets" / "jetty_10W.toml"
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
    assert said.startswith("Under this lamp the panel should give 1.")
    assert "into 220 ohm" in said
    assert "The label says 10 W because that is for 1000 W/m2 of sunlight" in said
    assert "uniform light would give" in said
    assert "Effective irradiance of each cell" in said
    assert "Caution: a lamp this near" in said
    assert "colour temperature" in said


def test_json_has_pairs_map_and_budget(run):
    status, out, _ = run(*HALOGEN, "--load", 220, "--json", "-")
    assert status == 0
    document = json.loads(out)
    assert len(document["cells_W_m2"]) == 6
    assert set(document["key_points"]["pmp_W"]) == {"value", "u"}
    assert sum(document["budget"]["pmp_W"].values()) == pytest.approx(1.0)
    assert document["loads"][0]["load_ohm"] == 220
    assert document["judged"] is None


def test_a_reading_is_judged_and_decides_the_exit_status(run):
    # 0.2 W where 1.1 W is to be expected, and 1.1 W.
    status, out, _ = run(*HALOGEN, "--measured", 0.2)
    assert status == 1
    assert "too low" in out
    status, out, _ = run(*HALOGEN, "--measured", 1.1, "--json", "-")
    assert status == 0
    judged = json.loads(out)["judged"]
    assert judged["verdict"] == "plausible"
    assert abs(judged["en"]) < 1


def test_power_against_distance_as_a_table_and_a_picture(run, tmp_path):
    status, out, _ = run(*HALOGEN, "--table", "--load", 100, "--csv", "-", "--plot", "lamp.svg")
    assert status == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    power = [float(row["pmp_W"]) for row in rows]
    assert power[-1] < power[2]
    assert "power_100_ohm_W" in rows[0]
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
        assert out.startswith("Under this lamp")


def test_a_module_of_the_open_table_is_found_by_name(command_line):
    status, _, err = command_line("lamp", "--module", "No Such Module 300", *HALOGEN)
    assert status == 2
    assert len(err.strip().splitlines()) <= 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--lux", 6000, "--distance", 0.35), "say nothing without the kind of lamp"),
        ((*HALOGEN[:4], "--distance", 0), "distance 0 m"),
        ((*HALOGEN, "--temperature", 298), "outside -90 to 200"),
        ((*HALOGEN, "--watts", 5), "in exactly one way"),
        (("--lux", 1, "--source", "halogn", "--distance", 1), "did you mean halogen"),
        (("--watts", 5, "--source", "A", "--distance", 1), "--watts needs --efficacy"),
        (("--cell-isc", 1, "--distance", 1), "--cell-isc needs --cell-isc-stc"),
        ((*HALOGEN, "--shape", "disc"), "--shape disc needs --size"),
        ((*HALOGEN, "--shape", "beam"), "--shape beam needs --beam-angle"),
        ((*HALOGEN, "--rows", 6), "belong together"),
        ((*HALOGEN, "--spectrum", "gone.csv"), "exclude each other"),
        (("--lux", 1, "--spectrum", "gone.csv", "--distance", 1), "gone.csv: cannot read"),
        ((*HALOGEN, "--measured", 1, "--load", 1, "--load", 2), "compares with one --load"),
        ((*HALOGEN, "--module", "x"), "either --datasheet FILE or --module NAME"),
    ],
)
def test_bad_input_is_a_line_or_two_and_status_2(run, arguments, message):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert message in err
    assert "Traceback" not in err
