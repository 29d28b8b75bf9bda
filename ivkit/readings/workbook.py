"""The lines of one sheet of a workbook (.xlsx), as tab-separated text."""

import datetime
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import BinaryIO

from ivkit.errors import FileError, TableError
from ivkit.readings.lines import is_number

_LARGEST = 500_000_000
_MOST_ROWS = 1_048_576


def workbook_lines(
    stream: BinaryIO, name: str, sheet: str | int | None = None
) -> tuple[Iterator[tuple[int, str]], str]:
    """Return the numbered lines of a sheet, by name or counted from 1, and its title.

    Without ``sheet`` there must be one visible sheet that holds anything, or one that holds a table
    of numbers.

    FileError: openpyxl is not installed, or the file is no workbook. TableError: no such sheet, or
    several to choose from.
    """
    try:
        import openpyxl
    except ImportError:
        remedy = "install it with: pip install 'ivkit[excel]', or save the sheet as CSV"
        raise FileError("reading a workbook needs openpyxl", name, remedy) from None
    try:
        with zipfile.ZipFile(stream) as packed:
            size = sum(part.file_size for part in packed.infolist())
        if size > _LARGEST:
            raise FileError(f"it unpacks to {size} bytes", name, "save the sheet as CSV")
        stream.seek(0)
        with warnings.catch_warnings():
            # openpyxl warns of styles and drop-down lists, which hold no readings.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(stream, read_only=True, data_only=True)
            visible = {s.title for s in book.worksheets if s.sheet_state == "visible"}
            sheets = {s.title: _lines(s) for s in book.worksheets}
            book.close()
    except FileError:
        raise
    except Exception:
        # A damaged workbook makes zipfile, the XML parser and openpyxl raise a dozen kinds.
        raise FileError(
            "it is no workbook that can be read", name, "save it as .xlsx again, or as CSV"
        ) from None
    if sheet is not None:
        title = str(sheet)
        if title not in sheets and title.isdecimal() and 1 <= int(title) <= len(sheets):
            title = list(sheets)[int(title) - 1]
        if title not in sheets:
            raise TableError(f"no sheet '{sheet}'", name, f"the sheets are {_listed(sheets)}")
        return iter(sheets[title]), title
    filled = {title: lines for title, lines in sheets.items() if lines and title in visible}
    tables = {title: lines for title, lines in filled.items() if _holds_a_table(lines)}
    chosen = filled if len(filled) == 1 else tables
    if len(filled) > 1 and len(chosen) != 1:
        what = f"several sheets may be meant: {_listed(chosen or filled)}"
        raise TableError(what, name, "choose one with --sheet NAME")
    title, lines = next(iter(chosen.items()), ("", []))
    return iter(lines), title


def _listed(titles: Iterable[str]) -> str:
    return ", ".join(f"'{title}'" for title in titles)


def _lines(sheet) -> list[tuple[int, str]]:
    """Return the lines of a sheet as tab-separated text, each as wide as the widest."""
    sheet.reset_dimensions()
    lines = []
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > _MOST_ROWS:
            raise ValueError("a damaged row number, up to which openpyxl would fill in empty rows")
        if not any(cell is not None for cell in row):
            continue
        cells = [_text(cell) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            lines.append((number, "\t".join(cells)))
    width = max((line.count("\t") for _, line in lines), default=0)
    return [(number, line + "\t" * (width - line.count("\t"))) for number, line in lines]


def _text(cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime.datetime | datetime.time):
        return cell.isoformat()
    if isinstance(cell, float):
        # The fifteen digits that a spreadsheet shows: 0.3, not 0.30000000000000004.
        return f"{cell:.15g}"
    return " ".join(str(cell).split())


def _holds_a_table(lines: list[tuple[int, str]]) -> bool:
    """Tell whether two lines at least hold two numbers each."""
    rows = (line for _, line in lines if sum(map(is_number, line.split("\t"))) > 1)
    return len(list(islice(rows, 2))) == 2
