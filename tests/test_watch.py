"""What `ivkit watch` is made of: bytes to lines to readings, what was seen, view, screen, log."""

import math
import os
import random
from dataclasses import replace

import pytest

from ivkit.cli.append_log import AppendLog
from ivkit.cli.screen import Screen, speaks_unicode
from ivkit.errors import FileError, TableError
from ivkit.readings.line_source import GrowingFile, Stream, open_lines
from ivkit.readings.line_split import Line, LineSplitter
from ivkit.readings.live_line import BadLine, LineReader, LiveReading
from ivkit.report.watch_marks import bar, columns, large
from ivkit.report.watch_text import bad_row, log_head, log_row, reading_line, summary
from ivkit.report.watch_view import view
from ivkit.verdict.live import Judged
from ivkit.verdict.session import SLOTS, Session, State
from tests.terminal import Terminal

ONE = Judged(7, 1.0, 5.83, 0.0857, 0.5, 0.01, 68.0, 10.0, 33.0, 0.48, 0.013, 0.4, 0.1, "plausible")


def lines_of(content, pieces=(1 << 20,)):
    splitter, out, at, k = LineSplitter(), [], 0, 0
    while at < len(content):
        step = pieces[k % len(pieces)]
        out += splitter.take(content[at : at + step])
        at, k = at + step, k + 1
    return out + splitter.finish()


def read_all(*texts, said=None):
    reader = LineReader(said)
    return [one for k, text in enumerate(texts, 1) for one in reader.read(Line(k, text))]


# Lines from bytes


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_lines_are_the_same_however_the_bytes_come(end):
    content = end.join([b"t,U", b"0,1.5", b"", "1,2 °C".encode(), b"2,3"])
    whole = lines_of(content)
    assert [line.text for line in whole] == ["t,U", "0,1.5", "", "1,2 °C", "2,3"]
    draw = random.Random(1)
    for _ in range(50):
        pieces = [draw.randint(1, 5) for _ in range(9)]
        assert lines_of(content, pieces) == whole


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_the_usual_encodings_are_read(encoding):
    content = "T (°C),U\n20,1.5\n".encode(encoding)
    for pieces in ((1,), (3,), (100,)):
        assert [line.text for line in lines_of(content, pieces)] == ["T (°C),U", "20,1.5"]


def test_a_line_without_an_end_takes_no_memory():
    splitter = LineSplitter()
    for _ in range(100):
        assert splitter.take(b"9" * 100_000) == []
    assert len(splitter._rest) <= splitter.longest
    (line,) = splitter.take(b"9\n")
    assert line.cut
    assert len(line.text) == splitter.longest
    assert [one.text for one in splitter.take(b"1,2\n")] == ["1,2"]


# Readings from lines


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1,1e35,4", "voltage 1e+35 V is no reading"),
        ("1,nan,nan", "holds no voltage, current or power"),
        ("1,,", "holds no voltage, current or power"),
        ("1,abc,4", "voltage 'abc' is no number"),
        ("1,5", "fewer cells than the 3"),
        ("1,5,4,3", "more cells than the 3"),
        ("1,5\0,4", "NUL"),
        ("5", "fewer cells"),
        ("@#!", "fewer cells"),
        ("1,5,4ÿþ", "is no number"),
        ("1,5_0,4", "voltage '5_0' is no number"),
        ("1,5 mA,4", "is no number"),
        ("1," + "9" * 300 + ",4", "voltage 1e+300 V is no reading"),
    ],
)
def test_a_bad_line_is_told_and_the_next_one_read(text, why):
    found = read_all("t_s,U_V,I_mA", "0,5,4", text, "2,5.5,4")
    first, bad, last = found
    assert first == LiveReading(2, {"voltage": 5.0, "current": 0.004, "time": 0.0})
    assert isinstance(bad, BadLine)
    assert bad.line == 3
    assert why in bad.why
    assert len(bad.text) <= 50
    assert bad.text.isprintable()
    assert last.values["voltage"] == 5.5


def test_a_line_that_was_cut_is_bad():
    reader = LineReader()
    reader.read(Line(1, "U_V,I_A"))
    reader.read(Line(2, "1,2"))
    (bad,) = reader.read(Line(3, "1,2", cut=True))
    assert "longer than" in bad.why


