"""``ivkit batch`` from the command line: folders, patterns, long tables, bad ones, workers."""

import csv
import io
import json
import shutil
import subprocess
import sys

import numpy as np
import pytest

import ivkit
from ivkit.cli import batch, batch_work, progress
from ivkit.cli.batch import find_files
from ivkit.curve.batch import COLUMNS
from ivkit.curve.diode import SingleDiode
from ivkit.errors import FileError
from tests import published

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
VOLTAGE = 21.6 * (1.0 - np.linspace(1.0, 0.0, 25) ** 1.3)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def body(light, seed=0, before=""):
    noise = 2e-4 * np.random.default_rng(seed).standard_normal(25)
    current = light * PANEL.current(VOLTAGE) + noise
    return "".join(f"{before}{v:.4f},{i:.6f}\n" for v, i in zip(VOLTAGE, current, strict=True))


def long_table(sweeps, heading="run"):
    """A table of sweeps in ever stronger light, named from 0."""
    parts = (body(0.5 + 0.5 * k / sweeps, k, f"{k},") for k in range(sweeps))
    return f"{heading},V,I\n" + "".join(parts)


def left(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_folder_gives_one_row_a_file_and_reports_the_bad_ones(command_line, tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    shutil.copy(published.CELL, folder / "cell.csv")
    shutil.copy(published.MODULE, folder / "module.csv")
    (folder / "bad.csv").write_text("V,I\n1,x\n")
    (folder / "notes.log").write_text("not a table")
    (folder / "._cell.csv").write_bytes(b"\0\5\26\7")  # what some systems leave beside a file
    status, out, err = command_line("batch", folder)
    assert status == 1
    rows = rows_of(out)
    assert [row["file"].split("/")[-1] for row in rows] == ["bad.csv", "cell.csv", "module.csv"]
    assert "row 2, column 'I': 'x' is no" in rows[0]["error"]
    assert err.splitlines() == [f"ivkit: {rows[0]['error']}"]
    # Best known optimum of the exact residual (Easwarakhanthan et al. 1986, FIT-2).
    assert float(rows[1]["rmse_A"]) == pytest.approx(7.7300627e-4, abs=1e-9)
    assert float(rows[2]["rmse_A"]) == pytest.approx(2.0529606e-3, abs=1e-9)


def test_the_columns_are_those_of_characterize():
    row = ivkit.fit(ivkit.read_sweep(published.MODULE)).answer().tables["sweeps"].to_dict()
    assert set(COLUMNS) - set(row) == {"sweep", "severity", "error"}


def test_a_pattern_to_json_lines(command_line, tmp_path):
    shutil.copy(published.CELL, tmp_path / "a.csv")
    shutil.copy(published.MODULE, tmp_path / "b.csv")
    status, out, err = command_line("batch", "*.csv", "--out", "rows.jsonl")
    assert (status, out, err) == (0, "", "")
    rows = [json.loads(line) for line in (tmp_path / "rows.jsonl").read_text().splitlines()]
    assert [row["file"] for row in rows] == ["a.csv", "b.csv"]
    assert rows[0]["error"] is None
    assert isinstance(rows[0]["flags"], list)


def test_a_long_table_is_taken_apart_by_its_sweep_column(command_line, tmp_path):
    (tmp_path / "long.csv").write_text(
        "run,V,I\n" + body(1.0, 0, "dawn,") + body(0.5, 1, "noon,") + body(0.7, 2, "7,")
    )
    status, out, _ = command_line("batch", "long.csv")
    assert status == 0
    rows = rows_of(out)
    assert [(row["file"], row["sweep"]) for row in rows] == [
        ("long.csv", name) for name in ("dawn", "noon", "7")
    ]
    share = [float(row["isc_A"]) / float(rows[0]["isc_A"]) for row in rows]
    assert share == pytest.approx([1.0, 0.5, 0.7], rel=0.005)


def test_another_name_of_the_column_is_taken_with_by(command_line, tmp_path):
    (tmp_path / "long.csv").write_text("afternoon,V,I\n" + body(1.0, 0, "3,"))
    status, out, _ = command_line("batch", "long.csv", "--by", "afternoon")
    assert status == 0
    assert rows_of(out)[0]["sweep"] == "3"
    status, _, err = command_line("batch", "long.csv", "--by", "afternon")
    assert status == 2
    assert "no column 'afternon'" in err
    assert "did you mean 'afternoon'?" in err
    status, out, _ = command_line("batch", "long.csv", "--by", "none")
    assert status == 0
    assert rows_of(out)[0]["sweep"] == ""


def test_bench_and_condition_are_those_of_every_sweep(command_line, tmp_path):
    (tmp_path / "long.csv").write_text(long_table(2))
    (tmp_path / "bench.toml").write_text(
        "[panel]\ncells = 36\n[front_end]\nreadings = 'panel'\n"
        "[front_end.voltage]\nresolution_V = 0.001\naccuracy_pct_of_reading = 0.5\n"
        "[front_end.current]\nresolution_A = 0.0001\naccuracy_pct_of_reading = 1.0\n"
    )
    status, out, err = command_line("batch", "long.csv", "--temperature", "25")
    assert (status, err) == (0, "")
    for row in rows_of(out):
        assert float(row["temp_cell_degC"]) == 25
        # The panel's own: nNsVth over 36 k T / q at 298.15 K (25.693 mV).
        assert float(row["ideality_factor"]) == pytest.approx(1.0175 / (36 * 0.025693), abs=0.02)
        # Plus or minus 1 % of an ammeter is 1 % / sqrt(3) of Isc (GUM 4.3.7), and noise besides.
        share = float(row["u_isc_A"]) / float(row["isc_A"])
        assert share == pytest.approx(0.01 / np.sqrt(3), rel=0.02)


def test_standard_input_is_a_long_table_too(monkeypatch, command_line):
    stream = io.TextIOWrapper(io.BytesIO(long_table(3).encode()))
    monkeypatch.setattr("sys.stdin", stream)
    status, out, _ = command_line("batch", "-")
    assert status == 0
    assert [row["sweep"] for row in rows_of(out)] == ["0", "1", "2"]


def test_a_large_file_is_read_piece_by_piece_with_the_same_rows(
    command_line, monkeypatch, tmp_path
):
    (tmp_path / "long.csv").write_text(long_table(40))
    _, whole, _ = command_line("batch", "long.csv")
    monkeypatch.setattr(batch, "SMALL", 100)
    monkeypatch.setattr(batch_work, "PACKET_BYTES", 2000)
    status, pieces, err = command_line("batch", "long.csv")
    assert (status, err) == (0, "")
    for one, other in zip(rows_of(whole), rows_of(pieces), strict=True):
        assert one["sweep"] == other["sweep"]
        assert one["flags"] == other["flags"]
        # Which sweeps are fitted in one go moves no more than the last digits.
        for key in ("pmp_W", "u_pmp_W", "resistance_series_ohm"):
            assert float(one[key]) == pytest.approx(float(other[key]), rel=1e-6)


def test_only_the_first_bad_sweeps_are_named_and_all_are_counted(command_line, tmp_path):
    bad = "".join(f"b{k},0.5,x\n" for k in range(14))
    (tmp_path / "long.csv").write_text("run,V,I\n" + body(1.0, 0, "a,") + bad)
    status, out, err = command_line("batch", "long.csv")
    assert status == 1
    assert len(rows_of(out)) == 15
    lines = err.splitlines()
    assert len(lines) == 11
    assert lines[0].startswith("ivkit: long.csv, sweep b0, row 27, column 'I': 'x' is no")
    assert lines[-1] == "ivkit: 4 more sweeps could not be read"


@pytest.mark.parametrize("small", [100, 1 << 20])
def test_a_sweep_that_goes_on_after_others_leaves_nothing_behind(
    command_line, monkeypatch, tmp_path, small
):
    monkeypatch.setattr(batch, "SMALL", small)
    text = "run,V,I\n" + body(1.0, 0, "a,") + body(0.5, 1, "b,") + body(1.0, 2, "a,")
    (tmp_path / "long.csv").write_text(text)
    status, _, err = command_line("batch", "long.csv", "--out", "rows.csv")
    assert status == 2
    assert "row 52: sweep 'a' begins in row 2 and goes on here after other sweeps" in err
    assert left(tmp_path) == ["long.csv"]


@pytest.mark.parametrize("small", [10, 1 << 20])
def test_nothing_is_left_behind_when_no_sweep_can_be_read(
    command_line, monkeypatch, tmp_path, small
):
    monkeypatch.setattr(batch, "SMALL", small)
    (tmp_path / "bad.csv").write_text("V,I\n1,x\n2,y\n")
    (tmp_path / "no.csv").write_text("nothing in here\n")
    status, _, err = command_line("batch", "bad.csv", "no.csv", "--out", "rows.csv")
    assert status == 2
    assert "no.csv: no number in it" in err
    assert "none of 2 sweeps could be read" in err.splitlines()[-1]
    assert left(tmp_path) == ["bad.csv", "no.csv"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["gone.csv"], "gone.csv: cannot read: no such file or folder"),
        (["none*.csv"], "none*.csv: no file matches"),
        (["s.csv", "--out", "s.csv"], "s.csv: is an input of this command"),
        (["s.csv", "--out", "s.txt"], "must end in .csv or .jsonl"),
        (["s.csv", "--out", "no/rows.csv"], "no/rows.csv: cannot be written"),
        (["s.csv", "--column", "voltage"], "write it as QUANTITY=NAME"),
        (["s.csv", "--by", "a", "--column", "sweep=b"], "names sweep twice"),
        (["-", "-"], "standard input (-) can be read only once"),
        (["s.csv", "--workers", "2", "--scheduler", "x"], "give one of them"),
        (["s.csv", "--scheduler", "tcp://127.0.0.1:1"], "no scheduler answers"),
        (["s.csv", "--scheduler", "nowhere"], "no scheduler answers"),
    ],
)
def test_bad_usage_is_said_in_a_line(command_line, monkeypatch, tmp_path, arguments, message):
    if "--scheduler" in arguments and "--workers" not in arguments:
        pytest.importorskip("distributed", reason="Dask is not installed")
        monkeypatch.setattr(batch_work, "_WAIT", 1)
    shutil.copy(published.CELL, tmp_path / "s.csv")
    before = (tmp_path / "s.csv").read_text()
    status, _, err = command_line("batch", *arguments)
    assert status == 2
    assert message in err
    assert left(tmp_path) == ["s.csv"]
    assert (tmp_path / "s.csv").read_text() == before


