"""Which panel: its datasheet's file, or its name in the open module table."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ivkit.panel.datasheet import Datasheet


def panel_options(function: Callable) -> Callable:
    """Add ``--datasheet`` and ``--module``, which the command gets under these names."""

    by_name = click.option(
        "--module", metavar="NAME", help="The panel, by its name in the CEC module table."
    )
    by_file = click.option(
        "--datasheet", metavar="FILE", help="The panel, by its datasheet (TOML)."
    )
    return by_file(by_name(function))


def load_panel(datasheet: str | None, module: str | None) -> "Datasheet":
    """Return the datasheet that the options name."""
    if (datasheet is None) == (module is None):
        raise click.UsageError("name the panel with either --datasheet FILE or --module NAME")
    if datasheet is not None:
        from ivkit.panel.datasheet import load_datasheet

        return load_datasheet(datasheet)
    from ivkit.panel.module_table import module_from_table

    return module_from_table(module)
