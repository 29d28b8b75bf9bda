"""Datasheet to five parameters: pvlib, 40 digits, and every module of the open CEC table."""

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares

from ivkit.panel.conditions import BOLTZMANN_EV, ReferencePanel
from ivkit.panel.desoto import SOLVED_TO, Outcome, Scaled, solve_desoto
from ivkit.panel.nearest import nearest_panel

# pvlib's own test module for fit_desoto; its answer, and a 40-digit solution, agree to 12 digits.
SIXTY = (9.43, 38.3, 8.71, 31.0, 0.005658, -0.13788)
ANSWER = (9.45232448673, 3.22463495e-10, 0.297814724, 125.798773, 1.591288068)


def five(panel):
    return (
        panel.photocurrent,
        panel.saturation_current,
        panel.resistance_series,
        panel.resistance_shunt,
        panel.nNsVth,
    )


def conditions(p, figures, number=mpmath.mpf):
    """Return the five conditions as Duffie and Beckman, ch. 23, write them, in 40 digits."""
    il, i0, rs, rsh, a = p
    isc, voc, imp, vmp, alpha, beta = (number(float(x)) for x in figures)
    k, cold = number(BOLTZMANN_EV), number("298.15")
    warm = cold + 2
    gap = number("1.121")
    warm_gap = gap * (1 - number("0.0002677") * 2)
    warm_i0 = i0 * (warm / cold) ** 3 * mpmath.exp((gap / cold - warm_gap / warm) / k)
    warm_voc = voc + 2 * beta
    at_top = mpmath.exp((vmp + imp * rs) / a) * i0 / a + 1 / rsh
    return [
        il - i0 * mpmath.expm1(isc * rs / a) - isc * rs / rsh - isc,
        il - i0 * mpmath.expm1(voc / a) - voc / rsh,
        il - i0 * mpmath.expm1((vmp + imp * rs) / a) - (vmp + imp * rs) / rsh - imp,
        imp - vmp * at_top / (1 + rs * at_top),
        il + 2 * alpha - warm_i0 * mpmath.expm1(warm_voc / (a * warm / cold)) - warm_voc / rsh,
    ]


@pytest.fixture(scope="module")
def table():
    from ivkit.panel.module_table import module_table

    modules = module_table()
    columns = ("I_sc_ref", "V_oc_ref", "I_mp_ref", "V_mp_ref", "alpha_sc", "beta_oc")
    return modules, np.array([modules[c].astype(float).to_numpy() for c in columns])


@pytest.fixture(scope="module")
def solved(table):
    return solve_desoto(*table[1])


def test_the_module_of_pvlibs_own_test_comes_out():
    found = solve_desoto(*SIXTY)
    assert found.solved
    assert five(found.panel) == pytest.approx(ANSWER, rel=5e-9)  # as far as the source is written
    assert np.all(np.abs(found.residual) < 1e-13)


def test_five_parameters_agree_with_a_40_digit_solution():
    with mpmath.workdps(40):
        root = mpmath.findroot(
            lambda *p: conditions(p, SIXTY), [mpmath.mpf(str(x)) for x in ANSWER], tol=1e-30
        )
        expected = [float(x) for x in root]
    assert five(solve_desoto(*SIXTY).panel) == pytest.approx(expected, rel=1e-11)


