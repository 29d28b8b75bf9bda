"""The best load: against closed forms, mpmath, exhaustive search and Monte Carlo."""

import math
from itertools import combinations

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import fit_each
from ivkit.errors import RangeError, SweepError
from ivkit.readings.resistor_value import resistor_value
from ivkit.readings.sweep import Effect, Sweep
from ivkit.verdict.combinations import Combination, from_drawer
from ivkit.verdict.e_series import SERIES, resistance_code, series_values
from ivkit.verdict.load import Terms, best_load, best_load_of_point
from ivkit.verdict.loaded import LoadedPanel
from ivkit.verdict.rating import USUAL_RATINGS, Derating, rating_to_buy

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
DIM = SingleDiode(0.15, 3.7e-10, 1.2, 900.0, 1.0175)
# Without a diode to speak of, a current source and its shunt: a straight line to 10 V.
LINEAR = SingleDiode(1.0, 1e-300, 0.0, 10.0, 1.0)
NAMES = ("photocurrent", "saturation_current", "resistance_series", "resistance_shunt", "nNsVth")

# IEC 60063:2015: E24 as printed; of E96 the first and the last ten (these from memory).
E24 = (
    "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 "
    "3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1"
)
E96_ENDS = (
    "1.00 1.02 1.05 1.07 1.10 1.13 1.15 1.18 1.21 1.24",
    "7.87 8.06 8.25 8.45 8.66 8.87 9.09 9.31 9.53 9.76",
)


def test_the_series_are_those_of_the_standard():
    e24 = [float(x) for x in E24.split()]
    np.testing.assert_array_equal(SERIES["E24"], e24)
    np.testing.assert_array_equal(SERIES["E12"], e24[::2])
    np.testing.assert_array_equal(SERIES["E6"], [1.0, 1.5, 2.2, 3.3, 4.7, 6.8])
    assert len(SERIES["E96"]) == 96
    assert [f"{x:.2f}" for x in SERIES["E96"][:10]] == E96_ENDS[0].split()
    assert [f"{x:.2f}" for x in SERIES["E96"][-10:]] == E96_ENDS[1].split()


def test_eight_values_of_e24_are_not_what_rounding_gives():
    # The well-known irregular ones of IEC 60063.
    rounded = [round(10 ** (k / 24), 1) for k in range(24)]
    odd = [value for value, other in zip(SERIES["E24"], rounded, strict=True) if value != other]
    assert odd == [2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2]


def test_values_of_a_series_carry_no_rounding_errors():
    np.testing.assert_array_equal(
        series_values("E12", 0.33, 4.7),
        [0.33, 0.39, 0.47, 0.56, 0.68, 0.82, 1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7],
    )
    assert series_values("E6", 3300, 3300).tolist() == [3300.0]


@pytest.mark.parametrize("limits", [(0.0, 1.0), (1.0, math.inf), (math.nan, 1.0)])
def test_limits_of_a_series_must_be_positive_and_finite(limits):
    with pytest.raises(RangeError, match="not positive and finite"):
        series_values("E12", *limits)


def test_a_series_that_does_not_exist_is_refused():
    with pytest.raises(RangeError, match="series 'E13' is not one of E6, E12, E24, E96"):
        series_values("E13", 1.0, 10.0)
    with pytest.raises(RangeError, match="series 'E13' is not one of"):
        best_load([PANEL], terms=Terms(series="E13"))


@given(st.sampled_from(SERIES["E96"] + SERIES["E24"]), st.integers(-2, 7))
def test_a_printed_value_reads_back_as_itself(value, decade):
    ohm = float(f"{value:.2f}e{decade}")
    assert resistor_value(resistance_code(ohm)) == ohm


@pytest.mark.parametrize(
    ("temperature", "share"),
    # A straight line from 1 at 70 degC to 0 at 155 degC (common film practice): closed form.
    [(-20, 1.0), (70, 1.0), (85, 0.82353), (100, 0.64706), (125, 0.35294), (155, 0.0), (180, 0.0)],
)
def test_derating_is_the_straight_line(temperature, share):
    assert Derating().share(temperature) == pytest.approx(share, abs=5e-6)


