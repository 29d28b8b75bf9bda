"""The yardstick itself: the simulator against pvlib, the matrices, the scores, fair benches."""

import numpy as np
import pandas as pd
import pytest
from pvlib import pvsystem

from tests import simulated_panels, sound_benches
from tests.benchmarks.laboratory import score
from tests.benchmarks.sound import counted
from tests.laboratory import modules, single_junction, u_measured
from tests.measured_benches import Measured


def test_nine_modules_of_which_seven_have_one_junction():
    # tests/data/module_matrices/README.md
    assert len(modules()) == 9
    assert len(single_junction()) == 7
    assert all(len(module.rows) == 18 for module in modules())
    for module in modules():
        p, vi = module.rows.p_mp, module.rows.v_mp * module.rows.i_mp
        # One point of one curve: to the digits of the current, 1 mA of 20 mA and more.
        assert np.all(abs(vi / p - 1) < 0.02)


def test_the_simulated_panel_is_that_of_pvlib_where_pvlib_has_one():
    # De Soto's equations with a band gap that does not move are I0 ~ T^3 exp(-E/kT), Rsh ~ 1/S.
    drawn = simulated_panels.draw(np.random.default_rng(1))
    panel = simulated_panels.replace(drawn, k=1.0, k_low=1.0, bend=0.0)
    il, i0, rs, rsh, a = panel.parameters(1000.0, 25.0)
    for light, celsius in ((1000.0, 25.0), (1000.0, 60.0), (200.0, 15.0), (20.0, 30.0)):
        # alpha_sc of the photocurrent, and De Soto's photocurrent is linear where Isc is here:
        # IL = Isc (1 + Rs/Rsh) differs by what Rs/Rsh is at that irradiance.
        five = pvsystem.calcparams_desoto(
            light, celsius, panel.alpha * il, a, il, i0, rsh, rs, EgRef=panel.energy, dEgdT=0.0
        )
        mine = panel.parameters(light, celsius)
        assert mine[0] == pytest.approx(five[0], rel=2 * rs / rsh)
        assert mine[1:] == pytest.approx(five[1:], rel=2e-4)
        points = pvsystem.singlediode(*mine)
        found = panel.ends(light, celsius)
        expected = [points[n] for n in ("i_sc", "v_oc", "v_mp", "i_mp")]
        assert found == pytest.approx(expected, rel=2e-5)


def test_the_activation_energy_gives_the_coefficient_of_voc():
    # Solved for an ideal junction: a shunt of 5 Voc/Isc moves it by a few parts in a hundred.
    for seed in range(20):
        panel = simulated_panels.draw(np.random.default_rng(seed))
        warm, cool = (panel.ends(1000.0, c)[1] for c in (26.0, 24.0))
        assert (warm - cool) / 2 / panel.v_oc == pytest.approx(panel.beta, rel=0.03)


def test_between_measured_conditions_the_measured_ones_are_met():
    for module in single_junction():
        panel = Measured(module)
        for light, celsius in ((200, 15), (100, 25), (400, 25), (800, 50), (1000, 65)):
            row = module.at(light, celsius)
            expected = [row.i_sc, row.v_oc, row.v_mp, row.i_mp]
            assert panel.ends(light, celsius) == pytest.approx(expected, rel=1e-12)
        # Between two neighbours in light, no quantity leaves them.
        both = np.array([panel.ends(x, 25.0) for x in (400.0, 500.0, 600.0)])
        assert np.all((both[1] > both.min(axis=0)) & (both[1] < both.max(axis=0)))


def test_the_interval_score_is_that_of_its_source():
    # Gneiting and Raftery (2007), eq. 43: (u - l) + 2/alpha (l - x) below, likewise above.
    frame = pd.DataFrame(
        {"error": [0.0, 5.0], "u_both": [1.0, 2.0], "u": [1.0, 2.0], "irradiance": [400, 100]}
    )
    found = score(frame)
    assert found.score == pytest.approx((4.0 + (8.0 + 40.0 * 1.0)) / 2)
    assert found.inside == 0.5
    assert found.rms == pytest.approx(np.sqrt(12.5))


def test_the_digits_of_the_table_are_a_rectangle():
    # JCGM 100:2008, 4.3.7: half the step over the root of 3; with 0.3 % of 0.1 A beside it.
    assert u_measured("i_sc", 0.1) == pytest.approx(np.hypot(0.003, 0.0005 / np.sqrt(3) / 0.1))


@pytest.mark.parametrize("care", sound_benches.CARES.values(), ids=list(sound_benches.CARES))
def test_benches_are_fair_to_whoever_has_the_right_model(care):
    """De Soto's own panels at 500 to 1000 W/m2: what is stated is what was drawn."""

    def bench(seed):
        light = (500.0, 1000.0)
        return simulated_panels.from_datasheet(seed, light, care, simulated_panels.as_de_soto)

    found = counted(bench, 100)
    # 4.55 and 2 of 100 are expected; more than 13 and 8 happen less than once in 3000 (binomial).
    assert found["single"]["accused"] <= 0.13
    assert found["table"]["accused"] <= 0.08
