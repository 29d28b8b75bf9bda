"""Whether the stated 95 % interval covers the truth in 95 of 100 simulated experiments.

Each experiment has a front end of its own, with a divider, a shunt, an amplifier and a converter
reference that are off by their standard uncertainty at random, and readings with noise in both
channels that the converter rounds. The truth is the panel's, by the single-diode equation.
"""

import numpy as np
import pytest

import ivkit
from ivkit.bench import Converter, CurrentChannel, FrontEnd, VoltageChannel
from ivkit.curve.diode import SingleDiode
from ivkit.readings.columns import converter_noise
from ivkit.readings.front_end import at_panel
from ivkit.readings.simulated import draw_hidden, load_at_panel, write_readings
from ivkit.readings.sweep import Sweep

FRONT_END = FrontEnd(
    divider_at="panel",
    readings="converter_volts",
    voltage=VoltageChannel(
        divider_top_ohm=100e3, divider_bottom_ohm=15e3, tolerance_pct=1.0, noise_V=0.01
    ),
    current=CurrentChannel(
        shunt_ohm=0.22, shunt_tolerance_pct=1.0, gain=20, gain_tolerance_pct=0.5, noise_A=5e-4
    ),
    converter=Converter(bits=12, reference_V=3.3, reference_tolerance_pct=1.0, noise_counts=0.8),
)
LOADS = np.array(
    [1, 10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82, 100, 150, 220, 470, 1000, 2200.0]
)
PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
RESULTS = ("i_sc", "v_oc", "p_mp", "fill_factor", "best_load")


def experiments(count, seed, normal):
    """Yield the key points that ivkit states, and the width factor, for each experiment."""
    rng = np.random.default_rng(seed)
    hidden = draw_hidden(FRONT_END, rng, count)
    if normal:
        hidden = {name: rng.standard_normal((count, 1)) for name in hidden}
    point = PANEL.operating_point(load_at_panel(FRONT_END, LOADS, hidden))
    written = write_readings(point.voltage, point.current, FRONT_END, rng, hidden)
    u = np.full(len(LOADS), converter_noise(FRONT_END.converter))
    for volts, amperes in zip(written["voltage"], written["current"], strict=True):
        at = at_panel(FRONT_END, volts, amperes, u_voltage=u, u_current=u)
        sweep = Sweep(at.voltage, at.current, at.noise_voltage, at.noise_current, at.effects)
        found = ivkit.fit(sweep)
        yield found.key_points, found.interval_factor


def coverage(count, seed, normal):
    truth = PANEL.key_points()
    inside = dict.fromkeys(RESULTS, 0)
    for points, factor in experiments(count, seed, normal):
        for name in RESULTS:
            stated = getattr(points, name)
            off = abs(stated.nominal_value - getattr(truth, name))
            inside[name] += off <= factor * stated.std_dev
    return {name: hits / count for name, hits in inside.items()}


def test_300_experiments_within_their_tolerances_are_covered():
    for name, share in coverage(300, 1, normal=False).items():
        assert 0.93 <= share <= 0.975, f"{name} covered in {share:.1%}"


@pytest.mark.long
def test_4000_experiments_with_normal_errors_are_covered_in_95_of_100():
    # Standard deviation of a share of 95 % in 4000 experiments: 0.34 %.
    for name, share in coverage(4000, 2, normal=True).items():
        assert 0.94 <= share <= 0.96, f"{name} covered in {share:.1%}"