def test_a_file_that_may_not_be_read_is_named(command_line, monkeypatch, tmp_path):
    shutil.copy(published.CELL, tmp_path / "s.csv")
    shutil.copy(published.CELL, tmp_path / "locked.csv")

    def refuse(path, *mode, **more):
        if path == "locked.csv":
            raise PermissionError(13, "Permission denied")
        return open(path, *mode, **more)

    monkeypatch.setattr(batch, "open", refuse, raising=False)
    status, out, err = command_line("batch", "locked.csv", "s.csv")
    assert status == 1
    assert err == "ivkit: locked.csv: cannot read: Permission denied; check the path\n"
    assert rows_of(out)[1]["error"] == ""


def test_an_empty_folder_holds_no_table(tmp_path):
    with pytest.raises(FileError, match="holds no table"):
        find_files((str(tmp_path),))


def test_a_bar_is_shown_where_a_person_is_watching(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for screen, shown in ((Terminal(), True), (io.StringIO(), False)):
        monkeypatch.setattr("sys.stderr", screen)
        with progress.progress_bar(200, "batch") as step:
            step(100)
            step(100)
        assert ("100%" in screen.getvalue()) == shown


def test_processes_give_the_same_rows(command_line, tmp_path):
    (tmp_path / "long.csv").write_text(long_table(600))
    (tmp_path / "bad.csv").write_text("V,I\n1,x\n")
    here = command_line("batch", "long.csv", "bad.csv", "--out", "here.csv")
    there = command_line("batch", "long.csv", "bad.csv", "--out", "there.csv", "--workers", "2")
    assert here == there
    assert here[0] == 1
    assert (tmp_path / "here.csv").read_text() == (tmp_path / "there.csv").read_text()


def test_a_process_that_dies_is_reported_in_a_line(command_line, monkeypatch, tmp_path):
    (tmp_path / "long.csv").write_text(long_table(2))
    monkeypatch.setattr("ivkit.curve.batch.rows_of", sys.exit)  # what a worker calls ends it
    status, _, err = command_line("batch", "long.csv", "--out", "rows.csv", "--workers", "2")
    assert status == 2
    assert err.startswith("ivkit: --workers: a worker failed (")
    assert len(err.splitlines()) == 1
    assert left(tmp_path) == ["long.csv"]


@pytest.fixture(scope="module")
def scheduler():
    """The address of a Dask scheduler on this machine with two workers."""
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
    ) as cluster:
        yield cluster.scheduler_address


