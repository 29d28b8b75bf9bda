"""Make the example logs: the panel of the sweeps as it turns, in the shed and on the jetty rail.

Everything here is invented. In the shed the panel is turned by hand under the work lamp, with a
68 ohm resistor, from far off axis to facing the lamp. On the jetty rail a small drive turns it to
the sun, sways about the best direction, and sees a cloud pass; the logger's serial line adds its
own. Run from anywhere; the files are written beside this script, the same to the last byte.

    python examples/make_track.py
"""

import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from make_examples import panel

from ivkit.light.incidence import angle_between, beam_on_plane, direction

HERE = Path(__file__).parent

# The truth behind the logs.
SHED = {
    "load_ohm": 68.3,  # a 68 ohm resistor as it is
    "irradiance": 140.0,  # effective, facing the lamp, W/m2
    "temp_cell": 33.0,
    "stray_share": 0.008,
    "aoi_first": 81.0,
    "aoi_last": 4.0,
}
JETTY = {
    "load_ohm": 22.1,
    "irradiance": 870.0,
    "temp_cell": 46.0,
    "diffuse_share": 0.14,
    "sun_zenith": 38.0,
    "sun_azimuth": 165.0,
    "pan_first": 78.0,
    "pan_last": 150.0,  # 15 deg short of the sun
    "tilt": 38.0,
    "hunting_period": 6.4,  # s
    "hunting_pan": 2.5,  # deg either side
}


def smooth(x: np.ndarray) -> np.ndarray:
    """Return a step from 0 to 1 over 0 to 1 without corners."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def load_voltage(irradiance: np.ndarray, temp_cell: float, load: float) -> np.ndarray:
    """Return the voltage (V) over a load (ohm) at effective irradiances (W/m2)."""
    return np.array([float(panel(g, temp_cell).operating_point(load).voltage) for g in irradiance])


def shed_log() -> str:
    """Return the log from the shed: seconds, volts over the resistor, the scale's angle."""
    rng = np.random.RandomState(31)
    truth = SHED
    time = 0.2 * np.arange(600)
    turning = smooth((time - 12.0) / 15.0)
    aoi = truth["aoi_first"] + (truth["aoi_last"] - truth["aoi_first"]) * turning
    # By hand: past the lamp and back.
    aoi -= 9.0 * np.exp(-(((time - 28.5) / 1.6) ** 2))
    light = truth["irradiance"] * beam_on_plane(aoi, diffuse_share=truth["stray_share"])
    ripple = 1.0 + 0.004 * rng.normal(size=time.size)
    volts = load_voltage(light * ripple, truth["temp_cell"], truth["load_ohm"])
    volts += 0.002 * rng.normal(size=time.size)
    scale = np.round(aoi + 0.3 * rng.normal(size=time.size))
    lines = [
        "# Invented: under the work lamp in the shed, 68 ohm, the panel turned by hand",
        "t_s,U_V,angle_deg",
    ]
    lines += [
        f"{t:.1f},{v:.3f},{a:.0f}" for t, v, a in zip(time, volts, np.abs(scale), strict=True)
    ]
    return "\n".join(lines) + "\n"


def jetty_log() -> str:
    """Return the log from the jetty rail: stamps, volts, milliamperes, pan and tilt."""
    rng = np.random.RandomState(32)
    truth = JETTY
    time = 0.5 * np.arange(1200)
    turning = smooth((time - 40.0) / 25.0)
    pan = truth["pan_first"] + (truth["pan_last"] - truth["pan_first"]) * turning
    swings = time > 65.0
    pan += swings * truth["hunting_pan"] * np.sin(2 * np.pi * time / truth["hunting_period"])
    tilt = np.full(time.size, truth["tilt"])
    sun = direction(truth["sun_zenith"], truth["sun_azimuth"])
    aoi = angle_between(direction(tilt, pan), sun)
    cloud = np.ones(time.size)
    cloud -= 0.55 * smooth((time - 330.0) / 3.0) * smooth((362.0 - time) / 3.0)
    cloud += 0.30 * smooth((time - 362.0) / 1.5) * smooth((368.0 - time) / 3.0)
    walk = np.cumsum(rng.normal(size=time.size + 80))
    slow = 0.003 * (walk[40:-40] - np.convolve(walk, np.ones(81) / 81, "valid")) / 4.0
    light = truth["irradiance"] * cloud * (1 + slow)
    light = light * beam_on_plane(aoi, diffuse_share=truth["diffuse_share"])
    volts = load_voltage(light, truth["temp_cell"], truth["load_ohm"])
    amperes = volts / truth["load_ohm"]
    volts = volts + 0.004 * rng.normal(size=time.size)
    amperes = amperes + 0.0002 * rng.normal(size=time.size)
    start = datetime.fromisoformat("2024-06-08T11:52:00+02:00")
    lines = [
        "# Invented: on the jetty rail, 22 ohm, a home-made drive turns the panel to the sun",
        "time,voltage_V,current_mA,pan_deg,tilt_deg",
    ]
    for k, t in enumerate(time):
        stamp = (start + timedelta(seconds=float(t))).isoformat(timespec="milliseconds")
        line = f"{stamp},{volts[k]:.3f},{1e3 * amperes[k]:.1f},{pan[k]:.1f},{tilt[k]:.1f}"
        if k in (150, 700):  # the serial line
            line = f"{stamp},1e35,{1e3 * amperes[k]:.1f},{pan[k]:.1f},{tilt[k]:.1f}"
        if k == 410:
            line = f"{stamp},nan,nan,{pan[k]:.1f},{tilt[k]:.1f}"
        if k == 905:
            line = line[:31]
        if 980 <= k < 1000:  # the logger was unplugged for ten seconds
            continue
        lines.append(line)
        if k == 300:
            lines.append(line)
        if k == 520:
            early = (start + timedelta(seconds=float(t) - 60)).isoformat(timespec="milliseconds")
            lines.append(early + line[len(stamp) :])
    return "\n".join(lines) + "\n"


def main(folder: Path = HERE) -> None:
    """Write the logs into ``folder``."""
    (folder / "shed_track.csv").write_bytes(shed_log().encode())
    (folder / "jetty_track.csv").write_bytes(jetty_log().encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
