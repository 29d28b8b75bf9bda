"""Are these readings what physics says they should be, and if not, which slip explains them.

Each reading is predicted for its own load, angle, light and temperature, with the doubt of each
cause, and compared by the E_n number of ISO 13528. Several readings share causes, so they are also
judged together, by chi-square against their full covariance: six readings that are each just
within their own doubt may be impossible together, and one of thirty may be outside alone. A slip is
another prediction of what would have been written down; it is judged on all readings at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, logsumexp

from ivkit.shown import Shown
from ivkit.verdict.cases import Case, Slip, expected_of, match_of
from ivkit.verdict.match import Match, floors, match
from ivkit.verdict.scene import Expected, Scene
from ivkit.verdict.score import TOO_WIDE
from ivkit.verdict.slips import SLIPS

Array = NDArray[np.float64]

SURE = 0.98  # of chi-square, for several numbers together; one number is judged by E_n
MOST = 60  # readings that slips are tried on; of more, as many spread evenly
_KEEP = 1e-3  # of the belief: slips below it are not worth a line
_NOTHING = 1e-6  # least that a slip must add to the logarithm of the likelihood
#: Two causes of a belief nearer than this factor are not told apart.
TIED = 3.0


@dataclass(frozen=True)
class Explanation:
    """A slip that would make the readings agree.

    Attributes
    ----------
    name, explains, check : str
        What it is, what it does to the readings, and how to tell it from the others.
    size : str
        Of it: "times 11", "+35 K"; empty where it comes in one size.
    belief : float
        Its share among all slips, by how well it explains all readings and how common it is.
    agrees : bool
        Whether the readings are plausible with it.
    """

    name: str
    explains: str
    check: str
    size: str
    belief: float
    agrees: bool


@dataclass(frozen=True)
class Judgement(Shown):
    """What the readings look like beside the prediction.

    Attributes
    ----------
    verdict : str
        ``plausible``, ``too high``, ``too low`` or ``cannot tell``.
    en : float
        E_n number (ISO 13528:2022, 9.7) of the reading that is furthest off, with its sign.
    worst : int
        Which reading that is.
    quantities : tuple of str
        Of each reading, what is shown: ``power``, ``voltage`` or ``current``.
    measured, u_measured, predicted, u_predicted, scores : ndarray, shape (N,)
        Of that quantity, with standard uncertainties and E_n numbers; NaN where blank.
    chi_square, limit : float
        Of all readings together, and the most that readings without a fault have in 98 of 100.
    freedom : int
        Degrees of freedom of it.
    budget : dict of str to float
        Share of each cause in the variance of measured and predicted, largest first.
    slips : tuple of Explanation
        Likeliest first; empty where the readings are plausible.
    tried_on : int
        Readings that slips were tried on.
    """

    verdict: str
    en: float
    worst: int
    quantities: tuple[str, ...]
    measured: Array
    u_measured: Array
    predicted: Array
    u_predicted: Array
    scores: Array
    chi_square: float
    limit: float
    freedom: int
    budget: dict[str, float]
    slips: tuple[Explanation, ...]
    tried_on: int

    @property
    def told_apart(self) -> bool:
        """Whether the likeliest slip stands clear of the next."""
        return len(self.slips) < 2 or self.slips[0].belief > TIED * self.slips[1].belief


def judge(scene: Scene, slips: Sequence[Slip] = SLIPS) -> Judgement:
    """Return whether the readings are plausible, and what would explain them if not.

    Parameters
    ----------
    scene : Scene
    slips : sequence of Slip
        To try.
    """
    as_stated = expected_of(scene, Case())
    free = scene.readings.load is None
    base = match(scene, as_stated, free_load=free)
    shown = _Shown(scene, as_stated)
    scores = shown.scores
    worst = int(np.nanargmax(np.abs(scores)))
    limit = float(chdtri(base.freedom, 1.0 - SURE)) if base.freedom else np.inf
    # One number is judged by E_n, several by chi-square.
    sound = abs(scores[worst]) <= 1.0 if base.freedom <= 1 else base.chi_square <= limit
    explained: tuple[Explanation, ...] = ()
    tried_on = 0
    if not sound:
        word = "too high" if scores[worst] > 0 else "too low"
        chosen = _few(scene)
        tried_on = len(chosen.readings)
        explained = explain(chosen, slips)
    elif not base.freedom or not base.tells or shown.width > TOO_WIDE:
        word = "cannot tell"
    else:
        word = "plausible"
    return Judgement(
        word,
        float(scores[worst]),
        worst,
        shown.quantities,
        shown.measured,
        shown.u_measured,
        shown.predicted,
        shown.u_predicted,
        scores,
        base.chi_square,
        limit,
        base.freedom,
        shown.budget(),
        explained,
        tried_on,
    )


def explain(scene: Scene, slips: Sequence[Slip] = SLIPS) -> tuple[Explanation, ...]:
    """Return the slips that explain the readings, likeliest first.

    Each slip's likelihood is the mean over its sizes, so that a slip that could be anything is
    not believed for fitting everything; its size is the one that fits best. A slip that fits no
    better than none explains nothing and is left out.
    """
    without = match_of(scene, Case()).log_likelihood
    found: list[tuple[float, Slip, Case, Match]] = []
    for slip in slips:
        cases = list(slip.cases(scene))
        if not cases:
            continue
        matches = [match_of(scene, case) for case in cases]
        told = [
            m.log_likelihood + np.log(case.weight) for m, case in zip(matches, cases, strict=True)
        ]
        best = int(np.argmax([m.log_likelihood for m in matches]))
        if matches[best].log_likelihood <= without + _NOTHING:
            continue
        found.append((np.log(slip.prior) + logsumexp(told), slip, cases[best], matches[best]))
    if not found:
        return ()
    beliefs = np.exp(np.array([item[0] for item in found]) - logsumexp([f[0] for f in found]))
    out = []
    for place in np.argsort(-beliefs, kind="stable"):
        _, slip, case, fits = found[place]
        agrees = fits.freedom > 0 and fits.chi_square <= chdtri(fits.freedom, 1.0 - SURE)
        if beliefs[place] >= _KEEP:
            out.append(
                Explanation(
                    slip.name,
                    slip.explains,
                    slip.check,
                    case.size,
                    float(beliefs[place]),
                    bool(agrees),
                )
            )
    return tuple(out)


def _few(scene: Scene) -> Scene:
    """Return the scene with at most `MOST` of its readings, spread evenly."""
    count = len(scene.readings)
    if count <= MOST:
        return scene
    return Scene(scene.setting, scene.readings.select(np.linspace(0, count - 1, MOST).astype(int)))


class _Shown:
    """One quantity of each reading beside its prediction: the power where there is one."""

    def __init__(self, scene: Scene, expected: Expected) -> None:
        self.scene, self.expected, given = scene, expected, scene.readings
        names, floor = scene.observed, floors(scene.readings, expected)
        count = len(given)
        both = "voltage" in names and "current" in names
        quantities = np.full(count, "power" if both or "power" in names else names[0])
        if both and given.load is not None:
            # No power at the ends: there the one that is not nought is shown.
            quantities = np.where(np.isinf(given.load), "voltage", quantities)
            quantities = np.where(given.load == 0, "current", quantities)
        if both:
            # Of a reading with a blank, what is there.
            blank_v, blank_i = np.isnan(given.voltage), np.isnan(given.current)
            quantities = np.where(blank_i & ~blank_v, "voltage", quantities)
            quantities = np.where(blank_v & ~blank_i, "current", quantities)
        self.quantities = tuple(str(q) for q in quantities)
        read = {n: getattr(given, n) for n in names}
        share = {
            n: np.hypot(given.u, floor[n] / np.maximum(np.abs(read[n]), floor[n])) for n in names
        }
        if both:
            read["power"] = read["voltage"] * read["current"]
            share["power"] = np.hypot(share["voltage"], share["current"])
        self.measured = self._pick(read)
        self.share = self._pick(share)
        self.u_measured = np.abs(self.measured) * self.share
        self.predicted = self._pick(expected.values)
        self.moves = np.array([self._pick(rows) for rows in self._by_cause()])
        self.of_load = self._pick(expected.by_load) * self._u_load()
        # A move of a logarithm is exact: near darkness a cause may change the light manifold.
        share_p = np.sqrt(np.sum(np.expm1(self.moves) ** 2, axis=0) + self.of_load**2)
        self.u_predicted = np.abs(self.predicted) * share_p
        u = np.hypot(self.u_measured, self.u_predicted)
        apart = self.measured - self.predicted
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            self.scores = np.where(u > 0, apart / (2.0 * u), np.where(apart == 0, 0.0, np.inf))
        self.scores = np.where(np.isfinite(self.measured), self.scores, np.nan)

    def _pick(self, table: dict[str, Array]) -> Array:
        return np.array([table[q][..., k] for k, q in enumerate(self.quantities)], dtype=float)

    def _by_cause(self) -> list[dict[str, Array]]:
        moves = self.expected.moves
        return [{n: rows[k] for n, rows in moves.items()} for k in range(len(self.scene.causes))]

    def _u_load(self) -> Array | float:
        given = self.scene.readings
        if given.load is None:  # the load is V over I, each as uncertain as it is
            return np.sqrt(2.0) * given.u
        return np.where(np.isfinite(given.load) & (given.load > 0), given.u_load, 0.0)

    @property
    def width(self) -> float:
        """Expanded uncertainty of measured less predicted, as a share: half of the readings have
        this, or less.
        """
        moved = np.sum(self.moves**2, axis=0) + self.of_load**2 + self.share**2
        return float(2.0 * np.nanquantile(np.sqrt(moved), 0.5, method="inverted_cdf"))

    def budget(self) -> dict[str, float]:
        """Return the share of each cause in the variance of the difference, mean over readings."""
        parts = dict.fromkeys(self.scene.inputs, 0.0)
        for name, part in zip(self.scene.causes, np.nanmean(self.moves**2, axis=1), strict=True):
            parts[name] += float(part)
        parts["load"] = float(np.nanmean(self.of_load**2))
        parts["the readings themselves"] = float(np.nanmean(self.share**2))
        total = sum(parts.values())
        if not total > 0:
            return {}
        shares = {name: float(part / total) for name, part in parts.items() if part > 0}
        return dict(sorted(shares.items(), key=lambda item: -item[1]))
