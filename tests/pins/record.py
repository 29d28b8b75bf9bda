"""Run command lines in a copy of a bench's files, and keep what each one answers."""

import contextlib
import io
import json
import os
import re
import shlex
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from html import unescape
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from tests.pins import benches, commands

ROOT = Path(__file__).parents[2]
ANSWER = "answer.json"
SURROUNDINGS = {
    "COLUMNS": "80",
    "LINES": "40",
    "TERM": "dumb",
    "NO_COLOR": "1",
    "TZ": "UTC",
    "PYTHONHASHSEED": "0",
}
_FIGURES = re.compile(r"<(svg|style|script)\b.*?</\1>|<[^>]*>", re.S)
_TABLES = (".csv", ".tsv", ".txt", ".dat", ".xlsx")


@dataclass(frozen=True)
class Bench:
    """Files of one bench (path to content), the folder to stand in, its command lines by number."""

    name: str
    files: dict[str, bytes]
    lines: dict[int, str]
    folder: str = "."


def examples() -> Bench:
    """Return the examples of the repository with their label."""
    found = [*(ROOT / "examples").iterdir(), *(ROOT / "datasheets").glob("*.toml")]
    files = {
        str(path.relative_to(ROOT)): path.read_bytes()
        for path in sorted(found)
        if path.suffix in (".toml", ".csv")
    }
    return Bench("examples", files, dict(enumerate(commands.EXAMPLES)), "examples")


def simulated(number: int) -> Bench:
    """Return a simulated bench with those command lines for which it has the inputs."""
    made = benches.make(number)
    lines = {
        k: line.format(**made.facts)
        for k, (needs, line) in enumerate(commands.BENCH)
        if set(needs.split()) <= made.has
    }
    files = {name: text.encode() for name, text in made.files.items()}
    return Bench(f"bench-{number:02d}", files, lines)


def untidy(folder: Path) -> list[Bench]:
    """Return a bench for each table in a folder."""
    return [
        Bench(
            f"untidy-{path.stem}",
            {path.name: path.read_bytes()},
            {
                k: line.format(table=shlex.quote(path.name))
                for k, line in enumerate(commands.UNTIDY)
            },
        )
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in _TABLES
    ]


def write_pins(folder: Path, tables: Path | None, count: int, workers: int = 1) -> str:
    """Record all benches under ``folder``; return a summary."""
    began = time.monotonic()
    todo = [*(untidy(tables) if tables else ()), examples(), *map(simulated, range(count))]
    folder = folder.absolute()
    if workers > 1:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            done = list(pool.map(record, todo, [folder] * len(todo)))
    else:
        done = [record(bench, folder) for bench in todo]
    statuses = Counter(one for bench in done for one in bench)
    names = sorted({command for command, _ in statuses})
    kinds = sorted({status for _, status in statuses})
    rows = [f"{'exit status':14}" + "".join(f"{kind:>6}" for kind in kinds)]
    rows += [
        f"{name:14}" + "".join(f"{statuses[name, kind] or '-':>6}" for kind in kinds)
        for name in names
    ]
    rows.append(f"{statuses.total()} runs of {len(todo)} benches, {time.monotonic() - began:.0f} s")
    return "\n".join(rows)


def record(bench: Bench, folder: Path) -> list[tuple[str, int]]:
    """Run the command lines of one bench and write a file each; return commands and statuses."""
    place = folder / bench.name
    place.mkdir(parents=True)
    done = []
    with tempfile.TemporaryDirectory() as temporary, _surroundings():
        for name, content in bench.files.items():
            path = Path(temporary, name)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        with contextlib.chdir(Path(temporary, bench.folder)):
            for number, line in bench.lines.items():
                answer = run(line)
                command = line.split()[0]
                text = json.dumps(answer, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
                text = text.replace(os.path.realpath(temporary), "FOLDER")
                text = text.replace(temporary, "FOLDER")
                (place / f"{number:02d}-{command}.json").write_text(text, encoding="utf-8")
                done.append((command, answer["status"]))
    return done


@contextlib.contextmanager
def _surroundings():
    """Set what a command may see of the terminal and the clock's zone."""
    before = dict(os.environ)
    os.environ.update(SURROUNDINGS)
    os.environ.pop("IVKIT_DEBUG", None)
    time.tzset()
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(before)
        time.tzset()


def run(line: str) -> dict[str, Any]:
    """Run ``ivkit LINE`` in the working folder; return all that it answers.

    Files that it writes are taken into the answer and removed.
    """
    from ivkit.cli import main

    arguments = shlex.split(line)
    if arguments[0] in commands.WITH_JSON:
        arguments += [commands.JSON, ANSWER]
    before = set(_files())
    out, err = io.StringIO(), io.StringIO()
    status: Any = 0
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("ignore")
        for kind in (RuntimeWarning, UserWarning):
            warnings.simplefilter("always", kind)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                main(arguments)
        except SystemExit as end:
            status = end.code
    answer: dict[str, Any] = {
        "command": line,
        "status": status,
        "text": out.getvalue().splitlines(),
        "errors": err.getvalue().splitlines(),
        "warnings": sorted({f"{one.category.__name__}: {one.message}" for one in warned}),
    }
    for name in sorted(set(_files()) - before):
        path = Path(name)
        if name == ANSWER:
            answer["json"] = json.loads(path.read_text(encoding="utf-8"))
        else:
            answer.setdefault("files", {})[name] = _content(path)
        path.unlink()
    return answer


def _files() -> Iterable[str]:
    return [str(path) for path in Path().rglob("*") if path.is_file()]


def _content(path: Path) -> Any:
    """Return a written file as what can be compared: JSON, or lines of text without figures."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".json":
        return json.loads(text)
    if path.suffix == ".jsonl":
        return [json.loads(row) for row in text.splitlines()]
    if path.suffix == ".html":
        lines = unescape(_FIGURES.sub("\n", text)).splitlines()
        return [line.strip() for line in lines if line.strip()]
    return text.splitlines()
