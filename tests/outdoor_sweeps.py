"""Sweeps of one panel on a roof, by simulation with pvlib: light and temperature rise together.

The panel follows what laboratory modules do (NREL/TP-5200-61610) and De Soto does not: its shunt
falls with the light to the power of -0.3, and the activation energy is what the coefficient of Voc
asks for. All invented.
"""

from dataclasses import replace

import numpy as np
from pvlib import pvsystem

from ivkit.readings.sweep import Condition, Sweep
from tests.simulated_panels import Panel

PANEL = Panel(36, 0.63, 21.8, 1.2, 0.9, 20.0, 0.3, 0.3, 0.0005, -0.0033, 0.0)
U_LIGHT, U_HEAT = 0.05, 2.0  # as stated of light, half of the variance common; and of heat, K
NOISE_V, NOISE_I = 0.01, 3e-4


def conditions(rng, count=12, span=(200.0, 1000.0)):
    """Return light and temperature: cells are 0.03 K m2/W warmer than an air of 15 to 25 degC."""
    light = np.linspace(*span, count)
    return light, rng.uniform(15.0, 25.0) + 0.03 * light + rng.normal(0.0, 1.0, count)


def sweeps(seed, count=12, panel=PANEL, points=25, stated_noise=True):
    """Return the sweeps, as whoever took them states light and temperature."""
    rng = np.random.default_rng(seed)
    light, heat = conditions(rng, count)
    common, own = rng.normal(0.0, U_LIGHT / np.sqrt(2.0)), rng.normal(0, 1, count)
    out = []
    for k, (s, t) in enumerate(zip(light, heat, strict=True)):
        five = panel.parameters(s, t)
        v = np.linspace(0.0, panel.ends(s, t)[1], points)
        i = pvsystem.i_from_v(v, *five)
        told = Condition(
            float(s * (1 + common + own[k] * U_LIGHT / np.sqrt(2.0))),
            float(t + rng.normal(0.0, U_HEAT)),
            U_LIGHT * s,
            U_HEAT,
        )
        noise = (np.full(points, NOISE_V), np.full(points, NOISE_I)) if stated_noise else ()
        out.append(
            Sweep(
                v + rng.normal(0.0, NOISE_V, points),
                i + rng.normal(0.0, NOISE_I, points),
                *noise,
                condition=told,
                cells=36,
                name=f"{k + 1:02d}",
            )
        )
    return out


def moved(sweep, warmer=0.0, **changes):
    """Return a sweep whose stated temperature is off by ``warmer`` K, or with other fields."""
    told = replace(sweep.condition, temp_cell=sweep.condition.temp_cell + warmer)
    return replace(sweep, condition=told, **changes)
