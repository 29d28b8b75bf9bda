"""Tables as people write them are read right, or refused with the reason: never read wrong."""

import datetime
import io
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.errors import IvkitError, TableError
from ivkit.readings.quantities import read_heading
from ivkit.readings.table import need, read_table
from tests import published
from tests.refused_tables import REFUSED
from tests.tables import READ


def read(text, **options):
    return read_table(io.StringIO(text), **options)


@pytest.mark.parametrize("case", READ)
def test_a_table_in_one_of_the_usual_habits_is_read(case):
    text, expected = READ[case]
    table = read(text)
    assert set(table.columns) == set(expected)
    for quantity, values in expected.items():
        np.testing.assert_allclose(
            table.columns[quantity], values, rtol=1e-15, atol=1e-13, err_msg=quantity
        )
        assert len(table.rows) == len(values)


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_read_in_one_way_is_refused_with_the_reason(case):
    text, columns, pattern = REFUSED[case]
    with pytest.raises(TableError, match=pattern) as error:
        read(text, columns=columns)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(("path", "points"), [(published.CELL, 26), (published.MODULE, 25)])
def test_the_published_tables_are_read(path, points):
    table = read_table(path)
    voltage, current = np.loadtxt(path, delimiter=",", skiprows=1).T
    assert len(table) == points
    np.testing.assert_array_equal(table["voltage"], voltage)
    np.testing.assert_array_equal(table["current"], current)
    assert table.resolution == {"voltage": 1e-4, "current": 1e-4}


def test_rows_are_the_lines_of_the_file():
    table = read("# lamp\n\nU,I\nV,mA\n1,2\n\n# cloud\n3,4\n")
    assert table.rows.tolist() == [5, 8]


def test_rows_count_a_quoted_line_break():
    assert read('"U\n(mV)","I\n(mA)"\n500,20\n').rows.tolist() == [4]


def test_resolution_is_the_step_of_the_last_digit_in_si():
    table = read("R;U (mV);I (mA);P\n4k7;425;39;1,5E-3\n10k;550;60,2;2E-2\n")
    assert table.resolution == {"voltage": 1e-3, "current": 1e-4, "power": 1e-4, "load": 100.0}


def test_trailing_zeros_count_as_written_digits():
    assert read("U,I\n1.00,0.50\n").resolution == {"voltage": 0.01, "current": 0.01}


def test_the_notes_say_what_was_understood():
    table = read("lamp on\nU_mV,I,remark\n500,0.02,\n600,,\n")
    assert table.notes == (
        "read 'U_mV' as voltage in mV",
        "read 'I' as current in A (no unit given)",
        "'I' is blank in 1 of 2 readings",
        "passed over 1 line before the heading",
        "not used: 'remark'",
    )
    assert table.others == ("remark",)
    assert table.headings == {"voltage": "U_mV", "current": "I"}
    assert str(table).startswith("table: 2 readings\nread 'U_mV'")


def test_values_without_a_unit_that_no_small_panel_gives_are_remarked_on():
    notes = read("U,I\n1480,0.1\n").notes
    assert any("'U' reaches 1480 V" in n and "--column voltage='U:mV'" in n for n in notes)


def test_dates_keep_the_moment_they_count_from():
    table = read("time,U\n2024-05-03T12:00:00+02:00,1\n2024-05-03T11:00:00Z,1\n")
    assert table["time"].tolist() == [0, 3600]
    assert table.start == datetime.datetime.fromisoformat("2024-05-03T12:00:00+02:00")


def test_a_doubtful_column_that_nobody_asked_for_is_left_out_and_said():
    table = read("T1,T2,E,U,I\n20,21,5,1,2\n")
    assert set(table.columns) == {"voltage", "current"}
    assert "columns 1 'T1' and 2 'T2' may all be temperature; not read" in table.notes
    with pytest.raises(TableError, match=r"may all be temperature; name one with --column temp"):
        need(table, "temperature")
    with pytest.raises(TableError, match=r"'E' may be illuminance or irradiance"):
        need(table, "irradiance")


def test_need_returns_the_columns_in_the_order_asked():
    current, voltage = need(read("U,I\n1,2\n"), "current", "voltage")
    assert (current, voltage) == (2, 1)


