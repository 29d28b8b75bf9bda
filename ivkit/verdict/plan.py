"""Before measuring: which loads, is the front end good enough, and what uncertainty will come out.

The panel is roughly known, from a datasheet or a first sweep. Readings as the bench would write
them are made without noise, corrected as real ones are, and their noise and effects carried to
the results: so the plan speaks of the very uncertainties that `ivkit characterize` will state.
"""

from dataclasses import dataclass, replace

import numpy as np
from uncertainties import UFloat

from ivkit.assumptions import ASSUMED
from ivkit.bench import Bench, FrontEnd
from ivkit.curve.diode import SingleDiode
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.uncertainty import Sources, budget, key_point_gradients, parameter_gradients
from ivkit.errors import RangeError, SweepError
from ivkit.readings import circuit
from ivkit.readings.front_end import make_sweep
from ivkit.readings.simulated import load_at_panel, write_readings
from ivkit.readings.sweep import Sweep
from ivkit.readings.table import Table
from ivkit.shown import Shown
from ivkit.verdict.design import Array, choose, information
from ivkit.verdict.e_series import series_values
from ivkit.verdict.plan_parts import halved
from ivkit.verdict.rating import rating_to_buy

_NOISE = ASSUMED["noise, of the largest reading"]  # of Isc and of Voc
#: A channel uses its converter well between these shares of the range.
LOW_USE, HIGH_USE = 0.4, 0.95


@dataclass(frozen=True)
class PlannedLoad:
    """One load of the plan.

    Attributes
    ----------
    load : ohm; 0 for a short circuit, infinity for none.
    voltage, current, power : Where it should hold the panel, V, A and W.
    rating : Power rating to buy, W; 0 where no part is needed.
    """

    load: float
    voltage: float
    current: float
    power: float
    rating: float


@dataclass(frozen=True)
class Channel:
    """How one channel of the converter is used.

    Attributes
    ----------
    name : ``voltage`` or ``current``.
    used : Largest signal over the converter's range.
    step : One count, as a share of the largest signal.
    better : What part would use the range well; empty where it is used well.
    """

    name: str
    used: float
    step: float
    better: str


@dataclass(frozen=True)
class Improvement:
    """What changing one part would bring.

    Attributes
    ----------
    name : The effect, or ``noise``.
    share : Its share of the variance of Pmp now.
    u_power : Standard uncertainty of Pmp with this cause halved, W.
    part : What halves it; empty where that is not a part of the bench.
    """

    name: str
    share: float
    u_power: float
    part: str = ""


@dataclass(frozen=True)
class Plan(Shown):
    """A sweep to take.

    Attributes
    ----------
    loads : tuple of PlannedLoad. In the order to take them.
    key_points : As expected, with the uncertainty that the sweep will have.
    sweep : The readings as expected, without noise.
    channels : tuple of Channel. Empty without a converter.
    divider_share, shunt_share : Current that the divider takes, and voltage that the shunt takes,
        at maximum power, as shares of Imp and Vmp.
    improvements : tuple of Improvement. Largest help first.
    assumed_noise : No bench states a noise, so one was assumed.
    notes : tuple of str
    """

    loads: tuple[PlannedLoad, ...]
    key_points: KeyPoints
    sweep: Sweep
    channels: tuple[Channel, ...]
    divider_share: float
    shunt_share: float
    improvements: tuple[Improvement, ...]
    assumed_noise: bool
    notes: tuple[str, ...]


