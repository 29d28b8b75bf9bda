"""Gross errors of wiring, meters, loads and of writing down."""

from collections.abc import Callable

import numpy as np

from ivkit.predict.change import Change
from ivkit.predict.misfit import Expected
from ivkit.verdict.gross_error import (
    Case,
    Cases,
    GrossError,
    Seen,
    by_stated_load,
    factors,
    in_place_of,
    scaled,
    spread,
)

#: Factors of dividers, and of amplifiers before a shunt; those that amplifiers are sold with.
_DIVIDERS = np.geomspace(1.5, 30.0, 101)
_GAINS = np.geomspace(4.0, 300.0, 120)
_SOLD_GAINS = (10.0, 20.0, 25.0, 50.0, 100.0, 200.0)


def _divider_forgotten(seen: Seen) -> Cases:
    yield from factors(1.0 / _DIVIDERS, "voltage")


def _divider_twice(seen: Seen) -> Cases:
    yield from factors(_DIVIDERS, "voltage")


def _gain_forgotten(seen: Seen) -> Cases:
    yield from factors(_GAINS, "current", _SOLD_GAINS)


def _milliamperes(seen: Seen) -> Cases:
    if "current" in seen.observed:
        yield from factors((1e3, 1e-3), "current")


def _millivolts(seen: Seen) -> Cases:
    if "voltage" in seen.observed:
        yield from factors((1e3, 1e-3), "voltage")


def _milliwatts(seen: Seen) -> Cases:
    if seen.observed == ("power",):
        yield from factors((1e3, 1e-3), "current")


def _shunt(seen: Seen) -> Cases:
    yield from factors((10.0, 0.1), "current")


def _peak(seen: Seen) -> Cases:
    """Root two or two on both channels; or the light's own peak, of one on half the time."""
    yield from factors((np.sqrt(2.0), 2.0), "both")
    yield Case("light of twice the mean", Change(light=2.0), weight=0.5)


def _leads(seen: Seen) -> Cases:
    """Ohms in series: the voltage is read at the load, or at the panel."""
    at_panel = seen.readings.load is not None and "current" in seen.observed
    for k in np.geomspace(0.02, 1.0, 16):
        ohm = float(k) * seen.usual_load
        size, half = f"{ohm:.2g} ohm", 0.5 / 16 if at_panel else 1.0 / 16
        yield Case(size, Change(series=ohm), weight=half)
        if at_panel:
            yield Case(f"{size}, behind the voltmeter", Change(series=ohm), _before(ohm), half)


def _before(ohm: float) -> Callable:
    """Return a way of writing the voltage before a series resistance, not behind it."""

    def write(expected: Expected, seen: Seen) -> Expected:
        values = dict(expected.values)
        values["voltage"] = values["voltage"] + ohm * values["current"]
        values["power"] = values["voltage"] * values["current"]
        return Expected(values, expected.moves, expected.by_load)

    return write


def _wrong_ring(seen: Seen) -> Cases:
    load = seen.readings.load
    if load is None:
        return
    which = np.flatnonzero(np.isfinite(load) & (load > 0))
    yield from spread((Case(f"all of them times {k:g}", Change(load=k)) for k in (10.0, 0.1)), 0.5)
    if 1 < len(which) <= 60:
        yield from spread(
            (
                Case(
                    f"reading {row + 1}: times {k:g}",
                    Change(load=tuple(np.where(np.arange(len(load)) == row, k, 1.0))),
                )
                for row in which
                for k in (10.0, 0.1)
            ),
            0.5,
        )


def _by_wrong_load(seen: Seen) -> Cases:
    """The current, or the power, was worked out from the voltage with another resistor's ohms."""
    if seen.readings.load is None or seen.observed == ("voltage",):
        return
    if not np.any(np.isfinite(seen.readings.load) & (seen.readings.load > 0)):
        return
    ratios = np.geomspace(0.1, 10.0, 41)
    for k in (*ratios[ratios < 0.9], *ratios[ratios > 1.1]):
        yield Case(f"true load times {k:.3g}", Change(load=float(k)), by_stated_load, 1.0 / 40)


def _open_voltage(seen: Seen) -> Cases:
    yield Case(written=in_place_of(voltage="v_oc"))


def _short_current(seen: Seen) -> Cases:
    yield Case(written=in_place_of(current="i_sc"))


def _both_ends(seen: Seen) -> Cases:
    yield Case(written=in_place_of(voltage="v_oc", current="i_sc"))


def _polarity(seen: Seen) -> Cases:
    yield from spread(
        Case(size, written=scaled(v, i))
        for size, v, i in (
            ("voltage", -1.0, 1.0),
            ("current", 1.0, -1.0),
            ("both", -1.0, -1.0),
        )
    )


