"""Spectra, lux and effective irradiance against published tables and closed forms.

Rows named LT come from integrating the published tables themselves (ASTM G173-03 as shipped with
pvlib, V(lambda) CIE 1924 at 1 nm with Km = 683, Planck's law over all wavelengths with the total
from Stefan-Boltzmann), done apart from this package.
"""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.errors import RangeError
from ivkit.light import response as cells
from ivkit.light.illuminants import (
    ILLUMINANT_A_TEMPERATURE,
    am15g,
    cie_illuminant,
    filament_lamp,
    led_lamp,
    named,
    names,
)
from ivkit.light.radiometry import (
    EVERYTHING,
    THERMOPILE,
    Spectrum,
    black_body,
    integral,
    luminous_efficiency,
)
from ivkit.light.response import Response, of_technology
from ivkit.light.spectrum import effective_irradiance

VISIBLE = (380.0, 780.0)  # of the CIE tables of lamps
SUN_TABLE = (280.0, 4000.0)

# Temperature K; lm/W and W/m2 per klx over all wavelengths; mismatch of c-Si against a flat
# detector over all wavelengths and over 280 to 4000 nm; AM1.5G W/m2 of the same Isc per klx.
PLANCK = [
    (2700, 12.35566, 80.93458, 0.397536, 0.428051, 32.1744),
    (2856, 16.44623, 60.80420, 0.452052, 0.481989, 27.4866),
    (3000, 20.66908, 48.38146, 0.500188, 0.529289, 24.1998),
    (3200, 27.08709, 36.91795, 0.562630, 0.590248, 20.7712),
]


def value_and_u(*args, **options):
    found = effective_irradiance(*args, **options)
    return found.value_W_m2, found.u_W_m2


def per_klx(light):
    """Effective W/m2 of silicon for 1000 lx."""
    return effective_irradiance(light, lux=1000.0).value_W_m2


def mismatch(light, band=None):
    """The mismatch factor of silicon against a flat meter: its worth of one W/m2 in a band."""
    return effective_irradiance(light, irradiance=1.0, band=band or light.band).value_W_m2


def known_in(light, band, dark=False):
    """The light as if it were known in a band only, or dark elsewhere."""
    nm, power = light.wavelength_nm, light.irradiance_W_m2_nm
    cut = np.union1d(nm[(nm >= band[0]) & (nm <= band[1])], band)
    within = EVERYTHING if dark else None
    return Spectrum(cut, np.interp(cut, nm, power), light.name, within)


def test_v_lambda_sums_to_the_integral_of_the_cie_1924_table():
    # CIE 1924 at 1 nm: sum 106.856917, maximum 1 at 555 nm (CIE 018:2019).
    vision = luminous_efficiency()
    assert vision.value.sum() == pytest.approx(106.856917, abs=5e-7)
    assert vision.wavelength_nm[np.argmax(vision.value)] == 555
    assert vision.band_nm == (360.0, 830.0)


@pytest.mark.parametrize(
    ("band", "expected"), [(SUN_TABLE, 1000.3707), (VISIBLE, 534.44), ((400, 700), 429.83)]
)
def test_am15g_has_the_published_irradiance_in_each_band(band, expected):
    # ASTM G173-03, trapezoid over 280-4000 nm.
    assert am15g().total(band) == pytest.approx(expected, rel=1e-5)


def test_am15g_has_the_published_illuminance_and_luminous_efficacy():
    # ASTM G173-03 with CIE 1924: 109 495 lx, 109.454 lm/W.
    assert am15g().illuminance() == pytest.approx(109_495, rel=1e-3)
    assert am15g().illuminance() / am15g().total() == pytest.approx(109.454, rel=1e-3)


