"""``ivkit characterize`` as a person and as a script would call it."""

import json
import subprocess
import sys

import numpy as np
import pytest

from tests import published


@pytest.fixture
def ivkit(command_line):
    """Run ivkit in an empty folder; return exit status, standard output and error."""
    return command_line


def _json(text):
    def refuse(name):
        raise AssertionError(f"{name} in JSON")

    return json.loads(text, parse_constant=refuse)


def test_a_bare_file_gives_an_answer_first(ivkit):
    status, out, err = ivkit("characterize", published.CELL)
    assert (status, err) == (0, "")
    first = " ".join(out.split("\n\n")[1].split())
    # Isc, Voc and FF of the exact optimum, FIT-2 parameters put into the equation with mpmath.
    assert "Isc 760.26(30) mA" in first
    assert "Voc 572.780(34) mV" in first
    assert "cannot" not in first


def test_json_keeps_its_contract(ivkit):
    status, out, _ = ivkit(
        "characterize", published.CELL, "--cells", 1, "--temperature", 33, "--json", "-"
    )
    assert status == 0
    document = _json(out)
    found = document["summary"]
    assert found["points"] == found["points_used"] == 26
    assert (found["temp_cell_degC"], found["irradiance_W_m2"]) == (33.0, None)
    for key in (
        *("photocurrent_A", "saturation_current_A", "resistance_series_ohm", "nNsVth_V"),
        *("resistance_shunt_ohm", "ideality_factor", "isc_A", "voc_V", "vmp_V", "imp_A", "pmp_W"),
        *("fill_factor", "best_load_ohm"),
    ):
        assert set(found[key]) == {"value", "u"}, key
    points = document["tables"]["key_points"]["columns"]
    assert points["from"] == ["fit", "low_95", "high_95", "data"]
    # GUM G.3: the 95 % interval of 26 readings and 5 parameters is 2.080 u either way.
    assert points["pmp_W"][2] - points["pmp_W"][0] == pytest.approx(
        2.0796 * found["pmp_W"]["u"], 1e-4
    )
    assert points["pmp_W"][0] == found["pmp_W"]["value"]
    assert points["u_pmp_W"][3] > 0
    # Easwarakhanthan et al. (1986), best known optimum of the exact residual.
    assert found["rmse_A"] == pytest.approx(7.7300627e-4, abs=1e-9)
    assert found["ideality_factor"]["value"] == pytest.approx(1.47727, rel=1e-4)
    assert (found["converged"], found["flags"], found["faults"]) == (True, "", "")
    assert document["budget"]["pmp_W"] == {"noise": pytest.approx(1.0)}
    assert document["tables"]["faults"]["columns"]["name"] == []


def test_what_was_not_reached_is_null_and_said(ivkit, tmp_path):
    v, i = published.readings(published.CELL)
    part = (v > 0.25) & (i > 0.45)
    lines = ["U (mV);I (mA)"]
    lines += [f"{1e3 * a:.1f};{1e3 * b:.1f}" for a, b in zip(v[part], i[part], strict=True)]
    (tmp_path / "part.csv").write_text("\n".join(lines).replace(".", ","))
    status, out, _ = ivkit("characterize", "part.csv")
    assert status == 0
    assert "Isc could not be determined, Voc could not be determined" in " ".join(out.split())
    assert "no reading is near open circuit" in out
    found = _json(ivkit("characterize", "part.csv", "--json", "-")[1])
    assert found["summary"]["voc_V"] is None
    assert found["summary"]["fill_factor"] is None
    assert "short_circuit_not_reached" in found["tables"]["faults"]["columns"]["name"]
    # The knee was measured: the whole sweep's fit says what the part must come near to.
    assert found["summary"]["pmp_W"]["value"] == pytest.approx(0.3107, rel=2e-3)


def test_several_sweeps_and_a_csv_on_standard_output(ivkit):
    status, out, _ = ivkit("characterize", published.CELL, published.MODULE, "--csv", "-")
    assert status == 0
    lines = out.splitlines()
    assert len(lines) == 3
    assert lines[0].startswith("file,points,points_used,isc_A,u_isc_A")


