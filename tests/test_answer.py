"""An answer as text, JSON, CSV, HTML; and every command's JSON against the published schema."""

import csv
import io
import json
import math
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from uncertainties import ufloat

from ivkit.answer import Answer, Column, Entry, Table, load
from ivkit.answer.quantities import unit_of
from ivkit.errors import FileError, TableError
from tests.schema import errors

EXAMPLES = Path(__file__).parent.parent / "examples"
LOADS = Table(
    "where it works",
    [
        Column("load", ["10R", "22R", "open"]),
        Column("power_W", np.array([1.23456, 0.4, np.nan]), [0.012, None, None]),
        Column("voltage_V", [ufloat(2.5, 0.1), None, 3]),
        Column("lost_fraction", [0.0123, 0.62, None], heading="lost"),
        Column("points", [3, 4, 5], heading=None),
    ],
    note="Under it.",
)
ANSWER = Answer(
    "load",
    "Take <10 ohm>.",
    "plausible",
    based_on=("panel: invented.toml",),
    summary={
        "pmp_W": Entry(ufloat(5.4321, 0.012)),
        "isc_A": ufloat(0.3, math.nan),
        "voc_V": math.nan,
        "flags": ["a", "b"],
        "converged": True,
    },
    tables={"loads": LOADS},
    budget={"pmp_W": {"noise": 0.2, "meter": 0.8}},
    assumptions=("the cells are at 25 degC",),
    notes=("read 'V' as voltage",),
    warnings=("the light drifted",),
    skipped=("row 3: no number",),
    cautions=("Caution: hot.",),
    paragraphs=("A paragraph.",),
    next="Measure again.",
)


def test_text_has_everything_in_its_order():
    said = ANSWER.text(80)
    order = [
        *("Panel: invented.toml", "Take <10 ohm>.", "A paragraph.", "Pmp  5.432(12) W"),
        *(
            "where it works\n",
            "Under it.",
            "The variance of Pmp comes from: 80 % meter, 20 %",
        ),
        *("In parentheses:", "Warnings:\n  - the light drifted", "Assumptions:\n"),
        *("How the file was read:\n", "Skipped rows:\n", "Caution: hot.", "Measure again."),
    ]
    said, order = said.replace("\n", " "), [one.replace("\n", " ") for one in order]
    places = [said.index(one) for one in order]
    assert places == sorted(places)
    assert "1.235(12) W" in said
    assert "1.2 %" in said
    assert "points" not in said


def test_the_document_keeps_to_the_published_schema():
    found = json.loads(json.dumps(ANSWER.to_dict(), allow_nan=False))
    assert list(errors(found)) == []
    assert found["summary"]["pmp_W"] == {"value": 5.4321, "u": 0.012}
    assert found["summary"]["isc_A"] == {"value": 0.3, "u": None}
    assert found["summary"]["voc_V"] is None
    columns = found["tables"]["loads"]["columns"]
    assert columns["power_W"] == [1.23456, 0.4, None]
    assert columns["u_power_W"] == [0.012, None, None]
    assert columns["voltage_V"] == [2.5, None, 3]
    assert columns["u_voltage_V"] == [0.1, None, None]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("verdict", "perhaps"),
        ("version", 1),
        ("notes", [""]),
        ("tables", {"Loads": {"columns": {}}}),
        ("tables", {"loads": {"columns": {"power_W": [{}]}}}),
        ("summary", {"pmp_W": {"value": 1}}),
        ("more", 1),
    ],
)
def test_the_schema_refuses(key, value):
    assert list(errors({**ANSWER.to_dict(), key: value}))


def test_csv_and_frame_have_the_same_columns():
    rows = list(csv.reader(io.StringIO(ANSWER.to_csv())))
    frame = ANSWER.to_frame()
    assert rows[0] == list(frame.columns)
    assert rows[0][:3] == ["load", "power_W", "u_power_W"]
    assert rows[3][:3] == ["open", "", ""]
    assert frame["power_W"][0] == 1.23456


def test_html_is_escaped():
    said = ANSWER._repr_html_()
    assert "Take &lt;10 ohm&gt;." in said
    assert "<10" not in said
    assert "1.235(12) W" in said


