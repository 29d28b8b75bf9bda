"""What the live view is drawn with: large figures, a bar, and a history of small columns.

Each has a form in plain ASCII, for terminals that know nothing else.
"""

import math
from collections.abc import Sequence

HEIGHT = 5
_FIGURES = {
    "0": (" ## ", "#  #", "#  #", "#  #", " ## "),
    "1": ("  # ", " ## ", "  # ", "  # ", " ###"),
    "2": ("### ", "   #", " ## ", "#   ", "####"),
    "3": ("### ", "   #", " ## ", "   #", "### "),
    "4": ("#  #", "#  #", "####", "   #", "   #"),
    "5": ("####", "#   ", "### ", "   #", "### "),
    "6": (" ## ", "#   ", "### ", "#  #", " ## "),
    "7": ("####", "   #", "  # ", " #  ", " #  "),
    "8": (" ## ", "#  #", " ## ", "#  #", " ## "),
    "9": (" ## ", "#  #", " ###", "   #", " ## "),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
    ">": ("#   ", " #  ", "  # ", " #  ", "#   "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_COLUMNS = "▁▂▃▄▅▆▇█"
_COLUMNS_ASCII = "_.-~=*%#"


def large(text: str, ascii_only: bool = False) -> list[str]:
    """Return figures, point, minus and blanks as `HEIGHT` lines.

    >>> print("\\n".join(large("1.5", ascii_only=True)))
      #    ####
     ##    #
      #    ###
      #       #
     ### # ###
    """
    shapes = [_FIGURES[c] for c in text]
    lines = [" ".join(shape[row] for shape in shapes).rstrip() for row in range(HEIGHT)]
    return lines if ascii_only else [line.replace("#", "█") for line in lines]


def beside(left: Sequence[str], right: Sequence[str], gap: int) -> list[str]:
    """Return two blocks of lines side by side, ``gap`` columns apart."""
    width = max(map(len, left), default=0)
    return [f"{a.ljust(width)}{' ' * gap}{b}".rstrip() for a, b in zip(left, right, strict=True)]


def bar(value: float, mark: float, top: float, width: int, ascii_only: bool = False) -> str:
    """Return a bar from 0 to ``top``, filled to ``value``, with a stroke at ``mark``.

    >>> bar(0.5, 0.75, 1.0, 8, ascii_only=True)
    '####..| '
    """
    if not top > 0 or width < 1 or not math.isfinite(value):
        return " " * max(width, 0)

    def place(x: float) -> int:
        return min(max(round(x / top * width), 0), width)

    filled = place(value)
    cells = ["#" if ascii_only else "█"] * filled + [" "] * (width - filled)
    if math.isfinite(mark):
        at = min(place(mark), width - 1)
        for k in range(filled, at):
            cells[k] = "." if ascii_only else "·"
        cells[at] = "|" if ascii_only or at >= filled else "▌"
    return "".join(cells)


def columns(values: Sequence[float], low: float = 0.0, ascii_only: bool = False) -> str:
    """Return one small column a value, from ``low`` to the largest; a blank where it is NaN.

    >>> columns([0.0, 0.5, float("nan"), 1.0], ascii_only=True)
    '_= #'
    """
    shapes = _COLUMNS_ASCII if ascii_only else _COLUMNS
    known = [v for v in values if math.isfinite(v)]
    span = max(known, default=0.0) - low

    def shape(value: float) -> str:
        if not math.isfinite(value):
            return " "
        level = round((value - low) / span * (len(shapes) - 1)) if span > 0 else 0
        return shapes[min(max(level, 0), len(shapes) - 1)]

    return "".join(map(shape, values))
