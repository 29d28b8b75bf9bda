"""Reading a log: what people and serial lines write, fast and in pieces; and cleaning it."""

import io
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ivkit.bench import Bench, Converter, FrontEnd
from ivkit.errors import FileError, RangeError, SweepError, TableError
from ivkit.readings import log_body
from ivkit.readings.log import Log, read_log
from ivkit.readings.table import read_table
from ivkit.verdict.log import clean
from ivkit.verdict.log_power import log_power


def read(text, **options):
    return read_log(io.StringIO(text), **options)


# --- reading


def test_units_separators_and_decimal_marks_are_those_of_a_table():
    log = read("t (ms);U/V;I in mA;Pan [rad]\n0;1,5;20,0;0,1\n250;1,6;21,0;0,2\n")
    assert log["time"] == pytest.approx([0, 0.25])
    assert log["voltage"] == pytest.approx([1.5, 1.6])
    assert log["current"] == pytest.approx([0.02, 0.021])
    assert log["pan"] == pytest.approx(np.degrees([0.1, 0.2]))
    assert "read 'Pan [rad]' as pan in rad" in log.notes
    assert log.rows.tolist() == [2, 3]
    assert len(log) == 2
    log = read("\ufefftime_s\tP_mW\n0\t5\n1\t6\n")
    assert log["power"] == pytest.approx([0.005, 0.006])
    log = read("# invented\n\nt_s U_V\n0 1.5\n1 1.6\n")
    assert log["voltage"] == pytest.approx([1.5, 1.6])
    assert log.rows.tolist() == [4, 5]


def test_the_fast_way_reads_what_the_table_reader_reads(tmp_path):
    rng = np.random.default_rng(1)
    path = tmp_path / "log.csv"
    lines = [f"{k / 10:.1f},{rng.normal(12, 1):.4f},{rng.normal(80, 5):.2f},," for k in range(3000)]
    path.write_text("t_s,U_V,I_mA,,\n" + "\n".join(lines) + "\n")
    log, table = read_log(path), read_table(path)
    for quantity in ("time", "voltage", "current"):
        np.testing.assert_allclose(log[quantity], table[quantity], rtol=4e-16)
    np.testing.assert_array_equal(log.rows, table.rows)


@pytest.mark.parametrize("piece", [64, 300, 5000])
def test_pieces_read_the_same_as_the_whole(tmp_path, monkeypatch, piece):
    path = tmp_path / "log.csv"
    lines = [f"{k},{0.5 + k / 1000:.3f}" for k in range(900)]
    lines[300] = "300,0.@3"
    lines[600] = "600"
    path.write_text("t_s,P_W\r\n" + "\r\n".join(lines))
    whole = read_log(path)
    monkeypatch.setattr(log_body, "_WHOLE", 0)
    monkeypatch.setattr(log_body, "_PIECE", piece)
    parts = read_log(path)
    np.testing.assert_array_equal(parts["power"], whole["power"])
    np.testing.assert_array_equal(parts.rows, whole.rows)
    assert parts.damage == whole.damage
    assert [(d.what, d.rows) for d in whole.damage] == [
        ("holds a cell that is no number", (302,)),
        ("has fewer cells than the table has columns", (602,)),
    ]
    assert len(whole) == 898


