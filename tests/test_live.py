"""The verdict on each reading of a logger, against pvlib, closed forms and simulated benches."""

import math

import numpy as np
import pytest
from pvlib.iam import martin_ruiz
from pvlib.pvsystem import i_from_v
from scipy.optimize import brentq

import ivkit
from ivkit.bench import Bench, Converter, CurrentChannel, FrontEnd, Loads, VoltageChannel
from ivkit.curve.diode import SingleDiode
from ivkit.errors import SweepError
from ivkit.light.glass import Glass
from ivkit.light.incidence import no_glass
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.technology import TECHNOLOGY
from ivkit.predict.facing import Facing
from ivkit.predict.light_of import LightOf
from ivkit.predict.of_sweep import panel_of_sweep
from ivkit.predict.prediction import predict
from ivkit.predict.scene import At, Mount, Scene, Warmth
from ivkit.readings.columns import converter_noise
from ivkit.readings.front_end import at_panel
from ivkit.readings.live_line import LiveReading
from ivkit.readings.simulated import draw_hidden, load_at_panel, write_readings
from ivkit.readings.sweep import Condition, Sweep
from ivkit.readings.terminals import at_terminals
from ivkit.verdict.live import LiveJudge, Stated
from tests.experiments import SUN

# An invented 10 W panel of 36 cells at 1000 W/m2 and 25 degC.
PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)


class Sheet:
    """A panel known exactly, as far as a scene asks."""

    strings, bypass_groups, name, cells, kind = 1, 0, "flat", 36, TECHNOLOGY["c-Si"]

    def __init__(self, panel=PANEL, iam=no_glass, area_m2=None):
        self._panel, self.iam, self.area_m2, self.sources = panel, iam, area_m2, {}

    def panel(self, shifts=None):
        return self._panel

    @property
    def varied(self):
        return self._panel.each(lambda value: value[None])


def in_light(sheet, irradiance=1000.0, u=0.0, u_angle=0.0, celsius=25.0):
    """Return a scene whose light is uncertain by a fraction ``u``, and nothing else."""
    light = Facing.of(irradiance, u * irradiance)
    return Scene(sheet, light, Warmth(celsius, 0.0), Mount(u_angle, 0.0, 0.0))


def judged(scene, load_ohm=None, angle=None, bench=None, values=None, **stated):
    """Return one reading's verdict; what is not ``stated`` here is exact, or in the line."""
    names = ("power", "voltage", "current", "irradiance", "illuminance", "temperature")
    read = (values or {}) | {name: stated.pop(name) for name in names if name in stated}
    found = at_terminals([LiveReading(1, read)], load_ohm, bench)
    assert found.trouble == ("",)
    told = {"lit": scene is not None, "u_reading": 0.02} | stated
    (one,) = LiveJudge(Stated(scene, angle=angle, **told)).judge(found)
    return one


def by_pvlib(part, load):
    """Return the power of PANEL on a load, in a ``part`` of 1000 W/m2 at 25 degC, by pvlib."""
    parameters = (0.62 * part, 3.7e-10, 1.2, 900.0 / part, 1.0175)

    def gap(v):
        return float(i_from_v(v, *parameters, method="lambertw")) - v / load

    v = brentq(gap, 0.0, 25.0, xtol=1e-12)
    return v * v / load


@pytest.mark.parametrize("load", [5.0, 30.0, 500.0])
@pytest.mark.parametrize("angle", [0.0, 35.0, -60.0])
def test_the_prediction_is_pvlibs(load, angle):
    """Light above 100 W/m2, where De Soto's law of the shunt is not changed."""
    part = 0.8 * math.cos(math.radians(angle)) * float(martin_ruiz(angle, a_r=0.16))
    scene = in_light(Sheet(iam=Glass(0.16, 0.0, u_a_r=0.0, u_g=0.0)), 800.0)
    one = judged(scene, load, angle, power=0.1)
    assert one.predicted == pytest.approx(by_pvlib(part, load), rel=1e-8)


@pytest.mark.parametrize("load", [5.0, 30.0])
def test_the_light_is_found_from_the_power(load):
    shown = LightOf(in_light(Sheet(), 600.0), 1.0, 2000.0)
    for part in (0.15, 0.43, 1.1):
        found = shown(by_pvlib(part, load), load, 25.0)
        assert found == pytest.approx(1000.0 * part, rel=2e-3)


def test_where_the_power_hardly_tells_no_light_is_claimed():
    """Far above the knee the voltage is that of open circuit in any light."""
    shown = LightOf(in_light(Sheet()), 1.0, 2000.0)
    assert shown(by_pvlib(1.0, 20e3), 20e3, 25.0) is None
    for power in (0.0, -1.0, math.nan, 1e6):
        assert shown(power, 30.0, 25.0) is None


