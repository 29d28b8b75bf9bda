"""The rows of a log, from bytes to columns: as a whole where that goes, else line by line.

pandas reads a million plain rows in a tenth of a second, and refuses all of them for one broken
line. So a piece that it refuses is halved until the broken line stands alone, and that one is
named and left out.
"""

import io
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.layout import Layout, is_comment, is_empty
from ivkit.readings.log_columns import LogColumn
from ivkit.readings.written_number import Marks

Array = NDArray[np.float64]
_WHOLE = 1 << 26  # bytes: a larger file is read in pieces, so that little of it is held at once
_PIECE = 1 << 24
_LEAF = 4096  # bytes below which a piece is read line by line


class Body:
    """The readings below the heading, collected piece by piece."""

    def __init__(self, layout: Layout, readers: list[LogColumn], marks: Marks) -> None:
        self.layout, self.readers, self.marks = layout, readers, marks
        self.damage: dict[str, list[int]] = {}
        self._rows: list[NDArray[np.int64]] = []

    def read_from(self, stream: BinaryIO, first_row: int, path: str | Path | None) -> None:
        """Read a file from line ``first_row`` on; ``path``, where it has one, goes faster."""
        for _ in range(first_row - 1):
            stream.readline()
        begin, row = stream.tell(), first_row
        if path is not None and os.fstat(stream.fileno()).st_size <= _WHOLE:
            content = _ended(stream.read())
            if b"\r" not in content and self._read_fast(content, row, path):
                return
            stream.seek(begin)
        for _ in self._in_pieces(stream, row, _PIECE):
            pass

    def pieces(self, stream: BinaryIO, first_row: int, size: int) -> Iterator[None]:
        """Read a file from line ``first_row`` on; after each piece `columns` gives what it held."""
        for _ in range(first_row - 1):
            stream.readline()
        yield from self._in_pieces(stream, first_row, size)

    def _in_pieces(self, stream: BinaryIO, row: int, size: int) -> Iterator[None]:
        rest = b""
        while chunk := stream.read(size):
            chunk = rest + chunk
            end = chunk.rfind(b"\n") + 1
            piece, rest = chunk[:end], chunk[end:]
            if piece:
                self.read(piece, row)
                row += _count(piece, b"\n")
                yield
        if rest:
            self.read(_ended(rest), row)
            yield

    def read(self, piece: bytes, row: int) -> None:
        """Read a piece of whole lines, the first of which is line ``row``."""
        if self._read_fast(piece, row):
            return
        if len(piece) <= _LEAF:
            self._read_lines(piece, row)
            return
        # One broken line makes a whole piece fail: halve it until the line stands alone.
        middle = piece.find(b"\n", len(piece) // 2) + 1
        if middle in (0, len(piece)):
            self._read_lines(piece, row)
            return
        self.read(piece[:middle], row)
        self.read(piece[middle:], row + piece.count(b"\n", 0, middle))

    def _read_fast(self, piece: bytes, row: int, path: Any = None) -> bool:
        """Read a piece in which every line has its cells and every cell is what it should be."""
        separator = self.layout.separator
        if not piece or b'"' in piece or b"\0" in piece or b"#" in piece:
            return False
        lines = _count(piece, b"\n")
        if separator != " " and _count(piece, separator.encode()) != lines * (
            self.layout.width - 1
        ):
            return False
        from pandas import read_csv

        # Each of these two keeps pandas from its fast way, so they are given only where needed.
        slow: dict[str, Any] = {} if piece.isascii() else {"encoding": "latin-1"}
        if self.layout.width > 2 * len(self.readers):
            slow["usecols"] = [r.place for r in self.readers]
        try:
            frame = read_csv(
                io.BytesIO(piece) if path is None else path,
                skiprows=0 if path is None else row - 1,
                header=None,
                names=list(range(self.layout.width)),
                dtype={r.place: r.dtype for r in self.readers},
                sep=r"\s+" if separator == " " else separator,
                decimal=self.marks.decimal,
                skip_blank_lines=False,
                index_col=False,
                na_values=["-", "--"],
                on_bad_lines="error",
                skipinitialspace=True,
                **slow,
            )
        except (ValueError, OverflowError):
            return False
        if len(frame) != lines:
            return False
        if separator == " " and frame.isna().to_numpy().any():
            return False
        values = [r.convert(frame[r.place]) for r in self.readers]
        if any(v is None for v in values):
            return False
        for reader, value in zip(self.readers, values, strict=True):
            reader.add(value)
        self._rows.append(np.arange(row, row + lines))
        return True

    def _read_lines(self, piece: bytes, row: int) -> None:
        """Read lines one by one; those that make no sense are named as damaged."""
        kept: list[int] = []
        values: list[list[float]] = [[] for _ in self.readers]
        text = piece.decode("utf-8", errors="replace").replace("\r", "")
        for number, line in enumerate(text.removesuffix("\n").split("\n"), start=row):
            if is_empty(line) or is_comment(line):
                continue
            cells = self.layout.cut(line)
            if len(cells) != self.layout.width:
                self._damaged(
                    f"has {'fewer' if len(cells) < self.layout.width else 'more'} cells than the "
                    "table has columns",
                    number,
                )
                continue
            try:
                found = [r.read_cell(cells[r.place]) for r in self.readers]
            except ValueError:
                self._damaged("holds a cell that is no number", number)
                continue
            kept.append(number)
            for column, value in zip(values, found, strict=True):
                column.append(value)
        for reader, column in zip(self.readers, values, strict=True):
            reader.add(np.array(column, dtype=float))
        self._rows.append(np.array(kept, dtype=np.int64))

    def _damaged(self, what: str, row: int) -> None:
        self.damage.setdefault(what, []).append(row)

    def columns(self) -> tuple[NDArray[np.int64], dict[str, Array], list[str]]:
        """Return rows, columns and what was understood; lines with nothing in them are gone."""
        rows = _joined(self._rows, np.int64)
        self._rows = []
        columns = {r.quantity: r.finish() for r in self.readers}
        blank = _all(np.isnan, list(columns.values()))
        if blank is not None and blank.any():
            rows = rows[~blank]
            columns = {q: values[~blank] for q, values in columns.items()}
        notes = [note for r in self.readers for note in r.notes()]
        return rows, columns, notes


def _ended(content: bytes) -> bytes:
    """Return lines of which the last one is ended too."""
    return content if content.endswith(b"\n") or not content else content + b"\n"


def _count(content: bytes, byte: bytes) -> int:
    """Return how often a byte occurs; for frequent bytes far faster than ``bytes.count``."""
    return int(np.count_nonzero(np.frombuffer(content, dtype=np.uint8) == ord(byte)))


def _joined(parts: list[Any], kind: Any) -> Any:
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else np.empty(0, dtype=kind)


def _all(test: Callable, columns: list[Array]) -> NDArray[np.bool_] | None:
    """Return where every column passes, stopping at the first that nowhere does."""
    found: NDArray[np.bool_] | None = None
    for values in columns:
        passes = test(values)
        found = passes if found is None else found & passes
        if not found.any():
            return found
    return found
