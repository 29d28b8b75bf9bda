"""The best load resistor that can be bought, or built from a drawer of parts.

The best load is Vmp / Imp. No shop sells it, so each candidate is put on the curve itself and its
loss against maximum power is read there. What it turns into heat decides how many watts the part
must be rated for (`rating`).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import Fit
from ivkit.errors import RangeError, SweepError
from ivkit.shown import Shown
from ivkit.verdict.combinations import Combination, Loss, from_drawer, from_series
from ivkit.verdict.loaded import LoadedPanel, uncertain
from ivkit.verdict.rating import Derating, rating_to_buy


@dataclass(frozen=True)
class Terms:
    """What is asked of the resistor, and where it stands.

    Attributes
    ----------
    series : Series of IEC 60063 to choose from.
    drawer : tuple of float or None. Parts at hand, ohm, to choose from instead; each entry is one
        part.
    ambient : Temperature of the air around the part, degC.
    margin : Rated power wanted per watt of heat, 1 or greater.
    tolerance : Of the resistor, relative, 0 to below 1.

    Raises RangeError: a tolerance outside its range.
    """

    series: str = "E12"
    drawer: tuple[float, ...] | None = None
    ambient: float = 25.0
    derating: Derating = field(default_factory=Derating)
    margin: float = 2.0
    tolerance: float = 0.05

    def __post_init__(self) -> None:
        if not 0 <= self.tolerance < 1:
            what = f"tolerance {self.tolerance:g} is not a part of the value"
            raise RangeError(what, remedy="give 0.05 for 5 percent")

    def candidates(self, best: float, loss: Loss) -> tuple[Combination, tuple[Combination, ...]]:
        """Return the combination to take and those to list."""
        if self.drawer is not None:
            return from_drawer(self.drawer, loss)
        return from_series(self.series, best, loss)

    def rating(self, dissipation: float) -> float:
        """Return the usual rating to buy for a dissipation, both in W; NaN for none."""
        return rating_to_buy(dissipation, self.derating.share(self.ambient), self.margin)


@dataclass(frozen=True)
class Candidate:
    """A load that can be had, and what it does.

    Attributes
    ----------
    power : float or UFloat. Mean power into it, W; NaN where no curve is known.
    loss, u_loss : Lost part of the maximum power, 0 to 1, and its standard uncertainty; NaN where
        they cannot be told.
    loss_at_tolerance : Loss at the worse end of the resistor's tolerance; NaN where it cannot be
        told.
    dissipations, ratings : tuple of float. Of each part: largest heat, W, and usual rating to buy,
        W (NaN: none is large enough).
    """

    made_of: Combination
    power: Any
    loss: float
    u_loss: float
    loss_at_tolerance: float
    dissipations: tuple[float, ...]
    ratings: tuple[float, ...]

    @property
    def resistance(self) -> float:
        """Of the whole, ohm."""
        return self.made_of.resistance


@dataclass(frozen=True)
class LoadChoice(Shown):
    """The best load, what can be had near it, and which of that to take.

    Attributes
    ----------
    best_resistance, best_power : float or UFloat. Resistance of greatest mean power, ohm, and that
        power, W.
    max_power : float or UFloat. Mean of the conditions' maximum powers, W: the same as
        ``best_power`` for one condition.
    weights : tuple of float. Share of the time of each condition, sum 1.
    best_resistances, max_powers : tuple of float or UFloat. Of each condition by itself, ohm and W.
    candidates : tuple of Candidate. By ascending resistance.
    choice : The one to take.
    choice_powers : tuple of float. Power into it at each condition, W; NaN where no curve is known.
    worst_dissipation : What the ratings are for: the greatest maximum power plus twice its standard
        uncertainty, W.
    """

    best_resistance: Any
    best_power: Any
    max_power: Any
    weights: tuple[float, ...]
    best_resistances: tuple[Any, ...]
    max_powers: tuple[Any, ...]
    candidates: tuple[Candidate, ...]
    choice: Candidate
    choice_powers: tuple[float, ...]
    worst_dissipation: float
    terms: Terms

    def __str__(self) -> str:
        value, _ = value_and_u(self.best_resistance)
        return (
            f"best load {value:.4g} ohm; take {self.choice.made_of.label} "
            f"({self.choice.made_of.source}), which loses {self.choice.loss:.2%}"
        )


def value_and_u(quantity: Any) -> tuple[float, float]:
    """Return estimate and standard uncertainty; the latter is NaN for a plain float."""
    if hasattr(quantity, "std_dev"):
        return quantity.nominal_value, quantity.std_dev
    return float(quantity), math.nan


def best_load(
    models: Sequence[SingleDiode],
    weights: Sequence[float] | None = None,
    terms: Terms | None = None,
    *,
    parameters: Sequence[Mapping[str, Any]] | None = None,
) -> LoadChoice:
    """Choose the load resistor that gets the most out of a panel.

    Parameters
    ----------
    models : sequence of SingleDiode. One curve a condition.
    weights : sequence of float. How long each condition lasts, in any unit; 0 or greater, not all
        zero. Equal by default.
    terms : Where to choose from, and what the part has to stand.
    parameters : sequence of mappings of str to UFloat. Uncertain parameters of each curve by name,
        as in ``Fit.parameters``; without them the results are plain floats.

    Raises RangeError: a weight, series, part, temperature or margin outside its range; SweepError:
    a curve that delivers no power.

    Notes
    -----
    About its minimum the loss is a parabola in ln R, whose slope is zero: there its uncertainty
    is of second order, by the term that JCGM 100:2008, 5.1.2 (note) gives.

    Examples
    --------
    >>> panel = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
    >>> print(best_load([panel]))
    best load 31.61 ohm; take 33R (E6, E12, E24), which loses 0.38%
    >>> print(best_load([panel], terms=Terms(drawer=(10.0, 22.0, 47.0, 100.0))))
    best load 31.61 ohm; take 47R || 100R (drawer), which loses 0.03%
    """
    terms = terms or Terms()
    panel = LoadedPanel.of(models, weights)
    if parameters is not None and len(parameters) != len(models):
        raise RangeError(f"{len(parameters)} sets of parameters for {len(models)} curves")
    best = panel.best_resistance()
    best_resistance = uncertain(best, panel.gradient_best(best), parameters)
    singles = [LoadedPanel.of([model], None) for model in models]
    known = [None if parameters is None else [p] for p in parameters or models]
    best_resistances, max_powers = [], []
    for single, own in zip(singles, known, strict=True):
        r = single.best_resistance()
        best_resistances.append(uncertain(r, single.gradient_best(r), own))
        max_powers.append(uncertain(single.max_power, single.gradient_power(r), own))
    max_power = sum(s * p for s, p in zip(panel.shares, max_powers, strict=True))
    worst = max(value + 2 * np.nan_to_num(u) for value, u in map(value_and_u, max_powers))

    def candidate(made_of: Combination) -> Candidate:
        r = made_of.resistance
        power = uncertain(float(panel.power(r)[0]), panel.gradient_power(r), parameters)
        u_loss = math.nan
        if parameters is not None:
            relative = best_resistance.std_dev / best
            curved = panel.bend(r) * relative**2 / math.sqrt(2.0)
            u_loss = math.hypot((power / max_power).std_dev, curved)
        ends = panel.loss([r * (1 - terms.tolerance), r * (1 + terms.tolerance)])
        heat = tuple(float(worst * share) for share in made_of.heat_shares)
        return Candidate(
            made_of=made_of,
            power=power,
            loss=float(panel.loss(r)[0]),
            u_loss=u_loss,
            loss_at_tolerance=float(ends.max()),
            dissipations=heat,
            ratings=tuple(map(terms.rating, heat)),
        )

    chosen, listed = terms.candidates(best, panel.loss)
    candidates = tuple(map(candidate, listed))
    choice = candidates[listed.index(chosen)]
    return LoadChoice(
        best_resistance=best_resistance,
        best_power=uncertain(float(panel.power(best)[0]), panel.gradient_power(best), parameters),
        max_power=max_power,
        weights=tuple(float(s) for s in panel.shares),
        best_resistances=tuple(best_resistances),
        max_powers=tuple(max_powers),
        candidates=candidates,
        choice=choice,
        choice_powers=tuple(float(p) for p in panel.powers(choice.resistance)[:, 0]),
        worst_dissipation=float(worst),
        terms=terms,
    )


def best_load_of_fits(
    fits: Sequence[Fit], weights: Sequence[float] | None = None, terms: Terms | None = None
) -> LoadChoice:
    """Choose the load by fits of sweeps, as `best_load`; of one without a curve by its data alone.

    Raises
    ------
    RangeError
        As in `best_load`.
    SweepError
        A sweep does not show where its maximum power is.
    """
    for fit in fits:
        if fit.model is None:
            known = fit.key_points_from_data["v_mp"] is not None and len(fits) == 1
        else:
            known = not math.isnan(fit.key_points.p_mp.nominal_value)
        if not known:
            about = [note for note in fit.from_data.notes if "power" in note]
            what, _, remedy = (about[0] if about else "").partition("; ")
            raise SweepError(
                what or "no curve can be fitted, so its best load could not be determined",
                fit.sweep.name,
                remedy or "see what `ivkit characterize` says about it",
            )
    if fits[0].model is None:
        at = fits[0].key_points_from_data
        return best_load_of_point(at["v_mp"], at["i_mp"], terms)
    curves = [fit.model for fit in fits]
    return best_load(curves, weights, terms, parameters=[fit.parameters for fit in fits])


def best_load_of_point(v_mp: Any, i_mp: Any, terms: Terms | None = None) -> LoadChoice:
    """Choose the load from the maximum-power point alone, as a datasheet states it.

    Without a curve nobody can tell what a load beside the best one loses: the powers and losses
    of the candidates are NaN, and the nearest value by ratio is chosen.

    ``v_mp``, ``i_mp``: float or UFloat. V and A, greater than 0.

    Raises RangeError: a voltage or current that is not positive and finite.
    """
    terms = terms or Terms()
    for name, quantity, unit in (("v_mp", v_mp, "V"), ("i_mp", i_mp, "A")):
        value = value_and_u(quantity)[0]
        if not 0 < value < math.inf:
            raise RangeError(f"{name} is {value:g} {unit}", remedy="give it greater than 0")
    best, power = v_mp / i_mp, v_mp * i_mp
    value, u = value_and_u(power)
    worst = value + 2 * float(np.nan_to_num(u))
    middle = value_and_u(best)[0]
    chosen, listed = terms.candidates(middle, lambda r: np.log(np.asarray(r) / middle) ** 2)

    def candidate(made_of: Combination) -> Candidate:
        heat = tuple(worst * share for share in made_of.heat_shares)
        return Candidate(made_of, *[math.nan] * 4, heat, tuple(map(terms.rating, heat)))

    candidates = tuple(map(candidate, listed))
    choice = candidates[listed.index(chosen)]
    alone = ((1.0,), (best,), (power,))  # weights, resistances and powers of the one condition
    return LoadChoice(best, power, power, *alone, candidates, choice, (math.nan,), worst, terms)
