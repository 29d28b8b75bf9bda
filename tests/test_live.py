"""The verdict on each reading of a logger, against pvlib, closed forms and simulated benches."""

import math
from dataclasses import replace

import numpy as np
import pytest
from pvlib.iam import martin_ruiz
from pvlib.pvsystem import i_from_v
from scipy.optimize import brentq

import ivkit
from ivkit.bench import Bench, Converter, CurrentChannel, FrontEnd, Loads, VoltageChannel
from ivkit.curve.diode import SingleDiode
from ivkit.errors import SweepError
from ivkit.light.incidence import no_glass
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.measured_panel import measured_panel
from ivkit.panel.technology import TECHNOLOGY
from ivkit.readings.columns import converter_noise
from ivkit.readings.front_end import at_panel
from ivkit.readings.live_line import LiveReading
from ivkit.readings.simulated import draw_hidden, load_at_panel, write_readings
from ivkit.readings.sweep import Condition, Sweep
from ivkit.readings.terminals import at_terminals
from ivkit.verdict.live import Stated, judge_live
from ivkit.verdict.prospect import SWEEP_LIGHT, Prospect
from tests.experiments import SUN

# An invented 10 W panel of 36 cells at 1000 W/m2 and 25 degC.
PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)


class Sheet:
    """A panel without doubt, as far as a prospect asks."""

    def __init__(self, panel=PANEL, iam=no_glass, area_m2=None):
        self._panel, self.iam, self.area_m2 = panel, iam, area_m2
        self.sources, self.cells, self.kind = {}, 36, TECHNOLOGY["c-Si"]

    def panel(self, shifts=None):
        return self._panel

    @property
    def varied(self):
        return self._panel.each(lambda value: value[None])


def judged(prospect, load_ohm=None, angle=None, bench=None, u_reading=0.02, **values):
    found = at_terminals([LiveReading(1, values)], load_ohm, bench)
    assert found.trouble == ("",)
    (one,) = judge_live(found, Stated(prospect, angle, u_reading))
    return one


def by_pvlib(share, load):
    """Return the power of PANEL on a load, in ``share`` of 1000 W/m2 at 25 degC, by pvlib."""
    parameters = (0.62 * share, 3.7e-10, 1.2, 900.0 / share, 1.0175)

    def gap(v):
        return float(i_from_v(v, *parameters, method="lambertw")) - v / load

    v = brentq(gap, 0.0, 25.0, xtol=1e-12)
    return v * v / load


@pytest.mark.parametrize("load", [5.0, 30.0, 500.0])
@pytest.mark.parametrize("angle", [0.0, 35.0, -60.0])
def test_the_prediction_is_pvlibs(load, angle):
    """Light above 100 W/m2, where De Soto's law of the shunt is not changed."""
    share = 0.8 * math.cos(math.radians(angle)) * float(martin_ruiz(angle, a_r=0.16))
    prospect = Prospect(Sheet(iam=ivkit.light.incidence.martin_ruiz), 800.0)
    one = judged(prospect, load, angle, power=0.1)
    assert one.predicted == pytest.approx(by_pvlib(share, load), rel=1e-8)


@pytest.mark.parametrize("load", [5.0, 30.0])
def test_the_light_is_found_from_the_power(load):
    prospect = Prospect(Sheet(), None)
    for share in (0.15, 0.43, 1.1):
        found = prospect.light_of(by_pvlib(share, load), load, 25.0)
        assert found == pytest.approx(1000.0 * share, rel=2e-3)


def test_where_the_power_hardly_tells_no_light_is_claimed():
    """Far above the knee the voltage is that of open circuit in any light."""
    prospect = Prospect(Sheet(), None)
    assert prospect.light_of(by_pvlib(1.0, 20e3), 20e3, 25.0) is None
    for power in (0.0, -1.0, math.nan, 1e6):
        assert prospect.light_of(power, 30.0, 25.0) is None


def test_light_that_nobody_states_is_not_assumed():
    one = judged(Prospect(Sheet(), None), 30.0, 0.0, power=5.0)
    assert one.verdict == "cannot tell"
    assert "light not stated" in one.why
    assert math.isnan(one.predicted)


# A source of constant current: no diode, no shunt. Then P = I^2 R exactly.
FLAT = Sheet(ReferencePanel(0.5, 1e-30, 0.0, np.inf, 1.0, alpha_sc=0.0, cells=36))


def test_uncertainties_are_those_of_the_closed_form():
    """P = I^2 R with I in proportion to the light: GUM (JCGM 100:2008) 5.1.2."""
    one = judged(Prospect(FLAT, 1000.0, u_light=0.03), 10.0, 0.0, power=2.5)
    assert one.predicted == pytest.approx(2.5)
    assert one.u_predicted / one.predicted == pytest.approx(0.06, rel=1e-3)
    # A power that was read moves with R itself, one worked out of V alone with its square.
    known = Prospect(FLAT, 1000.0, u_load=0.01)
    assert judged(known, 10.0, 0.0, power=2.5).u_predicted == pytest.approx(0.025, rel=1e-3)
    assert judged(known, 10.0, 0.0, voltage=5.0).u_predicted == pytest.approx(0.050, rel=1e-3)
    assert judged(known, 10.0, 0.0, current=0.5).u_predicted == pytest.approx(0.0, abs=1e-9)
    # V/I is no stated load.
    assert judged(known, None, 0.0, voltage=5.0, current=0.5).u_predicted == pytest.approx(0.0)


