"""The fit against published optima, lmfit, and panels whose truth is known."""

import lmfit
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ivkit
from ivkit.curve.diode import SingleDiode, solve_current
from ivkit.curve.uncertainty import budget, coverage_factor
from ivkit.errors import SweepError
from ivkit.readings.sweep import Condition, Effect, Sweep
from tests import published

BOLTZMANN, CHARGE = 1.3806503e-23, 1.60217646e-19  # as the published optima were computed with

# Best known optima of the exact residual with equal weights, found with scipy's Levenberg-Marquardt
# from many starts; that published ones mostly are not of the exact residual: Calasan, Abdel Aleem
# and Zobaa, Energy Convers. Manage. 210 (2020) 112716. RMSE +-1e-9 A, parameters 1e-4.
OPTIMA = [
    (
        published.CELL,
        306.15,
        7.7300627e-4,
        (0.76078797, 3.106846e-7, 0.03654695, 52.88979, 1.4772678),
    ),
    (
        published.MODULE,
        318.15,
        2.0529606e-3,
        (1.0314338, 2.638077e-6, 1.2356342, 821.6412, 47.598223),
    ),
]


@pytest.mark.parametrize(("path", "kelvin", "rmse", "optimum"), OPTIMA)
def test_published_sweeps_reach_the_best_known_optimum(path, kelvin, rmse, optimum):
    found = ivkit.fit(Sweep(*published.readings(path)))
    assert found.converged
    assert found.flags == ()
    assert found.rmse == pytest.approx(rmse, abs=1e-9)
    il, i0, rs, g, a = found.model.raw
    n_cells = a / (BOLTZMANN * kelvin / CHARGE)
    assert (il, i0, rs, 1 / g, n_cells) == pytest.approx(optimum, rel=1e-4)


def test_ideality_factor_uses_cells_and_temperature():
    voltage, current = published.readings(published.CELL)
    sweep = Sweep(voltage, current, cells=1, condition=Condition(temp_cell=33.0))
    factor = ivkit.fit(sweep).parameters["ideality_factor"]
    # FIT-2 optimum with the older constants; CODATA 2018 moves n by 1e-6.
    assert factor.nominal_value == pytest.approx(1.4772678, rel=1e-4)


def test_covariance_agrees_with_lmfit_on_the_published_cell():
    voltage, current = published.readings(published.CELL)
    found = ivkit.fit(Sweep(voltage, current))
    start = lmfit.Parameters()
    for name, value in zip(("il", "log_i0", "rs", "g", "a"), found.model.raw, strict=True):
        start.add(name, np.log(value) if name == "log_i0" else value)

    def residual(p):
        v = p.valuesdict()
        return (
            solve_current(voltage, v["il"], np.exp(v["log_i0"]), v["rs"], v["g"], v["a"]) - current
        )

    outcome = lmfit.minimize(residual, start, xtol=1e-14, ftol=1e-14)
    assert outcome.chisqr == pytest.approx(np.sum(found.residuals**2), rel=1e-9)
    ours = found.parameters
    pairs = [
        (ours["photocurrent"].std_dev, "il", 1.0),
        (ours["saturation_current"].std_dev, "log_i0", found.model.saturation_current),
        (ours["resistance_series"].std_dev, "rs", 1.0),
        (ours["resistance_shunt"].std_dev, "g", found.model.resistance_shunt**2),
        (ours["nNsVth"].std_dev, "a", 1.0),
    ]
    for u, name, factor in pairs:
        # lmfit differentiates numerically: a percent is what the two can agree to.
        assert u == pytest.approx(outcome.params[name].stderr * factor, rel=0.01), name


PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
VOLTAGE = np.linspace(0.0, 21.5, 30)


def test_a_noise_free_sweep_gives_its_parameters_back():
    fits = ivkit.fit_many([VOLTAGE], [PANEL.current(VOLTAGE)])
    for name in ("photocurrent", "saturation_current", "resistance_series", "resistance_shunt"):
        assert getattr(fits, name)[0] == pytest.approx(getattr(PANEL, name), rel=1e-6), name


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 2**31),
    st.floats(1e-3, 1e3),
    st.floats(1e-3, 1e3),
)
def test_the_fit_does_not_care_about_order_or_units(seed, times_v, times_i):
    rng = np.random.default_rng(seed)
    current = PANEL.current(VOLTAGE) + 1e-3 * rng.standard_normal(30)
    order = rng.permutation(30)
    one = ivkit.fit_many([VOLTAGE], [current])
    other = ivkit.fit_many([times_v * VOLTAGE[order]], [times_i * current[order]])
    assert other.rmse[0] == pytest.approx(times_i * one.rmse[0], rel=1e-7)
    assert other.photocurrent[0] == pytest.approx(times_i * one.photocurrent[0], rel=1e-4)