def test_need_lists_the_columns_and_shows_the_option():
    table = read("CH1 (V),I\n1,2\n")
    pattern = (
        r"table: no column is headed as voltage; the columns are 1 'CH1 \(V\)', 2 'I' \(current\);"
        r" name one with --column voltage='CH1 \(V\)'"
    )
    with pytest.raises(TableError, match=pattern):
        need(table, "voltage")


def test_need_says_that_a_column_is_blank():
    table = read("U,I\n,2\n,3\n")
    with pytest.raises(TableError, match=r"column 'U' \(voltage\) is blank"):
        need(table, "voltage")


@pytest.mark.parametrize(
    ("columns", "voltage", "current"),
    [
        ({"voltage": "U2", "current": "4"}, 2.0, 4.0),
        ({"voltage": "u2:mV", "current": "sense"}, 0.002, 4.0),
        ({"voltage": "1", "current": "x:y:mA"}, 1.0, 0.003),
        ({"voltage": "U1", "current": "x:y"}, 1.0, 3.0),
    ],
)
def test_the_users_choice_of_column_and_unit_is_taken(columns, voltage, current):
    table = read("U1,U2,x:y,sense (A)\n1,2,3,4\n", columns=columns)
    assert table["voltage"] == voltage
    assert table["current"] == current


def test_the_user_can_say_that_no_column_is_a_quantity():
    table = read("R1,R2,U,I\n1,2,3,4\n", columns={"load": "none"})
    assert set(table.columns) == {"voltage", "current"}


def test_a_table_without_a_heading_is_read_by_numbers():
    table = read(
        "0.5;98,5\n0.6;97,1\n".replace(".", ","), columns={"voltage": "1", "current": "2:mA"}
    )
    np.testing.assert_array_equal(table["current"], [0.0985, 0.0971])
    assert table.rows.tolist() == [1, 2]


def test_a_quote_that_is_never_closed_is_refused_where_it_stands():
    rows = "".join(f"{k},1\n" for k in range(20))
    with pytest.raises(TableError, match=r"row 3"):
        read('U,I\n1,2\n"3,4\n' + rows)


def test_a_message_shows_no_control_characters_and_no_endless_text():
    with pytest.raises(TableError, match=r"'\?\[31mx{42}\.\.\.' is not a number"):
        read("U,I\n1,\x1b[31m" + "x" * 1000 + "\n")


NUMBERS = st.decimals(
    min_value="-99999", max_value="99999", places=4, allow_nan=False, allow_infinity=False
)
HABITS = st.sampled_from(
    [
        (",", "."),
        (";", "."),
        (";", ","),
        ("\t", "."),
        ("\t", ","),
        (" ", "."),
        (" ", ","),
        ("|", ","),
    ]
)


