"""Whether a column that nobody claimed tells sweeps apart: several, read as one, give a curve that
no panel has.
"""

import re
import shlex

from ivkit.errors import TableError
from ivkit.readings.choice import Choice
from ivkit.readings.layout import Layout
from ivkit.readings.quantities import name_meanings


class SweepColumnWatch:
    """Looks out for a column that seems to name sweeps in a table that is read as one."""

    def __init__(self, place: int, heading: str, name: str) -> None:
        self.place, self.heading, self.name = place, heading, name
        self._last: str | None = None
        self._same = self._other = False

    @classmethod
    def of(cls, layout: Layout, choice: Choice, name: str) -> "SweepColumnWatch | None":
        """Return a watch on the first unused column with such a heading, or None."""
        for place, heading in enumerate(layout.headings):
            if heading.text in choice.others and may_name_sweeps(heading.text):
                return cls(place, heading.text, name)
        return None

    def look(self, cells: list[str]) -> None:
        """Raise where values stand several times in a row, and then give way to others."""
        for cell in cells:
            if self._last is not None:
                self._same |= cell == self._last
                self._other |= cell != self._last
            self._last = cell
        if self._same and self._other:
            raise TableError(
                f"column '{self.heading}' may tell sweeps apart",
                self.name,
                f"say so with --by {shlex.quote(self.heading)}, or --by none if it does not",
            )


def may_name_sweeps(heading: str) -> bool:
    """Tell whether a heading has a word for a sweep in it, or is an id.

    >>> [may_name_sweeps(text) for text in ("sweep_id", "curveNo", "Panel ID", "humidity")]
    [True, True, True, False]
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)
    words = [word for word in re.split(r"[\W_\d]+", apart.casefold()) if word]
    return any(word == "id" or name_meanings(word) == {"sweep"} for word in words)