def plan_sweep(
    model: SingleDiode,
    bench: Bench | None = None,
    *,
    count: int = 8,
    aim: str = "both",
    series: str = "E12",
    drawer: tuple[float, ...] = (),
    ends: bool = True,
) -> Plan:
    """Choose the loads of a sweep and say what it will be worth.

    Parameters
    ----------
    model : The curve that is expected.
    bench : Front end, and the loads at hand.
    count : Readings, 5 or more.
    aim : ``power``: least uncertainty of Pmp; ``parameters``: smallest ellipsoid of the five
        parameters; ``both``.
    series : E-series to take loads from where neither drawer nor bench names any.
    drawer : tuple of float. Loads at hand, ohm; go before those of the bench.
    ends : Short circuit and open circuit may be taken too: they need no part.

    Raises SweepError: a panel without power; RangeError: fewer than five readings, or fewer loads
    at hand than readings.
    """
    points = model.key_points()
    if not points.p_mp > 0:
        raise SweepError("the expected panel gives no power", "", "state its light and its figures")
    bench = bench or Bench()
    best = float(points.best_load)
    at_hand = np.array(sorted(set(drawer or bench.loads.values)), dtype=float)
    if not at_hand.size:
        at_hand = series_values(series, 0.02 * best, 50.0 * best)
    at_hand = at_hand[at_hand > 0]
    if ends:
        at_hand = np.array([0.0, *at_hand, np.inf])
    if len(at_hand) < count:
        what = f"{len(at_hand)} loads at hand for {count} readings"
        raise RangeError(what, "", "ask for fewer, or add loads")
    whole = expected_sweep(model, bench, at_hand)
    told = information(model, whole.voltage, whole.noise_voltage, whole.noise_current)
    spread = np.where(np.isinf(at_hand), 1e3 * best, np.maximum(at_hand, 1e-3 * best))
    wanted = np.geomspace(0.1 * best, 10 * best, count)
    start: list[int] = []
    for ohm in wanted:
        order = np.argsort(np.abs(np.log(spread / ohm)))
        start.append(next(int(k) for k in order if int(k) not in start))
    fixed = [0, len(at_hand) - 1] if ends else []
    start = [*fixed, *[k for k in start if k not in fixed][: count - len(fixed)]]
    chosen = choose(told, start, aim, fixed)
    sweep = whole.select(np.isin(np.arange(len(at_hand)), chosen))
    results, u_now = _results(model, sweep)
    columns = (whole.voltage, whole.current, at_hand)
    at = [tuple(float(x[k]) for x in columns) for k in _order(chosen)]
    loads = tuple(
        PlannedLoad(ohm, v, i, v * i, rating_to_buy(v * i) if 0 < ohm < np.inf else 0.0)
        for v, i, ohm in at
    )
    front_end = bench.front_end
    return Plan(
        loads,
        results,
        sweep,
        _channels(model, front_end),
        *_burden(front_end, float(points.v_mp), float(points.i_mp)),
        _improvements(u_now, front_end),
        front_end is None,
        () if front_end else (f"no front end is stated: {_NOISE.sentence()}",),
    )


def expected_sweep(model: SingleDiode, bench: Bench, loads: Array) -> Sweep:
    """Return the sweep that the bench would read of the panel, without noise.

    ``loads`` (M,) in ohm may hold 0 and infinity.
    """
    front_end = bench.front_end
    ends = model.key_points()
    usual = [np.full(len(loads), _NOISE.u_fraction * float(x)) for x in (ends.v_oc, ends.i_sc)]
    if front_end is None:
        point = model.operating_point(loads)
        read = (np.asarray(point.voltage), np.asarray(point.current))
        return Sweep(*read, *usual, load=loads, name="plan")
    point = model.operating_point(load_at_panel(front_end, loads))
    smooth = front_end
    if front_end.converter is not None:
        # Steps so fine that the readings are where they belong; the noise below keeps the real
        # ones, and saturation is judged by the range.
        smooth = replace(front_end, converter=replace(front_end.converter, bits=24))
    written = write_readings(point.voltage, point.current, smooth)
    if front_end.readings == "codes":
        scale = (front_end.converter.top + 1) / (smooth.converter.top + 1)
        written = {
            name: np.minimum(codes * scale, front_end.converter.top - 1)
            for name, codes in written.items()
        }
    table = Table({**written, "load": loads}, np.arange(1, len(loads) + 1), name="plan")
    saturated = SweepError(
        "the front end cannot read this panel at every load: its converter is saturated",
        "",
        "a larger divider ratio, a smaller shunt or less gain",
    )
    try:
        sweep = make_sweep(table, bench)
    except SweepError as error:
        raise (saturated if "converter was at its end" in error.what else error) from None
    if len(sweep) < len(loads):
        raise saturated
    if sweep.noise_current is None or sweep.noise_voltage is None:
        sweep = replace(sweep, noise_voltage=usual[0], noise_current=usual[1])
    return replace(sweep, voltage=np.asarray(point.voltage), current=np.asarray(point.current))


