"""Errors of a command name a file: the last resort, for what a computation found.

Readers name file and place themselves, and most commands say on which file a computation rests
(`ivkit.errors.about`). What still comes out without any is told of the files that were given.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from ivkit.errors import FileError, IvkitError, about

#: Of a name with an ending, which no number and no abbreviation has.
_NAME = re.compile(r"[\w-]\.[A-Za-z][A-Za-z0-9]{1,4}(?![\w(])|standard input")
_WRITTEN = {"json_file", "csv_file", "plot_file", "out", "truth", "log", "folder"}


def naming(command: click.Command) -> click.Command:
    """Return the command, whose errors name the files it was given where they name none.

    A `FileError` names what could not be read or written as it is.
    """
    if not getattr(command, "_names_files", False):
        call = command.invoke

        def invoke(context: click.Context) -> Any:
            try:
                return call(context)
            except IvkitError as error:
                if isinstance(error, FileError) or _NAME.search(str(error)):
                    raise
                with about(", ".join(dict.fromkeys(_given(context)))):
                    raise

        command.invoke = invoke
        command._names_files = True
    return command


def _given(context: click.Context) -> Iterator[str]:
    """Yield the names of the files that a command was given to read."""
    for parameter in context.command.params:
        if parameter.name in _WRITTEN:
            continue
        value = context.params.get(parameter.name)
        for one in value if isinstance(value, tuple | list) else (value,):
            if one == "-" and isinstance(parameter, click.Argument):
                yield "standard input"
            elif isinstance(one, str | Path) and _is_file(one):
                yield Path(one).name


def _is_file(name: str | Path) -> bool:
    try:
        return Path(name).is_file()
    except (OSError, ValueError):
        return False
