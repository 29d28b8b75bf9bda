"""Verdicts on simulated benches with a hidden gross error or none, and on single readings."""

from collections import Counter

import numpy as np
import pytest
from scipy.special import chdtri

from ivkit.errors import RangeError, SweepError
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.predict.change import Change
from ivkit.predict.facing import Facing
from ivkit.predict.misfit import misfit
from ivkit.predict.readings import Readings
from ivkit.predict.scene import At, Mount, Scene, Warmth
from ivkit.verdict.gross_error import Case, Seen, expected_of, scaled
from ivkit.verdict.plausibility import GROSS_ERRORS, judge
from tests.gross_error_benches import SHOWN_BY, bench

SHEET = make_datasheet(
    SheetFile(
        cells=36,
        area_cm2=810,
        isc_A=0.63,
        voc_V=21.8,
        imp_A=0.57,
        vmp_V=17.6,
        pmp_W=10.0,
        isc_tolerance_pct=3,
        voc_tolerance_pct=2,
        pmp_tolerance_pct=4,
        alpha_isc_pct_per_K=0.05,
        beta_voc_pct_per_K=-0.33,
    )
)
# Benches that nothing was tuned on; tuned was on seeds 700000 to 710140.
SCORED, SOUND = 930_000, 980_000


def _ranks(seeds):
    """Return the place of the hidden error on each bench, from 1; infinite if not named."""
    ranks = []
    for seed in seeds:
        hidden = list(SHOWN_BY)[(seed - SCORED) % len(SHOWN_BY)]
        names = [error.name for error in judge(*bench(seed, hidden)).gross_errors]
        ranks.append(names.index(hidden) + 1 if hidden in names else np.inf)
    return np.array(ranks)


@pytest.mark.long
def test_the_hidden_slip_is_first_on_80_and_in_the_first_three_on_95_of_100_benches():
    ranks = _ranks(range(SCORED, SCORED + 400))
    assert np.mean(ranks == 1) >= 0.80
    assert np.mean(ranks <= 3) >= 0.95


@pytest.mark.long
def test_without_a_slip_94_of_100_benches_are_plausible():
    words = Counter(judge(*bench(seed)).verdict for seed in range(SOUND, SOUND + 400))
    assert words["plausible"] >= 0.94 * 400


def test_every_slip_in_turn_and_as_many_benches_without_one():
    # The long tests above hold the figures asked for; this many benches can tell a break only.
    ranks = _ranks(range(SCORED, SCORED + len(SHOWN_BY)))
    assert np.mean(ranks == 1) >= 0.80
    assert np.mean(ranks <= 3) >= 0.85
    words = Counter(judge(*bench(seed)).verdict for seed in range(SOUND, SOUND + 14))
    assert words["plausible"] >= 12


def test_there_are_fifteen_slips_or_more_each_with_its_check():
    assert len(GROSS_ERRORS) >= 15
    assert len({error.name for error in GROSS_ERRORS}) == len(GROSS_ERRORS)
    assert all(error.explains and error.check and error.prior > 0 for error in GROSS_ERRORS)
    assert set(SHOWN_BY) <= {error.name for error in GROSS_ERRORS}


def _scene(irradiance=800.0, u=0.05, mount=None, **more):
    light = Facing.of(irradiance, u * irradiance, **more)
    return Scene(SHEET, light, Warmth(30.0, 3.0), mount or Mount())


def _one(power, load=33.0, u=0.05, **more):
    return judge(_scene(u=u), Readings.of(power=power, load=load, **more))


def test_one_reading_is_judged_by_its_en_number():
    # ISO 13528: difference over the root sum of squares of the expanded uncertainties, k = 2.
    found = _one(7.5, u_load=0.0)
    u = np.hypot(0.02 * 7.5, float(found.compared.each.u_predicted[0]))
    # The meter's last digit is not known here: a hundred-thousandth of Isc times Voc stands for it.
    assert found.compared.en == pytest.approx(
        (7.5 - float(found.compared.each.predicted[0])) / (2 * u), rel=1e-3
    )
    assert found.verdict == "plausible"
    assert _one(4.0).verdict == "too low"
    assert _one(12.0).verdict == "too high"


