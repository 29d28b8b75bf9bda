"""What should be read, and how sure that is: one answer for every command, and the right one.

Values and sensitivities are held against the single-diode equation in mpmath, distributions
against a Monte Carlo of the same scene (JCGM 101:2008).
"""

import math
from functools import lru_cache
from pathlib import Path

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

import ivkit
from ivkit.light.glass import Glass
from ivkit.light.lamp_shape import Beam, Disc, Point
from ivkit.light.panel_face import PanelFace
from ivkit.light.strength import Strength
from ivkit.panel.conditions import BOLTZMANN_EV, ReferencePanel
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import TECHNOLOGY
from ivkit.predict.compare import compare, each_reading
from ivkit.predict.facing import DISTANCE, Facing
from ivkit.predict.near import lamp_over
from ivkit.predict.of_sweep import panel_of_sweep
from ivkit.predict.off import Off
from ivkit.predict.prediction import BOTH, CURRENT, POWER, VOLTAGE, predict
from ivkit.predict.readings import Readings
from ivkit.predict.scene import At, Mount, Scene, Warmth
from ivkit.predict.under_lamp import under_lamp
from ivkit.readings.live_line import LiveReading
from ivkit.readings.terminals import at_terminals
from ivkit.verdict.live import LiveJudge, Stated

EXAMPLES = Path(__file__).parents[1] / "examples"
FIGURES = {"cells": 36, "area_cm2": 810, "isc_A": 0.63, "voc_V": 21.8, "imp_A": 0.57}
SHEET = make_datasheet(SheetFile(**FIGURES, vmp_V=17.6))
JETTY = panel_of_sweep(
    ivkit.fit(ivkit.read_sweep(EXAMPLES / "jetty_sweep.csv", bench=EXAMPLES / "jetty.toml"))
)
FACE = PanelFace(0.285, 0.285, 6, 6)


@st.composite
def scenes(draw, near=False):
    """Draw a panel by its datasheet or its sweep, in the sun or near a lamp."""
    panel = draw(st.sampled_from([SHEET, JETTY.panel]))
    light = 10.0 ** draw(st.floats(math.log10(5.0), math.log10(1100.0)))
    u = draw(st.floats(0.005, 0.1))
    if near or draw(st.booleans()):
        strength = Strength("cell", ufloat(light, u * light, "known cell"), "W_m2")
        shape = draw(st.sampled_from([Point(), Disc(0.05), Beam(60.0)]))
        distance = ufloat(draw(st.floats(0.3, 2.0)), 0.005, DISTANCE)
        face = draw(st.sampled_from([None, FACE]))
        lit, _ = lamp_over(panel, strength, shape, distance, face)
    elif panel is JETTY.panel and draw(st.booleans()):
        lit = JETTY.same_light(draw(st.floats(0.05, 1.2)), u)
    else:
        lit = Facing.of(light, u * light)
    warm = Warmth(draw(st.floats(5.0, 60.0)), draw(st.floats(0.5, 8.0)))
    if panel is JETTY.panel and draw(st.booleans()):
        warm = JETTY.same_warmth()
    return Scene(panel, lit, warm, Mount(draw(st.floats(0.0, 2.0))))


def loads():
    """Draw a resistor, from far below to far above the knee."""
    return st.floats(math.log(2.0), math.log(20e3)).map(math.exp)


@settings(max_examples=25, deadline=None)
@given(scenes(), loads(), st.floats(-75.0, 75.0), st.sampled_from([POWER, VOLTAGE, CURRENT, BOTH]))
def test_watch_expects_what_predict_says(scene, load, angle, what):
    at = At.of(load=load, angle=angle)
    values = predict(scene, at, given=what)
    read = {"voltage": values.voltage[0] * 1.01, "current": values.current[0] * 0.99}
    line = {POWER: {"power": values.power[0]}, BOTH: read}.get(what, {what: read.get(what)})
    found = at_terminals([LiveReading(1, line)], load)
    stated = Stated(scene, True, angle=angle, u_reading=0.02, u_load=0.03)
    (one,) = LiveJudge(stated).judge(found)
    if one.why == "it is dark":
        return
    held = read["voltage"] / read["current"] if what == BOTH else load
    u_load = 0.0 if what == BOTH else 0.03  # V/I is no stated load
    right = predict(scene, At.of(load=held, angle=angle, u_load=u_load), given=what)["power"]
    assert one.predicted == pytest.approx(right.value[0], rel=1e-9)
    assert one.u_predicted == pytest.approx(right.u[0], rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(scenes(near=True), loads(), st.floats(-60.0, 60.0), st.floats(0.5, 2.0))
def test_lamp_expects_what_predict_and_compare_say(scene, load, tilt, times):
    metres = scene.light.distance_m.nominal_value * times
    found = under_lamp(scene, tilt, (load,), 0.03, (metres,))
    at = At.of(load=[np.nan, load], angle=tilt, u_load=0.03)
    right = predict(scene, at, ends=True)
    for name in ("power", "v_oc", "i_sc", "p_mp"):
        assert found.expected[name].value == pytest.approx(right[name].value, rel=1e-9)
        assert found.expected[name].u == pytest.approx(right[name].u, rel=1e-9)
    readings = Readings.of(power=0.5, load=load, angle=tilt, u_load=0.03)
    judged = compare(scene, readings).each
    powers = predict(scene, at.select([1]), given=POWER)["power"]
    assert judged.predicted == pytest.approx(powers.value, rel=1e-9)
    assert judged.u_predicted == pytest.approx(powers.u, rel=1e-9)
    fixed = Scene(scene.panel, scene.light.fixed(tilt), scene.temp_cell, scene.mount)
    far = At.of(load=[np.nan, load], angle=tilt, distance=metres, u_load=0.03)
    there = predict(fixed, far)
    assert found.distances.power == pytest.approx(there.power, rel=1e-9)
    assert found.distances["power"].u == pytest.approx(there["power"].u, rel=1e-9)


# Against the equation itself


class Exact:
    """A panel known exactly, as far as a scene asks."""

    strings, bypass_groups, name, cells, kind = 1, 0, "exact", 36, TECHNOLOGY["c-Si"]
    area_m2, sources, iam = None, {}, Glass(0.16, 0.0, u_a_r=0.01, u_g=0.0)
    _panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)

    def panel(self, shifts=None):
        return self._panel

    @property
    def varied(self):
        return self._panel.each(lambda value: value[None])


