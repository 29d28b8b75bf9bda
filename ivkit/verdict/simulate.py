"""A sweep as a bench would write it, of a panel that is known, with or without a fault."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.bench import Bench, CurrentChannel, FrontEnd, VoltageChannel
from ivkit.curve.diode import SingleDiode
from ivkit.curve.many import PARAMETERS
from ivkit.curve.string import SeriesString
from ivkit.errors import RangeError, SweepError
from ivkit.panel.conditions import ReferencePanel
from ivkit.readings.broken import Break, Course, Setting
from ivkit.readings.circuit import causes, nominal_parts, nominal_scale
from ivkit.readings.simulated import draw_hidden, load_at_panel, write_readings

Array = NDArray[np.float64]
USUAL_CELLS = 36  # where a shaded cell needs cells and nobody says how many
_POINTS = {"isc_A": "i_sc", "voc_V": "v_oc", "vmp_V": "v_mp", "imp_A": "i_mp", "pmp_W": "p_mp"}
_POINTS |= {"fill_factor": "fill_factor", "best_load_ohm": "best_load"}
FEWEST_LOADS = 12  # so many that something can go wrong in the midst of a sweep


@dataclass(frozen=True)
class Simulated:
    """A sweep as written, and the truth behind it.

    Attributes
    ----------
    columns : dict of str to ndarray, shape (N,). ``load`` as stated (ohm), then ``voltage`` and
        ``current`` (V, A) or their codes, and ``temperature`` (degC) where the bench has a sensor
        for it.
    truth : dict. For JSON: the panel, the key points, the hidden errors, the fault.
    voltage, current : shape (N,). At the panel's terminals, V and A, as they were; of the rows
        before any was copied.
    current_in_volts : Whether the current column holds volts at the converter.
    """

    columns: dict[str, Array]
    truth: dict[str, Any]
    voltage: Array = field(repr=False)
    current: Array = field(repr=False)
    current_in_volts: bool = False


def simulate(
    panel: ReferencePanel,
    effective_irradiance: float,
    temp_cell: float,
    loads: ArrayLike,
    rng: np.random.Generator,
    bench: Bench | None = None,
    broken: Break | None = None,
    drift: float = 0.0,
) -> Simulated:
    """Take a sweep of a known panel on a bench whose parts are off at random.

    Parameters
    ----------
    effective_irradiance : W/m2, above 0.
    temp_cell : degC.
    loads : array_like, shape (N,). Stated loads in the order taken, ohm; 0 short circuit, infinity
        open.
    bench : Without a front end in it: two hand-held meters of 4000 counts with 0.1 % of noise.
    broken : What goes wrong, from `ivkit.readings.broken.BREAKS`.
    drift : By which share the light changes from the first reading to the last.

    Raises SweepError: no load is left, none was given, or so few that a fault cannot show;
    RangeError: a fault that this bench cannot have.
    """
    bench = bench or Bench()
    model = panel.at(effective_irradiance, temp_cell)
    points = model.key_points()
    front_end = bench.front_end or hand_meters(float(points.v_oc), float(points.i_sc))
    setting = Setting(
        float(points.i_sc),
        float(points.v_oc),
        float(points.best_load),
        _full_scale(front_end),
        1.0 / nominal_scale(front_end, "voltage"),
    )
    course = Course.plain(loads)
    if broken is not None and course.loads.size < FEWEST_LOADS:
        what = f"{course.loads.size} loads are too few for a fault to show"
        raise SweepError(what, "--loads", f"take at least {FEWEST_LOADS}")
    course = replace(course, light=1.0 + drift * np.linspace(0.0, 1.0, course.loads.size))
    if broken is not None and broken.course is not None:
        course = broken.course(course, setting, rng)
    if not course.loads.size:
        raise SweepError("no load is left to take a reading with", "loads")
    hidden = draw_hidden(front_end, rng)
    share = (bench.loads.tolerance_pct or 0.0) / 100
    # One resistor is off by one amount, however often it is taken.
    values, which = np.unique(course.loads, return_inverse=True)
    off = rng.uniform(-share, share, () if bench.loads.shared_tolerance else values.shape)
    true_load = (values * (1 + off))[which] + course.extra_load
    seen = load_at_panel(front_end, true_load, hidden)
    v, i = _operating_points(panel, effective_irradiance, temp_cell, course, seen)
    written = write_readings(v, i, front_end, rng, hidden)
    columns = {"load": course.loads, **written}
    if bench.condition.u_temp_cell_degC and bench.condition.temp_cell_degC is None:
        sensor = rng.normal(0.0, bench.condition.u_temp_cell_degC)
        columns["temperature"] = np.round(temp_cell + course.warming + sensor, 1)
    if broken is not None and broken.columns is not None:
        columns = _spoilt(columns, broken, front_end, setting, rng)
    truth = {
        "condition": {"irradiance_W_m2": effective_irradiance, "temp_cell_degC": temp_cell},
        "single_diode": {
            f"{name}_{unit}": getattr(model, name)
            for name, unit in zip(PARAMETERS, ("A", "A", "ohm", "ohm", "V"), strict=True)
        },
        "key_points": {key: getattr(points, name) for key, name in _POINTS.items()},
        "hidden_errors": _hidden(front_end, hidden),
        "true_loads_ohm": true_load,
        "voltage_V": v,
        "current_A": i,
        "drift_of_light_pct": 100 * drift,
        "fault": None if broken is None else {"name": broken.name, "what": broken.what},
    }
    volts = front_end.readings == "converter_volts" and not front_end.current.is_meter
    return Simulated(columns, truth, v, i, volts)


def _hidden(front_end: FrontEnd, hidden: dict[str, float]) -> dict[str, dict[str, Any]]:
    """Return by how much each part is off, for reading: in percent, or in volts or amperes."""
    parts, known = nominal_parts(front_end), causes(front_end)
    found: dict[str, dict[str, Any]] = {}
    for name, count in hidden.items():
        cause = known[name]
        off = float(count) * cause.u
        unit = "A" if cause.part.startswith("ammeter") else "V"
        found[name] = {"off_pct": 100 * off} if cause.relative else {f"off_{unit}": off}
        if cause.relative and parts[cause.part] != 1.0:
            found[name]["true_value"] = parts[cause.part] * (1 + off)
        found[name]["in_standard_uncertainties"] = float(count)
    return found


def _spoilt(
    columns: dict[str, Array],
    broken: Break,
    front_end: FrontEnd,
    setting: Setting,
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Return the columns with what went wrong in them; a code stays a code.

    A factor forgotten in a calculation, or a power column under the wrong unit, cannot be in
    what the converter itself writes: the codes would have to be past its end.
    """
    remedy = 'take a bench without a converter, or one whose readings are "scaled"'
    try:
        columns = broken.columns(columns, setting, rng)
    except KeyError as missing:
        raise RangeError(
            f"{broken.name} cannot happen to codes: there is no column {missing}", "--fault", remedy
        ) from None
    if front_end.converter is None:
        return columns
    top = front_end.converter.top
    for name, values in columns.items():
        if name.endswith("_code") and np.mean(values > top) > 0.3:
            raise RangeError(
                f"{broken.name} cannot happen to codes: {np.sum(values > top)} of {len(values)} "
                f"would be above the converter's largest, {top}",
                "--fault",
                remedy,
            )
    return {k: np.clip(x, 0, top) if k.endswith("_code") else x for k, x in columns.items()}


