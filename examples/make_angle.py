"""Make examples/shed_angle.csv: the panel turned by hand under the shed lamp. Everything invented.

The truth: the panel of make_examples.py, its middle in 140 W/m2 when it faces the lamp, 33 degC.
The lamp is that of bench.toml, 0.8 m away, and every cell gets its own light from it by distance,
angle, glass and the lamp's beam. Of the light in the middle 6 % comes from the white walls instead
and does not turn. The panel faces the lamp where the scale of the stand shows 4 deg. The load,
called 220 ohm, is 1.8 % larger; the voltage is read to 1 % and 10 mV, the angle set to 0.29 deg.

Nothing of ivkit is used: cells by pvlib, light in closed form.
"""

from pathlib import Path

import numpy as np
from pvlib.pvsystem import calcparams_desoto, v_from_i

IRRADIANCE, CELSIUS, STRAY, ZERO, LOAD = 140.0, 33.0, 0.06, 4.0, 220.0
LOAD_ERROR = 0.018
PANEL = {
    "I_L_ref": 0.605,
    "I_o_ref": 3.9e-10,
    "R_s": 1.7,
    "R_sh_ref": 620.0,
    "a_ref": 1.0175,
    "alpha_sc": 0.0003,
    "EgRef": 1.020,
    "dEgdT": 0.0,
}
SIDE, ROWS, DISTANCE, BEAM = 0.285, 6, 0.8, 100.0  # m, cells a side, m, deg
POINTS = 12  # a cell, each way


def beam_of_cells(aoi: float) -> np.ndarray:
    """Return the light of each cell, of the panel turned by aoi (deg), over the middle's facing.

    A small lamp whose intensity falls as cos^n from its axis: E = cos^n cos(incidence) / r^2. The
    panel turns about a line across its middle; glass as Martin and Ruiz (2001), a_r = 0.16.
    """
    n = np.log(0.5) / np.log(np.cos(np.radians(BEAM / 2)))
    turn = np.radians(aoi)
    step = SIDE / ROWS / POINTS
    places = (np.arange(ROWS * POINTS) + 0.5) * step - SIDE / 2
    across, up = np.meshgrid(places, places)
    y, z = up * np.cos(turn), DISTANCE + up * np.sin(turn)
    r = np.sqrt(across**2 + y**2 + z**2)
    # The normal looks back at the lamp: (0, sin, -cos); the way to the lamp is -(x, y, z) / r.
    cos_aoi = np.maximum((z * np.cos(turn) - y * np.sin(turn)) / r, 0.0)
    glass = (1 - np.exp(-cos_aoi / 0.16)) / (1 - np.exp(-1 / 0.16))
    light = glass * cos_aoi * (z / r) ** n * (DISTANCE / r) ** 2
    return light.reshape(ROWS, POINTS, ROWS, POINTS).mean(axis=(1, 3)).ravel()


def voltage(cells: np.ndarray, load: float) -> float:
    """Return the voltage of cells in series, each in its own light (W/m2), into a load (ohm)."""
    il, i0, rs, rsh, a = calcparams_desoto(cells, CELSIUS, **PANEL)
    count = len(cells)

    def string(i: float) -> float:
        return float(np.sum(v_from_i(i, il, i0, rs / count, rsh / count, a / count)))

    low, high = 0.0, float(np.max(il))
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if string(middle) > middle * load else (low, middle)
    return low * load


def main(path: Path = Path(__file__).with_name("shed_angle.csv")) -> None:
    """Write the readings."""
    # RandomState's stream is frozen, so that the file stays the same with any numpy.
    rng = np.random.RandomState(20)
    scale = np.arange(-70.0, 71.0, 10.0)
    at = scale + 0.29 * rng.standard_normal(len(scale)) - ZERO
    light = [IRRADIANCE * ((1 - STRAY) * beam_of_cells(angle) + STRAY) for angle in at]
    volts = np.array([voltage(cells, LOAD * (1 + LOAD_ERROR)) for cells in light])
    read = volts * (1 + 0.01 * rng.standard_normal(len(scale)))
    read += 0.01 * rng.standard_normal(len(scale))
    lines = ["# Invented readings: the panel turned by hand under the shed lamp, load 220 ohm"]
    lines += ["angle_deg,voltage_V,load_ohm"]
    lines += [f"{a:.0f},{v:.2f},220" for a, v in zip(scale, read, strict=True)]
    path.write_bytes(("\n".join(lines) + "\n").encode())


if __name__ == "__main__":
    main()
