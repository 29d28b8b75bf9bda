"""What a command leaves behind: text on the screen, JSON, CSV and a figure, whole or not at all."""

import io
import json
import math
import os
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from ivkit.answer import Answer, said_of
from ivkit.errors import FileError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FIGURE_FORMATS = (".png", ".svg", ".pdf")


_READ = "ivkit.cli.read"


def understood(name: str, notes: Iterable[str]) -> None:
    """Keep what was understood of a file that was read, for the answer of this call."""
    context = click.get_current_context(silent=True)
    if context is not None:
        context.meta.setdefault(_READ, {})[name] = list(notes)


def with_reading(answer: Answer) -> Answer:
    """Return an answer with how the files were read in this call, where it does not say it yet."""
    context = click.get_current_context(silent=True)
    read = context.meta.get(_READ, {}) if context is not None else {}
    notes, assumed = said_of(list(read.items()))
    return replace(
        answer,
        notes=list(dict.fromkeys([*answer.notes, *notes])),
        assumptions=list(dict.fromkeys([*answer.assumptions, *assumed])),
    )


def said_no(answer: Answer) -> int:
    """Return the exit status of a verdict: 1 where the answer is no."""
    return int(answer.verdict in ("too high", "too low", "inconsistent", "impossible"))


@dataclass(frozen=True)
class Output:
    """Where the user wants the answer besides the screen; ``-`` is standard output."""

    json: str | None = None
    csv: str | None = None
    plot: str | None = None

    def __post_init__(self) -> None:
        if self.json == "-" and self.csv == "-":
            raise click.UsageError("--json and --csv cannot both write to standard output")
        if self.plot and Path(self.plot).suffix.lower() not in FIGURE_FORMATS:
            raise click.UsageError(
                f"--plot {self.plot}: the name must end in {', '.join(FIGURE_FORMATS)}"
            )
        names = [os.path.abspath(n) for n in (self.json, self.csv, self.plot) if n and n != "-"]
        if len(set(names)) < len(names):
            raise click.UsageError("--json, --csv and --plot must name different files")

    def deliver(self, answer: Answer, inputs: Iterable[str | Path] = ()) -> None:
        """Write what was asked for; print the text unless standard output is taken.

        Parameters
        ----------
        answer : Answer
            To which is added how the files were read.
        inputs : iterable of path
            Files that were read; none of them is ever overwritten.

        Raises
        ------
        FileError
            A file cannot be written, or is one of the inputs.
        """
        answer = with_reading(answer)
        files: dict[str, bytes] = {}
        if self.json:
            files[self.json] = (json.dumps(answer.to_dict(), indent=2) + "\n").encode()
        if self.csv:
            if not answer.tables:
                raise click.UsageError("this command has no table for --csv")
            files[self.csv] = answer.to_csv().encode()
        if self.plot:
            if answer.figure is None:
                raise click.UsageError("this command has no figure for --plot")
            files[self.plot] = _render(answer.figure(), Path(self.plot).suffix.lower()[1:])
        screen = files.pop("-", b"").decode() or str(answer)
        write_whole(files, inputs)
        click.echo(screen.rstrip("\n"))


def _render(figure: "Figure", kind: str) -> bytes:
    """Return the figure as the bytes of a png, svg or pdf."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind, dpi=160)
    return buffer.getvalue()


def write_whole(files: dict[str, bytes], inputs: Iterable[str | Path] = ()) -> None:
    """Write every file whole, or none: to a neighbour first, then moved into place.

    Raises
    ------
    FileError
        A file is one of ``inputs``, or its folder cannot be written to.
    """
    taken = {os.path.realpath(name) for name in inputs if str(name) != "-"}
    staged: list[tuple[str, str]] = []
    name = ""
    try:
        for name, content in files.items():
            if os.path.realpath(name) in taken:
                raise FileError("is an input of this command", name, "give another name")
            if os.path.isdir(name):
                raise FileError("is a folder", name, "give the name of a file")
            folder = os.path.dirname(os.path.abspath(name))
            with tempfile.NamedTemporaryFile(dir=folder, prefix=".ivkit-", delete=False) as file:
                staged.append((file.name, name))
                file.write(content)
            os.chmod(file.name, 0o666 & ~_umask())
        for temporary, name in staged:
            os.replace(temporary, name)
        staged.clear()
    except FileError:
        raise
    except OSError as error:
        raise _not_written(name, error) from None
    finally:
        for temporary, _ in staged:
            if os.path.exists(temporary):
                os.unlink(temporary)


@contextmanager
def streamed(name: str, inputs: Iterable[str | Path] = ()) -> "Iterator[TextIO]":
    """Open a text file for rows as they come; it appears under its name when all are written.

    ``-`` is standard output. Nothing is left behind when the rows stop half way.

    Raises
    ------
    FileError
        The file is one of ``inputs``, or cannot be written.
    """
    if name == "-":
        yield sys.stdout
        return
    if os.path.realpath(name) in {os.path.realpath(path) for path in inputs if str(path) != "-"}:
        raise FileError("is an input of this command", name, "give another name")
    folder = os.path.dirname(os.path.abspath(name))
    try:
        file = tempfile.NamedTemporaryFile(  # noqa: SIM115 (closed below, then moved)
            "w", dir=folder, prefix=".ivkit-", delete=False, encoding="utf-8", newline=""
        )
    except OSError as error:
        raise _not_written(name, error) from None
    try:
        with file:
            yield file
        os.chmod(file.name, 0o666 & ~_umask())
        try:
            os.replace(file.name, name)
        except OSError as error:
            raise _not_written(name, error) from None
    finally:
        if os.path.exists(file.name):
            os.unlink(file.name)


def _not_written(name: str, error: OSError) -> FileError:
    return FileError(
        f"cannot be written ({(error.strerror or str(error)).lower()})",
        name,
        "check the folder and its permissions",
    )


def _umask() -> int:
    """Return the process's file mode mask."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def output_options(*, csv: bool = True, plot: bool = True) -> Callable:
    """Add ``--json``, and where they make sense ``--csv`` and ``--plot``, as one ``output``."""

    def decorate(function: Callable) -> Callable:
        from functools import wraps

        @wraps(function)
        def wrapped(*args: Any, json_file=None, csv_file=None, plot_file=None, **kwargs: Any):
            output = Output(json=json_file, csv=csv_file, plot=plot_file)
            return function(*args, output=output, **kwargs)

        if plot:
            wrapped = click.option(
                "--plot", "plot_file", metavar="FILE", help="Draw it: a png, svg or pdf."
            )(wrapped)
        if csv:
            wrapped = click.option(
                "--csv", "csv_file", metavar="FILE", help="The table as CSV; - is standard output."
            )(wrapped)
        return click.option(
            "--json", "json_file", metavar="FILE", help="Everything as JSON; - is standard output."
        )(wrapped)

    return decorate


class FiniteNumber(click.ParamType):
    """A finite number, optionally within limits (click's own float takes ``nan``)."""

    name = "number"

    def __init__(self, low: float = -math.inf, high: float = math.inf, unit: str = "") -> None:
        self.low, self.high, self.unit = low, high, unit

    def convert(self, value, param, ctx) -> float:  # noqa: D102
        try:
            number = float(value)
        except (TypeError, ValueError):
            self.fail(f"{value!r} is not a number", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number", param, ctx)
        if not self.low <= number <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            self.fail(
                f"{number:g}{unit} is outside {self.low:g} to {self.high:g}{unit}", param, ctx
            )
        return number
