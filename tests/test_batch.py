"""Many sweeps to one row each: folders, patterns, long tables, bad ones, and a cluster of two."""

import csv
import io
import json
import shutil

import numpy as np
import pytest

import ivkit
from ivkit.cli.batch import find_files
from ivkit.curve.batch import COLUMNS, chunks, fit_rows
from ivkit.curve.diode import SingleDiode
from ivkit.errors import FileError
from ivkit.readings.sweep import Sweep
from tests import published

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
VOLTAGE = np.linspace(0.0, 21.5, 25)


def sweep(light, seed=0, **noise):
    current = light * PANEL.current(VOLTAGE)
    noisy = current + 2e-4 * np.random.default_rng(seed).standard_normal(25)
    return Sweep(VOLTAGE, noisy, name=f"{light:g}", **noise)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_rows_are_those_of_single_fits_whatever_is_known_of_the_noise():
    sigma = {"noise_voltage": np.full(25, 0.01), "noise_current": np.full(25, 2e-4)}
    mixed = [sweep(1.0), sweep(0.8, 1, **sigma), sweep(0.6, 2, noise_current=np.full(25, 2e-4))]
    for row, one in zip(fit_rows(mixed), mixed, strict=True):
        alone = ivkit.fit(one)
        assert row["pmp_W"] == pytest.approx(alone.key_points.p_mp.nominal_value, rel=1e-9)
        assert row["rmse_A"] == pytest.approx(alone.rmse, rel=1e-9)
        assert row["sweep"] == one.name
        assert set(row) == set(COLUMNS)


def test_what_cannot_be_told_is_none_and_flagged():
    short = Sweep(VOLTAGE[5:18], PANEL.current(VOLTAGE[5:18]), name="short")
    resistor = Sweep(VOLTAGE, 0.1 * VOLTAGE, name="resistor")
    first, second = fit_rows([short, resistor])
    assert first["voc_V"] is None
    assert first["fill_factor"] is None
    assert "open_circuit_not_reached" in first["flags"]
    assert second["pmp_W"] is None
    assert "straight_line" in second["flags"]


def test_chunks_hold_no_more_than_asked_for():
    assert [len(part) for part in chunks(iter(range(10)), 4)] == [4, 4, 2]


