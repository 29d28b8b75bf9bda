"""Resistors, an open and a short circuit, and whatever holds a panel at maximum power."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ivkit.load.protocol import Operation


@dataclass(frozen=True)
class Resistor:
    """Resistors, one or many.

    Attributes
    ----------
    ohm : array_like
        0 or greater; 0 is a short circuit, infinite an open one, NaN holds maximum power.
    series : float
        What is in series between the panel and where the voltage is read, ohm.

    Examples
    --------
    >>> from ivkit.curve.diode import SingleDiode
    >>> panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    >>> print(Resistor([8.0, 100.0, np.nan]).operate(panel).power.round(3))
    [ 3.013  4.361 10.164]
    """

    ohm: ArrayLike
    series: float = 0.0

    def operate(self, curve: Any, state: None = None, near: ArrayLike | None = None) -> Operation:
        """Return where they hold curves; resistors and curves broadcast.

        ``near`` are currents (A) close to the answer, with which a string is solved sooner.
        """
        ohm = np.asarray(self.ohm, dtype=float)
        top = np.isnan(ohm)
        seen = np.where(top, 1.0, ohm + self.series)
        if np.all(top):
            points = curve.key_points()
            v, i = np.broadcast_arrays(points.v_mp, points.i_mp, ohm)[:2]
            return Operation(v, i, np.ones(v.shape, dtype=bool))
        at = curve.operating_point(seen, *([] if near is None else [near]))
        v, i = np.asarray(at.voltage), np.asarray(at.current)
        if self.series:
            with np.errstate(invalid="ignore"):
                v = np.where(np.isinf(ohm) | top, v, v * ohm / seen)
        if np.any(top):
            points = curve.key_points()
            v, i = np.where(top, points.v_mp, v), np.where(top, points.i_mp, i)
        return Operation(v, i, np.ones(v.shape, dtype=bool))
