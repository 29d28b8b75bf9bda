"""Key points from the readings alone, against the E1036 rule, closed forms and true curves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.ivtools.utils import astm_e1036

from ivkit.curve.diode import SingleDiode
from ivkit.curve.key_points import ISC_REACH, VOC_REACH, key_points_from_data
from ivkit.errors import SweepError

# A 36-cell module at STC; its true key points from 50-digit bisection with mpmath.
MODULE = SingleDiode(5.20, 3.2e-10, 0.30, 250.0, 0.98)
MODULE_VOC, MODULE_PMP = 23.023619770662131, 90.623691789093791

# Fixed arrays and their answers: pvlib, tests/ivtools/test_utils.py (BSD-3-Clause).
PVLIB_V = np.linspace(-0.005, 0.635, 33)
PVLIB_I = np.array(
    [8.09403993, 8.09382549, 8.09361103, 8.09339656, 8.09318205, 8.09296748, 8.09275275,
     8.09253771, 8.09232204, 8.09210506, 8.09188538, 8.09166014, 8.09142342, 8.09116305,
     8.09085392, 8.09044425, 8.08982734, 8.08878333, 8.08685945, 8.08312463, 8.07566926,
     8.06059856, 8.03005836, 7.96856869, 7.8469714, 7.61489584, 7.19789314, 6.51138396,
     5.49373476, 4.13267172, 2.46021487, 0.52838624, -1.61055289]
)  # fmt: skip
NEARLY = ([0.001, 0.6201], [8.09397560, 7.10653445e-04])
PVLIB_CASES = {
    "defaults": (
        PVLIB_V, PVLIB_I,
        (8.093986320386227, 0.6195097477985162, 0.494283417170082, 7.626088301548568,
         3.7694489853302127, 0.7517393078504361),
    ),
    "readings beside the axes": (
        np.r_[PVLIB_V, NEARLY[0]], np.r_[PVLIB_I, NEARLY[1]],
        (8.0939756, 0.6201, 0.494283417170082, 7.626088301548568, 3.7694489853302127,
         0.751024747526615),
    ),
}  # fmt: skip


def six(found):
    """Return the six numbers of a result in the order of the expected tuples."""
    k = found.key_points
    return np.array([k.i_sc, k.v_oc, k.v_mp, k.i_mp, k.p_mp, k.fill_factor])


@pytest.mark.parametrize("case", PVLIB_CASES)
def test_the_rule_gives_the_answers_of_pvlibs_own_fixed_arrays(case):
    v, i, expected = PVLIB_CASES[case]
    found = key_points_from_data(v, i)
    np.testing.assert_allclose(six(found), expected, rtol=1e-7)
    live = astm_e1036(v, i)
    names = ("isc", "voc", "vmp", "imp", "pmp", "ff")
    np.testing.assert_allclose(six(found), [live[name] for name in names], rtol=1e-10)
    assert found.notes == ()


def test_a_module_swept_every_half_volt_gives_the_rules_answer_and_nearly_the_truth():
    v = np.arange(0.0, 23.6, 0.5)
    found = key_points_from_data(v, MODULE.current(v))
    # pvlib's astm_e1036 on the mpmath curve, as printed to 8 figures.
    expected = [5.1937675, 23.010596, 18.66406, 4.8573679, 90.658208, 0.75857192]
    np.testing.assert_allclose(six(found), expected, rtol=1e-7)
    assert found.key_points.p_mp == pytest.approx(MODULE_PMP, rel=1e-3)
    assert found.key_points.v_oc == pytest.approx(MODULE_VOC, rel=1e-3)


def test_a_straight_source_gives_the_textbook_quarter():
    # A linear source: Pmp = Voc Isc / 4 at Voc/2, and its best load is Voc/Isc (closed form).
    v = np.linspace(0.3, 11.0, 30)
    found = key_points_from_data(v, 2.0 - v / 6.0).key_points
    assert found.i_sc == pytest.approx(2.0, rel=1e-12)
    assert found.v_oc == pytest.approx(12.0, rel=1e-12)
    assert found.v_mp == pytest.approx(6.0, rel=1e-9)
    assert found.fill_factor == pytest.approx(0.25, rel=1e-9)
    assert found.best_load == pytest.approx(6.0, rel=1e-9)


@given(st.permutations(range(33)), st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
def test_neither_the_order_of_the_rows_nor_the_units_change_the_answer(rows, volt, ampere):
    rows = np.array(rows)
    found = key_points_from_data(PVLIB_V[rows] * volt, PVLIB_I[rows] * ampere)
    k = found.key_points
    np.testing.assert_allclose(
        [k.i_sc / ampere, k.v_oc / volt, k.v_mp / volt, k.i_mp / ampere],
        PVLIB_CASES["defaults"][2][:4],
        rtol=1e-7,
    )
    plain = key_points_from_data(PVLIB_V, PVLIB_I)
    for name in plain.gradient_i:
        size = np.abs(plain.gradient_i[name]).max() + 1e-12
        scale = ampere if name in ("i_sc", "i_mp") else volt
        np.testing.assert_allclose(
            found.gradient_i[name] * ampere / scale,
            plain.gradient_i[name][rows],
            atol=1e-6 * size,
        )


def test_every_reading_measured_twice_changes_nothing_in_the_polynomial():
    v, i = np.repeat(PVLIB_V, 2), np.repeat(PVLIB_I, 2)
    np.testing.assert_allclose(
        six(key_points_from_data(v, i)), PVLIB_CASES["defaults"][2], rtol=1e-7
    )


def test_repeated_readings_on_the_axis_are_averaged():
    v = np.r_[0.0, 0.0, PVLIB_V[PVLIB_V > 0.1]]
    i = np.r_[8.0, 8.2, PVLIB_I[PVLIB_V > 0.1]]
    found = key_points_from_data(v, i)
    assert found.key_points.i_sc == pytest.approx(8.1, rel=1e-12)
    np.testing.assert_array_equal(found.gradient_i["i_sc"][:3], [0.5, 0.5, 0.0])


@pytest.mark.parametrize("case", PVLIB_CASES)
def test_the_gradients_are_those_of_pvlibs_rule_moved_reading_by_reading(case):
    v, i, _ = PVLIB_CASES[case]
    found = key_points_from_data(v, i)
    names = {"i_sc": "isc", "v_oc": "voc", "v_mp": "vmp", "i_mp": "imp"}
    for which, gradient, step in (("v", found.gradient_v, 1e-6), ("i", found.gradient_i, 1e-5)):
        numeric = {name: np.zeros(v.size) for name in names}
        for place in range(v.size):
            shift = np.zeros(v.size)
            shift[place] = step
            ends = [
                astm_e1036(v + sign * shift * (which == "v"), i + sign * shift * (which == "i"))
                for sign in (1, -1)
            ]
            for name, theirs_name in names.items():
                numeric[name][place] = (ends[0][theirs_name] - ends[1][theirs_name]) / (2 * step)
        for name in names:
            if case == "readings beside the axes" and name in ("i_sc", "v_oc"):
                # The rule takes one reading as it is: its own value, and nothing else.
                other = {"i_sc": "v", "v_oc": "i"}[name]
                assert np.count_nonzero(gradient[name]) == (which != other)
            scale = np.abs(numeric[name]).max() + 1e-3
            np.testing.assert_allclose(gradient[name], numeric[name], atol=2e-5 * scale)


def test_noise_propagated_through_the_gradients_is_the_scatter_of_repeated_sweeps():
    rng = np.random.default_rng(11)
    v = np.linspace(0.1, 23.4, 40)
    i = MODULE.current(v)
    u_v, u_i = 0.004, 0.002
    sheet = [
        key_points_from_data(v + rng.normal(0, u_v, 40), i + rng.normal(0, u_i, 40)).key_points
        for _ in range(600)
    ]
    found = key_points_from_data(v, i)
    for name in ("i_sc", "v_oc", "v_mp", "i_mp"):
        stated = np.hypot(
            u_v * np.linalg.norm(found.gradient_v[name]),
            u_i * np.linalg.norm(found.gradient_i[name]),
        )
        seen = np.std([getattr(k, name) for k in sheet], ddof=1)
        # 600 sweeps know a standard deviation to 2.9 %; 4 of those.
        assert seen == pytest.approx(stated, rel=0.12)


def test_currents_below_zero_are_kept_because_leaving_them_out_biases_voc():
    rng = np.random.default_rng(5)
    v = np.array([0.0, 6.0, 12.0, 16.0, 18.0, 19.0, 20.0, 22.7, 23.1, 23.35])
    i = MODULE.current(v)
    found = [
        key_points_from_data(v, i + rng.normal(0, 0.03, v.size)).key_points.v_oc for _ in range(400)
    ]
    quiet = key_points_from_data(v, i)
    assert np.count_nonzero(quiet.gradient_i["v_oc"][i < 0]) == 2
    spread = np.std(found) / np.sqrt(len(found))
    assert np.mean(found) == pytest.approx(quiet.key_points.v_oc, abs=4 * spread)


def random_curves(count, seed):
    """Return ``count`` random panels of 1 to 72 cells as one SingleDiode of shape (count, 1)."""
    rng = np.random.default_rng(seed)
    cells = rng.integers(1, 73, count)
    i_sc, v_oc = 10 ** rng.uniform(-2.7, 1, count), cells * rng.uniform(0.45, 0.7, count)
    a = rng.uniform(1, 1.8, count) * cells * 0.0257
    rs = v_oc / i_sc * 10 ** rng.uniform(-3, -0.8, count)
    rsh = v_oc / i_sc * 10 ** rng.uniform(0.7, 3, count)
    i0 = (i_sc - v_oc / rsh) / np.expm1(v_oc / a)
    return SingleDiode(*(x[:, None] for x in (i_sc, i0, rs, rsh, a)))


def test_at_the_limits_of_reach_a_line_errs_by_less_than_stated():
    curves = random_curves(1000, 3)
    truth = curves.key_points()
    steps = np.r_[0.0, 0.075, 0.15]
    low = truth.v_oc * np.r_[0.999 * ISC_REACH + steps, 0.7, 0.8, 1.0]
    high = truth.i_sc * np.r_[0.999 * VOC_REACH + steps, 0.9, 1.0]
    errors_i, errors_v = [], []
    for v, i, i_sc in zip(low, curves.current(low), truth.i_sc[:, 0], strict=True):
        errors_i.append(key_points_from_data(v, i).key_points.i_sc / i_sc - 1)
    for v, i, v_oc in zip(curves.voltage(high), high, truth.v_oc[:, 0], strict=True):
        errors_v.append(key_points_from_data(v, i).key_points.v_oc / v_oc - 1)
    assert np.percentile(np.abs(errors_i), 95) < 0.006
    assert np.percentile(np.abs(errors_v), 95) < 0.006


@pytest.mark.parametrize(("points", "cubic", "error"), [(14, True, 0.01), (20, False, 0.003)])
def test_the_maximum_is_as_good_as_stated_on_coarse_sweeps(points, cubic, error):
    curves = random_curves(400, 4)
    truth = curves.key_points()
    v = truth.v_oc * np.linspace(0, 1, points)
    errors = []
    for vk, ik, p_mp in zip(v, curves.current(v), truth.p_mp[:, 0], strict=True):
        found = key_points_from_data(vk, ik)
        told = np.isfinite(found.key_points.p_mp)
        if told and cubic == ("cubic through few readings" in " ".join(found.notes)):
            errors.append(found.key_points.p_mp / p_mp - 1)
    assert len(errors) > 200
    assert np.percentile(np.abs(errors), 95) < error


def cut(low_v=-np.inf, high_v=np.inf, every=1):
    """Return the module's sweep between two voltages."""
    v = np.arange(0.0, 23.6, 0.5)[::every]
    v = v[(v >= low_v) & (v <= high_v)]
    return v, MODULE.current(v)


