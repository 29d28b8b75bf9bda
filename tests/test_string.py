"""Cells in series under unequal light, against the uniform curve, brute force and pvlib.

The module is a synthetic one of 36 cells (IL 0.62 A, I0 3.7e-10 A, Rs 1.2 ohm, Rsh 900 ohm,
a 1.0175 V); the others have the parameters of the 50-digit checks of the single-diode equation.
The brute-force solver below is written from the equations alone.
"""

import time

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pvlib.singlediode import bishop88
from scipy.optimize import brentq, minimize_scalar

from ivkit.curve.diode import SingleDiode
from ivkit.curve.reverse import SILICON, Breakdown, junction_current, junction_voltage
from ivkit.curve.string import SeriesString
from ivkit.errors import RangeError

MODULE = (0.62, 3.7e-10, 1.2, 900.0, 1.0175)
LOW_LIGHT = (1.2e-3, 2e-9, 1.5, 8000.0, 0.40)
STC_36 = (5.20, 3.2e-10, 0.30, 250.0, 0.98)


def string(light, module=MODULE, **options):
    il, i0, rs, rsh, a = module
    light = np.asarray(light, dtype=float)
    n = light.shape[-1]
    return SeriesString(SingleDiode(il * light, i0, rs / n, rsh / n, a / n), **options)


def one_shaded(share=0.5, cell=7, count=36):
    light = np.ones(count)
    light[cell] = share
    return light


# --- an independent solver: bisection on each cell at a fixed current, then on the current


def brute_cell(i, light, module=MODULE, count=36, breakdown=SILICON):
    il, i0, rs, rsh, a = module[0] * light, module[1], *(x / count for x in module[2:])

    def excess(u):
        shunt = u / rsh
        if u < 0 and breakdown is not None:
            raised = (1 - u / breakdown.voltage) ** -breakdown.exponent
            shunt *= 1 + breakdown.factor * (raised - 1)
        return il - i0 * np.expm1(u / a) - shunt - i

    floor = -1e6 if breakdown is None else breakdown.voltage * (1 - 1e-12)
    return brentq(excess, floor, 1.0, xtol=1e-15, rtol=1e-15) - i * rs


def brute_voltage(i, light, groups, drop=0.5, **how):
    light = np.asarray(light)
    cells = {share: brute_cell(i, share, count=light.size, **how) for share in set(light)}
    each = np.array([cells[share] for share in light])
    if not groups:
        return each.sum()
    return sum(max(part.sum(), -drop) for part in np.split(each, groups))


def brute_current(v, light, groups, **how):
    return brentq(
        lambda i: brute_voltage(i, light, groups, **how) - v, 0.0, 0.62, xtol=1e-15, rtol=1e-14
    )


# --- equal cells


@pytest.mark.parametrize("module", [MODULE, LOW_LIGHT, STC_36])
@pytest.mark.parametrize("groups", [0, 2, (20, 16)])
def test_equal_cells_give_the_curve_of_the_uniform_module(module, groups):
    whole = SingleDiode(*module)
    cells = string(np.ones(36), module, bypass_groups=groups)
    points, expected = cells.key_points(), whole.key_points()
    for name in ("i_sc", "v_oc", "v_mp", "i_mp", "p_mp", "fill_factor"):
        assert_allclose(getattr(points, name), getattr(expected, name), rtol=1e-10)
    v = np.linspace(0.0, 1.2 * expected.v_oc, 61)
    assert_allclose(cells.current(v), whole.current(v), rtol=1e-10, atol=1e-10 * expected.i_sc)
    i = np.linspace(-0.5, 0.99, 40) * expected.i_sc
    assert_allclose(cells.voltage(i), whole.voltage(i), rtol=1e-10, atol=1e-10 * expected.v_oc)
    load = np.array([0.0, 1.0, 10.0, expected.best_load, 200.0, 1e4, np.inf])
    ours, theirs = cells.operating_point(load), whole.operating_point(load)
    assert_allclose(ours.voltage, theirs.voltage, rtol=1e-10, atol=1e-12)
    assert_allclose(ours.current, theirs.current, rtol=1e-10, atol=1e-12)
    assert_allclose(ours.power, theirs.power, rtol=1e-10, atol=1e-12)


