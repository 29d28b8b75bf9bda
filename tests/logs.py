"""Simulated logs of a panel that turns to the light, and the panels in them; all invented."""

import numpy as np
from scipy.signal import lfilter

from ivkit.curve.diode import SingleDiode
from ivkit.light.glass import PLAIN
from ivkit.panel.conditions import ReferencePanel
from ivkit.predict.angle_law import AngleLaw, PanelLaw
from ivkit.predict.facing import Facing
from ivkit.predict.scene import Mount, Scene, Warmth
from tests.turned_panels import Bare

# An invented 10 W panel of 36 cells, at 1000 W/m2, 25 degC, and under a work lamp (140 W/m2).
PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
LAMP = SingleDiode(0.0868, 3.7e-10, 1.2, 900.0 / 0.14, 1.0175)
SQUARE = AngleLaw.of(lambda aoi: np.cos(np.radians(aoi)) ** 2)


def panel_law(model, load=np.nan, stray=0.0, u_stray=0.0, glass=PLAIN, u_load=0.0):
    """Return the law of a panel whose curve this is in the light that it faces, of De Soto's law.

    Its own parameters are exact.
    """
    panel = ReferencePanel.from_curve(model, 140.0, 25.0, 0.0, 36)
    scene = Scene(Bare(panel, glass), Facing(140.0), Warmth(25.0, 0.0), Mount(0.0, stray, u_stray))
    return PanelLaw(scene, load, u_load)


def facing(law):
    """Return the power when it faces its scene's light, W."""
    return float(law.power().value[0])


def own(*arguments, **more):
    """Return the law of `panel_law` in that light."""
    law = panel_law(*arguments, **more)
    return law(facing(law))


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
