"""Key points: Isc, Voc, maximum power and fill factor, and how to read them off the data alone.

The rule for data alone is that of ASTM E1036-15 (2019) as pvlib's ``astm_e1036`` encodes it: the
current at V = 0 and the voltage at I = 0 from the nearest point or a straight line through the
nearest three, the maximum power from a polynomial of fourth order in P(V) near the largest P.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.errors import SweepError
from ivkit.shown import Shown

Array = NDArray[np.float64]

# How far a straight line may run beyond the readings. On 4000 random single-diode curves
# (1 to 72 cells, fill factor 0.6 to 0.82, no noise) a line from three readings errs by less than
# 0.6 % of Isc or Voc in 95 of 100 at these limits, and soon by more beyond them.
ISC_REACH = 0.3  # lowest voltage, as a part of the highest
VOC_REACH = 0.2  # lowest current, as a part of the highest
# A line uses no reading from beyond this part of the largest voltage or current, and needs
# readings that spread over at least half of the way it runs beyond them.
LINE_POINTS, LINE_ZONE, LINE_SPREAD = 3, 0.6, 0.5
# A reading this near to the axis stands for the crossing (ASTM E1036-15 as pvlib encodes it).
NEAR_V, NEAR_I = 0.005, 0.001
# On such curves a parabola errs by -2 to +5 % in Pmp, a cubic by less than 1 % (2 % in Vmp) and a
# quartic by less than 0.3 % in 95 of 100, with readings at random places.
LEAST_ORDER, HIGHEST_ORDER = 3, 4
#: Parts of the voltage and current of the largest measured power between which readings are used.
WINDOW = (0.75, 1.15)


@dataclass(frozen=True)
class KeyPoints(Shown):
    """The six numbers that people ask of a curve; floats, arrays or uncertain numbers.

    Attributes
    ----------
    i_sc : short-circuit current, A
    v_oc : open-circuit voltage, V
    v_mp, i_mp : voltage (V) and current (A) of greatest power

    A point that cannot be told is NaN.
    """

    i_sc: Any
    v_oc: Any
    v_mp: Any
    i_mp: Any

    @property
    def p_mp(self) -> Any:
        """Greatest power, W."""
        return self.v_mp * self.i_mp

    @property
    def fill_factor(self) -> Any:
        """Pmp / (Isc Voc), dimensionless; NaN where there is no light."""
        ideal = self.i_sc * self.v_oc
        if isinstance(ideal, np.ndarray | float):
            with np.errstate(all="ignore"):
                return (self.p_mp / np.where(np.asarray(ideal) > 0, ideal, np.nan))[()]
        return _ratio(self.p_mp, ideal)

    @property
    def best_load(self) -> Any:
        """Vmp / Imp, the load resistance of greatest power, ohm; NaN where there is no light."""
        if isinstance(self.i_mp, np.ndarray | float):
            with np.errstate(all="ignore"):
                return (self.v_mp / np.where(np.asarray(self.i_mp) > 0, self.i_mp, np.nan))[()]
        return _ratio(self.v_mp, self.i_mp)


def _ratio(value: Any, over: Any) -> Any:
    """Return the ratio of two uncertain numbers; NaN over exactly nothing."""
    try:
        return value / over
    except ZeroDivisionError:
        from uncertainties import ufloat

        return ufloat(np.nan, np.nan)


@dataclass(frozen=True)
class DataKeyPoints:
    """Key points from the readings alone, and what each reading contributes to them.

    Attributes
    ----------
    key_points : KeyPoints
        Floats in V and A; NaN where the readings cannot tell.
    notes : tuple of str
        For each key point that cannot be told, why and what to measure next; and what makes one
        that is told less certain than the rest.
    gradient_v, gradient_i : dict of str to ndarray, shape (N,)
        Exact derivatives of ``i_sc``, ``v_oc``, ``v_mp`` and ``i_mp`` by the voltage (per V) and
        by the current (per A) of each reading, in the order given, with the choice of readings
        held fixed; NaN where the key point is NaN.
    """

    key_points: KeyPoints
    notes: tuple[str, ...]
    gradient_v: dict[str, Array]
    gradient_i: dict[str, Array]


@dataclass(frozen=True)
class _Estimate:
    """A quantity with its derivatives by each voltage and each current, shape (N,)."""

    value: float
    by_v: Array
    by_i: Array


class _CannotTellError(Exception):
    """Why the readings do not give a key point."""


def key_points_from_data(voltage: ArrayLike, current: ArrayLike) -> DataKeyPoints:
    """Return the key points as the readings alone give them, without a model of the panel.

    Isc is the current of the reading nearest to V = 0 where that is within 0.5 % of Voc, else a
    straight line through the readings at the three voltages nearest to 0 (more where they lie so
    close together that the line would run far beyond them); Voc likewise from V(I) and 0.1 % of
    Isc. Maximum power is that of a least-squares polynomial P(V) of fourth degree (third, where
    there are four voltages only or the fourth has more than one maximum) through the readings
    within 75 to 115 % of both voltage and current of the largest measured power: ASTM E1036-15
    (2019), doi:10.1520/E1036-15R19, as encoded in pvlib's ``astm_e1036``.

    A line that would run far beyond the readings (``ISC_REACH``, ``VOC_REACH``), and a polynomial
    without one clear maximum among its readings, give NaN and a note instead of a guess. Where the
    voltage is noisy too, Pmp comes out too large, by up to some percent: the same error is in V and
    in P = V I. A fit of the model with effective variance is not biased in that way.

    Parameters
    ----------
    voltage, current : array_like, shape (N,)
        V and A at the panel's terminals, in any order; current is positive when the panel
        delivers power. Readings beyond short or open circuit (V < 0, I < 0) are used, since
        leaving them out biases the result; repeated readings count each.

    Raises
    ------
    SweepError
        Arrays of unequal or zero length, or values that are not finite.

    Examples
    --------
    >>> v = [0.0, 0.2, 0.3, 0.35, 0.38, 0.41, 0.44, 0.47, 0.5, 0.55, 0.58]
    >>> i = [1.0, 0.999, 0.99, 0.97, 0.945, 0.907, 0.83, 0.72, 0.56, 0.22, 0.0]
    >>> found = key_points_from_data(v, i).key_points
    >>> found.i_sc, found.v_oc, round(found.p_mp, 2)
    (1.0, 0.58, 0.37)
    >>> print(key_points_from_data(v[4:], i[4:]).notes[0])
    Isc cannot be told: the lowest voltage is 66 % of the highest; add loads of less resistance
    """
    v, i = np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    if v.ndim != 1 or v.shape != i.shape or not v.size:
        raise SweepError(
            f"voltage has shape {v.shape}, current has {i.shape}",
            remedy="give one voltage and one current for each reading",
        )
    if not np.all(np.isfinite(v) & np.isfinite(i)):
        raise SweepError("voltage or current holds values that are not finite")

    top = int(np.argmax(v * i))
    nan = np.full(v.shape, np.nan)
    found = dict.fromkeys(("i_sc", "v_oc", "v_mp", "i_mp"), _Estimate(np.nan, nan, nan))
    notes: list[str] = []
    if v[top] <= 0 or i[top] <= 0:
        notes.append("no reading delivers power; check the polarity and the light")
    else:
        try:
            near = NEAR_V * v[np.argmin(np.abs(i))]
            found["i_sc"] = _crossing(v, i, near, ISC_REACH, "voltage", "less")
        except _CannotTellError as reason:
            notes.append(f"Isc cannot be told: {reason}")
        try:
            near = NEAR_I * i[np.argmin(np.abs(v))]
            v_oc = _crossing(i, v, near, VOC_REACH, "current", "more")
            found["v_oc"] = _Estimate(v_oc.value, v_oc.by_i, v_oc.by_v)
        except _CannotTellError as reason:
            notes.append(f"Voc cannot be told: {reason}")
        try:
            degree, found["v_mp"], found["i_mp"] = _maximum(v, i, top)
            if degree < HIGHEST_ORDER:
                notes.append(
                    "maximum power comes from a cubic through few readings: its power is good to "
                    "about 1 %, its voltage to 2 %"
                )
        except _CannotTellError as reason:
            notes.append(f"maximum power cannot be told: {reason}")
    return DataKeyPoints(
        KeyPoints(**{name: one.value for name, one in found.items()}),
        tuple(notes),
        {name: one.by_v for name, one in found.items()},
        {name: one.by_i for name, one in found.items()},
    )


def _crossing(
    x: Array, y: Array, near: float, reach: float, name: str, direction: str
) -> _Estimate:
    """Return y at x = 0, as of V and I, from the reading nearest to it or a straight line y(x)."""
    size, top = np.abs(x), x.max()
    if size.min() <= near:
        at = size == size.min()
        return _Estimate(float(y[at].mean()), np.zeros(x.shape), at / at.sum())
    remedy = f"add loads of {direction} resistance"
    if size.min() > reach * top:
        raise _CannotTellError(
            f"the lowest {name} is {100 * x.min() / top:.0f} % of the highest; {remedy}"
            if x.min() > 0
            else f"no {name} lies within {100 * reach:.0f} % of the highest from 0; {remedy}"
        )
    steps = np.unique(x)
    steps = steps[np.argsort(np.abs(steps), kind="stable")]
    steps = steps[np.abs(steps) <= LINE_ZONE * top]

    def leans(count: int) -> bool:
        """Tell whether the line would run far beyond the first ``count`` steps."""
        low, high = steps[:count].min(), steps[:count].max()
        return low * high > 0 and high - low < LINE_SPREAD * size.min()

    count = min(LINE_POINTS, steps.size)
    while count < steps.size and leans(count):
        count += 1
    if count < 2 or leans(count):
        raise _CannotTellError(f"too few different {name}s lie near 0 for a line; {remedy}")

    used = np.isin(x, steps[:count])
    n, xu, yu = used.sum(), x[used], y[used]
    dx, dy = xu - xu.mean(), yu - yu.mean()
    spread = dx @ dx
    slope = dx @ dy / spread
    by_x, by_y = np.zeros(x.shape), np.zeros(x.shape)
    by_y[used] = 1.0 / n - xu.mean() * dx / spread
    by_x[used] = -slope / n - xu.mean() * (dy - 2.0 * slope * dx) / spread
    return _Estimate(float(yu.mean() - slope * xu.mean()), by_x, by_y)


def _maximum(v: Array, i: Array, top: int) -> tuple[int, _Estimate, _Estimate]:
    """Return the degree of the polynomial P(V), and Vmp and Imp at its maximum."""
    low, high = WINDOW
    inside = (v >= low * v[top]) & (v <= high * v[top])
    inside &= (i >= low * i[top]) & (i <= high * i[top])
    load = v[top] / i[top]
    remedy = f"add loads between {0.6 * load:.3g} and {1.6 * load:.3g} ohm"
    if v[top] in (v.min(), v.max()):
        end, direction = ("lowest", "less") if v[top] == v.min() else ("highest", "more")
        raise _CannotTellError(
            f"the largest power is at the {end} voltage; add loads of {direction} resistance"
        )
    vw, iw = v[inside], i[inside]
    power = vw * iw
    distinct = np.unique(vw).size
    if distinct < LEAST_ORDER + 1:
        raise _CannotTellError(
            f"only {distinct} different voltages lie near the largest power; {remedy}"
        )
    # The polynomial lives on -1..1, where its equations are well conditioned.
    middle, half = (vw.max() + vw.min()) / 2, (vw.max() - vw.min()) / 2
    x = (vw - middle) / half
    for degree in range(min(HIGHEST_ORDER, distinct - 1), LEAST_ORDER - 1, -1):
        inverse = np.linalg.pinv(np.vander(x, degree + 1, increasing=True))
        p = np.polynomial.Polynomial(inverse @ power)
        residual = power - p(x)
        freedom = vw.size - degree - 1
        scatter = np.sqrt(residual @ residual / freedom) if freedom > 0 else 0.0
        peaks = p.deriv().roots()
        peaks = peaks.real[np.abs(peaks.imag) < 1e-8]
        peaks = peaks[(np.abs(peaks) < 1) & (p.deriv(2)(peaks) < 0)]
        if peaks.size == 1 and p(peaks[0]) > max(p(-1.0), p(1.0)) + scatter:
            break
    else:
        raise _CannotTellError(f"the power has no one clear maximum among the readings; {remedy}")

    peak = peaks[0]
    p_mp, v_mp = p(peak), middle + half * peak
    # c = (X'X)^-1 X'P. A reading's P moves c through the pseudo-inverse; its place moves the
    # row of X as well. Then 0 = p'(peak; c) moves the peak, and P there moves through c alone.
    powers = np.arange(degree + 1)
    row_slope = np.zeros((x.size, degree + 1))
    row_slope[:, 1:] = powers[1:] * np.vander(x, degree, increasing=True) / half
    by_power = inverse
    by_place = inverse @ inverse.T @ (row_slope * residual[:, None]).T
    by_place -= inverse * (row_slope @ p.coef)
    dc_dv, dc_di = by_place + by_power * iw, by_power * vw
    at = peak**powers
    at_slope = np.r_[0.0, powers[1:] * at[:-1]]
    gradients = []
    for dc in (dc_dv, dc_di):
        d_peak = -(at_slope @ dc) / p.deriv(2)(peak)
        d_v, d_p = np.zeros(v.shape), np.zeros(v.shape)
        d_v[inside], d_p[inside] = half * d_peak, at @ dc
        gradients.append((d_v, d_p / v_mp - p_mp / v_mp**2 * d_v))
    (v_by_v, i_by_v), (v_by_i, i_by_i) = gradients
    return (
        degree,
        _Estimate(float(v_mp), v_by_v, v_by_i),
        _Estimate(float(p_mp / v_mp), i_by_v, i_by_i),
    )
