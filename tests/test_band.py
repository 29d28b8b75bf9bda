"""The uncertainty band of a fitted curve against refits with moved readings."""

import numpy as np
import pytest

import ivkit
from ivkit.curve.diode import SingleDiode
from ivkit.readings.sweep import Effect, Sweep

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
VOLTAGE = np.linspace(0.0, 21.5, 30)


def test_the_band_of_noise_is_what_refits_scatter_by():
    rng = np.random.default_rng(5)
    current = PANEL.current(VOLTAGE)
    u_v, u_i = 0.01, 1e-3
    fit = ivkit.fit(Sweep(VOLTAGE, current, np.full(30, u_v), np.full(30, u_i)))
    shape = (2000, 30)
    fits = ivkit.fit_many(
        VOLTAGE + u_v * rng.standard_normal(shape),
        current + u_i * rng.standard_normal(shape),
        u_v,
        u_i,
    )
    names = (
        "photocurrent",
        "saturation_current",
        "resistance_series",
        "resistance_shunt",
        "nNsVth",
    )
    model = SingleDiode(*(getattr(fits, name)[:, None] for name in names))
    at = np.array([0.0, 9.0, 16.0, 18.0, 20.5])
    # 2000 refits tell a standard deviation to 1.6 %; what is not linear adds a little.
    assert fit.u_current(at) == pytest.approx(np.std(model.current(at), axis=0), rel=0.08)


def test_an_effect_moves_the_whole_band_together():
    current = PANEL.current(VOLTAGE)
    shunt = Effect("shunt", 0 * VOLTAGE, 0.02 * current)
    fit = ivkit.fit(Sweep(VOLTAGE, current, np.full(30, 1e-6), np.full(30, 1e-8), (shunt,)))
    at = np.array([0.0, 10.0, 18.0])
    assert fit.u_current(at) == pytest.approx(0.02 * PANEL.current(at), rel=1e-3)


def test_without_a_curve_there_is_no_band():
    assert np.all(np.isnan(ivkit.fit(Sweep(VOLTAGE, 0.1 * VOLTAGE)).u_current(VOLTAGE)))
