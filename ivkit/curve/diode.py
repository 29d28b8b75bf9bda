"""The single-diode equation, solved for one curve or a million, anywhere on the curve.

    I = IL - I0 [exp((V + I Rs)/a) - 1] - (V + I Rs)/Rsh

Solved in log space with the Wright omega function, so that no exponent overflows, and read off
in the form that loses no digits. The textbook Lambert-W forms overflow in double precision once
an exponent passes 709.8, which real modules reach.

Sources: Jain and Kapoor (2004), explicit solution; Lawrence et al. (2012), Wright omega in double
precision.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import wrightomega

from ivkit.curve.key_points import KeyPoints
from ivkit.errors import RangeError
from ivkit.shown import Shown

_CHUNK = 8192  # elements worked on at once: a dozen arrays of them fit a core's own cache


@dataclass(frozen=True)
class OperatingPoint:
    """Where a load holds the panel: voltage (V), current (A) and power (W), of any shape."""

    voltage: Any
    current: Any
    power: Any


@dataclass(frozen=True)
class SingleDiode(Shown):
    """One curve, or many: five parameters that broadcast against each other.

    Attributes
    ----------
    photocurrent, saturation_current : float or ndarray
        IL, A; I0, A, greater than 0.
    resistance_series, resistance_shunt : float or ndarray
        Rs, ohm, 0 or greater; Rsh, ohm, greater than 0, infinity for none.
    nNsVth : float or ndarray
        a = n Ns k T / q, V, greater than 0.

    A parameter that is NaN (a fit that could not be made) gives NaN, without a warning.

    Raises
    ------
    RangeError
        A parameter outside its range.

    Examples
    --------
    >>> panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    >>> float(panel.current(0.0).round(6))
    0.619174
    >>> print(panel.operating_point(load_ohm=47.0).power.round(3))
    8.36
    """

    photocurrent: Any
    saturation_current: Any
    resistance_series: Any
    resistance_shunt: Any
    nNsVth: Any

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            array = np.asarray(value, dtype=float)
            if array.size and array.min() > 0.0 and array.max() < np.inf:
                continue  # the usual ones, in a third of the time
            bad, sense = array <= 0, "greater than 0"
            if field.name == "photocurrent":
                bad, sense = False, "finite"
            elif field.name == "resistance_series":
                bad, sense = array < 0, "0 or greater"
            if field.name != "resistance_shunt":
                bad = bad | np.isinf(array)
            if np.any(bad):
                raise RangeError(f"{field.name} is {array[bad].flat[0]:g}, expected {sense}")

    @property
    def conductance_shunt(self) -> Any:
        """1/Rsh, siemens; 0 for an infinite shunt resistance."""
        return 1.0 / np.asarray(self.resistance_shunt, dtype=float)

    @property
    def raw(self) -> tuple[Any, Any, Any, Any, Any]:
        """IL, I0, Rs, 1/Rsh and a, as the functions of this module take them."""
        return (
            self.photocurrent,
            self.saturation_current,
            self.resistance_series,
            self.conductance_shunt,
            self.nNsVth,
        )

    def current(self, voltage: ArrayLike) -> Any:
        """Return the current in A at a terminal voltage in V, of either sign, any shape."""
        return solve_current(voltage, *self.raw)

    def voltage(self, current: ArrayLike) -> Any:
        """Return the terminal voltage in V at a current in A, of either sign, any shape.

        Without a shunt path no voltage drives more than IL + I0 backwards: minus infinity.
        """
        return solve_voltage(current, *self.raw)

    def power(self, voltage: ArrayLike) -> Any:
        """Return the power delivered in W at a terminal voltage in V; negative when absorbed."""
        return np.asarray(voltage, dtype=float) * self.current(voltage)

    def slope(self, voltage: ArrayLike) -> Any:
        """Return dI/dV in A/V (negative) at a terminal voltage in V."""
        parameters = self.raw
        return local(voltage, solve_current(voltage, *parameters), *parameters).slope

    def operating_point(self, load_ohm: ArrayLike) -> OperatingPoint:
        """Return where a load resistor of ``load_ohm`` (ohm, 0 or greater) holds the panel."""
        load = np.asarray(load_ohm, dtype=float)
        if np.any(load < 0):
            raise RangeError(f"load {load.min():g} ohm is negative")
        il, i0, rs, g, a = self.raw
        # A load in series with Rs is a panel of that much more Rs, short-circuited.
        current = solve_current(0.0, il, i0, rs + load, g, a)
        open_circuit = np.isinf(load)
        if np.any(open_circuit):
            voltage = solve_voltage(0.0, il, i0, rs, g, a)
            current = np.where(open_circuit, 0.0, current)
            voltage = np.where(open_circuit, voltage, current * np.where(open_circuit, 0, load))
            return OperatingPoint(voltage[()], current[()], (voltage * current)[()])
        return OperatingPoint(current * load, current, current**2 * load)

    def key_points(self) -> KeyPoints:
        """Return Isc, Voc, Vmp, Imp, Pmp and the fill factor, each of the parameters' shape."""
        parameters = self.raw
        i_sc = solve_current(0.0, *parameters)
        v_oc = solve_voltage(0.0, *parameters)
        v_mp, i_mp = solve_max_power(*parameters)
        return KeyPoints(i_sc, v_oc, v_mp, i_mp)


