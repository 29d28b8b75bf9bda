"""What a datasheet's prediction is worth on modules that a laboratory measured.

    python -m tests.benchmarks.laboratory            all variants, with tables
    python -m tests.benchmarks.laboratory stated     one of them

Each module's own row at 1000 W/m2 and 25 degC is its datasheet (`tests.laboratory`); predicted are
the other rows. The interval is k = 2 with the uncertainty of the prediction and that of one row
relative to another. Its score: Gneiting and Raftery (2007), doi:10.1198/016214506000001437, eq. 43,
alpha 0.05, in percent of the measured value; less is better.
"""

import sys
import time

import numpy as np
import pandas as pd

from ivkit.answer.text import table
from ivkit.errors import IvkitError
from ivkit.predict.facing import Facing
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene, Warmth
from tests.benchmarks.row import Row
from tests.laboratory import QUANTITIES, U_RELATIVE, knows_key, single_junction, u_measured
from tests.predicted import points_at
from tests.sound_benches import ACCUSED, verdict

ALPHA, K = 0.05, 2.0
LOW_KEY = "pmp_200_W"
_COLUMNS = [
    *("module", "technology", "silicon", "irradiance", "temp_cell"),
    *("quantity", "error", "u", "u_both"),
]
#: Of a variant: the modules, how their sheet is made, and conditions that it states besides STC.
VARIANTS = {
    "stated": (lambda m: True, lambda m: m.sheet(), ()),
    "technology not stated": (lambda m: m.silicon, lambda m: m.sheet(False), ()),
    "Pmp at 200 W/m2 given": (
        lambda m: True,
        lambda m: m.sheet(**{LOW_KEY: float(m.at(200, 25).p_mp)}),
        ((200, 25),),
    ),
}


def applies(variant):
    """Return whether this ivkit knows what the variant states."""
    return "200" not in variant or knows_key(LOW_KEY)


def predictions(variant="stated"):
    """Return a frame with one row for each quantity of each condition of each module.

    Columns: module, technology, silicon, irradiance, temp_cell, quantity, error (predicted less
    measured), u (of the prediction) and u_both (with the measurement), all three in percent of the
    measured value. A module whose datasheet is refused has NaN there.
    """
    wanted, sheet_of, stated = VARIANTS[variant]
    lines = []
    for module in single_junction():
        if not wanted(module):
            continue
        try:
            sheet = sheet_of(module)
        except IvkitError:
            sheet = None
        for row in module.others(*stated).itertuples():
            points = None
            if sheet is not None:
                points = points_at(sheet, float(row.irradiance), float(row.temp_cell))
            for name in QUANTITIES:
                measured, told = getattr(row, name), getattr(points, name, None)
                value, u = (told.nominal_value, told.std_dev) if told is not None else (np.nan,) * 2
                percent = 100 / measured
                lines.append(
                    (
                        module.name,
                        module.technology,
                        module.silicon,
                        row.irradiance,
                        row.temp_cell,
                        name,
                        (value - measured) * percent,
                        u * percent,
                        np.hypot(u * percent, 100 * u_measured(name, measured)),
                    )
                )
    return pd.DataFrame(lines, columns=_COLUMNS)


def score(frame):
    """Return rms and mean error, the fraction inside, median u by irradiance, interval score."""
    error, u = frame.error.to_numpy(), frame.u_both.to_numpy()
    beyond = np.maximum(np.abs(error) - K * u, 0.0)
    light = frame.irradiance
    return pd.Series(
        {
            "rms": np.sqrt(np.mean(error**2)),
            "mean": np.mean(error),
            "inside": np.mean(np.where(np.isnan(error), np.nan, beyond == 0)),
            "u400": frame.u[light >= 400].median(),
            "u200": frame.u[light == 200].median(),
            "u100": frame.u[light == 100].median(),
            "score": np.mean(2 * K * u + 2 / ALPHA * beyond),
        }
    )


def scores(frame, by):
    """Return `score` of each group, with the groups in the order in which they come."""
    return pd.DataFrame(
        {key: score(part) for key, part in frame.groupby([*by, "quantity"], sort=False)}
    ).T