def test_ragged_sweeps_in_one_batch_are_fitted_as_each_alone():
    rng = np.random.default_rng(5)
    volts = np.full((40, 45), np.nan)
    amperes = np.full((40, 45), np.nan)
    for k in range(40):
        n = 8 + k % 37
        v = np.sort(rng.uniform(0, 21.5, n))
        where = rng.choice(45, n, replace=False)
        volts[k, where] = v
        amperes[k, where] = PANEL.current(v) + 1e-3 * rng.standard_normal(n)
    together = ivkit.fit_many(volts, amperes, 0.01, 1e-3)
    for k in range(40):
        used = np.isfinite(volts[k])
        alone = ivkit.fit_many([volts[k, used]], [amperes[k, used]], 0.01, 1e-3)
        assert together.points[k] == used.sum()
        assert together.cost[k] == pytest.approx(alone.cost[0], rel=1e-8)


def test_the_cost_is_that_of_the_effective_variance():
    # Orear, Am. J. Phys. 50 (1982) 912: residual over sqrt(u(I)^2 + (dI/dV)^2 u(V)^2).
    rng = np.random.default_rng(3)
    current = PANEL.current(VOLTAGE) + 1e-3 * rng.standard_normal(30)
    fits = ivkit.fit_many([VOLTAGE], [current], 0.05, 1e-3)
    model = SingleDiode(*(float(getattr(fits, n)[0]) for n in ivkit.curve.many.PARAMETERS))
    variance = 1e-3**2 + (model.slope(VOLTAGE) * 0.05) ** 2
    cost = np.sum((current - model.current(VOLTAGE)) ** 2 / variance)
    assert fits.cost[0] == pytest.approx(cost, rel=1e-10)


def test_each_result_moves_with_the_readings_as_its_gradient_says():
    rng = np.random.default_rng(8)
    voltage = VOLTAGE + 0.01 * rng.standard_normal(30)
    current = PANEL.current(VOLTAGE) + 5e-4 * rng.standard_normal(30)
    gain = Effect("gain", 1e-4 * voltage, 3e-5 * current)
    base = Sweep(voltage, current, np.full(30, 0.01), np.full(30, 5e-4), (gain,))
    found = ivkit.fit(base)
    moved = Sweep(voltage + gain.dv, current + gain.di, np.full(30, 0.01), np.full(30, 5e-4))
    there = ivkit.fit(moved)
    for name in ("i_sc", "v_oc", "p_mp", "fill_factor", "best_load"):
        quantity = getattr(found.key_points, name)
        (shift,) = [u for x, u in quantity.error_components().items() if x.tag == "gain"]
        change = abs(getattr(there.key_points, name).nominal_value - quantity.nominal_value)
        assert change == pytest.approx(shift, rel=0.05, abs=1e-7), name


def test_a_common_gain_of_both_channels_leaves_the_fill_factor_alone():
    # Isc, Voc and Pmp scale with the reference; their ratio cannot.
    current = PANEL.current(VOLTAGE)
    reference = Effect("converter reference", 0.01 * VOLTAGE, 0.01 * current)
    sweep = Sweep(VOLTAGE, current, np.full(30, 1e-3), np.full(30, 1e-5), (reference,))
    points = ivkit.fit(sweep).key_points
    assert points.p_mp.std_dev / points.p_mp.nominal_value == pytest.approx(0.02, rel=1e-3)
    assert budget(points.p_mp)["converter reference"] > 0.99
    assert budget(points.fill_factor).get("converter reference", 0.0) < 1e-6


def test_sweeps_of_one_front_end_share_its_effects():
    current = PANEL.current(VOLTAGE)
    sweeps = [
        Sweep(
            VOLTAGE,
            k * current,
            np.full(30, 1e-3),
            np.full(30, 1e-5),
            (Effect("shunt", 0 * VOLTAGE, 0.01 * k * current),),
        )
        for k in (1.0, 0.5)
    ]
    one, other = ivkit.fit_each(sweeps)
    ratio = other.key_points.i_sc / one.key_points.i_sc
    assert ratio.std_dev < 1e-4 < one.key_points.i_sc.std_dev / one.key_points.i_sc.nominal_value


def test_the_interval_of_few_readings_is_wider():
    # GUM table G.2: t95 with 19 degrees of freedom is 2.09, with infinitely many 1.96.
    assert coverage_factor(19) == pytest.approx(2.09, abs=0.005)
    assert coverage_factor(np.inf) == pytest.approx(1.96, abs=0.005)


def _flags(voltage, current, **noise):
    fits = ivkit.fit_many([voltage], [current], **noise)
    return fits.flags[0], fits


def test_a_resistor_is_called_a_straight_line():
    flags, fits = _flags(VOLTAGE, 0.03 * VOLTAGE)
    assert "straight_line" in flags
    assert np.isnan(fits.nNsVth[0])


