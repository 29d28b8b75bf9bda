"""The pins tell what moved: nothing between two runs, a changed figure in units of its own u."""

import json
import shutil
from dataclasses import replace

import pytest

from tests.pins.__main__ import main
from tests.pins.moved import compare, compare_folders
from tests.pins.record import record, simulated


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    """Two records of one simulated bench, of two commands."""
    bench = simulated(4)
    quick = ("characterize", "load")
    bench = replace(bench, lines={k: x for k, x in bench.lines.items() if x.split()[0] in quick})
    folders = [tmp_path_factory.mktemp("pins") for _ in range(2)]
    for folder in folders:
        done = record(bench, folder)
        assert sorted(done) == [(name, 0) for name in sorted(quick)]
    return folders


def test_two_records_of_one_bench_are_the_same(twice, capsys):
    assert compare_folders(*twice, rtol=0.0) == []
    assert main(["compare", *map(str, twice)]) == 0
    assert capsys.readouterr().out == "nothing moved\n"


def test_a_simulated_bench_is_the_same_each_time():
    assert simulated(7) == simulated(7)


def test_no_temporary_folder_is_in_a_pin(twice):
    pins = list(twice[0].rglob("*.json"))
    assert pins
    for pin in pins:
        assert "/tmp" not in pin.read_text(encoding="utf-8")


def test_a_changed_figure_is_told_in_units_of_u(twice, tmp_path, capsys):
    after = shutil.copytree(twice[0], tmp_path / "after")
    pin = after / "bench-04" / "00-characterize.json"
    answer = json.loads(pin.read_text(encoding="utf-8"))
    power = answer["json"]["summary"]["pmp_W"]
    before = power["value"]
    power["value"] += 0.5 * power["u"]
    pin.write_text(json.dumps(answer), encoding="utf-8")
    (change,) = compare_folders(twice[0], after)
    assert change.path.endswith("summary.pmp_W")
    assert change.command == "characterize"
    assert change.in_u == pytest.approx(0.5)
    assert change.relative == pytest.approx(0.5 * power["u"] / before)
    assert main(["compare", str(twice[0]), str(after)]) == 1
    assert "0.5 u" in capsys.readouterr().out
    assert main(["compare", str(twice[0]), str(after), "--only", "*-load.json"]) == 0


def test_a_pin_on_one_side_alone_is_told(twice, tmp_path):
    after = shutil.copytree(twice[0], tmp_path / "after")
    (after / "bench-04" / "01-load.json").unlink()
    (change,) = compare_folders(twice[0], after)
    assert (change.file, change.before, change.after) == ("bench-04/01-load.json", "there", None)


@pytest.mark.parametrize(
    ("before", "after", "path", "in_u"),
    [
        ({"isc_A": 2.0, "u_isc_A": 0.5}, {"isc_A": 3.0, "u_isc_A": 0.5}, "isc_A", 2.0),
        (
            {"power_W": [1.0, 2.0], "u_power_W": [0.1, 0.2]},
            {"power_W": [1.0, 2.1], "u_power_W": [0.1, 0.2]},
            "power_W[1]",
            0.5,
        ),
        ({"text": ["gives 1.185(16) W"]}, {"text": ["gives 1.193(16) W"]}, "text", 0.5),
    ],
)
def test_each_spelling_of_an_uncertainty_is_known(before, after, path, in_u):
    (change,) = compare(before, after)
    assert change.path == path
    assert change.in_u == pytest.approx(in_u)


def test_a_changed_word_is_told_and_a_line_broken_elsewhere_is_not():
    assert compare({"text": ["it is", "plausible"]}, {"text": ["it", "is plausible"]}) == []
    (change,) = compare({"json": {"verdict": "plausible"}}, {"json": {"verdict": "too low"}})
    assert (change.before, change.after) == ("plausible", "too low")


def test_a_part_of_a_budget_is_measured_by_its_largest():
    before = {"budget": {"divider ratio": 0.9, "noise": 1e-24}}
    assert compare(before, {"budget": {"divider ratio": 0.9, "noise": 5e-24}}) == []
    (change,) = compare(before, {"budget": {"divider ratio": 0.9, "noise": 0.01}})
    assert change.group == "budget.*"


def test_a_renamed_option_alone_moves_nothing():
    assert compare({"command": "load a --imp 1"}, {"command": "load a --current 1"}) == []
