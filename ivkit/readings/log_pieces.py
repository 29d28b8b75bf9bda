"""A log too large to hold, piece by piece: the readings that `ivkit.readings.log` gives whole."""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ivkit.readings.log import Damage, Log, _Content, _find_body, _finish
from ivkit.readings.log_body import Body

#: Bytes from which on a log is worth reading in pieces.
LARGE = 1 << 26


@dataclass(frozen=True)
class Told:
    """What is known of a log once it has been read to its end: as in `ivkit.readings.log.Log`."""

    damage: tuple[Damage, ...]
    notes: tuple[str, ...]


class LogPieces:
    """A large log, open to be read once; ``told`` is None until the last piece was given."""

    def __init__(
        self, content: _Content, found: tuple, said: Mapping[str, str], piece: int
    ) -> None:
        self._content, self._found, self._said, self._piece = content, found, dict(said), piece
        self.name = content.name
        self.unit_said = frozenset(q for q, text in said.items() if ":" in text)
        self.told: Told | None = None

    def __iter__(self) -> Iterator[Log]:
        """Yield the log in pieces, whose times go on from one to the next.

        TableError: no time column, or no reading in the whole log.
        """
        layout, readers, marks, first_row, doubts, others = self._found
        body, empty = Body(layout, readers, marks), True
        with self._content.open() as stream:
            for _ in body.pieces(stream, first_row, self._piece):
                rows, columns, _notes = body.columns()
                if not len(rows):
                    continue
                empty = False
                headings = {r.quantity: r.heading for r in readers}
                yield Log(columns, rows, self.name, headings=headings, unit_said=self.unit_said)
        if empty:
            _finish(body, self.name, doubts, others, self._said, layout)  # raises
        notes = [note for r in readers for note in r.notes()] + list(doubts)
        if others:
            notes.append("not used: " + ", ".join(f"'{h}'" for h in others))
        damage = tuple(
            Damage(what, len(at), tuple(sorted(at)[:5])) for what, at in body.damage.items()
        )
        self.told = Told(damage, tuple(notes))


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
    if not isinstance(source, str | Path) or str(source) == "-":
        return None
    try:
        if os.stat(source).st_size <= larger_than:
            return None
    except (OSError, ValueError):
        return None  # which `read_log` says
    content = _Content(source)
    start = content.start()
    if start.startswith(b"PK\x03\x04") or b"\n" not in start:
        return None
    found = _find_body(start, dict(columns or {}), None, content.name)
    if found is None or "time" not in {reader.quantity for reader in found[1]}:
        return None
    return LogPieces(content, found, columns or {}, piece)
