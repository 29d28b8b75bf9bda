"""Numbers and tables as text: two figures of uncertainty, the value to match, the unit."""

import math
import re
import shutil
import sys
import textwrap
from collections.abc import Collection, Iterable, Sequence

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))
_UNIT = re.compile(r"(?<=[\d)]) (?=(?:%|[MkmµnK]?(?:V|A|W|ohm|Hz|m|s|deg|degC)|W/m2)(?![\w/]))")
_SCALED = {"V", "A", "W", "ohm", "Ω", "S"}


def number(value: float, u: float | None = None, unit: str = "") -> str:
    """Return a value with its standard uncertainty in the last digits, as the GUM writes it.

    Parameters
    ----------
    value : float
        The estimate, in ``unit``.
    u : float, optional
        Standard uncertainty, in ``unit``; two figures of it are shown (GUM 7.2.6).
    unit : str
        V, A, W and ohm get the prefix that suits the value.

    Examples
    --------
    >>> number(0.76079, 0.00012, "A")
    '760.79(12) mA'
    >>> number(31.61, 0.4, "ohm")
    '31.61(40) ohm'
    >>> number(0.758, None)
    '0.758'
    >>> number(float("nan"), 1.0, "V")
    '-'
    """
    if value is None or not math.isfinite(value):
        return "-"
    scale, prefix = _prefix(value, unit)
    tail = f" {prefix}{unit}" if unit else ""
    value = value / scale
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.4g}{tail}"
    u = u / scale
    places = 1 - math.floor(math.log10(u))
    if round(u, places) >= 10 ** (2 - places):  # 0.0996 rounds to 0.10: one place fewer
        places -= 1
    if places > 12:
        return f"{value:.12g}{tail}"
    if places <= 0:
        step = 10 ** (-places)
        return f"{round(value / step) * step:.0f}({round(u / step) * step:.0f}){tail}"
    digits = f"{u:.{places}f}" if u >= 1 else str(round(u * 10**places))
    return f"{value:.{places}f}({digits}){tail}"


def _prefix(value: float, unit: str) -> tuple[float, str]:
    """Return the scale and the prefix that bring ``value`` between 1 and 1000."""
    if unit not in _SCALED or value == 0:
        return 1.0, ""
    for scale, prefix in _PREFIXES:
        if abs(value) >= scale * 0.9995:
            return scale, prefix
    return _PREFIXES[-1]


def page_width() -> int:
    """Return how many columns to write: the terminal's, from 40 to 88; 80 where there is none."""
    if not sys.stdout.isatty():
        return 80
    return min(max(shutil.get_terminal_size((80, 24)).columns, 40), 88)


def wrap(text: str, width: int | None = None, first: str = "", then: str = "") -> str:
    """Return a paragraph in lines of ``width``, by default `page_width`.

    ``first`` and ``then`` begin its lines. A number and its unit stay together.
    """
    filled = textwrap.fill(
        _UNIT.sub("\N{NO-BREAK SPACE}", text),
        width or page_width(),
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return filled.replace("\N{NO-BREAK SPACE}", " ")


def bullets(lines: Iterable[str], width: int | None = None) -> str:
    """Return lines as a list, each wrapped."""
    return "\n".join(wrap(line, width, "  - ", "    ") for line in lines)


def interval(low: float, high: float, u: float, unit: str = "") -> str:
    """Return the two ends of an interval in one unit, to the second figure of ``u``.

    >>> interval(0.0837287, 0.0869310, 0.00082, "A")
    '83.73 to 86.93 mA'
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        return "-"
    scale, prefix = _prefix(max(abs(low), abs(high)), unit)
    places = 4
    if math.isfinite(u) and u > 0:
        places = min(max(1 - math.floor(math.log10(u / scale)), 0), 12)
    tail = f" {prefix}{unit}" if unit else ""
    return f"{low / scale:.{places}f} to {high / scale:.{places}f}{tail}"


def percent(fraction: float) -> str:
    """Return a share as a percentage with sensible digits: ``0.0123`` is ``1.2 %``.

    >>> percent(0.0123), percent(0.62), percent(0.00004)
    ('1.2 %', '62 %', '0.004 %')
    """
    size = abs(100 * fraction)
    if size >= 10 or size == 0:
        return f"{100 * fraction:.0f} %"
    return f"{100 * fraction:.{1 if size >= 1 else 2 if size >= 0.1 else 3}f} %"


def signed(en: float) -> str:
    """Return an E_n number with its sign; none where it is nought as shown.

    >>> signed(-0.4412), signed(-0.002)
    ('-0.44', '0.00')
    """
    return f"{en:+.2f}" if abs(en) >= 0.005 else "0.00"


def table(
    rows: Sequence[Sequence[str]],
    head: Sequence[str] = (),
    left: int | Collection[int] = 1,
    width: int | None = None,
) -> str:
    """Return rows as aligned columns: those of ``left``, or its first ones, begin on the left.

    Where that is wider than ``width`` (by default `page_width`), the head is broken at its blanks,
    then the widest column of words.

    >>> print(table([["Isc", "5 A"], ["Voc", "20 V"]]))
      Isc   5 A
      Voc  20 V
    >>> print(table([["two axes, a day", "5 A"], ["fixed", "20 V"]], ("how", "at most"), width=20))
      how             at
                    most
      two axes, a    5 A
      day
      fixed         20 V
    """
    left = set(range(left)) if isinstance(left, int) else set(left)
    lines = [list(head), *map(list, rows)] if head else [list(row) for row in rows]
    room = (width or page_width()) - 2 * len(lines[0])
    widths = [max(len(line[k]) for line in lines) for k in range(len(lines[0]))]
    if head and sum(widths) > room:
        for k in range(len(widths)):
            body = max((len(one[k]) for one in rows), default=0)
            widths[k] = max(body, _halved(head[k]))
    if sum(widths) > room:
        widest = max(left, key=lambda k: widths[k], default=0)
        longest = max(len(word) for line in lines for word in (line[widest].split() or [""]))
        widths[widest] = max(widths[widest] - (sum(widths) - room), longest, 8)
    out = []
    for row, line in enumerate(lines):
        cells = [
            textwrap.wrap(cell, max(width_, 1), break_long_words=False, break_on_hyphens=False)
            if len(cell) > width_
            else [cell]
            for cell, width_ in zip(line, widths, strict=True)
        ]
        height = max(map(len, cells))
        for k, cell in enumerate(cells):  # a head stands on its column, a row hangs from its name
            blank = [""] * (height - len(cell))
            cells[k] = blank + cell if head and row == 0 and k not in left else cell + blank
        out += [_line([cell[h] for cell in cells], widths, left) for h in range(height)]
    return "\n".join(out)


def _halved(words: str) -> int:
    """Return how wide a head is when it is broken once, where that is least."""
    breaks = [k for k, letter in enumerate(words) if letter == " "]
    return min((max(k, len(words) - k - 1) for k in breaks), default=len(words))


def _line(cells: Sequence[str], widths: Sequence[int], left: Collection[int]) -> str:
    """Return one line of a table."""
    return (
        "  "
        + "  ".join(
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ).rstrip()
    )
