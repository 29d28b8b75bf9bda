"""A sweep through a translation: its points, its noise, and everything that is uncertain about it.

The translated readings are a `Sweep` again, so that the fit, the key points and the budget are
those of any sweep. What the translation itself is uncertain by (irradiance, temperature,
coefficients) becomes effects of it, found by moving one input at a time (JCGM 100:2008, 5.1.3
note 2) and tied to the variables behind that input.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat

from ivkit.curve.uncertainty import NOISE
from ivkit.errors import SweepError
from ivkit.readings.sweep import Condition, Effect, Sweep

Array = NDArray[np.float64]
#: From readings (V, A) and inputs by name to translated readings.
Procedure = Callable[[Array, Array, Mapping[str, float]], tuple[Array, Array]]

_STEP = 1e-4  # of a standard uncertainty, or of the largest reading
_NOISES = 3  # directions in which the noise of shared inputs moves the curve; more do not matter


def translated_sweep(
    sweep: Sweep,
    procedure: Procedure,
    inputs: Mapping[str, Any],
    effects: Mapping[str, UFloat],
    condition: Condition,
    note: str,
) -> tuple[Sweep, dict[str, Any]]:
    """Return the translated sweep, and the variables behind its effects by name.

    Parameters
    ----------
    sweep : As measured.
    procedure : callable. Each translated point depends on its own reading and on the inputs.
    inputs : mapping of str to float or UFloat. Handed to the procedure as plain numbers. The
        variables behind them are 0 +- 1.
    effects : mapping of str to UFloat. The variable (0 +- 1) of each effect of the sweep by name.
    condition : Of the result.
    note : What was done.
    """
    plain = {name: float(getattr(q, "nominal_value", q)) for name, q in inputs.items()}
    v, i = sweep.voltage, sweep.current
    volts, amperes = procedure(v, i, plain)
    by_v = _slope(procedure, v, i, plain, np.max(np.abs(v)), 0.0)
    by_i = _slope(procedure, v, i, plain, 0.0, np.max(np.abs(i)))

    moves: dict[Any, Array] = {}  # variable -> shift of (V, A) by one standard uncertainty

    def move(variable: Any, shift: Array) -> None:
        moves[variable] = moves.get(variable, 0.0) + shift

    for effect in sweep.effects:
        move(effects[effect.name], by_v * effect.dv + by_i * effect.di)
    for name, quantity in inputs.items():
        u = float(getattr(quantity, "std_dev", 0.0))
        if not u > 0 or not np.isfinite(u):
            continue
        up, down = (
            np.array(procedure(v, i, {**plain, name: plain[name] + s * _STEP * u}))
            for s in (1.0, -1.0)
        )
        slope = (up - down) / (2 * _STEP * u)
        for variable, derivative in quantity.derivatives.items():
            if variable.std_dev > 0 and derivative != 0:
                move(variable, slope * (derivative * variable.std_dev))

    named: dict[str, Any] = {}
    shifts: dict[str, Array] = {}
    noise = []
    for variable, shift in moves.items():
        if variable.tag == NOISE or variable.tag is None:
            noise.append(shift.ravel())
            continue
        named[variable.tag] = variable
        shifts[variable.tag] = shifts.get(variable.tag, 0.0) + shift
    if not np.all(np.isfinite(noise)):
        what = "the noise of its fit has no translation that could be told"
        raise SweepError(what, sweep.name, "check the tolerances and noise of its front end")
    for k, shift in enumerate(_directions(noise)):
        label = f"{NOISE} of the whole sweep, {k + 1}"
        named[label] = ufloat(0.0, 1.0, NOISE)
        shifts[label] = shift.reshape(2, -1)
    told = replace(
        sweep,
        voltage=volts,
        current=amperes,
        noise_voltage=_noise(sweep, by_v[0], by_i[0]),
        noise_current=_noise(sweep, by_v[1], by_i[1]),
        effects=tuple(Effect(name, *shift) for name, shift in shifts.items()),
        condition=condition,
        load=None,
        notes=(*sweep.notes, note),
    )
    return told, named


def _slope(
    procedure: Procedure, v: Array, i: Array, plain: Mapping[str, float], dv: float, di: float
) -> Array:
    """Return how the translated V and A of each point move with its own V or A, shape (2, N)."""
    up = np.array(procedure(v + _STEP * dv, i + _STEP * di, plain))
    down = np.array(procedure(v - _STEP * dv, i - _STEP * di, plain))
    return (up - down) / (2 * _STEP * (dv + di))


def _noise(sweep: Sweep, by_v: Array, by_i: Array) -> Array | None:
    if sweep.noise_current is None:
        return None
    u_v = 0.0 if sweep.noise_voltage is None else sweep.noise_voltage
    return np.hypot(by_v * u_v, by_i * sweep.noise_current)


def _directions(shifts: list[Array]) -> list[Array]:
    """Return few shifts, each of one standard uncertainty, that vary together as ``shifts`` do."""
    if not shifts:
        return []
    _, size, shape = np.linalg.svd(np.array(shifts), full_matrices=False)
    return [s * row for s, row in zip(size[:_NOISES], shape[:_NOISES], strict=True) if s > 0]
