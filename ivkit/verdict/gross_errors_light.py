"""Gross errors of the light and of how the panel is held to it, and what happens to its cells."""

from collections.abc import Iterator

import numpy as np

from ivkit.predict.change import Change
from ivkit.verdict.gross_error import Case, Cases, GrossError, Seen, spread

#: Illuminance over effective irradiance, lx per W/m2 to silicon: the sun, and lamps from a filament
#: to white LEDs and fluorescent tubes.
_SUN_LUX, _LAMP_LUX = 109.5, np.geomspace(30.0, 340.0, 60)
#: The same against the sun's, of filaments and of LEDs and tubes.
_LAMP_OVER_SUN = np.r_[np.geomspace(2.2, 3.7, 14), np.geomspace(0.3, 0.43, 12)]
#: Worth of a thermopile's watt under a filament against one of sunlight.
_FILAMENT_WATTS = np.linspace(0.40, 0.65, 14)


def _from_plane(seen: Seen) -> Cases:
    if np.any(np.abs(np.abs(seen.readings.angle) - 45.0) > 5.0) and _turned(seen):
        yield Case(change=Change(from_plane=True))


def _zero_off(seen: Seen) -> Cases:
    if _turned(seen):
        yield from spread(
            Case(f"{zero:+.3g} deg", Change(zero=float(zero)))
            for zero in np.r_[np.arange(-30.0, -3.0, 2.0), np.arange(4.0, 32.0, 2.0)]
        )


def _stray(seen: Seen) -> Cases:
    if np.max(np.abs(seen.readings.angle)) > 25.0:
        yield from spread(
            Case(f"{100 * s:.0f} % of the light", Change(stray=s))
            for s in np.geomspace(0.03, 0.5, 14)
        )


def _turned(seen: Seen) -> bool:
    angle = seen.readings.angle
    return bool(np.ptp(angle) > 5.0 or np.max(np.abs(angle)) > 5.0)


def _of_light(values: np.ndarray) -> Iterator[Case]:
    return (Case(f"light times {k:.3g}", Change(light=float(k))) for k in values)


def _may_be_lux(seen: Seen) -> bool:
    """Return whether the light is a number of W/m2 that somebody may have made of lux, or read."""
    return seen.told == "irradiance" and not seen.outdoors


def _lux_as_watts(seen: Seen) -> Cases:
    if _may_be_lux(seen):
        yield from spread(_of_light(np.array([1.0 / _SUN_LUX])), 0.4)
        yield from spread(_of_light(1.0 / _LAMP_LUX), 0.6)


def _lamp_as_sun(seen: Seen) -> Cases:
    if _may_be_lux(seen):
        yield from spread(_of_light(_LAMP_OVER_SUN))


def _thermopile(seen: Seen) -> Cases:
    if _may_be_lux(seen):
        yield from spread(_of_light(_FILAMENT_WATTS))


def _dirt(seen: Seen) -> Cases:
    yield from spread(_of_light(np.linspace(0.4, 0.92, 27)))


def _hot(seen: Seen) -> Cases:
    room = 180.0 - seen.scene.temp_cell.celsius - float(np.max(seen.readings.warmer))
    rises = [k for k in np.arange(12.0, 62.0, 2.5) if k < room]
    yield from spread(Case(f"{k:+.3g} K", Change(warmer=float(k))) for k in rises)


def _shaded(seen: Seen) -> Cases:
    sheet = seen.scene.panel
    if sheet.cells is not None and sheet.cells > 1 and sheet.strings == 1:
        yield from spread(
            Case(f"a cell at {100 * s:.0f} % of the light", Change(shaded=float(s)))
            for s in np.linspace(0.05, 0.85, 9)
        )


def _distances(seen: Seen) -> tuple[float, ...]:
    """Return the distances that the light was reckoned with, m; none where it was read in place."""
    light = seen.scene.light
    strength = getattr(light, "strength", None)
    if light.distance_m is None:
        return ()
    own = float(getattr(light.distance_m, "nominal_value", light.distance_m))
    if seen.readings.distance is not None:
        return own, float(np.min(seen.readings.distance))
    return (own,) if strength is not None and strength.terms in ("distance", "power") else ()


def _lamp_point(seen: Seen) -> Cases:
    distances = _distances(seen)
    if distances:
        yield from spread(
            Case(f"{100 * m:+.2g} cm", Change(farther=float(m)))
            for m in np.r_[np.geomspace(0.02, 0.3, 14), -np.geomspace(0.02, 0.1, 6)]
            if min(distances) + m > 0.01
        )


def _distance_unit(seen: Seen) -> Cases:
    if _distances(seen):
        yield from spread(
            Case(f"a distance times {k:g}", Change(light=float(k) ** -2))
            for k in (100.0, 0.01, 10.0, 0.1)
        )


OF_LIGHT: tuple[GrossError, ...] = (
    GrossError(
        "angle from the plane, not the normal",
        "facing and edge-on are exchanged",
        "turn the panel to face the light: the power must be greatest at 0",
        0.7,
        _from_plane,
    ),
    GrossError(
        "zero of the angle's scale off",
        "the panel faces the light at another angle than 0",
        "read the same angle to either side: the powers must be equal",
        0.5,
        _zero_off,
    ),
    GrossError(
        "stray light not counted",
        "more light is left at large angles than the lamp's own",
        "hide the lamp from the panel with a card and read what is left",
        0.5,
        _stray,
    ),
    GrossError(
        "lux taken as W/m2",
        "the light is 30 to 340 times less than stated",
        "divide by 109 lx per W/m2 for the sun; for a lamp by its own figure",
        1.0,
        _lux_as_watts,
    ),
    GrossError(
        "lamp's lux turned to watts as if it were the sun",
        "the light is three times more under a filament, a third under LEDs and tubes",
        "name the lamp: 1000 lx are 9 W/m2 to silicon in the sun, 25 to 32 under a filament, "
        "3 under LEDs and tubes",
        0.7,
        _lamp_as_sun,
    ),
    GrossError(
        "a lamp's watts taken as sunlight",
        "the cells can use about half of what a thermopile reads under a filament",
        "read the light with a cell of the same kind",
        0.7,
        _thermopile,
    ),
    GrossError(
        "dirt or a cover on the panel",
        "a part of the light does not reach the cells",
        "clean the panel, look that its glass faces the light, and read again",
        0.7,
        _dirt,
    ),
    GrossError(
        "hot cells",
        "the voltage near open circuit is low, the current is not",
        "read open circuit at once after uncovering, and again when warm",
        0.7,
        _hot,
    ),
    GrossError(
        "one cell shaded",
        "the current is held down by one cell",
        "look for a shadow; cover one cell after the other: covering the shaded one changes least",
        0.7,
        _shaded,
    ),
    GrossError(
        "distances counted from the wrong point of the lamp",
        "the light falls off from another point than stated",
        "measure from the filament, not from the glass or the stand",
        0.5,
        _lamp_point,
    ),
    GrossError(
        "a distance in the wrong unit",
        "the light is off by the square of ten or a hundred",
        "look whether both distances are in metres",
        0.3,
        _distance_unit,
    ),
)