def test_a_folder_gives_one_row_a_file_and_reports_the_bad_ones(command_line, tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    shutil.copy(published.CELL, folder / "cell.csv")
    shutil.copy(published.MODULE, folder / "module.csv")
    (folder / "bad.csv").write_text("V,I\n1,x\n")
    (folder / "notes.log").write_text("not a table")
    status, out, err = command_line("batch", folder)
    assert status == 1
    rows = rows_of(out)
    assert [row["sweep"].split("/")[-1] for row in rows] == ["bad.csv", "cell.csv", "module.csv"]
    assert "'x'" in rows[0]["error"]
    assert "'x'" in err
    # Best known optimum of the exact residual (Easwarakhanthan et al. 1986, FIT-2).
    assert float(rows[1]["rmse_A"]) == pytest.approx(7.7300627e-4, abs=1e-9)
    assert float(rows[2]["rmse_A"]) == pytest.approx(2.0529606e-3, abs=1e-9)


def test_a_pattern_to_json_lines(command_line, tmp_path):
    shutil.copy(published.CELL, tmp_path / "a.csv")
    shutil.copy(published.MODULE, tmp_path / "b.csv")
    status, out, err = command_line("batch", "*.csv", "--out", "rows.jsonl")
    assert (status, out, err) == (0, "", "")
    rows = [json.loads(line) for line in (tmp_path / "rows.jsonl").read_text().splitlines()]
    assert [row["sweep"] for row in rows] == ["a.csv", "b.csv"]
    assert rows[0]["error"] is None


def test_a_long_table_is_taken_apart_by_its_sweep_column(command_line, tmp_path):
    lines = ["run,V,I"]
    for k, light in enumerate((1.0, 0.5, 0.7)):
        one = sweep(light, k)
        lines += [f"{k + 7},{a},{b}" for a, b in zip(one.voltage, one.current, strict=True)]
    (tmp_path / "long.csv").write_text("\n".join(lines))
    status, out, _ = command_line("batch", "long.csv")
    assert status == 0
    rows = rows_of(out)
    assert [row["sweep"] for row in rows] == [f"long.csv, sweep {k}" for k in (7, 8, 9)]
    share = [float(row["isc_A"]) / float(rows[0]["isc_A"]) for row in rows]
    assert share == pytest.approx([1.0, 0.5, 0.7], rel=0.005)


def test_another_name_of_the_column_is_taken_with_by(command_line, tmp_path):
    one = sweep(1.0)
    body = "\n".join(f"3,{a},{b}" for a, b in zip(one.voltage, one.current, strict=True))
    (tmp_path / "long.csv").write_text("afternoon,V,I\n" + body)
    status, out, _ = command_line("batch", "long.csv", "--by", "afternoon")
    assert status == 0
    assert rows_of(out)[0]["sweep"] == "long.csv, sweep 3"
    status, _, err = command_line("batch", "long.csv", "--by", "afternon")
    assert status == 2
    assert "afternoon" in err


def test_nothing_is_left_behind_when_no_sweep_can_be_read(command_line, tmp_path):
    (tmp_path / "bad.csv").write_text("V,I\n1,x\n")
    status, _, err = command_line("batch", "bad.csv", "--out", "rows.csv")
    assert status == 2
    assert "none of 1 sweeps could be read" in err
    assert [p.name for p in tmp_path.iterdir()] == ["bad.csv"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["gone.csv"], "gone.csv: cannot read: no such file or folder"),
        (["none*.csv"], "none*.csv: no file matches"),
        (["s.csv", "--out", "s.csv"], "s.csv: is an input of this command"),
        (["s.csv", "--out", "s.txt"], "must end in .csv or .jsonl"),
        (["s.csv", "--out", "no/rows.csv"], "no/rows.csv: cannot be written"),
        (["s.csv", "--scheduler", "tcp://127.0.0.1:1"], "no scheduler answers"),
    ],
)
def test_bad_usage_is_said_in_a_line(command_line, tmp_path, arguments, message):
    if "--scheduler" in arguments:
        pytest.importorskip("distributed", reason="Dask is not installed")
    shutil.copy(published.CELL, tmp_path / "s.csv")
    before = (tmp_path / "s.csv").read_text()
    status, _, err = command_line("batch", *arguments)
    assert status == 2
    assert message in err
    assert [p.name for p in tmp_path.iterdir()] == ["s.csv"]
    assert (tmp_path / "s.csv").read_text() == before


def test_an_empty_folder_holds_no_table(tmp_path):
    with pytest.raises(FileError, match="holds no table"):
        find_files((str(tmp_path),))


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_cluster_of_two_workers_gives_the_same_rows(command_line, tmp_path):
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    lines = ["sweep,V,I"]
    for k in range(1100):
        one = sweep(0.5 + 0.0004 * k, k)
        lines += [f"{k},{a:.4f},{b:.7f}" for a, b in zip(one.voltage, one.current, strict=True)]
    (tmp_path / "long.csv").write_text("\n".join(lines))
    (tmp_path / "bad.csv").write_text("V,I\n1,x\n")
    here = command_line("batch", "long.csv", "bad.csv", "--out", "here.csv")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        there = command_line(
            "batch",
            "long.csv",
            "bad.csv",
            "--out",
            "there.csv",
            "--scheduler",
            cluster.scheduler_address,
        )
    assert here[0] == there[0] == 1
    assert (tmp_path / "here.csv").read_text() == (tmp_path / "there.csv").read_text()
    assert len((tmp_path / "there.csv").read_text().splitlines()) == 1102