def test_equal_cells_without_breakdown_also_agree_in_reverse():
    v = np.linspace(-30.0, 0.0, 31)
    cells = string(np.ones(36), breakdown=None)
    assert_allclose(cells.current(v), SingleDiode(*MODULE).current(v), rtol=1e-10)


def test_one_cell_is_the_single_diode_itself():
    cell = SingleDiode(0.62, 3.7e-10, 0.03, 25.0, 0.0283)
    alone = SeriesString(SingleDiode(np.array([0.62]), 3.7e-10, 0.03, 25.0, 0.0283))
    assert_allclose(alone.key_points().p_mp, cell.key_points().p_mp, rtol=1e-12)


# --- one shaded cell of 36, against the brute-force solver


@pytest.mark.parametrize("groups", [0, 2, 3])
@pytest.mark.parametrize("breakdown", [SILICON, None, Breakdown(0.05, -6.0, 3.5)])
def test_36_cells_with_one_at_half_light_agree_with_brute_force(groups, breakdown):
    light = one_shaded(0.5)
    ours = string(light, bypass_groups=groups, breakdown=breakdown)
    for v in (0.0, 3.0, 9.0, 15.0, 18.0, 20.0, 21.0):
        expected = brute_current(v, light, groups, breakdown=breakdown)
        assert_allclose(ours.current(v), expected, rtol=1e-11)
    for load in (5.0, 31.6, 100.0):
        i = brentq(
            lambda i, r=load: brute_voltage(i, light, groups, breakdown=breakdown) - i * r,
            0.0,
            0.62,
            xtol=1e-15,
            rtol=1e-14,
        )
        assert_allclose(ours.operating_point(load).current, i, rtol=1e-11)
    points = ours.key_points()
    assert_allclose(points.v_oc, brute_voltage(0.0, light, groups, breakdown=breakdown), rtol=1e-12)
    i_sc = brute_current(0.0, light, groups, breakdown=breakdown)
    assert_allclose(points.i_sc, i_sc, rtol=1e-11)
    # The highest of all tops: a fine grid, then the top nearest its best point.
    grid = np.linspace(0.0, i_sc, 600)

    def loss(i):
        return -i * brute_voltage(i, light, groups, breakdown=breakdown)

    best = grid[np.argmin([loss(i) for i in grid])]
    fine = minimize_scalar(
        loss, bounds=(best - grid[1], best + grid[1]), method="bounded", options={"xatol": 1e-9}
    )
    assert_allclose(points.p_mp, -fine.fun, rtol=1e-11)
    assert_allclose(points.i_mp, fine.x, rtol=1e-6)
    assert ours.at_max_power().limiting_cell == 7


def test_shaded_string_agrees_with_40_digit_arithmetic():
    light = one_shaded(0.5)
    ours = string(light, breakdown=None)
    with mpmath.workdps(40):
        il, i0, rs, rsh, a = (mpmath.mpf(x) for x in MODULE)
        rs, rsh, a = rs / 36, rsh / 36, a / 36

        def volts(i):
            total = mpmath.mpf(0)
            for share, count in ((mpmath.mpf("0.5"), 1), (mpmath.mpf(1), 35)):
                c = (il * share + i0 - i) * rsh / a
                b = i0 * rsh / a
                x = c - mpmath.lambertw(b * mpmath.exp(c)).real
                total += count * (a * x - i * rs)
            return total

        for i in (0.1, 0.31, 0.33, 0.45, 0.6):
            assert_allclose(ours.voltage(i), float(volts(mpmath.mpf(i))), rtol=1e-12)


# --- reverse bias


