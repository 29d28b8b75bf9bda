"""What lets a notebook show a result as a table without the result knowing how.

Rooms that compute do not know the room that shows. A result that a notebook should show well
inherits `Shown`; what it looks like stands in `ivkit.report.notebook`, found by the name of the
class and loaded only when a notebook asks.
"""

from importlib import import_module


class Shown:
    """A result that a notebook shows as a table."""

    def _repr_html_(self) -> str:
        return import_module("ivkit.report.notebook").as_html(self)