def test_a_prediction_that_is_too_wide_tells_nothing_and_names_what_to_measure():
    found = _one(7.0, u=0.5)
    assert found.verdict == "undetermined"
    assert next(iter(found.compared.budget)) == "irradiance"


def test_readings_that_share_causes_are_held_against_their_full_covariance():
    # The covariance written out in full and solved by numpy, against Woodbury's identity.
    load = np.array([10.0, 33.0, 100.0])
    given = Readings.of(
        voltage=np.array([5.0, 14.0, 19.0]), current=np.array([0.5, 0.42, 0.19]), load=load
    )
    scene = Seen(_scene(), given)
    expected = expected_of(scene, Case())
    names = ("voltage", "current")
    d = np.concatenate([np.log(getattr(given, n) / expected.values[n]) for n in names])
    moves = np.concatenate([expected.moves[n] for n in names], axis=1)
    covariance = moves.T @ moves
    for place in range(2):  # half of a meter's doubt is common to its readings
        common = np.repeat(np.arange(2) == place, 3) * given.u / np.sqrt(2)
        covariance += np.outer(common, common)
    for k in range(3):  # a load moves the voltage and the current of its reading together
        slope = np.zeros(6)
        slope[[k, 3 + k]] = [expected.by_load[n][k] * given.u_load for n in names]
        covariance += np.outer(slope, slope)
    v_oc, i_sc = expected.values["v_oc"], expected.values["i_sc"]
    floor = np.concatenate([1e-3 * v_oc, 1e-3 * i_sc])
    size = np.concatenate([expected.values[n] for n in names])
    rest = np.tile(scene.left_over, 2)  # what no law accounts for: 800 W/m2 and 30 degC
    assert rest == pytest.approx(0.006 * np.hypot(np.log2(1000 / 800), 5.0 / 20.0), rel=1e-9)
    covariance += np.diag(given.u**2 + (floor / size) ** 2 + rest**2)
    found = misfit(given, expected, scene.left_over)
    assert found.chi_square == pytest.approx(d @ np.linalg.solve(covariance, d), rel=1e-9)
    assert found.freedom == 6


def test_the_angle_takes_the_cosine_and_the_glass():
    # Martin and Ruiz (2001) with a_r 0.19, times exp(-0.06 (1/3)^6), by mpmath, at 60 deg.
    scene = _scene(mount=Mount(stray=0.0, u_stray=0.0, u_angle=0.0))
    i_sc = scene.solve(At.of(load=0.0, angle=[0.0, 60.0]))["current"][0]
    # Isc = IL / (1 + Rs/Rsh) but for the diode's own part.
    panel, light = SHEET.panel(), 0.5 * 0.93278973
    facing, turned = (panel.at(800.0 * part, 25.0) for part in (1.0, light))
    leak, less = (one.resistance_series / one.resistance_shunt for one in (facing, turned))
    assert i_sc[1] / i_sc[0] == pytest.approx(light * (1 + leak) / (1 + less), rel=1e-4)


def test_a_distance_takes_the_square():
    scene = Seen(
        _scene(100.0, distance_m=0.5),
        Readings.of(current=np.ones(2), load=0.0, distance=[0.5, 1.0]),
    )
    i_sc = scene.expect().values["i_sc"]
    assert i_sc[1] / i_sc[0] == pytest.approx(0.25, rel=2e-3)


def test_a_hundredfold_rise_on_one_load_is_plausible():
    # Common practice, no source: with one fixed load, turned from far off axis to facing a lamp,
    # from about 5 mW to 0.5 W. A cosine alone would make it six.
    load, power = np.array([8.0, 8.0]), np.array([0.005, 0.5])
    volts = np.sqrt(power * load)
    readings = Readings.of(voltage=volts, current=volts / load, load=load, angle=[81.0, 0.0])
    assert judge(_scene(395.0, 0.1), readings).verdict == "plausible"