@pytest.mark.parametrize(("kelvin", "lm_per_W", "W_per_klx", "m_all", "m_table", "eq"), PLANCK)
def test_black_body_gives_the_tabled_efficacy_mismatch_and_effective_irradiance(
    kelvin, lm_per_W, W_per_klx, m_all, m_table, eq
):
    lamp = black_body(kelvin)
    assert lamp.illuminance() / lamp.total() == pytest.approx(lm_per_W, rel=1e-3)
    assert 1000 * lamp.total() / lamp.illuminance() == pytest.approx(W_per_klx, rel=1e-3)
    assert mismatch(lamp) == pytest.approx(m_all, rel=5e-3)
    assert mismatch(lamp, band=SUN_TABLE) == pytest.approx(m_table, rel=5e-3)
    assert per_klx(lamp) == pytest.approx(eq, rel=5e-6)


@pytest.mark.parametrize(
    ("band", "expected"),
    [(EVERYTHING, 0.452), (SUN_TABLE, 0.482), (THERMOPILE, 0.528)],
)
def test_the_worth_of_a_watt_of_lamp_light_depends_on_the_band_it_was_measured_in(band, expected):
    # 2856 K against AM1.5G in its whole table; known to three digits.
    assert mismatch(black_body(2856), band) == pytest.approx(expected, abs=5e-4)


def test_visible_light_of_a_lamp_without_its_infrared_is_worth_more_than_sunlight():
    # 2856 K cut to 380-780 nm, per W/m2 of that band: 1.312 (Planck, pvlib's c-Si response).
    cut = known_in(black_body(2856), VISIBLE, dark=True)
    assert mismatch(cut, VISIBLE) == pytest.approx(1.312, rel=5e-3)


def test_mismatch_agrees_with_pvlib_on_the_same_band():
    pandas = pytest.importorskip("pandas")
    from pvlib.spectrum import calc_spectral_mismatch_field, get_example_spectral_response

    grid = np.arange(280.0, 4000.5, 0.5)
    lamp = black_body(2856)
    light = pandas.Series(np.interp(grid, lamp.wavelength_nm, lamp.irradiance_W_m2_nm), grid)
    expected = calc_spectral_mismatch_field(
        get_example_spectral_response(np.arange(280.0, 1201.0)), light
    )
    assert mismatch(lamp, band=SUN_TABLE) == pytest.approx(expected, rel=1e-4)


def planck_share(wavelength_nm, kelvin):
    """Share of a black body's power below a wavelength: the series 15/pi^4 sum e^-nx (...)."""
    x = 1.438776877e7 / (wavelength_nm * kelvin)
    n = np.arange(1, 400)
    terms = np.exp(-n * x) * (x**3 / n + 3 * x**2 / n**2 + 6 * x / n**3 + 6 / n**4)
    return 15 / np.pi**4 * terms.sum()


@pytest.mark.parametrize("kelvin", [1500, 2856, 6500, 15000])
@pytest.mark.parametrize("band", [(300, 2800), (380, 780), (1000, 20000), EVERYTHING])
def test_black_body_power_in_a_band_is_the_closed_series(kelvin, band):
    upper = 1.0 if np.isinf(band[1]) else planck_share(band[1], kelvin)
    lower = 0.0 if band[0] == 0 else planck_share(band[0], kelvin)
    assert black_body(kelvin).total(band) == pytest.approx(upper - lower, rel=3e-6)


def test_black_body_is_brightest_per_watt_at_6628_kelvin():
    # Maximum 95.43 lm/W at 6628 K (Planck and CIE 1924).
    at = [black_body(kelvin).illuminance() for kelvin in (6528, 6628, 6728)]
    assert at[1] == pytest.approx(95.43, rel=1e-3)
    assert at[1] > max(at[0], at[2])


@pytest.mark.parametrize(
    ("name", "W_per_klx", "eq"),
    [
        ("A", 6.40217, 8.3987),
        ("D65", 4.87443, 5.4087),
        ("FL2", 2.96976, 3.1511),
        ("LED-B1", 3.20729, 3.7850),
        ("LED-B3", 3.15576, 3.5135),
    ],
)
def test_cie_illuminants_give_the_tabled_figures_from_380_to_780_nm(name, W_per_klx, eq):
    # CIE 015:2018 tables with CIE 1924 and pvlib's c-Si response; A and D65 lose their infrared.
    lamp = known_in(cie_illuminant(name), VISIBLE, dark=True)
    assert 1000 * lamp.total(VISIBLE) / lamp.illuminance() == pytest.approx(W_per_klx, rel=1e-3)
    assert per_klx(lamp) == pytest.approx(eq, rel=1e-4)