def test_comments_blanks_and_the_heading_again_are_no_bad_lines():
    found = read_all("# boot", "U_V,I_A", "1,2", "", "# again", "U_V,I_A", "3,4")
    assert [one.values["voltage"] for one in found] == [1.0, 3.0]


def test_another_heading_is_taken_from_there_on():
    found = read_all("U_V,I_A", "1,2", "P_mW;U_mV", "6;500")
    assert found[-1].values == {"voltage": 0.5, "power": 0.006}


def test_a_decimal_comma_and_units_are_understood():
    (one,) = read_all("Zeit (s);Spannung (mV);Last", "0,5;607,5;4k7")
    assert one.values == {"voltage": 0.6075, "load": 4700.0, "time": 0.5}


def test_loads_in_words_are_read():
    found = read_all("U_V,I_A,load", "0,2,short", "5,0,open", "1,1,0R22", "1,1,1e3")
    assert [one.values["load"] for one in found] == [0.0, math.inf, 0.22, 1000.0]


def test_times_of_day_go_on_over_midnight():
    found = read_all("time,U_V", "23:59:59,1", "00:00:01,1")
    assert found[1].values["time"] - found[0].values["time"] == 2.0


def test_a_time_that_cannot_be_read_is_no_loss():
    found = read_all("Zeit;U_V", "08.06.2024 11:52;1,5", "08.06.2024 11:53;1,6")
    assert [one.values["voltage"] for one in found] == [1.5, 1.6]
    assert math.isnan(found[1].values["time"])


def test_readings_that_wait_for_the_decimal_mark_are_not_lost():
    """1,234 alone is one or a thousand."""
    reader = LineReader()
    assert [x for k in (1, 2) for x in reader.read(Line(k, ("U_V;I_A", "1,234;5")[k - 1]))] == []
    found = reader.read(Line(3, "1,2;5"))
    assert [one.values["voltage"] for one in found] == [1.234, 1.2]


def test_columns_may_be_named_by_the_user():
    found = read_all("boot v1.2", "17,5.5", said={"current": "1:mA", "voltage": "2"})
    assert found[-1].values == {"voltage": 5.5, "current": 0.017}


def test_columns_nobody_names_are_an_error_that_shows_the_option():
    with pytest.raises(TableError, match="--column voltage=1"):
        read_all(*["1,2"] * 5)
    with pytest.raises(TableError, match="no column is voltage"):
        read_all("a,b", *["1,2"] * 5)
    with pytest.raises(TableError, match="no quantity of a reading"):
        LineReader({"volts": "1"})
    with pytest.raises(TableError, match="may all be voltage"):
        read_all("U_V,voltage_V", "1,2")


def test_garbage_before_the_heading_is_counted_and_given_up():
    garbage = ["\x00\x1bq", *(f"z{'ä' * k}" for k in range(80))]
    found = read_all(*garbage, "U_V,I_A", "1,2")
    assert isinstance(found[0], BadLine)
    assert len(found) > 50  # the last of it is passed over, as before the heading of a table
    assert found[-1].values["voltage"] == 1.0
    reader = LineReader()
    reader.read(Line(1, "hello"))
    with pytest.raises(TableError, match="no number in it"):
        reader.finish()


# A file that grows


def append(path, text):
    with path.open("a") as file:
        file.write(text)


