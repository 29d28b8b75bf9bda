"""What a command answers, before it is printed: its text, its document, and how to draw it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ivkit.answer import Answer


@dataclass(frozen=True)
class Delivered:
    """The answer of a command.

    Attributes
    ----------
    text : str
        As for the screen.
    document : mapping
        As for JSON: plain numbers, ``{"value", "u"}`` pairs, None.
    figure : callable or None
        Draws the picture.
    inputs : tuple of str
        Files that were read.
    answer : Answer or None
        The whole answer, of a command that makes one.
    """

    text: str
    document: Any
    figure: "Callable[[], Figure] | None"
    inputs: tuple[str, ...]
    answer: "Answer | None" = None
