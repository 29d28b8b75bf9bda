"""What an answer is: one object that the terminal, JSON, CSV, notebook and page all show.

A command's answer is made once, by one function from a result; nothing reads it out of prose.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING, Any

from ivkit.answer.quantities import heading_of, unit_of
from ivkit.assumptions import is_assumption

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from pandas import DataFrame


@dataclass(frozen=True)
class Entry:
    """A value of the summary that the text shows too, on a line of its own.

    Attributes
    ----------
    value : number, uncertain number, str, bool, None or list
    heading : str
        By default that of its key.
    unit : str
        By default that of its key; `ivkit.answer.quantities.FRACTION` is shown in percent.
    show : str or None
        What the text shows in its place ("below 0.3 ohm").
    """

    value: Any
    heading: str = ""
    unit: str = ""
    show: str | None = None


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    key : str
        Its name in JSON and CSV, with the unit at its end: ``power_W``, ``lost_fraction``.
    values : sequence
        Numbers, uncertain numbers, strings, booleans or None; an array is as good as a list. NaN
        and infinity are null in JSON.
    u : sequence of float or None
        Standard uncertainties, under ``u_`` and the key; taken from ``values`` where these are
        uncertain numbers.
    heading : str or None
        By default that of the key; None keeps the column out of the text.
    unit : str or sequence of str
        By default that of the key; one for each value where the rows are different quantities.
    show : sequence of str, or callable
        What the text shows in place of each value: the words, or a function of the value.
    missing : str
        What the text shows where there is no value.
    """

    key: str
    values: Sequence[Any]
    u: Sequence[float | None] | None = None
    heading: str | None = ""
    unit: str | Sequence[str] = ""
    show: Sequence[str] | Callable[[Any], str] | None = None
    missing: str = "-"

    def __post_init__(self) -> None:
        values = _listed(self.values)
        if self.u is None and any(hasattr(value, "nominal_value") for value in values):
            object.__setattr__(self, "u", [getattr(value, "std_dev", None) for value in values])
        elif self.u is not None:
            object.__setattr__(self, "u", _listed(self.u))
        values = [getattr(value, "nominal_value", value) for value in values]
        object.__setattr__(self, "values", values)
        object.__setattr__(self, "unit", self.unit or unit_of(self.key))
        if self.heading == "":
            object.__setattr__(self, "heading", heading_of(self.key))
        if callable(self.show):
            told = [self.missing if nothing(value) else self.show(value) for value in values]
            object.__setattr__(self, "show", told)
        lengths = {len(values)} | ({len(self.u)} if self.u is not None else set())
        if not isinstance(self.unit, str):
            lengths.add(len(self.unit))
        if self.show is not None:
            lengths.add(len(self.show))
        if len(lengths) > 1:
            raise ValueError(f"column {self.key}: values, u, unit and show differ in length")


@dataclass(frozen=True)
class Table:
    """Columns of the same length.

    Attributes
    ----------
    title : str
        Over it in the text; may be "".
    columns : sequence of Column
    most_rows : int
        Of a longer table the text shows the beginning and the end; 0 keeps it out of the text.
    note : str
        A paragraph under it.
    sideways : bool
        In the text each column is a line: for few rows of many quantities.
    """

    title: str
    columns: Sequence[Column]
    most_rows: int = 40
    note: str = ""
    sideways: bool = False

    def __post_init__(self) -> None:
        if len({len(column.values) for column in self.columns}) > 1:
            raise ValueError(f"table {self.title!r}: its columns differ in length")

    def __len__(self) -> int:
        return len(self.columns[0].values) if self.columns else 0

    def __getitem__(self, key: str) -> list[Any]:
        for column in self.columns:
            if column.key == key:
                return list(column.values)
            if column.u is not None and f"u_{column.key}" == key:
                return list(column.u)
        raise KeyError(key)

    def to_dict(self) -> dict[str, list[Any]]:
        """Return the columns by key, each with its uncertainties beside it, as lists."""
        out: dict[str, list[Any]] = {}
        for column in self.columns:
            out[column.key] = list(column.values)
            if column.u is not None:
                out[f"u_{column.key}"] = list(column.u)
        return out


