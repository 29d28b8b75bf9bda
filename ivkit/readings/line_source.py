"""Lines as they are written: from standard input, a device, or a file that grows.

A file that shrinks, or whose name is given to another file, is read from its start again.
"""

import os
import select
import stat
import sys
import time
from collections.abc import Callable

from ivkit.errors import FileError
from ivkit.readings.line_split import Line, LineSplitter

_CHUNK = 1 << 16
_LOOK = 0.1  # s between two looks at a file that grows


class Lines:
    """Where lines come from."""

    def __init__(self, name: str, descriptor: int) -> None:
        self.name, self.descriptor = name, descriptor
        self._splitter = LineSplitter()
        self._ended = False

    def read(self, timeout: float) -> list[Line] | None:
        """Return the lines of the next ``timeout`` s, perhaps none; None at the end."""
        return None if self._ended else self._read(timeout)

    def _end(self) -> list[Line] | None:
        self._ended = True
        return self._splitter.finish() or None

    def close(self) -> None:
        """Let go of the file, but of standard input and the like."""
        if self.descriptor > 2:
            os.close(self.descriptor)


def open_lines(source: str, follow: bool = False) -> Lines:
    """Open a file, a device, or ``-`` for standard input. FileError: it cannot be opened."""
    if source == "-":
        return Stream(sys.stdin.fileno(), "standard input")
    try:
        descriptor = os.open(source, os.O_RDONLY | getattr(os, "O_NOCTTY", 0))
    except ValueError:
        raise FileError("the name holds a NUL", repr(source), "check the path") from None
    except OSError as problem:
        why = (problem.strerror or str(problem)).lower()
        raise FileError(f"cannot read: {why}", source, "check the path") from None
    kind = os.fstat(descriptor).st_mode
    if stat.S_ISDIR(kind):
        os.close(descriptor)
        raise FileError("is a folder", source, "give a file")
    if stat.S_ISREG(kind):
        return GrowingFile(source, descriptor, follow)
    return Stream(descriptor, source)


class Stream(Lines):
    """Lines of a pipe, a terminal line or a device."""

    def __init__(self, descriptor: int, name: str) -> None:
        super().__init__(name, descriptor)

    def _read(self, timeout: float) -> list[Line] | None:
        if os.name == "posix" and not select.select([self.descriptor], [], [], timeout)[0]:
            return []
        try:
            chunk = os.read(self.descriptor, _CHUNK)
        except OSError:  # the device was pulled out: that is its end
            chunk = b""
        return self._splitter.take(chunk) if chunk else self._end()


class GrowingFile(Lines):
    """Lines of a file, from its start; with ``follow`` also those that are written later.

    A file that is emptied and written beyond its former length between two looks cannot be told
    from one that grew.
    """

    def __init__(
        self, name: str, descriptor: int, follow: bool, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        super().__init__(name, descriptor)
        self.follow, self._sleep = follow, sleep

    def _read(self, timeout: float) -> list[Line] | None:
        left = timeout
        while True:
            if chunk := os.read(self.descriptor, _CHUNK):
                return self._splitter.take(chunk)
            if not self.follow:
                return self._end()
            lines = self._look()
            if lines is None:
                continue
            if lines or left <= 0:
                return lines
            self._sleep(min(_LOOK, left))
            left -= _LOOK

    def _look(self) -> list[Line] | None:
        """At the file's end: see whether it was emptied or replaced; None to read at once."""
        mine = os.fstat(self.descriptor)
        if mine.st_size < os.lseek(self.descriptor, 0, os.SEEK_CUR):
            os.lseek(self.descriptor, 0, os.SEEK_SET)
            self._splitter.forget()
            return None
        try:
            named = os.stat(self.name)
        except OSError:  # moved away, and the next one not there yet
            return []
        if (named.st_dev, named.st_ino) == (mine.st_dev, mine.st_ino):
            return []
        try:
            descriptor = os.open(self.name, os.O_RDONLY)
        except OSError:
            return []
        if rest := os.read(self.descriptor, _CHUNK):  # written just before it was moved
            os.close(descriptor)
            return self._splitter.take(rest)
        os.close(self.descriptor)
        self.descriptor = descriptor
        torn = self._splitter.finish()
        self._splitter.forget()
        return torn or None