def test_reverse_characteristic_is_that_of_pvlib_bishop88():
    u = np.linspace(-14.9, -0.01, 60)
    factor, rsh = 0.1, 25.0
    # Bishop's A' and Rsh' for a factor that is 1 at u = 0.
    theirs = bishop88(
        u,
        0.3,
        3.7e-10,
        0.0,
        rsh / (1 - factor),
        0.0283,
        breakdown_factor=factor / (1 - factor),
        breakdown_voltage=-15.0,
        breakdown_exp=3.28,
    )[0]
    ours = junction_current(u, 0.3, 3.7e-10, 1 / rsh, 0.0283, Breakdown(factor, -15.0, 3.28))
    assert_allclose(ours, theirs, rtol=1e-12)
    back = junction_voltage(ours, 0.3, 3.7e-10, 1 / rsh, 0.0283, Breakdown(factor, -15.0, 3.28))
    assert_allclose(back, u, rtol=1e-12)


def test_current_above_short_circuit_is_solved_where_a_plain_newton_diverges():
    # The input of pvlib issue 1757: 8.1 A through a cell of 8 A, breakdown at -5.5 V.
    breakdown = Breakdown(0.1 / 1.1, -5.5, 3.28)
    u = junction_voltage(8.1, 8.0, 1e-8, 1.1 / 1000.0, 2.3, breakdown)
    back = bishop88(
        u,
        8.0,
        1e-8,
        0.0,
        1000.0,
        2.3,
        breakdown_factor=0.1,
        breakdown_voltage=-5.5,
        breakdown_exp=3.28,
    )[0]
    assert -5.5 < u < 0
    assert_allclose(back, 8.1, rtol=1e-12)


def test_junction_never_falls_below_its_breakdown_voltage():
    i = np.array([0.63, 1.0, 10.0, 1e3, 1e6])
    for g in (0.0, 1e-6, 0.04):
        u = junction_voltage(i, 0.62, 3.7e-10, g, 0.0283, SILICON)
        assert np.all(u >= -15.0)
        assert np.all(u < 0)


def test_without_shunt_or_breakdown_no_more_than_il_plus_i0_flows_backwards():
    light = one_shaded(0.5)
    bare = string(light, (0.62, 3.7e-10, 1.2, np.inf, 1.0175), breakdown=None)
    limit = 0.62 * 0.5 + 3.7e-10
    v = np.linspace(-200.0, 25.0, 300)
    i = bare.current(v)
    assert np.all(np.isfinite(i))
    assert np.all(i <= limit * (1 + 1e-14))
    assert bare.voltage(0.4) == -np.inf
    points = bare.key_points()
    assert_allclose(points.i_sc, limit, rtol=1e-12)
    # The 35 others hold the voltage they have at that current; the dark cell takes what is left.
    state = bare.state(0.0)
    others = SingleDiode(0.62, 3.7e-10, 1.2 / 36, np.inf, 1.0175 / 36).voltage(points.i_sc)
    assert_allclose(state.cell_voltage[7], -35 * others, rtol=1e-9)
    assert np.all(np.isfinite(state.cell_voltage))


def test_breakdown_opens_a_second_top_of_power_at_low_voltage():
    # A cell that breaks down at -3 V costs 3 V of 18, half light costs half the current.
    ours = string(one_shaded(0.5), breakdown=Breakdown(0.05, -3.0, 3.0))
    i = np.linspace(0.0, 0.6191, 20001)
    assert_allclose(ours.key_points().p_mp, np.max(i * ours.voltage(i)), rtol=1e-6)
    assert ours.key_points().i_mp > 0.5
    assert ours.at_max_power().cell_voltage[7] < -2.0


# --- bypass diodes


def test_the_higher_top_is_found_on_either_side():
    hard = (0.62, 3.7e-10, 1.2, 90000.0, 1.0175)
    left = string(one_shaded(0.3), hard, bypass_groups=2).key_points()
    right = string(one_shaded(0.8), hard, bypass_groups=2).key_points()
    # Half the module at full current, or all of it at the shaded cell's.
    assert left.v_mp < 10.0
    assert left.i_mp > 0.5
    assert right.v_mp > 15.0
    assert right.i_mp < 0.5


