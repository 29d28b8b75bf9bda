"""How often sound benches are called plausible, and how often sweeps taken to STC hold the truth.

    python -m tests.benchmarks.sound --count 200                    all of it
    python -m tests.benchmarks.sound --count 2000 --only datasheet  one part

Parts: ``datasheet`` and ``sweep``, simulated panels known by either (`tests.simulated_panels`);
``measured``, benches between a laboratory's conditions (`tests.measured_benches`); ``translate``,
which takes half the time with OPENBLAS_NUM_THREADS=1. ``control`` has the simulated panels follow
De Soto's equations: what is off there is off whatever the panel's equations are.
"""

import argparse
import time
from collections.abc import Iterator
from functools import partial
from itertools import product
from typing import Any

import numpy as np

from ivkit.answer.text import table
from ivkit.errors import IvkitError
from tests import measured_benches, simulated_panels
from tests import sound_benches as sound
from tests.benchmarks.row import Row

SEED = 1_300_000
PARTS = ("datasheet", "sweep", "measured", "translate", "control")
#: Irradiances of the sweeps taken to STC, W/m2.
TO_STC = ((300.0, 900.0), (300.0, 500.0))
#: How well their light and temperature are known; where exactly, the panel's equations stand alone.
AT_STC = {"exact": sound.Care((1.0, 0.5, 1.0), 4, 0.002, 0.2, 0.005), **sound.CARES}
_SLACK = 0.01  # of false alarms, as the target has it
_WITHIN = "{:g} to {:g} W/m2"


def counted(bench, count, seed=SEED):
    """Return the verdicts on ``count`` benches by kind of reading: fractions, and how far off.

    Of each kind a mapping: the fractions plausible, accused and undetermined of the benches not
    refused, the fraction refused, and ``z``, the 68.27 % point of the distance in standard
    uncertainties (near 1 for single readings where those are right).
    """
    found = [bench(seed + k) for k in range(count)]
    out = {}
    for kind in found[0]:
        words = np.array([f[kind][0] for f in found])
        answered = words[words != sound.REFUSED]
        z = np.abs([f[kind][1] for f in found])
        out[kind] = {
            word: float(np.mean(answered == word)) if len(answered) else np.nan
            for word in (sound.PLAUSIBLE, sound.ACCUSED, sound.OPEN)
        }
        out[kind][sound.REFUSED] = 1.0 - len(answered) / count
        out[kind]["z"] = float(np.nanquantile(z, 0.6827)) if len(answered) else np.nan
    return out


def benches(parts) -> Iterator[tuple[str, str, tuple[float, float], Any]]:
    """Yield a name, how well things are known, the irradiances and the bench, of each part."""
    control = {"of": simulated_panels.as_de_soto}
    for care_name, care in sound.CARES.items():
        for lights in sound.LIGHTS:
            args = {"lights": lights, "care": care}
            simulated = {
                "datasheet": [("simulated, datasheet", simulated_panels.from_datasheet, {})],
                "sweep": [("simulated, sweep in other light", simulated_panels.from_sweep, {})],
                "control": [
                    ("De Soto's panels, datasheet", simulated_panels.from_datasheet, control),
                    ("De Soto's panels, sweep", simulated_panels.from_sweep, control),
                ],
            }
            for part, ways in simulated.items():
                for name, bench, more in ways if part in parts else ():
                    yield name, care_name, lights, partial(bench, **args, **more)
            if "measured" not in parts or lights[0] < 100.0:
                continue
            for silicon in (True, False):
                for thin in (False, True):
                    name = f"measured {'silicon' if silicon else 'thin film'}"
                    name += ", power alone stated" if thin else ""
                    more = {"silicon": silicon, "thin": thin}
                    yield name, care_name, lights, partial(measured_benches.bench, **args, **more)


def at_stc(lights, care, count, seed=SEED, of=lambda panel: panel):
    """Return what sweeps taken to STC hold: a mapping of fractions, and the median u of Pmp.

    Isc, Voc and Pmp inside k = 2, and the labels denied, are of the sweeps that are answered.
    """
    found, refused = [], 0
    for k in range(count):
        try:
            found.append(simulated_panels.translated(seed + k, lights, care, of))
        except IvkitError:
            refused += 1
    told = [f for f in found if f is not None]
    inside = np.mean(np.abs([f.z for f in told]) <= 2.0, axis=0)
    return {
        **dict(zip(("Isc", "Voc", "Pmp"), map(float, inside), strict=True)),
        "denied": float(np.mean([f.denied for f in told])),
        "u": float(np.median([f.u[2] for f in told])),
        "unreached": (len(found) - len(told)) / count,
        "refused": refused / count,
    }


