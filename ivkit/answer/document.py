"""An answer as JSON and CSV, and a JSON file as an answer again."""

import csv
import io
import json
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ivkit import __version__
from ivkit.answer.answer import Answer, Column, Entry, Table
from ivkit.errors import FileError, TableError

FORMAT = "ivkit answer"
VERSION = 2
SCHEMA = Path(__file__).with_name("schema.json")

_WORDS = ("based_on", "assumptions", "notes", "warnings", "skipped", "cautions", "paragraphs")


def plain(value: Any) -> Any:
    """Return ``value`` as JSON can hold it: no NaN, no numpy, uncertain numbers as value and u.

    >>> plain({"a": float("nan"), "b": (1, 2.5)})
    {'a': None, 'b': [1, 2.5]}
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "std_dev") and hasattr(value, "nominal_value"):
        if not math.isfinite(value.nominal_value):
            return None
        return {"value": value.nominal_value, "u": plain(value.std_dev)}
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def document(answer: Answer) -> dict[str, Any]:
    """Return an answer as JSON holds it."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "ivkit": __version__,
        "command": answer.command,
        "verdict": answer.verdict,
        "headline": answer.headline,
        "based_on": list(answer.based_on),
        "summary": plain({key: answer[key] for key in answer.summary}),
        "tables": _tables(answer.tables),
        "curves": _tables(answer.curves),
        "budget": plain(answer.budget),
        **{name: list(getattr(answer, name)) for name in _WORDS[1:]},
        "next": answer.next,
    }


def _tables(tables: Mapping[str, Table]) -> dict[str, Any]:
    return {
        name: {"title": one.title, "columns": plain(one.to_dict())} for name, one in tables.items()
    }


def csv_text(table: Table) -> str:
    """Return a table as CSV: a blank where there is no number, or an infinite one."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    columns = table.to_dict()
    write.writerow(columns)
    write.writerows([_cell(value) for value in row] for row in zip(*columns.values(), strict=True))
    return out.getvalue()


def _cell(value: Any) -> Any:
    return "" if isinstance(value, float) and not math.isfinite(value) else value


def load(source: str | os.PathLike | Mapping[str, Any]) -> Answer:
    """Return the answer of a file that ``--json`` wrote, or of its document.

    Headings and what only the text shows come from the keys; a figure has to be drawn anew.

    Raises
    ------
    FileError, TableError
        There is no such file; it is not such a file, or of a version that is not known here.
    """
    name = "the document" if isinstance(source, Mapping) else os.fspath(source)
    found = source if isinstance(source, Mapping) else _read(name)
    if not isinstance(found, Mapping) or found.get("format") != FORMAT:
        old = isinstance(found, Mapping) and "ivkit" in found
        what = "was written before answers had a version" if old else "is no answer of ivkit"
        raise TableError(what, name, "write it anew with the command's --json")
    if found.get("version") != VERSION:
        raise TableError(
            f"has version {found.get('version')}; this ivkit reads version {VERSION}",
            name,
            "read it with the ivkit that wrote it, or write it anew",
        )
    return Answer(
        found["command"],
        found["headline"],
        found["verdict"],
        summary={key: Entry(_uncertain(one)) for key, one in found["summary"].items()},
        tables={key: _table(one) for key, one in found["tables"].items()},
        curves={key: _table(one) for key, one in found["curves"].items()},
        budget=found["budget"],
        next=found.get("next", ""),
        **{key: tuple(found.get(key, ())) for key in _WORDS},
    )


def _read(name: str) -> Any:
    try:
        return json.loads(Path(name).read_text(encoding="utf-8"))
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise FileError(f"cannot be read ({why})", name, "check its name") from None
    except ValueError:
        raise TableError("is no JSON", name, "give a file that --json wrote") from None


def _uncertain(value: Any) -> Any:
    """Return a value of a summary; a pair as an uncertain number."""
    if not (isinstance(value, Mapping) and set(value) == {"value", "u"}):
        return value
    from uncertainties import ufloat

    return ufloat(value["value"], math.nan if value["u"] is None else value["u"])


def _table(found: Mapping[str, Any]) -> Table:
    columns = found["columns"]
    of_u = {key for key in columns if key.startswith("u_") and key[2:] in columns}
    return Table(
        found.get("title", ""),
        [
            Column(key, values, columns.get(f"u_{key}"))
            for key, values in columns.items()
            if key not in of_u
        ],
    )
