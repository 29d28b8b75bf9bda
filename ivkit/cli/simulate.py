"""``ivkit simulate``: readings as this bench would write them, for teaching and for trying out."""

from typing import TYPE_CHECKING

import click

from ivkit.cli.inputs import resistances
from ivkit.cli.options import Irradiance
from ivkit.cli.output import FiniteNumber, write_whole
from ivkit.cli.panel_source import panel_options

if TYPE_CHECKING:
    from ivkit.bench import Bench
    from ivkit.verdict.simulate import Simulated

ORDERS = ("given", "up", "down", "random", "back-and-forth")


def _figure_options(function):
    for name, unit, meaning in (
        ("vmp", "V", "Voltage of greatest power"),
        ("imp", "A", "Current of greatest power"),
        ("voc", "V", "Open-circuit voltage"),
        ("isc", "A", "Short-circuit current"),
    ):
        function = click.option(
            f"--{name}",
            type=FiniteNumber(1e-9, 1e4, unit),
            metavar=unit,
            help=f"{meaning} of the panel at 1000 W/m2 and 25 degC.",
        )(function)
    return function


@click.command("simulate")
@_figure_options
@click.option(
    "--parameters",
    metavar="IL,I0,RS,RSH,A",
    help="The panel by its five parameters in this light: A, A, ohm, ohm, V.",
)
@click.option("--sweep", metavar="FILE", help="The panel as this sweep measured it.")
@panel_options
@click.option("--bench", metavar="FILE", help="The bench. [bench.toml here, if there is one]")
@click.option("--cells", type=click.IntRange(1, 1000), metavar="N", help="Cells in series.")
@click.option(
    "--irradiance",
    type=Irradiance(0.001),
    metavar="W/m2",
    help="Effective irradiance. [the bench's, or else 1000]",
)
@click.option(
    "--temperature",
    type=FiniteNumber(-90, 200, "degC"),
    metavar="DEGC",
    help="Cell temperature. [the bench's, or else 25]",
)
@click.option(
    "--loads",
    "wanted",
    metavar="LIST",
    help="Loads in the order taken: 0,10,4k7,open. [the bench's with both ends, or else E6]",
)
@click.option(
    "--order",
    type=click.Choice(ORDERS),
    default="given",
    show_default=True,
    help="In which order the loads are taken.",
)
@click.option(
    "--drift",
    type=FiniteNumber(-90, 300, "%"),
    default=0.0,
    metavar="PCT",
    help="By how much the light changes from the first reading to the last.",
)
@click.option("--fault", metavar="NAME", help="What goes wrong; --fault list shows what can.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Of chance.")
@click.option("--out", metavar="FILE", default="-", help="The readings, as CSV. [standard output]")
@click.option(
    "--truth", metavar="FILE", help="The answers, as JSON: panel, light, hidden errors, fault."
)
def command(**asked) -> None:
    """Readings as this bench would write them: noise, steps, hidden errors, and a fault on request.

    The parts of the bench are off at random within their tolerance, the same for the same --seed.
    Without another panel it is that of the bench. The readings are made, not measured, and say so
    in their first line; files that are there are not replaced.

    Example: ivkit simulate --isc 0.6 --voc 21.5 --imp 0.55 --vmp 17.5 --fault stray_reading
    """
    from ivkit.readings.broken import BREAKS, named

    if asked["fault"] == "list":
        width = max(map(len, BREAKS))
        for one in BREAKS.values():
            click.echo(f"  {one.name:{width}}  {one.what}")
        return
    import numpy as np

    from ivkit.cli.inputs import SweepOptions
    from ivkit.cli.simulate_panel import chosen_panel
    from ivkit.errors import about
    from ivkit.verdict.simulate import simulate

    _check_names(asked["out"], asked["truth"])
    options = SweepOptions(
        asked["bench"], asked["cells"], asked["temperature"], asked["irradiance"]
    )
    bench = options.load_bench()
    broken = named(asked["fault"]) if asked["fault"] else None
    inputs = options.files(tuple(x for x in (asked["sweep"], asked["datasheet"]) if x))
    rng = np.random.default_rng(asked["seed"])
    panel, light, warmth = chosen_panel(asked, options, bench)
    with about(", ".join(inputs)):
        best = float(panel.at(light, warmth).key_points().best_load)
        loads = _ordered(_loads(asked["wanted"], bench, best), asked["order"], rng)
        made = simulate(panel, light, warmth, loads, rng, bench, broken, asked["drift"] / 100)
    _deliver(made, asked, inputs)