def test_a_growing_file_is_followed_through_emptying_and_replacing(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("a\nb")
    steps = [
        lambda: append(path, "c\n"),
        lambda: path.write_text("d\n"),  # emptied and written anew, shorter
        lambda: path.rename(tmp_path / "old"),
        lambda: path.write_text("e\nf"),
        lambda: path.unlink(),
        lambda: path.write_text("g\n"),
    ]
    slept = []

    def sleep(seconds):
        slept.append(seconds)
        if steps:
            steps.pop(0)()

    source = GrowingFile(str(path), os.open(path, os.O_RDONLY), True, sleep)
    seen = []
    for _ in range(40):
        seen += source.read(0.2)
    source.close()
    assert [line.text for line in seen] == ["a", "bc", "d", "e", "f", "g"]
    assert min(slept) >= 0.05  # it waits, it does not spin


def test_a_file_is_read_to_its_end_and_no_further(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("a\nb")
    source = open_lines(str(path))
    found = []
    while (lines := source.read(0.0)) is not None:
        found += lines
    source.close()
    assert [line.text for line in found] == ["a", "b"]


def test_a_device_that_is_pulled_out_has_ended(monkeypatch):
    reading, writing = os.pipe()
    source = Stream(reading, "device")
    os.write(writing, b"1,2\n3,")
    assert [line.text for line in source.read(1.0)] == ["1,2"]

    def gone(descriptor, size):
        raise OSError(5, "Input/output error")

    os.write(writing, b"4")
    monkeypatch.setattr(os, "read", gone)
    assert [line.text for line in source.read(1.0)] == ["3,"]
    assert source.read(1.0) is None
    source.close()
    os.close(writing)


def test_what_cannot_be_opened_is_named(tmp_path):
    for name, why in ((tmp_path / "none", "cannot read"), (tmp_path, "folder"), ("a\0", "NUL")):
        with pytest.raises(FileError, match=why):
            open_lines(str(name))


# What was seen


def powers(session, values, step=1.0, start=0.0):
    for k, power in enumerate(values):
        session.take(replace(ONE, line=k + 1, time=start + k * step, power=power), 0.0)


def test_one_spike_is_no_best():
    session = Session()
    powers(session, [0.1, 0.2, 99.0, 0.3, 0.25, 0.2])
    state = session.state(0.0)
    assert state.best == 0.3
    assert state.best_line == 4
    assert state.below_best == pytest.approx(1 - 0.2 / 0.3)


def test_the_trend_is_told_once_there_are_readings_enough():
    for values, word in (
        ([1.0], ""),
        ([1.0, 1.1, 1.2, 1.3], "rising"),
        ([1.3, 1.2, 1.1, 1.0], "falling"),
        ([1.0, 1.005, 1.0, 1.005], "steady"),
    ):
        session = Session()
        powers(session, values)
        assert session.state(0.0).trend == word


def test_the_history_keeps_means_and_gaps_and_starts_anew_with_the_clock():
    session = Session()
    powers(session, [1.0, 3.0, 5.0, 7.0], step=0.5)
    powers(session, [4.0], start=4.0)
    history = session.state(0.0).history
    assert history[:2] == (2.0, 6.0)
    assert all(math.isnan(p) for p in history[2:4])
    assert history[4] == 4.0
    powers(session, [9.0], start=0.0)
    assert session.state(0.0).history == (9.0,)


def test_the_history_of_a_slow_logger_has_longer_slots():
    session = Session()
    powers(session, [1.0] * 100, step=10.0)
    state = session.state(0.0)
    assert state.slot >= 10.0
    assert len(state.history) <= SLOTS
    assert sum(math.isnan(p) for p in state.history) == 0


def test_a_gap_in_the_log_is_no_slow_logger():
    session = Session()
    powers(session, [1.0] * 10)
    powers(session, [2.0] * 10, start=1000.0)
    state = session.state(0.0)
    assert state.slot == 1.0
    assert state.history[-10:] == (2.0,) * 10


def test_the_silence_is_counted_by_the_arrivals():
    session = Session()
    session.take(ONE, 100.0)
    session.take_bad(BadLine(3, "is no text", ""), 101.0)
    state = session.state(108.0)
    assert (state.silent, state.bad, state.lines) == (7.0, 1, 2)


# The view


def states():
    session = Session()
    powers(session, [0.01 * k for k in range(1, 50)])
    session.take_bad(BadLine(99, "voltage 'äöü' is no number " + "x" * 200, "y"), 0.0)
    usual = session.state(0.0, 0.97, True, "expected for: light as for the sweep, 33 degC")
    odd = {
        "nothing": State(),
        "usual": usual,
        "silent": replace(usual, silent=61.0),
        "no prediction": replace(
            usual,
            now=replace(
                ONE,
                predicted=math.nan,
                u_predicted=math.nan,
                en=math.nan,
                verdict="undetermined",
                why="light not stated",
            ),
        ),
        "open": replace(usual, now=replace(ONE, load=math.inf, power=0.0, current=0.0)),
        "negative": replace(usual, now=replace(ONE, power=-0.3, current=-0.05)),
        "huge": replace(usual, best=9e5, now=replace(ONE, power=1e6, predicted=1e-9, en=1e12)),
        "tiny": replace(usual, best=2e-9, now=replace(ONE, power=1e-9, predicted=2e-9)),
        "blind": replace(usual, now=replace(ONE, voltage=math.nan, current=math.nan)),
    }
    return odd


@pytest.mark.parametrize("name", states())
@pytest.mark.parametrize("ascii_only", [False, True])
def test_the_view_fits_its_terminal(name, ascii_only):
    state = states()[name]
    for width, height in ((80, 24), (80, 10), (80, 3), (40, 24), (20, 8), (10, 2), (200, 60)):
        lines = view(state, width, height, ascii_only)
        assert 1 <= len(lines) < max(height, 2)
        assert all(len(line.text) < width for line in lines)
        assert all(line.text.isprintable() for line in lines)
        if ascii_only:
            assert all(line.text.isascii() for line in lines)
    assert view(state, 80, 24, ascii_only) == view(state, 80, 24, ascii_only)


def test_the_view_says_the_verdict_in_words_and_the_power_large():
    state = states()["usual"]
    lines = view(replace(state, now=ONE), 80, 24, ascii_only=True)
    text = "\n".join(line.text for line in lines)
    # 0.5 W where the best is 0.48 W: 500.0 mW; 104 % of 0.48 W.
    for row in large("500.0", ascii_only=True):
        assert row in text
    for row in large("104", ascii_only=True):
        assert row.rstrip() in text
    assert "PLAUSIBLE: 480(13) mW expected, E_n +0.40" in text
    assert "above the best" in text
    assert "1 bad line" in text
    assert "light 97 % of sweep's" in text


def test_a_low_terminal_keeps_power_and_verdict():
    first, second = view(states()["usual"], 80, 3)
    assert first.text.startswith("490.0 mW")
    assert second.text.startswith("PLAUSIBLE")


def test_bar_and_columns_show_what_they_are_given():
    assert bar(0.25, 1.0, 1.0, 8, ascii_only=True) == "##.....|"
    assert bar(math.nan, 1.0, 1.0, 8) == " " * 8
    assert columns([0.0, 1.0]) == "▁█"
    assert columns([]) == ""
    assert columns([0.9, 0.95, 1.0], low=0.9, ascii_only=True) == "_~#"


def test_a_history_near_its_top_is_drawn_larger_and_says_where_it_starts():
    state = replace(states()["usual"], history=(0.40, 0.38, 0.42) * 20)
    (line,) = [one.text for one in view(state, 80, 24, ascii_only=True) if "  56 s" in one.text]
    assert line.endswith("56 s > 378 mW")
    state = replace(state, history=(0.01, 0.4) * 30)
    (line,) = [one.text for one in view(state, 80, 24, ascii_only=True) if "  56 s" in one.text]
    assert line.endswith("56 s")


# The screen


class Written:
    def __init__(self):
        self.written = ""

    def write(self, text):
        self.written += text

    def flush(self):
        pass


def test_a_frame_writes_what_has_changed_and_never_clears():
    stream = Written()
    screen = Screen(stream, colour=True, size=lambda: (80, 24))
    terminal = Terminal()
    screen.draw([("one", "figure"), ("two", ""), ("three", "good")])
    terminal.feed(stream.written)
    stream.written = ""
    screen.draw([("one", "figure"), ("2", ""), ("three", "good")])
    assert "one" not in stream.written
    assert "three" not in stream.written
    terminal.feed(stream.written)
    assert terminal.text == "one\n2\nthree"
    stream.written = ""
    screen.draw([("one", "figure"), ("2", ""), ("three", "good")])
    assert stream.written == ""
    screen.draw([("one", "")])
    terminal.feed(stream.written)
    assert terminal.text == "one"
    screen.leave()
    assert terminal.feed(stream.written[-20:]).cursor_shown


def test_a_terminal_made_narrower_shows_the_block_once():
    sizes = [(80, 24)]
    stream = Written()
    screen = Screen(stream, colour=False, size=lambda: sizes[-1])
    screen.draw([("a" * 70, ""), ("b", "")])
    sizes.append((40, 24))
    # What such a terminal makes of the block: the long line is broken in two.
    terminal = Terminal(40).feed("a" * 40 + "\r\n" + "a" * 30 + "\r\nb\r\n")
    stream.written = ""
    screen.draw([("a" * 30, ""), ("b", "")])
    assert terminal.feed(stream.written).text == "a" * 30 + "\nb"


def test_signs_that_the_encoding_lacks_are_not_used():
    class Encoded:
        def __init__(self, encoding):
            self.encoding = encoding

    assert speaks_unicode(Encoded("utf-8"))
    for name in ("ascii", "latin-1", "nonsense", None):
        assert not speaks_unicode(Encoded(name))


# Lines of text


def test_every_plain_line_fits_eighty_columns():
    for state in states().values():
        if state.now is not None:
            assert len(reading_line(state.now)) <= 79


def test_a_row_of_the_log_has_a_cell_a_column():
    stamp = "2024-06-08T11:52:00+02:00"
    for one in (ONE, replace(ONE, load=math.inf, predicted=math.nan, angle=math.nan)):
        assert log_row(one, stamp).count(",") == log_head().count(",")
    assert ",open," in log_row(replace(ONE, load=math.inf), stamp)
    row = bad_row(BadLine(3, "no number", 'a "b" \r\n c'), stamp)
    assert row.startswith("#")
    assert len(row.splitlines()) == 1


def test_the_summary_says_what_was_seen():
    assert summary(State()) == "No line came (end of the input)."
    session = Session()
    powers(session, [0.1, 0.5, 0.5, 0.5, 0.4])
    text = summary(session.state(0.0), "stopped")
    assert text.startswith("5 readings, 0 bad lines (stopped). 5 plausible.")
    assert "20 % below" in text
    session = Session()
    session.take_bad(BadLine(4, "is no text", ""), 0.0)
    assert "The last, line 4: is no text." in summary(session.state(0.0))


# The log


def test_a_log_is_added_to_in_whole_lines(tmp_path):
    path = tmp_path / "log.csv"
    for text in ("1,2", "3,4"):
        log = AppendLog(str(path), "a,b")
        log.add(text)
        log.close()
    assert path.read_text() == "a,b\n1,2\n3,4\n"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("", "a,b\n5,6\n"),
        ("a", "a,b\n5,6\n"),
        ("a,b", "a,b\n5,6\n"),
        ("a,b\n", "a,b\n5,6\n"),
        ("a,b\n1,2\n3,", "a,b\n1,2\n3,\n5,6\n"),
    ],
)
def test_what_a_cut_has_left_is_put_on_a_line_of_its_own(tmp_path, before, after):
    path = tmp_path / "log.csv"
    path.write_text(before)
    log = AppendLog(str(path), "a,b")
    log.add("5,6")
    log.close()
    assert path.read_text() == after


