"""`ivkit sun` at the command line: what it prints, writes and refuses."""

import csv
import io
import json
import re
from functools import partial
from pathlib import Path

import numpy as np
import pvlib
import pytest

from ivkit.curve.diode import SingleDiode
from ivkit.light.mount import Aim, Fixed, OneAxis, Retilted, TwoAxis
from ivkit.light.place import Place, day_steps, time_zone
from ivkit.light.sky import clear_sky
from ivkit.report.sun_answer import headline, sun_answer, warnings
from ivkit.verdict.gain import Drive, Yield, gain

SAND_POINT = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
LONDON = ("--latitude", 51.5, "--longitude", 0, "--timezone", "Europe/London")
JUNE = ("--day", "2023-06-21")


@pytest.fixture
def run(command_line):
    """Run the command; return exit status, standard output and standard error."""
    return partial(command_line, "sun")


def words(text):
    """Return the text with every run of blanks and line ends as one blank."""
    return " ".join(text.split())


class JettyPanel:
    """An invented 10 W panel of 36 cells, moved to a condition by De Soto et al. (2006)."""

    def at(self, effective_irradiance, temp_cell):
        return SingleDiode(
            *pvlib.pvsystem.calcparams_desoto(
                effective_irradiance, temp_cell, 0.0003, 1.0175, 0.605, 3.9e-10, 620.0, 1.7
            )
        )


@pytest.fixture(scope="module")
def jetty():
    """A day on the jetty rail: four mounts, the panel, a load, a drive."""
    place = Place(51.5, 0.0)
    sky = clear_sky(place, day_steps("2026-06-21", time_zone("Europe/London", place), 5))
    mounts = [Fixed(51.5, 180), OneAxis(0, 180), TwoAxis(), TwoAxis(Aim(pointing_error=20))]
    return gain(sky, mounts, panel=JettyPanel(), load_ohm=33.0, drive=Drive(2.0, 0.05))


def test_the_answer_comes_first_then_mounts_models_assumptions_and_the_caution(run):
    # 0.803 by Hay and Davies, 0.721 by the isotropic sky: computed apart by pvlib.
    status, out, err = run(*LONDON, *JUNE)
    assert (status, err) == (0, "")
    assert words(out).startswith(
        "On 2023-06-21 at 51.5° N, 0° E 'two axes' gives 80 % more light than 'fixed, 51.5° south' "
        "by the Hay-Davies sky model; over 3 sky models 72 to 80 %."
    )
    order = ["mount", "Gain by sky model", "Drive", "Assumptions", "Caution"]
    places = [out.index(f"\n\n  {word}" if word.islower() else f"\n\n{word}") for word in order]
    assert places == sorted(places)
    for mount in ("fixed, 51.5° south", "best tilt each day", "one axis, north-south", "two axes"):
        assert mount in out
    assert "Linke turbidity 3" in out
    assert "azimuth from north, clockwise" in out
    assert "1 kWh/m² is 1 Wh for each rated watt" in out
    assert "cannot be switched off" in out
    assert "local code" in words(out)


def test_a_year_of_weather_from_the_file_alone(run):
    # Gains computed apart by pvlib: 0.2989 by Hay and Davies, 0.2647 to 0.3133 over three.
    status, out, err = run("--weather", SAND_POINT, "--json", "-")
    assert (status, err) == (0, "")
    told = json.loads(out)
    mounts, where = told["tables"]["mounts"]["columns"], told["summary"]
    assert mounts["gain_light_fraction"][3] == pytest.approx(0.2989, abs=0.003)
    assert mounts["gain_light_low_fraction"][3] == pytest.approx(0.2647, abs=0.003)
    assert mounts["gain_light_high_fraction"][3] == pytest.approx(0.3133, abs=0.003)
    assert (where["latitude_deg"], where["longitude_deg"]) == (55.317, -160.517)
    assert where["altitude_m"] == 7.0
    assert where["light"] == "703165TY.csv (Sand Point)"
    assert where["total_h"] == 8760
    assert mounts["max_power_Wh"][0] is None


def test_a_day_and_a_year_out_of_a_weather_file(run):
    status, out, _ = run("--weather", SAND_POINT, "--day", "2026-06-21")
    assert status == 0
    assert " On 2026-06-21 at 55.317° N, 160.517° W" in words(out)
    status, out, _ = run("--weather", SAND_POINT, "--year", 2026)
    assert status == 0
    assert " In 2026 at 55.317° N" in words(out)


