"""Make the example sweeps and readings: a known panel, read by a bench whose errors are known.

Everything here is invented: the club, the panel, its figures. Run from anywhere; the files are
written beside this script, the same to the last byte every time.

    python examples/make_examples.py
"""

import sys
from math import sqrt
from pathlib import Path

import numpy as np
from pvlib.pvsystem import calcparams_desoto

from ivkit.bench import Bench, load_bench
from ivkit.curve.diode import SingleDiode
from ivkit.readings.simulated import load_at_panel, write_readings

HERE = Path(__file__).parent

# The panel as it is, at 1000 W/m2 and 25 degC, for the equations of De Soto, Klein and Beckman
# (Solar Energy 80 (2006) 78). With their 1.121 eV for I0 its Voc would fall by 0.46 %/K, faster
# than that of 99 in 100 silicon modules in the CEC table; with 1.020 eV it falls by 0.34 %/K.
TRUTH = {
    "I_L_ref": 0.605,  # A
    "I_o_ref": 3.9e-10,  # A
    "R_s": 1.7,  # ohm
    "R_sh_ref": 620.0,  # ohm
    "a_ref": 1.0175,  # V
    "alpha_sc": 0.0003,  # A/K
    "EgRef": 1.020,  # eV
    "dEgdT": 0.0,  # 1/K
}

# What is wrong with the bench, within its tolerances: percent, but for the zeros.
HIDDEN = {
    "divider top": (0.6, 1.0),  # true error, tolerance
    "divider bottom": (-0.4, 1.0),
    "shunt": (0.7, 1.0),
    "current amplifier gain": (-0.5, 1.0),
    "current zero": (0.9, 2.0),  # mV
    "converter reference": (0.2, 0.5),
    "converter zero": (-0.6, 2.0),  # counts
}

# Name, bench file, effective irradiance (W/m2), cell temperature (degC), seed
SWEEPS = (
    ("shed_sweep.csv", "bench.toml", 140.0, 33.0, 20),
    ("jetty_sweep.csv", "jetty.toml", 870.0, 46.0, 21),
)
SENSOR_ERROR = -0.6  # K, of the sensor on the panel's back

# Readings under the shed lamp by two hand-held meters, good to 1 % each: true errors in percent.
CHECK = ("shed_check.csv", 140.0, 33.0, 22)  # name, W/m2, degC, seed
CHECK_LOADS = (47.0, 100.0, 150.0, 220.0, 330.0, 1000.0)  # ohm, each within 5 %
VOLTMETER, AMMETER = 0.3, -0.6

E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
LOADS = (0.0, 1.0, 4.7, *(v * d for d in (10, 100, 1000) for v in E12 if v * d <= 2200), np.inf)


def panel(irradiance: float, temp_cell: float) -> SingleDiode:
    """Return the panel as it is, at an effective irradiance (W/m2) and temperature (degC)."""
    il, i0, rs, rsh, a = calcparams_desoto(irradiance, temp_cell, **TRUTH)
    return SingleDiode(float(il), float(i0), float(rs), float(rsh), float(a))


def hidden() -> dict[str, float]:
    """Return the bench's errors in standard uncertainties of a rectangular tolerance."""
    return {name: error / tolerance * sqrt(3) for name, (error, tolerance) in HIDDEN.items()}


def written(load: float) -> str:
    """Return a load as people write it: 0, 4R7, 10, 2k2, open."""
    if np.isinf(load):
        return "open"
    if load >= 1000:
        return f"{load / 1000:.1f}".replace(".", "k").removesuffix("0")
    return f"{load:.0f}" if load == round(load) else f"{load:.1f}".replace(".", "R")


def sweep(bench: Bench, irradiance: float, temp_cell: float, seed: int) -> str:
    """Return a sweep as this bench writes it."""
    # RandomState's stream is frozen, so that the files stay the same with any numpy.
    rng = np.random.RandomState(seed)
    stated = np.round(LOADS, 6)
    share = bench.loads.tolerance_pct / 100
    true_load = stated * (1 + rng.uniform(-share, share, stated.shape))
    seen = load_at_panel(bench.front_end, true_load, hidden())
    point = panel(irradiance, temp_cell).operating_point(seen)
    codes = write_readings(point.voltage, point.current, bench.front_end, rng, hidden())
    temperature = temp_cell + SENSOR_ERROR + rng.normal(0, 0.15, stated.shape)
    lines = [
        "# Invented readings: codes of a 12-bit converter, each the mean of 16 conversions",
        "load_ohm,voltage_code,current_code,temp_cell_degC",
    ]
    lines += [
        f"{written(load)},{v:.2f},{i:.2f},{t:.1f}"
        for load, v, i, t in zip(
            stated, codes["voltage_code"], codes["current_code"], temperature, strict=True
        )
    ]
    return "\n".join(lines) + "\n"


def check() -> str:
    """Return readings of voltage and current at known loads, with no gross error in them."""
    _, irradiance, temp_cell, seed = CHECK
    stated = np.array(CHECK_LOADS)
    true_load = stated * (1 + np.random.RandomState(seed).uniform(-0.05, 0.05, stated.shape))
    point = panel(irradiance, temp_cell).operating_point(true_load)
    volts, amperes = point.voltage * (1 + VOLTMETER / 100), point.current * (1 + AMMETER / 100)
    lines = [
        "# Invented readings under the shed lamp by two hand-held meters; no gross error in them",
        "load_ohm,voltage_V,current_mA",
    ]
    lines += [
        f"{load:.0f},{v:.2f},{1e3 * i:.1f}"
        for load, v, i in zip(stated, volts, amperes, strict=True)
    ]
    return "\n".join(lines) + "\n"


def main(folder: Path = HERE) -> None:
    """Write the sweeps and the readings into ``folder``."""
    (folder / CHECK[0]).write_bytes(check().encode())
    for name, bench, irradiance, temp_cell, seed in SWEEPS:
        text = sweep(load_bench(HERE / bench), irradiance, temp_cell, seed)
        (folder / name).write_bytes(text.encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
