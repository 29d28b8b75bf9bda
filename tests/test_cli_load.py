"""`ivkit load` at the command line: what it prints, writes and refuses."""

import csv
import json
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from ivkit.curve.diode import SingleDiode
from ivkit.report.load_answer import CAUTION

PUBLISHED = Path(__file__).parent / "data" / "published"
MODULE = PUBLISHED / "module_36cell_45degC.csv"
PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)


@pytest.fixture
def run(command_line):
    """Run the command; return exit status, standard output and standard error."""
    return partial(command_line, "load")


def written(name, panel=PANEL, low=0.0, high=21.4, points=40, seed=1):
    """Write an invented sweep with a little noise; return its name."""
    v = np.linspace(low, high, points)
    i = panel.current(v) + np.random.default_rng(seed).normal(0, 0.0002, points)
    rows = [f"{a:.4f},{b:.5f}" for a, b in zip(v, i, strict=True)]
    Path(name).write_text("voltage_V,current_A\n" + "\n".join(rows) + "\n")
    return name


def words(text):
    """Return the text with every run of blanks and line ends as one blank."""
    return " ".join(text.split())


def test_the_answer_comes_first_then_the_table_then_the_caution(run):
    # Vmp / Imp of this table: 12.65 V / 0.912 A = 13.9 ohm (Easwarakhanthan et al. 1986, as fitted
    # exactly by pvlib and lmfit); Pmp 11.55 W.
    status, out, err = run(MODULE)
    assert (status, err) == (0, "")
    assert words(out).startswith(
        f"Panel: {MODULE} "
        "Load the panel with 15 ohm (E12): 11.5 W of 11.6 W, 0.73 % lost; buy a 25 W part."
    )
    assert "> 15R" in out
    assert "read 'voltage_V' as voltage in V" in out
    assert "14R" in out
    assert out.split()[-len(CAUTION.split()) :] == CAUTION.split()
    assert max(map(len, out.splitlines())) <= 100


def test_json_has_pairs_units_and_no_nan(run):
    status, out, _ = run(MODULE, "--json", "-")
    found = json.loads(out)
    assert status == 0
    summary, loads = found["summary"], found["tables"]["loads"]["columns"]
    assert set(summary["best_load_ohm"]) == {"value", "u"}
    assert summary["part_ohm"] == [15.0]
    assert summary["part_dissipation_W"] == [summary["dissipation_W"]]
    assert summary["part_rating_W"] == [25.0]
    assert summary["power_W"]["value"] == pytest.approx(
        summary["pmp_W"]["value"] * (1 - summary["lost_fraction"]["value"])
    )
    (chosen,) = (k for k, one in enumerate(loads["chosen"]) if one)
    assert loads["load"][chosen] == summary["load"] == "15R"
    assert loads["power_W"][chosen] == summary["power_W"]["value"]
    assert loads["u_power_W"][chosen] == summary["power_W"]["u"]


def test_the_csv_has_one_row_a_candidate(run):
    status, out, _ = run(MODULE, "--csv", "-", "--series", "e6")
    rows = list(csv.DictReader(out.splitlines()))
    assert status == 0
    assert [row["load"] for row in rows] == ["10R", "13R", "14R", "15R"]
    assert [row["chosen"] for row in rows] == ["False", "False", "False", "True"]


@pytest.mark.parametrize("name", ["load.png", "load.svg", "load.pdf"])
def test_the_picture_is_written(run, name):
    status, _, _ = run(MODULE, "--plot", name)
    assert status == 0
    assert Path(name).stat().st_size > 5000


def test_the_picture_names_its_axes_units_and_candidates(run):
    a, b = written("noon.csv"), written("dusk.csv", SingleDiode(0.15, 3.7e-10, 1.2, 900.0, 1.0175))
    assert run(a, b, "--weight", 3, "--weight", 1, "--plot", "two.svg")[0] == 0
    from ivkit.curve.fit import fit_each
    from ivkit.readings.read import read_sweep
    from ivkit.report.load_figure import load_figure
    from ivkit.verdict.load import best_load

    fits = fit_each([read_sweep(a), read_sweep(b)])
    models = [fit.model for fit in fits]
    figure = load_figure(best_load(models, [3, 1]), models, [f.sweep for f in fits], [a, b])
    top, bottom = figure.axes
    assert top.get_ylabel() == "power into the load (W)"
    assert bottom.get_xlabel() == "load resistance (ohm)"
    labels = [text.get_text() for text in (*top.texts, *bottom.texts)]
    assert {"noon.csv", "dusk.csv", "weighted mean"} <= set(labels)
    assert any(label.startswith("33R: ") for label in labels)


def test_several_sweeps_are_weighed_against_each_other(run):
    a, b = written("noon.csv"), written("dusk.csv", SingleDiode(0.15, 3.7e-10, 1.2, 900.0, 1.0175))
    status, out, _ = run(a, b, "--weight", 1, "--weight", 30, "--series", "E24")
    assert status == 0
    # Long dusk: the best load is near that of dusk alone, 134.9 ohm, not of noon, 31.6 ohm.
    assert "Load the panel with 130 ohm (E24)" in words(out) or "120 ohm (E24)" in words(out)
    assert "on average over the 2 conditions" in words(out)
    assert "Best single load" in out
    assert "noon.csv" in out
    assert "dusk.csv" in out
    noon = run(a, b, "--weight", 1, "--weight", 0)[1]
    assert "33 ohm (E12)" in words(noon)