PARAMETERS = tuple(field.name for field in fields(SingleDiode))


def solve_current(v: Any, il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Any:
    """Return the current (A) at voltage ``v`` (V); ``g`` is 1/Rsh. All broadcast."""
    return _in_chunks(_current, v, il, i0, rs, g, a)


def _current(v: Any, il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Any:
    c = a * (1.0 + rs * g)
    top = (v + rs * (il + i0)) / c
    log_b = np.log(rs * i0 / c)
    y = wrightomega(top + log_b)
    # u = a x is the voltage across the diode: x + b e^x = top, with y = b e^x. Where y takes
    # most of top, the difference loses digits and the logarithm keeps them.
    x = np.asarray(top - y)
    large = y > 0.5 * np.abs(top)
    if np.any(large):
        x = np.where(large, np.log(y) - log_b, x)
    if np.any(rs == 0):
        x = np.where(rs == 0, v / a, x)
    e = i0 * np.exp(x)
    direct = il + i0 - e - a * x * g
    # Where the curve is steeper than 1/Rs an error in x counts less through the resistor.
    return np.where(rs * (e / a + g) > 1.0, (a * x - v) / rs, direct)


def _in_chunks(function: Callable, *arguments: Any) -> Any:
    """Return ``function`` of the broadcast arguments, worked through in pieces that fit a cache."""
    arrays = [np.asarray(x, dtype=float) for x in arguments]
    with np.errstate(all="ignore"):
        shape = np.broadcast_shapes(*(x.shape for x in arrays))
        size = math.prod(shape)
        if size <= _CHUNK:
            return np.asarray(function(*arrays))[()]
        flat = [x if x.ndim == 0 else np.broadcast_to(x, shape).reshape(-1) for x in arrays]
        out = np.empty(size)
        for start in range(0, size, _CHUNK):
            cut = slice(start, start + _CHUNK)
            out[cut] = function(*(x if x.ndim == 0 else x[cut] for x in flat))
    return out.reshape(shape)


def solve_voltage(i: Any, il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Any:
    """Return the voltage (V) at current ``i`` (A); ``g`` is 1/Rsh. All broadcast."""
    return _in_chunks(_voltage, i, il, i0, rs, g, a)


def _voltage(i: Any, il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Any:
    c = il + i0 - i
    ag = a * g
    log_b = np.log(i0 / ag)
    y = wrightomega(c / ag + log_b)
    # x + b e^x = c/ag, as in the current; without a shunt path it is a plain logarithm.
    x = np.where(y > 0.5 * np.abs(c / ag), np.log(y) - log_b, c / ag - y)
    x = np.where(g == 0, np.log(np.maximum(c, 0.0) / i0), x)
    e = i0 * np.exp(x)
    polished = x + (c - e - ag * x) / (e + ag)
    x = np.where(np.isfinite(polished), polished, x)
    return np.where(np.isnan(c + a + rs + g), np.nan, a * x - i * rs)


def solve_max_power(il: Any, i0: Any, rs: Any, g: Any, a: Any) -> tuple[Any, Any]:
    """Return voltage (V) and current (A) of greatest power; 0, 0 where there is no light.

    Newton on dP/du = 0 in the voltage u across the diode, kept between short and open
    circuit by bisection. P(V) is concave there, so the root is the only one.
    """
    il, i0, rs, g, a = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (il, i0, rs, g, a))
    )
    low = rs * solve_current(0.0, il, i0, rs, g, a)
    high = np.asarray(solve_voltage(0.0, il, i0, rs, g, a))
    lit = high > 0
    low = np.where(lit, low, 0.0)
    high = np.where(lit, high, 0.0)
    with np.errstate(all="ignore"):
        # Exact for Rs = 0 and no shunt: the diode equation's own maximum.
        u = a * (wrightomega(1.0 + np.log(np.maximum(il, 0) / i0 + 1.0)) - 1.0)
        u = np.where((u > low) & (u < high), u, 0.5 * (low + high))
        for _ in range(100):
            e = i0 / a * np.exp(u / a)
            slope = e + g
            i = il - i0 * np.expm1(u / a) - u * g
            f = i * (1.0 + 2.0 * rs * slope) - slope * u
            df = -2.0 * slope * (1.0 + rs * slope) + (2.0 * rs * i - u) * e / a
            low = np.where(f > 0, u, low)
            high = np.where(f > 0, high, u)
            new = u - f / df
            new = np.where((new >= low) & (new <= high), new, 0.5 * (low + high))
            # Newton squares what is left: the step after this one would be lost in rounding.
            done = np.abs(new - u) <= 1e-9 * np.abs(u)
            u = new
            if np.all(done | ~lit):
                break
        i = il - i0 * np.expm1(u / a) - u * g
        v = u - i * rs
    nothing = np.where(np.isnan(il + i0 + rs + g + a), np.nan, 0.0)
    return np.where(lit, v, nothing)[()], np.where(lit, i, nothing)[()]


@dataclass(frozen=True)
class Local:
    """The curve near a point: slope, curvature, and how both move with the parameters.

    ``slope`` is dI/dV (A/V), ``curvature`` d2I/dV2 (A/V2); ``di`` is dI/dp and ``dslope``
    d(dI/dV)/dp at a fixed V, shape (..., 5) over the parameters IL, I0, Rs, 1/Rsh, a.
    """

    slope: Any
    curvature: Any
    di: Any
    dslope: Any


def local(v: Any, i: Any, il: Any, i0: Any, rs: Any, g: Any, a: Any) -> Local:
    """Return the exact derivatives of the curve at a solved point (``v`` in V, ``i`` in A)."""
    v, i, il, i0, rs, g, a = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (v, i, il, i0, rs, g, a))
    )
    u = v + i * rs
    x = u / a
    e = np.exp(x)
    first = i0 / a * e  # the diode's own conductance
    second = first / a
    conductance = first + g
    d = 1.0 + rs * conductance
    slope = -conductance / d
    di = np.stack([np.ones_like(u), -np.expm1(x), -conductance * i, -u, first * x], axis=-1)
    di = di / d[..., None]
    # dI/dV = -q/d with q = conductance(u, p): first q at fixed u, then through u = V + I Rs.
    zero = np.zeros_like(u)
    dq = np.stack([zero, e / a, zero, np.ones_like(u), -second * (1.0 + x)], axis=-1)
    dq = dq + second[..., None] * rs[..., None] * di
    dq[..., 2] += second * i
    dslope = -dq / (d**2)[..., None]
    dslope[..., 2] += (conductance / d) ** 2
    curvature = -second / d**3
    return Local(slope, curvature, di, dslope)
