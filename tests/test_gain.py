"""What tracking is worth: closed forms for the geometry, the curve itself for the energy."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pvlib
import pytest

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError
from ivkit.light.mount import (
    Aim,
    Fixed,
    OneAxis,
    Retilted,
    TwoAxis,
    best_tilts,
    coarsest_step,
    hold,
    travel,
)
from ivkit.light.place import Place, day_steps, time_zone, year_steps
from ivkit.light.sky import Sky, SkyModel, clear_sky, on_plane
from ivkit.verdict.gain import (
    Drive,
    Yield,
    cell_temperature,
    gain,
    through_glass,
    usual_mounts,
)

LONDON = Place(51.5, 0.0)


class JettyPanel:
    """An invented 10 W panel of 36 cells, moved to a condition by De Soto et al. (2006)."""

    def at(self, effective_irradiance, temp_cell):
        il, i0, rs, rsh, a = pvlib.pvsystem.calcparams_desoto(
            effective_irradiance, temp_cell, 0.0003, 1.0175, 0.605, 3.9e-10, 620.0, 1.7
        )
        return SingleDiode(il, i0, rs, rsh, a)


class ProportionalPanel:
    """A panel whose short-circuit current is the light and nothing else: 1 A at 1000 W/m2."""

    def at(self, effective_irradiance, temp_cell):
        light, _ = np.broadcast_arrays(effective_irradiance, temp_cell)
        return SingleDiode(light / 1000, 1e-12, 0.0, np.inf, 1.0)


def beam_only(latitude, declination, steps=2000):
    """A day of nothing but beam, 1000 W/m2 from rise to set, by spherical trigonometry."""
    phi, delta = np.radians([latitude, declination])
    half = np.arccos(np.clip(-np.tan(phi) * np.tan(delta), -1, 1))
    hour = ((np.arange(steps) + 0.5) / steps * 2 - 1) * half
    up = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour)
    east = -np.cos(delta) * np.sin(hour)
    north = np.cos(phi) * np.sin(delta) - np.sin(phi) * np.cos(delta) * np.cos(hour)
    noon = pd.Timestamp("2026-03-20T12:00Z")
    none, one = np.zeros(steps), np.ones(steps)
    hours = 24 * half / np.pi / steps
    sky = Sky(
        Place(latitude, 0.0),
        noon + pd.to_timedelta(hour * 12 / np.pi, unit="h").round("s"),
        hours,
        24.0,
        np.degrees(np.arccos(up)),
        np.degrees(np.arctan2(east, north)) % 360,
        1000 * up,
        1000 * one,
        none,
        1361 * one,
        one,
        20 * one,
        one,
        "beam only",
    )
    return sky, hour, np.degrees(half)


def light_gain(sky, *mounts, **options):
    """Gains in light over the first mount, no ground light."""
    result = gain(sky, mounts, albedo=0.0, **options)
    return [result.over_first(k, Yield.LIGHT) for k in range(1, len(mounts))]


# Geometry against closed forms


@pytest.mark.parametrize(
    ("latitude", "declination", "published"),
    [
        (0, 0, 0.57080),
        (35, 0, 0.57080),
        (51.5, 0, 0.57080),
        (0, 23.44, 0.71208),
        (0, -23.44, 0.71208),
        (35, 23.44, 1.04828),
        (35, -23.44, 0.44404),
        (51.5, 23.44, 1.34041),
        (51.5, -23.44, 0.29267),
        (-35, -23.44, 1.04828),
    ],
)
def test_the_gain_of_two_axes_under_beam_alone_is_the_closed_form(latitude, declination, published):
    # Fixed at tilt = latitude: cos(theta) = cos(declination) cos(hour angle), so the gain is
    # ws / (cos(delta) sin(min(ws, 90 deg))) - 1; pi/2 - 1 at the equinox whatever the latitude.
    sky, _, sunset = beam_only(latitude, declination)
    closed = np.radians(sunset) / np.cos(np.radians(declination))
    closed = closed / np.sin(np.radians(min(sunset, 90))) - 1
    place = sky.place
    (two,) = light_gain(sky, Fixed(abs(latitude), place.equator), TwoAxis())
    assert two == pytest.approx(closed, abs=1e-5)
    assert two == pytest.approx(published, abs=1e-4)


@pytest.mark.parametrize("declination", [-20, 0, 15, 23.44])
def test_one_axis_follows_the_textbook(declination):
    # Duffie and Beckman, section 1.7: a polar axis has cos(theta) = cos(delta); a horizontal
    # north-south axis has cos(theta) = sqrt(cos(zenith)^2 + cos(delta)^2 sin(w)^2); a horizontal
    # east-west axis has sqrt(1 - cos(delta)^2 sin(w)^2).
    sky, hour, _ = beam_only(40, declination)
    delta = np.radians(declination)
    before_six = np.abs(hour) > np.pi / 2  # a polar axis would have to turn past upright
    level = np.sqrt(np.cos(np.radians(sky.zenith)) ** 2 + np.cos(delta) ** 2 * np.sin(hour) ** 2)
    east_west = np.sqrt(1 - np.cos(delta) ** 2 * np.sin(hour) ** 2)
    for mount, expected in (
        (OneAxis(40, 180), np.full(len(hour), np.cos(delta))),
        (OneAxis(0, 180), level),
        (OneAxis(0, 90), east_west),
    ):
        looks = mount.orientation(sky, SkyModel.ISOTROPIC, 0.0)
        cosine = on_plane(sky, looks.tilt, looks.azimuth, SkyModel.ISOTROPIC, 0.0).cos_aoi
        inside = ~before_six if mount.axis_tilt else slice(None)
        assert cosine[inside] == pytest.approx(expected[inside], abs=1e-9)


def test_a_rotation_limit_is_kept():
    sky, _, _ = beam_only(35, 0)
    looks = OneAxis(0, 180, limit=45).orientation(sky, SkyModel.ISOTROPIC, 0.0)
    assert looks.tilt.max() == pytest.approx(45)
    assert looks.tilt.min() < 1
    assert set(np.round(looks.azimuth[[0, -1]])) == {90, 270}


@pytest.mark.parametrize("declination", [-23.44, -10, -1])
@pytest.mark.parametrize("latitude", [20, 45])
def test_the_best_tilt_of_a_day_is_the_closed_form(latitude, declination):
    # In the winter half the sun is before a south-facing panel all day, and the day's beam on it
    # is U cos(tilt) + S sin(tilt): best at tan(tilt) = S/U.
    sky, _, sunset = beam_only(latitude, declination)
    phi, delta, ws = np.radians([latitude, declination, sunset])
    up = np.cos(phi) * np.cos(delta) * np.sin(ws) + np.sin(phi) * np.sin(delta) * ws
    south = np.sin(phi) * np.cos(delta) * np.sin(ws) - np.cos(phi) * np.sin(delta) * ws
    tilt = best_tilts(sky, np.zeros(len(sky.times), int), 180.0, SkyModel.ISOTROPIC, 0.0)
    assert tilt[0] == pytest.approx(np.degrees(np.arctan2(south, up)), abs=0.1)
    assert np.ptp(tilt) == 0


def test_a_summer_in_the_tropics_is_best_tilted_to_the_other_side():
    sky, _, _ = beam_only(5, 23.44)
    looks = Retilted("day", 180.0).orientation(sky, SkyModel.ISOTROPIC, 0.0)
    assert looks.azimuth[0] % 360 == 0
    assert 20 < looks.tilt[0] < 40


def test_a_new_best_tilt_is_found_for_each_day_and_month():
    steps = pd.date_range("2026-01-01", "2027-01-01", freq="20min", inclusive="left", tz="UTC")
    from ivkit.light.place import Steps

    sky = clear_sky(LONDON, Steps(steps, 1 / 3))
    result = gain(sky, [Fixed(51.5, 180), Retilted("month", 180), Retilted("day", 180)])
    months, days = result.mounts[1].orientation.tilt, result.mounts[2].orientation.tilt
    assert len(np.unique(months)) == 12
    assert 300 < len(np.unique(days)) <= 366
    # Each freedom can only add, and the low sun of winter wants a steeper panel.
    assert 0 < result.over_first(1, Yield.LIGHT) < result.over_first(2, Yield.LIGHT)
    assert months[0] > 60 > 30 > months[len(months) // 2]


@pytest.mark.parametrize("off", [0.0, 5.0, 30.0, 60.0, 90.0])
def test_a_pointing_error_costs_its_cosine_of_the_beam(off):
    sky, _, _ = beam_only(35, 10)
    result = gain(sky, [TwoAxis(), TwoAxis(Aim(pointing_error=off))], albedo=0.0)
    expected = np.cos(np.radians(off)) - 1
    assert result.over_first(1, Yield.LIGHT) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("minutes", [20, 60, 120])
def test_moving_once_in_a_while_costs_the_mean_cosine_of_the_lag(minutes):
    # At the equinox the sun goes round a great circle, a quarter of a degree a minute. Aimed in
    # the first of n steps, it lags 0, 1, ... n - 1 quarters: the sum of cosines is Dirichlet's,
    # and with many steps sin(x)/x, x being the sun's way in the interval.
    sky, _, _ = beam_only(35, 0, steps=720)
    times = pd.date_range("2026-03-20T06:00:30Z", periods=720, freq="1min")
    sky = replace(sky, times=times, hours=1 / 60)
    result = gain(sky, [TwoAxis(), TwoAxis(Aim(update_interval=minutes))], albedo=0.0)
    step = np.radians(0.25)
    mean = np.sin(minutes * step / 2) * np.cos((minutes - 1) * step / 2) / np.sin(step / 2)
    assert result.over_first(1, Yield.LIGHT) == pytest.approx(mean / minutes - 1, rel=1e-6)
    way = minutes * step
    assert result.over_first(1, Yield.LIGHT) == pytest.approx(np.sin(way) / way - 1, abs=6e-4)


def test_a_dead_band_is_never_left_by_more_than_a_step():
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC")))
    for mount in (TwoAxis(Aim(dead_band=5)), OneAxis(0, 180, aim=Aim(dead_band=5))):
        perfect = replace(mount, aim=Aim()).orientation(sky, SkyModel.ISOTROPIC, 0.0)
        held = mount.orientation(sky, SkyModel.ISOTROPIC, 0.0)
        apart = pvlib.irradiance.aoi(held.tilt, held.azimuth, perfect.tilt, perfect.azimuth)
        assert 4.5 < np.nanmax(apart) < 5.0 + 0.01
        moves = np.count_nonzero(np.diff(held.tilt))
        assert 20 < moves < 60  # some 200 to 250 deg of way in moves of 5 deg
        assert held.travel <= perfect.travel + 1e-6


def test_a_dead_band_and_an_interval_work_together():
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC")))
    towards = np.column_stack([np.cos(np.radians(sky.azimuth)), np.sin(np.radians(sky.azimuth))])
    held = hold(sky, towards, Aim(dead_band=1, update_interval=30))
    minutes = sky.times.minute[np.unique(held)[1:]]
    assert set(minutes) <= {0, 30}
    assert len(np.unique(held)) < len(np.unique(hold(sky, towards, Aim(update_interval=10))))


@pytest.mark.parametrize("latitude", [0.0, 51.5, -70.0, 90.0])
def test_a_tracker_always_looks_somewhere(latitude):
    # pvlib's singleaxis gives NaN at night; only steps with the sun up ever reach it.
    place = Place(latitude, 10.0)
    sky = clear_sky(place, year_steps(2025, time_zone("UTC"), 60))
    for mount in (OneAxis(0, 180), OneAxis(30, 0, limit=50), TwoAxis(Aim(pointing_error=3))):
        looks = mount.orientation(sky, SkyModel.ISOTROPIC, 0.2)
        assert np.all(np.isfinite(looks.tilt))
        assert np.all(np.isfinite(looks.azimuth))
        assert np.isfinite(looks.travel)


def test_steps_too_long_to_show_a_tracker_s_moves_are_refused():
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC"), 60))
    with pytest.raises(
        RangeError, match="steps of 60 min do not show what a tracker loses with every 30 min; use"
    ):
        gain(sky, [TwoAxis(), TwoAxis(Aim(update_interval=30))])
    with pytest.raises(RangeError, match="loses with dead band 2°"):
        gain(sky, [TwoAxis(), OneAxis(0, 180, aim=Aim(dead_band=2))])
    assert coarsest_step([TwoAxis(Aim(update_interval=60)), Fixed(30, 180)]) == 3
    assert coarsest_step([TwoAxis(), Fixed(30, 180)]) == np.inf


def test_a_drive_takes_what_its_travel_and_its_day_say():
    # 180 deg out, 180 deg back, 1 deg/s, 36 W: 3.6 Wh; and 0.5 W for 24 h: 12 Wh.
    assert travel(np.zeros(181), np.arange(181.0)) == 360
    assert Drive(moving=36, standby=0.5, speed=1).energy(360, 24) == pytest.approx(15.6)
    # Through north the short way, and back at night.
    assert travel(np.zeros(3), np.array([350.0, 0.0, 10.0])) == 40
    # Each day has its own way back; nothing is counted between them.
    assert travel(np.array([0, 0, 1, 1]), np.array([0.0, 50.0, 0.0, 70.0])) == 240
    sky, _, _ = beam_only(35, 0)
    drive = Drive(moving=2, standby=0.05, speed=0.5)
    result = gain(
        sky, [Fixed(35, 180), OneAxis(35, 180), TwoAxis()], panel=ProportionalPanel(), drive=drive
    )
    assert result.drive_energy(0) == 0
    # At the equinox a polar axis goes from -90 to 90 deg.
    assert result.drive_energy(1) == pytest.approx(2 * 360 / 0.5 / 3600 + 1.2, rel=1e-3)
    gross = result.mounts[1].energy(Yield.MAX_POWER)
    assert result.energy(1, Yield.MAX_POWER) == pytest.approx(gross - result.drive_energy(1))
    # A drive that took the break-even power all day would leave nothing.
    limit = result.break_even(1, Yield.MAX_POWER)
    rest = gross - limit * 24
    assert rest == pytest.approx(result.mounts[0].energy(Yield.MAX_POWER))


# The panel


def test_a_small_fixed_load_gains_by_the_square_of_the_light():
    # A load near a short circuit: power = (light)^2 R. At the equinox under beam alone the fixed
    # panel's mean of cos^2 is 1/2, so two axes gain 1/(1/2) - 1 = 100 %, and in light pi/2 - 1.
    sky, _, _ = beam_only(35, 0)
    result = gain(
        sky,
        [Fixed(35, 180), TwoAxis()],
        panel=ProportionalPanel(),
        load_ohm=0.01,
        glass=None,
        albedo=0.0,
    )
    assert result.over_first(1, Yield.LOAD) == pytest.approx(1.0, abs=2e-4)
    assert result.over_first(1, Yield.LIGHT) == pytest.approx(np.pi / 2 - 1, abs=1e-4)
    # At maximum power a little more than the light: voltage rises with it.
    assert 0.571 < result.over_first(1, Yield.MAX_POWER) < 0.65


def test_a_load_far_above_the_best_hardly_gains():
    # There the panel is a voltage source; a fixed load's power hardly follows the light.
    sky, _, _ = beam_only(35, 0)
    result = gain(sky, [Fixed(35, 180), TwoAxis()], panel=ProportionalPanel(), load_ohm=1000.0)
    assert 0 < result.over_first(1, Yield.LOAD) < 0.15


def test_a_load_never_takes_more_than_there_is():
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC"), 5))
    mounts = usual_mounts(LONDON, 1)
    for load in (5.0, 33.0, 120.0):
        result = gain(sky, mounts, panel=JettyPanel(), load_ohm=load)
        for collected in result.mounts:
            assert np.all(collected.load_power <= collected.max_power * (1 + 1e-4))


def test_energies_are_those_of_the_curve_itself():
    # Step by step through the diode equation, for the tracked mount of one day.
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC"), 10))
    result = gain(sky, [TwoAxis()], panel=JettyPanel(), load_ohm=33.0)
    light = on_plane(sky, sky.zenith, sky.azimuth, SkyModel.HAY_DAVIES)
    effective = through_glass(light, sky.zenith, 0.19)
    curves = JettyPanel().at(effective, cell_temperature(light.total, sky))
    energy = curves.key_points().p_mp.sum() * sky.hours
    assert result.energy(0, Yield.MAX_POWER) == pytest.approx(energy, rel=1e-5)
    energy = curves.operating_point(33.0).power.sum() * sky.hours
    assert result.energy(0, Yield.LOAD) == pytest.approx(energy, rel=1e-5)


def test_glass_takes_the_beam_by_martin_and_ruiz():
    # IAM at 60 deg, a_r 0.16: 0.957912 (Martin and Ruiz 2001, worked to six digits with mpmath).
    sky, _, _ = beam_only(35, 0, steps=200)
    light = on_plane(sky, sky.zenith, sky.azimuth, SkyModel.ISOTROPIC, 0.0)
    tipped = replace(light, cos_aoi=np.full(200, 0.5))
    assert through_glass(tipped, 30.0, 0.16) == pytest.approx(1000 * 0.957912, rel=1e-6)
    assert through_glass(tipped, 30.0, None) == pytest.approx(1000)


def test_cells_are_as_warm_as_the_two_equations_say():
    # Faiman (2008): T = Ta + G/(25 + 6.84 v). Ross (1981): T = Ta + (NMOT - 20) G/800.
    sky, _, _ = beam_only(35, 0, steps=10)
    sky = replace(sky, wind_speed=np.full(10, 2.0))
    assert cell_temperature(np.full(10, 800.0), sky) == pytest.approx(20 + 800 / 38.68)
    assert cell_temperature(np.full(10, 800.0), sky, nmot=45.0) == pytest.approx(45.0)


# The answer as a whole


def test_the_spread_over_sky_models_is_part_of_the_answer():
    # Annual gains differ by 5 to 7 points between isotropic and Perez (Greensboro, TMY3).
    from pathlib import Path

    from ivkit.light.weather_file import read_weather

    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    sky = read_weather(path).sky()
    result = gain(sky, [Fixed(36.1, 180), OneAxis(0, 180), TwoAxis()])
    low, high = result.spread(2, Yield.LIGHT)
    assert low == pytest.approx(0.2318, abs=0.003)
    assert high == pytest.approx(0.2982, abs=0.003)
    assert result.over_first(2, Yield.LIGHT) == pytest.approx(0.2805, abs=0.003)
    # Horizontal north-south axis, isotropic, computed apart by pvlib: 0.125.
    level = result.over_first(1, Yield.LIGHT, SkyModel.ISOTROPIC)
    assert level == pytest.approx(0.125, abs=0.003)


def test_the_level_axis_at_sand_point_gains_what_pvlib_s_models_give():
    from pathlib import Path

    from ivkit.light.weather_file import read_weather

    path = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    sky = read_weather(path).sky()
    result = gain(sky, [Fixed(55.317, 180), OneAxis(0, 180)], models=[SkyModel.ISOTROPIC])
    level = result.over_first(1, Yield.LIGHT, SkyModel.ISOTROPIC)
    assert level == pytest.approx(0.088, abs=0.003)


def test_what_is_asked_is_what_is_answered():
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC"), 10))
    bare = gain(sky, usual_mounts(LONDON, 1))
    assert bare.yields == (Yield.LIGHT,)
    assert np.isnan(bare.energy(0, Yield.LOAD))
    full = gain(sky, usual_mounts(LONDON, 1), panel=JettyPanel(), load_ohm=33)
    assert full.yields == tuple(Yield)
    assert [type(c.mount) for c in full.mounts] == [Fixed, Retilted, OneAxis, TwoAxis]
    assert usual_mounts(LONDON, 365)[1].period == "month"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"load_ohm": 33.0}, "a load's power needs a panel"),
        ({"drive": Drive(1.0)}, "what a drive takes needs a panel"),
        ({"panel": JettyPanel(), "nmot": 5.0}, "temperature 5 degC is outside 20 to 90"),
        ({"panel": JettyPanel(), "glass": 0.0}, "angular loss coefficient 0"),
        ({"albedo": 2.0}, "albedo 2 is outside 0 to 1"),
    ],
)
def test_what_cannot_be_answered_is_refused(options, message):
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC"), 30))
    with pytest.raises(RangeError, match=message):
        gain(sky, [Fixed(51.5, 180), TwoAxis()], **options)


def test_no_mounts_is_refused():
    sky = clear_sky(LONDON, day_steps("2026-06-21", time_zone("UTC"), 30))
    with pytest.raises(RangeError, match="no mounts to compare; give at least one"):
        gain(sky, [])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Fixed(120, 180), "tilt 120 deg is outside 0 to 90 deg"),
        (lambda: Fixed(30, 500), "azimuth 500 deg is outside -360 to 360 deg"),
        (lambda: Retilted("week", 180), "a tilt for each 'week' is not known; day or month"),
        (lambda: OneAxis(-5, 180), "axis tilt -5 deg is outside"),
        (lambda: OneAxis(0, 180, limit=200), "rotation limit 200 deg is outside"),
        (lambda: Aim(pointing_error=-1), "pointing error -1 deg is outside 0 to 90"),
        (lambda: Aim(dead_band=float("nan")), "dead band nan deg is outside"),
        (lambda: Aim(update_interval=9999), "update interval 9999 min is outside 0 to 720 min"),
        (lambda: Drive(moving=-1), "a drive that takes -1 W; give watts, 0 or more"),
        (lambda: Drive(speed=0), "a drive that turns at 0 deg/s; give deg/s, above 0"),
    ],
)
def test_a_mount_or_drive_that_cannot_be_is_refused(make, message):
    with pytest.raises(RangeError, match=message):
        make()


def test_mounts_are_named_so_that_they_can_be_told_apart():
    assert str(Fixed(0, 180)) == "fixed, flat"
    assert str(OneAxis(0, 0)) == "one axis, north-south"
    assert str(OneAxis(0, 90)) == "one axis, level along 90°"
    assert str(OneAxis(40, 170)) == "one axis, tilted 40° azimuth 170°"
    assert str(TwoAxis(Aim(5, 2, 15))) == "two axes, 5° off, dead band 2°, every 15 min"