def test_negative_longitude_and_every_option_is_taken(run):
    status, out, err = run(
        *("--latitude", -33.9, "--longitude", -70.6, "--altitude", 500),
        *("--timezone", "America/Santiago", "--day", "2026-01-15", "--step", 10),
        *("--mount", "fixed,tilt=30,azimuth=0", "--mount", "one-axis,axis_tilt=30,limit=60"),
        *("--mount", "two-axis,error=5,dead_band=2", "--mount", "daily", "--mount", "monthly"),
        *("--model", "perez", "--albedo", 0.3, "--turbidity", "map", "--glass", "none"),
        *("--air-temperature", 28, "--wind", 3),
    )
    assert (status, err) == (0, "")
    assert "by the Perez sky model" in words(out)
    assert "fixed, 30° north" in out
    assert "one axis, tilted 30° north" in out
    assert "two axes, 5° off, dead band 2°" in out
    assert "best tilt each day, north" in out
    assert "from the monthly world map in pvlib" in words(out)
    assert "ground gives back 30 % of the light" in out
    # The dead band needs finer steps than asked for, and says what it took.
    assert "steps of 1 min" in words(out)


def test_one_mount_alone_is_told_without_a_gain(run):
    status, out, _ = run(*LONDON, *JUNE, "--mount", "fixed,tilt=0")
    assert status == 0
    # The horizontal plane takes the clear sky's GHI.
    sky = clear_sky(Place(51.5, 0), day_steps("2023-06-21", time_zone("Europe/London")))
    total = sky.ghi.sum() / 60 / 1000
    assert f"the mount 'fixed, flat' collects {total:.4g} kWh/m² of light." in words(out)
    assert "Gain by sky model" not in out


def test_a_weather_table_with_an_interval_is_parted_into_finer_steps(run, tmp_path):
    rows = [f"2026-06-21T{h:02d}:30+01:00,{500},{500},{100}" for h in range(6, 20)]
    Path("jetty.csv").write_text("time,ghi,dni,dhi\n" + "\n".join(rows) + "\n")
    status, out, err = run(
        *LONDON, "--weather", "jetty.csv", "--stamp", "middle", "--mount", "fixed",
        *("--mount", "two-axis,every=60", "--mount", "two-axis"), "--csv", "-",
    )  # fmt: skip
    assert (status, err) == (0, "")
    table = list(csv.DictReader(io.StringIO(out)))
    assert [row["mount"] for row in table] == [
        "fixed, 51.5° south",
        "two axes, every 60 min",
        "two axes",
    ]
    hourly, smooth = (float(row["light_Wh_m2"]) for row in table[1:])
    # The beam's mean cosine over an hour's lag is sin(x)/x, x = 15 deg times about 1: 0.989.
    assert 0.985 < hourly / smooth < 0.999


def test_files_are_written_and_an_input_is_never_overwritten(run):
    status, _, _ = run(*LONDON, *JUNE, "--json", "a.json", "--csv", "a.csv", "--plot", "a.svg")
    assert status == 0
    assert len(json.loads(Path("a.json").read_text())["tables"]["mounts"]["columns"]["mount"]) == 4
    assert len(Path("a.csv").read_text().splitlines()) == 5
    assert Path("a.svg").read_text().count("two axes") >= 0
    assert b"<svg" in Path("a.svg").read_bytes()
    Path("w.csv").write_text(
        "time,ghi,dni,dhi\n2026-06-21T11:30Z,700,600,100\n2026-06-21T12:30Z,700,600,100\n"
    )
    before = Path("w.csv").read_bytes()
    status, out, err = run(*LONDON, "--weather", "w.csv", "--csv", "w.csv")
    assert (status, out) == (2, "")
    assert "w.csv: is an input of this command" in err
    assert Path("w.csv").read_bytes() == before