def test_the_drawer_is_searched_for_one_part_and_for_two(run):
    status, out, _ = run(written("a.csv"), "--drawer", "10,22,47,100,4k7")
    assert status == 0
    # 47 and 100 ohm in parallel are 31.97 ohm, 22 and 10 in series 32: both near 31.6.
    assert "47R || 100R in parallel, together 31.97 ohm" in words(out)
    assert "buy 47 ohm for 25 W and 100 ohm for 10 W" in words(out)
    status, out, _ = run(written("a.csv"), "--drawer", "0R22;33R;1k")
    assert " Load the panel with 33 ohm (from the drawer): " in words(out)


def test_hot_air_asks_for_a_larger_part(run):
    assert "buy a 50 W part" in words(run(MODULE, "--ambient", 100)[1])
    out = words(run(MODULE, "--ambient", 100, "--derate-from", 120, "--derate-to", 200)[1])
    assert "buy a 25 W part" in out
    assert "up to 120 degC and nothing at 200 degC" in out
    assert "buy a 25 W part" in words(run(MODULE, "--margin", 1)[1])
    assert "spread it over several parts" in words(run(MODULE, "--margin", 20)[1])


def test_two_figures_of_a_datasheet_give_a_load_but_no_loss(run):
    status, out, err = run("--vmp", 17.2, "--imp", 0.55)
    assert (status, err) == (0, "")
    text = words(out)
    assert " Load the panel with 33 ohm (E12), the nearest to 31.27 ohm; buy a 25 W" in text
    assert "What it loses could not be determined without a curve: measure a sweep" in text
    assert " lost" not in text
    assert "%" not in text
    assert out.split()[-len(CAUTION.split()) :] == CAUTION.split()
    found = json.loads(run("--vmp", 17.2, "--imp", 0.55, "--json", "-")[1])["summary"]
    assert found["lost_fraction"] is None
    assert found["power_W"] is None
    assert found["best_load_ohm"] == pytest.approx(17.2 / 0.55)


def test_a_sweep_that_reaches_neither_end_still_gives_its_load_and_says_so(run):
    status, out, _ = run(written("part.csv", low=10.0, high=19.5, points=25))
    assert status == 0
    assert "33 ohm (E12)" in words(out)
    assert "Warnings:" in out
    assert "short circuit" in out.split("Warnings:")[1]
    assert "open circuit" in out.split("Warnings:")[1]


def test_a_sweep_that_does_not_reach_the_knee_is_refused_with_the_loads_to_add(run):
    status, out, err = run(written("low.csv", high=14.0, points=20))
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert "low.csv: maximum power cannot be told: the largest power is at the highest" in err
    assert "add loads of more resistance" in err


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ([], "give at least one SWEEP, or --vmp and --imp from a datasheet"),
        (["--vmp", "17"], "give either SWEEP files, or --vmp and --imp together"),
        ([MODULE, "--vmp", "17", "--imp", "1"], "give either SWEEP files, or --vmp and --imp"),
        ([MODULE, "--weight", "1", "--weight", "2"], "2 --weight for 1 sweeps; give one for each"),
        ([MODULE, "--weight", "nan"], "'nan' is not a finite number"),
        ([MODULE, MODULE, "--weight", "0", "--weight", "0"], "weights 0, 0; give numbers of 0 or"),
        ([MODULE, "--series", "E12", "--drawer", "10"], "--series and --drawer exclude each other"),
        ([MODULE, "--series", "E13"], "'E13' is not one of 'e6', 'e12', 'e24', 'e96'"),
        ([MODULE, "--drawer", "10,abc"], "--drawer: 'abc' is not a resistance; write it like 470"),
        ([MODULE, "--drawer", ""], "--drawer: '' is not a resistance"),
        ([MODULE, "--drawer", "0,10"], "--drawer: '0' is no load; leave it out"),
        ([MODULE, "--ambient", "160"], "the part may carry nothing; give a lower ambient"),
        ([MODULE, "--derate-from", "155"], "derating from 155 to 155 degC does not rise"),
        ([MODULE, "--margin", "0.5"], "0.5 is outside 1 to 100"),
        ([MODULE, "--tolerance", "60"], "60 percent is outside 0 to 50 percent"),
        (["--vmp", "17", "--imp", "1", "--plot", "a.png"], "two numbers are no curve"),
        (["--vmp", "0", "--imp", "1"], "0 V is outside 1e-09 to 100000 V"),
        (["missing.csv"], "missing.csv: "),
    ],
)
def test_bad_input_is_refused_in_a_line_or_two_and_writes_nothing(run, arguments, text):
    status, out, err = run(*arguments, "--json", "out.json")
    assert status == 2
    assert out == ""
    assert text in words(err)
    assert "Traceback" not in err
    assert not Path("out.json").exists()


def test_an_input_is_never_written_over(run):
    name = written("a.csv")
    before = Path(name).read_bytes()
    status, _, err = run(name, "--csv", name)
    assert status == 2
    assert "is an input of this command" in err
    assert Path(name).read_bytes() == before
