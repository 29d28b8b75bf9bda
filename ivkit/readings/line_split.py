"""From the bytes of a logger to its lines: bounded in memory, and never at a loss for a byte.

A serial line leaves NULs, half characters and lines without an end. Nothing of that stops the
reading: a line that is too long is cut and said to be, bytes that are no UTF-8 count as Latin-1.
"""

import codecs
from dataclasses import dataclass

LONGEST = 4096  # bytes; no logger writes a reading of that length


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its number from 1, its text without the end, and whether it was too long."""

    number: int
    text: str
    cut: bool = False


class LineSplitter:
    """Takes bytes as they come, gives whole lines, which end in LF, CR LF or CR; UTF-16 by its
    mark.

    >>> splitter = LineSplitter()
    >>> splitter.take(b"t,U")
    []
    >>> [line.text for line in splitter.take(b"_V" + bytes([13, 10]) + b"0,1.5" + bytes([10]))]
    ['t,U_V', '0,1.5']
    """

    def __init__(self, longest: int = LONGEST) -> None:
        self.longest = longest
        self.count = 0
        self._rest = b""
        self._dropping = False  # inside a line that is too long
        self._after_cr = False
        self._first = True
        self._mark = b""
        self._wide: codecs.IncrementalDecoder | None = None

    def take(self, chunk: bytes) -> list[Line]:
        """Return the lines that these bytes end."""
        if self._first and chunk:
            chunk, self._mark = self._mark + chunk, b""
            if chunk in (b"\xff", b"\xfe"):  # half of the mark of UTF-16, perhaps
                self._mark = chunk
                return []
            self._first = False
            if chunk[:2] in (b"\xff\xfe", b"\xfe\xff"):
                self._wide = codecs.getincrementaldecoder("utf-16")("replace")
        if self._wide is not None:
            chunk = self._wide.decode(chunk).encode("utf-8", "replace")
        if self._after_cr and chunk:
            chunk = chunk[1:] if chunk[:1] == b"\n" else chunk
            self._after_cr = False
        if b"\r" in chunk:
            # The LF of a CR LF may be in the next chunk: the line is given now all the same.
            self._after_cr = chunk.endswith(b"\r")
            chunk = chunk.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        parts = chunk.split(b"\n")
        out = []
        for k, part in enumerate(parts):
            if not self._dropping:
                self._rest += part
                if len(self._rest) > self.longest:
                    self._rest, self._dropping = self._rest[: self.longest], True
            if k < len(parts) - 1:
                out.append(self._end())
        return out

    def finish(self) -> list[Line]:
        """Return what stands after the last line end, if anything."""
        return [self._end()] if self._rest else []

    def forget(self) -> None:
        """Drop what has been taken of a line: its file begins anew."""
        self._rest, self._dropping, self._after_cr, self._first = b"", False, False, True
        self._wide = None

    def _end(self) -> Line:
        raw, cut = self._rest, self._dropping
        self._rest, self._dropping = b"", False
        self.count += 1
        try:
            text = raw.decode("utf-8-sig" if self.count == 1 else "utf-8")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
        return Line(self.count, text, cut)