def test_a_bypassed_group_is_held_at_the_drop_of_its_diode():
    ours = string(one_shaded(0.1), bypass_groups=2, bypass_drop=0.4)
    state = ours.state(5.0)
    assert state.bypassed.tolist() == [True, False]
    assert_allclose(state.cell_voltage[:18].sum(), -0.4, rtol=1e-12)
    assert_allclose(state.cell_voltage.sum(), 5.0, rtol=1e-12)
    assert np.all(state.cell_current[:18] < state.current)
    # The cells' own curves carry those currents at those voltages.
    rest = SingleDiode(0.62, 3.7e-10, 1.2 / 36, 25.0, 1.0175 / 36)
    assert_allclose(rest.current(state.cell_voltage[20]), state.current, rtol=1e-10)
    assert_allclose(rest.current(state.cell_voltage[3]), state.cell_current[3], rtol=1e-10)
    assert state.cell_voltage[7] < 0
    assert state.limiting_cell >= 18


def test_below_all_diodes_nothing_limits_the_current():
    ours = string(np.ones(36), bypass_groups=2, bypass_drop=0.5)
    assert ours.current(-1.5) == np.inf
    assert np.isfinite(ours.current(-0.99))
    assert ours.voltage(1e3) == -1.0


# --- which cell limits


@pytest.mark.parametrize("groups", [0, 2])
def test_limiting_cell_is_the_one_whose_light_is_worth_most(groups):
    light = np.random.default_rng(4).uniform(0.6, 1.0, 12)
    module = (0.62, 3.7e-10, 0.4, 3000.0, 0.34)
    ours = string(light, module, bypass_groups=groups)
    more = string(light + 1e-5 * np.eye(12), module, bypass_groups=groups)
    gain = more.key_points().p_mp - ours.key_points().p_mp
    assert ours.at_max_power().limiting_cell == np.argmax(gain)


# --- many strings, edges


def test_strings_put_together_are_the_strings_one_by_one():
    light = np.random.default_rng(4).uniform(0.2, 1.0, (3, 5, 36))
    apart = [string(each, bypass_groups=3) for each in light]
    whole = SeriesString.together(apart)
    assert whole.shape == (3, 5)
    for k, one in enumerate(apart):
        for load in (10.0, 50.0, np.inf):
            point, alone = whole.operating_point(load), one.operating_point(load)
            assert_allclose(point.current[k], alone.current, rtol=1e-13)
            assert_allclose(point.voltage[k], alone.voltage, rtol=1e-13)


def test_many_strings_at_once_are_the_strings_one_by_one():
    light = np.random.default_rng(2).uniform(0.2, 1.0, (3, 4, 36))
    many = string(light, bypass_groups=3)
    points = many.key_points()
    assert points.p_mp.shape == many.shape == (3, 4)
    assert many.count == 36
    load = np.array([10.0, 50.0])[:, None, None]
    power = many.operating_point(load).power
    assert power.shape == (2, 3, 4)
    for k in np.ndindex(3, 4):
        one = string(light[k], bypass_groups=3)
        assert_allclose(points.p_mp[k], one.key_points().p_mp, rtol=1e-13)
        assert_allclose(power[1][k], one.operating_point(50.0).power, rtol=1e-13)


def test_a_dark_string_gives_nothing_and_nan_stays_nan():
    light = np.array([np.zeros(36), np.full(36, np.nan), np.ones(36)])
    points = string(light, bypass_groups=2).key_points()
    assert points.p_mp[0] == points.i_sc[0] == points.v_oc[0] == 0.0
    assert np.isnan(points.p_mp[1])
    assert np.isnan(points.i_sc[1])
    assert_allclose(points.p_mp[2], 10.1636258, rtol=1e-8)
    assert string(light[0]).at_max_power().limiting_cell == -1


def test_a_single_dark_cell_stops_a_string_without_diodes():
    hard = (0.62, 3.7e-10, 1.2, 36e6, 1.0175)
    # What is left is a source of Voc behind the shunt of the dark cell: Voc^2 / 4R with 1 Mohm.
    points = string(one_shaded(0.0), hard, breakdown=None).key_points()
    assert_allclose(points.p_mp, points.v_oc**2 / 4e6, rtol=1e-3)
    assert string(one_shaded(0.0), hard, bypass_groups=2).key_points().p_mp > 4.0