def test_a_written_answer_is_read_again(tmp_path):
    path = tmp_path / "answer.json"
    path.write_text(json.dumps(ANSWER.to_dict()))
    again = load(path)
    assert again.to_dict() == ANSWER.to_dict()
    assert again["pmp_W"].nominal_value == 5.4321
    assert load(ANSWER.to_dict()).to_dict() == ANSWER.to_dict()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"ivkit": "0.1.0", "loads": []}', "before answers had a version"),
        ('{"loads": []}', "is no answer of ivkit"),
        ('{"format": "ivkit answer", "version": 3}', "has version 3; this ivkit reads version 2"),
        ("[1", "is no JSON"),
    ],
)
def test_what_is_no_answer_is_refused(tmp_path, text, said):
    path = tmp_path / "answer.json"
    path.write_text(text)
    with pytest.raises(TableError, match=said):
        load(path)
    with pytest.raises(FileError):
        load(tmp_path / "none.json")


def test_a_long_table_shows_its_ends_and_a_sideways_one_its_columns_as_lines():
    long = Table("", [Column("k", list(range(100))), Column("v_V", list(range(100)))])
    said = Answer("x", "y", tables={"long": long}).text(80)
    assert "... 60 more" in said
    assert len(said.splitlines()) < 50
    few = Table(
        "point", [Column("from", ["fit", "data"]), Column("isc_A", [1.0, 2.0])], sideways=True
    )
    lines = Answer("x", "y", tables={"few": few}).text(80).splitlines()
    assert lines[-2].split() == ["point", "fit", "data"]
    assert lines[-1].split() == ["Isc", "1", "A", "2", "A"]


def test_columns_of_different_length_are_refused():
    with pytest.raises(ValueError, match="differ"):
        Column("a", [1, 2], [1])
    with pytest.raises(ValueError, match="differ"):
        Table("", [Column("a", [1]), Column("b", [1, 2])])


def test_an_answer_pickles():
    assert pickle.loads(pickle.dumps(ANSWER)).to_dict() == ANSWER.to_dict()


def test_the_room_loads_nothing_heavy():
    code = "import sys, ivkit.answer; print(*{'pandas', 'matplotlib', 'scipy'} & set(sys.modules))"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == ""


SHEET = EXAMPLES.parent / "datasheets" / "jetty_10W.toml"
LINES = (
    "characterize shed_sweep.csv",
    "characterize shed_sweep.csv jetty_sweep.csv --together",
    "characterize jetty_sweep.csv --bench jetty.toml --trials 200",
    "plan shed_sweep.csv",
    "load shed_sweep.csv",
    "load --vmp 17 --imp 0.5",
    f"sun --latitude 51.5 --longitude 0 --timezone UTC --day 2026-06-21 --datasheet {SHEET}",
    "lamp --temperature 33",
    "check shed_check.csv",
    "angle shed_angle.csv --sweep shed_sweep.csv",
    "track shed_track.csv --load 68",
    f"translate jetty_sweep.csv --bench jetty.toml --datasheet {SHEET}",
)
#: Numbers without a unit, by name; a key that is not here carries its unit or ends in _fraction.
PURE = {
    *("points", "points_used", "row", "limiting_cell", "tried_on", "margin", "sweeps", "seed"),
    *("fill_factor", "ideality_factor", "en", "en_load", "shift", "scatter", "probability"),
    *("chi_square", "chi_square_limit", "chi_square_single_fits", "residuals_over_single_fits"),
    *("degrees_of_freedom", "degrees_of_freedom_single_fits", "adjusted"),
    *("light", "light_of_sweep", "light_en", "exponent"),  # light in times of a sweep's own
    *("readings", "independent_readings", "steady_readings", "skipped_rows"),
    *("rise", "rise_predicted", "rise_en", "probability_within"),
    *("law_current_exponent", "law_diode_exponent", "law_diode_bend", "law_series_exponent"),
    *("law_shunt_exponent", "law_shunt_exponent_low"),
}


def _is_number(value):
    return isinstance(value, int | float | dict) and not isinstance(value, bool)


def _without_unit(found):
    """Yield the keys of numbers that say no unit; a table whose rows have a unit says it there."""
    groups = [{key: [one] for key, one in found["summary"].items()}]
    groups += [one["columns"] for one in (*found["tables"].values(), *found["curves"].values())]
    for group in groups:
        for key, values in group.items():
            name = key.removeprefix("u_")
            if "unit" not in group and any(map(_is_number, values)) and not unit_of(name):
                yield name


@pytest.mark.parametrize("line", LINES)
def test_every_command_keeps_to_the_published_schema(command_line, monkeypatch, line):
    monkeypatch.chdir(EXAMPLES)
    status, out, err = command_line(*line.split(), "--json", "-")
    assert status in (0, 1), err
    found = json.loads(out)
    assert list(errors(found)) == []
    assert found["command"] == line.split()[0]
    assert load(found).to_dict() == found
    assert set(_without_unit(found)) <= PURE
    for one in found["tables"].values():
        assert len({len(values) for values in one["columns"].values()}) <= 1
