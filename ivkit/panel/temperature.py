"""Cell temperature: from a sensor, from Voc, from the weather, or as it warms up under a lamp.

The cell is warmer than any sensor on its back, and its open-circuit voltage knows by how much.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, correlated_values, umath

from ivkit.assumptions import ASSUMED
from ivkit.errors import RangeError, SweepError

Array = NDArray[np.float64]

NMOT_IRRADIANCE, NMOT_AIR = 800.0, 20.0  # W/m2 and degC, in 1 m/s (IEC 61215-2:2021, from memory)
_BACK, _A = ASSUMED["cell above back, at 1000 W/m2"], ASSUMED["a of the temperature from Voc"]
FEWEST_READINGS = 5
# A warming up of which less is seen, or the logarithm of whose time constant is less certain, has
# no end that could be told.
LEAST_SEEN, U_LOG_TAU = 0.3, 0.5


def behind_the_back(back: Any, irradiance: Any, difference: Any = _BACK.value) -> Any:
    """Return the cell temperature from a sensor on the panel's back, degC.

    T = T_back + difference S / 1000

    King, Boyson and Kratochvil, SAND2004-3535 (2004), eq. 12; 3 K is their value for glass, cell
    and polymer sheet on an open rack. In a sensor that is loosely fixed the difference is larger.

    Parameters
    ----------
    back : array_like or UFloat
        Of the back, degC.
    irradiance : array_like or UFloat
        W/m2, 0 or greater.
    difference : array_like or UFloat
        Between cell and back at 1000 W/m2, K.

    Raises
    ------
    RangeError
        Negative light.

    Examples
    --------
    >>> behind_the_back(45.0, 800.0)
    47.4
    """
    _not_negative(irradiance)
    return back + difference * (irradiance / 1000.0)


def _not_negative(irradiance: Any) -> None:
    light = np.asarray(getattr(irradiance, "nominal_value", irradiance), dtype=float)
    if np.any(light < 0):
        raise RangeError(f"irradiance {light.min():g} W/m2 is negative")


def equivalent_cell_temperature(
    v_oc1: Any,
    t1: Any,
    v_oc2: Any,
    light: Any,
    beta_rel: Any,
    a: Any = _A.value,
) -> Any:
    """Return the equivalent cell temperature by IEC 60904-5:2011, degC.

    T2 = T1 + (1/beta_rel) [Voc2/Voc1 - 1 - a ln(G2/G1)]

    The equation is written from memory, the standard's text not at hand. Floats, arrays and
    uncertain numbers; they broadcast.

    Parameters
    ----------
    v_oc1, t1 : float or UFloat
        Open-circuit voltage (V) at a known cell temperature (degC).
    v_oc2 : float or UFloat
        Open-circuit voltage at the temperature wanted, V.
    light : float or UFloat
        G2/G1. The ratio of the two short-circuit currents is the best measure of it.
    beta_rel : float or UFloat
        Relative temperature coefficient of Voc at condition 1, 1/K, negative.
    a : float or UFloat
        n k T/q of a cell over its Voc; about 0.05 for crystalline silicon.

    Raises
    ------
    RangeError
        Voltages or light that are not positive; a coefficient that is not negative, or is in %/K.

    Examples
    --------
    >>> t = equivalent_cell_temperature(
    ...     21.571058, 25.0, 20.08455396, 0.82, beta_rel=-0.0045521, a=0.0489
    ... )
    >>> print(round(float(t), 2))
    38.01
    """
    for value, name, unit in ((v_oc1, "Voc1", "V"), (v_oc2, "Voc2", "V"), (light, "G2/G1", "")):
        _positive(value, name, unit)
    plain = np.asarray(getattr(beta_rel, "nominal_value", beta_rel), dtype=float)
    if np.any(plain >= 0):
        raise RangeError(
            f"temperature coefficient of Voc {plain.max():g} is not negative",
            "",
            "Voc falls when a cell warms up: give a negative 1/K",
        )
    if np.any(plain < -0.02):
        raise RangeError(
            f"temperature coefficient of Voc {plain.min():g} is beyond any cell's",
            "",
            "give it in 1/K: -0.33 %/K is -0.0033",
        )
    log = umath.log(light) if hasattr(light, "nominal_value") else np.log(light)
    return t1 + (v_oc2 / v_oc1 - 1.0 - a * log) / beta_rel


def _positive(value: Any, name: str, unit: str) -> None:
    plain = np.asarray(getattr(value, "nominal_value", value), dtype=float)
    if not np.all(plain > 0):
        raise RangeError(
            f"{name} is {plain.min():g}{f' {unit}' if unit else ''}",
            "",
            "give it above 0: the panel has to be in the light",
        )


def temperature_outdoors(irradiance: Any, air: Any, nmot: Any) -> Any:
    """Return the cell temperature outdoors from the nominal module operating temperature, degC.

    T = T_air + (NMOT - 20) S / 800

    The usual straight line through the condition that defines NMOT: 800 W/m2, 20 degC, 1 m/s, a
    rack open at the back. In still air or without air behind it a panel gets hotter, by 10 K and
    more; in wind cooler.

    Parameters
    ----------
    irradiance : array_like or UFloat
        On the plane of the panel, W/m2, 0 or greater.
    air : array_like or UFloat
        Air temperature, degC.
    nmot : array_like or UFloat
        degC; NOCT may stand for it.

    Raises
    ------
    RangeError
        Negative light; a temperature in kelvin.

    Examples
    --------
    >>> temperature_outdoors(800.0, 20.0, 46.0), temperature_outdoors(400.0, 10.0, 46.0)
    (46.0, 23.0)
    """
    _not_negative(irradiance)
    for value, name, low, high in (
        (air, "air temperature", -90.0, 70.0),
        (nmot, "NMOT", 30.0, 80.0),
    ):
        celsius = np.asarray(getattr(value, "nominal_value", value), dtype=float)
        if np.any((celsius < low) | (celsius > high)):
            odd = celsius[(celsius < low) | (celsius > high)].flat[0]
            raise RangeError(
                f"{name} {odd:g} degC is outside {low:g} to {high:g}",
                "",
                "give it in degC; 298 K is 25 degC",
            )
    return air + (nmot - NMOT_AIR) * irradiance / NMOT_IRRADIANCE


@dataclass(frozen=True)
class WarmUp:
    """How a panel's Voc fell while it warmed up in steady light.

    Voc(t) = Voc_cold + change (1 - exp(-(t - t0)/time_constant)), with t0 the first reading

    Attributes
    ----------
    v_oc_cold : UFloat
        At the first reading, V.
    v_oc_warm : UFloat
        Where it ends, V.
    time_constant : UFloat
        s.
    rise : UFloat or None
        Of the cell temperature from the first reading to the end, K; None without a temperature
        coefficient.
    residuals : ndarray, shape (N,)
        Readings minus fit, V.
    seen : float
        How much of the way the readings cover, as a share.
    notes : tuple of str
        What weakens the answer.
    """

    v_oc_cold: UFloat
    v_oc_warm: UFloat
    time_constant: UFloat
    rise: UFloat | None
    residuals: Array
    seen: float
    notes: tuple[str, ...]

    def __str__(self) -> str:
        told = "" if self.rise is None else f", {self.rise:.2uS} K warmer"
        return (
            f"Voc {self.v_oc_cold:.2uS} V cold, {self.v_oc_warm:.2uS} V warm, time constant "
            f"{self.time_constant:.2uS} s{told}"
        )


def warm_up(
    time_s: ArrayLike,
    v_oc: ArrayLike,
    beta_voc: Any = None,
    noise_V: float | None = None,
) -> WarmUp:
    """Fit an exponential approach to open-circuit voltages read while the panel warms up.

    A lamp is switched on, or a cover taken off, and Voc read every few seconds: what it falls by is
    the cell's own rise in temperature, and where it began is the cold panel's Voc. The light has
    to be steady: a filament settles in a second, a discharge lamp in minutes.

    Parameters
    ----------
    time_s : array_like, shape (N,)
        s, increasing, N at least 5. The first reading is the beginning.
    v_oc : array_like, shape (N,)
        V.
    beta_voc : float or UFloat, optional
        Temperature coefficient of Voc in this light, V/K, negative.
    noise_V : float, optional
        Standard deviation of one reading; taken from the residuals where not given.

    Raises
    ------
    SweepError
        Too few readings, times that do not increase, a voltage that does not move, or readings
        that end before the bend can be seen.
    RangeError
        A coefficient that is not negative.

    Examples
    --------
    >>> t = np.linspace(0.0, 900.0, 40)
    >>> v = 19.9 - 1.4 * (1 - np.exp(-t / 240.0)) + 0.002 * np.cos(t**2)
    >>> print(warm_up(t, v, beta_voc=-0.07))
    Voc 19.90148(83) V cold, 18.49941(56) V warm, time constant 240.01(36) s, 20.029(11) K warmer
    """
    t, v = np.asarray(time_s, dtype=float), np.asarray(v_oc, dtype=float)
    _check_readings(t, v)
    if beta_voc is not None and not getattr(beta_voc, "nominal_value", beta_voc) < 0:
        raise RangeError(
            f"temperature coefficient of Voc {beta_voc} V/K is not negative",
            "",
            "Voc falls when a cell warms up: give a negative V/K",
        )
    since = t - t[0]
    tau = _best_time_constant(since, v)
    shape = 1.0 - np.exp(-since / tau)
    design = np.column_stack([np.ones_like(since), shape])
    cold, change = np.linalg.lstsq(design, v, rcond=None)[0]
    residuals = v - cold - change * shape
    # The third column is the derivative by the logarithm of the time constant.
    by_log_tau = -change * (since / tau) * np.exp(-since / tau)
    full = np.column_stack([design, by_log_tau])
    freedom = len(v) - 3
    sigma = np.sqrt(residuals @ residuals / freedom) if noise_V is None else noise_V
    covariance = sigma**2 * np.linalg.pinv(full.T @ full)
    u_change = np.sqrt(covariance[1, 1])
    if not abs(change) > 3 * max(u_change, 1e-9 * abs(cold)):
        raise SweepError(
            f"Voc moves by {change:.2g} V with a standard uncertainty of {u_change:.2g} V",
            "",
            "no warming up can be seen: start with a cold panel, read more often, or longer",
        )
    if np.sqrt(covariance[2, 2]) > U_LOG_TAU or shape[-1] < LEAST_SEEN:
        raise SweepError(
            "the readings end before the bend of the warming up can be seen",
            "",
            f"go on reading for at least {3 * since[-1]:.0f} s in all",
        )
    fitted_cold, fitted_change, log_tau = correlated_values(
        [cold, change, np.log(tau)], covariance, tags=["noise"] * 3
    )
    seen = float(shape[-1])
    notes = []
    if seen < 0.9:
        notes.append(
            f"the readings cover only {100 * seen:.0f} % of the way: the end is extrapolated; read "
            f"until {3 * tau:.0f} s"
        )
    if change > 0:
        notes.append("Voc rises: the panel cools down, or the light still gets stronger")
    gap = np.diff(since)[0]
    if gap > tau / 3:
        notes.append(
            f"the first readings are {gap:.3g} s apart, more than a third of the time constant: "
            "the cold Voc rests on the first one"
        )
    return WarmUp(
        fitted_cold,
        fitted_cold + fitted_change,
        umath.exp(log_tau),
        None if beta_voc is None else fitted_change / beta_voc,
        residuals,
        seen,
        tuple(notes),
    )


def _check_readings(t: Array, v: Array) -> None:
    if t.ndim != 1 or t.shape != v.shape:
        raise SweepError(
            f"time has shape {t.shape} and Voc {v.shape}", "", "give two columns of equal length"
        )
    if len(t) < FEWEST_READINGS:
        raise SweepError(
            f"{len(t)} readings", "", f"give at least {FEWEST_READINGS}, and twenty for an answer"
        )
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(v))):
        raise SweepError("times or voltages are not finite", "", "take these rows out")
    if np.any(np.diff(t) <= 0):
        row = int(np.argmax(np.diff(t) <= 0)) + 2
        raise SweepError(
            f"reading {row} at {t[row - 1]:g} s is not later than the one before at "
            f"{t[row - 2]:g} s",
            "",
            "give times in seconds, in the order taken",
        )


def _best_time_constant(since: Array, v: Array) -> float:
    """Return the time constant of least squares, s; cold Voc and change follow linearly."""

    def cost(log_tau: float) -> float:
        shape = 1.0 - np.exp(-since / np.exp(log_tau))
        centred, rest = shape - shape.mean(), v - v.mean()
        spread = centred @ centred
        slope = centred @ rest / spread if spread > 0 else 0.0
        left = rest - slope * centred
        return float(left @ left)

    step = np.diff(since).min()
    grid = np.linspace(np.log(step / 5), np.log(since[-1] * 20), 120)
    return float(np.exp(_least(cost, grid)))


def _least(cost: Callable[[float], float], grid: Array) -> float:
    """Return where ``cost`` is least: the best node, refined between its neighbours."""
    from scipy.optimize import minimize_scalar

    values = [cost(x) for x in grid]
    k = int(np.clip(np.argmin(values), 1, len(grid) - 2))
    found = minimize_scalar(
        cost, bounds=(grid[k - 1], grid[k + 1]), method="bounded", options={"xatol": 1e-10}
    )
    return float(found.x)