def test_a_noisy_resistor_is_called_a_straight_line():
    noise = 1e-3 * np.random.default_rng(0).standard_normal(30)
    flags, fits = _flags(VOLTAGE, 0.1 - 0.004 * VOLTAGE + noise)
    assert "straight_line" in flags
    assert np.isnan(fits.nNsVth[0])


def test_a_dark_panel_is_called_dark():
    flags, fits = _flags(VOLTAGE, SingleDiode(0.0, 1e-9, 1.0, 900.0, 1.0).current(VOLTAGE))
    assert "no_light" in flags
    assert np.isnan(fits.photocurrent[0])


def test_four_readings_do_not_make_five_parameters():
    flags, fits = _flags(VOLTAGE[:4], PANEL.current(VOLTAGE[:4]))
    assert flags == ("too_few_points",)
    assert np.isnan(fits.rmse[0])


def test_a_sweep_that_stops_early_says_so_and_does_not_tell_voc():
    volts = np.linspace(4.0, 18.8, 25)
    noise = 2e-4 * np.random.default_rng(1).standard_normal(25)
    found = ivkit.fit(Sweep(volts, PANEL.current(volts) + noise))
    assert "open_circuit_not_reached" in found.flags
    assert np.isnan(found.key_points.v_oc.nominal_value)
    assert np.isfinite(found.key_points.p_mp.nominal_value)


def test_noise_beyond_what_was_stated_is_flagged_and_enlarges_the_uncertainty():
    rng = np.random.default_rng(4)
    current = PANEL.current(VOLTAGE) + 5e-3 * rng.standard_normal(30)
    small = np.full(30, 5e-4)
    found = ivkit.fit(Sweep(VOLTAGE, current, np.zeros(30), small))
    assert "noise_larger_than_stated" in found.flags
    honest = ivkit.fit(Sweep(VOLTAGE, current, np.zeros(30), 10 * small))
    ratio = found.key_points.p_mp.std_dev / honest.key_points.p_mp.std_dev
    assert 0.7 < ratio < 1.4


def test_light_that_drifts_leaves_waves_in_the_residuals():
    drift = 1 + 0.03 * np.sin(np.linspace(0, 2 * np.pi, 30))
    flags, _ = _flags(VOLTAGE, PANEL.current(VOLTAGE) * drift)
    assert "residuals_not_random" in flags


@pytest.mark.parametrize(
    ("voltage", "current", "noise", "message"),
    [
        ([1.0, 2.0], [1.0, 2.0], {}, r"voltage has shape \(2,\)"),
        ([[1.0, 2.0]], [[1.0]], {}, "padded with NaN"),
        ([[1.0]], [[1.0]], {"noise_current": -1.0}, "noise of the current is -1"),
        ([[1.0]], [[1.0]], {"noise_current": np.ones((3, 3))}, "noise of the current has shape"),
        (
            [np.arange(9.0)],
            [9.0 - np.arange(9.0) ** 2 / 9],
            {"noise_voltage": 0.1},
            "a noise of the voltage is stated and none of the current",
        ),
    ],
)
def test_arrays_that_make_no_sense_are_refused(voltage, current, noise, message):
    with pytest.raises(SweepError, match=message):
        ivkit.fit_many(voltage, current, **noise)


def test_one_reading_and_no_current_at_all_are_refused():
    with pytest.raises(SweepError, match="1 reading; give at least two"):
        ivkit.fit(Sweep(np.array([1.0]), np.array([1.0])))
    with pytest.raises(SweepError, match="every current is zero"):
        ivkit.fit(Sweep(np.array([1.0, 2.0]), np.zeros(2)))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-1e6, 1e6, allow_nan=False), st.floats(-1e6, 1e6, allow_nan=False)),
        min_size=2,
        max_size=30,
    )
)
def test_any_finite_readings_give_flags_and_no_exception_from_inside(points):
    voltage, current = np.array(points).T
    fits = ivkit.fit_many([voltage], [current])
    told = np.isfinite(fits.nNsVth[0])
    assert told or fits.flags[0]
    if told:
        assert fits.resistance_series[0] >= 0
        assert fits.resistance_shunt[0] > 0
        assert fits.saturation_current[0] >= 0
        assert fits.nNsVth[0] > 0


def test_the_frame_has_one_row_a_sweep_with_units_in_its_names():
    current = PANEL.current(VOLTAGE)
    frame = ivkit.fit_many([VOLTAGE, VOLTAGE], [current, 0.5 * current]).to_frame()
    assert len(frame) == 2
    assert {"photocurrent_A", "resistance_series_ohm", "pmp_W", "flags"} <= set(frame.columns)
    assert frame["isc_A"][1] == pytest.approx(0.5 * frame["isc_A"][0], rel=1e-3)
