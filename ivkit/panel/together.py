"""Several sweeps of one panel, in different light and at different temperatures, fitted as one.

One set of reference parameters has to run through all of them. That resolves what no sweep
resolves alone, and where a sweep's light is not known it comes out of the fit: the panel is then
its own light meter. How the panel leaves its reference is its law (`ivkit.panel.law`), of which the
technology says something beforehand and the sweeps the rest.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np
from uncertainties import UFloat, ufloat

from ivkit.assumptions import ASSUMED
from ivkit.curve.diode import local, solve_current
from ivkit.curve.engine import Array
from ivkit.curve.fit import Fit, fit_each
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.uncertainty import Sources, key_point_gradients
from ivkit.errors import RangeError, SweepError
from ivkit.panel.agreement import Agreement, agreement
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.datasheet import prior_law
from ivkit.panel.law import LAW, NAMES
from ivkit.panel.pooled_noise import with_pooled_noise
from ivkit.panel.technology import TECHNOLOGY
from ivkit.panel.together_model import BASE, Light, Model
from ivkit.readings.sweep import Sweep

#: Of the variance of a light's uncertainty, what all sweeps share, as they share a sensor (common
#: practice, no source).
COMMON = 0.5
_STARTS = 3  # that are followed to their end
_COARSE, _SETTLED = 1e-6, 1e-13  # of a step and of the cost, relative
_STEPS = 60
_IDEALITIES = (1.0, 0.8, 1.25)  # factors of a start's own


@dataclass(frozen=True)
class Together:
    """One panel from several sweeps.

    Attributes
    ----------
    parameters : dict of str to UFloat. IL (A), I0 (A), Rs (ohm), Rsh (ohm; None where the fit found
        none) and a (V) at the reference, by their pvlib names.
    law : dict of str to UFloat. What was free of how it leaves the reference, in the units of
        `ivkit.panel.law.LAW`.
    key_points : At the reference, as uncertain numbers.
    irradiance : tuple of UFloat. Effective irradiance of each sweep, W/m2.
    temp_cell : tuple of UFloat. Of each sweep, degC: as the common panel has it where it is not
        exact.
    fits : tuple of Fit. Each sweep on its own.
    rmse : tuple of float. Of each sweep around the common panel, A.
    scatter : Chi-square over degrees of freedom of everything around the common panel.
    agreement : Whether one panel fits, and which sweep does not.
    technology : Whose law was taken beforehand.
    relative : No sweep's light was known: the brightest one counts as the reference.
    notes : tuple of str
    """

    panel: ReferencePanel
    parameters: dict[str, Any]
    law: dict[str, UFloat]
    key_points: KeyPoints
    irradiance: tuple[UFloat, ...]
    temp_cell: tuple[UFloat, ...]
    fits: tuple[Fit, ...]
    rmse: tuple[float, ...]
    scatter: float
    agreement: Agreement
    technology: str
    relative: bool
    notes: tuple[str, ...]


def fit_together(
    sweeps: Sequence[Sweep],
    alpha_sc: float | None = None,
    *,
    technology: str | None = "c-Si",
    free_irradiance: bool = False,
    **reference: float,
) -> Together:
    """Fit one panel through several sweeps.

    Parameters
    ----------
    sweeps : sequence of Sweep. Two or more, each with a cell temperature. A sweep without an
        irradiance has its light fitted.
    alpha_sc : Change of Isc with temperature at the reference, A/K; the technology's with its
        uncertainty where not given.
    technology : Whose law is taken beforehand; an irradiance or a temperature without an
        uncertainty then has the usual one (`ivkit.assumptions`). None: De Soto's equations as they
        are, with a fixed band gap and Rsh in inverse proportion to the light, and exact conditions.
    free_irradiance : Take the light from the sweeps even where it is stated; the brightest stays as
        stated.
    reference : EgRef, dEgdT, irradiance_ref, temp_ref of `ReferencePanel`; with EgRef the
        coefficient of Voc is not free.

    Raises SweepError: fewer than two sweeps, one without a temperature or a curve, a technology
    that no single diode follows, or fits that do not come to an end.
    """
    if len(sweeps) < 2:
        raise SweepError(f"{len(sweeps)} sweep", "", "give two or more of one panel")
    for sweep in sweeps:
        if sweep.condition.temp_cell is None:
            remedy = "give it in the table, the bench or with --temperature"
            raise SweepError("the cell temperature is not known", sweep.name, remedy)
    fits = fit_each(sweeps)
    for one in fits:
        if one.model is None:
            raise SweepError(f"no curve ({', '.join(one.flags)})", one.sweep.name)
    notes: list[str] = []
    fits = with_pooled_noise(fits) if technology is not None else fits
    light_ref = reference.get("irradiance_ref", 1000.0)
    light, relative = _conditions(fits, technology, free_irradiance, light_ref, notes)
    model = _model(fits, light, alpha_sc, technology, reference, notes)
    try:
        theta = solve(model)
        seen = agreement(model, theta, solve)
        notes += seen.notes()
        return _Result(model, theta, seen).together(technology or "c-Si", relative, notes)
    except RangeError as error:
        raise _none(error.what) from None


def _conditions(
    fits: Sequence[Fit], technology: str | None, free: bool, light_ref: float, notes: list[str]
) -> tuple[Light, bool]:
    """Return what is known of light and temperature, and whether the light is relative."""
    sweeps = [one.sweep for one in fits]
    known = [s.condition.effective_irradiance for s in sweeps]
    own = [s.condition.u_effective_irradiance for s in sweeps]
    i_sc = np.array([float(one.model.current(0.0)) for one in fits])
    brightest = int(np.argmax(i_sc))
    relative = all(x is None for x in known)
    if relative:
        known[brightest] = light_ref
        notes.append(
            f"no light was stated: {sweeps[brightest].name or 'the brightest sweep'} counts "
            f"as {light_ref:g} W/m2"
        )
    told = [k for k, x in enumerate(known) if x is not None]
    anchor = told[int(np.argmax(i_sc[told]))]
    guess = i_sc / i_sc[anchor] * known[anchor]
    stated = np.array([g if x is None else x for x, g in zip(known, guess, strict=True)])
    u_heat = np.array([s.condition.u_temp_cell or 0.0 for s in sweeps])
    u_common = 0.0
    if free or relative:
        u = np.full(len(sweeps), np.inf)
        u[anchor] = 0.0
        stated = np.where(np.isfinite(u), stated, guess)
    else:
        u = np.array([np.inf if x is None else (v or 0.0) for x, v in zip(known, own, strict=True)])
        if technology is not None:
            assumed = ASSUMED["irradiance"]
            if np.any(u == 0):
                notes.append(assumed.sentence("u_irradiance_W_m2 in [condition] of the bench"))
            u = np.where(u == 0, assumed.u_fraction * stated, u)
            finite = np.isfinite(u)
            u_common = float(np.sqrt(COMMON) * np.min(u[finite] / stated[finite]))
            u[finite] = np.sqrt(u[finite] ** 2 - (u_common * stated[finite]) ** 2)
    if technology is not None and np.any(u_heat == 0):
        assumed = ASSUMED["stated cell temperature"]
        notes.append(assumed.sentence("u_temp_cell_degC in [condition] of the bench"))
        u_heat = np.where(u_heat == 0, assumed.u, u_heat)
    celsius = np.array([s.condition.temp_cell for s in sweeps], dtype=float)
    return Light(stated, u, u_common, celsius, u_heat), relative


def _model(fits, light: Light, alpha_sc, technology, reference, notes: list[str]) -> Model:
    kind = TECHNOLOGY[technology or "c-Si"]
    if kind.law is None:
        raise SweepError(
            f"{kind.name} cells follow no single diode from one light to another, so one panel "
            "through several sweeps could not be determined",
            remedy="characterize each sweep on its own",
        )
    brightest = int(np.argmax(light.stated))
    one = fits[brightest]
    cells = next((x.sweep.cells for x in fits if x.sweep.cells), None)
    # Voc at the reference, for the prior of n: near enough by the usual coefficient.
    warmer = light.celsius[brightest] - 25.0
    v_oc = float(one.model.voltage(0.0)) / (1.0 + kind.beta.value / 100 * warmer)
    v_oc += one.model.nNsVth * log(1000.0 / light.stated[brightest])
    usual = [(x.value, x.u) for x in (kind.alpha, kind.beta)]
    value, u = prior_law(kind, v_oc, cells, *(tuple(x) for x in zip(*usual, strict=True)))
    names = [name for name in LAW if technology is not None or name == "alpha"]
    if alpha_sc is not None:
        names.remove("alpha")
    elif np.ptp(light.celsius) > 1:
        notes.append(
            f"alpha_sc assumed: {kind.alpha.value:g} +- {kind.alpha.u:g} %/K of Isc beforehand, "
            f"usual for {kind.name}"
        )
    if "EgRef" in reference and technology is not None:
        names.remove("beta")
    all_of = zip(LAW, value.tolist(), u.tolist(), NAMES, strict=True)
    law = {name: known for name, *known in all_of if name in names}
    fixed = {"EgRef": 1.2, "dEgdT": 0.0} if "beta" in law else {}
    blank = ReferencePanel(1.0, 1.0, 0.0, 1.0, 1.0, alpha_sc or 0.0, cells, **(fixed | reference))
    return Model(fits, light, blank, law, v_oc)


def solve(model: Model, start: Array | None = None) -> Array:
    """Return the parameters of least cost.

    The cheapest of several starts are followed: every sweep's own curve, with its ideality and
    with others.

    Raises SweepError: none comes to where a panel is.
    """
    starts = [start]
    if start is None:
        starts = [model.with_ideality(x, f) for x in model.starts() for f in _IDEALITIES]
    with np.errstate(all="ignore"):
        starts = sorted(starts, key=lambda theta: _cost(model, theta))[:_STARTS]
        best = min((_descended(model, x, _COARSE) for x in starts), key=lambda found: found[1])
        # Where the panel does not fit, steps get shorter slowly, and digits have no meaning.
        rows = sum(len(sweep) for sweep in model.sweeps)
        if best[1] < 2 * rows:
            best = _descended(model, best[0], _SETTLED)
    if not np.isfinite(best[1]):
        raise _none("the fit ran off to where no panel is")
    return best[0]


def _cost(model: Model, theta: Array) -> float:
    found = model.residual(theta)
    return float(found @ found) if np.all(np.isfinite(found)) else float("inf")


def _descended(model: Model, theta: Array, settled: float) -> tuple[Array, float]:
    """Return parameters and cost after steps of Levenberg and Marquardt; Rs and 1/Rsh stay >= 0.

    More, Numerical Analysis, Lecture Notes in Mathematics 630 (1978) 105, has the scaling.
    """
    cost, damping = _cost(model, theta), 1e-3
    scale = np.zeros(len(theta))
    for _ in range(_STEPS):
        r, slopes = model.residual(theta), model.jacobian(theta)
        if not (np.all(np.isfinite(slopes)) and np.all(np.isfinite(r))):
            break
        scale = np.maximum(scale, np.linalg.norm(slopes, axis=0))
        scale[scale == 0] = 1.0
        unit, gradient = slopes / scale, slopes.T @ r / scale
        held = np.isin(np.arange(len(theta)), (2, 3)) & (theta <= 0) & (gradient > 0)
        unit[:, held], gradient[held] = 0.0, 0.0
        normal, done = unit.T @ unit, False
        while damping < 1e12:
            step = -np.linalg.solve(normal + (damping + 1e-15) * np.eye(len(theta)), gradient)
            moved = theta + step / scale
            moved[2:4] = np.maximum(moved[2:4], 0.0)
            found = _cost(model, moved)
            # Of a step that no digit of the cost shows, the last has been taken.
            done = np.max(np.abs(step)) <= settled * (1.0 + np.max(np.abs(theta * scale)))
            if found <= cost or done:
                done |= cost - found <= settled * cost and damping < 1e-3
                break
            damping *= 8.0
        else:
            break
        if found <= cost:
            theta, cost, damping = moved, found, max(damping / 10.0, 1e-15)
        if done:
            break
    return theta, cost


class _Result:
    """What is known about the common panel: every parameter as an uncertain number."""

    def __init__(self, model: Model, theta: Array, seen: Agreement) -> None:
        self.model, self.theta, self.seen = model, theta, seen
        self.moves = self._moves()

    def _moves(self) -> list[Any]:
        """Return what each parameter moves by, as uncertain numbers around 0."""
        model, theta = self.model, self.theta
        j = model.jacobian(theta)
        size = np.linalg.norm(j, axis=0)
        size[size == 0] = 1.0
        inverse = np.linalg.pinv(j / size, rcond=1e-13) / size[:, None]
        enlarge = self.seen.enlarge
        names = {e.name for s in model.sweeps for e in s.effects}
        shared = {name: ufloat(0.0, 1.0, name) for name in names}
        moves: list[Any] = [0.0] * len(theta)
        first = 0
        for k, (sweep, p) in enumerate(zip(model.sweeps, model.curves(theta), strict=True)):
            n = len(sweep)
            at = local(sweep.voltage, solve_current(sweep.voltage, *p), *p)
            part = inverse[:, first : first + n] * model._weight(k, at.slope)
            sigma_v = model.fits[k].noise_voltage
            noise_v = None if sigma_v is None else sigma_v * enlarge
            sources = Sources(sweep, noise_v, model.sigma[k] * enlarge, shared)
            for q in range(len(theta)):
                moves[q] += sources.quantity(0.0, -part[q] * at.slope, part[q])
            first += n
        for k, name in enumerate(model.named()):
            variable = shared.setdefault(name, ufloat(0.0, 1.0, name))
            for q in range(len(theta)):
                moves[q] += float(inverse[q, first + k]) * enlarge * variable
        return moves

    def together(self, technology: str, relative: bool, notes: list[str]) -> Together:
        model, theta, moves = self.model, self.theta, self.moves
        panel = model.panel(theta)
        il, diode, rs, g, log_a = (float(x) for x in theta[:BASE])
        a = float(np.exp(log_a))
        i0 = float(np.exp(diode - model.scale_v / a))
        told = {
            "photocurrent": il + moves[0],
            "saturation_current": i0 + i0 * (moves[1] + model.scale_v / a * moves[4]),
            "resistance_series": rs + moves[2],
            "resistance_shunt": 1.0 / (g + moves[3]) if g > 0 else None,
            "nNsVth": a + a * moves[4],
        }
        raw = [*list(told.values())[:3], g + moves[3], told["nNsVth"]]
        nominal = (il, i0, rs, g, a)
        values = panel.at(panel.irradiance_ref, panel.temp_ref).key_points()
        by = key_point_gradients(*nominal)
        off = [q - x for q, x in zip(raw, nominal, strict=True)]
        points = KeyPoints(
            *(
                float(getattr(values, name))
                + sum(float(d) * q for d, q in zip(by[name], off, strict=True))
                for name in ("i_sc", "v_oc", "v_mp", "i_mp")
            )
        )
        light, heat = model.conditions(theta)
        lights: list[Any] = [float(x) + 0.0 * moves[0] for x in light]
        heats: list[Any] = [float(x) + 0.0 * moves[0] for x in heat]
        for column, k in zip(model.at_light, model.free, strict=True):
            lights[k] += float(light[k]) * moves[column]
        for column, k in zip(model.at_warm, model.warm, strict=True):
            heats[k] += moves[column]
        law = {name: float(theta[BASE + k]) + moves[BASE + k] for k, name in enumerate(model.extra)}
        rmse = [
            float(np.sqrt(np.mean((s.current - solve_current(s.voltage, *p)) ** 2)))
            for s, p in zip(model.sweeps, model.curves(theta), strict=True)
        ]
        each = (tuple(x) for x in (lights, heats, model.fits, rmse))
        seen, end = (self.seen.scatter, self.seen), (technology, relative, tuple(notes))
        return Together(panel, told, law, points, *each, *seen, *end)


def _none(why: str) -> SweepError:
    return SweepError(
        f"no common panel was found ({why})",
        remedy="check that all sweeps are of one panel, and their temperatures",
    )