def test_an_angle_is_uncertain_as_its_cosine():
    """d ln(cos^2) = 2 tan(angle) d(angle)."""
    one = judged(Prospect(FLAT, 1000.0, u_angle=0.5), 10.0, 50.0, power=1.0)
    expected = 2 * math.tan(math.radians(50)) * math.radians(0.5)
    assert one.u_predicted / one.predicted == pytest.approx(expected, rel=1e-3)


def test_a_voltage_that_is_off_does_not_tell_below_the_knee():
    """V/I and V I are then off alike, and P = I^2 R holds for both: only I counts, twice."""
    prospect = Prospect(FLAT, 1000.0)
    one = judged(prospect, None, 0.0, voltage=5.0, current=0.5 * 1.02, u_reading=0.01)
    # D = V I - I0^2 V/I, dD = (V I + I0^2 V/I) d ln I: E_n = D / (2 * 0.01 (V I + I0^2 V/I)).
    expected = (1.02 - 1 / 1.02) / (0.02 * (1.02 + 1 / 1.02))
    assert one.en == pytest.approx(expected, rel=1e-3)
    twice = judged(prospect, None, 0.0, voltage=10.0, current=0.5)
    assert twice.en == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("power", "angle", "verdict", "why"),
    [
        (2.5, 0.0, "plausible", ""),
        (3.5, 0.0, "too high", ""),
        (1.5, 0.0, "too low", ""),
        (2.5, None, "plausible", ""),
        (3.5, None, "too high", ""),
        (1.5, None, "cannot tell", "turned away"),
        (900.0, 0.0, "too high", "impossible"),
        (1.0, 120.0, "cannot tell", "behind"),
        (1e-6, 90.0, "cannot tell", "behind"),
    ],
)
def test_the_word_of_the_verdict(power, angle, verdict, why):
    sheet = Sheet(FLAT.panel(), area_m2=0.08)
    one = judged(Prospect(sheet, 1000.0), 10.0, angle, power=power)
    assert one.verdict == verdict
    assert why in one.why
    assert bool(one.why) == bool(why)


def test_a_prediction_that_is_too_wide_tells_nothing():
    one = judged(Prospect(FLAT, 1000.0, u_light=0.25), 10.0, 0.0, power=2.4)
    assert (one.verdict, one.why[:17]) == ("cannot tell", "the prediction is")


def test_what_is_missing_is_named():
    assert "no panel" in judged(None, 10.0, power=1.0).why
    assert "load not stated" in judged(Prospect(FLAT, 1000.0), None, power=1.0).why
    assert "dark" in judged(Prospect(FLAT, 0.5), 10.0, power=1e-6).why
    assert "open or short" in judged(Prospect(FLAT, 1000.0), math.inf, power=0.0).why
    one = judged(Prospect(FLAT, 1000.0), 20.0, 0.0, voltage=5.0, current=0.5)
    assert one.why == "V/I is 10 ohm, stated are 20"


def test_maximum_power_needs_no_load():
    """Pmp by pvlib."""
    from pvlib.pvsystem import singlediode

    expected = singlediode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)["p_mp"]
    one = judged(Prospect(Sheet(), 1000.0, max_power=True), None, 0.0, power=expected)
    assert one.predicted == pytest.approx(expected, rel=1e-6)
    assert one.verdict == "plausible"


def test_a_column_of_light_or_temperature_goes_before_what_is_stated():
    prospect = Prospect(FLAT, 1000.0)
    assert judged(prospect, 10.0, 0.0, power=1.0, irradiance=500.0).predicted == pytest.approx(
        0.625
    )
    found = at_terminals([LiveReading(1, {"power": 1.0, "illuminance": 1e4})], 10.0)
    (one,) = judge_live(found, Stated(replace(prospect, light=None), 0.0, per_lux=0.05))
    assert one.predicted == pytest.approx(0.625)


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
    assert "no reading" in found.trouble[3]  # the divider's share of the current is not known
    assert [one.line for one in judge_live(found, Stated())] == [1]


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
        known = Condition(SWEEP_LIGHT, 25.0, 1e-9, 0.01)
        sweep = Sweep(
            at.voltage, at.current, at.noise_voltage, at.noise_current, at.effects, known, 36
        )
        sheet = measured_panel(ivkit.fit(sweep))
        prospect = Prospect(sheet, 1.0, 0.01, 25.0, 0.0, u_angle=1.0, of_sweep=True)
        parts = {name: row[k : k + 1] for name, row in hidden.items()}
        angle = rng.uniform(0.0, 60.0)
        turned = angle + rng.standard_normal()
        light = 1.0 + 0.01 * rng.standard_normal()
        light *= math.cos(math.radians(turned)) * float(sheet.iam(abs(turned)))
        shunt = 900.0 / light ** rng.uniform(0.0, 1.0)
        curve = SingleDiode(0.62 * light, 3.7e-10, 1.2, shunt, 1.0175)
        load = rng.choice([14.0, 25.0, 36.0, 90.0])
        now = curve.operating_point(load_at_panel(front_end, np.array([load]), parts))
        read = write_readings(now.voltage, now.current, front_end, rng, parts)
        values = {q: float(np.ravel(read[q])[0]) for q in ("voltage", "current")}
        found = at_terminals([LiveReading(1, values)], None, bench)
        (one,) = judge_live(found, Stated(prospect, angle, same_front_end=same))
        out.append(one.en)
    return np.array(out)


def covered(count, seed):
    """Return by how many of its standard deviations a count of covered truths is off 95.45 %.

    |E_n| <= 1 is two standard uncertainties; of normal errors 95.45 % are within (JCGM 100:2008,
    G.1.3). The count is binomial.
    """
    share = np.mean(np.abs(scores(count, seed, same=True)) <= 1.0)
    return (share - 0.9545) / math.sqrt(0.9545 * 0.0455 / count)


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