def _results(model: SingleDiode, sweep: Sweep) -> tuple[KeyPoints, UFloat]:
    """Return the key points with the uncertainty that the sweep will give them, and Pmp."""
    p = model.raw
    slope = model.slope(sweep.voltage)
    weights = 1.0 / np.hypot(sweep.noise_current, slope * sweep.noise_voltage)
    by_v, by_i = parameter_gradients(sweep.voltage, weights, *p)
    sources = Sources(sweep, sweep.noise_voltage, sweep.noise_current)
    values, moves = model.key_points(), key_point_gradients(*p)
    points = KeyPoints(
        *(
            sources.quantity(float(getattr(values, n)), moves[n] @ by_v, moves[n] @ by_i)
            for n in ("i_sc", "v_oc", "v_mp", "i_mp")
        )
    )
    return points, points.p_mp


def _improvements(power: UFloat, front_end: FrontEnd | None) -> tuple[Improvement, ...]:
    """Return what halving each cause would bring, the most helpful first."""
    variance = power.std_dev**2
    found = [
        Improvement(
            name, share, float(np.sqrt(variance * (1.0 - 0.75 * share))), halved(name, front_end)
        )
        for name, share in budget(power).items()
    ]
    return tuple(sorted(found, key=lambda one: one.u_power))


def _order(chosen: Array) -> list[int]:
    """Return the places in the order to take them: from both ends in turn to the middle.

    Neighbours on the curve are then far apart in time, so that warming or fading light shows as
    scatter and does not bend the curve.
    """
    left = list(map(int, chosen))
    out = []
    while left:
        out.append(left.pop(0))
        if left:
            out.append(left.pop())
    return out


def _burden(front_end: FrontEnd | None, v_mp: float, i_mp: float) -> tuple[float, float]:
    """Return what divider and shunt take at maximum power, as shares of Imp and Vmp."""
    if front_end is None:
        return 0.0, 0.0
    parts = circuit.nominal_parts(front_end)
    across = float(circuit.divider_resistance(parts))
    series = float(circuit.series_resistance(parts))
    return (v_mp / across / i_mp if across > 0 else 0.0), i_mp * series / v_mp


def _channels(model: SingleDiode, front_end: FrontEnd | None) -> tuple[Channel, ...]:
    """Return how the converter's range is used at open and at short circuit."""
    if front_end is None or front_end.converter is None:
        return ()
    converter = front_end.converter
    # A range that nothing leaves, so that what the real one would cut off shows too.
    endless = replace(converter, bits=24, reference_V=64 * converter.reference_V)
    wide = replace(front_end, readings="converter_volts", converter=endless)
    point = model.operating_point(load_at_panel(front_end, np.array([0.0, np.inf])))
    seen = write_readings(point.voltage, point.current, wide)
    out = []
    for name, settings, worth in (
        ("voltage", front_end.voltage, "divider ratio"),
        ("current", front_end.current, "shunt or gain"),
    ):
        if settings.is_meter:
            continue
        most = float(np.max(seen[name]))
        used = most / converter.reference_V
        step = converter.step / most if most > 0 else np.inf
        better = ""
        if not used > 0:
            better = f"a {worth} that lets some of it through"
        elif used > HIGH_USE:
            better = f"a {worth} that gives {used / 0.85:.2g} times less"
        elif used < LOW_USE:
            better = f"a {worth} that gives {0.85 / used:.2g} times more"
        out.append(Channel(name, used, step, better))
    return tuple(out)
