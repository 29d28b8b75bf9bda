"""Weather files as light: TMY3, EPW and tables, against pvlib's files and sums, and bad ones."""

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from ivkit.errors import FileError, RangeError, TableError
from ivkit.light.place import Place, day_steps, time_zone
from ivkit.light.sky import SkyModel, clear_sky, on_plane
from ivkit.light.sun import sun_position
from ivkit.light.weather_file import read_weather

PVLIB_DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO, SAND_POINT = PVLIB_DATA / "723170TYA.CSV", PVLIB_DATA / "703165TY.csv"
LONDON = Place(51.5, 0.0)


def two_axis_gain(sky, model):
    """Two-axis over fixed at tilt = latitude, in-plane light."""
    place = sky.place
    fixed = on_plane(sky, abs(place.latitude), place.equator, model).total.sum()
    return on_plane(sky, sky.zenith, sky.azimuth, model).total.sum() / fixed - 1


ANNUAL = {  # kWh/m2: GHI, DNI, DHI; gains: isotropic, Hay and Davies, Perez
    GREENSBORO: ((1566.2, 1476.5, 682.2), (0.2318, 0.2805, 0.2982)),
    SAND_POINT: ((829.2, 819.2, 460.9), (0.2647, 0.2989, 0.3133)),
}


@pytest.mark.parametrize("path", ANNUAL, ids=lambda p: p.name)
def test_a_typical_year_gains_what_pvlib_s_models_give(path):
    # TMY3 files shipped with pvlib; gains computed apart from ivkit by pvlib, sun at mid-hour,
    # fixed tilt = latitude, albedo 0.2.
    sums, gains = ANNUAL[path]
    weather = read_weather(path)
    for name, total in zip(("ghi", "dni", "dhi"), sums, strict=True):
        assert getattr(weather, name).sum() / 1000 == pytest.approx(total, abs=0.06)
    sky = weather.sky()
    for model, gain in zip(SkyModel, gains, strict=True):
        assert two_axis_gain(sky, model) == pytest.approx(gain, abs=0.003)


def test_the_fixed_and_tracked_light_of_greensboro_is_pvlib_s():
    # As above, isotropic: 1696.6 and 2089.9 kWh/m2. Hours whose middle is dark are left out.
    sky = read_weather(GREENSBORO).sky()
    fixed = on_plane(sky, 36.1, 180, SkyModel.ISOTROPIC).total.sum() / 1000
    two = on_plane(sky, sky.zenith, sky.azimuth, SkyModel.ISOTROPIC).total.sum() / 1000
    assert fixed == pytest.approx(1696.6, rel=1e-3)
    assert two == pytest.approx(2089.9, rel=1e-3)
    assert any("of beam fall in steps whose middle is dark" in note for note in sky.notes)


def test_a_tmy3_file_brings_its_place_and_is_checked_against_the_one_given():
    weather = read_weather(GREENSBORO, place=Place(36.0, -80.0))
    assert weather.place.latitude == 36.1
    with pytest.raises(RangeError, match=r"written for 36.1° N, 79.95° W, not for 51.5° N, 0° E"):
        read_weather(GREENSBORO, place=LONDON)


def epw(rows):
    """A small EPW file, invented: place line, seven lines of header, then rows."""
    header = ["LOCATION,Jetty,-,-,-,000000,51.50,0.00,0.0,5.0"] + ["COMMENTS,invented"] * 7
    return "\n".join(header + rows) + "\n"


def epw_row(day, hour, ghi, dni, dhi, temp=20.0, wind=2.0):
    # Field order: EnergyPlus Auxiliary Programs, "EPW data dictionary".
    cells = ["2001", "6", str(day), str(hour), "60", "?", temp, 10.0, 50, 101325, 1400, 1400, 300]
    cells += [ghi, dni, dhi, 0, 0, 0, 0, 180, wind, 5, 5, 10, 1000, 9, 999999999, 100, 0.1, 0, 88]
    return ",".join(map(str, [*cells, 0.2, 0, 1]))