def test_a_sweep_without_short_circuit_says_so_and_gives_the_rest():
    found = key_points_from_data(*cut(low_v=9.0))
    assert np.isnan(found.key_points.i_sc)
    assert np.isnan(found.key_points.fill_factor)
    assert np.isnan(found.gradient_i["i_sc"]).all()
    assert found.key_points.p_mp == pytest.approx(MODULE_PMP, rel=1e-3)
    assert found.notes == (
        "Isc cannot be told: the lowest voltage is 38 % of the highest; "
        "add loads of less resistance",
    )


def test_a_sweep_without_open_circuit_says_so_and_gives_the_rest():
    found = key_points_from_data(*cut(high_v=21.5))
    assert np.isnan(found.key_points.v_oc)
    assert np.isnan(found.gradient_v["v_oc"]).all()
    assert found.key_points.i_sc == pytest.approx(5.1937674777775789, rel=1e-9)
    assert found.notes == (
        "Voc cannot be told: the lowest current is 51 % of the highest; "
        "add loads of more resistance",
    )


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ({"high_v": 17.5}, "the largest power is at the highest voltage; add loads of more"),
        ({"low_v": 20.0}, "the largest power is at the lowest voltage; add loads of less"),
        ({"every": 6}, "only 2 different voltages lie near the largest power; add loads between"),
    ],
)
def test_a_sweep_without_the_knee_says_which_loads_to_add(limits, text):
    found = key_points_from_data(*cut(**limits))
    assert np.isnan([found.key_points.v_mp, found.key_points.i_mp]).all()
    assert text in " ".join(found.notes)