def rows(count=100):
    """Return the rows of this file."""
    out = []
    for name, care, lights, bench in benches(("datasheet", "sweep", "measured")):
        if care != "usual":
            continue
        for kind, found in counted(bench, count).items():
            level = sound.LEVEL[kind]
            # A bench not answered, or not told, is no success either.
            alarms = 1.0 - found[sound.PLAUSIBLE] * (1.0 - found[sound.REFUSED])
            out.append(
                Row(
                    f"sound but not plausible: {name}, {_WITHIN.format(*lights)}, {kind}",
                    f"{count} benches",
                    f"{100 * alarms:.1f} %",
                    f"{100 * level:.1f} + 1 %",
                    alarms <= level + _SLACK,
                )
            )
    for lights in TO_STC:
        found = at_stc(lights, AT_STC["tight"], count)
        for name in ("Isc", "Voc", "Pmp"):
            what = f"{name} at STC inside the 95 % interval, sweeps at {_WITHIN.format(*lights)}"
            share = found[name]
            shown = f"{100 * share:.1f} %"
            out.append(Row(what, f"{count} sweeps", shown, "93 to 97 %", 0.93 <= share <= 0.97))
        denied = found["denied"]
        what = f"sound panels denied their own label, sweeps at {_WITHIN.format(*lights)}"
        out.append(
            Row(what, f"{count} sweeps", f"{100 * denied:.1f} %", "at most 1 %", denied <= 0.01)
        )
    return out


def _percent(value):
    return f"{100 * value:.1f}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.sound")
    parser.add_argument("--count", type=int, default=200, help="Of benches or sweeps a row. [200]")
    parser.add_argument("--seed", type=int, default=SEED, help="Of the first bench.")
    parser.add_argument("--only", choices=PARTS, action="append", help="Part; may be repeated.")
    given = parser.parse_args()
    parts, count = given.only or PARTS, given.count
    lines = []
    for name, care, lights, bench in benches(parts):
        start = time.perf_counter()
        for kind, found in counted(bench, count, given.seed).items():
            words = (sound.PLAUSIBLE, sound.ACCUSED, sound.OPEN, sound.REFUSED)
            numbers = [_percent(found[word]) for word in words]
            level = _percent(sound.LEVEL[kind])
            lines.append(
                [
                    name,
                    care,
                    "{:g}-{:g}".format(*lights),
                    kind,
                    *numbers,
                    level,
                    f"{found['z']:.2f}",
                ]
            )
        lines[-1].append(f"{time.perf_counter() - start:.1f}")
    head = ("sound benches", "known", "W/m2", "reading", "plausible %", "accused %", "undet. %")
    head += ("refused %", "alarms stated %", "z 68 %", "s for both")
    if lines:
        lines = [[*line, ""][:11] for line in lines]
        print(table(lines, head, left=4, width=150), end="\n\n")
    lines = []
    ways = {
        "translate": ("simulated", lambda panel: panel),
        "control": ("De Soto's", simulated_panels.as_de_soto),
    }
    for part in (part for part in ways if part in parts):
        name, of = ways[part]
        for lights, known in product(TO_STC, AT_STC):
            start = time.perf_counter()
            found = at_stc(lights, AT_STC[known], count, given.seed, of)
            fractions = (found[x] for x in ("Isc", "Voc", "Pmp", "denied", "unreached", "refused"))
            numbers = [*map(_percent, fractions), f"{found['u']:.2f}"]
            seconds = f"{time.perf_counter() - start:.1f}"
            lines.append([name, known, "{:g}-{:g}".format(*lights), *numbers, seconds])
    head = ("sweeps to STC", "known", "W/m2", "Isc inside %", "Voc", "Pmp", "denied %")
    head += ("unreached %", "refused %", "median u Pmp %", "s")
    if lines:
        print(table(lines, head, left=3, width=150))


if __name__ == "__main__":
    main()
