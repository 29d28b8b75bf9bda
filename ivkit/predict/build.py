"""Parts of a scene from what is stated, and from what is usual where nobody states it.

What is assumed is added to a list ``assumed``, as the sentence of its entry in
`ivkit.assumptions`.
"""

from typing import TYPE_CHECKING, Any

from uncertainties import ufloat

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError
from ivkit.predict.facing import Facing
from ivkit.predict.scene import Mount, Warmth

if TYPE_CHECKING:
    from ivkit.predict.of_sweep import SweepPanel


def uncertain(value: float, u: float, name: str) -> Any:
    """Return an uncertain number under its name, or a plain one where nothing is uncertain."""
    return ufloat(value, u, name) if u > 0 else value


def stated_or_usual(
    name: str, u: float | None, assumed: list[str], instead: str | None = None
) -> float:
    """Return a standard uncertainty as stated, or the usual one of an entry of `ASSUMED`."""
    if u is not None:
        return u
    assumed.append(ASSUMED[name].sentence(instead))
    return ASSUMED[name].u


def facing_of(irradiance: float, u: float | None, assumed: list[str]) -> Facing:
    """Return light that is stated in W/m2, with its standard uncertainty in W/m2."""
    if u is None:
        assumed.append(ASSUMED["irradiance"].sentence())
        u = ASSUMED["irradiance"].u_fraction * irradiance
    return Facing.of(irradiance, u)


def facing_by_lux(
    lux: float, source: str | None, u: float | None, technology: str, assumed: list[str]
) -> Facing:
    """Return light by a lux meter's reading on the panel and the kind of lamp.

    Parameters
    ----------
    lux : float
        lx.
    source : str or None
        The kind of lamp, as `ivkit.light.spectrum.named` knows it.
    u : float or None
        Standard uncertainty of the effective irradiance, W/m2; None takes that of a lux meter and
        of the kind of lamp.
    technology : str
        Of the cells.

    Raises
    ------
    RangeError
        Nobody says what gives the lux.
    """
    if source is None:
        raise RangeError("--lux says nothing without --source: 1000 lx are 3 to 32 W/m2 to silicon")
    from ivkit.light.response import of_technology
    from ivkit.light.spectrum import effective_irradiance, named

    found = effective_irradiance(named(source), response=of_technology(technology), lux=lux)
    value = float(found.value_W_m2)
    if u is not None:
        return Facing.of(value, u)
    usual = ASSUMED["lux meter"]
    assumed.append(usual.sentence("--u-irradiance"))
    parts = {f"spectrum: {name}": u / value for name, u in found.parts_W_m2.items() if u > 0}
    return Facing(value, {usual.name: usual.u_fraction, **parts})


def warmth_of(
    celsius: float | None,
    u: float | None,
    assumed: list[str],
    sweep: "SweepPanel | None" = None,
) -> Warmth:
    """Return the cell temperature: as stated, else that of the panel's sweep, else the usual one.

    Parameters
    ----------
    celsius, u : float or None
        degC and K, as stated or read.
    sweep : SweepPanel, optional
        What the panel is known by.

    Raises
    ------
    RangeError
        An uncertainty of a temperature that nobody states.
    """
    if celsius is None and sweep is not None:
        if u is None:
            assumed.append(ASSUMED["cell temperature since the sweep"].sentence())
        return sweep.same_warmth(u)
    if celsius is None and u is not None:
        raise RangeError("--u-temperature needs --temperature")
    return Warmth(*temperature_of(celsius, u, assumed))


def temperature_of(
    celsius: float | None, u: float | None, assumed: list[str]
) -> tuple[float, float]:
    """Return the cell temperature and its standard uncertainty, degC and K."""
    if celsius is None:
        usual = ASSUMED["cell temperature"]
        assumed.append(usual.sentence())
        return usual.value, usual.u
    return celsius, stated_or_usual("stated cell temperature", u, assumed)


def open_voltage(volts: float, u: float | None, assumed: list[str]) -> Any:
    """Return an open-circuit voltage that was read, V."""
    if u is None:
        u = volts * ASSUMED["open-circuit voltage"].u_fraction
        assumed.append(ASSUMED["open-circuit voltage"].sentence())
    return uncertain(volts, u, "open-circuit voltage")


def mount_of(
    assumed: list[str],
    *,
    u_angle: float | None = None,
    stray: float | None = None,
    u_stray: float | None = None,
    turned: bool = True,
    instead: str | None = None,
) -> Mount:
    """Return how the panel is held to the light.

    Parameters
    ----------
    u_angle, stray, u_stray : float or None
        As of `Mount`.
    turned : bool
        The panel does not face the light everywhere, so that these matter and are noted.
    instead : str, optional
        What replaces the uncertainty of the angle.
    """
    if turned and stray is None:
        assumed.append(ASSUMED["stray light"].sentence())
    if turned and u_angle is None:
        assumed.append(ASSUMED["angle"].sentence(instead))
    told = {"u_angle": u_angle, "stray": stray, "u_stray": u_stray}
    return Mount(**{name: value for name, value in told.items() if value is not None})
