"""The first five minutes: a folder to begin with, filled in by hand, and asked."""

import re
import shutil
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from pvlib.pvsystem import i_from_v, singlediode

from ivkit.bench import load_bench
from ivkit.cli import main
from ivkit.report.starter import BENCH, NOTE, TABLE, FrontEndKind, Light, starter_files

EXAMPLES = Path(__file__).parent.parent / "examples"
# A known panel: row TR-1 of a 36-cell module (De Soto), at 820 W/m2; the numbers are only an input.
PANEL = {
    "photocurrent": 0.51,
    "saturation_current": 1.5e-9,
    "resistance_series": 1.2,
    "resistance_shunt": 1100.0,
    "nNsVth": 1.02,
}
LOADS = [4.7, 10, 18, 27, 33, 39, 47, 56, 82, 120, 220, 470]
KINDS = list(product(Light, FrontEndKind))


def run(*arguments):
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    return stop.value.code


def _uncommented(text):
    """Return a bench file with every suggested setting in force."""
    return re.sub(r"^#(?=[\[a-z])", "", text, flags=re.MULTILINE)


def _readings():
    """Return load, voltage and current of the known panel by pvlib's solver, ends included."""
    loads = [0.0, *LOADS, np.inf]
    truth = singlediode(**PANEL)
    rows = [(0.0, 0.0, float(i_from_v(0.0, **PANEL)))]
    for load in LOADS:
        low, high = 0.0, float(truth["v_oc"])
        for _ in range(80):  # the load line crosses the curve once
            middle = (low + high) / 2
            above = float(i_from_v(middle, **PANEL)) > middle / load
            low, high = (middle, high) if above else (low, middle)
        rows.append((load, low, low / load))
    rows.append((np.inf, float(truth["v_oc"]), 0.0))
    assert [row[0] for row in rows] == loads
    return rows, float(truth["p_mp"])


@pytest.mark.parametrize(("light", "front_end"), KINDS)
def test_the_bench_loads_as_written_and_with_every_suggestion_in_force(tmp_path, light, front_end):
    files = starter_files(light, front_end)
    path = tmp_path / BENCH
    path.write_text(files[BENCH])
    plain = load_bench(path)
    assert plain.front_end is None  # nothing is made up
    assert plain.panel.cells is None
    assert [Path(name).name for name in plain.data.sweeps] == [TABLE]
    path.write_text(_uncommented(files[BENCH]))
    full = load_bench(path)
    assert full.panel.cells == 36
    assert (full.front_end.converter is None) == (front_end is FrontEndKind.METERS)
    assert (full.light.lux is None) == (light is Light.SUN)


@pytest.mark.parametrize(("light", "front_end"), KINDS)
def test_the_files_fit_a_terminal_and_caution(light, front_end):
    files = starter_files(light, front_end)
    for name, text in files.items():
        assert max(map(len, text.splitlines())) <= (100 if name == BENCH else 88), name
        assert text.isascii()
    note = files[NOTE]
    assert "cannot be switched off" in note
    assert "burn" in note
    assert ("lamp and a loaded" in note) == (light is Light.LAMP)


@pytest.mark.parametrize(("light", "front_end"), KINDS)
def test_a_blank_table_is_told_in_a_line(tmp_path, monkeypatch, capsys, light, front_end):
    assert run("start", tmp_path / "b", "--light", light.value, "--front-end", front_end.value) == 0
    monkeypatch.chdir(tmp_path / "b")
    capsys.readouterr()
    for arguments in (["characterize", TABLE], ["load", TABLE], ["report", BENCH]):
        assert run(*arguments) == 2
        error = capsys.readouterr().err
        named = f"{BENCH}, {TABLE}" if BENCH in arguments else TABLE  # the bench names the table
        assert error == f"ivkit: {named}: no reading below the heading; add rows with readings\n"
    assert sorted(p.name for p in Path().iterdir()) == sorted([BENCH, TABLE, NOTE])


@pytest.mark.parametrize(("light", "front_end"), KINDS)
def test_filled_in_by_hand_it_gives_the_panel_that_is_on_it(
    tmp_path, monkeypatch, capsys, light, front_end
):
    run("start", tmp_path / "b", "--light", light.value, "--front-end", front_end.value)
    monkeypatch.chdir(tmp_path / "b")
    bench = _uncommented(Path(BENCH).read_text())
    Path(BENCH).write_text(bench.replace("panel.toml", str(_sheet())))
    settings = load_bench(BENCH)
    rows, pmp = _readings()
    lines = []
    for load, v, i in rows:
        # What the circuit itself takes is part of the reading (closed forms of the circuit).
        name = {0.0: "0", np.inf: "open"}.get(load, f"{load:g}")
        if front_end is FrontEndKind.METERS:
            shown = [f"{v:.2f}", f"{1000 * i:.1f}"]  # straight across the panel: nothing to correct
        else:
            converter = settings.front_end.converter
            ratio = 15e3 / 115e3
            drawn = i - v / 115e3  # the divider's own current does not pass the shunt
            codes = (v * ratio / converter.step, drawn * 0.22 * 20 / converter.step)
            shown = [f"{code:.2f}" for code in codes]
        shown += ["850"] if light is Light.SUN else []
        lines.append(",".join([name, *shown, "33"]))
    with Path(TABLE).open("a") as table:
        table.write("\n".join(lines) + "\n")
    capsys.readouterr()
    assert run("characterize", TABLE, "--csv", "-") == 0
    out = capsys.readouterr().out.splitlines()
    found = dict(zip(out[0].split(","), out[1].split(","), strict=True))
    # Two decimals of a volt, a tenth of a milliampere, a hundredth of a code.
    assert float(found["pmp_W"]) == pytest.approx(pmp, rel=2e-3)
    for arguments in (["load", TABLE], ["report", BENCH, "--out", "r.html"]):
        assert run(*arguments) == 0, capsys.readouterr().err
    assert Path("r.html").stat().st_size > 10_000


def _sheet():
    return EXAMPLES.parent / "datasheets" / "jetty_10W.toml"


def test_nothing_is_written_over_and_it_is_all_or_nothing(tmp_path, capsys):
    for name in (TABLE, NOTE, BENCH):
        folder = tmp_path / name
        folder.mkdir()
        (folder / name).write_text("mine")
        assert run("start", folder) == 2
        error = capsys.readouterr().err
        assert f"{name} is there already, and nothing is written over" in error
        assert error.count("\n") == 1
        assert [p.name for p in folder.iterdir()] == [name]
        assert (folder / name).read_text() == "mine"


def test_a_folder_with_other_things_in_it_will_do(tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"x")
    assert run("start", tmp_path) == 0
    assert {BENCH, TABLE, NOTE, "photo.jpg"} == {p.name for p in tmp_path.iterdir()}


@pytest.mark.parametrize("where", ["file", "file/below", "no/such"])
def test_where_no_folder_can_be_nothing_is_left(tmp_path, capsys, where):
    shutil.copy(EXAMPLES / "bench.toml", tmp_path / "file")
    assert run("start", tmp_path / where) == 2
    assert "cannot be made (" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