def power_by_mpmath(light, celsius, load, angle=0.0, stray=0.0, a_r=0.16):
    """Return the power into a load, W: De Soto et al. (2006), Martin and Ruiz (2001)."""
    with mp.workdps(40):
        light, load, angle, stray, a_r = map(mp.mpf, (light, load, angle, stray, a_r))
        cosine = mp.cos(abs(angle) * mp.pi / 180)
        glass = (1 - mp.exp(-cosine / a_r)) / (1 - mp.exp(-1 / a_r))
        s = light * ((1 - stray) * cosine * glass + stray) / 1000
        t, t_ref = mp.mpf(celsius) + mp.mpf("273.15"), mp.mpf("298.15")
        gap_ref = mp.mpf(1.121)
        gap = gap_ref * (1 + mp.mpf(-0.0002677) * (t - t_ref))
        il = s * (mp.mpf(0.62) + mp.mpf(0.0003) * (t - t_ref))
        i0 = mp.mpf(3.7e-10) * (t / t_ref) ** 3
        i0 *= mp.exp((gap_ref / t_ref - gap / t) / mp.mpf(BOLTZMANN_EV))
        a, rs, g = mp.mpf(1.0175) * t / t_ref, mp.mpf(1.2), s / 900

        def lacks(i):
            u = i * (load + rs)
            return il - i0 * mp.expm1(u / a) - u * g - i

        low, high = mp.mpf(0), il
        for _ in range(140):
            middle = (low + high) / 2
            low, high = (middle, high) if lacks(middle) > 0 else (low, middle)
        return low**2 * load


@settings(max_examples=20, deadline=None)
@given(
    st.floats(150.0, 1100.0),
    st.floats(5.0, 60.0),
    loads(),
    st.floats(0.0, 50.0),
    st.floats(0.005, 0.05),
)
def test_values_and_sensitivities_are_those_of_the_equation(light, celsius, load, angle, u):
    """Light above 100 W/m2 behind the glass, where the shunt goes as one over the light."""
    scene = Scene(
        Exact(), Facing.of(light, u * light), Warmth(celsius, 3.0), Mount(1.0, 0.02, 0.01)
    )
    at = At.of(load=load, angle=angle, u_load=0.03)
    found = predict(scene, at, given=POWER)["power"]
    here = {"light": light, "celsius": celsius, "load": load, "angle": angle, "stray": 0.02}
    steps = {
        "irradiance": ("light", u * light),
        "cell temperature": ("celsius", 3.0),
        "zero of the angle": ("angle", 1.0),
        "stray light": ("stray", 0.01),
        "glass: angular loss": ("a_r", 0.01),
    }
    here["a_r"] = 0.16
    middle = power_by_mpmath(**here)
    bends = 0.0

    def sides(key, step):
        up, down = (power_by_mpmath(**{**here, key: here[key] + s * step}) for s in (1, -1))
        return float((up - down) / 2), float(up + down - 2 * middle)

    assert set(steps) == set(scene.names)
    for name, (key, step) in steps.items():
        if key == "angle" and angle < 1.0:
            continue  # the glass has a kink where the angle changes its sign
        move, bend = sides(key, step)
        k = scene.names.index(name)
        assert found.moves[k, 0] == pytest.approx(move, rel=1e-6, abs=1e-9 * float(middle)), name
        assert found.bends[k, 0] == pytest.approx(bend, rel=1e-5, abs=1e-8 * float(middle)), name
    move, bend = sides("load", 0.03 * load)
    assert found.load_move[0] == pytest.approx(move, rel=1e-6, abs=1e-9 * float(middle))
    bends = np.sum(found.bends) + found.load_bend[0]
    if abs(bends) < 0.9 * float(middle):  # beyond, the correction of the mean is held back
        assert found.value[0] == pytest.approx(float(middle) + 0.5 * bends, rel=1e-9)


