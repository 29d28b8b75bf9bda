"""Limits for what a sweep does not resolve, against the truth and against lmfit's own profile."""

import lmfit
import numpy as np

import ivkit
from ivkit.curve.diode import SingleDiode, solve_current
from ivkit.readings.sweep import Sweep

# A small panel indoors: a few milliamperes, where 1.5 ohm and 200 kohm leave no trace.
INDOORS = SingleDiode(4e-3, 2e-9, 1.5, 2e5, 0.40)
VOLTAGE = np.linspace(0.0, 5.7, 25)
U_I = 2e-5


def _sweep(seed):
    noise = U_I * np.random.default_rng(seed).standard_normal(25)
    current = INDOORS.current(VOLTAGE) + noise
    return Sweep(VOLTAGE, current, np.zeros(25), np.full(25, U_I))


def test_the_limit_holds_the_truth_in_about_95_of_100():
    held_rs = held_rsh = told_rs = told_rsh = 0
    for seed in range(120):
        limits = ivkit.fit(_sweep(seed)).limits
        if "resistance_series" in limits:
            told_rs += 1
            held_rs += limits["resistance_series"] >= INDOORS.resistance_series
        if "resistance_shunt" in limits:
            told_rsh += 1
            held_rsh += limits["resistance_shunt"] <= INDOORS.resistance_shunt
    assert told_rs > 60
    assert told_rsh > 60
    # 95 % one-sided, 120 tries: 2 % standard deviation of the share. A bound near the truth
    # makes the limit hold more often than that, never less.
    assert held_rs / told_rs > 0.89
    assert held_rsh / told_rsh > 0.89


def test_the_limit_is_where_lmfit_finds_the_cost_risen_by_the_factor_squared():
    sweep = _sweep(3)
    fit = ivkit.fit(sweep)
    limit = fit.limits["resistance_series"]

    def cost(rs):
        start = lmfit.Parameters()
        il, i0, _, g, a = fit.model.raw
        for name, value, low in (
            ("il", il, -np.inf),
            ("log_i0", np.log(i0), -np.inf),
            ("g", g, 0.0),
            ("a", a, 0.0),
        ):
            start.add(name, max(value, low + 1e-12) if low == 0 else value, min=low)

        def residual(p):
            q = p.valuesdict()
            model = solve_current(VOLTAGE, q["il"], np.exp(q["log_i0"]), rs, q["g"], q["a"])
            return (model - sweep.current) / U_I

        return lmfit.minimize(residual, start).chisqr

    # One-sided 95 %: 1.645 standard deviations. The reference search stops at about 1e-3.
    rise = cost(limit) - cost(fit.model.resistance_series)
    assert abs(rise - 1.645**2) < 0.15


def test_a_resolved_resistance_has_no_limit():
    panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    v = np.linspace(0.0, 21.5, 40)
    noise = 1e-4 * np.random.default_rng(0).standard_normal(40)
    fit = ivkit.fit(Sweep(v, panel.current(v) + noise))
    assert fit.limits == {}
    assert fit.parameters["resistance_series"].std_dev < 0.2