@dataclass(frozen=True)
class Answer:
    """What a command answers.

    Attributes
    ----------
    command : str
        Which one.
    headline : str
        The answer in a sentence or two.
    verdict : str or None
        plausible, too high, too low, inconsistent, impossible or undetermined; against a
        specification conforms, does not conform or in the guard band; None where nothing is judged.
    based_on : sequence of str
        The first lines: which panel, light and bench file it rests on.
    summary : mapping
        Key with unit -> number, uncertain number, str, bool, None or list. The text shows those
        that are an `Entry`.
    tables : mapping
        Name -> `Table`, in the order of the text.
    csv : str
        The table that ``--csv`` writes and `to_frame` returns; by default the first.
    curves : mapping
        Name -> `Table` of what is drawn; not in the text.
    budget : mapping
        Key of a quantity -> {input quantity: fraction of its variance}. The text has the first.
    assumptions, notes, warnings, skipped, cautions : sequence of str
        What stands for something not stated; how the files were read; what to mind; rows that
        were left aside, and why; what could hurt somebody.
    paragraphs : sequence of str
        Between headline and tables.
    next : str
        What to do now.
    figure : callable or None
        Draws the picture; made by `drawn_by` it can be pickled.
    """

    command: str
    headline: str
    verdict: str | None = None
    based_on: Sequence[str] = ()
    summary: Mapping[str, Any] = field(default_factory=dict)
    tables: Mapping[str, Table] = field(default_factory=dict)
    csv: str = ""
    curves: Mapping[str, Table] = field(default_factory=dict)
    budget: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    assumptions: Sequence[str] = ()
    notes: Sequence[str] = ()
    warnings: Sequence[str] = ()
    skipped: Sequence[str] = ()
    cautions: Sequence[str] = ()
    paragraphs: Sequence[str] = ()
    next: str = ""
    figure: "Callable[[], Figure] | None" = None

    def __getitem__(self, key: str) -> Any:
        """Return a value of the summary."""
        value = self.summary[key]
        return value.value if isinstance(value, Entry) else value

    def __repr__(self) -> str:
        return f"<Answer of {self.command}: {self.headline}>"

    def __str__(self) -> str:
        return self.text()

    def text(self, width: int | None = None) -> str:
        """Return it for a terminal, by default as wide as the one that is there."""
        from ivkit.answer.lines import lines

        return lines(self, width)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON document, as `schema.json` beside this file describes it."""
        from ivkit.answer.document import document

        return document(self)

    def to_frame(self, table: str | None = None) -> "DataFrame":
        """Return a table as a DataFrame, by default that of ``--csv``."""
        from pandas import DataFrame

        return DataFrame(self._table(table).to_dict())

    def to_csv(self, table: str | None = None) -> str:
        """Return a table as CSV, by default that of ``--csv``."""
        from ivkit.answer.document import csv_text

        return csv_text(self._table(table))

    def _table(self, name: str | None) -> Table:
        if not self.tables:
            raise KeyError(f"the answer of {self.command} has no table")
        return self.tables[name or self.csv or next(iter(self.tables))]

    def _repr_html_(self) -> str:
        from ivkit.answer.html import as_html

        return as_html(self)


def columns(
    rows: Sequence[Any],
    headings: Mapping[str, str | None] | None = None,
    shows: Mapping[str, Any] | None = None,
    **keys: str | Callable[[Any], Any],
) -> list[Column]:
    """Return one column a key from objects or mappings, one of them a row.

    Parameters
    ----------
    rows : sequence
    headings, shows : mapping, optional
        By key, as in `Column`.
    **keys : str or callable
        Attribute or item of a row, or a function of it.

    Examples
    --------
    >>> [one.values for one in columns([{"p": 1.0}, {"p": 2.0}], power_W="p", row=lambda r: "x")]
    [[1.0, 2.0], ['x', 'x']]
    """
    headings, shows = headings or {}, shows or {}

    def cell(row: Any, way: str | Callable[[Any], Any]) -> Any:
        if callable(way):
            return way(row)
        return row[way] if isinstance(row, Mapping) else getattr(row, way)

    return [
        Column(
            key, [cell(row, way) for row in rows], None, headings.get(key, ""), show=shows.get(key)
        )
        for key, way in keys.items()
    ]


def based_on(**parts: str | None) -> tuple[str, ...]:
    """Return what an answer rests on, as far as it is there.

    >>> based_on(panel="panel.toml", light=None, bench="bench.toml")
    ('panel: panel.toml', 'bench: bench.toml')
    """
    return tuple(f"{name}: {one}" for name, one in parts.items() if one)


def said_of(read: Sequence[tuple[str, Sequence[str]]]) -> tuple[list[str], list[str]]:
    """Return how files were read and what was assumed of them, each told once.

    ``read`` are names with notes; a note that not all files have gets the name before it.

    >>> said_of([("a.csv", ["decimal comma", "read 'U'"]), ("b.csv", ["decimal comma"])])
    (['decimal comma', "a.csv: read 'U'"], [])
    """
    notes = [
        note if all(note in more for _, more in read) else f"{name}: {note}"
        for name, own in read
        for note in own
        if not is_assumption(note)
    ]
    assumed = [note for _, own in read for note in own if is_assumption(note)]
    return list(dict.fromkeys(notes)), list(dict.fromkeys(assumed))


def drawn_by(function: str, *arguments: Any, **named: Any) -> "Callable[[], Figure]":
    """Return what draws a figure by ``module:function``, which is loaded only then."""
    return partial(_draw, function, *arguments, **named)


def _draw(function: str, *arguments: Any, **named: Any) -> "Figure":
    module, _, name = function.partition(":")
    return getattr(import_module(module), name)(*arguments, **named)


def nothing(value: Any) -> bool:
    """Return whether there is no value: None, "" or NaN."""
    return value is None or value == "" or value != value


def _listed(values: Any) -> list[Any]:
    """Return values as a list of plain Python ones."""
    return values.tolist() if hasattr(values, "tolist") else list(values)