def test_derating_takes_other_ends():
    assert Derating(25.0, 200.0).share(112.5) == pytest.approx(0.5)


def test_derating_that_does_not_fall_is_refused():
    with pytest.raises(RangeError, match="derating from 155 to 70 degC does not rise"):
        Derating(155.0, 70.0)


@given(st.floats(1e-3, 45.0), st.floats(0.05, 1.0), st.floats(1.0, 4.0))
def test_the_rating_is_the_smallest_that_carries_the_heat(heat, share, margin):
    rating = rating_to_buy(heat, share, margin)
    needed = heat * margin / share
    if math.isnan(rating):
        assert needed > 100.0
    else:
        assert rating >= needed * (1 - 1e-9)
        assert all(smaller < needed for smaller in USUAL_RATINGS if smaller < rating)


def test_no_part_carries_anything_in_air_as_hot_as_its_end():
    with pytest.raises(RangeError, match="the part may carry nothing"):
        best_load([PANEL], terms=Terms(ambient=160.0))


def test_a_margin_below_one_overloads_the_part():
    with pytest.raises(RangeError, match=r"margin 0\.5 is below 1"):
        rating_to_buy(1.0, margin=0.5)


@pytest.mark.parametrize("tolerance", [-0.1, 1.0, math.nan])
def test_a_tolerance_is_a_part_of_the_value(tolerance):
    with pytest.raises(RangeError, match="is not a part of the value"):
        Terms(tolerance=tolerance)


def test_the_best_load_is_where_the_power_is_greatest_to_50_digits():
    with mpmath.workdps(50):
        slope_is_zero = mpmath.findroot(
            lambda r: mpmath.diff(lambda x: power_50_digits(PANEL, x), r),
            (30, 33),
            solver="anderson",
            tol=1e-20,
        )
    assert best_load([PANEL]).best_resistance == pytest.approx(float(slope_is_zero), rel=1e-9)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0, 3.0])
def test_a_linear_source_loses_what_the_textbook_says(ratio):
    # Source of 10 V behind 10 ohm: Pmp = V^2/4R = 2.5 W, and 4k/(1+k)^2 of it into k times R.
    panel = LoadedPanel.of([LINEAR], None)
    assert panel.max_power == pytest.approx(2.5, rel=1e-12)
    expected = 1 - 4 * ratio / (1 + ratio) ** 2
    assert panel.loss(10.0 * ratio)[0] == pytest.approx(expected, abs=1e-14)


def power_50_digits(panel, ohm):
    """Return the power on a resistor to 50 digits."""
    il, i0, rs, rsh, a = (mpmath.mpf(getattr(panel, name)) for name in NAMES)
    ohm = mpmath.mpf(ohm)

    def excess(i):
        u = i * (ohm + rs)
        return il - i0 * mpmath.expm1(u / a) - u / rsh - i

    return mpmath.findroot(excess, (0, il), solver="anderson", tol=1e-60) ** 2 * ohm


def test_the_powers_of_the_candidates_are_exact():
    with mpmath.workdps(50):
        found = best_load([PANEL])
        top = power_50_digits(PANEL, found.best_resistance)
        assert len(found.candidates) == 3
        for c in found.candidates:
            exact = power_50_digits(PANEL, c.resistance)
            assert c.power == pytest.approx(float(exact), rel=1e-12)
            assert c.loss == pytest.approx(float(1 - exact / top), abs=1e-12)
            ends = [power_50_digits(PANEL, c.resistance * x) for x in (0.95, 1.05)]
            assert c.loss_at_tolerance == pytest.approx(float(1 - min(ends) / top), abs=1e-12)