def test_a_long_plot_is_drawn_by_the_month(run):
    status, _, _ = run("--weather", SAND_POINT, "--plot", "year.png")
    assert status == 0
    assert Path("year.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (JUNE, "give --latitude and --longitude, or a --weather file"),
        (("--latitude", 51.5, *JUNE), "give both --latitude and --longitude"),
        (LONDON, "give --day, --year or --weather"),
        (("--latitude", 51.5, "--longitude", 0, *JUNE), "give --timezone (for example"),
        ((*LONDON, *JUNE, "--year", 2023), "give --day or --year, not both"),
        ((*LONDON, *JUNE, "--stamp", "end"), "--stamp is for a table of weather"),
        (("--latitude", 120, "--longitude", 40, *LONDON[4:], *JUNE), "look swapped"),
        (("--latitude", 0, "--longitude", 51.5, *LONDON[4:], *JUNE), "52 deg away from the time"),
        ((*LONDON[:4], "--timezone", "Europe/Lundon", *JUNE), "'Europe/Lundon' is not known"),
        ((*LONDON, "--day", "21.6.2026"), "'21.6.2026' is not a day"),
        ((*LONDON, "--year", 1492), "1492 is not in the range"),
        (("--latitude", "nan", "--longitude", 0, *JUNE), "'nan' is not a finite number"),
        (
            ("--latitude", 78, "--longitude", 15, "--timezone", "UTC", "--day", "2026-12-21"),
            "the sun does not rise at 78° N, 15° E in this time",
        ),
        ((*LONDON, *JUNE, "--mount", "two-axes"), "'two-axes' is not known; did you mean two-axis"),
        ((*LONDON, *JUNE, "--mount", "sunflower"), "'sunflower' is not known; choose from fixed"),
        ((*LONDON, *JUNE, "--mount", "fixed,title=3"), "'title' is not known; did you mean tilt?"),
        ((*LONDON, *JUNE, "--mount", "fixed,tilt"), "write tilt=NUMBER"),
        ((*LONDON, *JUNE, "--mount", "fixed,tilt=steep"), "'steep' is not a number; write tilt="),
        ((*LONDON, *JUNE, "--mount", "fixed,tilt=inf"), "'inf' is not a number"),
        (
            (*LONDON, *JUNE, "--mount", "fixed,tilt=120"),
            "--mount fixed,tilt=120: tilt 120 deg is outside 0 to 90 deg",
        ),
        ((*LONDON, *JUNE, "--load", 33), "a load's power needs a panel"),
        ((*LONDON, *JUNE, "--drive", 2), "what a drive takes needs a panel"),
        ((*LONDON, *JUNE, "--turbidity", "thick"), "'thick' is not a number"),
        ((*LONDON, *JUNE, "--glass", 5), "5 is outside 0.01 to 1"),
        ((*LONDON, "--weather", "none.csv"), "none.csv: cannot be read (no such file"),
        ((*LONDON, "--weather", SAND_POINT), "was written for 55.317° N, 160.517° W"),
        (("--weather", SAND_POINT, "--day", "2024-02-29"), "no light on 2024-02-29"),
    ],
)
def test_bad_input_is_one_message_and_exit_status_2(run, arguments, message):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert message in words(err)
    assert "Traceback" not in err
    assert not list(Path.cwd().iterdir())


def test_a_naive_table_without_a_time_zone_is_refused(run):
    Path("w.csv").write_text("time,ghi,dni\n2026-06-21T11:30,700,600\n2026-06-21T12:30,700,600\n")
    status, _, err = run("--latitude", 51.5, "--longitude", 0, "--weather", "w.csv")
    assert status == 2
    assert "w.csv, line 2: the time '2026-06-21T11:30' has no time zone" in err


# With a panel


def test_with_a_panel_the_answer_names_maximum_power_and_the_load(jetty):
    text = headline(jetty, "on 2026-06-21")
    most, load = (100 * jetty.over_first(2, what) for what in (Yield.MAX_POWER, Yield.LOAD))
    assert f"'two axes' gives {most:.0f} % more energy at maximum power" in text
    assert f"and {load:.0f} % more into 33 ohm than 'fixed, 51.5° south'" in text
    # A load right for full sun is far below the knee when a fixed panel sees the sun askance.
    assert load > most


def test_the_whole_text_names_drive_glass_cells_and_load(jetty):
    found = sun_answer(jetty, "on 2026-06-21")
    models, text = found.tables["models"], words(str(found))
    assert ("two axes, 20° off", "load") in zip(models["mount"], models["quantity"], strict=True)
    for part in (
        "Energies and gains are what is left after the drive.",
        "angular loss coefficient 0.19 (Martin and Ruiz 2001)",
        "Faiman's equation (2008)",
        "spectrum AM1.5G",
    ):
        assert part in text
    # 0.05 W for 24 h is 1.2 Wh; at 1 deg/s and 2 W some 640 deg there and back take 0.36 Wh.
    taken, travel = re.search(r"two axes (\S+) Wh (\d+)° ", text).groups()
    assert float(taken) == pytest.approx(1.2 + 2 * float(travel) / 3600, abs=0.01)
    assert 600 < float(travel) < 680
    assert "no drive taken off" not in text


