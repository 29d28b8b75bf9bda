"""``ivkit batch``: many sweeps, one row each."""

import glob
import json
import os
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.inputs import SweepOptions, sweep_options
from ivkit.cli.output import streamed
from ivkit.cli.progress import progress_bar
from ivkit.errors import FileError, IvkitError

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.readings.sweep import Sweep

ENDINGS = (".csv", ".tsv", ".txt", ".dat", ".xlsx", ".xlsm", ".md")
TOLD = 10  # bad sweeps named one by one; the rest are counted

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
    "--scheduler",
    metavar="ADDRESS",
    help="Address of a Dask scheduler, such as tcp://10.0.0.5:8786, to share the work with.",
)
def command(
    sources: tuple[str, ...],
    options: SweepOptions,
    by: str | None,
    out: str,
    scheduler: str | None,
) -> int:
    """Many sweeps, one row each: key points, parameters, how the fit went.

    SOURCE is a folder, a pattern in quotes, a file with one sweep, or a long table with a column
    that names the sweep. A sweep that cannot be read is reported and does not stop the rest.

    Example: ivkit batch "runs/*.csv" --bench bench.toml --out runs.jsonl
    """
    if out != "-" and not out.lower().endswith((".csv", ".jsonl")):
        raise click.UsageError(f"--out {out}: the name must end in .csv or .jsonl")
    files = find_files(sources)
    if by:
        options = options.with_(columns=(*options.columns, f"sweep={by}"))

    from ivkit.curve.batch import COLUMNS, failed_row, fit_rows

    bench = options.load_bench()
    bad = good = 0
    work = _local(fit_rows) if scheduler is None else _shared(scheduler, fit_rows)
    with (
        progress_bar(len(files), "sweeps") as progress,
        streamed(out, [*files, *options.files(())]) as file,
    ):
        write = _writer(file, out, COLUMNS)
        for row in work(_sweeps(files, options, bench, progress, failed_row)):
            write(row)
            if row["error"] is None:
                good += 1
                continue
            bad += 1
            if bad <= TOLD:
                click.echo(f"ivkit: {row['error']}", err=True)
        if not good:
            raise FileError(
                f"none of {bad} sweeps could be read", ", ".join(sources), "see the lines above"
            )
    if bad > TOLD:
        click.echo(f"ivkit: {bad - TOLD} more sweeps could not be read", err=True)
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
            inside = [os.path.join(source, name) for name in sorted(os.listdir(source))]
            here = [p for p in inside if p.lower().endswith(ENDINGS) and os.path.isfile(p)]
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
    return list(dict.fromkeys(found))


def _sweeps(
    files: list[str],
    options: SweepOptions,
    bench: "Bench | None",
    progress: Callable[[int], None],
    failed_row: Callable[[str, str], Row],
) -> "Iterator[Sweep | Row]":
    """Yield every sweep of every file, or the row of one that could not be read."""
    from ivkit.cli.inputs import named_columns
    from ivkit.readings.front_end import make_sweep
    from ivkit.readings.split import split_table
    from ivkit.readings.table import read_table

    for path in files:
        try:
            table = read_table(path, columns=named_columns(options.columns), sheet=options.sheet)
            tables = list(split_table(table)) if "sweep" in table.columns else [table]
        except IvkitError as error:
            yield failed_row(path, str(error))
            tables = []
        for part in tables:
            try:
                yield make_sweep(part, bench, options.cells, options.temp_cell, options.irradiance)
            except IvkitError as error:
                yield failed_row(part.name, str(error))
        progress(1)


def _local(fit_rows: Callable) -> Callable:
    """Return a function that turns sweeps to rows here, a few hundred at a time."""

    def work(items: "Iterator[Sweep | Row]") -> Iterator[Row]:
        from ivkit.curve.batch import chunks

        for part in chunks(items):
            yield from fitted(part, fit_rows)

    return work


def fitted(part: "list[Sweep | Row]", fit_rows: Callable) -> list[Row]:
    """Return the rows of some sweeps in their order; rows of failures pass through."""
    rows = iter(fit_rows([item for item in part if not isinstance(item, dict)]))
    return [item if isinstance(item, dict) else next(rows) for item in part]


def _shared(address: str, fit_rows: Callable) -> Callable:
    """Return a function that turns sweeps to rows on the workers of a Dask scheduler."""

    def work(items: "Iterator[Sweep | Row]") -> Iterator[Row]:
        try:
            import dask.bag
            from distributed import Client
        except ImportError:
            raise click.UsageError(
                "--scheduler needs Dask; install it with: pip install 'ivkit[dask]'"
            ) from None
        from ivkit.curve.batch import CHUNK

        try:
            client = Client(address, timeout=10)
        except (OSError, ValueError) as error:
            raise click.UsageError(
                f"--scheduler {address}: no scheduler answers ({error})"
            ) from None
        with client:
            bag = dask.bag.from_sequence(items, partition_size=CHUNK)
            parts = bag.map_partitions(lambda part: fitted(list(part), fit_rows)).to_delayed()
            for future in client.compute(parts):
                yield from future.result()

    return work


def _writer(file: Any, out: str, columns: tuple[str, ...]) -> Callable[[Row], None]:
    """Return a function that writes one row as a line of CSV or of JSON."""
    if out.lower().endswith(".jsonl"):
        return lambda row: file.write(json.dumps({name: row[name] for name in columns}) + "\n")
    import csv

    writer = csv.DictWriter(file, columns, lineterminator="\n")
    writer.writeheader()
    return writer.writerow
