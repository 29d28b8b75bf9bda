"""``--explain`` of every command: the equations, assumptions and sources that it uses.

The text of a command is ``report/explain/NAME.txt``, so that a new command adds a file and no code.
Plain text, 80 columns; every equation names the code that it is in and where it comes from, and a
test holds the two together.
"""

import re
from collections.abc import Sequence
from pathlib import Path
from textwrap import fill

import click

from ivkit.assumptions import ASSUMED
from ivkit.sources import SOURCES, named_in

TEXTS = Path(__file__).parent.parent / "report" / "explain"


def explanation(name: str) -> str:
    """Return the text of a command; empty where it has none.

    A line ``@ NAME`` stands for what is assumed under that name where nothing is stated; papers
    that the text names follow it in full.
    """
    path = TEXTS / f"{name}.txt"
    if not path.is_file():
        return ""

    def assumed(line: re.Match) -> str:
        return _bullet(f"{ASSUMED[line[1]].sentence()}.")

    text = re.sub(r"^  @ (.*)$", assumed, path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    papers = "\n".join(map(_bullet, named_in(text)))
    return f"{text}\nReferences\n\n{papers}\n" if papers else text


def _bullet(text: str) -> str:
    return fill(text, 80, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False)


def sources(names: Sequence[str]) -> list[str]:
    """Return where the equations of these commands come from, what each is for first, once each."""
    found: dict[str, None] = {}
    for name in names:
        for what, source in re.findall(
            r"\n\n((?:  \S.*\n)+)(?:    .*\n)*?    source: (.*(?:\n {12}.*)*)", explanation(name)
        ):
            lines = what.rstrip("\n").split("\n")
            joint = ", " if all(" = " in line for line in lines) else " "
            said = joint.join(line.strip() for line in lines).rstrip(".:")
            if not said.startswith("--"):  # of an option that the page does not use
                where = " ".join(source.split())
                for paper, full in SOURCES.items():
                    where = where.replace(paper, f"{paper}, {full}")
                found[f"{said}: {where}."] = None
    return list(found)


def explained(command: click.Command, name: str) -> click.Command:
    """Return the command with ``--explain``, which needs none of its arguments."""

    def show(context: click.Context, _: click.Parameter, wanted: bool) -> None:
        if not wanted or context.resilient_parsing:
            return
        click.echo(explanation(name).rstrip("\n"))
        context.exit(0)

    if not any(parameter.name == "explain" for parameter in command.params):
        command.params.append(
            click.Option(
                ["--explain"],
                is_flag=True,
                is_eager=True,
                expose_value=False,
                callback=show,
                help="Show equations, assumptions and sources, and exit.",
            )
        )
    return command
