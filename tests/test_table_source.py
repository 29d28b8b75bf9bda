"""Tables come from files, streams and workbooks; what is no text is said to be none."""

import datetime
import io
import sys
import zipfile

import numpy as np
import pytest

from ivkit.errors import FileError, IvkitError, TableError
from ivkit.readings.table import read_table
from tests.tables import READ


@pytest.mark.parametrize("case", READ)
@pytest.mark.parametrize(
    ("encoding", "mark"),
    [("utf-8", b""), ("utf-8-sig", b""), ("utf-16", b""), ("utf-16-le", b""), ("utf-16-be", b"")],
)
def test_every_table_reads_the_same_in_every_unicode(case, encoding, mark, tmp_path):
    text, expected = READ[case]
    path = tmp_path / "sweep.csv"
    path.write_bytes(mark + text.replace("\n", "\r\n").encode(encoding))
    table = read_table(path)
    plain = read_table(io.StringIO(text))
    assert set(table.columns) == set(expected)
    for quantity in expected:
        np.testing.assert_array_equal(table[quantity], plain[quantity])
    np.testing.assert_array_equal(table.rows, plain.rows)


def test_latin_1_is_read_and_said(tmp_path):
    path = tmp_path / "sweep.csv"
    path.write_bytes("Temp. (°C);U (µV);I\n31,5;20;0,1\n".encode("latin-1"))
    table = read_table(path)
    assert (table["temperature"], table["voltage"]) == (31.5, 2e-5)
    assert "read the file as latin-1" in table.notes


def test_standard_input_is_read(monkeypatch):
    stream = io.TextIOWrapper(io.BytesIO(b"\xef\xbb\xbfU,I\n1,2\n"))
    monkeypatch.setattr(sys, "stdin", stream)
    table = read_table("-")
    assert (table.name, table["voltage"]) == ("standard input", 1)


def test_standard_input_that_is_already_text_is_read(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("U,I\n1,2\n"))
    assert read_table("-")["current"] == 2


def test_a_stream_that_was_handed_over_stays_open():
    stream = io.BytesIO(b"U,I\n1,2\n")
    read_table(stream)
    assert not stream.closed


def test_a_missing_file_is_named():
    with pytest.raises(
        FileError, match=r"nowhere\.csv: cannot read: No such file .*check the path"
    ):
        read_table("nowhere.csv")


def test_a_folder_is_no_table(tmp_path):
    with pytest.raises(FileError, match=r"cannot read: Is a directory; give a file"):
        read_table(tmp_path)


def test_a_name_with_a_nul_is_refused():
    with pytest.raises(FileError, match="the name holds a NUL"):
        read_table("a\0b")


@pytest.mark.parametrize(
    ("content", "error", "pattern"),
    [
        (b"U,I\n1,2\n3,\0\n", TableError, r"row 3: a NUL byte, which no text holds; export"),
        (bytes(range(256)), TableError, r"a NUL byte"),
        (b"U,I\n1,\x81\n", FileError, r"byte 0x81 is no text; save it as UTF-8"),
        (b"\xff\xfeU\0,\0I", FileError, r"it is UTF-16 text, but damaged"),
        (b"\x1f\x8b\x08 rest", FileError, r"it is compressed; unpack it first"),
        (b"BZh91AY", FileError, r"it is compressed"),
        (b"\xfd7zXZ", FileError, r"it is compressed"),
        (b"\xd0\xcf\x11\xe0\xa1", FileError, r"it is an old binary workbook; save it as .xlsx"),
        (b"%PDF-1.7", FileError, r"it is a PDF; copy the table"),
        (b"PK\x03\x04 no zip", FileError, r"it is no workbook that can be read"),
    ],
)
def test_what_is_no_text_is_said_to_be_none(content, error, pattern, tmp_path):
    path = tmp_path / "sweep.csv"
    path.write_bytes(content)
    with pytest.raises(error, match=pattern) as raised:
        read_table(path)
    assert "sweep.csv" in str(raised.value)
    with pytest.raises(error, match=pattern):
        read_table(io.BytesIO(content))


def test_a_nul_far_into_the_file_is_found(tmp_path):
    path = tmp_path / "sweep.csv"
    path.write_bytes(b"U,I\n" + b"1,2\n" * 400_000 + b"1,\x002\n")
    with pytest.raises(TableError, match="row 400002: a NUL byte"):
        read_table(path)
    with pytest.raises(TableError, match="row 3: a NUL byte"):
        read_table(io.StringIO("U,I\n1,2\n3,\0\n"))