def test_without_a_drive_the_text_says_what_one_may_take(jetty):
    bare = gain(jetty.sky, [Fixed(51.5, 180), TwoAxis()], panel=JettyPanel(), nmot=45, glass=None)
    text = words(str(sun_answer(bare, "on 2026-06-21")))
    limit = bare.break_even(1, Yield.MAX_POWER)
    assert re.search(rf"break even two axes {limit:.4g} W A drive that takes more", text)
    assert "no drive taken off: state it with --drive and --standby" in text
    assert "45 °C nominal operating temperature" in text
    assert "no loss at the glass by angle" in text


def test_a_mount_that_loses_is_said_to_lose(jetty):
    worse = gain(jetty.sky, [TwoAxis(), Fixed(51.5, 180)])
    assert "gives 45 % less light than 'two axes'" in headline(worse, "on 2026-06-21")
    assert "takes the whole gain" not in str(sun_answer(worse, "on 2026-06-21"))
    lazy = gain(jetty.sky, [Fixed(30, 180), OneAxis(0, 180, limit=0)])
    assert "no gain to take" in words(str(sun_answer(lazy, "on 2026-06-21")))


def test_json_and_table_hold_the_same_figures(jetty):
    answer = sun_answer(jetty, "on 2026-06-21")
    told, table = answer.to_dict(), answer.to_frame()
    mounts = told["tables"]["mounts"]["columns"]
    for k in range(len(jetty.mounts)):
        assert table["max_power_Wh"][k] == mounts["max_power_Wh"][k]
        assert table["load_Wh"][k] == mounts["load_Wh"][k] == jetty.energy(k, Yield.LOAD)
        low, value, high = (
            mounts[f"gain_max_power{end}_fraction"][k] for end in ("_low", "", "_high")
        )
        assert low <= value <= high
    assert told["summary"]["load_ohm"] == 33.0


def test_a_cloudless_year_and_hourly_light_into_a_load_carry_their_warnings(jetty):
    from dataclasses import replace

    year = replace(jetty.sky, total_hours=8760.0)
    assert "no climate is cloudless" in warnings(replace(jetty, sky=year))[0]
    hourly = replace(jetty.sky, hours=1.0)
    assert "means over 60 min hide the clouds" in warnings(replace(jetty, sky=hourly))[0]
    assert warnings(jetty) == []


def test_the_figure_names_every_mount_and_both_powers(jetty):
    from ivkit.report.sun_figure import sun_figure

    figure = sun_figure(jetty, "on 2026-06-21")
    top, bottom = figure.axes
    assert [t.get_text() for t in top.get_legend().get_texts()] == [
        str(c.mount) for c in jetty.mounts
    ]
    assert top.get_ylabel() == "at maximum power (W)"
    assert bottom.get_ylabel() == "into 33 ohm (W)"
    assert bottom.get_xlabel() == "clock time, Europe/London (h)"
    drawn = top.lines[2].get_ydata()
    assert np.nanmax(drawn) == pytest.approx(jetty.mounts[2].max_power.max())


def test_best_tilts_through_a_year_are_named_by_their_period():
    assert str(Retilted("month", 180)) == "best tilt each month, south"


def test_a_datasheet_adds_the_panels_energy_and_what_a_load_gets(run):
    sheet = Path(__file__).parent.parent / "datasheets" / "jetty_10W.toml"
    status, out, _ = run(*LONDON, *JUNE, "--datasheet", sheet, "--load", 33, "--step", 20)
    assert status == 0
    assert "more energy at maximum power" in words(out)
    assert "into 33 ohm" in out
    # 7.25 kWh/m2 of light on a fixed plane and 10 W at 1000 W/m2: at most 72.5 Wh, less for warm
    # cells (-0.45 %/K), glass and low light.
    fixed = next(line for line in out.splitlines() if line.strip().startswith("fixed"))
    energy = float(re.findall(r"([\d.]+) Wh", fixed)[0])
    assert 0.8 * 72.5 < energy < 72.5