@pytest.mark.parametrize("series", SERIES)
def test_the_choice_loses_least_of_its_series(series):
    found = best_load([PANEL], terms=Terms(series=series))
    panel = LoadedPanel.of([PANEL], None)
    least = panel.loss(series_values(series, 1.0, 1000.0)).min()
    assert found.choice.loss == pytest.approx(least, abs=1e-15)
    assert series in found.choice.made_of.source
    listed = [c.resistance for c in found.candidates]
    assert listed == sorted(set(listed))
    assert min(listed) < found.best_resistance < max(listed)


def test_two_linear_sources_share_the_load_that_calculus_gives():
    # Sources V1 = 10 V behind 10 ohm, V2 = 8 V behind 80 ohm, weights 1 and 3: the root of the
    # derivative of sum w V^2 R/(R + Ri)^2, found with mpmath.
    other = SingleDiode(0.1, 1e-300, 0.0, 80.0, 1.0)
    found = best_load([LINEAR, other], [1.0, 3.0])
    with mpmath.workdps(30):

        def slope(r):
            return 100 * (10 - r) / (10 + r) ** 3 + 3 * 64 * (80 - r) / (80 + r) ** 3

        expected = float(mpmath.findroot(slope, (10, 80), solver="anderson"))
    assert found.best_resistance == pytest.approx(expected, rel=1e-9)
    power = (100 * expected / (10 + expected) ** 2 + 3 * 64 * expected / (80 + expected) ** 2) / 4
    assert found.best_power == pytest.approx(power, rel=1e-12)
    # Each by itself: V^2/4R.
    assert found.max_power == pytest.approx((100 / 40 + 3 * 64 / 320) / 4, rel=1e-12)


@given(st.floats(0.0, 1.0), st.floats(-2.0, 0.5))
@settings(max_examples=40, deadline=None)
def test_no_load_on_a_fine_grid_beats_the_best_for_several_conditions(share, light):
    dim = SingleDiode(0.62 * 10**light, 3.7e-10, 1.2, 900.0, 1.0175)
    weights = [share, 1.0 - share]
    found = best_load([PANEL, dim], weights)
    grid = np.geomspace(3.0, 5000.0, 4000)
    power = sum(
        w * model.operating_point(grid).power
        for w, model in zip(weights, (PANEL, dim), strict=True)
    )
    assert found.best_power >= power.max() * (1 - 1e-12)
    assert found.best_power <= found.max_power * (1 + 1e-12)
    assert sum(w * p for w, p in zip(found.weights, found.choice_powers, strict=True)) == (
        pytest.approx(found.choice.power, rel=1e-12)
    )


def test_weights_count_by_their_ratio_only():
    a = best_load([PANEL, DIM], [3.0, 1.0])
    b = best_load([PANEL, DIM, DIM], [3000.0, 400.0, 600.0])
    assert a.best_resistance == pytest.approx(b.best_resistance, rel=1e-10)
    assert a.choice.made_of == b.choice.made_of
    assert a.weights == (0.75, 0.25)


@pytest.mark.parametrize(
    ("weights", "text"),
    [
        ([1.0], "1 weights for 2 conditions"),
        ([1.0, -1.0], "weights 1, -1"),
        ([0.0, 0.0], "weights 0, 0"),
        ([1.0, math.nan], "weights 1, nan"),
    ],
)
def test_weights_that_make_no_sense_are_refused(weights, text):
    with pytest.raises(RangeError, match=text):
        best_load([PANEL, DIM], weights)


def test_a_panel_in_the_dark_has_no_best_load():
    with pytest.raises(SweepError, match="curve 2 delivers no power"):
        best_load([PANEL, SingleDiode(0.0, 1e-9, 1.0, 900.0, 1.0)])


def test_without_a_curve_there_is_nothing_to_load():
    with pytest.raises(SweepError, match="no curve to load"):
        best_load([])


def test_a_bundle_of_curves_is_not_one_condition():
    with pytest.raises(SweepError, match="curve 1 holds 2 curves"):
        best_load([SingleDiode([0.6, 0.5], 1e-9, 1.0, 900.0, 1.0)])


