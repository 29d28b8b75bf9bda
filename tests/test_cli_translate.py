"""`ivkit translate` at the command line: what it prints, writes and refuses."""

import csv
import json
import re
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from ivkit.panel.conditions import ReferencePanel

ROOT = Path(__file__).parents[1]
EXAMPLES, SHEET = ROOT / "examples", ROOT / "datasheets" / "jetty_10W.toml"
JETTY, JETTY_BENCH = EXAMPLES / "jetty_sweep.csv", EXAMPLES / "jetty.toml"
SHED, SHED_BENCH = EXAMPLES / "shed_sweep.csv", EXAMPLES / "bench.toml"
# The synthetic module of the IEC 60891 checks: exact Pmp 10.1636258 W at 1000 W/m2, 25 degC.
PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, 36)


@pytest.fixture
def run(command_line):
    """Run the command; return exit status, standard output and standard error."""
    return partial(command_line, "translate")


def words(text):
    return " ".join(text.split())


def written(name="sweep.csv", light=900.0, heat=30.0, scale=1.0):
    """Write an invented sweep of the panel, all currents times ``scale``; return its name."""
    curve = PANEL.at(light, heat)
    v = np.linspace(0.0, 1.04, 30) * float(curve.voltage(0.0))
    i = scale * curve.current(v) + np.random.default_rng(3).normal(0, 5e-5, 30)
    rows = [f"{a:.4f},{b:.6f}" for a, b in zip(v, i, strict=True)]
    Path(name).write_text("voltage_V,current_A\n" + "\n".join(rows) + "\n")
    return name


def bench(u_light=3.0, u_heat=0.2):
    Path("own.toml").write_text(
        f"[condition]\nu_irradiance_W_m2 = {u_light}\nu_temp_cell_degC = {u_heat}\n"
    )
    return "own.toml"


def sheet(watts=10.16, tolerance=5):
    Path("sheet.toml").write_text(
        f"cells = 36\nisc_A = {0.0609 * watts}\nvoc_V = 21.57\npmp_W = {watts}\n"
        f"pmp_tolerance_pct = {tolerance}\nalpha_isc_pct_per_K = 0.0484\n"
        "beta_voc_pct_per_K = -0.455\n"
    )
    return "sheet.toml"


KNOWN = ("--irradiance", "900", "--temperature", "30")


def test_the_example_answers_whether_it_is_a_10_W_panel(run):
    status, out, err = run(JETTY, "--bench", JETTY_BENCH)
    assert (status, err) == (0, "")
    first = words(out.split("\n\n")[1])
    # The panel that made the example has 9.57 W; a sensor good to 4 % cannot tell that from 9.5.
    assert first.startswith("In the guard band: 9.")
    assert "of the lower limit, 9.5 W (10 W - 5 %)" in first
    assert "of the variance is irradiance" in out or "variance now is irradiance" in words(out)
    for head in ("procedure 1", "procedure 2", "five parameters", "middle of these", "datasheet"):
        assert head in out


def test_a_good_measurement_of_the_promised_panel_says_yes(run):
    status, out, _ = run(written(), *KNOWN, "--bench", bench(), "--datasheet", sheet())
    assert status == 0
    text = words(out)
    assert "The panel conforms to its datasheet: 10.1" in text
    assert "above the lower limit, 9.652 W (10.16 W - 5 %)" in text


def test_a_good_measurement_of_a_lesser_panel_says_no_and_ends_with_status_1(run):
    status, out, _ = run(written(), *KNOWN, "--bench", bench(), "--datasheet", sheet(watts=12.0))
    assert status == 1
    assert "The panel does not conform to its datasheet: 10.1" in words(out)


def test_more_than_promised_is_suspicious(run):
    status, out, _ = run(written(), *KNOWN, "--bench", bench(), "--datasheet", sheet(watts=8.0))
    assert status == 1
    assert "it gives more" in words(out)
    assert "Look at the irradiance first" in words(out)