def test_a_cluster_of_two_workers_gives_the_same_rows(command_line, tmp_path, scheduler):
    (tmp_path / "long.csv").write_text(long_table(1100))
    (tmp_path / "bad.csv").write_text("V,I\n1,x\n")
    here = command_line("batch", "long.csv", "bad.csv", "--out", "here.csv")
    there = command_line(
        "batch", "long.csv", "bad.csv", "--out", "there.csv", "--scheduler", scheduler
    )
    assert here == there
    assert here[0] == 1
    assert (tmp_path / "here.csv").read_text() == (tmp_path / "there.csv").read_text()
    assert len((tmp_path / "there.csv").read_text().splitlines()) == 1102


def test_a_worker_that_fails_is_reported_in_a_line(command_line, monkeypatch, tmp_path, scheduler):
    (tmp_path / "long.csv").write_text(long_table(2))
    monkeypatch.setattr("ivkit.curve.batch.rows_of", divmod)  # it takes no sweeps
    status, _, err = command_line(
        "batch", "long.csv", "--out", "rows.csv", "--scheduler", scheduler
    )
    assert status == 2
    assert f"ivkit: {scheduler}: a worker failed (TypeError" in err
    assert "has the same ivkit installed" in err
    assert left(tmp_path) == ["long.csv"]


