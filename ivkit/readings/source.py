"""Where a table comes from: a file, standard input or an open stream, as lines or as a grid."""

import codecs
import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, TextIO

from ivkit.errors import FileError, TableError

_CHUNK = 1 << 20
_LONGEST_LINE = 1_000_000
_PACKED = ("it is compressed", "unpack it first")
_SIGNATURES = {
    **dict.fromkeys((b"\x1f\x8b", b"BZh", b"\xfd7zXZ"), _PACKED),
    b"\xd0\xcf\x11\xe0": ("it is an old binary workbook", "save it as .xlsx or as CSV"),
    b"%PDF": ("it is a PDF", "copy the table into a text file"),
}


@dataclass
class Source:
    """The lines of a table.

    ``lines`` are (number from 1, text without the line end); a quoted cell that holds a line break
    is one line, numbered by its first. ``name`` is the path as given, or ``standard input``;
    ``encoding`` ``utf-8``, ``utf-16`` (or ``-le``, ``-be``), ``cp1252`` (latin-1 with dashes and
    quotes), ``workbook``, or ``text`` where it came decoded; ``unended`` the number of the last
    line where that has no line end, as in a file still being written, 0 otherwise and before;
    ``sheet`` the title of a workbook's.
    """

    name: str
    lines: Iterator[tuple[int, str]]
    encoding: str
    unended: int = 0
    sheet: str = ""


@contextmanager
def open_source(source: str | Path | TextIO | BinaryIO, sheet: str | int | None = None):
    """Open a table for reading and yield its `Source`; ``-`` is standard input.

    A stream that was handed over is read to its end, not closed. ``sheet`` of a workbook is by name
    or counted from 1.

    FileError: missing, a folder, not permitted, binary, compressed, or a workbook that cannot be
    read. TableError: NUL bytes.
    """
    if is_path(source):
        name = str(source)
        with opened(source) as stream:
            yield _from_binary(stream if stream.seekable() else _slurp(stream, name), name, sheet)
        return
    stream, name = stream_and_name(source)
    if isinstance(stream.read(0), str):
        result = Source(name, iter(()), "text")
        result.lines = _numbered(stream, result)
        yield result
    else:
        yield _from_binary(_slurp(stream, name), name, sheet)


def is_path(source: Any) -> bool:
    """Tell whether a source is a file, not an open stream or ``-`` for standard input."""
    return isinstance(source, str | Path) and str(source) != "-"


def stream_and_name(source: Any) -> tuple[Any, str]:
    """Return a stream that is open already, and what messages call it."""
    if isinstance(source, str | Path):
        return getattr(sys.stdin, "buffer", sys.stdin), "standard input"
    name = getattr(source, "name", None)
    return source, name if isinstance(name, str) else "table"


@contextmanager
def opened(path: str | Path) -> Iterator[BinaryIO]:
    """Open a file for its bytes; what the system has against that is a `FileError`."""
    try:
        stream = open(path, "rb")  # noqa: SIM115 (closed below)
    except OSError as problem:
        remedy = "give a file" if isinstance(problem, IsADirectoryError) else "check the path"
        what = f"cannot read: {problem.strerror or problem}"
        raise FileError(what, str(path), remedy) from None
    except ValueError:
        raise FileError("the name holds a NUL", repr(str(path)), "check the path") from None
    with stream:
        try:
            yield stream
        except OSError as problem:
            if isinstance(problem, FileError):
                raise
            raise FileError(f"cannot read: {problem.strerror or problem}", str(path)) from None


def _slurp(stream: BinaryIO, name: str) -> BinaryIO:
    """Read a stream that cannot be rewound; stop at the first chunk that is plainly no text."""
    chunks = []
    while chunk := stream.read(_CHUNK):
        if not chunks:
            _sniff_start(chunk, name)
        chunks.append(chunk)
    return io.BytesIO(b"".join(chunks))


def _from_binary(stream: BinaryIO, name: str, sheet: str | int | None) -> Source:
    start = stream.read(4096)
    stream.seek(0)
    if start.startswith(b"PK\x03\x04"):
        from ivkit.readings.workbook import workbook_lines

        lines, title = workbook_lines(stream, name, sheet)
        return Source(name, lines, "workbook", sheet=title)
    if sheet is not None:
        raise TableError("it is no workbook, so it has no sheets", name, "leave out the sheet")
    encoding = _find_encoding(stream, name)
    stream.seek(0)
    text = io.TextIOWrapper(stream, encoding=encoding)
    result = Source(name, iter(()), encoding.removesuffix("-sig"))
    result.lines = _numbered(text, result)
    return result


