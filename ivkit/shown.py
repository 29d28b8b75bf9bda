"""What lets a result become an answer, and a notebook show it, without its knowing how.

Rooms that compute do not know the room that shows. A result that should show well inherits
`Shown`; what it looks like stands in `ivkit.report.notebook`, found by the name of the class and
loaded only when somebody asks.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame

    from ivkit.answer import Answer


class Shown:
    """A result that is an `Answer` too, and a table in a notebook."""

    def answer(self) -> "Answer":
        """Return the result as what its command answers."""
        return import_module("ivkit.report.notebook").answer_of(self)

    def to_frame(self, table: str | None = None) -> "DataFrame":
        """Return a table of the answer, by default the first; units at the end of its names."""
        return self.answer().to_frame(table)

    def to_dict(self) -> dict[str, Any]:
        """Return the answer as JSON holds it."""
        return self.answer().to_dict()

    def _repr_html_(self) -> str:
        return import_module("ivkit.report.notebook").as_html(self)
