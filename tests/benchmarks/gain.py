"""A year at one minute, four mounts, both load modes, against pvlib's own steps."""

import pvlib

from ivkit.curve.diode import SingleDiode
from ivkit.light.place import Place, time_zone, year_steps
from ivkit.light.sky import clear_sky
from ivkit.verdict.gain import gain, usual_mounts
from tests.benchmarks.row import Row, seconds


class JettyPanel:
    """An invented 10 W panel of 36 cells, moved to a condition by De Soto et al. (2006)."""

    def at(self, effective_irradiance, temp_cell):
        return SingleDiode(
            *pvlib.pvsystem.calcparams_desoto(
                effective_irradiance, temp_cell, 0.0003, 1.0175, 0.605, 3.9e-10, 620.0, 1.7
            )
        )


def rows() -> list[Row]:
    """Return the row of this file."""
    place = Place(51.5, 0.0)
    steps = year_steps(2023, time_zone("UTC"), 1.0)
    sky = clear_sky(place, year_steps(2023, time_zone("UTC"), 60.0))
    gain(sky, usual_mounts(place, 365), panel=JettyPanel(), load_ohm=33.0)  # imports, warm caches

    def ours() -> None:
        sky = clear_sky(place, steps)
        gain(sky, usual_mounts(place, 365), panel=JettyPanel(), load_ohm=33.0)

    # The clear sky is on our account only: of pvlib just position and one plane are timed.
    zenith = pvlib.solarposition.get_solarposition(steps.times, 51.5, 0.0, altitude=0.0)
    clear = pvlib.clearsky.ineichen(
        zenith["apparent_zenith"],
        pvlib.atmosphere.get_relative_airmass(zenith["apparent_zenith"]),
        3.0,
    )
    extra = pvlib.irradiance.get_extra_radiation(steps.times.day_of_year.to_numpy())

    def theirs() -> None:
        sun = pvlib.solarposition.get_solarposition(
            steps.times, 51.5, 0.0, altitude=0.0, method="nrel_numpy"
        )
        pvlib.irradiance.get_total_irradiance(
            51.5,
            180.0,
            sun["apparent_zenith"],
            sun["azimuth"],
            clear["dni"],
            clear["ghi"],
            clear["dhi"],
            dni_extra=extra,
            model="haydavies",
            albedo=0.2,
        )

    ratio = seconds(ours, 1) / seconds(theirs, 1)
    return [
        Row(
            "a year at one minute, 4 mounts, 3 sky models, maximum power and a load",
            "pvlib sun position + transposition to one plane",
            f"{ratio:.2f} x",
            "< 5 x",
            ratio < 5,
        )
    ]
