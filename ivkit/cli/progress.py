"""A progress bar for long work: on standard error, and only where a person is watching."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click


@contextmanager
def progress_bar(total: int, label: str) -> Iterator[Callable[[int], None]]:
    """Give a function to call with the steps done since the last call."""
    stream = sys.stderr
    if not stream.isatty():
        yield lambda done: None
        return
    with click.progressbar(length=total, label=label, file=stream) as bar:
        yield bar.update