def test_parameters_must_be_one_set_a_curve():
    with pytest.raises(RangeError, match="2 sets of parameters for 1 curves"):
        best_load([PANEL], parameters=[{}, {}])


drawers = st.lists(st.sampled_from(SERIES["E12"]).map(lambda r: 10 * r), min_size=1, max_size=6)


@given(drawers)
@settings(max_examples=60, deadline=None)
def test_no_other_use_of_the_drawer_loses_less(drawer):
    found = best_load([PANEL], terms=Terms(drawer=tuple(drawer)))
    top = PANEL.key_points().p_mp
    pairs = list(combinations(drawer, 2))
    one = drawer
    two = [a + b for a, b in pairs] + [a * b / (a + b) for a, b in pairs]
    loss_one, loss_two = (
        min((1 - PANEL.operating_point(r).power / top for r in group), default=2.0)
        for group in (one, two)
    )
    if found.choice.made_of.connection == "single":
        assert found.choice.loss == pytest.approx(loss_one, abs=1e-12)
        assert loss_two > loss_one - 0.005 - 1e-12  # a pair is not worth the soldering
    else:
        assert found.choice.loss == pytest.approx(loss_two, abs=1e-12)
    assert sum(found.choice.made_of.heat_shares) == pytest.approx(1.0)
    used = list(found.choice.made_of.parts)
    assert all(used.count(r) <= drawer.count(r) for r in used)


def test_the_larger_part_of_a_series_pair_and_the_smaller_of_a_parallel_one_get_the_heat():
    assert Combination((22.0, 10.0), "series", "drawer").heat_shares == (22 / 32, 10 / 32)
    shares = Combination((47.0, 100.0), "parallel", "drawer").heat_shares
    assert shares == pytest.approx((100 / 147, 47 / 147))
    assert Combination((47.0, 100.0), "parallel", "drawer").resistance == pytest.approx(4700 / 147)


def test_an_empty_drawer_and_parts_that_are_none_are_refused():
    with pytest.raises(RangeError, match="the drawer is empty"):
        from_drawer([], np.log)
    with pytest.raises(RangeError, match="part of 0 ohm"):
        from_drawer([10.0, 0.0], np.log)


def test_a_part_in_hot_air_needs_a_larger_rating():
    # 10.16 W, twice: 20.3 W; at 100 degC only 64.7 % is left, so 31.4 W are needed.
    assert best_load([PANEL]).choice.ratings == (25.0,)
    assert best_load([PANEL], terms=Terms(ambient=100.0)).choice.ratings == (50.0,)
    assert best_load([PANEL], terms=Terms(ambient=150.0)).choice.ratings == pytest.approx(
        (math.nan,), nan_ok=True
    )


def uncertain_parameters():
    """Return five independent uncertain parameters of the panel, by name."""
    relative = (0.004, 0.08, 0.05, 0.10, 0.003)
    return {
        name: ufloat(getattr(PANEL, name), r * getattr(PANEL, name), name)
        for name, r in zip(NAMES, relative, strict=True)
    }


def test_the_uncertainties_are_those_of_a_monte_carlo_simulation():
    # JCGM 101:2008: draw the inputs, compute, take mean and standard deviation.
    parameters = uncertain_parameters()
    rng = np.random.default_rng(2)
    draws = SingleDiode(
        *(rng.normal(p.nominal_value, p.std_dev, 40_000) for p in parameters.values())
    )
    top = draws.key_points()
    found = best_load([PANEL], parameters=[parameters])
    best = top.best_load
    assert found.best_resistance.std_dev == pytest.approx(np.std(best), rel=0.03)
    assert found.max_power.std_dev == pytest.approx(np.std(top.p_mp), rel=0.03)
    for c in found.candidates:
        power = draws.operating_point(c.resistance).power
        assert c.power.std_dev == pytest.approx(np.std(power), rel=0.03)
        # E96 lies at the very top, where only the second-order term is left.
        assert c.u_loss == pytest.approx(np.std(1 - power / top.p_mp), rel=0.06)
    assert found.worst_dissipation == pytest.approx(
        found.max_power.nominal_value + 2 * found.max_power.std_dev
    )


