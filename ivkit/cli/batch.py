"""``ivkit batch``: many sweeps, one row each."""

import csv
import glob
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.inputs import SweepOptions, named_columns, sweep_options
from ivkit.cli.output import streamed
from ivkit.cli.progress import progress_bar
from ivkit.errors import FileError, IvkitError

if TYPE_CHECKING:
    from ivkit.curve.batch import Item, Taking

ENDINGS = (".csv", ".tsv", ".txt", ".dat", ".xlsx", ".xlsm", ".md")
TOLD = 10  # bad sweeps named one by one; the rest are counted
SMALL = 1 << 20  # bytes up to which a file is read as a whole

Row = dict[str, Any]


@click.command("batch")
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True)
@sweep_options
@click.option(
    "--by",
    metavar="NAME",
    help="Column that names the sweep, in a table that holds several. [one headed as sweep, run]",
)
@click.option(
    "--out",
    metavar="FILE",
    default="-",
    help="Rows as .csv, or as JSON lines in .jsonl. [CSV on standard output]",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    metavar="N",
    help="Processes to share the work between. [1]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Dask scheduler to share the work with, such as tcp://10.0.0.5:8786; its workers need "
    "the same ivkit.",
)
def command(
    sources: tuple[str, ...],
    options: SweepOptions,
    by: str | None,
    out: str,
    workers: int | None,
    scheduler: str | None,
) -> int:
    """Many sweeps, one row each: key points, parameters, uncertainty, faults.

    SOURCE is a folder, a pattern in quotes, a file with one sweep, or a long table with a column
    that names the sweep and rows sorted by it. A sweep that cannot be read is reported and does
    not stop the rest. The faults are those that show without a search for misfits, which
    characterize makes. Exit status: 0 all were read, 1 some were not, 2 none was.

    Example: ivkit batch "runs/*.csv" --bench bench.toml --out runs.jsonl
    """
    if out != "-" and not out.lower().endswith((".csv", ".jsonl")):
        raise click.UsageError(f"--out {out}: the name must end in .csv or .jsonl")
    if workers and scheduler:
        raise click.UsageError("--workers and --scheduler: give one of them")
    if by is not None:
        options = options.with_(columns=(*options.columns, f"sweep={by}"))
    columns = named_columns(options.columns)
    files = find_files(sources)

    from ivkit.cli.batch_work import packets, worked
    from ivkit.curve.batch import COLUMNS, Taking

    taking = Taking(
        columns,
        options.sheet,
        options.load_bench(),
        options.cells,
        options.temp_cell,
        options.irradiance,
    )
    good = 0
    with (
        streamed(out, [*files, *options.files(())]) as file,
        _told() as bad,
        progress_bar(sum(map(_size, files)), "batch") as progress,
        worked(taking, workers or 1, scheduler) as work,
    ):
        write = _writer(file, out, COLUMNS)
        for rows, size in work(packets(_items(files, taking))):
            for row in rows:
                write(row)
                if row["error"] is None:
                    good += 1
                else:
                    bad.append(row["error"])
            progress(size)
        if not good:
            raise FileError(
                f"none of {len(bad)} sweeps could be read", ", ".join(sources), "see the reasons"
            )
    return 1 if bad else 0


def find_files(sources: tuple[str, ...]) -> list[str]:
    """Return the files that folders, patterns and names stand for, sorted, each once.

    Raises
    ------
    FileError
        A folder without tables, a pattern that matches nothing.
    """
    found: list[str] = []
    for source in sources:
        if os.path.isdir(source):
            here = [
                os.path.join(source, name)
                for name in sorted(os.listdir(source))
                if name.lower().endswith(ENDINGS) and not name.startswith((".", "~$"))
            ]
            here = [path for path in here if os.path.isfile(path)]
            if not here:
                raise FileError("holds no table", source, f"looked for {', '.join(ENDINGS)}")
        elif os.path.exists(source) or source == "-":
            here = [source]
        elif glob.has_magic(source):
            here = sorted(p for p in glob.glob(source, recursive=True) if os.path.isfile(p))
            if not here:
                raise FileError("no file matches", source, "check the pattern, and its folder")
        else:
            raise FileError("cannot read: no such file or folder", source, "check the path")
        found += here
    if sources.count("-") > 1:
        raise click.UsageError("standard input (-) can be read only once")
    return list(dict.fromkeys(found))


def _items(files: list[str], taking: "Taking") -> "Iterator[tuple[Item, int]]":
    """Yield what there is to read, with its size in bytes: small files whole, large ones apart."""
    from ivkit.curve.batch import FileContent
    from ivkit.readings.long_table import unread_sweeps

    for path in files:
        size = _size(path)
        if path != "-" and size <= SMALL:
            try:
                with open(path, "rb") as file:
                    yield FileContent(path, file.read()), size
            except OSError as problem:
                yield _unreadable(path, f"cannot read: {problem.strerror or problem}"), size
            continue
        line, last = _line_size(path), 0
        try:
            for one in unread_sweeps(path, columns=taking.columns, sheet=taking.sheet):
                row = one.last_row
                yield one, round((row - last) * line)
                last = row
        except IvkitError as error:
            if last:
                raise  # rows were given for what came before: it may be wrong as well
            yield _unreadable(path, str(error), whole=True), size


def _unreadable(path: str, what: str, whole: bool = False) -> "Item":
    from ivkit.curve.batch import Failure

    return Failure(path, "", what if whole else str(FileError(what, path, "check the path")))


def _size(path: str) -> int:
    """Return the bytes of a file; 0 where it cannot be told."""
    try:
        return os.stat(path).st_size if path != "-" else 0
    except OSError:
        return 0


def _line_size(path: str) -> float:
    """Return the bytes of a line, from the first lines of a file; 0 for standard input."""
    if path == "-":
        return 0.0
    try:
        with open(path, "rb") as file:
            start = file.read(SMALL)
    except OSError:
        return 0.0
    return len(start) / max(start.count(b"\n"), 1)


class _Bad:
    """The sweeps that could not be read: the first few by name, the others by number."""

    def __init__(self) -> None:
        self.count, self.first = 0, []

    def __len__(self) -> int:
        return self.count

    def append(self, error: str) -> None:
        self.count += 1
        if self.count <= TOLD:
            self.first.append(error)


@contextmanager
def _told() -> Iterator[_Bad]:
    """Give a list of what could not be read, and tell it on standard error at the end."""
    bad = _Bad()
    try:
        yield bad
    finally:
        for error in bad.first:
            click.echo(f"ivkit: {error}", err=True)
        if len(bad) > TOLD:
            click.echo(f"ivkit: {len(bad) - TOLD} more sweeps could not be read", err=True)


def _writer(file: Any, out: str, columns: tuple[str, ...]) -> Callable[[Row], None]:
    """Return a function that writes one row as a line of CSV or of JSON."""
    if out.lower().endswith(".jsonl"):
        return lambda row: file.write(
            json.dumps({name: row[name] for name in columns}, ensure_ascii=False) + "\n"
        )
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(columns)

    def write(row: Row) -> None:
        cells = (row[name] for name in columns)
        writer.writerow([" ".join(c) if isinstance(c, tuple) else c for c in cells])

    return write