def test_a_panel_gives_several_times_more_outdoors_than_under_a_lamp():
    # Common practice, no source.
    reading = Readings.of(power=1.0, load=np.nan)
    sun, lamp = (
        float(judge(_scene(g), reading).compared.each.predicted[0]) for g in (800.0, 140.0)
    )
    assert 4 < sun / lamp < 8


def test_sixty_readings_of_many_are_enough_to_try_slips_on():
    load = np.tile([10.0, 33.0, 100.0], 100)
    true = Seen(_scene(), Readings.of(voltage=1.0, current=1.0, load=load)).expect().values
    readings = Readings.of(voltage=true["voltage"] / 7.7, current=true["current"], load=load)
    found = judge(_scene(), readings)
    assert found.compared.together.freedom == 600
    assert found.compared.together.chi_square > chdtri(600, 0.02)
    assert found.tried_on == 60
    assert found.gross_errors[0].name == "divider factor forgotten"


def test_a_slip_that_changes_nothing_is_not_named():
    # Nothing of the usual makes a panel give ten million times its voltage: of power alone, the
    # units of a voltmeter are no explanation either.
    names = [error.name for error in _one(7e-3, load=33.0).gross_errors]
    assert "mW taken for W" in names
    assert "mA taken for A" not in names
    assert "mV taken for V" not in names


def test_the_sizes_of_slips_of_the_light_hold_the_lamps_there_are():
    # Lux over effective W/m2 to silicon: black bodies of 2700 to 3200 K (Planck, CIE 1924 V, the
    # response of Driesse and Stein, doi:10.2172/1814068), and CIE FL2, LED-B1 and LED-B3; what a
    # watt of 2856 K is worth, all of it or 300 to 2800 nm: integrated by colour-science.
    lamps = {2700: 31.0806, 2856: 36.3813, 3200: 48.1437, "FL2": 317.3, "B1": 264.2, "B3": 284.6}
    scene = Seen(_scene(), Readings.of(power=1.0, load=33.0))
    sizes = {s.name: [c.change.light for c in s.cases(scene)] for s in GROSS_ERRORS}

    def near(name, value):
        return min(abs(np.log(np.array(sizes[name]) / value))) < 0.1

    for lux in lamps.values():
        assert near("lux taken as W/m2", 1.0 / lux)
        assert near("lamp's lux turned to watts as if it were the sun", 109.5 / lux)
    assert near("lux taken as W/m2", 1.0 / 109.5)
    for worth in (0.452, 0.528, 0.563):
        assert near("a lamp's watts taken as sunlight", worth)


def test_a_written_factor_scales_voltage_current_and_their_product():
    scene = Seen(_scene(), Readings.of(voltage=10.0, current=0.5, load=33.0))
    plain, written = scene.expect(), scaled(2.0, 3.0)(scene.expect(), scene)
    assert written.values["power"] == pytest.approx(6.0 * plain.values["power"])


def test_one_shaded_cell_holds_the_current_down():
    # Closed form for short circuit, no bypass diode: the shaded cell's photocurrent and what its
    # shunt and breakdown let through in reverse; here it must be between a half and all of it.
    scene = Seen(_scene(), Readings.of(current=0.5, load=33.0))
    whole = scene.expect().values["current"][0]
    shaded = scene.expect(Change(shaded=0.5)).values["current"][0]
    assert shaded < whole


def test_no_reading_is_nothing_to_check():
    with pytest.raises(SweepError, match="no voltage, current or power to check"):
        Readings.of(load=1.0)
    with pytest.raises(SweepError, match="no load is stated"):
        Readings.of(power=1.0)
    with pytest.raises(RangeError, match="makes no readings"):
        _scene(0.0)