def test_another_panel_with_enough_watts_is_not_the_promised_one(run):
    own = Path("sheet.toml")
    own.write_text("cells = 30\nisc_A = 0.72\nvoc_V = 18.6\npmp_W = 9.9\n")
    status, out, _ = run(written(), *KNOWN, "--bench", bench(), "--datasheet", own)
    assert status == 1
    text = words(out)
    assert "The panel does not conform to its datasheet, though it gives the" in text
    assert "Voc 21." in text
    assert "(E_n +" in text
    status, out, _ = run(
        written(), *KNOWN, "--bench", bench(), "--datasheet", own, "--json", "-"
    )  # fmt: skip
    assert status == 1
    found = json.loads(out)
    assert found["verdict"] == "does not conform"
    assert found["summary"]["verdict_by_pmp"] == "conforms"
    assert found["summary"]["figures_off"] == ["Isc", "Voc"]


def test_an_undecided_measurement_says_what_to_measure_next(run):
    own = bench(u_light=45.0)
    status, out, _ = run(written(), *KNOWN, "--bench", own, "--datasheet", sheet())
    assert status == 0
    text = words(out)
    assert "In the guard band: 10.1" in text
    assert "If this value stays, a standard uncertainty of" in text
    assert "irradiance: use a calibrated sensor" in text


def test_without_a_datasheet_it_translates_and_asks_for_one(run):
    status, out, _ = run(written(), *KNOWN)
    assert status == 0
    text = words(out)
    assert "give --datasheet or --module to have its conformity judged" in text
    assert "temperature coefficients usual for c-Si" in text
    assert "irradiance, u = 5 %, assumed (common practice, no source)" in text


def test_away_from_stc_there_is_no_verdict(run):
    own = ("--to-irradiance", "800", "--to-temperature", "-5")
    status, out, _ = run(written(), *KNOWN, "--datasheet", sheet(watts=12.0), *own)
    assert status == 0
    assert "translate there to have its conformity judged" in words(out)
    assert "800 W/m2 and -5 degC" in words(out)


def test_a_sweep_in_faint_light_is_too_far(run):
    status, out, _ = run(SHED, "--bench", SHED_BENCH, "--irradiance", 140)
    assert status == 0
    text = words(out)
    assert "shed_sweep.csv gives at 1000 W/m2 and 25 degC could not be determined. No" in text
    assert "measure between 800 and 1250 W/m2" in text
    assert "middle of these" not in text


def test_a_second_sweep_brings_procedure_3(run):
    one, two = written("one.csv", 700.0, 40.0), written("two.csv", 1100.0, 30.0)
    status, out, err = run(
        one, two, "--irradiance", 700, "--temperature", 40, "--second-irradiance", 1100,
        "--datasheet", sheet(),
    )  # fmt: skip
    assert (status, err) == (0, "")
    assert "procedure 3 with a = 0.75 between 700 and 1100 W/m2" in words(out)
    status, out, _ = run(
        JETTY, SHED, "--bench", JETTY_BENCH, "--second-bench", SHED_BENCH,
        "--second-irradiance", 140,
    )  # fmt: skip
    assert status == 0
    assert "more than a factor of 3 apart" in words(out)
    assert "between the two sweeps Voc moves by" in words(out)