@pytest.mark.parametrize(
    ("nm", "expected"),
    [(380, 9.795100), (400, 14.708038), (500, 59.861099), (700, 198.261223), (780, 241.675388)],
)
def test_illuminant_a_follows_its_defining_formula(nm, expected):
    # S = 100 (560/nm)^5 [exp(1.435e7/(2848 x 560)) - 1] / [exp(1.435e7/(2848 nm)) - 1], CIE.
    lamp = cie_illuminant("A")
    at = np.interp([nm, 560.0], lamp.wavelength_nm, lamp.irradiance_W_m2_nm)
    assert 100 * at[0] / at[1] == pytest.approx(expected, rel=1e-7)


def test_illuminant_a_is_a_black_body_at_2855_5_kelvin():
    assert pytest.approx(2855.50, abs=0.005) == ILLUMINANT_A_TEMPERATURE


def test_led_tables_have_the_chromaticity_of_their_colour_temperature():
    # CIE 015:2018 lists LED-B1 at 2733 K and LED-B5 at 6598 K. Two bands of a table cannot give
    # a colour temperature, but the blue share must rise with it through the five types.
    blue = [
        lamp.total((420, 480)) / lamp.total()
        for lamp in (cie_illuminant(f"LED-B{n}") for n in range(1, 6))
    ]
    assert np.all(np.diff(blue) > 0)


def test_lux_taken_for_sunlight_is_three_times_too_low_under_a_lamp():
    # 1000 lx is 9.14 W/m2 of AM1.5G but 27.49 W/m2 effective at 2856 K.
    as_sun = effective_irradiance(am15g(), lux=1000).value_W_m2
    assert as_sun == pytest.approx(9.136, rel=1e-3)
    assert effective_irradiance(black_body(2856), lux=1000).value_W_m2 / as_sun == pytest.approx(
        3.0, abs=0.02
    )


# --- uncertainty ---


def test_uncertainty_of_colour_temperature_spans_the_tabled_values_either_side():
    # Tabled: 32.1744 at 2700 K and 24.1998 at 3000 K, so 2850 K +- 150 K is +- half of that.
    lamp = filament_lamp(2850, u_temperature_K=150)
    result = effective_irradiance(lamp, lux=1000)
    assert result.parts_W_m2["colour temperature"] == pytest.approx(
        (32.1744 - 24.1998) / 2, rel=0.01
    )


def test_uncertainty_is_the_root_sum_of_squares_of_its_parts():
    result = effective_irradiance(named("halogen"), lux=1000, u_reading=50)
    value, u = result.value_W_m2, result.u_W_m2
    assert u == pytest.approx(np.sqrt(sum(p**2 for p in result.parts_W_m2.values())), rel=1e-12)
    assert result.parts_W_m2["reading"] == pytest.approx(value * 50 / 1000)


def test_an_assumed_colour_temperature_is_said_and_is_wider_than_a_stated_one():
    assumed = effective_irradiance(filament_lamp(), lux=1000)
    stated = effective_irradiance(filament_lamp(2850), lux=1000)
    known = effective_irradiance(filament_lamp(2850, u_temperature_K=0), lux=1000)
    assert assumed.value_W_m2 == stated.value_W_m2
    assert assumed.u_W_m2 > stated.u_W_m2 > known.u_W_m2 > 0.02 * known.value_W_m2
    assert "colour temperature 2850 K" in assumed.assumed[0]
    assert known.assumed == ()


