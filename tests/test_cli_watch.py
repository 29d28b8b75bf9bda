"""`ivkit watch` at the command line: in a pipe, on a terminal, with a log, and when it is ended."""

import csv
import fcntl
import json
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from ivkit.cli import main
from tests.schema import errors
from tests.terminal import Terminal

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"
SWEEP = ("--sweep", str(EXAMPLES / "shed_sweep.csv"), "--bench", str(EXAMPLES / "bench.toml"))
SHED = (*SWEEP, "--same-light", "--load", "68")
TRACK = (EXAMPLES / "shed_track.csv").read_text(encoding="utf-8")


# A suite in the background of a shell has SIGINT ignored, and hands that down.
PROGRAM = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    "from ivkit.cli import main; main()"
)


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path, monkeypatch):
    """No bench.toml of the working folder may be found."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def run(capsys, tmp_path):
    """Run the command on a table; return exit status, standard output and standard error."""

    def call(table, *arguments):
        path = tmp_path / "input.csv"
        if table is not None:
            path.write_bytes(table if isinstance(table, bytes) else table.encode())
        with pytest.raises(SystemExit) as done:
            main(["watch", *([] if table is None else [str(path)]), *map(str, arguments)])
        out, err = capsys.readouterr()
        return done.value.code, out, err

    return call


def start(*arguments, **more):
    """Start the command as a program of its own."""
    environment = dict(os.environ, PYTHONPATH=str(ROOT), PYTHONUTF8="1", TERM="xterm")
    environment |= more.pop("environment", {})
    for name in ("COLUMNS", "LINES", *(() if "NO_COLOR" in environment else ("NO_COLOR",))):
        environment.pop(name, None)
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "watch", *map(str, arguments)], env=environment, **more
    )


def readings(text):
    return [line for line in text.splitlines() if re.match(r" *\d+ ", line)]


# In a pipe


def test_a_pipe_gets_a_line_a_reading(run):
    """Turned to the lamp, every reading is plausible: the log is made so (make_track.py)."""
    status, out, err = run(TRACK, *SHED)
    assert (status, err) == (0, "")
    lines = readings(out)
    assert len(lines) == 600
    assert all(len(line) < 80 for line in out.splitlines())
    assert "\x1b" not in out
    words = [re.sub(" {2,}", "  ", line) for line in lines]
    assert all("plausible" in word for word in words[200:])
    assert "too high" not in out
    assert "600 readings, 0 bad lines (end of the input)" in out


def test_the_examples_of_the_help_work(run, monkeypatch, capsys):
    status, out, _ = run(None, "--help")
    assert status == 0
    (line,) = re.findall(r"Example: ivkit (.*?)\n\n", out, re.DOTALL)
    monkeypatch.chdir(EXAMPLES)
    with pytest.raises(SystemExit) as done:
        main(line.split())
    assert done.value.code == 0
    assert "plausible" in capsys.readouterr().out


def test_bad_lines_are_counted_and_shown(run):
    lines = TRACK.splitlines()
    lines[100:100] = ["20,1e35,4", "nan,nan,nan", "@#", "20,5.7", "20,\0,4", "x" * 5000, "20,a,4"]
    status, out, err = run("\n".join(lines), *SHED)
    assert (status, err) == (0, "")
    assert "600 readings, 7 bad lines" in out
    for why in ("1e+35 V is no reading", "fewer cells", "NUL", "longer than", "'a' is no number"):
        assert why in out


def test_light_that_nobody_states_is_not_assumed(run):
    status, out, _ = run(TRACK, *SWEEP, "--load", "68")
    assert status == 0
    assert "600 undetermined" in out
    assert "%" not in "".join(readings(out))
    assert "light not stated" in out


def test_a_panel_that_gives_too_little_is_told(run):
    """Half the current of the sweep in the same light, at 0 deg."""
    table = "U_V,I_mA\n" + "2.0,42\n" * 5
    _, out, _ = run(table, *SWEEP, "--same-light", "--angle", "0")
    assert "5 too low" in out
    _, out, _ = run(table, *SWEEP, "--same-light")
    assert "5 undetermined" in out  # it may be turned away


def test_codes_go_through_the_bench_and_agree_with_their_own_sweep(run):
    table = (EXAMPLES / "shed_sweep.csv").read_text()
    status, out, err = run(table, *SWEEP, "--same-light", "--angle", "0")
    assert (status, err) == (0, "")
    assert "33 readings, 0 bad lines" in out
    assert "33 plausible" in out


def test_lux_needs_its_source_and_gives_a_prediction_with_it(run):
    """5700 lx of halogen on the panel: bench.toml says so, and 140 W/m2 is the truth (README)."""
    datasheet = ("--datasheet", ROOT / "datasheets" / "jetty_10W.toml", "--load", "68")
    status, _, err = run(TRACK, *datasheet, "--lux", "5700")
    assert status == 2
    assert "--source" in err
    status, out, _ = run(TRACK, *datasheet, "--lux", "5700", "--source", "halogen")
    assert status == 0
    assert "too low" not in out
    assert "too high" not in out
    assert "plausible" in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("none.csv",), "cannot read"),
        (("--follow",), "--follow wants a FILE"),
        (("--load", "5", "--max-power", "x.csv"), "exclude each other"),
        (("--same-light", EXAMPLES / "shed_track.csv"), "goes with --sweep"),
        ((EXAMPLES / "shed_track.csv", *SWEEP, "--irradiance", "90"), "--same-light instead"),
        ((EXAMPLES / "shed_track.csv", *SHED, "--irradiance", "90"), "say the light once"),
        ((EXAMPLES / "shed_track.csv", *SHED, "--u-irradiance", "9"), "--u-share, a fraction"),
        ((EXAMPLES / "shed_track.csv", "--u-share", "0.1"), "goes with --same-light"),
        ((EXAMPLES / "shed_track.csv", "--load", "4q7"), "is no load"),
        ((EXAMPLES / "shed_track.csv", "--temperature", "300"), "300 K are 26.85"),
        ((EXAMPLES / "shed_track.csv", "--log", EXAMPLES / "shed_track.csv"), "is an input"),
        ((EXAMPLES / "shed_track.csv", "--log", "no/log.csv"), "cannot be written"),
        ((EXAMPLES / "shed_sweep.csv",), "no bench says what a code is"),
        ((EXAMPLES / "shed_track.csv", "--column", "volts=2"), "no quantity of a reading"),
    ],
)
def test_bad_usage_is_a_line_or_two_and_status_2(run, arguments, said):
    status, _, err = run(None, *arguments)
    assert status == 2
    assert said in err
    assert "Traceback" not in err


def test_the_help_imports_click_only():
    code = (
        "import sys; from ivkit.cli import main\n"
        "try: main(['watch', '--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'uncertainties', 'pvlib', 'matplotlib'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    environment = dict(os.environ, PYTHONPATH=str(ROOT))
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
    )
    assert done.stderr.strip() == "[]"


# The log


def rows_of(path):
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_a_log_holds_what_was_seen_and_is_added_to(run, tmp_path):
    log = tmp_path / "seen.csv"
    for _ in range(2):
        assert run(TRACK + "9,@,4\n", *SHED, "--log", log)[0] == 0
    text = log.read_text()
    rows = rows_of(log)
    assert text.count("time,line") == 1
    assert text.count("\n# ") == 2
    assert len(rows) == 1200
    assert all(None not in row and None not in row.values() for row in rows)
    first = rows[0]
    assert float(first["voltage_V"]) == 0.607
    assert float(first["power_W"]) == pytest.approx(0.607**2 / 68)
    assert first["verdict"] == "undetermined"
    assert rows[-1]["verdict"] == "plausible"


def test_a_log_can_be_read_by_the_other_commands(run, tmp_path, capsys):
    log = tmp_path / "seen.csv"
    run(TRACK, *SHED, "--log", log)
    with pytest.raises(SystemExit) as done:
        # Read from a file, all lines came at once: the logger's own time is the one to take.
        main(["track", str(log), "--column", "time=line_time_s"])
    assert done.value.code == 0, capsys.readouterr().err


def test_rows_go_to_standard_output_and_nothing_else_does(run):
    status, out, err = run(TRACK, *SHED, "--log", "-")
    assert status == 0
    rows = list(csv.DictReader(out.splitlines()))
    assert len(rows) == 600
    assert all(row["verdict"] for row in rows)
    assert "600 readings" in err


def test_a_killed_program_leaves_whole_lines_and_the_next_goes_on(run, tmp_path):
    log = tmp_path / "seen.csv"
    with start("--load", 68, "--log", log, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL) as one:
        one.stdin.write(TRACK.encode()[:8000])
        one.stdin.flush()
        wait_for(lambda: log.exists() and log.read_bytes().count(b"\n") > 50)
        one.kill()
    assert one.returncode == -signal.SIGKILL
    content = log.read_text()
    assert content.endswith("\n")
    assert {line.count(",") for line in content.splitlines()} == {14}
    log.write_text(content + "2026-06-08T11:52:00.000+02:00,9")  # the power was cut in a line
    before = len(content.splitlines())
    assert run(TRACK, *SHED, "--log", log)[0] == 0
    lines = log.read_text().splitlines()
    assert len(lines) == before + 1 + 600
    assert lines[before] == "2026-06-08T11:52:00.000+02:00,9"
    assert {line.count(",") for line in lines[before + 1 :]} == {14}


def wait_for(what, seconds=60.0):
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


# Ended


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_followed_file_ends_by_a_signal_with_a_summary_and_status_0(tmp_path, number):
    path = tmp_path / "growing.csv"
    path.write_text("t_s,U_V,I_mA\n0,5,10\n1,5.1")
    log = tmp_path / "seen.csv"
    with start(
        path, "--follow", "--log", log, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as one:
        wait_for(lambda: log.exists() and log.read_text().count("\n") == 2)
        with path.open("a") as file:
            file.write(",10\n")
        wait_for(lambda: log.read_text().count("\n") == 3)
        one.send_signal(number)
        try:
            out, err = one.communicate(timeout=60)
        finally:
            one.kill()
    assert (one.returncode, err) == (0, b"")
    assert "2 readings, 0 bad lines (stopped)" in out.decode()
    assert float(rows_of(log)[1]["voltage_V"]) == 5.1


def test_an_empty_input_ends_well(run):
    status, out, err = run("")
    assert (status, err) == (0, "")
    assert "No line came" in out


def test_a_reader_that_goes_away_is_no_error():
    head = shutil.which("head")
    if head is None:
        pytest.skip("no head on this system")
    path = EXAMPLES / "shed_track.csv"
    with (
        start(path, "--load", 68, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as one,
        subprocess.Popen([head, "-2"], stdin=one.stdout, stdout=subprocess.DEVNULL) as two,
    ):
        one.stdout.close()
        two.wait(60)
        err = one.stderr.read()
    assert (one.returncode, err) == (0, b"")


# On a terminal


def on_terminal(table, *arguments, width=80, height=24, environment=None):
    """Return what the command writes to a terminal, and its exit status."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
    one = start(
        *arguments,
        stdin=subprocess.PIPE,
        stdout=slave,
        stderr=slave,
        environment=environment or {},
    )
    os.close(slave)
    lines, seen, before = table.splitlines(keepends=True), b"", 0
    while True:
        # Some lines at a time, the next when the ones before are shown: so there are frames.
        if lines and (before == 0 or (b"reading" in seen and len(seen) > before)):
            before = max(len(seen), 1)
            one.stdin.write("".join(lines[:150]).encode())
            one.stdin.flush()
            del lines[:150]
            if not lines:
                one.stdin.close()
        ready = select.select([master], [], [], 0.05)[0]
        if ready:
            try:
                chunk = os.read(master, 1 << 16)
            except OSError:  # the other end is closed
                break
            if not chunk:
                break
            seen += chunk
    os.close(master)
    one.wait(60)
    return seen.decode(), one.returncode


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_the_view_stays_steady_on_eighty_columns(encoding):
    environment = {"PYTHONIOENCODING": encoding}
    text, status = on_terminal(TRACK + "9,@,4\n", *SHED, environment=environment)
    assert status == 0
    assert text.isascii() == (encoding == "ascii")
    assert "\x1b[2J" not in text
    assert text.count("\x1b[J") == 0
    assert text.count("mW expected") > 1  # several frames
    terminal = Terminal().feed(text)
    assert terminal.wrapped == 0
    assert terminal.cursor_shown
    shown = terminal.text
    assert shown.count("mW expected") == 1  # each frame over the one before
    assert "600 readings, 1 bad line (0.17 %)" in shown
    assert "of expected" in shown
    assert "below the best" in shown or "above the best" in shown or "at the best" in shown
    assert "load 68 ohm   angle 4 deg" in shown
    assert "600 readings, 1 bad line (end of the input)." in shown