def test_each_line_is_one_write_and_the_disk_has_it_within_a_second(tmp_path, monkeypatch):
    now, writes, syncs = [0.0], [], []
    write = os.write
    monkeypatch.setattr(os, "write", lambda d, b: (writes.append(b), write(d, b))[1])
    monkeypatch.setattr(os, "fsync", lambda d: syncs.append(now[0]))
    log = AppendLog(str(tmp_path / "log.csv"), "a,b", clock=lambda: now[0])
    for k in range(35):
        now[0] = 0.1 * k
        log.add(f"{k},0")
    log.close()
    assert writes == [b"a,b\n", *(f"{k},0\n".encode() for k in range(35))]
    assert len(syncs) == 4
    assert max(b - a for a, b in zip([0.0, *syncs], syncs, strict=False)) <= 1.1


def test_a_log_that_is_something_else_is_refused(tmp_path):
    other = tmp_path / "notes.txt"
    other.write_text("dear diary\n")
    with pytest.raises(FileError, match="begins with other headings"):
        AppendLog(str(other), "a,b")
    assert other.read_text() == "dear diary\n"
    with pytest.raises(FileError, match="is an input"):
        AppendLog(str(other), "a,b", inputs=[other])
    with pytest.raises(FileError, match="cannot be written"):
        AppendLog(str(tmp_path / "none" / "log"), "a,b")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
def test_a_full_disk_is_said(tmp_path):
    log = AppendLog(str(tmp_path / "log"), "a,b")
    os.close(log._descriptor)
    log._descriptor = os.open("/dev/full", os.O_WRONLY)
    with pytest.raises(FileError, match="no space left"):
        log.add("1,2")
    os.close(log._descriptor)
