"""A terminal of few abilities, to see what a command would leave on a screen.

Carriage return, line feed, cursor up, erase to the end of line and of screen, and lines that break
at the right edge: what `ivkit watch` uses, as ECMA-48 (1991, 5th edition) has it. Anything else
is an error, so that nothing is used that has not been thought about.
"""

import re

_STEERING = re.compile(r"\x1b\[(\??)([0-9;]*)([A-Za-z])")


class Terminal:
    """A screen of ``width`` by ``height`` that scrolls; ``rows`` are what it shows."""

    def __init__(self, width: int = 80, height: int = 24) -> None:
        self.width, self.height = width, height
        self.rows = [[" "] * width for _ in range(height)]
        self.row = self.column = 0
        self.cursor_shown = True
        self.wrapped = 0  # lines that broke at the edge

    def feed(self, text: str) -> "Terminal":
        """Take what a program writes."""
        at = 0
        while at < len(text):
            found = _STEERING.match(text, at)
            if found:
                self._steer(*found.groups())
                at = found.end()
                continue
            self._sign(text[at])
            at += 1
        return self

    @property
    def text(self) -> str:
        """What stands on the screen."""
        return "\n".join("".join(row).rstrip() for row in self.rows).rstrip()

    def _sign(self, sign: str) -> None:
        if sign == "\r":
            self.column = 0
        elif sign == "\n":
            self._down()
        else:
            assert sign.isprintable(), repr(sign)
            if self.column == self.width:
                self.column = 0
                self.wrapped += 1
                self._down()
            self.rows[self.row][self.column] = sign
            self.column += 1

    def _down(self) -> None:
        if self.row == self.height - 1:
            self.rows = [*self.rows[1:], [" "] * self.width]
        else:
            self.row += 1

    def _steer(self, private: str, numbers: str, what: str) -> None:
        if private:
            assert numbers == "25", numbers
            assert what in "hl", what
            self.cursor_shown = what == "h"
        elif what == "A":
            self.row = max(self.row - int(numbers or 1), 0)
        elif what == "K":
            assert numbers in ("", "0")
            self.rows[self.row][self.column :] = [" "] * (self.width - self.column)
        elif what == "J":
            assert numbers in ("", "0"), "the screen must not be cleared"
            self.rows[self.row][self.column :] = [" "] * (self.width - self.column)
            for k in range(self.row + 1, self.height):
                self.rows[k] = [" "] * self.width
        else:
            assert what == "m", what
