"""A log of a million rows read and judged, and pointing errors recovered from power.

Run alone: ``python -m tests.benchmarks tracking``.
"""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from ivkit.light.glass import GRAZING, LOSS, PLAIN
from ivkit.readings.log import read_log
from ivkit.verdict.log import clean
from ivkit.verdict.log_power import log_power
from ivkit.verdict.pointing import FacingPower
from ivkit.verdict.tracking import Tracking, track
from tests.benchmarks.row import Row, seconds
from tests.logs import LAMP, facing, own, panel_law

ROWS = 1_000_000
LOGS = 2000


def write_log(path: Path, rows: int = ROWS) -> None:
    """Write a log of a panel that turns, hunts, and is read over a serial line."""
    rng = np.random.default_rng(1)
    time = 0.02 * np.arange(rows)
    pan = np.round(np.clip(70 - 2 * (time - 100), 0, 70), 1)
    aoi = np.where(pan > 0, pan, 3 + 2 * np.sin(2 * np.pi * time / 7))
    power = 0.5 * np.cos(np.radians(aoi)) ** 2 * (1 + 0.01 * rng.normal(size=rows))
    volts = np.sqrt(68 * power)
    with path.open("w") as file:
        file.write("time_s,voltage_V,current_mA,pan_deg,tilt_deg\n")
        for start in range(0, rows, 100_000):
            part = slice(start, start + 100_000)
            table = np.c_[time[part], volts[part], 1e3 * volts[part] / 68, pan[part]]
            table = np.c_[table, np.full(len(table), 35.0)]
            table[777, 1], table[778, 1] = 1e35, np.nan
            np.savetxt(file, table, fmt=["%.2f", "%.4f", "%.2f", "%.1f", "%.1f"], delimiter=",")


def judged(path: Path) -> Tracking:
    """Return all that `ivkit track` works out of a log."""
    raw = read_log(path)
    power = log_power(raw, 68.0).power
    log = clean(raw["time"], power, {k: raw[k] for k in ("pan", "tilt")}, raw.rows, raw.name)
    return track(log, panel_law(LAMP, 68.0), FacingPower(0.5, 0.005))


def coverage(load: float | None, logs: int = LOGS) -> float:
    """Return how often the true angle lies in its 95 % interval, 5 to 40 deg."""
    rng, inside = np.random.default_rng(7), 0
    load = np.nan if load is None else load
    stated, top = own(LAMP, load, 0.02, 0.01), facing(panel_law(LAMP, load))
    time = 0.25 * np.arange(400)
    step = np.clip((time - 10) / 8, 0, 1)
    for _ in range(logs):
        glass = PLAIN.off(LOSS, rng.normal()).off(GRAZING, rng.normal())
        hidden = own(LAMP, load, max(0.0, rng.normal(0.02, 0.01)), glass=glass)
        aoi = rng.uniform(5, 40)
        power = hidden.at(80 + (aoi - 80) * step)
        alike = lfilter([np.sqrt(1 - 0.49)], [1, -0.7], rng.normal(size=450))[50:]
        power = top * (power * (1 + 0.01 * alike) + 0.001 * rng.normal(size=400))
        told = top * (1 + 0.01 * rng.normal())
        found = track(clean(time, power), stated, FacingPower(told, 0.01 * told)).pointing
        inside += found.aoi is not None and found.low <= aoi <= found.high
    return inside / logs


def rows() -> list[Row]:
    """Return what was measured, against what, the figure, the target, and if it is met."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path)
        judged(path)  # imports
        theirs = seconds(lambda: pd.read_csv(path), 7)
        reading = seconds(lambda: read_log(path), 7) / theirs
        whole = seconds(lambda: judged(path), 7) / theirs
    against = "pandas.read_csv of the same file"
    found = [
        Row(
            "read a log of 1,000,000 rows", against, f"{reading:.1f} times", "under 5", reading < 5
        ),
        Row("read and judge it", against, f"{whole:.1f} times", "under 5", whole < 5),
    ]
    for name, load in (("maximum power", None), ("a load below the knee", 22.0)):
        share = coverage(load)
        found.append(
            Row(
                f"pointing error from power, 5 to 40 deg, {name}, {LOGS:,} logs",
                "its own 95 % interval",
                f"{100 * share:.1f} % inside",
                "93 to 97 %",
                0.93 <= share <= 0.97,
            )
        )
    return found
