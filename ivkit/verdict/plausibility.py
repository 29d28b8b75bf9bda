"""Are these readings what physics says they should be, and if not, which gross error explains them.

A gross error is another prediction of what would have been written down; it is judged on all
readings at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, logsumexp

from ivkit.predict.compare import Comparison, compare
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene
from ivkit.predict.score import FALSE_ALARM, IMPOSSIBLE, PLAUSIBLE, UNDETERMINED
from ivkit.shown import Shown
from ivkit.verdict.explained_by import Explains, explained_by
from ivkit.verdict.gross_error import Case, GrossError, Seen, misfit_of
from ivkit.verdict.gross_errors_light import OF_LIGHT
from ivkit.verdict.gross_errors_meters import OF_METERS
from ivkit.verdict.limits import Limit, broken_limits

Array = NDArray[np.float64]

GROSS_ERRORS: tuple[GrossError, ...] = OF_METERS + OF_LIGHT
MOST = 60  # readings that gross errors are tried on; of more, as many spread evenly
_KEEP = 1e-3  # of the probability: errors below it are not worth a line
_NOTHING = 1e-6  # least that an error must add to the logarithm of the likelihood
#: Two errors of a probability nearer than this factor are not told apart.
TIED = 3.0
#: Of an error that is not in the list, which makes each channel wrong by any factor: its prior, and
#: the standard uncertainty of the factor's logarithm (common practice, no source).
_UNLISTED, _ANY_FACTOR = 0.3, 3.0
#: A power column beside voltage and current: how near their product it is, as a logarithm; and of
#: how many it was worked out from them, read on its own, or neither (common practice, no source).
_SAME, _WORKED_OUT, _ITS_OWN, _NEITHER, _RANGE = 0.05, 0.55, 0.4, 0.05, 20.0


@dataclass(frozen=True)
class Explanation:
    """A gross error that would make the readings agree.

    Attributes
    ----------
    name, explains, check : str
        What it is, what it does to the readings, and how to tell it from the others.
    size : str
        Of it: "times 11", "+35 K"; empty where it comes in one size.
    probability : float
        Among all gross errors, one that is not listed included, by how well it explains all that
        was read and how common it is.
    agrees : bool
        Whether the readings are plausible with it.
    tied : bool
        Whether the readings do not tell it from the likeliest.
    """

    name: str
    explains: str
    check: str
    size: str
    probability: float
    agrees: bool
    tied: bool = False


@dataclass(frozen=True)
class Judgement(Shown):
    """What the readings look like beside the prediction.

    Attributes
    ----------
    seen : Seen
    compared : Comparison
    verdict : str
        One of the words of `ivkit.predict.score`.
    limits : tuple of Limit
        What no panel and no light can do, and these readings did.
    gross_errors : tuple of Explanation
        Likeliest first; empty where the readings are plausible.
    tried_on : int
        Readings that gross errors were tried on.
    explains : tuple of Explains
        The light, temperature and load that would each make the readings agree by itself.
    """

    seen: Seen
    compared: Comparison
    verdict: str
    limits: tuple[Limit, ...]
    gross_errors: tuple[Explanation, ...]
    tried_on: int
    explains: tuple[Explains, ...]

    @property
    def told_apart(self) -> bool:
        """Whether the likeliest gross error stands clear of the next."""
        return sum(error.tied for error in self.gross_errors) < 2


def judge(
    scene: Scene,
    readings: Readings,
    *,
    outdoors: bool = False,
    told: str = "irradiance",
    errors: Sequence[GrossError] = GROSS_ERRORS,
) -> Judgement:
    """Return whether the readings are plausible, and what would explain them if not.

    Parameters
    ----------
    scene : Scene
    readings : Readings
    outdoors, told
        As of `Seen`.
    errors : sequence of GrossError
        To try.
    """
    seen = Seen(scene, readings, outdoors, told)
    compared = compare(scene, readings)
    limits = limits_of(seen)
    word = IMPOSSIBLE if limits else compared.verdict
    found: tuple[Explanation, ...] = ()
    tried_on = 0
    if word not in (PLAUSIBLE, UNDETERMINED):
        few = seen.few(MOST)
        tried_on = len(few.readings)
        found = explain(few, errors)
    return Judgement(seen, compared, word, limits, found, tried_on, explained_by(seen, compared))


def explain(seen: Seen, errors: Sequence[GrossError] = GROSS_ERRORS) -> tuple[Explanation, ...]:
    """Return the gross errors that explain the readings, likeliest first.

    Each one's likelihood is the mean over its sizes, so that one that could be anything is
    not believed for fitting everything; its size is the one that fits best. One that fits no
    better than none explains nothing and is left out. A power column beside voltage and current
    weighs for or against those that change their product.
    """
    nothing = misfit_of(seen, Case())
    evidence = _Evidence(seen)
    found = []
    for error in errors:
        cases = list(error.cases(seen))
        if not cases:
            continue
        fits = [misfit_of(seen, case) for case in cases]
        weights = [evidence.of(case) + np.log(case.weight) for case in cases]
        each = [fit.log_likelihood + w for fit, w in zip(fits, weights, strict=True)]
        best = int(np.argmax(np.array(each) - np.log([case.weight for case in cases])))
        if fits[best].log_likelihood <= nothing.log_likelihood + _NOTHING:
            continue
        found.append((np.log(error.prior) + logsumexp(each), error, cases[best], fits[best]))
    if not found:
        return ()
    loose = misfit_of(seen, Case(), loose=_ANY_FACTOR)
    unlisted = np.log(_UNLISTED) + loose.log_likelihood + np.log(_NEITHER)
    total = logsumexp([*(item[0] for item in found), unlisted])
    found.sort(key=lambda item: -item[0])
    out = []
    for value, error, case, fit in found:
        probability = float(np.exp(value - total))
        agrees = fit.freedom > 0 and fit.chi_square <= chdtri(fit.freedom, FALSE_ALARM)
        if probability >= _KEEP:
            told = error.name, error.explains, error.check, case.size
            tied = bool(value > found[0][0] - np.log(TIED))
            out.append(Explanation(*told, probability, bool(agrees), tied))
    return tuple(out)


class _Evidence:
    """What a power column beside voltage and current says of a case."""

    def __init__(self, seen: Seen) -> None:
        self.seen, given = seen, seen.readings
        self.times = np.nan
        if given.power is not None and len(given.observed) == 2:
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.log(np.abs(given.power / (given.voltage * given.current)))
            ratio = ratio[np.isfinite(ratio)]
            if len(ratio):
                self.times = float(np.median(ratio))

    def of(self, case: Case) -> float:
        """Return the logarithm of the likelihood of that column."""
        if np.isnan(self.times):
            return 0.0
        true = self.seen.expect(case.change, self.seen.readings.at_stated.load)
        written = case.written(true, self.seen).values
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = np.log(
                np.abs(
                    written["voltage"]
                    * written["current"]
                    / (true.values["voltage"] * true.values["current"])
                )
            )
        factor = float(np.nan_to_num(np.median(factor)))

        def near(off: float) -> float:
            return float(np.exp(-0.5 * (off / _SAME) ** 2) / (_SAME * np.sqrt(2.0 * np.pi)))

        return float(
            np.log(
                _WORKED_OUT * near(self.times)
                + _ITS_OWN * near(self.times + factor)
                + _NEITHER / _RANGE
            )
        )


def limits_of(seen: Seen) -> tuple[Limit, ...]:
    """Return the hard limits that readings break, the light three standard uncertainties up."""
    scene, given, panel = seen.scene, seen.readings, seen.scene.panel

    def most(values: Any) -> float | None:
        if values is None or np.all(np.isnan(values)):
            return None
        return float(np.nanmax(np.abs(values)))

    power = given.power
    if power is None and given.voltage is not None and given.current is not None:
        power = given.voltage * given.current
    light = stated = None
    if seen.told != "share":
        rows = scene.light.irradiance * np.max(given.light)
        stated = float(rows)
        light = stated * (1.0 + 3.0 * scene.light.u)
        own = scene.light.distance_m
        if given.distance is not None and own is not None:
            light *= (getattr(own, "nominal_value", own) / float(np.min(given.distance))) ** 2
    return tuple(
        broken_limits(
            voltage=most(given.voltage),
            current=most(given.current),
            power=most(power),
            irradiance=light,
            stated_irradiance=stated,
            area_m2=panel.area_m2,
            cells=panel.cells,
            strings=panel.strings,
            band_gap=panel.kind.EgRef,
            outdoors=seen.outdoors,
        )
    )