def test_an_epw_hour_is_taken_at_its_middle(tmp_path):
    # EPW counts hours from 1; hour 12 runs from 11 to 12 o'clock.
    rows = [epw_row(21, hour, 500, 600, 100) for hour in range(1, 25)]
    path = tmp_path / "jetty.epw"
    path.write_text(epw(rows))
    weather = read_weather(path, year=2026)
    assert weather.times[11].isoformat() == "2026-06-21T11:30:00+00:00"
    assert (weather.ghi[11], weather.dni[11], weather.dhi[11]) == (500, 600, 100)
    assert (weather.temp_air[11], weather.wind_speed[11]) == (20, 2)
    assert weather.place == Place(51.5, 0.0, 5.0)
    assert weather.source == "jetty.epw (Jetty)"


def test_what_an_epw_marks_as_missing_is_left_out_and_counted(tmp_path):
    rows = [epw_row(21, hour, 500, 600, 100) for hour in range(1, 25)]
    rows[11] = epw_row(21, 12, 9999, 9999, 9999, 99.9, 999)
    path = tmp_path / "jetty.epw"
    path.write_text(epw(rows))
    # The sun rises at 3:43 and sets at 20:21 UTC: the middles of 16 hours are light.
    sky = read_weather(path).sky()
    assert len(sky.times) == 15
    assert any("1 of 16 steps without light left out" in note for note in sky.notes)


def test_a_broken_tmy3_or_epw_says_so(tmp_path):
    path = tmp_path / "broken.csv"
    path.write_text("000000,x,y,1,2\nDate (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2)\nfoo,bar,baz\n")
    with pytest.raises(TableError, match=r"broken.csv: begins like a TMY3 file but cannot be read"):
        read_weather(path)
    path.write_text("LOCATION,Jetty,-,-\nnothing\n")
    with pytest.raises(TableError, match="begins like a EPW file but cannot be read"):
        read_weather(path)
    path.write_text(epw([epw_row(21, 12, 500, 600, 100)]).replace("51.50", "151.5"))
    with pytest.raises(RangeError, match=r"broken.csv: latitude 151.5 deg is outside"):
        read_weather(path)


def test_standard_input_is_read_like_a_file(monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO(GREENSBORO.read_text()))
    assert len(read_weather("-").times) == 8760
    monkeypatch.setattr("sys.stdin", io.StringIO("nothing\n"))
    with pytest.raises(TableError, match="standard input, line 1: no column is headed time"):
        read_weather("-")


def test_a_file_that_is_no_text_says_so(tmp_path):
    path = tmp_path / "jetty.zip"
    path.write_bytes(np.random.default_rng(0).bytes(3000))
    with pytest.raises(FileError, match=r"jetty.zip: is not a text file; give TMY3, EPW or CSV"):
        read_weather(path)


def test_a_folder_is_no_weather(tmp_path):
    with pytest.raises(FileError, match=r"cannot be read \(is a directory\); check the name"):
        read_weather(tmp_path)


def test_a_file_that_is_not_there_says_so(tmp_path):
    with pytest.raises(FileError, match=r"cannot be read .*no such file"):
        read_weather(tmp_path / "nothing.csv")


def clear_table(minutes=60, shift="middle", columns=("ghi", "dni", "dhi"), zone="Z"):
    """A table of a clear day at London, its closure exact; ``shift`` is what the times name."""
    steps = day_steps("2023-06-21", time_zone("UTC"), minutes)
    sky = clear_sky(LONDON, steps)
    frame = pd.DataFrame(0.0, index=steps.times, columns=["ghi", "dni", "dhi"])
    frame.loc[sky.times, "dni"] = sky.dni
    frame.loc[sky.times, "dhi"] = sky.dhi
    frame.loc[sky.times, "ghi"] = sky.dni * np.cos(np.radians(sky.zenith)) + sky.dhi
    part = {"start": -0.5, "middle": 0.0, "end": 0.5}[shift]
    names = (frame.index + pd.Timedelta(minutes=part * minutes)).strftime("%Y-%m-%dT%H:%M")
    out = io.StringIO()
    out.write("time," + ",".join(columns) + "\n")
    for name, row in zip(names, frame[list(columns)].to_numpy(), strict=True):
        out.write(f"{name}{zone}," + ",".join(f"{x:.4f}" for x in row) + "\n")
    return out.getvalue(), sky


@pytest.fixture
def table(tmp_path):
    """Write a table, return its path."""

    def write(text, name="jetty.csv"):
        path = tmp_path / name
        path.write_text(text)
        return path

    return write