def test_standard_input_is_a_file_too():
    with published.CELL.open() as file:
        done = subprocess.run(
            [sys.executable, "-m", "ivkit", "characterize", "-"],
            stdin=file,
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    assert "760.26(30) mA" in done.stdout


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_plot_is_written_whole(ivkit, tmp_path, kind):
    status, _, err = ivkit("characterize", published.CELL, "--plot", f"curve.{kind}")
    assert (status, err) == (0, "")
    start = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[kind]
    assert (tmp_path / f"curve.{kind}").read_bytes().startswith(start)
    assert [p.name for p in tmp_path.iterdir()] == [f"curve.{kind}"]


BENCH = """
[front_end]
divider_at = "panel"
[front_end.voltage]
divider_top_ohm = 100e3
divider_bottom_ohm = 15e3
[front_end.current]
shunt_ohm = {shunt}
"""

BAD = {
    "missing file": ({}, ["nowhere.csv"], "nowhere.csv: "),
    "empty file": ({"s.csv": ""}, ["s.csv"], "s.csv: "),
    "no voltage column": ({"s.csv": "I,x\n1,2\n2,3\n"}, ["s.csv"], "--column voltage="),
    "text for a number": ({"s.csv": "V,I\n1,2\n2,abc\n"}, ["s.csv"], "'abc'"),
    "one point": ({"s.csv": "V,I\n1,2\n"}, ["s.csv"], "s.csv: 1 reading"),
    "all currents zero": (
        {"s.csv": "V,I\n1,0\n2,0\n3,0\n4,0\n5,0\n6,0\n"},
        ["s.csv"],
        "every current is zero",
    ),
    "negative shunt": (
        {"s.csv": "V,I\n1,2\n2,1\n", "b.toml": BENCH.format(shunt=-0.22)},
        ["s.csv", "--bench", "b.toml"],
        "b.toml, [front_end.current] shunt_ohm: ",
    ),
    "misspelt key": (
        {"s.csv": "V,I\n1,2\n2,1\n", "b.toml": BENCH.format(shunt=1).replace("shunt", "shnut")},
        ["s.csv", "--bench", "b.toml"],
        "shunt_ohm",
    ),
    "column written wrong": ({"s.csv": "V,I\n1,2\n"}, ["s.csv", "--column", "V"], "QUANTITY=NAME"),
    "column twice": (
        {"s.csv": "V,I\n1,2\n"},
        ["s.csv", "--column", "voltage=V", "--column", "voltage=I"],
        "names voltage twice",
    ),
    "kelvin for degC": (
        {"s.csv": "V,I\n1,2\n"},
        ["s.csv", "--temperature", "298.15"],
        "outside -90 to 200",
    ),
    "nan": ({"s.csv": "V,I\n1,2\n"}, ["s.csv", "--temperature", "nan"], "not a finite number"),
    "plot of no kind": ({"s.csv": "V,I\n1,2\n"}, ["s.csv", "--plot", "x.bmp"], ".png, .svg, .pdf"),
    "standard output twice": (
        {"s.csv": "V,I\n1,2\n"},
        ["s.csv", "--json", "-", "--csv", "-"],
        "cannot both write",
    ),
    "no sweep": ({}, [], "Missing argument"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_two_lines_at_most_and_status_2(ivkit, tmp_path, case):
    files, arguments, message = BAD[case]
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    wanted = [] if "--json" in arguments else ["--json", "out.json"]
    status, out, err = ivkit("characterize", *arguments, *wanted)
    assert status == 2
    assert out == ""
    assert message in err
    assert "Traceback" not in err
    said = [line for line in err.splitlines() if not line.startswith(("Usage", "Try"))]
    assert len([line for line in said if line]) <= 2
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(files)


def test_an_input_is_never_overwritten(ivkit, tmp_path):
    text = published.CELL.read_text()
    (tmp_path / "s.csv").write_text(text)
    status, _, err = ivkit("characterize", "s.csv", "--csv", "s.csv")
    assert status == 2
    assert "s.csv: is an input of this command; give another name" in err
    assert (tmp_path / "s.csv").read_text() == text


def test_a_folder_that_is_not_there_leaves_nothing_behind(ivkit, tmp_path):
    status, _, err = ivkit("characterize", published.CELL, "--json", "a.json", "--csv", "no/b.csv")
    assert status == 2
    assert "no/b.csv: cannot be written" in err
    assert list(tmp_path.iterdir()) == []


def test_help_loads_click_and_nothing_heavy():
    code = (
        "import sys, ivkit.cli\n"
        "try: ivkit.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'pvlib', 'uncertainties'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert "characterize" in done.stdout


def test_characterize_does_not_load_what_it_does_not_need():
    code = (
        "import sys, ivkit.cli\n"
        f"try: ivkit.cli.main(['characterize', {str(published.CELL)!r}])\n"
        "except SystemExit: pass\n"
        "print(sorted({'matplotlib', 'pvlib', 'pandas', 'scipy.optimize'} & set(sys.modules)),"
        " file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_the_library_gives_the_same_numbers_as_the_command(ivkit):
    import ivkit as library

    found = library.fit(library.read_sweep(published.MODULE))
    sweep = _json(ivkit("characterize", published.MODULE, "--json", "-")[1])["summary"]
    assert sweep["pmp_W"]["value"] == found.key_points.p_mp.nominal_value
    assert np.isclose(sweep["pmp_W"]["u"], found.key_points.p_mp.std_dev)


@pytest.mark.parametrize("signs", [(1, -1), (-1, 1), (-1, -1)])
def test_reversed_readings_are_drawn_without_a_word_from_the_plotter(ivkit, tmp_path, signs):
    # Warnings are errors here: equal limits of the power axis were one once.
    v, i = published.readings(published.MODULE)
    table = np.column_stack([signs[0] * v, signs[1] * i])
    np.savetxt("reversed.csv", table, delimiter=",", header="voltage_V,current_A", comments="")
    status, out, err = ivkit("characterize", "reversed.csv", "--plot", "reversed.png")
    assert (status, err) == (0, "")
    assert "no number from these readings can be trusted" in " ".join(out.split())
    assert (tmp_path / "reversed.png").exists()
