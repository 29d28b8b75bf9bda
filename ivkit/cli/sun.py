"""``ivkit sun``: what tracking is worth here, on this day or in this year."""

from typing import TYPE_CHECKING, Any

import click

from ivkit.assumptions import ASSUMED
from ivkit.cli.mounts import read_mount
from ivkit.cli.output import FiniteNumber, Output, output_options
from ivkit.cli.panel_source import load_panel, panel_options

if TYPE_CHECKING:
    from ivkit.light.mount import Mount
    from ivkit.light.place import Place
    from ivkit.light.sky import Sky


class Turbidity(click.ParamType):
    """A Linke turbidity, or ``map``."""

    name = "turbidity"

    def convert(self, value: Any, param: Any, ctx: Any) -> float | None:
        """Return the number, or None for the map."""
        if value == "map":
            return None
        return FiniteNumber(1, 10).convert(value, param, ctx)


class Glass(click.ParamType):
    """An angular loss coefficient, or ``none``."""

    name = "glass"

    def convert(self, value: Any, param: Any, ctx: Any) -> float | None:
        """Return the number, or None for no glass."""
        if value == "none":
            return None
        return FiniteNumber(0.01, 1).convert(value, param, ctx)


@click.command("sun")
@click.option(
    "--latitude",
    type=FiniteNumber(),
    metavar="DEG",
    help="North positive. A TMY3 or EPW file brings its own.",
)
@click.option("--longitude", type=FiniteNumber(), metavar="DEG", help="East positive.")
@click.option("--altitude", type=FiniteNumber(), metavar="M", help="Above the sea. [0]")
@click.option("--timezone", metavar="ZONE", help="For example Europe/London, or UTC.")
@click.option("--day", metavar="YYYY-MM-DD", help="One day by the clocks of the time zone.")
@click.option("--year", type=click.IntRange(1900, 2100), metavar="YYYY", help="One year.")
@click.option(
    "--weather",
    metavar="FILE",
    help="TMY3, EPW, or a table headed time and two or three of ghi, dni, dhi. [clear sky]",
)
@click.option(
    "--stamp",
    type=click.Choice(["start", "middle", "end"]),
    help="What the times of a table name in each step. [found by the sun]",
)
@click.option(
    "--mount",
    "mounts",
    multiple=True,
    metavar="MOUNT",
    help="fixed, daily, monthly, one-axis or two-axis, with figures: fixed,tilt=35,azimuth=180; "
    "one-axis,axis_tilt=30; two-axis,error=5,dead_band=2,every=15 (degrees; every in minutes). "
    "Azimuth from north, clockwise. The first is what the others are compared with.",
)
@click.option("--load", "load_ohm", type=FiniteNumber(0, 1e9, "ohm"), metavar="OHM", help="Fixed.")
@click.option(
    "--drive", type=FiniteNumber(0, 1e4, "W"), metavar="W", help="What a motor takes while it runs."
)
@click.option(
    "--standby", type=FiniteNumber(0, 1e4, "W"), metavar="W", help="Drive's draw day and night."
)
@click.option(
    "--speed",
    type=FiniteNumber(1e-4, 360, "deg/s"),
    default=1.0,
    show_default=True,
    metavar="DEG_S",
    help="How fast an axis turns.",
)
@click.option(
    "--model",
    type=click.Choice(["isotropic", "hay-davies", "perez"]),
    default="hay-davies",
    show_default=True,
    help="Sky model for the answer; the spread over all three is always given.",
)
@click.option(
    "--albedo",
    type=FiniteNumber(0, 1),
    default=ASSUMED["ground albedo"].fraction,
    show_default=True,
    metavar="SHARE",
    help="Light that the ground gives back.",
)
@click.option(
    "--turbidity",
    type=Turbidity(),
    default=ASSUMED["Linke turbidity"].brief,
    show_default=True,
    metavar="TL",
    help="Linke turbidity of a clear sky, or map for the monthly world map in pvlib.",
)
@click.option(
    "--air-temperature",
    type=FiniteNumber(-80, 60, "degC"),
    default=ASSUMED["air temperature"].value,
    show_default=True,
    metavar="DEGC",
    help="Where no weather file says it.",
)
@click.option(
    "--wind",
    type=FiniteNumber(0, 60, "m/s"),
    default=ASSUMED["wind"].value,
    show_default=True,
    metavar="M_S",
    help="Where no weather file says it.",
)
@click.option(
    "--nmot",
    type=FiniteNumber(20, 90, "degC"),
    metavar="DEGC",
    help="Nominal module operating temperature, for the cells' own. [Faiman's equation]",
)
@click.option(
    "--glass",
    type=Glass(),
    default=f"{ASSUMED['glass: angular loss'].value}",
    show_default=True,
    metavar="A_R",
    help="Angular loss coefficient (Martin and Ruiz), or none.",
)
@click.option(
    "--step",
    "minutes",
    type=FiniteNumber(0.1, 60, "min"),
    metavar="MIN",
    help="Of a clear sky. [1 for a day, 5 for a year]",
)
@panel_options
@output_options()
def command(
    latitude: float | None,
    longitude: float | None,
    altitude: float | None,
    timezone: str | None,
    day: str | None,
    year: int | None,
    weather: str | None,
    stamp: str | None,
    mounts: tuple[str, ...],
    load_ohm: float | None,
    drive: float | None,
    standby: float | None,
    speed: float,
    model: str,
    albedo: float,
    turbidity: float | None,
    air_temperature: float,
    wind: float,
    nmot: float | None,
    glass: float | None,
    minutes: float | None,
    datasheet: str | None,
    module: str | None,
    output: Output,
) -> None:
    """What tracking is worth here, on this day or in this year.

    Without a panel the light is compared; with one, its energy at maximum power and into a load.

    Example: ivkit sun --latitude 51.5 --longitude 0 --timezone Europe/London --day 2026-06-21
    """
    if (latitude is None) != (longitude is None):
        raise click.UsageError("give both --latitude and --longitude, or neither")
    if day is not None and year is not None:
        raise click.UsageError("give --day or --year, not both")
    panel = None
    if datasheet is not None or module is not None:
        sheet = load_panel(datasheet, module)
        panel, nmot = sheet.panel(), sheet.nmot if nmot is None else nmot
    place = None
    if latitude is not None:
        from ivkit.light.place import Place

        place = Place(latitude, longitude, altitude or 0.0)
    air = (air_temperature, wind)
    if weather is not None:
        sky, when, chosen = _from_file(weather, place, timezone, day, year, stamp, mounts, air)
    else:
        if stamp is not None:
            raise click.UsageError("--stamp is for a table of weather; give --weather too")
        sky, when, chosen = _clear(place, timezone, day, year, minutes, turbidity, mounts, air)

    from ivkit.answer import based_on
    from ivkit.light.sky import SkyModel
    from ivkit.report.sun_answer import sun_answer
    from ivkit.verdict.gain import Drive, gain

    taken = None
    if drive is not None or standby is not None:
        taken = Drive(drive or 0.0, standby or 0.0, speed)
    result = gain(
        sky,
        chosen,
        panel=panel,
        load_ohm=load_ohm,
        drive=taken,
        model=SkyModel(model),
        albedo=albedo,
        glass=glass,
        nmot=nmot,
    )

    answer = sun_answer(result, when, based_on(panel=datasheet or module, light=weather))
    output.deliver(answer, inputs=[name for name in (weather, datasheet) if name])


