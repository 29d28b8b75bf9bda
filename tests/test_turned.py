"""Panels that turn, several at once and between two: parallel light and a near lamp.

What one panel gives at an angle is checked against pvlib in `tests.test_angle`.
"""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from numpy.testing import assert_allclose
from pvlib.pvsystem import singlediode

from ivkit.light.incidence import martin_ruiz, no_glass
from ivkit.verdict.turned import Turned, operate_each
from tests.turned_panels import NEAR, PARALLEL, known

AOI = np.array([-60.0, -20.0, 0.0, 35.0, 75.0])
LOADS = np.array([20.0, 75.0, np.nan, 200.0, np.inf])


@pytest.mark.parametrize("make", [PARALLEL, NEAR])
def test_several_panels_at_once_are_the_panels_one_by_one(make):
    turned, doubts = known(make)
    panels = [turned, *doubts.values()]
    voltage, current = operate_each(panels, AOI, 140.0, 0.05, LOADS)
    assert voltage.shape == current.shape == (len(panels), 5)
    for k, one in enumerate(panels):
        v, i = one.operate(AOI, 140.0, 0.05, LOADS)
        assert_allclose(voltage[k], v, rtol=1e-9, atol=1e-12)
        assert_allclose(current[k], i, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("make", [PARALLEL, NEAR])
def test_the_way_to_another_panel_leads_there(make):
    turned, doubts = known(make)
    for other in doubts.values():
        for share, end in ((0.0, turned), (1.0, other)):
            there = turned.toward(other, share).operate(AOI, 140.0, 0.05, LOADS)
            assert_allclose(there, end.operate(AOI, 140.0, 0.05, LOADS), rtol=1e-9, atol=1e-12)


def test_a_panel_without_a_shunt_has_none_half_way_either():
    turned, _ = known(PARALLEL)
    none = replace(turned, panel=replace(turned.panel, resistance_shunt=np.inf))
    assert none.toward(none, 0.5).panel.resistance_shunt == np.inf
    half = turned.toward(none, 0.5)
    # Half the conductance; the rest by pvlib's solver, at 1000 W/m2 and 25 degC.
    assert half.panel.resistance_shunt == pytest.approx(2 * turned.panel.resistance_shunt)
    il, i0, rs, rsh, a = PARALLEL.il_i0_rs_rsh_a
    facing = Turned(half.panel, iam=no_glass)
    v, i = facing.operate(0.0, 1000.0, 0.0, np.nan)
    assert v * i == pytest.approx(singlediode(il, i0, rs, 2 * rsh, a)["p_mp"], rel=1e-6)


def test_glass_half_way_lets_half_of_the_difference_through():
    turned, _ = known(PARALLEL)
    other = replace(turned, iam=partial(martin_ruiz, a_r=0.3))
    half = turned.toward(other, 0.5).iam(70.0)
    assert half == pytest.approx((martin_ruiz(70.0) + martin_ruiz(70.0, a_r=0.3)) / 2)