def test_what_a_serial_line_adds_is_left_out_and_named():
    sound = "".join(f"{k},5\n" for k in range(-60, 0))
    odd = "1,nan\n2,1e35\n\n4,5\n5,5,5\n6\n7,5\x00\n# reset\nt_s,P_mW\n8,5\n9,-\n10,5"
    log = read(f"t_s,P_mW\n{sound}0,5\n{odd}")
    assert log["time"][60:].tolist() == [0, 1, 2, 4, 8, 9, 10]
    np.testing.assert_allclose(log["power"][[61, 65]], np.nan)
    assert log["power"][62] == pytest.approx(1e32)
    damage = {d.what: d.rows for d in log.damage}
    assert damage == {
        "has more cells than the table has columns": (67,),
        "has fewer cells than the table has columns": (68,),
        "holds a cell that is no number": (69, 71),
    }


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.tuples(st.floats(0, 100), st.floats(-5, 50)),
            st.sampled_from(["@@#", "1.5,x", "3", "1,2,3", "", "nan,nan,", "t_s,P_W", "1e999e,2"]),
        ),
        min_size=1,
        max_size=60,
    )
)
def test_sound_rows_are_read_whatever_stands_between_them(rows):
    # So many sound rows first that what a row has cannot be in doubt.
    lines = ["0,1"] * 40 + [r if isinstance(r, str) else f"{r[0]:.6f},{r[1]:.6f}" for r in rows]
    log = read("t_s,P_W\n" + "\n".join(lines) + "\n")
    sound = [(0.0, 1.0)] * 40 + [
        tuple(round(v, 6) for v in r) for r in rows if not isinstance(r, str)
    ]
    np.testing.assert_allclose(np.c_[log["time"], log["power"]], sound, atol=1e-9)
    assert sum(d.count for d in log.damage) == sum(isinstance(r, str) and r != "" for r in rows)


def test_dates_count_from_the_first_with_a_zone_or_without():
    log = read("time,P_W\n2024-06-08T11:52:00.5+02:00,1\n2024-06-08T09:52:02Z,2\n")
    assert log["time"] == pytest.approx([0, 1.5])
    assert log.start.astimezone(UTC) == datetime(2024, 6, 8, 9, 52, 0, 500000, UTC)
    log = read("time,P_W\n2024-06-08 11:52:00,1\n2024-06-08 11:53:00,2\nrubbish,3\n")
    assert log["time"] == pytest.approx([0, 60])
    assert log.damage[0].rows == (4,)
    assert (
        "no time zone is given, and none is needed" in log.notes[-1] + log.notes[0] + log.notes[1]
    )


def test_times_of_day_go_on_over_midnight():
    log = read("time,P_W\n23:59:58,1\n23:59:59.5,1\n00:00:01,1\nxx,1\n00:00:03,1\n")
    assert log["time"] == pytest.approx([0, 1.5, 3, 5])
    assert any("times of day" in note for note in log.notes)


def test_directions_are_known_by_their_usual_names():
    log = read("t_s,P_W,panel azimuth (deg),Elevation_deg\n0,1,10,30\n1,1,20,40\n")
    assert log["pan"].tolist() == [10, 20]
    assert log["elevation"].tolist() == [30, 40]
    log = read(
        "t_s,P_W,servo 1,servo 2\n0,1,0.1,30\n1,1,0.2,40\n",
        columns={"pan": "servo 1:rad", "tilt": "4"},
    )
    assert log["pan"] == pytest.approx(np.degrees([0.1, 0.2]))
    assert log["tilt"].tolist() == [30, 40]
    assert log.unit_said == {"pan"}


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("P_W,U_V\n1,2\n", {}, "no column is headed as time; .*--column time="),
        ("t_s,P_W\n@,#\n", {}, "no reading below the heading; add rows with readings"),
        ("", {}, "it is empty"),
        ("t_s,P_W,pan_m\n0,1,2\n", {}, "'m' is no unit of an angle; write one of deg, rad"),
        ("t_s,P_W,pan,az\n0,1,2,3\n", {}, "columns 'pan' and 'az' may both be pan; choose one"),
        ("t_s,P_W,a\n0,1,2\n", {"pan": "b"}, "no column 'b' for pan; the columns are 1 't_s'"),
        ("t_s,P_W,a\n0,1,2\n", {"pan": "a:V"}, "'V' is no unit of an angle"),
        ("t_s,P_W\n0,1\n", {"warp": "1"}, "'warp' is no quantity of a log; choose from voltage"),
        ("| t_s | P_W |\n| 0 | 1 |\n", {"pan": "1"}, "needs a log separated by commas"),
    ],
)
def test_what_cannot_be_read_is_refused(text, options, message):
    with pytest.raises(TableError, match=message):
        read(text, columns=options)