def test_tungsten_matters_little_from_lux_and_much_from_broadband_power():
    # The lamp's infrared is what a black body gets wrong; a cell and an eye hardly look there.
    lamp = filament_lamp(2856, u_temperature_K=0)
    cause = "tungsten is not a black body"
    from_lux = effective_irradiance(lamp, lux=1000)
    from_power = effective_irradiance(lamp, irradiance=60, band=EVERYTHING)
    assert from_lux.parts_W_m2[cause] / from_lux.value_W_m2 < 0.05
    assert from_power.parts_W_m2[cause] / from_power.value_W_m2 > 0.15


def test_an_led_of_unknown_kind_is_uncertain_by_about_the_spread_of_the_cie_types():
    # LED-B1 to B5 span 3.41 to 3.79, RGB1 4.0, V1 5.0 W/m2 per klx (from the CIE tables).
    value, u = value_and_u(led_lamp(), lux=1000)
    assert value == pytest.approx(3.5135, rel=1e-3)
    assert 0.08 < u / value < 0.15
    assert "colour temperature was not given" in led_lamp().assumed[0]


@pytest.mark.parametrize("technology", ["a-Si", "CdTe", "CIGS"])
def test_a_band_model_is_marked_and_is_less_certain_than_a_measured_response(technology):
    lamp = filament_lamp(2856)
    model = effective_irradiance(lamp, lux=1000, response=of_technology(technology))
    silicon = effective_irradiance(lamp, lux=1000)
    assert of_technology(technology).is_model
    assert not of_technology("c-Si").is_model
    assert model.u_W_m2 / model.value_W_m2 > silicon.u_W_m2 / silicon.value_W_m2
    assert "by a model of its band" in model.assumed[-1]


@pytest.mark.parametrize(
    ("technology", "limit_mA_cm2"), [("CIGS", 42.44), ("CdTe", 30.84), ("a-Si", 21.06)]
)
def test_band_models_collect_what_a_good_cell_can_and_no_more(technology, limit_mA_cm2):
    # Detailed-balance photocurrent under AM1.5G at 1.15, 1.45 and 1.75 eV with every photon
    # collected (computed from ASTM G173-03; Ruehle, Solar Energy 130 (2016) 139). The model's
    # quantum efficiency is 1 on its plateau, so only its edges lose.
    model = of_technology(technology)
    quantum = model.value / model.wavelength_nm
    absolute = Response(
        model.wavelength_nm, quantum / quantum.max() * model.wavelength_nm / 1239.841984, "A/W"
    )
    current = integral(am15g(), model.band_nm, absolute) / 10.0
    assert 0.80 * limit_mA_cm2 < current < limit_mA_cm2


def test_the_answer_does_not_depend_on_the_cell_under_its_own_reference_spectrum():
    for technology in cells.TECHNOLOGIES:
        value, u = value_and_u(
            am15g(), irradiance=800, band=SUN_TABLE, response=of_technology(technology)
        )
        assert value == pytest.approx(800, rel=1e-12)
        assert u == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("zenith", "airmass", "turbidity", "water"),
    [
        (0, 1.0, 0.1, 1.4),
        (30, 1.15, 0.05, 0.5),
        (48, 1.5, 0.085, 1.42),
        (70, 2.9, 0.2, 2.5),
        (80, 5.6, 0.1, 1.0),
        (80, 5.6, 0.3, 3.0),
    ],
)
def test_clear_skies_lie_within_the_uncertainty_of_sunlight(zenith, airmass, turbidity, water):
    # Global spectra of the Bird clear-sky model (Bird and Riordan 1986) as in pvlib.
    from pvlib.spectrum import spectrl2

    sky = spectrl2(zenith, zenith, 0, 0.2, 101325, airmass, water, 0.31, turbidity, dayofyear=100)
    light = Spectrum(sky["wavelength"], np.ravel(sky["poa_global"]), "clear sky")
    value, u = value_and_u(named("sun"), lux=1000)
    assert 0.02 < u / value < 0.06
    assert abs(per_klx(light) - value) < 2.5 * u


# --- identities ---


