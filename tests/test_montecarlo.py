"""Monte Carlo refits against closed forms, a plain refit loop, and the linear result."""

import lmfit
import numpy as np
import pytest

import ivkit
from ivkit.curve.diode import SingleDiode, solve_current
from ivkit.curve.montecarlo import RESULTS, run_trials, shortest_interval
from ivkit.errors import RangeError, SweepError
from ivkit.readings.sweep import Effect, Sweep
from tests import published

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
VOLTAGE = np.linspace(0.0, 21.5, 30)


def _sweep(**changes):
    current = PANEL.current(VOLTAGE) + 5e-4 * np.random.default_rng(1).standard_normal(30)
    sound = {"noise_voltage": np.full(30, 5e-3), "noise_current": np.full(30, 5e-4)}
    return Sweep(VOLTAGE, current, **sound | changes)


def test_the_shortest_interval_of_a_skew_distribution_starts_at_its_end():
    # Exponential: the density falls, so the shortest 95 % runs from 0 to -ln 0.05 = 2.9957.
    low, high = shortest_interval(-np.log1p(-(np.arange(200_000) + 0.5) / 200_000))
    assert low == pytest.approx(0.0, abs=1e-4)
    assert high == pytest.approx(-np.log(0.05), rel=1e-3)


def test_the_shortest_interval_of_a_normal_distribution_is_196_sigma():
    values = np.random.default_rng(0).standard_normal(400_000)
    low, high = shortest_interval(values)
    assert high - low == pytest.approx(2 * 1.959964, rel=0.01)


def test_where_everything_is_nearly_linear_both_results_agree():
    fit = ivkit.fit(_sweep())
    drawn = run_trials(fit, 20_000)
    for name in ("i_sc", "v_oc", "p_mp", "fill_factor", "best_load"):
        linear = getattr(fit.key_points, name)
        spread = drawn.results[name]
        # The standard deviation of 20,000 draws is known to 0.5 %; what is not linear adds some.
        assert spread.u == pytest.approx(linear.std_dev, rel=0.03), name
        assert spread.mean == pytest.approx(linear.nominal_value, abs=0.2 * linear.std_dev), name
    assert drawn.failed == 0


def test_draws_are_those_of_a_plain_loop_through_lmfit():
    voltage, current = published.readings(published.CELL)
    u = 7.7e-4
    sweep = Sweep(voltage, current, np.zeros(26), np.full(26, u))
    fit = ivkit.fit(sweep)
    drawn = run_trials(fit, 4000, seed=3)
    rng = np.random.default_rng(11)
    start = lmfit.Parameters()
    for name, value in zip(("il", "log_i0", "rs", "g", "a"), fit.model.raw, strict=True):
        start.add(name, np.log(value) if name == "log_i0" else value)
    slow = []
    for _ in range(150):
        noisy = current + u * rng.standard_normal(26)

        def residual(p, noisy=noisy):
            q = p.valuesdict()
            i0 = np.exp(q["log_i0"])
            return solve_current(voltage, q["il"], i0, q["rs"], q["g"], q["a"]) - noisy

        found = lmfit.minimize(residual, start).params.valuesdict()
        slow.append((found["il"], found["rs"], found["a"]))
    slow = np.array(slow)
    for k, name in enumerate(("photocurrent", "resistance_series", "nNsVth")):
        spread = drawn.results[name]
        # 150 draws: the mean is known to u/12, the standard deviation to 6 %; three times that.
        assert spread.mean == pytest.approx(slow[:, k].mean(), abs=spread.u / 4)
        assert spread.u == pytest.approx(slow[:, k].std(ddof=1), rel=0.18)


def test_a_shared_effect_moves_all_readings_of_a_draw_together():
    # A current that is wholly uncertain by 1 % makes Isc and Pmp so, and leaves FF alone.
    current = PANEL.current(VOLTAGE)
    shunt = Effect("shunt", 0 * VOLTAGE, 0.01 * current)
    sweep = Sweep(VOLTAGE, current, np.full(30, 1e-6), np.full(30, 1e-7), (shunt,))
    drawn = run_trials(ivkit.fit(sweep), 5000)
    k_sc, k_mp = RESULTS.index("i_sc"), RESULTS.index("p_mp")
    assert drawn.results["i_sc"].u == pytest.approx(0.01 * PANEL.current(0.0), rel=0.05)
    assert np.corrcoef(drawn.values[:, k_sc], drawn.values[:, k_mp])[0, 1] > 0.9999
    assert drawn.results["fill_factor"].u < 1e-4


def test_noise_found_from_few_residuals_gives_wider_intervals():
    # Student's t with 4 degrees of freedom is 2.78 / 1.96 = 1.42 times as wide as the normal
    # distribution at 95 % (GUM table G.2), against a stated noise of the same size.
    v = np.append(VOLTAGE[::4], VOLTAGE[-2])
    current = PANEL.current(v) + 1e-4 * np.random.default_rng(2).standard_normal(9)
    fit = ivkit.fit(Sweep(v, current))
    assert fit.freedom in (4, 5)
    drawn = run_trials(fit, 4000)
    stated = Sweep(v, current, np.zeros(9), fit.noise_current)
    sharp = run_trials(ivkit.fit(stated), 4000)
    wide = drawn.results["i_sc"].high - drawn.results["i_sc"].low
    ratio = wide / (sharp.results["i_sc"].high - sharp.results["i_sc"].low)
    assert 1.25 < ratio < 1.6


def test_the_seed_decides_and_the_number_of_threads_does_not():
    fit = ivkit.fit(_sweep())
    one = run_trials(fit, 5000, seed=7)
    two = run_trials(fit, 5000, seed=7, workers=2)
    other = run_trials(fit, 5000, seed=8)
    np.testing.assert_array_equal(one.values, two.values)
    assert not np.array_equal(one.values, other.values)


def test_progress_adds_up_to_the_number_of_trials():
    steps = []
    run_trials(ivkit.fit(_sweep()), 5000, progress=steps.append)
    assert sum(steps) == 5000


def test_what_cannot_be_drawn_is_refused():
    fit = ivkit.fit(_sweep())
    with pytest.raises(RangeError, match="50 trials do not show a 95 % interval"):
        run_trials(fit, 50)
    resistor = ivkit.fit(Sweep(VOLTAGE, 0.03 * VOLTAGE))
    with pytest.raises(SweepError, match="no curve was fitted"):
        run_trials(resistor, 1000)
    bare = ivkit.fit(Sweep(VOLTAGE[::7], PANEL.current(VOLTAGE[::7])))
    with pytest.raises(SweepError, match=r"noise of the readings is not known|no curve"):
        run_trials(bare, 1000)
