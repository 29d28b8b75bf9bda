"""The lines of one sheet of a workbook (.xlsx), as tab-separated text."""

import datetime
import zipfile
from collections.abc import Iterator
from typing import BinaryIO

from ivkit.errors import FileError, TableError

_LARGEST = 500_000_000


def workbook_lines(
    stream: BinaryIO, name: str, sheet: str | int | None = None
) -> Iterator[tuple[int, str]]:
    """Return numbered lines of a sheet; numbers are written in full, so nothing is lost.

    Parameters
    ----------
    stream : binary stream
        The workbook.
    name : str
        For messages.
    sheet : str or int, optional
        By name, or counted from 1. Without it the workbook must have one sheet that holds
        anything.

    Raises
    ------
    FileError
        openpyxl is not installed, or the file is no workbook.
    TableError
        No such sheet, or several to choose from.
    """
    try:
        import openpyxl
    except ImportError:
        raise FileError(
            "reading a workbook needs openpyxl",
            name,
            "install it with: pip install 'ivkit[excel]', or save the sheet as CSV",
        ) from None
    try:
        with zipfile.ZipFile(stream) as packed:
            size = sum(part.file_size for part in packed.infolist())
        if size > _LARGEST:
            raise FileError(f"it unpacks to {size} bytes", name, "save the sheet as CSV")
        stream.seek(0)
        book = openpyxl.load_workbook(stream, read_only=True, data_only=True)
        sheets = {s.title: _lines(s) for s in book.worksheets}
        book.close()
    except FileError:
        raise
    except Exception:
        # A damaged workbook makes zipfile, the XML parser and openpyxl raise a dozen kinds.
        raise FileError(
            "it is no workbook that can be read", name, "save it as .xlsx again, or as CSV"
        ) from None
    titles = ", ".join(f"'{title}'" for title in sheets)
    if sheet is not None:
        if isinstance(sheet, str) and sheet in sheets:
            return iter(sheets[sheet])
        if str(sheet).isdigit() and 1 <= int(sheet) <= len(sheets):
            return iter(list(sheets.values())[int(sheet) - 1])
        raise TableError(f"no sheet '{sheet}'", name, f"the sheets are {titles}")
    filled = {title: lines for title, lines in sheets.items() if lines}
    if len(filled) > 1:
        titles = ", ".join(f"'{title}'" for title in filled)
        raise TableError(
            f"several sheets hold something: {titles}", name, "choose one, or keep one in the file"
        )
    return iter(next(iter(filled.values()), []))


def _lines(sheet) -> list[tuple[int, str]]:
    sheet.reset_dimensions()
    lines = []
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
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
    return " ".join(str(cell).split())
