"""The one look of every figure: what is measured is dark, what is calculated is coloured.

The colours are told apart by people with the usual colour-vision deficiencies and keep their
order in grey; every one has at least 4.5 to 1 contrast on white. Labels stand at what they name
rather than in a legend, wherever there is room.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1d2733"  # readings, axes, words
QUIET = "#66707c"  # secondary words
CURVE = "#0b5cad"  # current, the fit
POWER = "#a8480f"  # power
LOAD = "#15705a"  # the load line
FAULT = "#b3123f"  # left out, at fault
#: Beside the colours of SERIES, so that lines are told apart without colour.
DASHES = ("-", "--", (0, (8, 2, 1.5, 2)), (0, (1.5, 1.5)), (0, (5, 1.5)), "-.")
SERIES = (CURVE, POWER, LOAD, "#7a3b96", "#6b6200", INK)


def new_figure(width: float = 7.2, height: float = 5.4) -> "Figure":
    """Return an empty figure, inches; no window is opened and nothing is kept."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained", facecolor="white")


def dress(axes: "Axes", x: str, y: str) -> None:
    """Name the axes with their units and take away what carries nothing."""
    axes.set_xlabel(x, color=INK)
    axes.set_ylabel(y, color=INK)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(QUIET)
    axes.tick_params(colors=INK, length=3)
    axes.grid(True, color="#e3e6ea", linewidth=0.6)
    axes.set_axisbelow(True)


def scale_of(largest: float, unit: str) -> tuple[float, str]:
    """Return the factor and the unit in which ``largest`` is a handy number.

    >>> scale_of(0.0123, "A")
    (1000.0, 'mA')
    """
    for factor, prefix in ((1.0, ""), (1e3, "m"), (1e6, "µ")):
        if abs(largest) * factor >= 0.5:
            return factor, prefix + unit
    return 1e6, "µ" + unit


def luminance(colour: str) -> float:
    """Return the relative luminance of ``#rrggbb``, 0 to 1 (WCAG 2.2, definition)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2, success criterion 1.4.3).

    >>> round(contrast("#ffffff", "#000000"), 6)
    21.0
    """
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def readable_on(ground: str) -> str:
    """Return the colour of words on a coloured ground: white or black, what is easier to read."""
    return max(("#ffffff", "#000000"), key=lambda colour: contrast(colour, ground))