@settings(max_examples=25, deadline=None)
@given(factor=st.floats(1e-6, 1e6))
def test_the_scale_of_a_spectrum_does_not_matter(factor):
    lamp = black_body(3000)
    other = Spectrum(
        lamp.wavelength_nm, lamp.irradiance_W_m2_nm * factor, "scaled by hand", lamp.band
    )
    assert per_klx(other) == pytest.approx(24.1998, rel=1e-5)


def test_a_grid_finer_or_coarser_than_the_cell_gives_the_same_answer():
    # Measured at 1 and at 10 nm: a smooth lamp loses only 1e-3 by the coarse grid.
    lamp = black_body(2856)
    for step, tolerance in ((1.0, 1e-5), (10.0, 1e-3)):
        grid = np.arange(280.0, 1300.5, step)
        table = Spectrum(grid, np.interp(grid, lamp.wavelength_nm, lamp.irradiance_W_m2_nm), "")
        assert per_klx(table) == pytest.approx(27.4866, rel=tolerance)


# --- names ---


def test_every_name_gives_a_spectrum_and_case_does_not_matter():
    for name in names():
        assert named(name.upper()).total() > 0
    assert named(" 2856K ").name == "filament lamp, black body at 2856 K"
    assert named("led 4000 K").name == "LED lamp, CIE LED-B3"
    assert len(named("Halogen 3000K").variants) == 3
    assert [cause for cause, _ in named("fluorescent").variants] == ["type of fluorescent lamp"] * 3


# --- bad input ---


def test_a_spectrum_that_stops_short_of_the_cell_is_refused_with_the_share_missing():
    with pytest.raises(RangeError, match=r"known for 300 to 780 nm and stops short of the band"):
        effective_irradiance(cie_illuminant("D65"), lux=1000)
    lamp = known_in(black_body(2856), (350, 800))
    with pytest.raises(RangeError, match=r"about \d+% may be missing; use a spectrum that covers"):
        mismatch(lamp, band=(350, 800))
    # The lux of the same table is fine: the eye sees nothing beyond it.
    assert lamp.illuminance() == pytest.approx(black_body(2856).illuminance(), rel=1e-3)


def test_a_spectrum_that_stops_short_of_the_eye_or_of_a_band_is_refused():
    infrared = known_in(black_body(2856), (650, 1200))
    with pytest.raises(RangeError, match="stops short of what the eye sees, 360 to 830 nm"):
        infrared.illuminance()
    with pytest.raises(RangeError, match="stops short of the band, 300 to 2800 nm"):
        infrared.total(THERMOPILE)
    with pytest.raises(RangeError, match=r"known for 2000 to 2500 nm .*about 100% may be missing"):
        known_in(black_body(2856), (2000, 2500)).illuminance()


def test_light_just_beyond_a_table_widens_the_uncertainty():
    result = effective_irradiance(cie_illuminant("LED-B1"), lux=1000)
    assert 0.002 < result.parts_W_m2["light beyond the table"] / result.value_W_m2 < 0.05


GRID = np.arange(300.0, 1201.0, 100.0)


@pytest.mark.parametrize(
    ("wavelength", "values", "message"),
    [
        (GRID / 1000, np.ones(10), r"lamp.csv: .*0.3 to 1.2, which are micrometres.*by 1000"),
        (GRID[::-1], np.ones(10), r"wavelength 2 \(1100 nm\) does not increase.*sort the rows"),
        (GRID, np.r_[np.ones(9), np.nan], "value 10 is nan, not a finite number"),
        (GRID, np.r_[np.ones(9), -0.5], "at 1200 nm is -0.5, well below zero.*dark reading"),
        (GRID, np.zeros(10), "holds no light"),
        (GRID, ["dark"] * 10, "something that is not a number"),
        (GRID, np.ones(9), "two columns of equal length"),
        (GRID - 300, np.ones(10), "wavelength 1 is 0 nm"),
    ],
)
def test_a_bad_table_is_refused_with_what_to_do(wavelength, values, message):
    with pytest.raises(RangeError, match=message):
        Spectrum(wavelength, values, "lamp.csv")