def test_uncertainty_is_the_sum_of_squares():
    """JCGM 100:2008, 5.1.2 and its note: sum of c^2 u^2 and half of the squared curvature."""
    scene = Scene(SHEET, Facing.of(300.0, 30.0), Warmth(30.0, 5.0))
    one = predict(scene, At.of(load=60.0, u_load=0.05))["power"]
    square = np.sum(one.moves**2 + 0.5 * one.bends**2) + one.load_move**2 + 0.5 * one.load_bend**2
    assert one.u**2 == pytest.approx(square)
    number = predict(scene, At.of(load=60.0, u_load=0.05)).number("power")
    assert number.std_dev == pytest.approx(one.u[0])


# Against a Monte Carlo of the same scene


@lru_cache
def drawn(case, count, seed):
    """Return the powers of many draws of all inputs, W, JCGM 101:2008, clause 7."""
    scene, load, angle = CASES[case]
    rng = np.random.default_rng(seed)
    moved = Off(scene.names, rng.standard_normal((count, len(scene.names))))
    rows = scene.solve(At.of(load=load, angle=angle), moved)
    return (rows["voltage"] * rows["current"])[:, 0]


LAMP, _ = lamp_over(
    SHEET, Strength("cell", ufloat(140.0, 7.0, "known cell"), "W_m2"), Point(), 0.5, FACE
)
CASES = {
    "sun below the knee": (Scene(SHEET, Facing.of(800.0, 40.0), Warmth(45.0, 2.0)), 15.0, 0.0),
    "sun at the knee": (Scene(SHEET, Facing.of(300.0, 15.0), Warmth(35.0, 2.0)), 95.0, 30.0),
    "low irradiance": (Scene(SHEET, Facing.of(50.0, 1.5), Warmth(20.0, 1.0)), 500.0, 0.0),
    "by its sweep": (
        Scene(JETTY.panel, JETTY.same_light(0.5, 0.03), JETTY.same_warmth()),
        30.0,
        45.0,
    ),
    "near a lamp": (Scene(SHEET, LAMP, Warmth(30.0, 2.0)), 150.0, 20.0),
}


@pytest.mark.parametrize("case", CASES)
def test_mean_and_uncertainty_are_those_of_a_monte_carlo(case):
    scene, load, angle = CASES[case]
    at, count = At.of(load=load, angle=angle), 4000
    powers = drawn(case, count, 3)
    one = predict(scene, at)["power"]
    u = one.u[0]
    # Of count draws: the mean is uncertain by u/sqrt(count), the standard deviation by
    # u/sqrt(2 count); three of these, and a twentieth of u for what a second order leaves out.
    assert abs(np.mean(powers) - one.value[0]) < 3.0 * u / math.sqrt(count) + 0.05 * u
    assert abs(np.std(powers) - u) < 3.0 * u / math.sqrt(2 * count) + 0.05 * u


@pytest.mark.parametrize("case", ["sun at the knee", "sun below the knee"])
@pytest.mark.parametrize("deviate", [-2.0, 2.0])
def test_e_n_at_its_limit_is_the_quantile_of_the_monte_carlo(case, deviate):
    """|E_n| = 1 is the 2.3 % and 97.7 % quantile of prediction less reading, JCGM 101, 7.7."""
    scene, load, angle = CASES[case]
    at, count, part = At.of(load=load, angle=angle), 10_000, 0.01
    value = predict(scene, at)["power"].value[0]
    noise = part * value * np.random.default_rng(7).standard_normal(count)
    apart = drawn(case, count, 5) + noise
    reading = np.quantile(apart, norm.cdf(deviate))
    given_ = Readings.of(power=reading, load=load, angle=angle, u=part, u_load=0.0)
    found = each_reading(scene, given_).en[0]
    # Of the quantile of count draws: sqrt(p (1 - p)/count)/pdf; half of it for E_n = deviate/2.
    p = norm.cdf(deviate)
    of_draws = 0.5 * math.sqrt(p * (1 - p) / count) / norm.pdf(deviate)
    assert found == pytest.approx(deviate / 2, abs=3 * of_draws + 0.05)


def test_many_skew_readings_at_once_are_judged_as_one_by_one():
    scene, _, _ = CASES["sun at the knee"]
    load = np.geomspace(40.0, 400.0, 30)
    powers = predict(scene, At.of(load=load)).power * np.linspace(0.85, 1.15, 30)
    together = each_reading(scene, Readings.of(power=powers, load=load))
    for k in range(30):
        one = each_reading(scene, Readings.of(power=powers[k], load=load[k]))
        assert together.en[k] == pytest.approx(one.en[0], rel=1e-9)
        assert together.words[k] == one.words[0]