def workbook(path, **sheets):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_a_workbook_is_read_with_its_gaps_and_numbers(tmp_path):
    rows = [["shed"], [], [None, "U (mV)", "I (mA)"], [None, 425, 0.1 + 0.2], [None, None, 60.25]]
    table = read_table(workbook(tmp_path / "sweep.xlsx", Readings=rows))
    np.testing.assert_array_equal(table["voltage"], [0.425, np.nan])
    np.testing.assert_allclose(table["current"], [3e-4, 0.06025], rtol=1e-15)
    assert table.rows.tolist() == [4, 5]
    assert table.resolution["current"] == 1e-5
    assert "read sheet 'Readings'" in table.notes


def test_dates_and_times_in_a_workbook_are_times(tmp_path):
    rows = [
        ["time", "U"],
        [datetime.datetime(2024, 5, 3, 12), 1],
        [datetime.datetime(2024, 5, 3, 12, 1), 2],
    ]
    assert read_table(workbook(tmp_path / "a.xlsx", A=rows))["time"].tolist() == [0, 60]
    rows = [["time", "U"], [datetime.time(12), 1], [datetime.time(12, 0, 5), 2]]
    assert read_table(workbook(tmp_path / "b.xlsx", A=rows))["time"].tolist() == [0, 5]


def test_the_sheet_with_the_table_is_found_or_asked_for(tmp_path):
    notes, first, second = (
        [["lamp 3 days old"]],
        [["U", "I"], [1, 2], [2, 1]],
        [["U", "I"], [5, 6], [6, 5]],
    )
    path = workbook(tmp_path / "one.xlsx", Notes=notes, Sweep=first)
    assert read_table(path)["voltage"].tolist() == [1, 2]
    path = workbook(tmp_path / "two.xlsx", Notes=notes, A=first, B=second)
    with pytest.raises(
        TableError, match=r"two.xlsx: several sheets may be meant: 'A', 'B'; choose"
    ):
        read_table(path)
    assert read_table(path, sheet="B")["voltage"].tolist() == [5, 6]
    assert read_table(path, sheet=2)["voltage"].tolist() == [1, 2]
    with pytest.raises(TableError, match=r"no sheet 'C'; the sheets are 'Notes', 'A', 'B'"):
        read_table(path, sheet="C")
    with pytest.raises(TableError, match="it is empty"):
        read_table(workbook(tmp_path / "none.xlsx", A=[]))


def test_text_has_no_sheets():
    with pytest.raises(TableError, match="it is no workbook, so it has no sheets"):
        read_table(io.BytesIO(b"U,I\n1,2\n"), sheet="A")


def test_a_workbook_without_the_library_says_what_to_install(tmp_path, monkeypatch):
    path = workbook(tmp_path / "sweep.xlsx", A=[["U"], [1]])
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(
        FileError, match=r"needs openpyxl; install it with: pip install 'ivkit\[excel"
    ):
        read_table(path)


def test_a_workbook_that_unpacks_to_too_much_is_refused(tmp_path, monkeypatch):
    path = workbook(tmp_path / "sweep.xlsx", A=[["U"], [1]])
    monkeypatch.setattr("ivkit.readings.workbook._LARGEST", 10)
    with pytest.raises(FileError, match=r"it unpacks to \d+ bytes; save the sheet as CSV"):
        read_table(path)


def test_a_damaged_workbook_is_read_or_refused_but_never_trips(tmp_path):
    rows = [["U (mV)", "I (mA)"], *([k, 60 - k] for k in range(30))]
    sound = workbook(tmp_path / "sweep.xlsx", A=rows, B=[["x"]]).read_bytes()
    random = np.random.default_rng(20240503)
    for _ in range(150):
        damaged = bytearray(sound)
        for place in random.integers(0, len(sound), size=random.integers(1, 6)):
            damaged[place] = random.integers(0, 256)
        if random.random() < 0.2:
            del damaged[random.integers(4, len(sound)) :]
        try:
            table = read_table(io.BytesIO(bytes(damaged)))
        except IvkitError as error:
            refusal = str(error)
        else:
            refusal = ""
            assert len(table) > 0
        assert "\n" not in refusal


def test_a_workbook_with_a_row_number_beyond_any_sheet_is_refused(tmp_path):
    path = workbook(tmp_path / "sweep.xlsx", A=[["U", "I"], [1, 2]])
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b'<row r="2"', b'<row r="99999999999"')
    with zipfile.ZipFile(path, "w") as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    with pytest.raises(FileError, match="it is no workbook that can be read"):
        read_table(path)
