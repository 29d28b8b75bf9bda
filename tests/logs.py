"""Simulated logs of a panel that turns to the light, and the panels in them; all invented."""

import numpy as np
from scipy.signal import lfilter

from ivkit.curve.diode import SingleDiode
from ivkit.verdict.angle_law import angle_law

# An invented 10 W panel of 36 cells, at 1000 W/m2, 25 degC, and under a work lamp (140 W/m2).
PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
LAMP = SingleDiode(0.0868, 3.7e-10, 1.2, 900.0 / 0.14, 1.0175)
SQUARE = angle_law(lambda aoi: np.cos(np.radians(aoi)) ** 2)


def noise(rng, n, phi=0.0):
    """Return n values of unit variance, each like the one before by phi."""
    return lfilter([np.sqrt(1 - phi**2)], [1, -phi], rng.normal(size=n + 200))[200:]


def ramp(time, start, lasts):
    """Return a step without corners, 0 to 1."""
    x = np.clip((time - start) / lasts, 0, 1)
    return x * x * (3 - 2 * x)


def rising(n=1200, step=0.5, low=0.005, high=0.5, start=30.0, lasts=20.0, relative=0.008, seed=1):
    """Return time and power of a panel that turns to the light, W."""
    time = step * np.arange(n)
    power = low + (high - low) * ramp(time, start, lasts)
    return time, power * (1 + relative * noise(np.random.default_rng(seed), n, 0.5))
