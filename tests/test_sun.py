"""The sun's position, the light of a clear sky, against published values."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.errors import RangeError
from ivkit.light.incidence import angle_between, direction
from ivkit.light.place import Place, Steps, day_steps, explicit_times, time_zone, year_steps
from ivkit.light.sky import SkyModel, clear_sky, on_plane
from ivkit.light.sun import may_be_up, sun_position

PVLIB_DATA = Path(pvlib.__file__).parent / "data"
LONDON = Place(51.5, 0.0)


def two_axis_gain(sky, model):
    """Two-axis over fixed at tilt = latitude, in-plane light."""
    place = sky.place
    fixed = on_plane(sky, abs(place.latitude), place.equator, model).total.sum()
    return on_plane(sky, sky.zenith, sky.azimuth, model).total.sum() / fixed - 1


# Position


def test_the_sun_stands_where_the_published_example_says():
    # Reda and Andreas, NREL/TP-560-34302 (2008), section A.5 worked example.
    place = Place(39.742476, -105.1786, 1830.14)
    sun = sun_position(
        place, ["2003-10-17T12:30:30-07:00"], pressure=82000.0, temp_air=11.0, delta_t=67.0
    )
    assert sun.apparent_zenith[0] == pytest.approx(50.11162, abs=1e-4)
    assert sun.azimuth[0] == pytest.approx(194.340241, abs=1e-4)
    # Slope 30 deg, surface azimuth 10 deg east of south.
    there = direction(sun.apparent_zenith[0], sun.azimuth[0])
    angle = angle_between(direction(30, 170), there)
    assert float(angle) == pytest.approx(25.18700, abs=1e-4)


def test_the_angle_of_incidence_is_the_textbook_example_s():
    # Duffie and Beckman, Solar Engineering of Thermal Processes, example 1.6.1: latitude 43,
    # slope 45, azimuth 15 deg west, 13 February, 10:30: cos(theta) 0.817, theta 35 deg.
    latitude, declination, hour = np.radians([43.0, -14.0, -22.5])
    up = np.sin(declination) * np.sin(latitude)
    up += np.cos(declination) * np.cos(latitude) * np.cos(hour)
    east = -np.cos(declination) * np.sin(hour)
    north = np.sin(declination) * np.cos(latitude)
    north -= np.cos(declination) * np.sin(latitude) * np.cos(hour)
    zenith, azimuth = np.degrees(np.arccos(up)), np.degrees(np.arctan2(east, north)) % 360
    angle = float(angle_between(direction(45, 180 + 15), direction(zenith, azimuth)))
    assert angle == pytest.approx(35.176, abs=1e-3)  # their eq. 1.6.2, worked to more digits
    assert np.cos(np.radians(angle)) == pytest.approx(0.817, abs=5e-4)  # as printed


@pytest.mark.parametrize("latitude", [0.0, 35.0, -51.5, 69.0, 89.0])
def test_the_quick_test_for_night_never_takes_daylight_for_it(latitude):
    place = Place(latitude, 25.0)
    steps = year_steps(2024, time_zone("UTC"), 47)
    maybe = may_be_up(place, steps.times)
    up = sun_position(place, steps.times).apparent_zenith < 90
    assert not np.any(up & ~maybe)
    # and it saves its keep: few nights are worked through for nothing
    assert np.mean(maybe & ~up) < (0.06 if abs(latitude) < 60 else 0.12)


def test_a_time_without_a_zone_is_refused():
    # Read as UTC it moves the sun by 7 deg an hour (a known trap).
    with pytest.raises(RangeError, match="2026-06-21T12:00:00 has no time zone; write the offset"):
        sun_position(LONDON, ["2026-06-21T12:00"])
    with pytest.raises(RangeError, match="an empty list has no time zone"):
        Steps(pd.DatetimeIndex([]), 1.0)
    assert explicit_times(["2026-06-21T12:00Z"]).tz is not None


# Place and zone


@pytest.mark.parametrize(
    ("latitude", "longitude", "message"),
    [
        (-105.2, 39.7, "latitude -105.2 deg is outside -90 to 90 deg; .* look swapped"),
        (151.2, -33.9, "look swapped"),
        (95.0, 120.0, "latitude 95 deg is outside -90 to 90 deg; give degrees, north and east"),
        (51.5, 190.0, "longitude 190 deg is outside -180 to 180 deg"),
        (float("nan"), 0.0, "latitude nan deg is outside"),
    ],
)
def test_coordinates_that_do_not_exist_are_refused(latitude, longitude, message):
    with pytest.raises(RangeError, match=message):
        Place(latitude, longitude)


def test_an_altitude_that_no_place_has_is_refused():
    with pytest.raises(RangeError, match="altitude 30000 m is outside -430 to 9000 m"):
        Place(51.5, 0.0, 30000.0)


def test_a_zone_from_another_part_of_the_world_is_refused():
    with pytest.raises(RangeError, match="longitude 105 deg is 150 deg away from"):
        time_zone("America/Denver", Place(39.7, 105.0))
    with pytest.raises(RangeError, match=r"check the sign .* swapped"):
        time_zone("Europe/London", Place(0.0, 51.5))


def test_real_places_far_from_their_zone_s_noon_are_taken():
    # Kashgar, Attu, Kiritimati, the Canaries, Vigo: clocks far from the sun's.
    for zone, longitude in (
        ("Asia/Shanghai", 75.9),
        ("America/Adak", 173.2),
        ("Pacific/Kiritimati", -157.4),
        ("Atlantic/Canary", -18.0),
        ("Europe/Madrid", -8.7),
    ):
        assert time_zone(zone, Place(10.0, longitude)) is not None
    assert time_zone("UTC", Place(39.7, -105.0)) is not None
    assert time_zone("Etc/GMT+7", Place(39.7, -105.0)) is not None


@pytest.mark.parametrize("name", ["Europe/Nowhere", "", "../etc/passwd", "Mars"])
def test_an_unknown_zone_is_refused(name):
    with pytest.raises(RangeError, match="is not known; give a name such as"):
        time_zone(name)


def test_a_day_has_as_many_steps_as_its_clock_says():
    zone = time_zone("Europe/London")
    assert len(day_steps("2026-06-21", zone).times) == 1440
    assert len(day_steps("2026-03-29", zone).times) == 23 * 60  # clocks go forward
    assert len(day_steps("2026-10-25", zone).times) == 25 * 60  # and back
    assert len(year_steps(2024, zone, 60).times) == 366 * 24
    # Middles of the steps, not their beginnings.
    assert day_steps("2026-06-21", zone, 10).times[0].isoformat() == "2026-06-21T00:05:00+01:00"


@pytest.mark.parametrize(
    ("day", "minutes", "message"),
    [
        ("21/06/2026", 1, "'21/06/2026' is not a day; write year-month-day"),
        ("2026-06-31", 1, "'2026-06-31' is not a day"),
        ("1723-06-21", 1, "year 1723 is outside 1900 to 2100"),
        ("2026-06-21", 0, "step of 0 minutes is outside 0 to 60"),
        ("2026-06-21", 90, "step of 90 minutes is outside 0 to 60"),
    ],
)
def test_a_day_that_does_not_exist_or_a_foolish_step_is_refused(day, minutes, message):
    with pytest.raises(RangeError, match=message):
        day_steps(day, time_zone("UTC"), minutes)


def test_polar_night_is_said_so():
    with pytest.raises(RangeError, match=r"sun does not rise at 78.2° N, 15.6° E in this time"):
        clear_sky(Place(78.2, 15.6), day_steps("2026-12-21", time_zone("UTC")))


def test_the_midnight_sun_is_up_all_day():
    sky = clear_sky(Place(78.2, 15.6), day_steps("2026-06-21", time_zone("UTC"), 10))
    assert len(sky.times) == 144


# Clear sky and transposition

CLEAR = {  # two-axis gain over tilt = latitude: isotropic, Hay and Davies
    (0.0, "2023-03-20"): (0.335, 0.382),
    (0.0, "2023-06-21"): (0.434, 0.495),
    (0.0, "2023-12-22"): (0.434, 0.495),
    (35.0, "2023-03-20"): (0.318, 0.354),
    (35.0, "2023-06-21"): (0.597, 0.674),
    (35.0, "2023-12-22"): (0.273, 0.302),
    (51.5, "2023-03-20"): (0.297, 0.323),
    (51.5, "2023-06-21"): (0.721, 0.803),
    (51.5, "2023-12-22"): (0.174, 0.187),
}


@pytest.mark.parametrize(("latitude", "day"), CLEAR)
def test_a_clear_day_s_gain_is_what_pvlib_s_models_give(latitude, day):
    # Computed apart from ivkit, by pvlib's get_clearsky and get_total_irradiance: Ineichen, Linke
    # turbidity 3, sea level, longitude 0, one minute, albedo 0.2.
    sky = clear_sky(Place(latitude, 0.0), day_steps(day, time_zone("UTC")))
    isotropic, hay_davies = CLEAR[latitude, day]
    assert two_axis_gain(sky, SkyModel.ISOTROPIC) == pytest.approx(isotropic, abs=0.003)
    assert two_axis_gain(sky, SkyModel.HAY_DAVIES) == pytest.approx(hay_davies, abs=0.003)


def test_a_clear_day_s_light_is_what_pvlib_s_models_give():
    # As above, Wh/m2 at 35 deg, isotropic: fixed and two axes.
    for day, fixed, two in (
        ("2023-03-20", 7274.2, 9584.0),
        ("2023-06-21", 7236.3, 11555.9),
        ("2023-12-22", 5154.6, 6561.3),
    ):
        sky = clear_sky(Place(35.0, 0.0), day_steps(day, time_zone("UTC")))
        light = on_plane(sky, 35, 180, SkyModel.ISOTROPIC).total.sum() * sky.hours
        assert light == pytest.approx(fixed, rel=2e-4)
        light = on_plane(sky, sky.zenith, sky.azimuth, SkyModel.ISOTROPIC).total.sum() * sky.hours
        assert light == pytest.approx(two, rel=2e-4)


def test_a_clear_equinox_at_35_degrees_gains_what_people_say_of_a_day():
    # Common practice, no source: tracking adds 30 to 40 % over a day.
    sky = clear_sky(Place(35.0, 0.0), day_steps("2023-03-20", time_zone("UTC")))
    for model in SkyModel:
        assert 0.30 < two_axis_gain(sky, model) < 0.40


@pytest.mark.parametrize("model", SkyModel)
@pytest.mark.parametrize(("tilt", "azimuth"), [(0, 180), (35, 180), (60, 90), (90, 270)])
def test_away_from_the_horizon_the_light_is_pvlib_s_own(model, tilt, azimuth):
    sky = clear_sky(LONDON, day_steps("2023-06-21", time_zone("UTC"), 10))
    sky = sky.take(sky.zenith < 84.9)
    name = {"hay-davies": "haydavies"}.get(model.value, model.value)
    whole = pvlib.irradiance.get_total_irradiance(
        tilt,
        azimuth,
        sky.zenith,
        sky.azimuth,
        sky.dni,
        sky.ghi,
        sky.dhi,
        dni_extra=sky.dni_extra,
        airmass=sky.airmass,
        albedo=0.2,
        model=name,
    )
    light = on_plane(sky, tilt, azimuth, model)
    assert light.total == pytest.approx(whole["poa_global"], rel=1e-12)
    assert light.beam == pytest.approx(whole["poa_direct"], rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("model", SkyModel)
def test_a_low_sun_makes_no_light_out_of_nothing(model):
    # The same beam and the same diffuse light, the sun sinking from 85 to 89.9 deg: a plane that
    # faces it takes about the same. Hay and Davies' own equation divides by cos(zenith).
    sky = clear_sky(LONDON, day_steps("2023-06-21", time_zone("UTC"), 10)).take([5, 6])
    low = replace(
        sky,
        zenith=np.array([85.0, 89.9]),
        dni=np.full(2, 250.0),
        dhi=np.full(2, 100.0),
        ghi=np.full(2, 110.0),
    )
    light = on_plane(low, low.zenith, low.azimuth, model)
    assert light.total[1] == pytest.approx(light.total[0], rel=0.05)
    if model is SkyModel.HAY_DAVIES:
        unguarded = pvlib.irradiance.haydavies(
            89.9, 180.0, 100.0, 250.0, low.dni_extra[1], 89.9, 180.0
        )
        assert unguarded > 3 * (light.sky + light.circumsolar)[1]


def test_no_diffuse_light_is_no_reason_for_a_nan():
    sky = clear_sky(LONDON, day_steps("2023-06-21", time_zone("UTC"), 30))
    dark = replace(sky, dhi=np.zeros_like(sky.dhi))
    for model in SkyModel:
        light = on_plane(dark, 30, 180, model, albedo=0.0)
        assert light.total == pytest.approx(light.beam)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.floats(-66, 66),
    st.floats(0, 90),
    st.floats(0, 360),
    st.sampled_from(list(SkyModel)),
    st.floats(0, 1),
)
def test_light_is_finite_and_never_negative_at_any_place_and_tilt(lat, tilt, az, model, albedo):
    sky = clear_sky(Place(lat, 10.0), day_steps("2025-09-01", time_zone("UTC"), 30))
    light = on_plane(sky, tilt, az, model, albedo)
    assert np.all(np.isfinite(light.total))
    assert np.all(light.total >= -1e-9)
    assert np.all(light.beam <= sky.dni + 1e-9)


def test_foolish_albedo_tilt_and_turbidity_are_refused():
    steps = day_steps("2026-06-21", time_zone("UTC"), 30)
    sky = clear_sky(LONDON, steps)
    with pytest.raises(RangeError, match="albedo 20 is outside 0 to 1"):
        on_plane(sky, 30, 180, albedo=20)
    with pytest.raises(RangeError, match="tilt 200 to 200 deg is outside 0 to 180"):
        on_plane(sky, 200, 180)
    with pytest.raises(RangeError, match=r"turbidity 0.5 is outside 1 to 10"):
        clear_sky(LONDON, steps, turbidity=0.5)


def test_the_world_map_of_turbidity_is_pvlib_s():
    steps = day_steps("2026-06-21", time_zone("UTC"), 30)
    place = Place(51.54, 0.04)
    own = clear_sky(place, steps, turbidity=None)
    import h5py

    with h5py.File(PVLIB_DATA / "LinkeTurbidities.h5") as file:
        # Rows run from 90 N to 90 S, columns from 180 W, 12 to the degree; 20 times the value.
        june = file["LinkeTurbidity"][int((90 - 51.54) * 12), int(180.04 * 12), 5] / 20
    assert f"turbidity {june:.1f} to {june:.1f} from the monthly world map" in own.source
    assert own.dni.sum() < clear_sky(place, steps, turbidity=2).dni.sum()