def test_scatter_that_hides_the_fall_of_power_is_not_taken_for_a_maximum():
    rng = np.random.default_rng(0)
    v, i = cut(high_v=19.0)  # the true maximum is at 18.69 V, the last fall is 0.03 %
    found = [key_points_from_data(v, i * (1 + rng.normal(0, 0.01, i.size))) for _ in range(50)]
    told = [f.key_points.v_mp for f in found if np.isfinite(f.key_points.v_mp)]
    hidden = [f for f in found if "no one clear maximum" in " ".join(f.notes)]
    assert len(hidden) >= 10
    assert all(15.0 < v_mp < 19.0 for v_mp in told)


@pytest.mark.parametrize("points", [3, 4, 5, 6, 8])
def test_a_handful_of_readings_gives_nan_or_a_value_near_the_truth(points):
    rng = np.random.default_rng(points)
    errors = []
    for _ in range(200):
        v = np.sort(rng.uniform(0, 23.4, points))
        found = key_points_from_data(v, MODULE.current(v))
        k = found.key_points
        missing = np.isnan([k.i_sc, k.v_oc, k.p_mp]).sum()
        assert sum("cannot be told" in note for note in found.notes) == missing
        errors.append([k.i_sc / 5.1937674777775789, k.v_oc / MODULE_VOC, k.p_mp / MODULE_PMP])
    errors = np.abs(np.array(errors) - 1)
    told = errors[np.isfinite(errors)]
    assert (told < 0.03).all()
    assert (told < 0.01).mean() >= 0.95


