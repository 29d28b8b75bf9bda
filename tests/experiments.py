"""Simulated experiments whose truth is known, for tests and benchmarks of what ivkit states.

Each has a front end of its own, with a divider, a shunt, an amplifier and a converter reference
that are off at random, and readings with noise in both channels that the converter rounds. The
truth is the panel's, by the single-diode equation. Panels and parts are invented.
"""

from dataclasses import dataclass

import numpy as np

import ivkit
from ivkit.bench import Converter, CurrentChannel, FrontEnd, VoltageChannel
from ivkit.curve.diode import SingleDiode
from ivkit.readings.columns import converter_noise
from ivkit.readings.front_end import at_panel
from ivkit.readings.simulated import draw_hidden, load_at_panel, write_readings
from ivkit.readings.sweep import Sweep

RESULTS = ("i_sc", "v_oc", "p_mp", "fill_factor", "best_load")


@dataclass(frozen=True)
class SetUp:
    """A panel, the front end that reads it, and the loads put on it, ohm."""

    panel: SingleDiode
    front_end: FrontEnd
    loads: np.ndarray


def _front_end(bottom, shunt, noise_v, noise_i):
    return FrontEnd(
        divider_at="panel",
        readings="converter_volts",
        voltage=VoltageChannel(
            divider_top_ohm=100e3, divider_bottom_ohm=bottom, tolerance_pct=1.0, noise_V=noise_v
        ),
        current=CurrentChannel(
            shunt_ohm=shunt,
            shunt_tolerance_pct=1.0,
            gain=20,
            gain_tolerance_pct=0.5,
            noise_A=noise_i,
        ),
        converter=Converter(
            bits=12, reference_V=3.3, reference_tolerance_pct=1.0, noise_counts=0.8
        ),
    )


SUN = SetUp(
    SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175),
    _front_end(15e3, 0.22, 0.01, 5e-4),
    np.array([1, 10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82, 100, 150, 220, 470, 1000, 2200.0]),
)
INDOOR = SetUp(
    SingleDiode(4e-3, 2e-9, 1.5, 20e3, 0.40),
    _front_end(100e3, 33.0, 0.005, 1e-5),
    np.array(
        [
            10,
            220,
            470,
            680,
            820,
            1000,
            1100,
            1200,
            1300,
            1500,
            1600,
            1800,
            2200,
            2700,
            3300,
            4700,
            6800,
            10e3,
            47e3,
        ]
    ),
)


def experiments(set_up, count, seed, normal):
    """Yield the key points that ivkit states, and the width factor, for each experiment.

    Parts are off by their standard uncertainty (``normal``), or evenly within their tolerance.
    """
    rng = np.random.default_rng(seed)
    front_end, loads = set_up.front_end, set_up.loads
    hidden = draw_hidden(front_end, rng, count)
    if normal:
        hidden = {name: rng.standard_normal((count, 1)) for name in hidden}
    point = set_up.panel.operating_point(load_at_panel(front_end, loads, hidden))
    written = write_readings(point.voltage, point.current, front_end, rng, hidden)
    u = np.full(len(loads), converter_noise(front_end.converter))
    for volts, amperes in zip(written["voltage"], written["current"], strict=True):
        at = at_panel(front_end, volts, amperes, u_voltage=u, u_current=u)
        sweep = Sweep(at.voltage, at.current, at.noise_voltage, at.noise_current, at.effects)
        found = ivkit.fit(sweep)
        yield found.key_points, found.interval_factor


def coverage(set_up, count, seed, normal):
    """Return the share of experiments whose stated 95 % interval holds the truth, by result."""
    truth = set_up.panel.key_points()
    inside = dict.fromkeys(RESULTS, 0)
    for points, factor in experiments(set_up, count, seed, normal):
        for name in RESULTS:
            stated = getattr(points, name)
            off = abs(stated.nominal_value - getattr(truth, name))
            inside[name] += off <= factor * stated.std_dev
    return {name: hits / count for name, hits in inside.items()}
