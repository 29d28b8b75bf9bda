"""Which panel ``ivkit simulate`` takes its readings of: figures, parameters, a sweep, a sheet."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.cli.panel_source import load_panel

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.cli.inputs import SweepOptions
    from ivkit.curve.diode import SingleDiode
    from ivkit.panel.conditions import ReferencePanel

FIGURES = ("isc", "voc", "imp", "vmp")


def chosen_panel(
    asked: dict[str, Any], options: "SweepOptions", bench: "Bench | None"
) -> "tuple[ReferencePanel, float, float]":
    """Return the panel, the light (W/m2) and the cell temperature (degC).

    Without any of the ways to name it, the panel is the one whose datasheet the bench names.
    """
    if datasheet_of_bench(asked, bench):
        asked = {**asked, "datasheet": bench.panel.datasheet}
    figures = [asked[name] for name in FIGURES]
    given = {
        "--parameters": asked["parameters"],
        "--sweep": asked["sweep"],
        "--datasheet": asked["datasheet"],
        "--module": asked["module"],
        "--isc, --voc, --imp and --vmp": any(x is not None for x in figures) or None,
    }
    named = [name for name, value in given.items() if value is not None]
    if len(named) != 1:
        raise click.UsageError(
            f"name the panel in one way: {'; or '.join(given)}"
            + (f" (given: {'; '.join(named)})" if named else "")
        )
    stated = bench.condition if bench else None

    def pick(name: str, of_bench: str, usual: float) -> float:
        of_sweep = getattr(stated, of_bench) if stated else None
        return next(x for x in (asked[name], of_sweep, usual) if x is not None)

    light = pick("irradiance", "irradiance_W_m2", 1000.0)
    warmth = pick("temperature", "temp_cell_degC", 25.0)
    cells = asked["cells"] or (bench.panel.cells if bench else None)
    if asked["parameters"] is not None:
        return _as_it_is(_five(asked["parameters"]), light, warmth, cells), light, warmth
    if asked["sweep"] is not None:
        fit = options.fit(asked["sweep"])
        if fit.model is None:
            from ivkit.errors import SweepError

            raise SweepError(
                f"no curve to simulate ({', '.join(fit.flags)})",
                asked["sweep"],
                "take a few more readings, or give the panel's figures",
            )
        return _as_it_is(fit.model, light, warmth, fit.sweep.cells), light, warmth
    if any(x is not None for x in figures):
        if any(x is None for x in figures):
            raise click.UsageError("--isc, --voc, --imp and --vmp go together: give all four")
        from ivkit.panel.datasheet import make_datasheet
        from ivkit.panel.sheet_file import SheetFile

        keys = dict(zip(("isc_A", "voc_V", "imp_A", "vmp_V"), figures, strict=True))
        return make_datasheet(SheetFile(cells=cells, **keys)).panel(), light, warmth
    return load_panel(asked["datasheet"], asked["module"], bench).panel(), light, warmth


def _as_it_is(
    model: "SingleDiode", light: float, warmth: float, cells: int | None
) -> "ReferencePanel":
    """Return the panel that has this curve in this light and at this temperature."""
    from ivkit.panel.conditions import ReferencePanel

    # Isc of silicon rises by about 0.05 %/K (common practice, no source); only warming uses it.
    return ReferencePanel.from_curve(model, light, warmth, 5e-4 * model.photocurrent, cells)


def _five(text: str) -> "SingleDiode":
    """Return the curve of five parameters in one string."""
    from ivkit.curve.diode import SingleDiode

    try:
        values = [float(x) for x in text.split(",")]
    except ValueError:
        values = []
    if len(values) != 5:
        raise click.UsageError(
            f"--parameters {text}: write five numbers, IL,I0,RS,RSH,A in A, A, ohm, ohm, V; "
            "RSH may be inf"
        )
    from ivkit.errors import RangeError

    try:
        return SingleDiode(*values)
    except RangeError as error:
        raise click.UsageError(f"--parameters {text}: {error.what}") from None


def datasheet_of_bench(asked: dict[str, Any], bench: "Bench | None") -> bool:
    """Tell whether the panel is the one of the bench, because nothing else names one."""
    ways = ("parameters", "sweep", "datasheet", "module", *FIGURES)
    silent = all(asked[name] is None for name in ways)
    return silent and bench is not None and bench.panel.datasheet is not None