def verdicts(variant="stated", u_reading=U_RELATIVE["p_mp"]):
    """Return, by module, what `check` says of its power at maximum.

    Columns: ``all``, the verdict on all conditions as one table; ``100`` and ``200``, the fraction
    of single readings accused in that irradiance (W/m2); ``single``, of all single readings.
    """
    wanted, sheet_of, stated = VARIANTS[variant]
    found = {}
    for module in single_junction():
        if not wanted(module):
            continue
        try:
            sheet = sheet_of(module)
        except IvkitError:
            found[module.name] = ("refused", *(np.nan,) * 3)
            continue
        rows = module.others(*stated)
        light = rows.irradiance.to_numpy(dtype=float)
        warm = rows.temp_cell.to_numpy(dtype=float)
        power = rows.p_mp.to_numpy()

        def said(which, sheet=sheet, light=light, warm=warm, power=power):
            # The light and the temperature are as exact as the row is (`U_RELATIVE`).
            setting = Scene(sheet, Facing(1000.0), Warmth(25.0, 0.0))
            readings = Readings.of(
                power=power[which],
                load=np.nan,
                light=light[which] / 1000.0,
                warmer=warm[which] - 25.0,
                u=u_reading,
                step={"power": 0.01},
            )
            return verdict(setting, readings)[0]

        one = np.array([said(np.arange(len(light)) == k) == ACCUSED for k in range(len(light))])
        found[module.name] = (
            said(np.ones(len(light), dtype=bool)),
            *(float(np.mean(one[light == g])) for g in (100.0, 200.0)),
            float(np.mean(one)),
        )
    return pd.DataFrame(found, index=["all", "100", "200", "single"]).T


def rows():
    """Return the rows of this file."""
    frame = predictions()
    out = []
    for u in (U_RELATIVE["p_mp"], 0.02):
        said = verdicts(u_reading=u)
        accused = int(np.sum(said["all"] != "plausible"))
        target = f"of {len(said)} modules not called plausible, readings good to {100 * u:g} %"
        out.append(Row(target, "measured modules", f"{accused}", "none", accused == 0))
    inside = scores(frame, ["module"]).inside.astype(float)
    what, least = "readings inside the 95 % interval", 0.93
    for name in QUANTITIES:
        share = inside.xs(name, level=1)
        mean = float(score(frame[frame.quantity == name]).inside)
        out.append(
            Row(
                f"{name}: {what}, all and the worst module",
                "measured modules",
                f"{100 * mean:.1f} and {100 * share.min():.1f} %",
                "93 %",
                mean >= least,
            )
        )
    unknown = predictions("technology not stated")
    power = unknown[unknown.quantity == "p_mp"]
    for low, high, most in ((400, 2000, 2.0), (200, 200, 3.5), (100, 100, 7.0)):
        u = power.u[power.irradiance.between(low, high)].max()
        where = f"{low} W/m2" + (" and more" if high > low else "")
        what = f"u of Pmp, silicon of unknown kind, {where}"
        out.append(Row(what, "measured modules", f"{u:.1f} %", f"at most {most:g} %", u <= most))
    if applies("Pmp at 200 W/m2 given"):
        given = predictions("Pmp at 200 W/m2 given")
        power = given[(given.quantity == "p_mp") & given.silicon]
        rms = scores(power, ["module"]).rms
        out.append(
            Row(
                "rms error of Pmp, silicon, Pmp at 200 W/m2 given: median and worst module",
                "measured modules",
                f"{rms.median():.2f} and {rms.max():.2f} %",
                "1.5 and 3 %",
                rms.median() <= 1.5 and rms.max() <= 3.0,
            )
        )
    return out


_HEAD = ("rms %", "mean %", "inside %", "u >=400", "u 200", "u 100", "score %")


def _lines(found):
    for key, line in found.iterrows():
        numbers = [f"{100 * x:.1f}" if n == "inside" else f"{x:.2f}" for n, x in line.items()]
        yield [*map(str, key), *numbers]


def main(wanted):
    """Print the tables of each variant."""
    for variant in VARIANTS:
        if wanted and variant not in wanted:
            continue
        if not applies(variant):
            print(f"== {variant}: skipped, no key {LOW_KEY} in a datasheet\n")
            continue
        start = time.perf_counter()
        frame = predictions(variant)
        print(f"== {variant}\n")
        for by in ("technology", "module"):
            print(table(list(_lines(scores(frame, [by]))), (by, "", *_HEAD), left=2, width=120))
            print()
        silicon = frame[frame.silicon]
        overall = pd.concat([silicon.assign(of="silicon"), frame.assign(of="all")])
        print(table(list(_lines(scores(overall, ["of"]))), ("", "", *_HEAD), left=2, width=120))
        power = frame[frame.quantity == "p_mp"]
        light = power.irradiance.map(lambda g: ">=400" if g >= 400 else str(g))
        largest = power.pivot_table("u", "module", light, "max", sort=False)
        lines = [
            [name, *(f"{line[c]:.2f}" for c in (">=400", "200", "100"))]
            for name, line in largest.iterrows()
        ]
        print()
        print(table(lines, ("largest u of Pmp, %", ">=400", "200", "100")))
        for u in (U_RELATIVE["p_mp"], 0.02):
            found = verdicts(variant, u)
            lines = [
                [n, line["all"], *(f"{100 * line[c]:.0f}" for c in ("100", "200", "single"))]
                for n, line in found.iterrows()
            ]
            head = (
                f"check of power, u {100 * u:g} %",
                "all as a table",
                "accused: 100",
                "200",
                "all, %",
            )
            print()
            print(table(lines, head, left=2, width=120))
        print(f"\n{time.perf_counter() - start:.1f} s\n")


if __name__ == "__main__":
    main(sys.argv[1:])