def test_json_csv_and_picture_hold_the_same_answer(run):
    status, _, err = run(
        JETTY, "--bench", JETTY_BENCH, "--json", "a.json", "--csv", "a.csv", "--plot", "a.png"
    )
    assert (status, err) == (0, "")
    document = json.loads(Path("a.json").read_text())
    summary = document["summary"]
    assert summary["irradiance_W_m2"] == {"value": 855.0, "u": 35.0}
    assert (summary["to_irradiance_W_m2"], summary["to_temp_cell_degC"]) == (1000.0, 25.0)
    methods = summary["methods"]
    assert methods == ["procedure 1", "procedure 2", "five parameters"]
    answer = summary["pmp_W"]
    assert document["verdict"] == "in the guard band"
    assert summary["guard_band_W"] == pytest.approx(2 * answer["u"])
    assert 0 < summary["probability_within"] < 1
    assert sum(document["budget"]["pmp_W"].values()) == pytest.approx(1.0)
    sweep = document["curves"]["procedure_1"]["columns"]
    assert len(sweep["voltage_V"]) == len(sweep["current_A"]) > 20
    with open("a.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["method"] for row in rows] == [
        "as measured",
        *methods,
        "middle of these",
        "datasheet",
    ]
    assert float(rows[-2]["pmp_W"]) == pytest.approx(answer["value"])
    assert Path("a.png").read_bytes()[:4] == b"\x89PNG"


def test_a_picture_is_made_of_what_is_too_far_too(run):
    status, _, err = run(SHED, "--bench", SHED_BENCH, "--irradiance", 140, "--plot", "a.svg")
    assert (status, err) == (0, "")
    assert "</svg>" in Path("a.svg").read_text()
    status, out, _ = run(SHED, "--bench", SHED_BENCH, "--irradiance", 140, "--json", "-")
    assert json.loads(out)["summary"]["flags"] == []
    assert status == 0
    document = json.loads(out)
    assert document["verdict"] == "undetermined"
    assert document["summary"]["pmp_W"] is None
    assert document["tables"]["translations"]["columns"]["reaches"][1] is False


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((SHED, "--bench", SHED_BENCH), "the irradiance during the sweep is not known; give --irr"),
        ((JETTY, "--bench", JETTY_BENCH, "--module", "qq~qq"), "no module 'qq~qq'"),
        (("none.csv",), "none.csv: .*[Nn]o such file"),
        ((JETTY, SHED, "--bench", JETTY_BENCH), "both sweeps have about 855 W/m2"),
        ((JETTY, "--second-irradiance", "5"), "need a SECOND sweep"),
        (("-", "-"), "standard input \\(-\\) can be read only once"),
        ((JETTY, "--bench", JETTY_BENCH, "--to-temperature", "298"), "298 degC is outside"),
        ((JETTY, "--bench", JETTY_BENCH, "--to-irradiance", "0"), "0 W/m2 is outside 1 to 5000"),
        ((JETTY, "--bench", JETTY_BENCH, "--to-irradiance", "nan"), "not a finite number"),
        ((JETTY, "--bench", JETTY_BENCH, "--technology", "Ge"), "'Ge' is not one of"),
        (
            (JETTY, "--bench", JETTY_BENCH, "--datasheet", SHEET, "--module", "x"),
            "either --datasheet FILE or --module NAME",
        ),
        ((JETTY, "--bench", JETTY_BENCH, "--datasheet", "none.toml"), "none.toml: no such file"),
    ],
)
def test_bad_input_ends_with_one_line_and_status_2(run, arguments, message):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert re.search(message, err)
    assert "Traceback" not in err
    assert len([line for line in err.splitlines() if line.startswith("ivkit:")]) <= 1


def test_an_input_is_never_written_over(run):
    name, own = written(), sheet()
    before = Path(own).read_text()
    status, _, err = run(name, *KNOWN, "--datasheet", own, "--json", own)
    assert status == 2
    assert "sheet.toml: is an input of this command" in err
    assert Path(own).read_text() == before


def test_a_sheet_that_contradicts_itself_is_named(run):
    Path("bad.toml").write_text("cells = 36\nisc_A = 0.6\nimp_A = 0.7\nvoc_V = 21\n")
    status, out, err = run(written(), *KNOWN, "--datasheet", "bad.toml")
    assert (status, out) == (2, "")
    assert "bad.toml: imp_A 0.7 is not below isc_A 0.6" in err


