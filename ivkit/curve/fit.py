"""Fit one sweep, and say everything about it: curve, key points, uncertainty, flags.

The fit itself is that of `many`, with a batch of one; what is added here is where the noise and
the effects of the readings go (`uncertainty`), and the key points from the data alone beside it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.constants import Boltzmann, elementary_charge
from uncertainties import UFloat, ufloat

from ivkit.curve.between import Between, key_points_between
from ivkit.curve.diode import SingleDiode, local
from ivkit.curve.engine import Array
from ivkit.curve.fault_list import all_faults
from ivkit.curve.key_points import DataKeyPoints, KeyPoints, key_points_from_data
from ivkit.curve.limits import resistance_limits
from ivkit.curve.many import PARAMETERS, fit_many, one_problem
from ivkit.curve.misfit import misfits
from ivkit.curve.uncertainty import (
    Sources,
    coverage_factor,
    key_point_gradients,
    noise_as_taken,
    parameter_gradients,
)
from ivkit.errors import SweepError
from ivkit.readings.fault import Fault
from ivkit.readings.faults import check
from ivkit.readings.sweep import Sweep
from ivkit.shown import Shown

#: Readings that have to be left when those at fault are out.
FEWEST_LEFT = 2

#: With one of these no curve can be held against the readings.
HOPELESS = ("reversed_current", "reversed_voltage", "no_light", "one_voltage")

#: The flag that takes away a key point.
_NEEDS = {
    "i_sc": "short_circuit_not_reached",
    "v_oc": "open_circuit_not_reached",
    "v_mp": "knee_not_reached",
    "i_mp": "knee_not_reached",
}

#: The flags that take the number away from a resistance and leave a limit.
UNRESOLVED = {
    "resistance_series": ("series_resistance_at_zero", "series_resistance_unresolved"),
    "resistance_shunt": ("shunt_at_infinity", "shunt_unresolved"),
}


@dataclass(frozen=True)
class Fit(Shown):
    """One sweep, the curve that fits it best, and how well it is known.

    Attributes
    ----------
    sweep : Sweep
        As fitted: without the readings that are left out.
    model : SingleDiode or None
        None where the five parameters cannot be told; the flags say why.
    parameters : dict
        Uncertain numbers by name, `PARAMETERS` plus ``ideality_factor`` where cells and
        temperature are known; None for what cannot be told.
    key_points : KeyPoints or None
        Of the model, as uncertain numbers; NaN for a point that the readings do not come near.
        Where the equation would put it is in ``model.key_points()``.
    from_data : DataKeyPoints
        Read off the readings without a model.
    key_points_from_data : dict
        The same as uncertain numbers, None where the readings do not reach.
    rmse : float
        Root mean square of measured minus modelled current, A; NaN without a model.
    residuals : ndarray, shape (N,)
        Measured minus modelled current, A.
    noise_voltage, noise_current : ndarray, shape (N,), or None
        Standard uncertainty of each reading on its own as the fit took it, V and A: as stated,
        enlarged where the readings scatter more, or found from the residuals.
    gradients : tuple of ndarray, shape (5, N), or None
        How IL, I0, Rs, 1/Rsh and a move with each voltage (per V) and each current (per A).
    freedom : float
        Degrees of freedom of the noise: infinite where the noise was stated.
    between : Between or None
        Where there are too few readings for a curve: the bounds of Isc, Voc and Pmp.
    limits : dict of str to float
        For a resistance that the readings do not resolve: the largest ``resistance_series`` and
        the least ``resistance_shunt`` that they allow at 95 %, ohm; infinity and 0 for no limit.
    converged : bool
    flags : tuple of str
        Names in `ivkit.curve.health.FLAGS`.
    faults : tuple of Fault
        What is wrong with the readings; points count in ``taken``.
    taken, left_out : Sweep and ndarray of bool, shape (M,), or None
        Every reading as taken, and which of them the fit does without.
    """

    sweep: Sweep
    model: SingleDiode | None
    parameters: dict[str, Any]
    key_points: KeyPoints | None
    from_data: DataKeyPoints
    key_points_from_data: dict[str, Any]
    rmse: float
    residuals: Array
    noise_voltage: Array | None
    noise_current: Array | None
    gradients: tuple[Array, Array] | None
    freedom: float
    between: Between | None
    limits: dict[str, float]
    converged: bool
    flags: tuple[str, ...]
    faults: tuple[Fault, ...] = ()
    taken: Sweep | None = None
    left_out: NDArray[np.bool_] | None = None

    def __str__(self) -> str:
        if self.model is None:
            return f"no curve through {len(self.sweep)} readings ({', '.join(self.flags)})"
        points = self.key_points
        told = (
            ("Isc", points.i_sc, " A"),
            ("Voc", points.v_oc, " V"),
            ("Pmp", points.p_mp, " W"),
            ("FF", points.fill_factor, ""),
        )
        parts = [f"{n} {q:.2uS}{u}" for n, q, u in told if np.isfinite(q.nominal_value)]
        return f"{', '.join(parts)} from {len(self.sweep)} readings"

    def u_current(self, voltage: Array) -> Array:
        """Return the standard uncertainty of the fitted current at voltages (V), A.

        Noise and effects of the readings, carried to the curve; NaN without a model.
        """
        voltage = np.asarray(voltage, dtype=float)
        if self.model is None or self.gradients is None:
            return np.full(voltage.shape, np.nan)
        by_v, by_i = self.gradients
        di = local(voltage, self.model.current(voltage), *self.model.raw).di
        to_v, to_i = di @ by_v, di @ by_i
        variance = np.zeros(voltage.shape)
        for moves, noise in ((to_v, self.noise_voltage), (to_i, self.noise_current)):
            if noise is not None:
                variance += np.sum((moves * noise) ** 2, axis=-1)
        for effect in self.sweep.effects:
            variance += (to_v @ effect.dv + to_i @ effect.di) ** 2
        return np.sqrt(variance)

    @property
    def interval_factor(self) -> float:
        """Half width of a 95 % interval, in standard uncertainties."""
        return coverage_factor(self.freedom)


def fit(sweep: Sweep, shared: Mapping[str, UFloat] | None = None) -> Fit:
    """Fit one sweep and carry its noise and its effects to every result.

    Readings at fault are left out, and every fault that is found is told with the fit. ``shared``
    are effects that other sweeps have in common with this one, by name. SweepError where nothing at
    all can be told: fewer than two readings, or every current zero.

    >>> panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    >>> v = np.linspace(0.0, 21.5, 30)
    >>> noise = 0.0005 * np.cos(np.arange(30.0) ** 2)
    >>> print(fit(Sweep(v, panel.current(v) + noise)))
    Isc 0.61925(15) A, Voc 21.5716(12) V, Pmp 10.1601(32) W, FF 0.76058(30) from 30 readings
    """
    checked = check(sweep)
    taken, keep, faults = checked.taken, checked.keep.copy(), list(checked.faults)
    if np.sum(keep) < FEWEST_LEFT:
        keep[:] = True  # nothing is left to hold the others against
    hopeless = any(one.name in HOPELESS for one in faults)
    while True:
        used = taken if np.all(keep) else taken.select(keep)
        found = fit_readings(used, shared)
        # One at a time: a fault in the open hides the next.
        place = np.flatnonzero(keep)
        more = [] if hopeless else misfits(used, found.model, found.flags)
        moved = [replace(one, points=tuple(int(place[k]) for k in one.points)) for one in more]
        out = [k for one in moved if one.leave_out for k in one.points]
        if out and np.sum(keep) - len(out) < max(FEWEST_LEFT, 0.5 * len(taken)):
            moved = [replace(one, leave_out=False) for one in moved]
            out = []
        faults += moved
        if not out:
            break
        keep[out] = False
    return replace(found, faults=all_faults(faults, found.flags), taken=taken, left_out=~keep)


def fit_readings(sweep: Sweep, shared: Mapping[str, UFloat] | None = None) -> Fit:
    """Fit every reading of a sweep as it stands, at fault or not; see `fit`."""
    if len(sweep) < 2:
        raise SweepError(
            f"{len(sweep)} reading", sweep.name, "give at least two, and eight for a curve"
        )
    if not np.any(sweep.current):
        raise SweepError(
            "every current is zero",
            sweep.name,
            "check the ammeter or shunt, its range, and that the loads were connected",
        )
    sigma_v, sigma_i = sweep.noise_voltage, sweep.noise_current
    stated = sigma_i is not None
    parts = (sweep.voltage, sweep.current, sigma_v if stated else None, sigma_i)
    arrays = [None if x is None else x[None] for x in parts]
    many = fit_many(*arrays)
    flags = many.flags[0]
    told = bool(np.isfinite(many.rmse[0]) and np.isfinite(many.nNsVth[0]))
    n = len(sweep)
    residuals, model = np.full(n, np.nan), None
    gradients = None
    freedom = np.inf
    if told:
        model = SingleDiode(*(float(getattr(many, name)[0]) for name in PARAMETERS))
        p = model.raw
        residuals = sweep.current - model.current(sweep.voltage)
        u_v, u_i, weights, left = noise_as_taken(many, [0], *arrays)
        if not stated:
            freedom = float(left[0])
        sigma_v, sigma_i = None if u_v is None else u_v[0], u_i[0]
        gradients = parameter_gradients(sweep.voltage, weights[0], *p)
    elif not stated:
        sigma_v, sigma_i, freedom = None, np.full(n, np.nan), 0.0
    sources = Sources(sweep, sigma_v, sigma_i, shared)
    from_data = key_points_from_data(sweep.voltage, sweep.current)
    data_points = {}
    for name in _NEEDS:
        value = getattr(from_data.key_points, name)
        by_v, by_i = from_data.gradient_v[name], from_data.gradient_i[name]
        data_points[name] = sources.quantity(value, by_v, by_i) if np.isfinite(value) else None
    parameters: dict[str, Any] = dict.fromkeys((*PARAMETERS, "ideality_factor"))
    points = None
    limits: dict[str, float] = {}
    if model is not None:
        parameters |= _parameters(model, gradients, sources, sweep)
        points = _points(model, gradients, sources, flags)
        limits = _limits(sweep, model, flags, freedom, float(many.cost[0]) / max(n - 5, 1))
    few = "too_few_points" in flags
    return Fit(
        sweep=sweep,
        model=model,
        parameters=parameters,
        key_points=points,
        from_data=from_data,
        key_points_from_data=data_points,
        rmse=float(many.rmse[0]),
        residuals=residuals,
        noise_voltage=sigma_v,
        noise_current=sigma_i,
        gradients=gradients,
        freedom=freedom,
        between=key_points_between(sweep.voltage, sweep.current) if few else None,
        limits=limits,
        converged=bool(many.converged[0]),
        flags=flags,
        faults=all_faults([], flags),
    )


def _limits(
    sweep: Sweep, model: SingleDiode, flags: tuple[str, ...], freedom: float, scatter: float
) -> dict[str, float]:
    """Return what the readings say of resistances that they do not resolve."""
    series = any(flag in flags for flag in UNRESOLVED["resistance_series"])
    shunt = any(flag in flags for flag in UNRESOLVED["resistance_shunt"])
    if not (series or shunt):
        return {}
    problem = one_problem(sweep)
    theta = problem.scaled(*(np.array([x]) for x in model.raw))
    variance = 1.0
    if np.isfinite(freedom):
        variance = scatter / float(problem.scale_i[0]) ** 2
    elif "noise_larger_than_stated" in flags:
        variance = scatter
    return resistance_limits(problem, theta, freedom, variance, series, shunt)


def _parameters(
    model: SingleDiode, gradients: tuple[Array, Array], sources: Sources, sweep: Sweep
) -> dict[str, Any]:
    """Return the five parameters, and the ideality factor, as uncertain numbers."""
    by_v, by_i = gradients
    told = {
        name: sources.quantity(value, by_v[k], by_i[k])
        for k, (name, value) in enumerate(zip(PARAMETERS, model.raw, strict=True))
    }
    conductance = told["resistance_shunt"]
    told["resistance_shunt"] = 1.0 / conductance if conductance.nominal_value > 0 else None
    temp = sweep.condition.temp_cell
    if sweep.cells and temp is not None:
        u_temp = sweep.condition.u_temp_cell
        kelvin = temp + 273.15
        if u_temp:
            kelvin = ufloat(kelvin, u_temp, "cell temperature")
        thermal = Boltzmann / elementary_charge * kelvin
        told["ideality_factor"] = told["nNsVth"] / (sweep.cells * thermal)
    return told


def _points(
    model: SingleDiode,
    gradients: tuple[Array, Array],
    sources: Sources,
    flags: tuple[str, ...],
) -> KeyPoints:
    """Return the model's key points as uncertain numbers; NaN where no reading is near.

    There the uncertainty of the model only says what the equation would do, not what the panel
    does.
    """
    values = model.key_points()
    moves = key_point_gradients(*model.raw)
    told = {}
    for name, needs in _NEEDS.items():
        if needs in flags:
            told[name] = ufloat(np.nan, np.nan)
            continue
        by_v, by_i = (moves[name] @ gradient for gradient in gradients)
        told[name] = sources.quantity(getattr(values, name), by_v, by_i)
    return KeyPoints(**told)


def fit_each(sweeps: Sequence[Sweep]) -> list[Fit]:
    """Fit several sweeps that were taken with one front end, each on its own.

    Effects of the same name are one cause: results of different sweeps are correlated by them.
    """
    names = {effect.name for sweep in sweeps for effect in sweep.effects}
    shared = {name: ufloat(0.0, 1.0, name) for name in names}
    return [fit(sweep, shared) for sweep in sweeps]