def test_colour_is_left_out_where_it_is_not_wanted():
    table = "".join(TRACK.splitlines(keepends=True)[:60])
    coloured = re.compile(r"\x1b\[[0-9;]*m")
    text, _ = on_terminal(table, *SHED)
    assert coloured.search(text)
    text, _ = on_terminal(table, *SHED, environment={"NO_COLOR": "1"})
    assert not coloured.search(text)


def test_a_terminal_that_takes_no_steering_gets_plain_lines():
    table = "".join(TRACK.splitlines(keepends=True)[:60])
    text, status = on_terminal(table, *SHED, environment={"TERM": "dumb"})
    assert status == 0
    assert "\x1b" not in text
    assert len(readings(text)) == 58


def test_a_terminal_with_nothing_to_read_is_told_so():
    master, slave = pty.openpty()
    with start(stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as one:
        _, err = one.communicate(timeout=60)
    os.close(slave)
    os.close(master)
    assert one.returncode == 2
    assert b"nothing to watch" in err


# The same as the other commands


LABEL = ("--datasheet", str(ROOT / "datasheets" / "jetty_10W.toml"))
READ = "voltage_V,current_A,angle_deg\n5.83,0.0857,0\n14.13,0.0790,10\n17.51,0.0440,20\n"


@pytest.mark.parametrize(
    ("table", "told", "of_check"),
    [
        (READ, (*LABEL, "--irradiance", 140, "--u-irradiance", 5, "--temperature", 33), ()),
        (READ, (*SWEEP, "--same-light"), (*SWEEP, "--share", 1)),
        (
            READ.replace("angle", "irradiance_W_m2,angle")
            .replace("0857", "0857,140")
            .replace("0790", "0790,140")
            .replace("0440", "0440,140"),
            (*LABEL, "--u-irradiance", 7),
            (),
        ),
        ("power_W,load_ohm,angle_deg\n0.5,68,0\n1.1,180,10\n", (*LABEL, "--irradiance", 140), ()),
    ],
)
def test_check_says_the_same_of_the_same_readings(run, tmp_path, capsys, table, told, of_check):
    """One prediction: value, u, E_n and word agree, but for the seven digits of a log."""
    bare = tmp_path / "bare.toml"
    bare.write_text("")
    more = () if of_check else ("--bench", bare)
    status, out, err = run(table, *told, *more, "--log", "-")
    assert status == 0, err
    seen = list(csv.DictReader(out.splitlines()))
    asked = (tmp_path / "input.csv", *(of_check or told), *more, "--csv", "-")
    with pytest.raises(SystemExit):
        main(["check", *map(str, asked)])
    checked = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    assert len(seen) == len(checked) > 1
    for one, two in zip(seen, checked, strict=True):
        for key in ("power_W", "u_power_W", "predicted_power_W", "u_predicted_power_W", "en"):
            assert float(one[key]) == pytest.approx(float(two[key]), rel=2e-6, abs=1e-7), key
        assert one["verdict"] == two["verdict"]


def test_a_load_may_be_written_as_it_is_printed_or_be_maximum_power(run):
    status, out, _ = run("power_W\n0.07\n" * 1, *LABEL, "--irradiance", 140, "--load", "4k7")
    assert status == 0
    assert "4.7 kohm" in out
    for best in (("--load", "max"), ("--max-power",)):
        status, out, _ = run("power_W\n1.2\n", *LABEL, "--irradiance", 140, *best)
        assert status == 0
        assert "1 plausible" in out


def test_a_sweep_goes_with_a_datasheet(run):
    """The datasheet tells what no sweep does: its area, for the hard limits."""
    sweep = ("--sweep", EXAMPLES / "jetty_sweep.csv", "--sweep-bench", EXAMPLES / "jetty.toml")
    told = (*sweep, *LABEL, "--irradiance", 140, "--load", 220)
    status, out, err = run("power_W\n1.0\n9.9\n", *told)
    assert (status, err) == (0, "")
    # 0.081 m2 at 140 W/m2 give 3.8 W at most (Ruehle 2016), 4.4 W with three u of the light.
    assert "1 plausible, 1 impossible" in out


def test_what_was_seen_is_an_answer(run, tmp_path):
    path = tmp_path / "seen.json"
    status, _, _ = run(TRACK, *SHED, "--json", path)
    assert status == 0
    found = json.loads(path.read_text())
    assert not list(errors(found))
    assert found["summary"]["readings"] == 600
    assert found["summary"]["plausible"] + found["summary"]["undetermined"] == 600
    assert found["headline"].startswith("600 readings, 0 bad lines (end of the input).")
    assert any(line.startswith("bench: bench.toml") for line in found["based_on"])
    status, _, err = run(TRACK, *SHED, "--json", "-")
    assert status == 2
    assert "name a file" in err


def test_a_stream_does_not_grow_a_scene(tmp_path):
    """A logger may run for weeks: what is kept of its light is bounded."""
    from ivkit.panel.datasheet import load_datasheet
    from ivkit.predict.facing import Facing
    from ivkit.predict.scene import Scene
    from ivkit.readings.live_line import LiveReading
    from ivkit.readings.terminals import at_terminals
    from ivkit.verdict.live import LiveJudge, Stated

    scene = Scene(load_datasheet(LABEL[1]), Facing.of(140.0, 7.0))
    judge = LiveJudge(Stated(scene, True, u_reading=0.02))
    for k in range(200):
        judge.judge(at_terminals([LiveReading(k, {"power": 0.5, "load": 68.0})]))
    assert len(scene._known) <= 64