def test_a_sheet_that_no_panel_has_is_named(run):
    Path("bad.toml").write_text(
        "cells = 36\nisc_A = 0.63\nimp_A = 0.615\nvoc_V = 21.8\nvmp_V = 20.0\npmp_W = 12.3\n"
    )
    status, out, err = run(written(), *KNOWN, "--datasheet", "bad.toml")
    assert (status, out) == (2, "")
    assert "bad.toml: no panel has these figures" in err


def test_a_curve_that_the_equation_does_not_describe_is_said(run):
    name = written()
    lines = Path(name).read_text().splitlines()
    for k in range(8, 18):  # a shaded part: a step in the middle of the curve
        v, i = lines[k].split(",")
        lines[k] = f"{v},{float(i) - 0.02:.6f}"
    Path(name).write_text("\n".join(lines) + "\n")
    status, out, _ = run(name, *KNOWN)
    assert status == 0
    assert "as measured, the residuals run in waves" in words(out)


LIGHT_ALONE = ("--irradiance", "900")


def test_a_temperature_that_nobody_knows_comes_from_voc(run):
    # The panel is at 30 degC and the sheet's Voc is its own.
    given = (written(), *LIGHT_ALONE, "--datasheet", sheet())
    status, out, err = run(*given)
    assert (status, err) == (0, "")
    text = words(out)
    assert re.search(r"degC from Voc \(IEC 60904-5\), with the sweep's Isc, against", text)
    assert "datasheet's by construction" in text
    _, out, _ = run(*given, "--json", "-")
    document = json.loads(out)
    warm = document["summary"]["temp_cell_degC"]
    assert document["summary"]["temp_cell_from"] == "Voc (IEC 60904-5)"
    assert abs(warm["value"] - 30.0) < 2 * warm["u"]
    # Exact Pmp 10.1636258 W at STC.
    found = document["summary"]["pmp_W"]
    assert abs(found["value"] - 10.1636258) < 2 * found["u"]


def test_voc_is_not_tested_against_the_sheet_that_told_the_temperature(run):
    # A sheet that states 10 % more Voc than the panel has: with a sensor that is seen.
    Path(sheet()).write_text(Path(sheet()).read_text().replace("21.57", "23.7"))
    given = (written(), *LIGHT_ALONE, "--datasheet", "sheet.toml", "--json", "-")
    _, out, _ = run(*given, "--temperature", "30")
    assert "Voc" in json.loads(out)["summary"]["figures_off"]
    _, out, _ = run(*given)
    document = json.loads(out)
    assert "Voc" not in document["summary"]["figures_off"]
    assert document["summary"]["temp_cell_degC"]["value"] > 45.0


def test_the_temperature_from_voc_on_demand(run):
    given = (JETTY, "--bench", JETTY_BENCH, "--json", "-")
    _, out, _ = run(*given)
    assert json.loads(out)["summary"]["temp_cell_from"] is None
    _, out, _ = run(*given, "--temperature-from-voc")
    assert json.loads(out)["summary"]["temp_cell_from"] == "Voc (IEC 60904-5)"
    _, out, _ = run(written("dim.csv", light=500.0), written("bright.csv"), "--irradiance", 500,
                    "--second-irradiance", 900, "--datasheet", sheet(), "--json", "-")  # fmt: skip
    table = json.loads(out)["tables"]["translations"]["columns"]
    assert table["pmp_W"][table["method"].index("procedure 3")] == pytest.approx(10.16, rel=0.03)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ((), "the cell temperature during the sweep is not known; give --temperature"),
        ((), "or a datasheet, by whose Voc it can be told"),
        (("--temperature-from-voc",), "--temperature-from-voc needs --datasheet or --module"),
        (("--temperature-from-voc", "--temperature", "30", "--datasheet", "sheet.toml"),
         "--temperature and --temperature-from-voc both tell the temperature"),
    ],
)  # fmt: skip
def test_a_temperature_that_cannot_come_from_voc_is_refused(run, more, message):
    sheet()
    status, out, err = run(written(), *LIGHT_ALONE, *more)
    assert (status, out) == (2, "")
    assert message in words(err)