def test_the_best_load_of_two_conditions_has_the_uncertainty_of_a_simulation():
    parameters = uncertain_parameters()
    dim = parameters | {"photocurrent": ufloat(0.15, 0.002, "dim light")}
    rng = np.random.default_rng(3)
    best = []
    for _ in range(1500):
        drawn = [rng.normal(p.nominal_value, p.std_dev) for p in parameters.values()]
        light = rng.normal(0.15, 0.002)
        panel = LoadedPanel.of([SingleDiode(*drawn), SingleDiode(light, *drawn[1:])], [1.0, 3.0])
        best.append(panel.best_resistance())
    found = best_load([PANEL, DIM], [1.0, 3.0], parameters=[parameters, dim])
    # 1500 draws know a standard deviation to 1.8 %; 4 of those.
    assert found.best_resistance.std_dev == pytest.approx(np.std(best), rel=0.075)


def test_the_best_load_of_a_fit_is_its_vmp_over_imp_with_its_uncertainty():
    rng = np.random.default_rng(6)
    v = np.linspace(0.0, 21.4, 40)
    i = PANEL.current(v)
    sweeps = [
        Sweep(
            v + rng.normal(0, 0.004, v.size),
            light * i + rng.normal(0, 0.0004, v.size),
            np.full(v.size, 0.004),
            np.full(v.size, 0.0004),
            effects=(Effect("divider ratio", 0.004 * v, 0 * v), Effect("shunt", 0 * v, 0.003 * i)),
            name=name,
        )
        for light, name in ((1.0, "a"), (1.0, "b"))
    ]
    fits = fit_each(sweeps)
    found = best_load([f.model for f in fits], parameters=[f.parameters for f in fits])
    for fit, own, top in zip(fits, found.best_resistances, found.max_powers, strict=True):
        expected = fit.key_points.best_load
        assert own.nominal_value == pytest.approx(expected.nominal_value, rel=1e-10)
        assert own.std_dev == pytest.approx(expected.std_dev, rel=1e-6)
        assert (own - expected).std_dev < 1e-6 * expected.std_dev
        assert top.std_dev == pytest.approx(fit.key_points.p_mp.std_dev, rel=1e-6)
    # The divider and the shunt are one cause for both sweeps and do not average out.
    systematic = 31.6 * math.hypot(0.004, 0.003)
    assert found.best_resistance.std_dev > 0.99 * systematic


def test_two_figures_of_a_datasheet_give_the_load_and_no_loss():
    found = best_load_of_point(17.2, 0.55)
    assert found.best_resistance == pytest.approx(17.2 / 0.55)
    assert found.choice.resistance == 33.0
    assert found.max_power == pytest.approx(9.46)
    assert math.isnan(found.choice.loss)
    assert math.isnan(found.choice.power)
    assert found.choice.ratings == (25.0,)


@pytest.mark.parametrize(
    ("v", "i", "text"), [(0.0, 0.5, "v_mp is 0 V"), (17.0, -1.0, "i_mp is -1 A")]
)
def test_a_point_that_delivers_nothing_is_refused(v, i, text):
    with pytest.raises(RangeError, match=text):
        best_load_of_point(v, i)


def test_the_table_has_units_in_its_columns_and_marks_the_choice():
    frame = best_load([PANEL], parameters=[uncertain_parameters()]).to_frame()
    assert frame["load"].tolist() == ["27R", "31R6", "33R"]
    assert frame["chosen"].tolist() == [False, False, True]
    assert frame["rating_W"].tolist() == [25.0, 25.0, 25.0]
    assert (frame["u_power_W"] > 0).all()