def test_light_that_nobody_states_is_not_assumed():
    one = judged(in_light(Sheet()), 30.0, 0.0, power=5.0, lit=False)
    assert one.verdict == "undetermined"
    assert "light not stated" in one.why
    assert math.isnan(one.predicted)


# A source of constant current: no diode, no shunt. Then P = I^2 R exactly.
FLAT = Sheet(ReferencePanel(0.5, 1e-30, 0.0, np.inf, 1.0, alpha_sc=0.0, cells=36))


def test_uncertainties_are_those_of_the_closed_form():
    """P = I^2 R with I in proportion to the light: GUM (JCGM 100:2008) 5.1.2."""
    one = judged(in_light(FLAT, u=0.03), 10.0, 0.0, power=2.5)
    # Of the square of a normal variable: mean 1 + u^2, variance 4 u^2 + 2 u^4.
    assert one.predicted == pytest.approx(2.5 * (1 + 0.03**2))
    assert one.u_predicted == pytest.approx(2.5 * math.sqrt(4 * 0.03**2 + 2 * 0.03**4))
    # A power that was read moves with R itself, one worked out of V alone as the prediction of it.
    known, u = in_light(FLAT), {"u_load": 0.01}
    assert judged(known, 10.0, 0.0, power=2.5, **u).u_predicted == pytest.approx(0.025, rel=1e-3)
    assert judged(known, 10.0, 0.0, voltage=5.0, **u).u_predicted == pytest.approx(0.050, rel=1e-3)
    assert judged(known, 10.0, 0.0, current=0.5, **u).u_predicted == pytest.approx(0.0, abs=1e-9)
    # V/I is no stated load.
    both = judged(known, None, 0.0, voltage=5.0, current=0.5, **u)
    assert both.u_predicted == pytest.approx(0.0)


def test_an_angle_is_uncertain_as_its_cosine():
    """d ln(cos^2) = 2 tan(angle) d(angle)."""
    one = judged(in_light(FLAT, u_angle=0.5), 10.0, 50.0, power=1.0)
    expected = 2 * math.tan(math.radians(50)) * math.radians(0.5)
    assert one.u_predicted / one.predicted == pytest.approx(expected, rel=1e-3)


def test_a_voltage_that_is_off_does_not_tell_below_the_knee():
    """V/I and V I are then off alike, and P = I^2 R holds for both: only I counts, twice."""
    scene = in_light(FLAT)
    one = judged(scene, None, 0.0, voltage=5.0, current=0.5 * 1.02, u_reading=0.01)
    # D = V I - I0^2 V/I, dD = (V I + I0^2 V/I) d ln I: E_n = D / (2 * 0.01 (V I + I0^2 V/I)).
    expected = (1.02 - 1 / 1.02) / (0.02 * (1.02 + 1 / 1.02))
    assert one.en == pytest.approx(expected, rel=1e-3)
    twice = judged(scene, None, 0.0, voltage=10.0, current=0.5)
    assert twice.en == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("power", "angle", "verdict", "why"),
    [
        (2.5, 0.0, "plausible", ""),
        (3.5, 0.0, "too high", ""),
        (1.5, 0.0, "too low", ""),
        (2.5, None, "plausible", ""),
        (3.5, None, "too high", ""),
        (1.5, None, "undetermined", "turned away"),
        (900.0, 0.0, "impossible", "power is 900 W, and nothing gives"),
        (1.0, 120.0, "undetermined", "behind"),
        (1e-6, 90.0, "undetermined", "behind"),
    ],
)
def test_the_word_of_the_verdict(power, angle, verdict, why):
    sheet = Sheet(FLAT.panel(), area_m2=0.08)
    one = judged(in_light(sheet), 10.0, angle, power=power)
    assert one.verdict == verdict
    assert why in one.why
    assert bool(one.why) == bool(why)


def test_a_prediction_that_is_too_wide_tells_nothing():
    one = judged(in_light(FLAT, u=0.25), 10.0, 0.0, power=2.4)
    assert (one.verdict, one.why[:17]) == ("undetermined", "the prediction is")


def test_what_is_missing_is_named():
    flat = in_light(FLAT)
    assert "no panel" in judged(None, 10.0, power=1.0).why
    assert "load not stated" in judged(flat, None, power=1.0).why
    assert "dark" in judged(in_light(FLAT, 0.5), 10.0, power=1e-6).why
    assert "open or short" in judged(flat, math.inf, power=0.0).why


