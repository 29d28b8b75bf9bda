"""A log too large to hold: read in pieces, averaged where it must be, in bounded memory."""

import resource
import subprocess
import sys
import tracemalloc
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from ivkit.errors import SweepError, TableError
from ivkit.readings.log import read_log
from ivkit.readings.log_pieces import large_log
from ivkit.verdict.log import clean
from ivkit.verdict.log_power import log_power
from ivkit.verdict.long_log import read_long_log

ROOT = Path(__file__).parent.parent


def write(path, rows, broken=True):
    """An invented log of a panel that turns to a lamp within 23 s, then stays; 50 readings a s."""
    rng = np.random.default_rng(3)
    time = 0.02 * np.arange(rows)
    pan = np.clip(70 - 3 * (time - 10), 0, 70)
    volts = np.sqrt(68 * 0.5 * np.cos(np.radians(pan)) ** 2)
    volts *= 1 + 0.002 * rng.normal(size=rows)
    columns = zip(time, volts, volts / 68, pan, strict=True)
    lines = [f"{t:.2f},{v:.4f},{i:.6f},{p:.1f}" for t, v, i, p in columns]
    if broken:
        lines[rows // 3] = "@@#"
        lines[rows // 2] = f"{time[rows // 2]:.2f},1e35,1,0"
        lines[rows // 2 + 40] = f"{time[rows // 2 + 40]:.2f},,,"
        lines[rows // 4] = f"{time[rows // 4] - 5:.2f},1,1,1"
    path.write_text("t_s,U_V,I_A,pan_deg\n" + "\n".join(lines) + "\n")
    return path


def whole(path):
    raw = read_log(path)
    power = log_power(raw).power
    return clean(raw["time"], power, {"pan": raw["pan"]}, raw.rows, raw.name)


def in_pieces(path, **options):
    return read_long_log(large_log(path, larger_than=0, piece=1 << 14), **options)


def test_in_pieces_it_is_the_log_that_it_is_as_a_whole(tmp_path):
    path = write(tmp_path / "log.csv", 6000)
    raw, powers, log = in_pieces(path)
    expected = whole(path)
    for one in ("time", "power", "rows"):
        np.testing.assert_array_equal(getattr(log, one), getattr(expected, one))
    np.testing.assert_array_equal(log.angles["pan"], expected.angles["pan"])
    assert {(e.reason, e.count, e.rows) for e in log.left_out} == {
        (e.reason, e.count, e.rows) for e in expected.left_out
    }
    assert raw.damage == read_log(path).damage
    assert set(raw.notes) == set(read_log(path).notes)
    assert powers.load_seen == pytest.approx(68, rel=1e-3)


def test_averages_keep_mean_energy_and_time(tmp_path):
    path = write(tmp_path / "log.csv", 6000, broken=False)
    _, _, log = in_pieces(path, most=400)
    expected = whole(path)
    assert 400 <= len(log) <= 800
    size = len(expected) / len(log)
    assert np.trapezoid(log.power, log.time) == pytest.approx(
        np.trapezoid(expected.power, expected.time), rel=2e-3
    )
    # A mean over n readings scatters by the square root of n less.
    late = slice(-300, None)
    few, many = np.std(log.power[late]), np.std(expected.power[-3000:])
    assert few == pytest.approx(many / np.sqrt(size), rel=0.2)
    (note,) = log.notes
    assert note.startswith("6000 readings held as ")
    assert "nothing faster is seen" in note


def test_no_average_runs_across_a_gap(tmp_path):
    rows = [
        f"{0.1 * k + (1000 if k >= 1501 else 0):.1f},{2 if k >= 1501 else 1}" for k in range(3000)
    ]
    path = tmp_path / "gap.csv"
    path.write_text("t_s,P_W\n" + "\n".join(rows) + "\n")
    _, _, log = in_pieces(path, most=200)
    assert set(np.round(log.power, 9)) == {1.0, 2.0}
    assert np.max(np.diff(log.time)) > 990


def test_a_stretch_is_kept_as_logged_while_it_fits(tmp_path):
    path = write(tmp_path / "log.csv", 6000, broken=False)
    _, _, log = in_pieces(path, most=400, start=9.0, end=15.0)
    np.testing.assert_allclose(log.time, 0.02 * np.arange(450, 751), atol=1e-9)
    assert not log.notes
    with pytest.raises(SweepError, match=r"log.csv: no usable reading in the time asked for"):
        in_pieces(path, start=1e6)


def test_times_of_day_go_on_over_midnight_and_from_piece_to_piece(tmp_path):
    path = tmp_path / "log.csv"
    seconds = [86000 + k / 2 for k in range(3000)]  # midnight after 800 of them
    rows = [f"{s // 3600 % 24:02.0f}:{s // 60 % 60:02.0f}:{s % 60:04.1f},0.5" for s in seconds]
    path.write_text("time,P_W\n" + "\n".join(rows) + "\n")
    np.testing.assert_allclose(in_pieces(path)[2].time, np.arange(3000) / 2)


def test_a_short_log_standard_input_and_a_workbook_are_read_whole(tmp_path):
    path = write(tmp_path / "log.csv", 100)
    assert large_log(path) is None
    assert large_log("-", larger_than=0) is None
    assert large_log(tmp_path / "none.csv", larger_than=0) is None


def test_a_large_log_without_readings_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("t_s,P_W\n" + "@@@\n" * 5000)
    pieces = large_log(path, larger_than=0)
    with pytest.raises(TableError, match=r"log.csv"):
        list(pieces)


def test_memory_does_not_grow_with_the_log(tmp_path):
    def peak(rows):
        path = write(tmp_path / f"{rows}.csv", rows, broken=False)
        pieces = large_log(path, larger_than=0, piece=1 << 16)
        tracemalloc.start()
        try:
            read_long_log(pieces, most=2000)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(10_000)  # what is imported on the way
    assert peak(120_000) < 1.2 * peak(50_000)


@pytest.mark.long
def test_ten_million_rows_are_judged_within_400_megabytes(tmp_path):
    from tests.benchmarks.tracking import write_log

    path = tmp_path / "log.csv"
    write_log(path, 10_000_000)
    limit = partial(resource.setrlimit, resource.RLIMIT_DATA, (700 << 20, 700 << 20))
    run = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        preexec_fn=limit,
        check=True,
    )
    rows, megabytes = map(int, run.stdout.split())
    assert 500_000 <= rows <= 1_000_000
    assert megabytes < 400


_CHILD = """
import resource, sys
from ivkit.cli import main
import io, json, contextlib
out = io.StringIO()
with contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
    main(["track", sys.argv[1], "--load", "68", "--json", "-"])
from ivkit.readings.log_pieces import large_log
from ivkit.verdict.long_log import read_long_log
log = read_long_log(large_log(sys.argv[1]), 68.0)[2]
print(len(log), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""
