"""What every command that reads a sweep asks for, and how it gets from a file to a fit."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.options import Irradiance
from ivkit.cli.output import FiniteNumber, understood

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.curve.fit import Fit
    from ivkit.readings.sweep import Sweep


@dataclass(frozen=True)
class SweepOptions:
    """The options that say how to read a sweep."""

    bench: str | None = None
    cells: int | None = None
    temp_cell: float | None = None
    irradiance: float | None = None
    columns: tuple[str, ...] = ()
    sheet: str | None = None

    def load_bench(self) -> "Bench | None":
        """Return the bench named, or the one in the working folder, or None."""
        from ivkit.bench import find_bench, load_bench

        path = self.bench or find_bench()
        return load_bench(path) if path else None

    def read(self, path: str) -> "Sweep":
        """Return the sweep in a file; ``-`` is standard input."""
        from ivkit.readings.read import read_sweep

        sweep = read_sweep(
            path,
            bench=self.load_bench(),
            columns=named_columns(self.columns),
            sheet=self.sheet,
            cells=self.cells,
            temp_cell=self.temp_cell,
            irradiance=self.irradiance,
        )
        understood(path, sweep.notes)
        return sweep

    def fit(self, path: str) -> "Fit":
        """Return the fit of the sweep in a file."""
        from ivkit.curve.fit import fit

        return fit(self.read(path))

    def fit_all(
        self, paths: tuple[str, ...], change: "Callable[[Sweep], Sweep] | None" = None
    ) -> list["Fit"]:
        """Return the fits of several sweeps taken with one front end, effects in common.

        ``change`` is applied to each sweep before its fit.
        """
        from ivkit.curve.fit import fit_each

        if paths.count("-") > 1:
            raise click.UsageError("standard input (-) can be read only once")
        read = [self.read(path) for path in paths]
        return fit_each(read if change is None else [change(sweep) for sweep in read])

    def files(self, paths: tuple[str, ...]) -> list[str]:
        """Return every file that was read, so that none of them is written over."""
        from ivkit.bench import find_bench

        bench = self.bench or find_bench()
        return [*paths, *([str(bench)] if bench else [])]

    def with_(self, **changes: Any) -> "SweepOptions":
        """Return the same options with some changed."""
        return replace(self, **changes)


def named_columns(choices: tuple[str, ...]) -> dict[str, str]:
    """Return ``("voltage=U2:mV",)`` as ``{"voltage": "U2:mV"}``."""
    named = {}
    for choice in choices:
        quantity, equals, name = choice.partition("=")
        if not equals or not quantity.strip() or not name.strip():
            raise click.UsageError(
                f"--column {choice}: write it as QUANTITY=NAME, for example voltage=U2 or "
                "voltage=U2:mV"
            )
        if quantity.strip() in named:
            raise click.UsageError(f"--column names {quantity.strip()} twice")
        named[quantity.strip()] = name.strip()
    return named


def sweep_options(function: Callable) -> Callable:
    """Add the options of `SweepOptions` to a command, which gets them as ``options``."""

    @wraps(function)
    def wrapped(*args: Any, bench, cells, temperature, irradiance, column, sheet, **kwargs: Any):
        options = SweepOptions(bench, cells, temperature, irradiance, column, sheet)
        return function(*args, options=options, **kwargs)

    for option in reversed(
        (
            click.option(
                "--bench",
                metavar="FILE",
                help="The bench: front end, panel, condition. [bench.toml here, if there is one]",
            ),
            click.option(
                "--cells", type=click.IntRange(1, 1000), metavar="N", help="Cells in series."
            ),
            click.option(
                "--temperature",
                type=FiniteNumber(-90, 200, "degC"),
                metavar="DEGC",
                help="Cell temperature.",
            ),
            click.option(
                "--irradiance",
                type=Irradiance(),
                metavar="W/m2",
                help="Effective irradiance on the panel.",
            ),
            click.option(
                "--column",
                multiple=True,
                metavar="QUANTITY=NAME",
                help="Which column is what, where it cannot be told: voltage=U2 or voltage=U2:mV.",
            ),
            click.option("--sheet", metavar="NAME", help="Sheet of a workbook."),
        )
    ):
        wrapped = option(wrapped)
    return wrapped


def resistances(text: str, option: str, *, ends: bool = False) -> tuple[float, ...]:
    """Return the loads of a list such as ``10,22,4k7``, ohm; with ``ends`` also 0 and ``open``."""
    from ivkit.errors import RangeError, TableError
    from ivkit.readings.resistor_value import resistor_value

    found = []
    for item in (part.strip() for part in text.replace(";", ",").split(",")):
        if ends and item.lower() in ("open", "inf"):
            found.append(float("inf"))
            continue
        try:
            value = resistor_value(item)
        except TableError as error:
            more = ", or open" if ends else ""
            raise TableError(error.what, option, error.remedy + more) from None
        if value <= 0 and not ends:
            raise RangeError(f"'{item}' is no load", option, "leave it out")
        found.append(value)
    return tuple(found)