@pytest.mark.parametrize("shift", ["start", "middle", "end"])
def test_the_sun_itself_tells_what_the_times_of_a_table_name(table, shift):
    text, clear = clear_table(shift=shift)
    weather = read_weather(table(text), place=LONDON)
    sky = weather.sky()
    assert any(f"times name the {shift} of each step" in note for note in sky.notes)
    assert sky.times[0] == clear.times[0]
    assert sky.ghi == pytest.approx(clear.dni * np.cos(np.radians(clear.zenith)) + clear.dhi, 1e-3)


def test_a_stated_stamp_is_obeyed_and_doubted(table):
    weather = read_weather(table(clear_table(shift="end")[0]), place=LONDON, stamp="start")
    assert "holds far better with the end" in weather.notes[0]
    assert weather.times[0].isoformat() == "2023-06-21T01:30:00+00:00"


@pytest.mark.parametrize("missing", ["ghi", "dni", "dhi"])
def test_the_third_of_ghi_dni_and_dhi_follows_from_the_other_two(table, missing):
    text, clear = clear_table(columns=[c for c in ("ghi", "dni", "dhi") if c != missing])
    sky = read_weather(table(text), place=LONDON).sky()
    high = clear.zenith < 86
    assert getattr(sky, missing)[high] == pytest.approx(
        {
            "ghi": clear.dni * np.cos(np.radians(clear.zenith)) + clear.dhi,
            "dni": clear.dni,
            "dhi": clear.dhi,
        }[missing][high],
        rel=1e-3,
    )
    assert any(note.startswith(f"{missing.upper()} from") for note in sky.notes)


def test_units_semicolons_and_decimal_commas_are_read(table):
    path = table(
        "# invented\ntime;GHI (kW/m2);dhi_W_m2;Temperature [degC];wind_speed_m_s\n"
        "2023-06-21T11:00+01:00;0,8005;120,5;18,5;2,5\n"
        "\n2023-06-21T12:00+01:00;0,8505;;18,5;2,5\n"
    )
    weather = read_weather(path, place=LONDON)
    assert weather.ghi == pytest.approx([800.5, 850.5])
    assert weather.dhi[0] == 120.5
    assert np.isnan(weather.dhi[1])
    assert (weather.temp_air[0], weather.wind_speed[0]) == (18.5, 2.5)


def test_naive_times_of_a_table_need_a_zone(table):
    path = table(clear_table(zone="")[0])
    with pytest.raises(TableError, match=r"jetty.csv, line 2: the time '2023-06-21T00:30' has no"):
        read_weather(path, place=LONDON)
    weather = read_weather(path, place=LONDON, zone=time_zone("Europe/London"))
    assert weather.times[0].isoformat() == "2023-06-21T00:30:00+01:00"


HEAD = "time,ghi,dni,dhi\n"
ROW = "2023-06-21T11:00Z,800,700,100\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "jetty.csv: is empty; it needs the columns"),
        ("# nothing\n\n", "is empty"),
        ("a,b,c\n1,2,3\n", r"line 1: no column is headed time \(found a, b, c\)"),
        (HEAD + ROW, "holds fewer than two rows"),
        ("time,ghi,GHI_W_m2,dni\n" + ROW + ROW, "both 'ghi' and 'GHI_W_m2' could be ghi"),
        (HEAD + ROW + "2023-06-21T12:00Z,1,2\n", "line 3: 3 cells under 4 headings"),
        (HEAD + ROW + "2023-06-21T12:00Z,8,5,70,10\n", "decimal comma needs semicolons"),
        (
            HEAD + ROW + "yesterdayZ      ,1,2,3\n",
            "line 3: 'yesterdayZ' is not a time; write",
        ),
        (HEAD + ROW + "2023-06-21T12:00,1,2,3\n", "line 3: the time .* has no time zone"),
        (HEAD + ROW + "2023-06-21T12:00Z,bright,2,3\n", "line 3: 'bright' is not a number"),
        (HEAD + ROW + ROW, "line 3: the time .* is there twice; sort the rows"),
        (HEAD + ROW + "2023-06-21T10:00Z,1,2,3\n", "line 3: the time .* goes back"),
        (HEAD + ROW + "2023-06-21T18:00Z,1,2,3\n", "longer than two hours"),
        (HEAD + ROW + "2023-06-21T12:00Z,800,7000,100\n", "DNI is 7000 W/m2 .* check the column"),
        (HEAD + ROW + "2023-06-21T12:00Z,800,-700,100\n", "DNI is -700 W/m2"),
        (HEAD.replace("ghi", "ghi_lx") + ROW * 2, "'lx' is not a unit of irradiance"),
        ("time,ghi,dni,wind_knots\n" + ROW * 2, "'knots' is not a unit of wind speed"),
        ("time,ghi\n2023-06-21T11:00Z,800\n2023-06-21T12:00Z,800\n", "holds GHI of GHI, DNI and"),
        ("time,ghi,dni\n2023-06-21T11:00Z,,\n2023-06-21T12:00Z,,\n", "holds none of GHI, DNI and"),
        (
            HEAD + "2023-06-21T11:00Z,0.8,0.7,0.1\n2023-06-21T12:00Z,0.8,0.7,0.1\n",
            "no light above 2 W/m2 .* if it is in kW/m2, say so",
        ),
    ],
)
def test_a_table_that_cannot_be_used_says_what_and_where(table, text, message):
    with pytest.raises(TableError, match=message):
        read_weather(table(text), place=LONDON)