def test_a_scheduler_without_workers_is_said(command_line, monkeypatch, tmp_path):
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    monkeypatch.setattr(batch_work, "_WAIT", 1)
    shutil.copy(published.CELL, tmp_path / "s.csv")
    with distributed.LocalCluster(
        n_workers=0,
        processes=False,
        host="127.0.0.1",
        protocol="tcp",
        dashboard_address="127.0.0.1:0",
    ) as cluster:
        status, _, err = command_line("batch", "s.csv", "--scheduler", cluster.scheduler_address)
    assert status == 2
    assert "it has no workers; start some with: dask worker tcp://127.0.0.1" in err


def test_without_dask_the_extra_is_named(command_line, monkeypatch, tmp_path):
    shutil.copy(published.CELL, tmp_path / "s.csv")
    monkeypatch.setitem(sys.modules, "distributed", None)
    status, _, err = command_line("batch", "s.csv", "--scheduler", "tcp://127.0.0.1:1")
    assert status == 2
    assert "pip install 'ivkit[dask]'" in err


def test_memory_does_not_grow_with_the_table(tmp_path):
    # Cells, sweeps and rows of a sweep take some 15 kB: held, the larger table would take 50 MB
    # more than the smaller one.
    script = (
        "import resource, sys; from ivkit.cli import main\n"
        "try: main(sys.argv[1:])\n"
        "except SystemExit as stop: assert stop.code == 0\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    pytest.importorskip("resource", reason="peak memory is told on Unix only")
    peaks = []
    for sweeps in (1100, 4400):
        path = tmp_path / f"{sweeps}.csv"
        path.write_text(long_table(sweeps))
        run = subprocess.run(
            [sys.executable, "-c", script, "batch", path, "--out", tmp_path / "rows.csv"],
            capture_output=True,
            text=True,
            check=True,
        )
        peaks.append(int(run.stdout))
    assert peaks[1] < 1.1 * peaks[0]
