"""Lines as they are written: from standard input, a device, or a file that grows.

Waiting is done by the operating system where it can be (`select`); a file that grows is looked at
ten times a second. A file that shrinks, or whose name is given to another file, is read from its
start again.
"""

import os
import select
import stat
import sys
import time
from collections.abc import Callable
from typing import Protocol

from ivkit.errors import FileError
from ivkit.readings.line_split import Line, LineSplitter

_CHUNK = 1 << 16
_LOOK = 0.1  # s between two looks at a file that grows


class Lines(Protocol):
    """Where lines come from."""

    name: str

    def read(self, timeout: float) -> list[Line] | None:
        """Return the lines of the next ``timeout`` s, perhaps none; None at the end."""

    def close(self) -> None:
        """Let go of the file."""


def open_lines(source: str, follow: bool = False) -> Lines:
    """Open a file, a device, or ``-`` for standard input. FileError: it cannot be opened."""
    if source == "-":
        return Stream(sys.stdin.fileno(), "standard input")
    try:
        descriptor = os.open(source, os.O_RDONLY | getattr(os, "O_NOCTTY", 0))
    except ValueError:
        raise FileError("the name holds a NUL", repr(source), "check the path") from None
    except OSError as problem:
        raise _unreadable(source, problem) from None
    kind = os.fstat(descriptor).st_mode
    if stat.S_ISDIR(kind):
        os.close(descriptor)
        raise FileError("is a folder", source, "give a file")
    if stat.S_ISREG(kind):
        return GrowingFile(source, descriptor, follow)
    return Stream(descriptor, source)


def _unreadable(source: str, problem: OSError) -> FileError:
    why = (problem.strerror or str(problem)).lower()
    return FileError(f"cannot read: {why}", source, "check the path")


class Stream:
    """Lines of a pipe, a terminal line or a device."""

    def __init__(self, descriptor: int, name: str) -> None:
        self.descriptor, self.name = descriptor, name
        self._splitter = LineSplitter()
        self._ended = False

    def read(self, timeout: float) -> list[Line] | None:
        """Return the lines of the next ``timeout`` s, perhaps none; None at the end."""
        if self._ended:
            return None
        if os.name == "posix" and not select.select([self.descriptor], [], [], timeout)[0]:
            return []
        try:
            chunk = os.read(self.descriptor, _CHUNK)
        except OSError:  # the device was pulled out: that is its end
            chunk = b""
        if chunk:
            return self._splitter.take(chunk)
        self._ended = True
        return self._splitter.finish() or None

    def close(self) -> None:
        """Let go of the device."""
        if self.descriptor > 2:
            os.close(self.descriptor)


class GrowingFile:
    """Lines of a file, from its start; with ``follow`` also those that are written later.

    A file that is emptied and written beyond its former length between two looks cannot be told
    from one that grew.
    """

    def __init__(
        self, name: str, descriptor: int, follow: bool, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self.name, self.follow, self._sleep = name, follow, sleep
        self._descriptor = descriptor
        self._splitter = LineSplitter()
        self._ended = False

    def read(self, timeout: float) -> list[Line] | None:
        """Return the lines of the next ``timeout`` s, perhaps none; None at the end."""
        if self._ended:
            return None
        left = timeout
        while True:
            chunk = os.read(self._descriptor, _CHUNK)
            if chunk:
                return self._splitter.take(chunk)
            if not self.follow:
                self._ended = True
                return self._splitter.finish() or None
            lines = self._look()
            if lines is None:
                continue
            if lines or left <= 0:
                return lines
            self._sleep(min(_LOOK, left))
            left -= _LOOK

    def _look(self) -> list[Line] | None:
        """At the file's end: see whether it was emptied or replaced; None to read at once."""
        mine = os.fstat(self._descriptor)
        if mine.st_size < os.lseek(self._descriptor, 0, os.SEEK_CUR):
            os.lseek(self._descriptor, 0, os.SEEK_SET)
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
        if rest := os.read(self._descriptor, _CHUNK):  # written just before it was moved
            os.close(descriptor)
            return self._splitter.take(rest)
        os.close(self._descriptor)
        self._descriptor = descriptor
        torn = self._splitter.finish()
        self._splitter.forget()
        return torn or None

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._descriptor)