def test_a_little_noise_below_zero_is_kept():
    assert Spectrum(GRID, np.r_[-0.005, np.ones(9)], "noisy").total() > 0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "give lux or irradiance"),
        ({"lux": 1, "irradiance": 1, "band": THERMOPILE}, "give lux or irradiance"),
        ({"irradiance": 60}, "without the band it was measured in; state the band"),
        ({"irradiance": 60, "band": (0.3, 2.8)}, "0.3 to 2.8 looks like micrometres"),
        ({"irradiance": 60, "band": (800, 300)}, "band 800 to 300 nm is empty"),
        ({"lux": -5}, "-5 lx of light"),
        ({"lux": np.nan}, "nan lx of light"),
        ({"irradiance": -1, "band": THERMOPILE}, "-1 W/m2 of light"),
        ({"lux": 5, "u_reading": -1}, "standard uncertainty -1"),
    ],
)
def test_an_unclear_amount_of_light_is_refused(options, message):
    with pytest.raises(RangeError, match=message):
        effective_irradiance(black_body(2856), **options)


def test_light_measured_where_there_is_none_is_refused():
    glazed = known_in(black_body(2856), (300, 2800), dark=True)
    with pytest.raises(RangeError, match="no light where the meter looks"):
        effective_irradiance(glazed, irradiance=10, band=(3000, 5000))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: black_body(2.7), r"2.7 K is outside 500 to 20000 K; give it in kelvin"),
        (lambda: filament_lamp(4000), "4000 K is not one of a filament"),
        (lambda: filament_lamp(2700, u_temperature_K=-1), "uncertainty -1 K"),
        (lambda: filament_lamp(kind="candle"), "'candle' is not a known light source"),
        (lambda: led_lamp(500), "500 K is not one of a white LED"),
        (lambda: named("LED-B9"), "'LED-B9' is not a known light source; did you mean LED-B"),
        (lambda: named("zzzz"), "known are AM1.5G, sun, halogen"),
        (lambda: named("fluorescent 4000 K"), "does not describe 'fluorescent 4000 K'"),
        (lambda: cie_illuminant("D95"), "'D95' is not a known light source"),
        (lambda: of_technology("CdTd"), "did you mean CdTe"),
        (lambda: of_technology("?"), "use one of c-Si, HJT, a-Si, CdTe, CIGS, perovskite"),
        (lambda: Response(GRID, -np.ones(10), "cell"), "response runs from -1 to -1"),
        (lambda: cells.band_model("x", (400, 300), (600, 700), 1, 1), "does not increase"),
    ],
)
def test_impossible_lamps_and_cells_are_refused_with_what_to_do(call, message):
    with pytest.raises(RangeError, match=message):
        call()


def test_importing_the_spectra_loads_neither_pvlib_nor_pandas():
    code = (
        "import sys, ivkit.light.spectrum; "
        "heavy = ('pvlib', 'pandas', 'matplotlib', 'scipy.optimize'); "
        "print([name for name in heavy if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_the_tables_kept_here_are_those_of_pvlib():
    # Kept because importing pvlib takes half a second; ASTM G173-03 and doi 10.2172/1814068.
    from pvlib.spectrum import get_example_spectral_response, get_reference_spectra

    sun = get_reference_spectra(standard="ASTM G173-03")["global"]
    kept = am15g()
    np.testing.assert_array_equal(kept.wavelength_nm, sun.index)
    np.testing.assert_allclose(kept.irradiance_W_m2_nm, sun, rtol=1e-12)
    silicon = cells.crystalline_silicon()
    theirs = get_example_spectral_response(silicon.wavelength_nm).to_numpy()
    np.testing.assert_allclose(silicon.value, np.clip(theirs, 0.0, None), atol=1e-12)


def test_no_light_under_a_lamp_loads_pvlib():
    code = (
        "import sys\n"
        "from ivkit.light.spectrum import effective_irradiance, named\n"
        "effective_irradiance(named('halogen'), lux=1000.0)\n"
        "print([name for name in ('pvlib', 'pandas') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