@pytest.mark.parametrize("v", [[18.0], [9.0, 18.0], [18.0, 18.0, 18.0]])
def test_one_or_two_loads_tell_no_key_point(v):
    found = key_points_from_data(v, MODULE.current(v))
    assert np.isnan(six(found)).all()
    assert len(found.notes) == 3


def test_four_voltages_near_the_knee_give_a_cubic_and_a_word_of_warning():
    v = np.array([0.0, 5.0, 16.0, 18.0, 19.5, 20.4, 22.9, 23.1])
    found = key_points_from_data(v, MODULE.current(v))
    assert "cubic through few readings" in found.notes[0]
    assert found.key_points.p_mp == pytest.approx(MODULE_PMP, rel=0.01)


def test_readings_too_close_together_are_no_base_for_a_long_line():
    v = np.r_[4.00, 4.01, 4.02, np.arange(16.0, 23.6, 0.5)]
    found = key_points_from_data(v, MODULE.current(v))
    assert np.isnan(found.key_points.i_sc)
    assert "too few different voltages lie near 0 for a line" in found.notes[0]


def test_a_close_group_of_readings_is_widened_until_it_carries_the_line():
    v = np.r_[4.00, 4.01, 4.02, 7.0, 9.0, np.arange(16.0, 23.6, 0.5)]
    found = key_points_from_data(v, MODULE.current(v))
    assert np.count_nonzero(found.gradient_i["i_sc"]) == 4
    assert found.key_points.i_sc == pytest.approx(5.1937674777775789, rel=1e-4)


def test_a_wide_gap_around_zero_is_not_bridged():
    v = np.r_[-10.0, -9.0, np.arange(10.0, 23.6, 0.5)]
    found = key_points_from_data(v, MODULE.current(v))
    assert np.isnan(found.key_points.i_sc)
    assert "no voltage lies within 30 % of the highest from 0" in found.notes[0]


@pytest.mark.parametrize("sign", [0.0, -1.0])
def test_a_dark_or_reversed_panel_has_no_key_points(sign):
    v, i = cut()
    found = key_points_from_data(v, sign * np.abs(i))
    assert np.isnan(six(found)).all()
    assert found.notes == ("no reading delivers power; check the polarity and the light",)


def test_arrays_of_unequal_length_are_refused():
    with pytest.raises(SweepError, match=r"voltage has shape \(3,\), current has \(2,\)"):
        key_points_from_data([1.0, 2.0, 3.0], [1.0, 2.0])


def test_values_that_are_not_finite_are_refused():
    with pytest.raises(SweepError, match="not finite"):
        key_points_from_data([1.0, np.nan], [1.0, 2.0])
