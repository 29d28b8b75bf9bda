"""A panel whose sweep was taken in unequal light: its cells, and whether its curve shows it.

One curve of a single diode through the readings of a string in unequal light has a photocurrent
somewhere between the darkest cell's and the mean, and a knee that is too soft. For the same panel
in other light that will not do: what each cell is has to come out of the sweep first. So the five
parameters are fitted once more, to the string of cells in the light that each of them had.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ivkit.curve.fit import Fit
from ivkit.curve.string import SeriesString
from ivkit.panel.cells import cells_under
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.measured_panel import MeasuredPanel

Array = NDArray[np.float64]

#: Chi-square by which one of two curves has to be better to be told from the other (2 ln of the
#: likelihood ratio; common practice, no source).
TELLING = 6.0
_LEAST_SHUNT = 1e-6  # of the photocurrent per volt
_MOST_NODES = 40
_STEP = 1e-3  # of what a change that matters is like, to either side, for a slope
#: Steps of the fit, and as many more if there is hope; ten are usual. A light that no cells make
#: this sweep of would take hundreds.
_STEPS = (15, 40)
#: There is none for a curve that many times further off than that of even light.
_HOPELESS = 100.0


@dataclass(frozen=True)
class Unequal:
    """A panel by its sweep in unequal light.

    Attributes
    ----------
    panel : Whose cells in that light have the sweep's curve, with the doubts of the even one.
    chi_square, chi_square_even : Of the sweep against the string of these cells in that light, and
        against the one curve of even light.
    settled : Whether the fit came to its end; without, the panel is none to count on.
    """

    panel: MeasuredPanel
    chi_square: float
    chi_square_even: float
    settled: bool = True

    @property
    def seen(self) -> bool | None:
        """Whether the sweep shows the unequal light, or even light; None where it cannot tell."""
        better = self.chi_square_even - self.chi_square
        # A fit that did not end could come nearer still, but not from that far off.
        close = not self.settled and self.chi_square <= _far_off(self.chi_square_even)
        return None if close or abs(better) < TELLING else better > 0


def _far_off(chi_square_even: float) -> float:
    """Return the chi-square beyond which there is no hope; that of a good sweep may be near 0."""
    return _HOPELESS * max(chi_square_even, 1.0)


def in_unequal_light(panel: MeasuredPanel, fit: Fit, share: Array) -> Unequal:
    """Return the panel whose string of cells has the curve of a sweep.

    Parameters
    ----------
    panel : Of the same sweep, as if its light had been even.
    fit : Of the sweep; with a model.
    share : shape (cells,). Light of each cell in series order over that which the sweep's
        irradiance is for.
    """
    from scipy.optimize import least_squares

    sweep, model = fit.sweep, fit.model
    light, heat = panel.estimates[5], panel.estimates[6]
    take = _spread(sweep.voltage)
    volts, amperes = sweep.voltage[take], sweep.current[take]
    weight = 1.0 / _noise(fit)[take]
    top = float(np.max(volts))
    il, i0, rs, g, a = panel.estimates[:5]
    # The diode's current at the largest voltage and a hinder each other less than I0 and a.
    start = np.array([np.log(il), np.log(i0) + top / a, rs, max(g, _LEAST_SHUNT * il), np.log(a)])

    def moved(x: Array) -> MeasuredPanel:
        nNsVth = np.exp(x[4])
        five = (np.exp(x[0]), np.exp(x[1] - top / nNsVth), x[2], x[3], nNsVth)
        return replace(panel, estimates=np.concatenate([five, panel.estimates[5:]]))

    def string(*points: Array) -> SeriesString:
        """Return the strings of some parameters, on a first axis."""
        panels = ReferencePanel.stacked([moved(x).panel() for x in points])
        column = panels.each(lambda values: values[:, None])
        return cells_under(column, light * share, heat, bypass_groups=panel.bypass_groups)

    near = amperes

    def apart(x: Array) -> Array:
        nonlocal near
        near = string(x).current(volts, near)  # the next one is not far
        return (near - amperes) * weight

    def slopes(x: Array) -> Array:
        here, step = string(x), np.diag(_STEP * scale)
        below, above = np.maximum(x - step, low), x + step
        current = here.current(volts, near)
        _, less = here.shifts(current, 0.0, string(*below))
        _, more = here.shifts(current, 0.0, string(*above))
        return ((more - less) / np.diag(above - below)[:, None] * weight).T

    low = np.array([-np.inf, -np.inf, 0.0, _LEAST_SHUNT * il, -np.inf])
    scale = np.array([0.01, 0.1, 0.1 * top / il / 36.0, 0.1 * max(g, _LEAST_SHUNT * il), 0.05])

    even = (np.asarray(model.current(volts)) - amperes) * weight
    chi_square_even = float(even @ even)
    for steps in _STEPS:
        ends = {"bounds": (low, np.inf), "xtol": 1e-7, "ftol": 1e-7, "max_nfev": steps}
        found = least_squares(apart, start, jac=slopes, x_scale=scale, **ends)
        chi_square, settled, start = 2.0 * float(found.cost), bool(found.status > 0), found.x
        if settled or chi_square > _far_off(chi_square_even):
            break
    return Unequal(moved(found.x), chi_square, chi_square_even, settled)


def _spread(voltage: Array) -> NDArray[np.int_]:
    """Return which readings to use: all, or of many some that are spread evenly."""
    order = np.argsort(voltage)
    if len(order) <= _MOST_NODES:
        return order
    return order[np.unique(np.linspace(0, len(order) - 1, _MOST_NODES).astype(int))]


def _noise(fit: Fit) -> Array:
    """Return the standard uncertainty of each current, that of its voltage included, A."""
    freedom = max(len(fit.sweep) - 5, 1)
    scatter = np.full(len(fit.sweep), fit.rmse * np.sqrt(len(fit.sweep) / freedom))
    slope = np.asarray(fit.model.slope(fit.sweep.voltage))
    u_i, u_v = (0.0 if u is None else u for u in (fit.noise_current, fit.noise_voltage))
    noise = np.hypot(u_i, slope * u_v)
    return np.where(noise > 0, noise, np.maximum(scatter, 1e-12))
