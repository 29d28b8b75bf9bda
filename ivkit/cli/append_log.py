"""A log that is added to, so that a cut leaves whole lines.

Each line goes to the file in one write to its end. Once a second, and when all is done, the file
is brought to the disk (`fsync`): a cut of the power loses a second at most, a killed program
nothing. What a cut has left of a last line stays there; the next run begins on a line of its own.
"""

import os
import stat
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from ivkit.errors import FileError

_SYNC = 1.0  # s


class AppendLog:
    """A log open for adding.

    Parameters
    ----------
    path : str
    heading : str
        Its first line; a file that begins otherwise is refused.
    inputs : iterable of str or Path
        Files that are being read: none of them may be the log.
    clock : callable
        Seconds, for the time between two calls of ``fsync``.

    Raises
    ------
    FileError
        The log is an input, has another heading, or cannot be written.
    """

    def __init__(
        self,
        path: str,
        heading: str,
        inputs: Iterable[str | Path] = (),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path, self._clock = path, clock
        taken = {os.path.realpath(name) for name in inputs if str(name) != "-"}
        if os.path.realpath(path) in taken:
            raise FileError("is an input of this command", path, "give another name")
        try:
            flags = os.O_RDWR | os.O_APPEND | os.O_CREAT
            self._descriptor = os.open(path, flags, 0o666)
        except (OSError, ValueError) as problem:
            raise self._failed(problem) from None
        try:
            self._begin(heading)
        except BaseException:
            os.close(self._descriptor)
            raise
        self._synced = clock()

    def _begin(self, heading: str) -> None:
        """Write what is missing before the first row: a heading, or the end of a torn line."""
        if not stat.S_ISREG(os.fstat(self._descriptor).st_mode):
            raise FileError("is no file that can be added to", self.path, "give another name")
        wanted = heading.encode() + b"\n"
        found = os.pread(self._descriptor, len(wanted), 0)
        if wanted.startswith(found):  # new, or cut within its heading
            if len(found) < len(wanted):
                self._write(wanted[len(found) :])
        elif found != wanted:
            raise FileError(
                "is no log of this command: it begins with other headings",
                self.path,
                "give another name, or move it away",
            )
        size = os.fstat(self._descriptor).st_size
        if os.pread(self._descriptor, 1, size - 1) != b"\n":
            self._write(b"\n")

    def add(self, line: str) -> None:
        """Add one line, without its end.

        Raises
        ------
        FileError
            The disk is full, or the file is gone.
        """
        self._write(line.encode("utf-8", "replace") + b"\n")
        if self._clock() - self._synced >= _SYNC:
            self._sync()

    def close(self) -> None:
        """Bring the file to the disk and let go of it."""
        try:
            self._sync()
        finally:
            os.close(self._descriptor)

    def _write(self, content: bytes) -> None:
        try:
            written = os.write(self._descriptor, content)
        except OSError as problem:
            raise self._failed(problem) from None
        if written < len(content):
            raise FileError("the disk is full", self.path, "make room, and start again")

    def _sync(self) -> None:
        try:
            os.fsync(self._descriptor)
        except OSError as problem:
            raise self._failed(problem) from None
        self._synced = self._clock()

    def _failed(self, problem: Exception) -> FileError:
        why = (getattr(problem, "strerror", None) or str(problem)).lower()
        return FileError(
            f"cannot be written ({why})", self.path, "check the folder and its permissions"
        )