def test_files_that_are_no_log_are_refused(tmp_path):
    with pytest.raises(FileError, match=r"nowhere.csv: cannot read: No such file .*check the path"):
        read_log(tmp_path / "nowhere.csv")
    with pytest.raises(FileError, match="give a file"):
        read_log(tmp_path)
    with pytest.raises(FileError, match="the name holds a NUL"):
        read_log("a\0b")
    (tmp_path / "x.gz").write_bytes(b"\x1f\x8b\n\n")
    with pytest.raises(FileError, match=r"x.gz: it is compressed"):
        read_log(tmp_path / "x.gz")


def test_other_layouts_go_the_way_of_a_table():
    log = read("| t_s | P_mW |\n|---|---|\n| 0 | 5 |\n| 1 | 6 |\n")
    assert log["power"] == pytest.approx([0.005, 0.006])
    log = read_log(io.BytesIO("t_s;P_mW\n0;1.500,5\n1;1.600,5\n".encode("utf-16")))
    assert log["power"] == pytest.approx([1.5005, 1.6005])
    log = read("t_s;P_mW\n0;1.500,5\n1;1.600,5\n")
    assert log["power"] == pytest.approx([1.5005, 1.6005])


# --- power


def columns(**values):
    first = next(iter(values.values()))
    return Log(
        {k: np.asarray(v, dtype=float) for k, v in values.items()}, np.arange(2, 2 + len(first))
    )


def test_power_follows_from_whatever_the_log_has():
    assert log_power(columns(voltage=[2, 3], current=[0.5, 1])).power.tolist() == [1, 3]
    assert log_power(columns(current=[0.5, 1]), 10.0).power.tolist() == [2.5, 10]
    assert log_power(columns(voltage=[2, 4], load=[2, 4])).power.tolist() == [2, 4]
    assert log_power(columns(power=[2, 4])).power.tolist() == [2, 4]
    with pytest.raises(TableError, match="no column is headed as power"):
        log_power(columns(time=[0, 1]))
    with pytest.raises(TableError, match="no column is headed as current"):
        log_power(columns(voltage=[0, 1]))


def test_a_fixed_load_shows_in_voltage_and_current():
    rng = np.random.default_rng(2)
    volt = np.linspace(1, 6, 500)
    current = volt / 68.3 * (1 + 0.002 * rng.normal(size=500))
    found = log_power(columns(voltage=volt, current=current))
    assert found.load_seen == pytest.approx(68.3, abs=4 * found.u_load_seen)
    assert found.u_load_seen < 0.1
    with pytest.raises(RangeError, match=r"is 68.3\d? ohm throughout, .* to be 47 ohm"):
        log_power(columns(voltage=volt, current=current), 47.0)
    at_knee = log_power(columns(voltage=16 + 0.1 * volt, current=volt / 60))
    assert at_knee.load_varies
    assert at_knee.load_seen is None
    assert log_power(columns(voltage=volt[:10], current=current[:10])).load_seen is None


def test_a_slip_in_the_power_column_is_named_and_the_product_used():
    volt = np.linspace(1, 6, 100)
    log = columns(voltage=volt, current=volt / 10, power=volt**2 / 10 * 1e3)
    found = log_power(log)
    assert found.power == pytest.approx(volt**2 / 10)
    assert found.notes[0] == (
        "power is 1000 times voltage times current, a slip of 1000 in a unit; the product is used"
    )
    log = columns(voltage=volt, current=volt / 10, power=volt**2 / 10)
    assert log_power(log).notes[0] == "power is voltage times current, as it should be"