def _exchanged(seen: Seen) -> Cases:
    if "voltage" in seen.observed and "current" in seen.observed:
        yield Case(written=in_place_of(voltage="current", current="voltage"))


def _off_the_knee(seen: Seen) -> Cases:
    load = seen.readings.load
    if load is None or not np.all(np.isnan(load)):
        return
    best = seen.expect()
    ohm = best.values["voltage"] / np.maximum(best.values["current"], 1e-30)
    # A load of the panel's own best one times k, as the change of a stated load of 1 ohm.
    for k in (*np.geomspace(0.1, 0.7, 8), *np.geomspace(1.5, 10.0, 8)):
        yield Case(f"{k:.2g} times the best load", written=_at(k * ohm), weight=1.0 / 16)


def _at(load: np.ndarray) -> Callable:
    return lambda expected, seen: seen.expect(load=load)


def _misread(seen: Seen) -> Cases:
    """One number of one reading, with anything in it."""
    count = len(seen.readings)
    if count > 2:
        yield from spread(
            Case(f"the {name} of reading {row + 1}", leave_out=(row, name))
            for row in range(min(count, 60))
            for name in seen.observed
        )


OF_METERS: tuple[GrossError, ...] = (
    GrossError(
        "divider factor forgotten",
        "the voltage is too small by the divider's ratio",
        "measure the panel's open circuit straight with a meter",
        1.0,
        _divider_forgotten,
    ),
    GrossError(
        "divider factor applied twice",
        "the voltage is too large by the divider's ratio",
        "measure the panel's open circuit straight with a meter",
        0.5,
        _divider_twice,
    ),
    GrossError(
        "mA taken for A",
        "the current is off by a thousand",
        "look at the unit on the ammeter or in the heading",
        1.0,
        _milliamperes,
    ),
    GrossError(
        "mV taken for V",
        "the voltage is off by a thousand",
        "look at the unit on the voltmeter or in the heading",
        1.0,
        _millivolts,
    ),
    GrossError(
        "mW taken for W",
        "the power is off by a thousand",
        "look at the unit in the heading, or multiply voltage and current again",
        1.0,
        _milliwatts,
    ),
    GrossError(
        "shunt wrong by ten",
        "the current is off by ten",
        "measure the shunt, or put a known current through it",
        0.7,
        _shunt,
    ),
    GrossError(
        "amplifier gain forgotten",
        "the current is too large by the gain",
        "divide one reading by the gain; put a known current through the shunt",
        0.7,
        _gain_forgotten,
    ),
    GrossError(
        "peak taken for mean",
        "voltage and current are both 1.41 or 2 times too large, or belong to twice the light",
        "read with a meter that averages; look whether the lamp flickers",
        0.3,
        _peak,
    ),
    GrossError(
        "ohms in leads or meter not counted",
        "the panel sees more ohms than stated",
        "compare V/I with the load; read the voltage at the panel",
        0.7,
        _leads,
    ),
    GrossError(
        "load resistor off by ten",
        "the reading belongs to another load",
        "measure the resistor; look at its third ring",
        0.7,
        _wrong_ring,
    ),
    GrossError(
        "worked out with the wrong resistor",
        "current or power were V/R or V^2/R of a resistor that was not the load",
        "measure the load with an ohmmeter, and the current with a meter in series",
        0.5,
        _by_wrong_load,
    ),
    GrossError(
        "open-circuit voltage written for the loaded one",
        "the voltage does not fall with the load",
        "connect the voltmeter while the load is on",
        0.5,
        _open_voltage,
    ),
    GrossError(
        "short-circuit current written for the loaded one",
        "the current does not fall with the load",
        "put the ammeter in series with the load",
        0.5,
        _short_current,
    ),
    GrossError(
        "Isc times Voc taken as power",
        "the fill factor was left out",
        "read voltage and current at the same load",
        0.5,
        _both_ends,
    ),
    GrossError(
        "polarity reversed",
        "a sign is wrong",
        "exchange the leads of that channel",
        0.7,
        _polarity,
    ),
    GrossError(
        "voltage and current exchanged",
        "the columns are swapped",
        "look at the headings",
        0.5,
        _exchanged,
    ),
    GrossError(
        "load far from the knee taken for maximum power",
        "less than the panel's best is drawn",
        "change the load and look for the greatest power",
        0.7,
        _off_the_knee,
    ),
    GrossError(
        "one reading written down wrong",
        "the others agree without it",
        "take that reading again",
        0.5,
        _misread,
    ),
)
