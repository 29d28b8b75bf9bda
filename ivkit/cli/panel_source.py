"""Which panel: its datasheet's file, or its name in the open module table."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.inputs import SweepOptions
from ivkit.errors import about

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.panel.datasheet import Datasheet
    from ivkit.predict.of_sweep import SweepPanel


def panel_options(function: Callable) -> Callable:
    """Add ``--datasheet`` and ``--module``, which the command gets under these names."""

    by_name = click.option(
        "--module", metavar="NAME", help="The panel, by its name in the CEC module table."
    )
    by_file = click.option(
        "--datasheet", metavar="FILE", help="The panel, by its datasheet (TOML)."
    )
    return by_file(by_name(function))


def load_panel(
    datasheet: str | None, module: str | None, bench: "Bench | None" = None
) -> "Datasheet":
    """Return the datasheet that the options name, or the bench.

    What is wrong with a file that the bench names is told with the bench's name.
    """
    if (datasheet is None) == (module is None):
        raise click.UsageError("name the panel with either --datasheet FILE or --module NAME")
    if datasheet is not None:
        from ivkit.panel.datasheet import load_datasheet

        by_bench = bench is not None and datasheet == bench.panel.datasheet
        with about(Path(bench.path).name if by_bench else ""):
            return load_datasheet(datasheet)
    from ivkit.panel.module_table import module_from_table

    return module_from_table(module)


def panel_of(
    given: dict[str, Any],
    set_up: "Bench | None",
    bench: str | None,
    datasheet: str | None,
    module: str | None,
    files: list[str],
    notes: list[str],
    *,
    own_light: bool = True,
) -> "tuple[Any, SweepPanel | None]":
    """Return the panel by its sweep, or else by its datasheet; and the sweep's light and heat.

    The bench may name the datasheet. Without ``own_light`` a sweep has to state its irradiance.
    """
    from dataclasses import replace

    names_it, groups = set_up, given["bypass_groups"]
    if datasheet is None and module is None:
        datasheet = set_up.panel.datasheet if set_up is not None else None
        if datasheet is None and given["sweep_bench"]:
            names_it = SweepOptions(bench=given["sweep_bench"]).load_bench()
            datasheet = names_it.panel.datasheet
        files += [datasheet] if datasheet else []
    named = datasheet is not None or module is not None
    if given["sweep"] is None and not named:
        silent = f"; {files[0]} names no datasheet" if set_up is not None and files else ""
        raise click.UsageError(
            f"name the panel with --datasheet FILE, --module NAME or --sweep FILE{silent}"
        )
    sheet = load_panel(datasheet, module, names_it) if named else None
    if given["sweep"] is None:
        if groups is None:
            return sheet, None
        stated = tuple(a for a in sheet.assumed if a.figure != "bypass_groups")
        return replace(sheet, bypass_groups=groups, assumed=stated), None
    from ivkit.errors import SweepError
    from ivkit.predict.of_sweep import SweepPanel, panel_of_sweep

    options = SweepOptions(
        bench=given["sweep_bench"] or bench,
        temp_cell=given["sweep_temperature"],
        irradiance=given["sweep_irradiance"],
    )
    files += options.files((given["sweep"],))
    fit = options.fit(given["sweep"])
    try:
        found = panel_of_sweep(fit, sheet, given["technology"], own_light=own_light, notes=notes)
    except SweepError as error:
        remedy = error.remedy
        for option in ("--irradiance", "--temperature"):
            remedy = remedy.replace(option, f"--sweep-{option[2:]}")
        raise SweepError(error.what, error.where, remedy) from None
    if groups is not None:
        found = SweepPanel(replace(found.panel, bypass_groups=groups), found.relative)
    return found.panel, found