def test_v_over_i_against_the_stated_load_is_inconsistent_beyond_both_uncertainties():
    """E_n of the ratio, ISO 13528: u of V/I is sqrt(2) times that of each (JCGM 100, 5.1.6)."""
    read = {"voltage": 5.0, "current": 0.5, "u_reading": 0.01, "u_load": 0.03}
    one = judged(in_light(FLAT), 20.0, 0.0, **read)
    assert (one.verdict, one.why) == ("inconsistent", "V/I is 10 ohm, stated are 20")
    u = math.sqrt(2 * 0.01**2 + 0.03**2)
    assert one.en_load == pytest.approx(math.log(10 / 20) / (2 * u))
    near = judged(in_light(FLAT), 10.0 * math.exp(1.9 * u), 0.0, **read)
    assert near.verdict == "plausible"
    assert judged(in_light(FLAT), 10.0 * math.exp(2.1 * u), 0.0, **read).verdict == "inconsistent"


def test_a_wiring_error_that_the_front_end_may_have_is_not_inconsistent():
    """A shunt of 5 % tolerance: V/I is off by 4 %, and a load of 0.1 % does not contradict it."""
    bench = bench_of()
    reading = LiveReading(1, {"voltage_code": 500.0, "current_code": 250.0})
    found = at_terminals([reading], 39.98 * 1.04, bench)
    shunt = Bench(
        front_end=FrontEnd(
            divider_at="panel",
            readings="codes",
            voltage=bench.front_end.voltage,
            current=CurrentChannel(shunt_ohm=0.1, gain=20.0, shunt_tolerance_pct=5.0),
            converter=bench.front_end.converter,
        )
    )
    stated = Stated(in_light(FLAT, 500.0), lit=True, angle=0.0, u_reading=0.01, u_load=1e-3)
    (sharp,) = LiveJudge(stated).judge(found)
    (wide,) = LiveJudge(stated).judge(at_terminals([reading], 39.98 * 1.04, shunt))
    # Rectangular: u is 5 %/sqrt(3) (JCGM 100:2008, 4.3.7); the digits add little.
    assert abs(sharp.en_load) > 1
    assert wide.en_load == pytest.approx(-math.log(1.04) / (2 * 0.05 / 3**0.5), rel=0.1)


def test_maximum_power_needs_no_load():
    """Pmp by pvlib."""
    from pvlib.pvsystem import singlediode

    expected = singlediode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)["p_mp"]
    one = judged(in_light(Sheet()), None, 0.0, power=expected, max_power=True)
    assert one.predicted == pytest.approx(expected, rel=1e-6)
    assert one.verdict == "plausible"


def test_a_column_of_light_or_temperature_goes_before_what_is_stated():
    flat = in_light(FLAT)
    half = judged(flat, 10.0, 0.0, power=1.0, irradiance=500.0)
    assert half.predicted == pytest.approx(0.625)
    lux = judged(flat, 10.0, 0.0, power=1.0, illuminance=1e4, per_lux=0.05, lit=False)
    assert lux.predicted == pytest.approx(0.625)
    # P = I^2 R: 20 W/m2 are 4 % of 500 W/m2, whatever the scene's own light was.
    known = judged(flat, 10.0, 0.0, power=1.0, irradiance=500.0, u_irradiance=20.0)
    assert known.u_predicted / known.predicted == pytest.approx(0.08, rel=2e-3)


def test_a_column_of_temperature_is_uncertain_as_it_is_stated_and_no_other():
    scene = Scene(Sheet(), Facing(1000.0), Warmth(30.0, 8.0), Mount(0.0, 0.0, 0.0))
    read = judged(scene, 36.0, 0.0, power=8.0, temperature=45.0, u_temperature=2.0)
    exact = Scene(Sheet(), Facing(1000.0), Warmth(45.0, 2.0), Mount(0.0, 0.0, 0.0))
    found = predict(exact, At.of(load=36.0), given="power")["power"]
    assert read.predicted == pytest.approx(found.value[0], rel=1e-12)
    assert read.u_predicted == pytest.approx(found.u[0], rel=1e-9)
    assert judged(scene, 36.0, 0.0, power=8.0).u_predicted > 2 * read.u_predicted


# Front end


def bench_of(**more):
    return Bench(
        front_end=FrontEnd(
            divider_at="panel",
            readings="codes",
            voltage=VoltageChannel(divider_top_ohm=90e3, divider_bottom_ohm=10e3),
            current=CurrentChannel(shunt_ohm=0.1, gain=20.0),
            converter=Converter(bits=10, reference_V=2.048, **more),
        ),
        loads=Loads(tolerance_pct=5.0),
    )


def test_codes_go_through_the_front_end():
    """2 mV a code; 10:1 and 100 kohm; 2 V per ampere: 500 is 10 V, 250 is 0.25 A + 0.1 mA."""
    reading = LiveReading(1, {"voltage_code": 500.0, "current_code": 250.0})
    found = at_terminals([reading], None, bench_of())
    assert found["voltage"] == pytest.approx([10.0])
    assert found["current"] == pytest.approx([0.25 + 10.0 / 100e3])
    assert found["power"] == pytest.approx([2.501])
    assert found.noise_voltage is not None


