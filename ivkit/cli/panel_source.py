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
    from ivkit.panel.measured_panel import MeasuredPanel
    from ivkit.panel.under_lamp import Panel
    from ivkit.predict.of_sweep import SweepPanel
    from ivkit.readings.sweep import Sweep

#: W/m2 that stands for a sweep's own light where only shares of it are asked for.
OWN_LIGHT = 1000.0


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
) -> "Panel":
    """Return the panel by its sweep, or else by its datasheet; the bench may name the latter."""
    names_it = set_up
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
    panel: Panel | None = load_panel(datasheet, module, names_it) if named else None
    if given["sweep"] is not None:
        from ivkit.curve.fit import fit
        from ivkit.panel.measured_panel import measured_panel

        options = SweepOptions(
            bench=given["sweep_bench"] or bench,
            temp_cell=given["sweep_temperature"],
            irradiance=given["sweep_irradiance"],
        )
        files += options.files((given["sweep"],))
        if given.get("share") is not None:
            # The light is a share of the sweep's own, whatever that was: only the ratio counts.
            sweep = in_light_of_its_own(options.read(given["sweep"]))
            panel = measured_panel(fit(sweep), panel, given["technology"])
        else:
            panel = _of_sweep(options, given, panel)
    if given["bypass_groups"] is not None:
        from dataclasses import replace

        stated = tuple(a for a in panel.assumed if a.figure != "bypass_groups")
        panel = replace(panel, bypass_groups=given["bypass_groups"], assumed=stated)
    return panel


def panel_and_sweep(
    given: dict[str, Any],
    set_up: "Bench | None",
    bench: str | None,
    datasheet: str | None,
    module: str | None,
    files: list[str],
    notes: list[str],
) -> "tuple[Any, SweepPanel | None]":
    """Return the panel by its sweep, or else by its datasheet, and the sweep's light and heat."""
    from dataclasses import replace

    if given["sweep"] is None:
        return panel_of(given, set_up, bench, datasheet, module, files), None
    from ivkit.predict.of_sweep import SweepPanel, panel_of_sweep

    names_it, by_option = set_up, datasheet is not None or module is not None
    if not by_option:
        datasheet = set_up.panel.datasheet if set_up is not None else None
        if datasheet is None and given["sweep_bench"]:
            names_it = SweepOptions(bench=given["sweep_bench"]).load_bench()
            datasheet = names_it.panel.datasheet
        files += [datasheet] if datasheet else []
    sheet = load_panel(datasheet, module, names_it) if datasheet or module else None
    options = SweepOptions(
        bench=given["sweep_bench"] or bench,
        temp_cell=given["sweep_temperature"],
        irradiance=given["sweep_irradiance"],
    )
    files += options.files((given["sweep"],))
    found = panel_of_sweep(options.fit(given["sweep"]), sheet, notes=notes)
    if given["bypass_groups"] is not None:
        moved = replace(found.panel, bypass_groups=given["bypass_groups"])
        found = SweepPanel(moved, found.relative)
    return found.panel, found


def in_light_of_its_own(sweep: "Sweep") -> "Sweep":
    """Return the sweep with its light as the unit of all light: exact, whatever it was."""
    from dataclasses import replace

    condition = replace(
        sweep.condition, effective_irradiance=OWN_LIGHT, u_effective_irradiance=1e-9 * OWN_LIGHT
    )
    return replace(sweep, condition=condition)


def _of_sweep(
    options: SweepOptions, given: dict[str, Any], sheet: "Datasheet | None"
) -> "MeasuredPanel":
    """Return the panel by its sweep; what is missing is named by this command's own options."""
    from ivkit.errors import SweepError
    from ivkit.panel.measured_panel import measured_panel

    fit = options.fit(given["sweep"])
    try:
        return measured_panel(fit, sheet, given["technology"])
    except SweepError as error:
        remedy = error.remedy
        for option in ("--irradiance", "--temperature"):
            remedy = remedy.replace(option, f"--sweep-{option[2:]}")
        if "share" in given and "--sweep-irradiance" in remedy:
            remedy += "; or --share, if the readings are of light that is a share of the sweep's"
        raise SweepError(error.what, error.where, remedy) from None
