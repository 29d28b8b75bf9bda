"""The rows of a log, from bytes to columns: as a whole where that goes, else line by line.

pandas refuses a million rows for one broken line: a piece that it refuses is halved until the line
stands alone, and that one is named and left out.
"""

import io
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.layout import Layout, passed_over
from ivkit.readings.lines import is_comment, is_empty
from ivkit.readings.log_columns import LogColumn
from ivkit.readings.written_number import Marks

Array = NDArray[np.float64]
_WHOLE = 1 << 26  # bytes: a larger file is read in pieces, so that little of it is held at once
_PIECE = 1 << 24
_LEAF = 4096  # bytes below which a piece is read line by line


@dataclass(frozen=True)
class Damage:
    """Rows that could not be read: what is wrong, how many, and the first of them."""

    what: str
    count: int
    rows: tuple[int, ...]


class Body:
    """The readings below the heading, from line ``first_row`` on, collected piece by piece.

    ``doubts`` and ``others`` are columns that are not read, and why.
    """

    def __init__(
        self,
        layout: Layout,
        readers: list[LogColumn],
        marks: Marks,
        first_row: int,
        doubts: list[str],
        others: list[str],
    ) -> None:
        self.layout, self.readers, self.marks = layout, readers, marks
        self.first_row, self.doubts, self.others = first_row, doubts, others
        self.headings = {r.quantity: r.heading for r in readers}
        self._damage: dict[str, list[int]] = {}
        self._rows: list[NDArray[np.int64]] = []

    def read_from(self, stream: BinaryIO, path: str | Path | None) -> None:
        """Read a file; ``path``, where it has one, goes faster."""
        if path is not None and os.fstat(stream.fileno()).st_size <= _WHOLE:
            self._to_first_row(stream)
            content = _ended(stream.read())
            if b"\r" not in content and self._read_fast(content, self.first_row, path):
                return
            stream.seek(0)
        for _ in self.pieces(stream, _PIECE):
            pass

    def _to_first_row(self, stream: BinaryIO) -> None:
        for _ in range(self.first_row - 1):
            stream.readline()

    def pieces(self, stream: BinaryIO, size: int) -> Iterator[None]:
        """Read a file; after each piece `columns` gives what it held."""
        self._to_first_row(stream)
        row, rest = self.first_row, b""
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
        # One broken line makes a whole piece fail: halve it until the line stands alone.
        middle = piece.find(b"\n", len(piece) // 2) + 1
        if len(piece) <= _LEAF or middle in (0, len(piece)):
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
        cuts = lines * (self.layout.width - 1)
        if separator != " " and _count(piece, separator.encode()) != cuts:
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
        if len(frame) != lines or (separator == " " and frame.isna().to_numpy().any()):
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
                fewer = "fewer" if len(cells) < self.layout.width else "more"
                self._damaged(f"has {fewer} cells than the table has columns", number)
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
        self._damage.setdefault(what, []).append(row)

    def told_damage(self) -> tuple[Damage, ...]:
        """Return what could not be read so far."""
        return tuple(Damage(w, len(at), tuple(sorted(at)[:5])) for w, at in self._damage.items())

    def notes(self, skipped: int = 0) -> tuple[str, ...]:
        """Return what was understood, ``skipped`` lines before the heading included."""
        notes = [note for r in self.readers for note in r.notes()]
        notes += passed_over(skipped) + self.doubts
        if self.others:
            notes.append("not used: " + ", ".join(f"'{h}'" for h in self.others))
        return tuple(notes)

    def columns(self) -> tuple[NDArray[np.int64], dict[str, Array]]:
        """Return rows and columns of what was read; lines with nothing in them are gone."""
        rows = np.concatenate([np.empty(0, np.int64), *self._rows])
        self._rows = []
        columns = {r.quantity: r.finish() for r in self.readers}
        blank = _all_blank(columns.values())
        if blank is not None and blank.any():
            rows = rows[~blank]
            columns = {q: values[~blank] for q, values in columns.items()}
        return rows, columns


def _ended(content: bytes) -> bytes:
    """Return lines of which the last one is ended too."""
    return content if content.endswith(b"\n") or not content else content + b"\n"


def _count(content: bytes, byte: bytes) -> int:
    """Return how often a byte occurs; for frequent bytes far faster than ``bytes.count``."""
    return int(np.count_nonzero(np.frombuffer(content, dtype=np.uint8) == ord(byte)))


def _all_blank(columns: Iterable[Array]) -> NDArray[np.bool_] | None:
    """Return where every column is blank, stopping at the first that nowhere is."""
    found: NDArray[np.bool_] | None = None
    for values in columns:
        found = np.isnan(values) if found is None else found & np.isnan(values)
        if not found.any():
            break
    return found
