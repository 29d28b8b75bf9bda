"""Readings against what they should be: each by its E_n number, all together by chi-square.

Several readings share inputs, so six that are each just within their own uncertainty may be
impossible together, and one of thirty may be outside alone.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from ivkit.panel.law import left_over
from ivkit.predict.change import AS_STATED
from ivkit.predict.misfit import Expected, Misfit, misfit
from ivkit.predict.off import Off
from ivkit.predict.prediction import BOTH, CURRENT, LOAD, VOLTAGE, Prediction, predict, worked_out
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene
from ivkit.predict.score import (
    FALSE_ALARM,
    HIGH,
    INCONSISTENT,
    LOW,
    NODES,
    PLAUSIBLE,
    TOO_WIDE,
    UNDETERMINED,
    en_of_skew,
    matters,
    skewness,
)

Array = NDArray[np.float64]

OWN = "the readings themselves"
_MOST_SKEW = 64  # readings whose distribution is taken; of more, those nearest to a verdict's limit


@dataclass(frozen=True)
class EachReading:
    """Readings one by one; arrays of shape (N,).

    Attributes
    ----------
    quantities : tuple of str
        What is compared: ``power``, or ``voltage`` or ``current`` where there is no power.
    measured, u_measured : ndarray
        V, A or W, with the standard uncertainty of each reading on its own.
    predicted, u_predicted : ndarray
        At V/I where both are read, else at the stated load; then the load's part is in it.
    u : ndarray
        Standard uncertainty of the difference.
    en : ndarray
        E_n numbers; NaN where blank.
    en_load : ndarray
        E_n of V/I against the stated load; NaN where one of them is not there.
    words : tuple of str
        Verdicts.
    parts : dict of str to ndarray
        Of each input, and of the readings and loads, the variance of the difference.
    """

    quantities: tuple[str, ...]
    measured: Array
    u_measured: Array
    predicted: Array
    u_predicted: Array
    u: Array
    en: Array
    en_load: Array
    words: tuple[str, ...]
    parts: dict[str, Array]


def each_reading(
    scene: Scene, readings: Readings, prediction: Prediction | None = None
) -> EachReading:
    """Return each reading beside its prediction.

    Parameters
    ----------
    scene : Scene
    readings : Readings
    prediction : Prediction, optional
        For ``readings.at`` and what their power is worked out of, where it is at hand.
    """
    given = readings
    found = prediction or predict(scene, given.at, given=given.given)
    ends = ~given.by_ratio & ~given.resistor | ~np.isfinite(found.at.load) | (found.at.load == 0)
    ends &= ~np.isnan(found.at.load) | (given.given == VOLTAGE) | (given.given == CURRENT)
    quantities = np.full(len(given), "power", dtype="U8")
    at_open = np.isinf(found.at.load) | (given.given == VOLTAGE)
    quantities = np.where(ends & at_open, "voltage", np.where(ends, "current", quantities))

    def pick(name: str) -> Array:
        rows = [getattr(found[q], name) for q in ("power", "voltage", "current")]
        masks = [quantities == q for q in ("power", "voltage", "current")]
        return np.select(
            [m if r.ndim == 1 else m[None, :] for m, r in zip(masks, rows, strict=True)], rows
        )

    value, moves, bends = pick("value"), pick("moves"), pick("bends")
    slope, load_move, load_bend = pick("by_load"), pick("load_move"), pick("load_bend")
    measured, by, own = _measured(given, quantities, slope)
    shared = dict.fromkeys(scene.names, 0.0)
    of_ratio = given.u_ratio**2 + given.u_load**2
    for effect in given.effects:
        dv, di = _over(effect.dv, given.voltage), _over(effect.di, given.current)
        shared[effect.name] = by["voltage"] * dv + by["current"] * di
        of_ratio = of_ratio + (dv - di) ** 2
    square, parts = np.zeros(len(given)), {}
    for k, name in enumerate(scene.names):
        parts[name] = (moves[k] - shared.pop(name)) ** 2 + 0.5 * bends[k] ** 2
    for name, shift in shared.items():
        parts[name] = parts.get(name, 0.0) + shift**2
    of_load = load_move**2 + 0.5 * load_bend**2
    u_predicted = np.sqrt(np.sum(moves**2 + 0.5 * bends**2, axis=0) + of_load)
    parts[LOAD], parts[OWN] = of_load, own**2
    square = sum(parts.values())
    u, apart = np.sqrt(square), measured - value
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        en = np.where(
            u > 0, apart / (2.0 * u), np.where(apart == 0, 0.0, np.copysign(np.inf, apart))
        )
        width = np.where(value > 0, 2.0 * u_predicted / value, np.inf)
    en = np.where(np.isfinite(measured), en, np.nan)
    all_bends = np.concatenate([bends, load_bend[None]])
    skew = skewness(np.concatenate([moves, load_move[None]]), all_bends, u)
    some = np.flatnonzero(matters(en, -skew))
    if len(some):
        nearest = np.argsort(np.abs(np.abs(en[some]) - 1.0), kind="stable")[:_MOST_SKEW]
        some = np.sort(some[nearest])
        en[some] = _en_of_skew(
            scene, given, some, quantities, measured[some], all_bends[:, some], u[some], found
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(given.ratio / given.stated)
        both = given.resistor & given.by_ratio
        en_load = np.where(both, off / (2.0 * np.sqrt(of_ratio)), np.nan)
    own_u = np.sqrt(parts[OWN])
    if np.any(given.by_ratio):  # what V and I do to the load is no part of the power that was read
        plain = _measured(given, quantities, np.zeros_like(slope))[2]
        own_u = plain
    agrees = np.abs(en) <= 1.0
    words = np.select(
        [np.isnan(en), ~agrees & (en > 0), ~agrees, ~(width <= TOO_WIDE), np.abs(en_load) > 1.0],
        [UNDETERMINED, HIGH, LOW, UNDETERMINED, INCONSISTENT],
        PLAUSIBLE,
    )
    return EachReading(
        tuple(quantities.tolist()),
        measured,
        own_u,
        value,
        u_predicted,
        u,
        en,
        en_load,
        tuple(words.tolist()),
        parts,
    )


def _measured(
    given: Readings, quantities: NDArray[np.str_], slope: Array
) -> tuple[Array, dict[str, Array], Array]:
    """Return what was read, its derivatives by logarithms of V and I less the prediction's, own u.

    The power is V I, and the load that it is predicted for V/I, so that both move with either.
    """
    count, none = len(given), np.full(len(given), np.nan)
    read = {
        n: none if getattr(given, n) is None else getattr(given, n)
        for n in ("voltage", "current", "power")
    }
    sources = {n: read[n] for n in ("voltage", "current")}
    power = np.where(given.given == BOTH, sources["voltage"] * sources["current"], read["power"])
    load = np.where(given.resistor, given.stated, 1.0)
    with np.errstate(invalid="ignore"):
        power = np.where(given.given == VOLTAGE, read["voltage"] ** 2 / load, power)
        power = np.where(given.given == CURRENT, read["current"] ** 2 * load, power)
    measured = np.select(
        [quantities == n for n in ("power", "voltage", "current")],
        [power, read["voltage"], read["current"]],
    )
    whole = quantities == "power"
    by_v = np.select(
        [whole & (given.given == BOTH), whole & (given.given == VOLTAGE), quantities == "voltage"],
        [power - np.where(given.by_ratio, slope, 0.0), 2.0 * power, measured],
        np.zeros(count),
    )
    by_i = np.select(
        [whole & (given.given == BOTH), whole & (given.given == CURRENT), quantities == "current"],
        [power + np.where(given.by_ratio, slope, 0.0), 2.0 * power, measured],
        np.zeros(count),
    )
    own = np.zeros(count)
    for name, by in (("voltage", by_v), ("current", by_i)):
        if getattr(given, name) is not None:
            own = np.hypot(own, np.nan_to_num(by * _over(given.own(name), getattr(given, name))))
    alone = whole & ~np.isin(given.given, (BOTH, VOLTAGE, CURRENT))
    if given.power is not None:
        own = np.where(alone, given.own("power"), own)
    return measured, {"voltage": np.nan_to_num(by_v), "current": np.nan_to_num(by_i)}, own


def _over(part: Array, of: Array | None) -> Array:
    if of is None:
        return np.zeros_like(part)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return np.where(np.abs(of) > 0, part / np.abs(of), 0.0)


def _en_of_skew(
    scene: Scene,
    given: Readings,
    some: NDArray[np.int64],
    quantities: NDArray[np.str_],
    measured: Array,
    bends: Array,
    u: Array,
    found: Prediction,
) -> Array:
    """Return the E_n numbers of some readings by the distribution of their predictions."""
    names, count = (*scene.names, LOAD), len(some)
    order = np.argsort(-np.abs(bends), axis=0, kind="stable")[:2]
    size = np.abs(np.take_along_axis(bends, order, axis=0))
    acts = size > 0.1 * size[0]
    by_input, centre = np.zeros((2, len(NODES), count)), len(NODES) // 2
    for j in np.unique(order[acts]):
        place, which = np.nonzero((order == j) & acts)
        at = found.at.select(some[which])
        if names[j] == LOAD:
            rows = scene.solve_loads(
                at, at.load * np.maximum(1.0 + NODES[:, None] * at.u_load, 1e-3)
            )
        else:
            rows = scene.solve(at, Off((names[j],), NODES[:, None]))
        rows["power"] = worked_out(rows, at.load, given.given[some[which]])
        there = quantities[some[which]]
        values = np.select([there == n for n in rows], list(rows.values()))
        by_input[place, :, which] = (values - values[centre]).T
    moves = np.zeros((len(names), count))
    value = np.zeros(count)
    for name in np.unique(quantities[some]):
        here, one = quantities[some] == name, found[str(name)]
        moves[:, here] = np.concatenate([one.moves, one.load_move[None]])[:, some[here]]
        value[here] = one.value[some[here]]
    taken = np.take_along_axis(moves**2 + 0.5 * bends**2, order, axis=0)
    bent = 0.5 * np.take_along_axis(bends, order, axis=0)  # in the mean, but here in the nodes
    rest = np.sqrt(np.maximum(u**2 - np.sum(taken * acts, axis=0), (1e-3 * u) ** 2))
    return en_of_skew(measured - (value - np.sum(bent * acts, axis=0)), by_input, rest)


@dataclass(frozen=True)
class Comparison:
    """Readings beside their prediction.

    Attributes
    ----------
    scene : Scene
    readings : Readings
    each : EachReading
    together : Misfit
        All of them against the full covariance.
    expected : Expected
        At the stated loads.
    """

    scene: Scene
    readings: Readings
    each: EachReading
    together: Misfit
    expected: Expected

    @property
    def worst(self) -> int:
        """Which reading is furthest off; its E_n is `en`."""
        return int(np.nanargmax(np.abs(np.where(np.isnan(self.each.en), 0.0, self.each.en))))

    @property
    def en(self) -> float:
        """E_n number (ISO 13528:2022, 9.7) of the reading that is furthest off."""
        return float(self.each.en[self.worst])

    @property
    def limit(self) -> float:
        """Most chi-square of readings without a fault, in all but `FALSE_ALARM` of tables."""
        freedom = self.together.freedom
        return float(chdtri(freedom, FALSE_ALARM)) if freedom else np.inf

    @property
    def single(self) -> bool:
        """Whether one reading is judged, by its E_n; several are by chi-square."""
        return int(np.sum(np.isfinite(self.each.en))) == 1

    @cached_property
    def verdict(self) -> str:
        """One of the words of `ivkit.predict.score`."""
        each = self.each
        if not np.any(np.isfinite(each.en)):
            return UNDETERMINED
        if self.single:
            return each.words[self.worst]
        if self.together.chi_square > self.limit:
            if abs(self.en) > 1.0:
                return HIGH if self.en > 0 else LOW
            return INCONSISTENT
        with np.errstate(divide="ignore", invalid="ignore"):
            wide = 2.0 * each.u_predicted / np.abs(each.predicted)
        middle = float(np.nanquantile(wide, 0.5, method="inverted_cdf"))
        told = self.together.freedom > 0 and self.together.tells and middle <= TOO_WIDE
        return PLAUSIBLE if told else UNDETERMINED

    @cached_property
    def budget(self) -> dict[str, float]:
        """Fraction of each input in the variance of measured less predicted, mean over readings."""
        size = np.maximum(np.abs(self.each.predicted), 1e-300) ** 2
        parts = {name: float(np.nanmean(x / size)) for name, x in self.each.parts.items()}
        total = sum(parts.values())
        told = {name: part / total for name, part in parts.items() if part > 0}
        return dict(sorted(told.items(), key=lambda item: -item[1]))

    @cached_property
    def adjusted(self) -> dict[str, tuple[float, float]]:
        """Inputs as the readings have them: shift and what is left of u, in standard uncertainties.

        Those that the readings move by a tenth of a standard uncertainty or tell anything of.
        """
        names = [*self.scene.names, *(f"load {ohm:g} ohm" for ohm in self.together.loads)]
        count = len(self.scene.names)
        places = [*range(count), *range(2 * count, 2 * count + len(self.together.loads))]
        pairs = {
            name: (float(self.together.shifts[k]), float(self.together.u_shifts[k]))
            for name, k in zip(names, places, strict=True)
        }
        told = {n: p for n, p in pairs.items() if abs(p[0]) > 0.1 or p[1] < 0.9}
        return dict(sorted(told.items(), key=lambda item: -abs(item[1][0])))

    @cached_property
    def adjusted_prediction(self) -> Array:
        """The compared quantity as the adjusted inputs have it, shape (N,)."""
        factor = np.zeros(len(self.readings))
        shifts, count = self.together.shifts, 2 * len(self.scene.names)
        for k, quantity in enumerate(self.each.quantities):
            factor[k] = shifts[:count] @ self.expected.moves[quantity][:, k]
            load = self.readings.stated[k]
            if load in self.together.loads and not self.readings.by_ratio[k]:
                off = shifts[count + self.together.loads.index(load)] * self.readings.u_load
                factor[k] += off * self.expected.by_load[quantity][k]
        return self.each.predicted * np.exp(np.clip(factor, -2.0, 2.0))


def compare(scene: Scene, readings: Readings) -> Comparison:
    """Return readings beside their prediction.

    Examples
    --------
    >>> from ivkit.panel.datasheet import make_datasheet
    >>> from ivkit.panel.sheet_file import SheetFile
    >>> from ivkit.predict.facing import Facing
    >>> panel = make_datasheet(SheetFile(pmp_W=10.0, cells=36))
    >>> scene = Scene(panel, Facing.of(500.0, 25.0))
    >>> found = compare(scene, Readings.of(power=3.7, load=47.0))
    >>> found.verdict, round(found.en, 2)
    ('plausible', -0.12)
    """
    same = np.array_equal(readings.at.load, readings.at_stated.load, equal_nan=True)
    same &= np.array_equal(readings.at.u_load, readings.at_stated.u_load)
    stated = predict(scene, readings.at_stated, AS_STATED, given=readings.given, ends=True)
    each = each_reading(scene, readings, stated if same else None)
    expected = Expected.of(stated)
    rest = left_over_of(scene, readings)
    return Comparison(scene, readings, each, misfit(readings, expected, rest), expected)


def left_over_of(scene: Scene, readings: Readings) -> Any:
    """Return what no law of the panel accounts for in each reading, as a fraction, shape (N,)."""
    at = readings.at
    heat = scene.temp_cell.celsius + at.warmer
    return left_over(scene.panel.panel(), scene.light_on(at)[0], heat)