@settings(max_examples=60, deadline=None)
@given(
    light=st.lists(st.floats(0.0, 1.0), min_size=12, max_size=12),
    groups=st.sampled_from([0, 1, 2, 3, 4]),
    rsh=st.sampled_from([6.0, 300.0, 1e5, np.inf]),
    rs=st.sampled_from([0.0, 0.4, 3.0]),
    breakdown=st.sampled_from([None, SILICON, Breakdown(0.1, -4, 3), Breakdown(0.5, -2, 1)]),
)
def test_no_point_of_the_curve_beats_the_maximum(light, groups, rsh, rs, breakdown):
    ours = string(light, (0.62, 3.7e-10, rs, rsh, 0.34), bypass_groups=groups, breakdown=breakdown)
    points = ours.key_points()
    i = np.linspace(0.0, 1.0, 2001) * points.i_sc
    v = ours.voltage(i)
    power = np.where(np.isfinite(v), i * v, 0.0)
    assert np.isfinite(points.p_mp)
    # Beside the saturation current, one far smaller is good to the last place of that.
    least = 4 * np.finfo(float).eps * 3.7e-10 * points.v_oc
    assert points.p_mp >= power.max() * (1 - 1e-9) - least
    # A current is good to a few units in the last place of the brightest cell's.
    atol = 5e-15 * 0.62 * points.v_oc
    assert_allclose(points.p_mp, points.v_mp * ours.current(points.v_mp), rtol=1e-9, atol=atol)


@settings(max_examples=60, deadline=None)
@given(
    light=st.lists(st.floats(0.05, 1.0), min_size=6, max_size=6),
    v=st.floats(-0.9, 4.5),
    groups=st.sampled_from([0, 2]),
    rsh=st.sampled_from([6.0, 300.0, np.inf]),
)
def test_current_and_voltage_are_each_others_inverse(light, v, groups, rsh):
    ours = string(light, (0.62, 3.7e-10, 0.2, rsh, 0.17), bypass_groups=groups)
    i = ours.current(v)
    # On a cliff only the current is sharp, so compare there: V must pass v within rounding.
    grain = 5e-15 * max(abs(i), 0.62)
    assert ours.voltage(i - grain) >= v - 1e-12
    assert ours.voltage(i + grain) <= v + 1e-12


def test_a_thousand_strings_of_36_cells_take_less_than_a_second():
    light = np.ones((1000, 36))
    light[np.arange(1000), np.arange(1000) % 36] = np.linspace(0.3, 0.7, 1000)
    for groups in (0, 2):
        many = string(light, bypass_groups=groups)
        start = time.process_time()
        points = many.key_points()
        assert time.process_time() - start < 1.0
        assert np.all(points.p_mp > 0)


# --- bad input


def test_impossible_strings_are_refused():
    cell = SingleDiode(0.62, 3.7e-10, 0.03, 25.0, 0.028)
    with pytest.raises(RangeError, match="needs the parameters of each cell; give at least one"):
        SeriesString(cell)
    with pytest.raises(RangeError, match="36 cells cannot be split into 5 equal bypass groups"):
        string(np.ones(36), bypass_groups=5)
    with pytest.raises(RangeError, match="groups of 20, 10 cells make 30, not the 36"):
        string(np.ones(36), bypass_groups=(20, 10))
    with pytest.raises(RangeError, match=r"bypass drop -0\.5 V is not a forward voltage"):
        string(np.ones(36), bypass_drop=-0.5)
    with pytest.raises(RangeError, match="do not match in shape"):
        SeriesString(SingleDiode(np.ones(3), 1e-9, 0.0, np.ones(4), 0.03))
    with pytest.raises(RangeError, match=r"shape \(5,\) do not fit strings of shape \(2,\)"):
        string(np.ones((2, 36))).current(np.zeros(5))
    with pytest.raises(RangeError, match="load -3 ohm is negative"):
        string(np.ones(36)).operating_point(-3.0)
    with pytest.raises(RangeError, match="breakdown factor 0 is not a fraction"):
        Breakdown(0.0, -15.0, 3.0)
    with pytest.raises(RangeError, match="breakdown voltage 15 V is not negative; write it"):
        Breakdown(0.1, 15.0, 3.0)
    with pytest.raises(RangeError, match="breakdown exponent -1 is not positive"):
        Breakdown(0.1, -15.0, -1.0)