@settings(max_examples=200, deadline=None)
@given(
    readings=st.lists(st.tuples(NUMBERS, NUMBERS), min_size=1, max_size=30),
    habit=HABITS,
    units=st.sampled_from([("V", "A", 0), ("mV", "mA", -3), ("uV", "uA", -6)]),
    unit_row=st.booleans(),
    end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_numbers_come_back_as_written(readings, habit, units, unit_row, end, encoding):
    separator, mark = habit
    volt, ampere, power = units
    heading = ["U", "I"] if unit_row else [f"U/{volt}", f"I/{ampere}"]
    lines = [heading] + [[volt, ampere]] * unit_row
    lines += [[f"{v}".replace(".", mark), f"{i}".replace(".", mark)] for v, i in readings]
    text = end.join(separator.join(line) for line in lines) + end
    table = read_table(io.BytesIO(text.encode(encoding)))
    for column, written in zip(
        need(table, "voltage", "current"), zip(*readings, strict=True), strict=True
    ):
        expected = [float(f"{number}e{power}") for number in written]
        # Once rounded by float(), once by the unit's power of ten.
        np.testing.assert_allclose(column, expected, rtol=2.3e-16, atol=0)
        if power == 0:
            np.testing.assert_array_equal(column, expected)
    assert table.resolution["voltage"] == pytest.approx(10.0 ** (power - 4), rel=1e-12)
    assert table.rows.tolist() == list(range(2 + unit_row, 2 + unit_row + len(readings)))


@settings(max_examples=200, deadline=None)
@given(
    readings=st.lists(st.tuples(NUMBERS, NUMBERS), min_size=2, max_size=20),
    habit=HABITS,
)
def test_one_quantity_a_row_reads_like_one_a_column(readings, habit):
    separator, mark = habit
    voltage, current = zip(*readings, strict=True)
    rows = [["U/mV", *map(str, voltage)], ["I/mA", *map(str, current)]]
    lines = [separator.join(c.replace(".", mark) for c in row) for row in rows]
    table = read("\n".join(lines) + "\n")
    np.testing.assert_array_equal(table["voltage"], [float(f"{v}e-3") for v in voltage])
    np.testing.assert_array_equal(table["current"], [float(f"{i}e-3") for i in current])


WORDS = """U I R (k) 4k7 ∞ - -- # % ( ) ° ² 1.2.3 1,2,3 1'000 2024-05-03 12:00 none nan 1e999 0x10
1_0 E . .. ,5 5, +-1 V A mV ohm sep=; / = ; , | " ' ٣ 𝟙 1e99999"""
PIECES = st.one_of(
    st.sampled_from([*WORDS.split(), "\n", "\t", " ", "\0", "\r"]),
    st.text(max_size=3),
    st.floats().map(str),
)


def read_or_refusal(source):
    """Return (table, "") or (None, why not); any other exception is a failure of the test."""
    try:
        return read_table(source), ""
    except IvkitError as error:
        return None, str(error)


@settings(max_examples=400, deadline=None)
@given(
    case=st.sampled_from(sorted(READ)),
    pieces=st.lists(st.tuples(st.floats(0, 1), PIECES), max_size=5),
)
def test_a_damaged_table_is_read_or_refused_but_never_trips(case, pieces):
    text = READ[case][0]
    for place, piece in pieces:
        k = int(place * len(text))
        text = text[:k] + piece + text[k:]
    table, refusal = read_or_refusal(io.StringIO(text))
    if table is None:
        assert refusal.startswith("table")
        assert "\n" not in refusal
        return
    for quantity, values in table.columns.items():
        assert values.shape == table.rows.shape
        assert quantity == "load" or not np.isinf(values).any()


@settings(max_examples=300, deadline=None)
@given(content=st.binary(max_size=200))
def test_bytes_that_are_no_table_are_refused(content):
    _, refusal = read_or_refusal(io.BytesIO(content))
    assert "\n" not in refusal


def test_a_block_boundary_leaves_no_trace(monkeypatch):
    text = "t;U\n" + "".join(f"{k};{k / 8}\n".replace(".", ",") for k in range(1000)) + "x;1\n"
    monkeypatch.setattr("ivkit.readings.table.BLOCK", 64)
    with pytest.raises(TableError, match=r"row 1002, column 't': 'x' is not a number"):
        read(text)
    table = read(text[:-4])
    np.testing.assert_array_equal(table["voltage"], np.arange(1000) / 8)
    assert table.resolution == {"voltage": 1e-3, "time": 1.0}
    assert table.rows.tolist() == list(range(2, 1002))


def test_the_path_stands_in_the_message_as_it_was_given(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("sweep.csv").write_text("U,I\n1,x\n")
    with pytest.raises(TableError, match=r"^sweep\.csv, row 2, column 'I': 'x' is not a number"):
        read_table(Path("sweep.csv"))


def test_a_line_without_end_is_refused():
    with pytest.raises(TableError, match=r"row 2: the line has more than 1000000 characters"):
        read("U,I\n" + "1," * 600_000 + "\n")


def test_a_list_of_columns_in_a_message_stays_short():
    table = read(",".join(f"c{k}" for k in range(40)) + "\n" + ",".join("1" * 40) + "\n")
    with pytest.raises(TableError, match=r"12 'c11' and 28 more; name one") as error:
        need(table, "voltage")
    assert len(str(error.value)) < 300


def test_a_long_preamble_of_comments_is_passed_over():
    assert read("# lamp\n" * 2000 + "U,I\n1,2\n").rows.tolist() == [2002]


@pytest.mark.parametrize(
    "text",
    [
        " " * 300_000 + "1",
        "U" + "(" * 300_000,
        "U " * 150_000 + "\n1 2\n",
        "voltage " * 30_000 + "\n1 2\n",
        "-" * 300_000 + "x",
        '"\n' * 100_000,
        "U,I\n1e" + "9" * 300_000 + ",2\n",
        "U;I\n" + "1.000" * 60_000 + ",5;2\n",
        "lamp,on\n" * 40_000 + "U,I\n1,2\n",
    ],
    ids=lambda text: repr(text[:12]),
)
def test_a_text_made_to_be_slow_is_refused_at_once(text):
    # No clock: with a quadratic step, one of these takes minutes and the run shows it.
    _, refusal = read_or_refusal(io.StringIO(text))
    assert refusal
    assert len(refusal) < 400


STRANGERS = """Voc Isc Vmp U0 u(V) u_V dU V/I V² P=U·I Battery_voltage uv # No Vcc T_amb
ambient_temperature max_power I_sc V_oc U_ref tilt"""


@pytest.mark.parametrize("heading", STRANGERS.split())
def test_a_heading_that_only_resembles_a_quantity_is_not_taken_for_it(heading):
    assert not read_heading(heading).meanings


@pytest.mark.parametrize(
    ("heading", "quantity", "unit"),
    [
        ("U_L", "voltage", None),
        ("Vpv", "voltage", None),
        ("V_panel [mV]", "voltage", "mV"),
        ("Panel voltage (V)", "voltage", "V"),
        ("Voltage (panel)", "voltage", None),
        ("I_load/mA", "current", "mA"),
        ("Stromstärke in µA", "current", "uA"),
        ("P calculated (mW)", "power", "mW"),
        ("RL (kOhm)", "load", "kohm"),
        ("Rheostat (Ω)", "load", "ohm"),
        ("T (K)", "temperature", "K"),
        ("R (K)", "load", "kohm"),
        ("Cell temperature °C", "temperature", "degC"),
        ("ϑ (°C)", "temperature", "degC"),
        ("θ (°)", "angle", "deg"),
        ("aoi_deg", "angle", "deg"),
        ("Einfallswinkel (rad)", "angle", "rad"),
        ("lamp distance (mm)", "distance", "mm"),
        ("r (cm)", "distance", "cm"),
        ("POA irradiance W m⁻²", "irradiance", "W/m2"),
        ("Bestrahlungsstärke (W/m²)", "irradiance", "W/m2"),
        ("Beleuchtungsstärke (klx)", "illuminance", "klx"),
        ("lux", "illuminance", None),
        ("elapsed time (ms)", "time", "ms"),
        ("raw V", "voltage_code", None),
        ("ADC current", "current_code", None),
    ],
)
def test_a_heading_is_understood(heading, quantity, unit):
    read = read_heading(heading)
    assert (read.quantity, read.unit and read.unit.name) == (quantity, unit)


def test_separator_and_marks_are_said_where_they_are_not_comma_and_point():
    notes = read("U (mV);I\n1.480,5;0,1\n").notes
    assert "read cells separated by semicolons" in notes
    assert "read the comma as decimal mark" in notes
    assert "read . as mark between thousands" in notes


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "U/V,I/A\n1,1\n1e308,1\n",
            "row 3, column 'U/V': '1e308' V is no voltage that can be; corr",
        ),
        ("U/V,I/mA\n1,-2e12\n", "row 2, column 'I/mA': '-2e12' mA is no current that can be"),
        ("R,U\n1e30,1\n", "row 2, column 'R': '1e30' ohm is no load that can be"),
        ("T_degC,U\n298.2,1\n", "row 2, column 'T_degC': '298.2' degC is no temperature that can"),
        ("voltage_code,I/A\n1e99,1\n", "'1e99' counts is no voltage code that can be"),
    ],
)
def test_numbers_that_no_panel_gives_are_refused_at_their_place(text, message):
    with pytest.raises(TableError, match=re.escape(message)):
        read(text)
