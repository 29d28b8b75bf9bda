"""The light, the temperature and the load that would each explain readings by itself.

One is free, all else as stated: for one reading the value that gives it exactly, for several that
of least squares.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ivkit.predict.compare import Comparison
from ivkit.predict.prediction import worked_out
from ivkit.predict.scene import At, Scene
from ivkit.verdict.gross_error import Seen

Array = NDArray[np.float64]

MOST = 40  # readings that are looked at; of more, as many spread evenly
_TIMES = np.geomspace(1e-3, 30.0, 165)
_COLDEST, _HOTTEST = -40.0, 130.0  # degC
_LOADS = np.geomspace(1e-3, 1e3, 221)


@dataclass(frozen=True)
class Explains:
    """One quantity that would explain the readings.

    Attributes
    ----------
    quantity : str
        ``irradiance``, ``cell temperature`` or ``load``.
    value : float or None
        W/m2 (or with ``times`` the light's factor), degC, or ohm (of several loads, their factor);
        None where no value would do.
    stated, u_stated : float
        What it is stated to be.
    unit : str
    """

    quantity: str
    value: float | None
    stated: float
    u_stated: float
    unit: str


def explained_by(seen: Seen, compared: Comparison) -> tuple[Explains, ...]:
    """Return what would explain the readings, each by itself."""
    scene, given = seen.scene, compared.readings
    some = np.flatnonzero(np.isfinite(compared.each.en))
    if len(some) > MOST:
        some = some[np.linspace(0, len(some) - 1, MOST).astype(int)]
    if not len(some):
        return ()
    tries = _Tries(scene, given, compared, some)
    light, warm = scene.light, scene.temp_cell
    out = []
    facing = scene.irradiance * float(np.mean(given.light[some]))
    times = tries.best(light=_TIMES)
    if seen.told == "share":
        out.append(Explains("light", times, 1.0, light.u, "times the stated"))
    else:
        value = None if times is None else times * facing
        out.append(Explains("irradiance", value, facing, light.u * facing, "W/m2"))
    celsius = warm.celsius + float(np.mean(given.warmer[some]))
    warmer = tries.best(warmer=np.arange(_COLDEST - celsius, _HOTTEST - celsius, 1.0))
    value = None if warmer is None else celsius + warmer
    out.append(Explains("cell temperature", value, celsius, warm.total, "degC"))
    if np.all(given.resistor[some]):
        loads = given.stated[some]
        one = float(loads[0]) if np.ptp(loads) == 0 else 1.0
        factor = tries.best(load=_LOADS)
        unit = "ohm" if np.ptp(loads) == 0 else "times the stated"
        value = None if factor is None else factor * one
        out.append(Explains("load", value, one, given.u_load * one, unit))
    return tuple(out)


class _Tries:
    """Readings predicted with one quantity changed, over a grid of it."""

    def __init__(self, scene: Scene, given: Any, compared: Comparison, some: NDArray[np.int_]):
        each = compared.each
        self.scene, self.stated = scene, given.stated[some]
        self.at, self.given = given.at.select(some), given.given[some]
        self.quantities = np.array(each.quantities)[some]
        self.measured, self.base = each.measured[some], each.predicted[some]
        size = np.maximum(np.abs(self.measured), 1e-12)
        self.u = np.maximum(each.u_measured[some] / size, 1e-3)
        self.by_ratio = given.by_ratio[some]
        self.even = self._solve(self.at, np.ones(1))[0]

    def best(self, **grid: Array) -> float | None:
        """Return the value of the grid's quantity at which the readings agree."""
        ((name, values),) = grid.items()
        base = {"light": self.at.light, "warmer": self.at.warmer, "load": self.at.load}[name]
        rows = base + values[:, None] if name == "warmer" else base * values[:, None]
        if name == "load":  # what is stated, not V/I, is what may be wrong
            found = self._grid("load", self.stated * values[:, None])
        else:
            found = self._grid(name, rows)
        with np.errstate(divide="ignore", invalid="ignore"):
            apart = np.log(np.abs(found / self.even * self.base)) - np.log(np.abs(self.measured))
        apart = np.where(np.isfinite(apart), apart, 50.0) / self.u
        if len(self.base) == 1:
            return _crossing(values, apart[:, 0], name == "warmer")
        cost = np.sum(apart**2, axis=1)
        k = int(np.argmin(cost))
        return None if k in (0, len(values) - 1) else float(values[k])

    def _grid(self, name: str, rows: Array) -> Array:
        """Return the compared quantity for rows of one column, shape (G, N)."""
        count = len(rows)
        columns = {n: np.tile(getattr(self.at, n), count) for n in ("angle", "light", "warmer")}
        columns["load"] = np.tile(self.at.load, count)
        columns[name] = rows.ravel()
        far = None if self.at.distance is None else np.tile(self.at.distance, count)
        at = At.of(**columns, distance=far)
        return self._solve(at, np.ones(count)).reshape(rows.shape)

    def _solve(self, at: At, times: Array) -> Array:
        rows = self.scene.solve(at, even=True)
        count = len(times)
        rows["power"] = worked_out(rows, np.tile(self.stated, count), np.tile(self.given, count))
        quantity = np.tile(self.quantities, count)
        found = np.select(
            [quantity == n for n in ("power", "voltage")],
            [rows["power"], rows["voltage"]],
            rows["current"],
        )
        return found if count == 1 else found[0]


def _crossing(values: Array, apart: Array, additive: bool) -> float | None:
    """Return the value nearest to no change at which the difference changes its sign."""
    signs = np.flatnonzero(np.sign(apart[:-1]) != np.sign(apart[1:]))
    if not len(signs):
        return None
    found = []
    for k in signs:
        part = apart[k] / (apart[k] - apart[k + 1])
        if additive:
            found.append(values[k] + part * (values[k + 1] - values[k]))
        else:
            found.append(values[k] * (values[k + 1] / values[k]) ** part)
    off = np.abs(found) if additive else np.abs(np.log(found))
    return float(found[int(np.argmin(off))])