def test_converter_codes_go_through_the_front_end():
    front_end = FrontEnd(readings="codes", converter=Converter(bits=10, reference_V=5.0))
    log = columns(voltage_code=[512, 256, 70000], current_code=[100, 50, 10])
    found = log_power(log, bench=Bench(front_end=front_end))
    step = 5.0 / 1024
    np.testing.assert_allclose(found.power[:2], [51200 * step**2, 12800 * step**2])
    assert np.isnan(found.power[2])
    volts = columns(voltage=[2, 3], current=[0.5, 1])
    found = log_power(volts, bench=Bench(front_end=front_end))
    assert found.power.tolist() == [1, 3]
    assert "taken as it stands" in found.notes[0]


# --- cleaning


def test_the_fewest_readings_go_for_time_to_run_forwards():
    time = np.arange(40.0)
    time[10], time[20], time[30] = 1e9, 3.0, -1.0
    log = clean(time, np.ones(40))
    assert len(log) == 37
    assert np.all(np.diff(log.time) > 0)
    assert [(e.reason, e.rows) for e in log.left_out] == [("the time runs backwards", (11, 21, 31))]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 60), max_size=6), st.integers(0, 2**32 - 1))
@example([38, 35, 37], 67)  # a sound stamp among three that were set back
def test_cleaning_keeps_as_many_readings_as_can_be(places, seed):
    rng = np.random.default_rng(seed)
    time = np.arange(80.0)
    for place in places:
        time[place] = rng.choice([1e9, -5.0, 3.5, 20.5, 77.5])
    # The longest non-decreasing subsequence, counted by patience.
    piles = []
    from bisect import bisect_right

    for value in time:
        k = bisect_right(piles, value)
        piles[k : k + 1] = [value]
    log = clean(time, np.ones(80))
    assert np.all(np.diff(log.time) > 0)
    repeated = sum(e.count for e in log.left_out if "reading before" in e.reason)
    assert len(log) + repeated == len(piles)


def test_rubbish_blanks_spikes_and_repeats_each_have_their_reason():
    time, power = np.arange(100.0), np.full(100, 0.5)
    power[[3, 4]] = np.nan, 1e35
    power[50] = 40.0
    time[60] = 59.0
    time[70] = np.nan
    pan = np.full(100, 10.0)
    pan[80] = 1e30
    pan[81] = np.nan
    log = clean(time, power, {"pan": pan})
    assert [(e.reason, e.rows) for e in log.left_out] == [
        ("time is blank or NaN", (71,)),
        ("power is blank or NaN", (4,)),
        ("power is rubbish, such as 1e+35", (5,)),
        ("pan is rubbish, such as 1e+30", (81,)),
        ("a single power that no light makes, far above the rest", (51,)),
        ("the time is that of the reading before", (61,)),
    ]
    assert np.all(log.angles["pan"] == 10.0)


def test_a_coarse_clock_is_averaged_over():
    time = np.repeat(np.arange(50.0), 4)
    power = np.tile([1.0, 2.0, 3.0, 4.0], 50)
    log = clean(time, power)
    assert log.time.tolist() == list(range(50))
    assert np.all(log.power == 2.5)
    assert "the clock is coarse, 200 readings at 50 different times" in log.notes[0]


def test_a_clock_that_was_set_back_is_refused_with_the_row():
    time = np.concatenate([np.arange(60.0), np.arange(40.0)])
    with pytest.raises(
        SweepError, match=r"x.csv: the time runs backwards at row 61, and 40%.*split"
    ):
        clean(time, np.ones(100), name="x.csv")


def test_too_few_readings_are_refused_with_the_reasons():
    power = np.ones(30)
    power[:15] = np.nan
    with pytest.raises(
        SweepError, match=r"15 usable readings \(15 left out: power is blank or NaN"
    ):
        clean(np.arange(30.0), power)
    log = clean(np.arange(30.0), np.ones(30))
    assert len(log.between(5, 28)) == 24
    with pytest.raises(SweepError, match="6 readings between the times asked for; the log runs"):
        log.between(5, 10)