def test_unequal_steps_are_refused(table):
    rows = [f"2023-06-21T11:{m:02d}Z,800,700,100\n" for m in (0, 10, 20, 23, 37, 41, 59)]
    with pytest.raises(TableError, match="steps are not equal"):
        read_weather(table(HEAD + "".join(rows)), place=LONDON)


def test_the_hour_that_clocks_leave_out_is_refused(table):
    path = table(HEAD + "2023-03-26T01:30,8,7,1\n2023-03-26T02:30,8,7,1\n")
    with pytest.raises(TableError, match="does not exist, or exists twice, by the clocks of"):
        read_weather(path, place=LONDON, zone=time_zone("Europe/London"))


def test_a_table_without_a_place_is_refused(table):
    with pytest.raises(RangeError, match=r"jetty.csv: does not say where it was measured"):
        read_weather(table(clear_table()[0]))


def test_a_table_of_nothing_but_night_is_refused(table):
    rows = [f"2023-06-21T{h:02d}:00Z,5,5,5\n" for h in (0, 1)]
    with pytest.raises(RangeError, match=r"the sun does not rise at 51.5° N, 0° E in this time"):
        read_weather(table(HEAD + "".join(rows)), place=LONDON).sky()


def test_two_columns_that_never_meet_are_refused(table):
    path = table(HEAD + "2023-06-21T11:00Z,800,,\n2023-06-21T12:00Z,,700,\n")
    with pytest.raises(RangeError, match=r"jetty.csv: no step with the sun up has all of GHI"):
        read_weather(path, place=LONDON).sky()


def test_a_day_or_year_is_taken_out_of_a_file():
    weather = read_weather(GREENSBORO, year=2026)
    day = weather.during(day="2026-06-21")
    assert len(day.times) == 24
    assert set(day.times.strftime("%Y-%m-%d")) == {"2026-06-21"}
    assert len(weather.during(year=2026).times) == 8760
    with pytest.raises(TableError, match="no light on 2027; it runs from 2026-01-01 to 2026-12-31"):
        weather.during(year=2027)


def test_a_typical_year_has_no_leap_day_in_a_leap_year():
    weather = read_weather(GREENSBORO, year=2024)
    assert len(weather.times) == 8760
    february = weather.times[(weather.times.month == 2) & (weather.times.day > 27)]
    assert february[-1].isoformat() == "2024-02-28T23:30:00-05:00"


def test_finer_steps_keep_the_light_and_move_the_sun():
    weather = read_weather(GREENSBORO).during(day="2023-06-21")
    fine = weather.finer(5)
    assert fine.hours == pytest.approx(1 / 12)
    assert fine.ghi.sum() * fine.hours == pytest.approx(weather.ghi.sum() * weather.hours)
    assert fine.times[0] == weather.times[0] - pd.Timedelta(minutes=27.5)
    assert len(np.unique(sun_position(fine.place, fine.times[144:156]).azimuth)) == 12
    assert weather.finer(60) is weather


def test_missing_air_is_assumed_and_said(table):
    sky = read_weather(table(clear_table()[0]), place=LONDON).sky(temp_air=12.0)
    assert np.all(sky.temp_air == 12)
    assert "12 °C of air assumed" in sky.notes
    assert "1 m/s of wind assumed" in sky.notes
