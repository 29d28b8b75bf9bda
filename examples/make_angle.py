"""Make examples/shed_angle.csv: the panel turned by hand under the shed lamp. Everything invented.

The truth: the panel of make_examples.py gets 140 W/m2 facing the lamp, 33 degC, 6 % of the light
comes from the white walls and does not turn, and the scale of the stand shows 4 deg when the panel
faces the lamp. The load is 220 ohm; the voltage is read to 1 % and 10 mV.
"""

from pathlib import Path

import numpy as np

from ivkit.light.incidence import beam_on_plane
from ivkit.panel.conditions import ReferencePanel

PANEL = ReferencePanel(0.605, 3.9e-10, 1.7, 620.0, 1.0175, 0.0003, 36)
IRRADIANCE, CELSIUS, STRAY, ZERO, LOAD = 140.0, 33.0, 0.06, 4.0, 220.0


def main(path: Path = Path(__file__).with_name("shed_angle.csv")) -> None:
    """Write the readings."""
    rng = np.random.default_rng(20)
    scale = np.arange(-70.0, 71.0, 10.0)
    light = IRRADIANCE * beam_on_plane(scale - ZERO, diffuse_share=STRAY)
    volts = PANEL.at(light, CELSIUS).operating_point(LOAD).voltage
    read = volts * (1 + 0.01 * rng.standard_normal(len(scale))) + 0.01 * rng.standard_normal(
        len(scale)
    )
    lines = ["# Invented readings: the panel turned by hand under the shed lamp, load 220 ohm"]
    lines += ["angle_deg,voltage_V,load_ohm"]
    lines += [f"{a:.0f},{v:.2f},220" for a, v in zip(scale, read, strict=True)]
    path.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
