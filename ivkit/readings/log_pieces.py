"""A log too large to hold, piece by piece: the readings that `ivkit.readings.log` gives whole."""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from ivkit.readings.log import Content, Log, find_body, finish, units_named
from ivkit.readings.log_body import Body, Damage
from ivkit.readings.source import is_path

#: Bytes from which on a log is worth reading in pieces.
LARGE = 1 << 26


@dataclass(frozen=True)
class Told:
    """What is known of a log once it has been read to its end: as in `ivkit.readings.log.Log`."""

    damage: tuple[Damage, ...]
    notes: tuple[str, ...]


class LogPieces:
    """A large log, open to be read once; ``told`` is None until the last piece was given."""

    def __init__(self, content: Content, body: Body, said: Mapping[str, str], piece: int) -> None:
        self._content, self._body, self._said, self._piece = content, body, said, piece
        self.name, self.unit_said = content.name, units_named(said)
        self.told: Told | None = None

    def __iter__(self) -> Iterator[Log]:
        """Yield the log in pieces, whose times go on from one to the next.

        TableError: no time column, or no reading in the whole log.
        """
        body, empty = self._body, True
        known = {"headings": body.headings, "unit_said": self.unit_said}
        with self._content.open() as stream:
            for _ in body.pieces(stream, self._piece):
                rows, columns = body.columns()
                if len(rows):
                    empty = False
                    yield Log(columns, rows, self.name, **known)
        if empty:
            finish(body, self.name, self._said)  # raises
        self.told = Told(body.told_damage(), body.notes())


def large_log(
    source: Any,
    *,
    columns: Mapping[str, str] | None = None,
    larger_than: int = LARGE,
    piece: int = 1 << 23,
) -> LogPieces | None:
    """Return a log to be read in pieces; None for one that is small, or not laid out for it.

    ``source`` is a path (standard input is not read in pieces), ``columns`` as in `read_log`,
    ``larger_than`` and ``piece`` are in bytes.
    """
    if not is_path(source):
        return None
    try:
        if os.stat(source).st_size <= larger_than:
            return None
    except (OSError, ValueError):
        return None  # which `read_log` says
    content, said = Content(source), dict(columns or {})
    body = find_body(content, said)
    return LogPieces(content, body, said, piece) if body and "time" in body.headings else None
