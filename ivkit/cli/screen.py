"""A block of lines at the bottom of a terminal, drawn over itself.

Only lines that have changed are written, all of a frame at once, and the screen is never cleared:
nothing flickers, little goes over the line of an ssh session, and what stood above stays there to
be scrolled back to.
"""

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from typing import TextIO

_UP, _REST, _DOWN = "\x1b[{}A", "\x1b[K", "\x1b[J"
_HIDE, _SHOW, _PLAIN = "\x1b[?25l", "\x1b[?25h", "\x1b[0m"
#: The tone is never alone: the word says the same.
_TONES = {"figure": "\x1b[1m", "good": "\x1b[1;32m", "bad": "\x1b[1;31m", "unknown": "\x1b[1;33m"}


def can_draw(stream: TextIO, environment: Mapping[str, str]) -> bool:
    """Tell whether a stream is a terminal that takes steering signs."""
    try:
        terminal = stream.isatty()
    except ValueError:
        return False
    return terminal and environment.get("TERM", "dumb" if os.name == "posix" else "") != "dumb"


def with_colour(environment: Mapping[str, str]) -> bool:
    """Tell whether colour is wanted: not where NO_COLOR is set to anything."""
    return not environment.get("NO_COLOR")


def speaks_unicode(stream: TextIO) -> bool:
    """Tell whether the stream's encoding has the signs of the view."""
    try:
        "█▁µ↑·▌".encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


class Screen:
    """Draws blocks of lines one over another.

    Parameters
    ----------
    stream : TextIO
        The terminal.
    colour : bool
    size : callable
        Columns and lines of the terminal.
    """

    def __init__(
        self,
        stream: TextIO,
        colour: bool = True,
        size: Callable[[], tuple[int, int]] = shutil.get_terminal_size,
    ) -> None:
        self.stream, self.colour, self.size = stream, colour, size
        self._drawn: list[str] = []
        self._lengths: list[int] = []
        self._width = 0

    def draw(self, lines: Sequence[tuple[str, str]]) -> None:
        """Draw lines, each a text and a tone, over the ones before."""
        width = self.size()[0]
        out = [] if self._drawn else [_HIDE]
        if self._drawn and width != self._width:
            # The terminal has broken long lines anew: begin below where the block now starts.
            rows = sum(max(-(-length // max(width, 1)), 1) for length in self._lengths)
            out += ["\r", _UP.format(rows), _DOWN]
            self._drawn = []
        elif self._drawn:
            out += ["\r", _UP.format(len(self._drawn))]
        dressed = [self._dressed(text, tone) for text, tone in lines]
        for k, line in enumerate(dressed):
            old = self._drawn[k] if k < len(self._drawn) else None
            out.append("\r\n" if line == old else f"{line}{_REST}\r\n")
        if len(self._drawn) > len(dressed):
            out.append(_DOWN)
        if self._drawn != dressed or not self._drawn:
            self.stream.write("".join(out))
            self.stream.flush()
        self._drawn, self._width = dressed, width
        self._lengths = [len(text) for text, _ in lines]

    def leave(self) -> None:
        """Leave the block standing and give the cursor back."""
        if self._drawn:
            self.stream.write(f"\r{_REST}{_SHOW}")  # over the ^C that the terminal has echoed
            self.stream.flush()
        self._drawn = []

    def _dressed(self, text: str, tone: str) -> str:
        start = _TONES.get(tone, "") if self.colour and text else ""
        return f"{start}{text}{_PLAIN}" if start else text