def hand_meters(v_oc: float, i_sc: float) -> FrontEnd:
    """Return two hand-held meters of 4000 counts in the ranges that suit a panel."""

    def step(largest: float) -> float:
        return float(10.0 ** np.ceil(np.log10(largest / 3999)))

    return FrontEnd(
        voltage=VoltageChannel(resolution_V=step(v_oc), noise_V=1e-3 * v_oc),
        current=CurrentChannel(resolution_A=step(i_sc), noise_A=1e-3 * i_sc),
    )


def _full_scale(front_end: FrontEnd) -> float:
    """Return the current at which the converter is at its end, A."""
    converter, current = front_end.converter, front_end.current
    if converter is None or current.is_meter:
        return np.inf
    room = converter.reference_V - current.offset_V
    return room / nominal_scale(front_end, "current")


def _operating_points(
    panel: ReferencePanel, irradiance: float, temp_cell: float, course: Course, seen: Array
) -> tuple[Array, Array]:
    """Return where the panel settles at each load, V and A."""
    model = panel.at(irradiance * course.light, temp_cell + course.warming)
    if course.shaded < 1.0:
        point = _shaded(model, panel.cells or USUAL_CELLS, course.shaded, seen)
    elif course.barrier > 0.0:
        return _blocked(panel.at(irradiance, temp_cell), course.barrier, seen)
    else:
        point = model.operating_point(seen)
    shape = seen.shape
    return np.broadcast_to(point.voltage, shape), np.broadcast_to(point.current, shape)


def _shaded(model: SingleDiode, cells: int, light: float, seen: Array) -> Any:
    """Return the points of a panel in two bypassed groups with one cell in less light."""
    if cells < 2:
        what = "one cell cannot be shaded against others"
        raise SweepError(what, "--fault", "take a panel of more cells")
    each = np.ones(cells)
    each[0] = light
    il, i0, rs, rsh, a = (float(np.ravel(getattr(model, name))[0]) for name in PARAMETERS)
    one = SingleDiode(il * each, i0, rs / cells, rsh / cells, a / cells)
    return SeriesString(one, [cells // 2, cells - cells // 2]).operating_point(seen)


def _blocked(model: SingleDiode, barrier: float, seen: Array) -> tuple[Array, Array]:
    """Return the points of a panel in series with a leaky junction that opposes the current.

    A contact that blocks makes the S-shape, a second diode in reverse with a shunt beside it:
    Romero, del Pozo and Arredondo, Solar Energy 86 (2012) 3026 (abstract read; volume and page
    from memory), in its simplest form. The junction lets the current pass once it has taken up
    ``barrier`` of Voc.
    """
    points = model.key_points()
    v_oc, i_sc = float(points.v_oc), float(points.i_sc)
    a = barrier * v_oc / 6
    leak = barrier * v_oc / (0.25 * i_sc)  # a quarter of the current leaks past it
    junction = SingleDiode(0.0, i_sc / np.exp(6.0), 0.0, leak, a)

    def voltage(current: Array) -> Array:
        return model.voltage(current) - junction.voltage(-current)

    low, high = np.zeros(seen.shape), np.full(seen.shape, i_sc)
    for _ in range(60):
        middle = (low + high) / 2
        with np.errstate(invalid="ignore"):
            needs = np.where(middle > 0, middle * seen, 0.0)
        above = voltage(middle) > needs
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    current = np.where(np.isinf(seen), 0.0, (low + high) / 2)
    return voltage(current), current