def test_codes_that_no_converter_gives_are_trouble_and_the_rest_is_read():
    readings = [
        LiveReading(k, {"voltage_code": v, "current_code": 250.0})
        for k, v in enumerate((500.0, 1023.0, 5000.0, math.nan), 1)
    ]
    found = at_terminals(readings, None, bench_of())
    assert found.trouble[0] == ""
    assert "at its end" in found.trouble[1]
    assert "beyond the largest of 10 bits" in found.trouble[2]
    assert "no reading" in found.trouble[3]  # the divider's part of the current is not known
    assert [one.line for one in LiveJudge(Stated()).judge(found)] == [1]


def test_codes_without_a_bench_are_refused():
    with pytest.raises(SweepError, match="no bench says what a code is"):
        at_terminals([LiveReading(1, {"voltage_code": 5.0})], 10.0)


def test_one_channel_without_a_load_is_trouble_that_says_what_to_do():
    found = at_terminals([LiveReading(1, {"voltage": 5.0})])
    assert found.trouble == ("voltage alone gives no power: state --load, or read both",)


# Simulated benches


def scores(count, seed, same):
    """Return E_n numbers of readings whose truth is known, sweep and readings by one front end.

    Light, angle, load and every part are off by their standard uncertainty, normally distributed.
    """
    rng = np.random.default_rng(seed)
    front_end, loads = SUN.front_end, SUN.loads
    u = np.full(len(loads), converter_noise(front_end.converter))
    hidden = {k: rng.standard_normal((count, 1)) for k in draw_hidden(front_end, rng, 1)}
    point = SUN.panel.operating_point(load_at_panel(front_end, loads, hidden))
    written = write_readings(point.voltage, point.current, front_end, rng, hidden)
    bench, out = Bench(front_end=front_end), []
    for k in range(count):
        at = at_panel(
            front_end, written["voltage"][k], written["current"][k], u_voltage=u, u_current=u
        )
        known = Condition(temp_cell=25.0, u_temp_cell=0.01)
        sweep = Sweep(
            at.voltage, at.current, at.noise_voltage, at.noise_current, at.effects, known, 36
        )
        by_sweep = panel_of_sweep(ivkit.fit(sweep))
        panel, lit = by_sweep.panel, by_sweep.same_light(1.0, 0.01)
        scene = Scene(panel, lit, by_sweep.same_warmth(0.0), Mount(1.0, 0.0, 0.0))
        parts = {name: row[k : k + 1] for name, row in hidden.items()}
        angle = rng.uniform(0.0, 60.0)
        turned = angle + rng.standard_normal()
        light = 1.0 + 0.01 * rng.standard_normal()
        light *= math.cos(math.radians(turned)) * float(panel.iam(abs(turned)))
        shunt = 900.0 / light ** rng.uniform(0.0, 1.0)
        curve = SingleDiode(0.62 * light, 3.7e-10, 1.2, shunt, 1.0175)
        load = rng.choice([14.0, 25.0, 36.0, 90.0])
        now = curve.operating_point(load_at_panel(front_end, np.array([load]), parts))
        read = write_readings(now.voltage, now.current, front_end, rng, parts)
        values = {q: float(np.ravel(read[q])[0]) for q in ("voltage", "current")}
        found = at_terminals([LiveReading(1, values)], None, bench)
        stated = Stated(scene, True, relative=True, angle=angle, same_front_end=same)
        (one,) = LiveJudge(stated).judge(found)
        out.append(one.en)
    return np.array(out)


def covered(count, seed):
    """Return by how many of its standard deviations a count of covered truths is off 95.45 %.

    |E_n| <= 1 is two standard uncertainties; of normal errors 95.45 % are within (JCGM 100:2008,
    G.1.3). The count is binomial.
    """
    part = np.mean(np.abs(scores(count, seed, same=True)) <= 1.0)
    return (part - 0.9545) / math.sqrt(0.9545 * 0.0455 / count)


def test_the_stated_uncertainty_covers_the_truth():
    assert abs(covered(200, 7)) < 3.0


@pytest.mark.long
def test_the_stated_uncertainty_covers_the_truth_of_many():
    assert abs(covered(3000, 77)) < 3.0


def test_what_sweep_and_readings_share_is_taken_once():
    """The same differences, against an uncertainty that is smaller where causes cancel."""
    one, two = (scores(30, 5, same) for same in (True, False))
    assert np.all(np.abs(one) >= np.abs(two))
    assert np.std(one) > 1.2 * np.std(two)
