"""The usual slips: what each would make a careful person write down.

A slip takes the scene as it was stated and gives what the readings would then be, once for each
size that it comes in. The priors say how common a slip is against the others; they are common
practice, without a source. To add one: a function, and a line in `SLIPS`.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from ivkit.verdict.plausibility import Scene

Expected = dict[str, Any]

#: Factors that dividers and amplifiers of benches have, where the bench does not say.
DIVIDERS = (2.0, 3.0, 5.0, 115.0 / 15.0, 11.0)
GAINS = (20.0, 50.0, 100.0)


@dataclass(frozen=True)
class Slip:
    """One slip.

    Attributes
    ----------
    name, explains, check : str
        What it is, what it does, and the check that tells it from the others.
    prior : float
        How common it is against the others (common practice, no source).
    apply : callable
        From a scene to what the readings would be, once for each size.
    """

    name: str
    explains: str
    check: str
    prior: float
    apply: Callable[[Scene], Iterator[Expected]]


def _scaled(expected: Expected, voltage: float = 1.0, current: float = 1.0) -> Expected:
    return {
        **expected,
        "voltage": expected["voltage"] * voltage,
        "current": expected["current"] * current,
        "power": expected["power"] * voltage * current,
    }


def _times(voltage: tuple[float, ...] = (), current: tuple[float, ...] = ()) -> Callable:
    """Return a slip that multiplies one channel, by each of several factors."""

    def apply(scene: Scene) -> Iterator[Expected]:
        true = scene.expect()
        for factor in voltage:
            yield _scaled(true, voltage=factor)
        for factor in current:
            yield _scaled(true, current=factor)

    return apply


def _light(*factors: float) -> Callable:
    """Return a slip in the light: the true one is this many times the stated one."""

    def apply(scene: Scene) -> Iterator[Expected]:
        for factor in factors:
            yield scene.expect(light=factor)

    return apply


def _peak(scene: Scene) -> Iterator[Expected]:
    root = float(np.sqrt(2.0))
    true = scene.expect()
    yield _scaled(true, voltage=root, current=root)


def _from_plane(scene: Scene) -> Iterator[Expected]:
    if np.any(np.abs(scene.readings.angle - 45.0) > 5.0):
        yield scene.expect(angle=90.0 - scene.readings.angle)


def _hot(scene: Scene) -> Iterator[Expected]:
    for kelvin in (25.0, 35.0, 45.0):
        yield scene.expect(warmer=kelvin)


def _shaded(scene: Scene) -> Iterator[Expected]:
    for share in (0.25, 0.5, 0.7):
        yield scene.expect(shaded=share)


def _leads(scene: Scene) -> Iterator[Expected]:
    """Ohms between panel and load that nobody counted: the voltage is read at the load."""
    load = scene.readings.load
    finite = load[np.isfinite(load) & (load > 0)]
    if not finite.size:
        return
    for ohm in np.geomspace(0.1, 1.0, 4) * float(np.median(finite)):
        true = scene.expect(load=load + ohm)
        at_load = np.where(np.isfinite(load), true["current"] * load, true["voltage"])
        yield {**true, "voltage": at_load, "power": at_load * true["current"]}


def _wrong_ring(scene: Scene) -> Iterator[Expected]:
    for factor in (10.0, 0.1):
        yield scene.expect(load=scene.readings.load * factor)


def _open_voltage(scene: Scene) -> Iterator[Expected]:
    true = scene.expect()
    yield {**true, "voltage": true["v_oc"], "power": true["v_oc"] * true["current"]}


def _short_current(scene: Scene) -> Iterator[Expected]:
    true = scene.expect()
    yield {**true, "current": true["i_sc"], "power": true["i_sc"] * true["voltage"]}


def _both_ends(scene: Scene) -> Iterator[Expected]:
    true = scene.expect()
    yield {
        **true,
        "voltage": true["v_oc"],
        "current": true["i_sc"],
        "power": true["v_oc"] * true["i_sc"],
    }


def _polarity(scene: Scene) -> Iterator[Expected]:
    true = scene.expect()
    for voltage, current in ((-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)):
        yield _scaled(true, voltage, current)


def _swapped(scene: Scene) -> Iterator[Expected]:
    true = scene.expect()
    yield {**true, "voltage": true["current"], "current": true["voltage"]}


def _at_the_knee(scene: Scene) -> Iterator[Expected]:
    """The load is far from the knee, and was thought to be at it."""
    load = scene.readings.load
    if np.all(np.isnan(load)):
        true = scene.expect()
        best = true["p_mp"] / np.maximum(true["i_sc"], 1e-12) ** 2 * 1.15
        for factor in (0.2, 0.4, 2.5, 5.0):
            yield scene.expect(load=best * factor)


def _divider_once(scene: Scene) -> Iterator[Expected]:
    yield from _times(voltage=tuple(1.0 / k for k in DIVIDERS))(scene)


SLIPS: tuple[Slip, ...] = (
    Slip(
        "divider factor forgotten",
        "the voltage is too small by the divider's ratio",
        "measure the panel's open circuit straight with a meter",
        1.0,
        _divider_once,
    ),
    Slip(
        "divider factor applied twice",
        "the voltage is too large by the divider's ratio",
        "measure the panel's open circuit straight with a meter",
        0.5,
        _times(DIVIDERS),
    ),
    Slip(
        "mA taken for A",
        "the current is off by a thousand",
        "look at the unit on the meter or in the heading",
        1.0,
        _times(current=(1000.0, 0.001)),
    ),
    Slip(
        "mV taken for V",
        "the voltage is off by a thousand",
        "look at the unit on the meter or in the heading",
        1.0,
        _times(voltage=(1000.0, 0.001)),
    ),
    Slip(
        "shunt wrong by ten",
        "the current is off by ten",
        "measure the shunt, or put a known current through it",
        0.7,
        _times(current=(10.0, 0.1)),
    ),
    Slip(
        "amplifier gain forgotten",
        "the current is too large by the gain",
        "divide one reading by the gain; put a known current through the shunt",
        0.7,
        _times(current=GAINS),
    ),
    Slip(
        "peak taken for mean",
        "voltage and current are both 1.41 times too large",
        "read with a meter that averages; look whether the lamp flickers",
        0.3,
        _peak,
    ),
    Slip(
        "angle from the plane, not the normal",
        "facing and edge-on are exchanged",
        "turn the panel to face the light: the power must be greatest at 0",
        0.7,
        _from_plane,
    ),
    Slip(
        "lux taken as W/m2",
        "the light is a hundred times less than stated",
        "divide by 109 lx per W/m2 for the sun; for a lamp by its own figure",
        1.0,
        _light(1.0 / 109.0),
    ),
    Slip(
        "lamp's lux turned to watts as if it were the sun",
        "the light is three times more",
        "name the lamp: under a filament 1000 lx are 27 W/m2 to silicon, not 9",
        0.7,
        _light(3.0),
    ),
    Slip(
        "a thermopile's watts taken as sunlight",
        "the cells can use half of the light stated",
        "read the light with a cell of the same kind",
        0.7,
        _light(0.47),
    ),
    Slip(
        "distance doubled or halved",
        "the light is off by four",
        "measure the distance to the middle of the panel",
        0.5,
        _light(4.0, 0.25),
    ),
    Slip(
        "dirt or a cover on the panel",
        "a part of the light does not reach the cells",
        "clean the panel and read again",
        0.7,
        _light(0.7),
    ),
    Slip(
        "hot cells",
        "the voltage near open circuit is low, the current is not",
        "read open circuit at once after uncovering, and again when warm",
        0.7,
        _hot,
    ),
    Slip(
        "one cell shaded",
        "the current is held down by one cell",
        "look for a shadow; cover one cell after the other",
        0.7,
        _shaded,
    ),
    Slip(
        "ohms in leads or meter not counted",
        "small loads see more ohms than stated",
        "compare V/I with the load; read the voltage at the panel",
        0.7,
        _leads,
    ),
    Slip(
        "load resistor off by ten",
        "the readings belong to another load",
        "measure the resistor; look at its third ring",
        0.7,
        _wrong_ring,
    ),
    Slip(
        "open-circuit voltage written for each load",
        "the voltage does not fall with the load",
        "connect the voltmeter while the load is on",
        0.5,
        _open_voltage,
    ),
    Slip(
        "short-circuit current written for each load",
        "the current does not fall with the load",
        "put the ammeter in series with the load",
        0.5,
        _short_current,
    ),
    Slip(
        "Isc times Voc taken as power",
        "the fill factor was left out",
        "read voltage and current at the same load",
        0.5,
        _both_ends,
    ),
    Slip(
        "polarity reversed", "a sign is wrong", "exchange the leads of that channel", 0.7, _polarity
    ),
    Slip(
        "voltage and current exchanged",
        "the columns are swapped",
        "look at the headings",
        0.5,
        _swapped,
    ),
    Slip(
        "load far from the knee taken for maximum power",
        "less than the panel's best is drawn",
        "change the load and look for the greatest power",
        0.7,
        _at_the_knee,
    ),
)