def test_pvlib_finds_the_same_where_it_finds_a_root(table, solved):
    from pvlib.ivtools.sdm import fit_desoto

    figures, agreed = table[1], 0
    for k in np.flatnonzero(solved.solved)[::1700]:
        isc, voc, imp, vmp, alpha, beta = figures[:, k]
        start = dict(
            zip(
                ("IL_0", "Io_0", "Rs_0", "Rsh_0", "a_0"),
                (x[k] * 1.001 for x in five(solved.panel)),
                strict=True,
            )
        )
        theirs, _ = fit_desoto(vmp, imp, voc, isc, alpha, beta, 60, init_guess=start)
        named = [theirs[n] for n in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")]
        assert named == pytest.approx([x[k] for x in five(solved.panel)], rel=1e-5)
        agreed += 1
    assert agreed == 11


# The table is the one of the California Energy Commission as pvlib ships it, 2019-03-05.
def test_every_module_of_the_table_is_solved_or_named_with_its_reason(solved):
    assert solved.outcome.shape == (21535,)
    assert np.all(np.abs(solved.residual[solved.solved]) < SOLVED_TO)
    assert np.all(np.abs(solved.residual[solved.solved]) < 1e-13)
    panel = solved.panel
    assert np.all(panel.resistance_series[solved.solved] >= 0)
    assert np.all(panel.resistance_shunt[solved.solved] > 0)
    assert np.all(panel.saturation_current[solved.solved] > 0)
    assert np.all(np.isnan(panel.resistance_series[~solved.solved]))
    reasons = {Outcome(k).reason for k in np.unique(solved.outcome[~solved.solved])}
    assert all("negative" in reason for reason in reasons)
    assert np.all(solved.slope[solved.outcome == Outcome.NEGATIVE_SHUNT] > 0)


def test_a_sample_of_the_table_meets_the_conditions_in_40_digits(table, solved):
    figures = table[1]
    with mpmath.workdps(40):
        for k in np.flatnonzero(solved.solved)[::350]:
            found = [mpmath.mpf(float(x[k])) for x in five(solved.panel)]
            lacks = conditions(found, figures[:, k])
            assert max(abs(float(x)) for x in lacks) < 1e-10 * figures[0, k], table[0].index[k]


def test_modules_without_a_solution_have_none_anywhere_physical(table, solved):
    """Scan: every curve through the three points with the right temperature coefficient.

    One number is left, Rs. From 0 to where the shunt conductance turns negative the power still
    rises at the stated maximum-power point, for every one of these modules.
    """
    figures = table[1][:, ~solved.solved]
    scaled = Scaled.of(figures, 1.121, -0.0002677, 25.0)
    A = np.full(figures.shape[1], 0.04)
    before, conductance = -np.inf, np.inf
    for share in np.linspace(0.0, 0.999, 60):
        r = share * (1 - scaled.w) / scaled.m
        A, J, G = scaled.at(r, A)
        turned = scaled.slope(r, A, J, G)
        physical = G >= 0
        assert np.all(turned[physical] < 0)
        assert np.all((conductance > G) | (r < 1e-9) | (turned < -0.5 * scaled.m))
        assert np.all((turned > before) | (turned < -0.5 * scaled.m))
        before, conductance = turned, G


def best_by_scipy(figures):
    """Return the worst relative residual of the best physical panel that SciPy finds."""
    isc, voc, imp, vmp = figures[:4]

    def lacks(p):
        a, rs, g = 0.04 * voc * np.exp(p[0]), p[1] * (voc - vmp) / imp, np.exp(p[2]) * isc / voc
        i0 = (isc - g * (voc - isc * rs)) / (np.exp(voc / a) - np.exp(isc * rs / a))
        il = i0 * np.expm1(voc / a) + voc * g
        found = conditions([mpmath.mpf(x) for x in (il, i0, rs, 1 / g, a)], figures)
        return [float(x) / isc for x in found]

    searches = [
        least_squares(
            lacks, start, bounds=([-2, 0, -25], [2, 0.99, 2]), xtol=1e-14, ftol=1e-14, gtol=1e-14
        )
        for start in ([0.0, 0.3, -2.0], [0.2, 0.6, -4.0])
    ]
    return min(np.max(np.abs(search.fun)) for search in searches)


def test_a_bounded_search_by_scipy_fails_where_no_solution_is_said_to_be(table, solved):
    figures = table[1]
    without = np.flatnonzero(solved.slope > 0.02)[::500]
    assert min(best_by_scipy(figures[:, k]) for k in without) > 1e-4
    within = np.flatnonzero(solved.solved)[::2500]
    assert max(best_by_scipy(figures[:, k]) for k in within) < 1e-7


@given(
    a=st.floats(0.03, 0.06),
    rs=st.floats(0.01, 0.12),
    shunt=st.floats(5.0, 500.0),
    amperes=st.floats(0.002, 12.0),
    volts=st.floats(0.6, 120.0),
    alpha=st.floats(-1e-4, 2e-3),
)
def test_a_panel_comes_back_from_its_own_figures(a, rs, shunt, amperes, volts, alpha):
    ohm = volts / amperes
    panel = ReferencePanel(
        amperes, amperes * np.exp(-1 / a), rs * ohm, shunt * ohm, a * volts, alpha * amperes
    )
    points = panel.at(1000.0, 25.0).key_points()
    beta = (panel.at(1000.0, 27.0).key_points().v_oc - points.v_oc) / 2
    found = solve_desoto(points.i_sc, points.v_oc, points.i_mp, points.v_mp, alpha * amperes, beta)
    assert found.solved
    assert five(found.panel) == pytest.approx(five(panel), rel=1e-5)
    assert np.all(np.abs(found.residual) < 1e-12)


def test_shapes_broadcast_and_figures_out_of_order_are_named():
    found = solve_desoto(
        np.array([[9.43], [8.0]]), 38.3, 8.71, np.array([31.0, 38.5, np.nan]), 0.0057, -0.138
    )
    assert found.outcome.shape == (2, 3)
    assert found.outcome[0].tolist() == [Outcome.SOLVED, Outcome.NO_ORDER, Outcome.NO_ORDER]
    assert np.all(found.outcome[1] == Outcome.NO_ORDER)
    assert found.residual.shape == (2, 3, 5)
    assert np.isnan(found.panel.photocurrent[1]).all()


def test_a_temperature_coefficient_that_no_diode_has_is_named():
    assert solve_desoto(*SIXTY[:5], 0.2).outcome == Outcome.NO_DIODE
    assert solve_desoto(*SIXTY[:5], -4.0).outcome == Outcome.NO_DIODE
    assert "temperature coefficient" in Outcome.NO_DIODE.reason


def test_a_knee_at_too_high_a_voltage_would_need_a_negative_series_resistance():
    found = solve_desoto(1.0, 20.0, 0.9, 17.6, 0.0005, -0.066)
    assert found.outcome == Outcome.NEGATIVE_SERIES
    assert found.slope < 0
    assert "negative series resistance" in Outcome(int(found.outcome)).reason


def test_a_fill_factor_that_no_diode_has_is_named():
    found = solve_desoto(1.0, 20.0, 0.96, 18.2, 0.0005, -0.066)
    assert found.outcome == Outcome.TOO_SQUARE
    assert np.isnan(found.slope)
    assert "fill factor" in Outcome(int(found.outcome)).reason


def test_the_nearest_panel_keeps_all_but_the_place_of_the_knee(table):
    figures = table[1]
    isc, voc, imp, vmp, _, beta = figures
    near = nearest_panel(*figures)
    cold, warm = (near.panel.at(1000.0, t).key_points() for t in (25.0, 27.0))
    none = np.isnan(near.panel.photocurrent)
    assert none.sum() == 2  # whose fill factor no diode without resistances has
    for found, stated in (
        (cold.i_sc, isc),
        (cold.v_oc, voc),
        (cold.p_mp, imp * vmp),
        ((warm.v_oc - cold.v_oc) / 2, beta),
        (near.v_mp, cold.v_mp),
        (near.i_mp, cold.i_mp),
    ):
        assert np.allclose(found[~none], stated[~none], rtol=1e-11, atol=0)
    exact = near.outcome == Outcome.SOLVED
    assert np.allclose(near.v_mp[exact], vmp[exact], rtol=1e-10)
    # For c-Si in this table Vmp/Voc runs over 10 % of itself from one module in a hundred to 99.
    assert np.nanmax(np.abs(near.v_mp / vmp - 1)) < 0.05


def test_the_nearest_panel_to_too_sharp_a_knee_has_no_series_resistance():
    near = nearest_panel(1.0, 20.0, 0.9, 17.6, 0.0005, -0.066)
    assert near.panel.resistance_series == 0
    assert near.panel.at(1000.0, 25.0).key_points().p_mp == pytest.approx(0.9 * 17.6, rel=1e-12)
    assert near.i_mp > 0.9
