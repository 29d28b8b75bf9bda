"""The command `ivkit`: one file a command, each loaded only when it is called.

This module loads click and nothing else, so that ``ivkit --help`` starts at once.
"""

import os
import sys
from importlib import import_module

import click

from ivkit import __version__
from ivkit.cli.explain import explained
from ivkit.cli.naming import naming
from ivkit.errors import IvkitError

COMMANDS = {
    "start": "A folder to begin with: a bench file, a blank table, what to do next.",
    "plan": "Before measuring: which loads, and is the front end good enough.",
    "characterize": "What is this panel: key points, parameters, uncertainty.",
    "load": "Which load resistor gets the most out of it.",
    "translate": "This sweep at STC; does the panel conform to its datasheet.",
    "lamp": "What the panel should give under this lamp.",
    "angle": "Power against incidence angle, compared with readings.",
    "check": "Is this reading, or this table of readings, plausible.",
    "track": "What a log of a turning panel says, against physics.",
    "watch": "Lines of a logger, judged as they come.",
    "sun": "What tracking is worth here, on this day or in this year.",
    "simulate": "Readings as this bench would write them, for teaching and trying out.",
    "batch": "Many sweeps, one row each.",
    "report": "The whole bench as one HTML page.",
}


class _Commands(click.Group):
    """A group that knows its commands by name and imports one when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        return naming(explained(import_module(f"ivkit.cli.{name}").command, name))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="ivkit", message="%(prog)s %(version)s")
def ivkit() -> None:
    """From raw readings of a small photovoltaic panel to an answer that stands.

    Each COMMAND has --help, and --explain for the equations and sources behind it.

    To begin: ivkit start my-panel

    Example: ivkit characterize sweep.csv --cells 36 --temperature 25
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exit status 0 answered, 1 answered no, 2 bad input or usage."""
    try:
        status = ivkit.main(arguments, prog_name="ivkit", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Abort:
        click.echo("ivkit: stopped", err=True)
        status = 130
    except click.ClickException as error:
        error.show()
        status = 2
    except IvkitError as error:
        click.echo(f"ivkit: {error}", err=True)
        status = 2
    except BrokenPipeError:
        # The reader of our output went away (`ivkit ... | head`): not an error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    except Exception as error:  # a fault of ivkit itself: still one line, never a traceback
        if os.environ.get("IVKIT_DEBUG"):
            raise
        click.echo(
            f"ivkit: a fault of ivkit itself, not of your input: {type(error).__name__}: {error}; "
            "please report it (IVKIT_DEBUG=1 shows where)",
            err=True,
        )
        status = 2
    sys.exit(status if isinstance(status, int) else 0)