def _loads(wanted: str | None, bench: "Bench | None", best: float) -> list[float]:
    """Return the loads in ohm: as asked for, else the bench's, else E6 about the best one."""
    if wanted is None:
        values = list(bench.loads.values) if bench else []
        if not values:
            from ivkit.verdict.e_series import series_values

            values = series_values("E6", best / 30, best * 30).tolist()
        return [0.0, *values, float("inf")]
    found = list(resistances(wanted, "--loads", ends=True))
    if len(found) < 2:
        raise click.UsageError("--loads: give at least two, as in 0,10,47,open")
    return found


def _ordered(loads: list[float], order: str, rng):
    """Return the loads in the order in which they are taken."""
    import numpy as np

    values = np.array(loads)
    if order == "given":
        return values
    up = np.sort(values)
    if order == "random":
        return rng.permutation(up)
    if order == "back-and-forth":
        return np.concatenate([up[::2], up[1::2][::-1]])
    return up if order == "up" else up[::-1]


def _deliver(made: "Simulated", asked: dict, inputs: list[str]) -> None:
    """Write readings and truth, whole or not at all, and never over a file that is there."""
    import json

    from ivkit.report.simulate_answer import simulate_answer

    text = _csv(made, asked["seed"])
    answers = json.dumps(simulate_answer(made, asked["seed"]).to_dict(), indent=2) + "\n"
    files = {}
    if asked["out"] != "-":
        files[asked["out"]] = text.encode()
    if asked["truth"] not in (None, "-"):
        files[asked["truth"]] = answers.encode()
    write_whole(files, inputs)
    if asked["out"] == "-":
        click.echo(text, nl=False)
    elif asked["truth"] == "-":
        click.echo(answers, nl=False)
    else:
        count = len(made.columns["load"])
        click.echo(f"{asked['out']}: {count} simulated readings")
        if asked["truth"]:
            click.echo(f"{asked['truth']}: the truth behind them")


def _check_names(out: str, truth: str | None) -> None:
    """Refuse names that are taken: made-up readings never replace measured ones."""
    import os

    from ivkit.errors import FileError

    if truth is not None and (out == truth or os.path.abspath(out) == os.path.abspath(truth)):
        raise click.UsageError("--out and --truth must name different files")
    for name in (out, truth):
        if name not in (None, "-") and os.path.exists(name):
            raise FileError(
                "is there already, and simulated readings replace no file",
                name,
                "give another name, or remove it first",
            )


def _csv(made: "Simulated", seed: int) -> str:
    """Return the readings as a table; the first line says that nobody measured them."""
    import numpy as np

    heads = {
        "load": "load_ohm",
        "voltage": "voltage_V",
        "power": "power_W",
        "temperature": "temp_cell_degC",
    }
    if not made.current_in_volts:
        heads["current"] = "current_A"
    lines = [f"# Simulated readings, not measured; seed {seed}"]
    lines.append(",".join(heads.get(name, name) for name in made.columns))
    for row in zip(*made.columns.values(), strict=True):
        cells = []
        for name, value in zip(made.columns, row, strict=True):
            if name == "load":
                cells.append("open" if np.isinf(value) else f"{value:.9g}")
            else:
                cells.append(
                    f"{value:.4f}".rstrip("0").rstrip(".") if "code" in name else f"{value:.6g}"
                )
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"