def _mounts(texts: tuple[str, ...], place: "Place", days: float) -> "list[Mount]":
    """Return the mounts named, or the usual ones."""
    if texts:
        return [read_mount(text, place) for text in texts]
    from ivkit.verdict.gain import usual_mounts

    return usual_mounts(place, days)


def _clear(
    place: "Place | None",
    timezone: str | None,
    day: str | None,
    year: int | None,
    minutes: float | None,
    turbidity: float | None,
    mounts: tuple[str, ...],
    air: tuple[float, float],
) -> "tuple[Sky, str, list[Mount]]":
    """Return a clear sky, its time in words, and the mounts."""
    if place is None:
        raise click.UsageError("give --latitude and --longitude, or a --weather file")
    if day is None and year is None:
        raise click.UsageError("give --day, --year or --weather")
    if timezone is None:
        raise click.UsageError(
            "give --timezone (for example Europe/London, or UTC): it says when the day begins"
        )
    from ivkit.light.mount import coarsest_step
    from ivkit.light.place import day_steps, time_zone, year_steps
    from ivkit.light.sky import clear_sky

    zone = time_zone(timezone, place)
    chosen = _mounts(mounts, place, 1 if day else 365)
    minutes = min(minutes or (1.0 if day else 5.0), coarsest_step(chosen))
    steps = day_steps(day, zone, minutes) if day else year_steps(year, zone, minutes)
    sky = clear_sky(place, steps, turbidity=turbidity, temp_air=air[0], wind_speed=air[1])
    return sky, f"on {day}" if day else f"in {year}", chosen


def _from_file(
    path: str,
    place: "Place | None",
    timezone: str | None,
    day: str | None,
    year: int | None,
    stamp: str | None,
    mounts: tuple[str, ...],
    air: tuple[float, float],
) -> "tuple[Sky, str, list[Mount]]":
    """Return the sky of a weather file, its time in words, and the mounts."""
    from ivkit.errors import TableError, about
    from ivkit.light.mount import coarsest_step
    from ivkit.light.place import midnight, time_zone
    from ivkit.light.weather_file import read_weather

    zone = time_zone(timezone, place) if timezone else None
    read_as = midnight(day, "UTC").year if day else year
    weather = read_weather(path, place=place, zone=zone, year=read_as, stamp=stamp)
    weather = weather.during(day, year)
    days = len(weather.times) * weather.hours / 24
    chosen = _mounts(mounts, weather.place, days)
    weather = weather.finer(coarsest_step(chosen))
    first, last = weather.times[0], weather.times[-1]
    when = f"on {day}" if day else f"in {year}" if year else f"from {first:%Y-%m-%d}"
    if not day and not year:
        when += f" to {last:%Y-%m-%d}"
    with about(path):
        sky = weather.sky(*air)
        if not sky.dni.sum() + sky.dhi.sum() > 0:
            raise TableError(
                f"holds no light {when}", remedy="give another day, or leave the file out"
            )
    return sky, when, chosen