def _sniff_start(start: bytes, name: str) -> str | None:
    """Return the UTF-16 flavour of a file by its first bytes, None for 8-bit text."""
    for signature, (what, remedy) in _SIGNATURES.items():
        if start.startswith(signature):
            raise FileError(what, name, remedy)
    if start.startswith(b"PK\x03\x04"):
        return None
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    even, odd = start[0:1024:2], start[1:1024:2]
    if odd and odd.count(0) > 0.8 * len(odd) and not even.count(0):
        return "utf-16-le"
    if even and even.count(0) > 0.8 * len(even) and not odd.count(0):
        return "utf-16-be"
    if b"\0" in start:
        raise _nul(start[: start.index(b"\0")].count(b"\n") + 1, name)
    return None


def _nul(row: int, name: str) -> TableError:
    return TableError(
        "a NUL byte, which no text holds",
        f"{name}, row {row}",
        "export the table again as CSV; the file is binary or damaged",
    )


def _find_encoding(stream: BinaryIO, name: str) -> str:
    """Return the encoding of a whole stream: UTF-16 by its look, UTF-8 if valid, else latin-1."""
    chunk = stream.read(_CHUNK)
    wide = _sniff_start(chunk, name)
    decoder = codecs.getincrementaldecoder(wide or "utf-8")()
    row, valid = 1, True
    while chunk or valid:
        if not wide and b"\0" in chunk:
            raise _nul(row + chunk[: chunk.index(b"\0")].count(b"\n"), name)
        try:
            if valid:
                decoder.decode(chunk, final=not chunk)
        except UnicodeDecodeError:
            valid = False
        if not chunk:
            break
        row += chunk.count(b"\n")
        chunk = stream.read(_CHUNK)
    if wide and not valid:
        raise FileError("it is UTF-16 text, but damaged", name, "export it again, as UTF-8")
    # cp1252 is latin-1 with dashes and quotes where latin-1 has control characters.
    return wide or ("utf-8-sig" if valid else "cp1252")


def _numbered(stream, source: Source) -> Iterator[tuple[int, str]]:
    """Yield numbered lines, with quoted line breaks joined, and note whether the last one ended."""
    number, held, since = 1, [], 0
    try:
        while chunk := stream.readlines(_CHUNK):
            if not chunk[-1].endswith("\n"):
                source.unended = number + len(chunk) - 1
            joined = "".join(chunk)
            if max(map(len, chunk)) > _LONGEST_LINE:
                row = number + next(k for k, t in enumerate(chunk) if len(t) > _LONGEST_LINE)
                what = f"the line has more than {_LONGEST_LINE} characters"
                raise TableError(what, f"{source.name}, row {row}", "write one reading a line")
            if "\0" in joined:
                raise _nul(number + joined[: joined.index("\0")].count("\n"), source.name)
            lines = [line.rstrip("\r\n\x1a") for line in chunk]
            if number == 1:
                lines[0] = lines[0].lstrip("\ufeff")
            if not held and '"' not in joined:
                yield from enumerate(lines, start=number)
                number += len(lines)
                continue
            for number, line in enumerate(lines, start=number):  # noqa: B020 (goes on counting)
                if not held and line.count('"') % 2 == 0:
                    yield number, line
                    continue
                since = since if held else number
                held.append(line)
                if "\n".join(held).count('"') % 2 == 0:
                    yield since, " ".join(held)
                    held = []
                elif len(held) > 4:
                    # No cell spans five lines: the quote is an inch mark or was never closed.
                    yield from enumerate(held, start=since)
                    held = []
            number += 1
    except UnicodeDecodeError as problem:
        raise FileError(
            f"byte {problem.object[problem.start]:#04x} is no text", source.name, "save it as UTF-8"
        ) from None
    finally:
        # The file beneath belongs to whoever opened it; only the wrapper ends here.
        if isinstance(stream, io.TextIOWrapper) and not stream.closed:
            stream.detach()
    yield from enumerate(held, start=since)
