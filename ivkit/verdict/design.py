"""Which loads make the sweep that tells most: optimal design for a curve that is roughly known.

Each load gives one reading, and each reading a known amount of information about the five
parameters. The loads are exchanged one by one while that helps (Fedorov, Theory of Optimal
Experiments, 1972) for the smallest ellipsoid of the five parameters (D-optimal), the smallest
uncertainty of Pmp, or both at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ivkit.curve.diode import SingleDiode, local
from ivkit.curve.uncertainty import key_point_gradients
from ivkit.errors import RangeError

Array = NDArray[np.float64]

AIMS = ("power", "parameters", "both")
FEWEST = 5


@dataclass(frozen=True)
class Information:
    """What one reading at each candidate load tells.

    Attributes
    ----------
    rows : shape (M, 5). Derivatives of the reading by the parameters, over its standard
        uncertainty.
    power : shape (5,). Derivatives of Pmp by the same parameters, W.
    """

    rows: Array
    power: Array

    def u_power(self, chosen: ArrayLike) -> float:
        """Return the standard uncertainty of Pmp from noise alone with these loads, W."""
        matrix = self.rows[chosen].T @ self.rows[chosen]
        try:
            variance = float(self.power @ np.linalg.solve(matrix, self.power))
        except np.linalg.LinAlgError:
            return np.inf
        # Readings that all tell the same make a matrix that rounding alone keeps from singular.
        return float(np.sqrt(variance)) if variance > 0 else np.inf

    def log_volume(self, chosen: ArrayLike) -> float:
        """Return the logarithm of the volume of the five-parameter ellipsoid, up to a constant."""
        sign, value = np.linalg.slogdet(self.rows[chosen].T @ self.rows[chosen])
        return -0.5 * float(value) if sign > 0 else np.inf


def information(
    model: SingleDiode, voltage: Array, u_voltage: ArrayLike, u_current: ArrayLike
) -> Information:
    """Return what a reading at each voltage of the curve tells.

    Parameters
    ----------
    model : One curve.
    voltage : shape (M,), V
    u_voltage, u_current : array_like. Standard uncertainty of a reading there, V and A.
    """
    p = model.raw
    at = local(voltage, model.current(voltage), *p)
    sigma = np.hypot(u_current, at.slope * np.asarray(u_voltage))
    points = model.key_points()
    # Parameters that hinder each other little: IL, log current near Voc, Rs, 1/Rsh, log a.
    ohm = points.v_oc / points.i_sc
    turn = np.diag([points.i_sc, p[1], ohm, 1.0 / ohm, p[4]])
    turn[1, 4] = p[1] * points.v_oc / p[4]
    moves = key_point_gradients(*p)
    power = points.v_mp * moves["i_mp"] + points.i_mp * moves["v_mp"]
    return Information((at.di @ turn) / sigma[:, None], power @ turn)


def choose(
    told: Information, start: ArrayLike, aim: str = "both", fixed: ArrayLike = ()
) -> NDArray[np.int64]:
    """Return the places of the best candidates, as many as ``start`` has.

    Parameters
    ----------
    start : array_like of int. Places to begin with; no candidate is taken twice.
    aim : ``power``, ``parameters`` or ``both``.
    fixed : array_like of int. Places that stay.

    Raises RangeError: fewer than five loads, an aim that is not known, or fewer candidates than
    loads.
    """
    chosen = list(dict.fromkeys(int(k) for k in start))
    if aim not in AIMS:
        raise RangeError(f"aim '{aim}' is not one of {', '.join(AIMS)}")
    if len(chosen) < FEWEST:
        raise RangeError(f"{len(chosen)} loads do not determine five parameters")
    keep = {int(k) for k in fixed}
    cost = _cost(told, chosen, aim)
    for _ in range(50):
        before = cost
        for place in range(len(chosen)):
            if chosen[place] in keep:
                continue
            for other in range(len(told.rows)):
                if other in chosen:
                    continue
                trial = [*chosen[:place], other, *chosen[place + 1 :]]
                found = _cost(told, trial, aim)
                if found < cost - 1e-9:
                    chosen, cost = trial, found
        if cost == before:
            break
    return np.array(sorted(chosen))


def _cost(told: Information, chosen: list[int], aim: str) -> float:
    """Return what is to be as small as can be; each part is the logarithm of an uncertainty."""
    volume = 0.0 if aim == "power" else told.log_volume(chosen) / 5.0
    power = 0.0 if aim == "parameters" else float(np.log(told.u_power(chosen)))
    return volume + power
