"""Several sweeps of one panel, in different light and at different temperatures, fitted as one.

One set of reference parameters (De Soto) has to run through all of them. That resolves what no
sweep resolves alone, and where a sweep's light is not known it comes out of the fit: the panel is
then its own light meter.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from uncertainties import UFloat, ufloat

from ivkit.curve.diode import Local, local, solve_current
from ivkit.curve.engine import Array
from ivkit.curve.fit import Fit, fit_each
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.uncertainty import Sources, key_point_gradients
from ivkit.errors import SweepError
from ivkit.panel.conditions import ReferencePanel
from ivkit.readings.sweep import Sweep

#: Usual change of Isc with temperature where none is given, and its standard uncertainty, 1/K:
#: the middle and a quarter of the range of 0 to 0.11 %/K that 98 of 100 silicon modules of the
#: CEC table lie in.
USUAL_ALPHA, U_USUAL_ALPHA = 0.0005, 0.0003


@dataclass(frozen=True)
class Together:
    """One panel from several sweeps.

    Attributes
    ----------
    panel : ReferencePanel
    parameters : dict of str to UFloat
        IL (A), I0 (A), Rs (ohm), Rsh (ohm; None where the fit found none) and a (V) at the
        reference, by their pvlib names.
    key_points : KeyPoints
        At the reference, as uncertain numbers.
    irradiance : tuple of UFloat
        Effective irradiance of each sweep, W/m2.
    fits : tuple of Fit
        Each sweep on its own.
    rmse : tuple of float
        Of each sweep around the common panel, A.
    scatter : float
        Variance of the residuals over what was stated; 1 where nothing was stated.
    relative : bool
        No sweep's light was known: the brightest one counts as the reference.
    notes : tuple of str
    """

    panel: ReferencePanel
    parameters: dict[str, Any]
    key_points: KeyPoints
    irradiance: tuple[UFloat, ...]
    fits: tuple[Fit, ...]
    rmse: tuple[float, ...]
    scatter: float
    relative: bool
    notes: tuple[str, ...]


def fit_together(
    sweeps: Sequence[Sweep],
    alpha_sc: float | None = None,
    *,
    free_irradiance: bool = False,
    **reference: float,
) -> Together:
    """Fit one panel through several sweeps.

    Parameters
    ----------
    sweeps : sequence of Sweep
        Two or more, each with a cell temperature. A sweep without an irradiance, or with one of
        stated uncertainty, has its light fitted; one with an exact irradiance keeps it.
    alpha_sc : float, optional
        Change of Isc with temperature at the reference, A/K; a usual value with a wide
        uncertainty where not given.
    free_irradiance : bool
        Take the light from the sweeps even where it is stated; the brightest stays as stated.
    reference : float
        EgRef, dEgdT, irradiance_ref, temp_ref of `ReferencePanel`.

    Raises
    ------
    SweepError
        Fewer than two sweeps, one without a temperature or a curve, or fits that do not come to
        an end.
    """
    problem = _Problem(list(sweeps), alpha_sc, free_irradiance, reference)
    theta = problem.solve()
    return problem.result(theta)


class _Problem:
    """The sweeps, where the fit starts, and the residual with its derivatives."""

    def __init__(self, sweeps, alpha_sc, free_irradiance, reference) -> None:
        if len(sweeps) < 2:
            raise SweepError(f"{len(sweeps)} sweep", "", "give two or more of one panel")
        for sweep in sweeps:
            if sweep.condition.temp_cell is None:
                raise SweepError(
                    "the cell temperature is not known",
                    sweep.name,
                    "give it in the table, the bench or with --temperature",
                )
        self.sweeps = sweeps
        self.fits = fit_each(sweeps)
        for one in self.fits:
            if one.model is None:
                raise SweepError(f"no curve ({', '.join(one.flags)})", one.sweep.name)
        self.reference = reference
        self.notes: list[str] = []
        blank = ReferencePanel(1.0, 1.0, 0.0, 1.0, 1.0, 0.0, None, **reference)
        self.light_ref = blank.irradiance_ref
        self.celsius = np.array([s.condition.temp_cell for s in sweeps])
        self.moved = self.celsius - blank.temp_ref
        self.tau, gap = blank._temperature(self.celsius)
        self.gain = self.tau**3 * np.exp(gap)
        stated = [s.condition.effective_irradiance for s in sweeps]
        i_sc = np.array([float(one.model.current(0.0)) for one in self.fits])
        self.relative = all(x is None for x in stated)
        brightest = int(np.argmax(i_sc))
        if self.relative:
            stated[brightest] = self.light_ref
            self.notes.append(
                f"no light was stated: {sweeps[brightest].name or 'the brightest sweep'} counts "
                f"as {self.light_ref:g} W/m2"
            )
        known = [k for k, x in enumerate(stated) if x is not None]
        anchor = brightest if brightest in known else known[int(np.argmax(i_sc[known]))]
        u = [s.condition.u_effective_irradiance for s in sweeps]
        if free_irradiance or self.relative:
            fixed, self.prior = [anchor], []
        else:
            fixed = [k for k in known if not u[k]]
            self.prior = [k for k in known if u[k]]
        self.free = [k for k in range(len(sweeps)) if k not in fixed]
        guess = i_sc / i_sc[anchor] * stated[anchor]
        light = np.array([g if x is None else x for x, g in zip(stated, guess, strict=True)])
        self.light = np.where(np.isin(np.arange(len(sweeps)), fixed + self.prior), light, guess)
        self.stated, self.u = light, np.array([x or 0.0 for x in u], dtype=float)
        self.assumed = alpha_sc is None
        at_ref = i_sc[anchor] / self.light[anchor] * self.light_ref
        self.alpha = USUAL_ALPHA * at_ref if alpha_sc is None else alpha_sc
        self.u_alpha = U_USUAL_ALPHA * at_ref if alpha_sc is None else 0.0
        if self.assumed and np.ptp(self.celsius) > 1:
            self.notes.append(
                f"alpha_sc assumed: {100 * USUAL_ALPHA:g} %/K of Isc, a usual value for silicon"
            )
        self.scale_v = max(float(np.max(np.abs(s.voltage))) for s in sweeps)
        self.known_noise = all(s.noise_current is not None for s in sweeps)
        pairs = [(one.noise_voltage, one.noise_current) for one in self.fits]
        self.sigma_v = [None if v is None else v for v, _ in pairs]
        self.sigma_i = [
            np.full(len(one.sweep), one.rmse) if i is None or not np.all(np.isfinite(i)) else i
            for one, (_, i) in zip(self.fits, pairs, strict=True)
        ]

    def start(self) -> Array:
        """Return where the fit starts: the sweeps' own fits, taken to the reference."""
        panels = [
            ReferencePanel.from_curve(one.model, s, t, self.alpha, **self.reference)
            for one, s, t in zip(self.fits, self.light, self.celsius, strict=True)
        ]
        best = int(np.argmax([len(s) * x for s, x in zip(self.sweeps, self.light, strict=True)]))
        panel = panels[best]
        g = [1.0 / p.resistance_shunt for p in panels]
        a = panel.nNsVth
        return np.array(
            [
                panel.photocurrent,
                np.log(panel.saturation_current) + self.scale_v / a,
                max(panel.resistance_series, 1e-6 * self.scale_v / panel.photocurrent),
                max(float(np.median(g)), 1e-6 * panel.photocurrent / self.scale_v),
                np.log(a),
                *np.log(self.light[self.free] / self.light_ref),
            ]
        )

    def curve(self, theta: Array, k: int, shift: float = 0.0) -> tuple[float, ...]:
        """Return IL, I0, Rs, 1/Rsh and a of sweep ``k``, warmer by ``shift`` kelvin."""
        il, log_diode, rs, g, log_a = theta[:5]
        share = self.light[k] / self.light_ref
        if k in self.free:
            share = np.exp(theta[5 + self.free.index(k)])
        a_ref = np.exp(log_a)
        tau, gain = self.tau[k], self.gain[k]
        if shift:
            blank = ReferencePanel(1.0, 1.0, 0.0, 1.0, 1.0, 0.0, None, **self.reference)
            tau, gap = blank._temperature(self.celsius[k] + shift)
            gain = tau**3 * np.exp(gap)
        return (
            share * (il + self.alpha * (self.moved[k] + shift)),
            np.exp(log_diode - self.scale_v / a_ref) * gain,
            rs,
            g * share,
            a_ref * tau,
        )

    def _weight(self, k: int, at: Local) -> Array:
        sigma_v = self.sigma_v[k]
        steep = 0.0 if sigma_v is None else at.slope * sigma_v
        return 1.0 / np.sqrt(self.sigma_i[k] ** 2 + steep**2)

    def residual(self, theta: Array) -> Array:
        """Return all residuals in standard deviations, and the stated irradiances' own."""
        parts = []
        for k, sweep in enumerate(self.sweeps):
            p = self.curve(theta, k)
            i = solve_current(sweep.voltage, *p)
            parts.append((i - sweep.current) * self._weight(k, local(sweep.voltage, i, *p)))
        for k in self.prior:
            light = self.light_ref * np.exp(theta[5 + self.free.index(k)])
            parts.append(np.array([(light - self.stated[k]) / self.u[k]]))
        return np.concatenate(parts)

    def jacobian(self, theta: Array) -> Array:
        """Return the exact derivatives of the residuals, shape (residuals, parameters)."""
        rows = []
        a_ref = np.exp(theta[4])
        for k, sweep in enumerate(self.sweeps):
            p = self.curve(theta, k)
            il, i0, _, g, a = p
            i = solve_current(sweep.voltage, *p)
            at = local(sweep.voltage, i, *p)
            share = il / (theta[0] + self.alpha * self.moved[k])
            chain = np.zeros((5, len(theta)))
            chain[0, 0], chain[3, 3], chain[2, 2] = share, share, 1.0
            chain[1, 1], chain[4, 4] = i0, a
            chain[1, 4] = i0 * self.scale_v / a_ref
            if k in self.free:
                column = 5 + self.free.index(k)
                chain[0, column], chain[3, column] = il, g
            weight = self._weight(k, at)
            d = weight[:, None] * (at.di @ chain)
            if self.sigma_v[k] is not None:
                pull = (i - sweep.current) * weight**3 * at.slope * self.sigma_v[k] ** 2
                d -= pull[:, None] * (at.dslope @ chain)
            rows.append(d)
        for k in self.prior:
            row = np.zeros((1, len(theta)))
            column = 5 + self.free.index(k)
            row[0, column] = self.light_ref * np.exp(theta[column]) / self.u[k]
            rows.append(row)
        return np.concatenate(rows)

    def solve(self) -> Array:
        """Return the parameters of least cost."""
        from scipy.optimize import least_squares

        start = self.start()
        low = np.full(len(start), -np.inf)
        low[2:4] = 0.0

        def slopes(theta: Array) -> Array:
            jacobian = self.jacobian(theta)
            if not np.all(np.isfinite(jacobian)):
                raise _none("the fit ran off to where no panel is")
            return jacobian

        with np.errstate(all="ignore"):  # a step that goes too far is taken back
            found = least_squares(
                self.residual,
                start,
                jac=slopes,
                bounds=(low, np.inf),
                x_scale="jac",
                xtol=1e-13,
                ftol=1e-13,
                gtol=1e-13,
                max_nfev=2000,
            )
        if not found.success:
            raise _none(found.message)
        return found.x

    def result(self, theta: Array) -> Together:
        """Return everything that is known about the common panel."""
        j, r = self.jacobian(theta), self.residual(theta)
        freedom = len(r) - len(theta)
        scatter = float(r @ r) / freedom if freedom > 0 else np.nan
        size = np.linalg.norm(j, axis=0)
        size[size == 0] = 1.0
        inverse = np.linalg.pinv(j / size, rcond=1e-13) / size[:, None]
        enlarge = np.sqrt(max(scatter, 1.0)) if np.isfinite(scatter) else 1.0
        names = {e.name for s in self.sweeps for e in s.effects}
        shared = {name: ufloat(0.0, 1.0, name) for name in names}
        moves: list[Any] = [0.0] * len(theta)
        first = 0
        for k, sweep in enumerate(self.sweeps):
            n = len(sweep)
            p = self.curve(theta, k)
            i = solve_current(sweep.voltage, *p)
            at = local(sweep.voltage, i, *p)
            weight = self._weight(k, at)
            part = inverse[:, first : first + n] * weight
            sigma_v = self.sigma_v[k]
            sources = Sources(
                sweep,
                None if sigma_v is None else sigma_v * enlarge,
                self.sigma_i[k] * enlarge,
                shared,
            )
            warm = solve_current(sweep.voltage, *self.curve(theta, k, 0.01)) - i
            u_temp = sweep.condition.u_temp_cell
            for q in range(len(theta)):
                moves[q] += sources.quantity(0.0, -part[q] * at.slope, part[q])
                if u_temp:
                    by_temp = -float(part[q] @ warm) / 0.01
                    moves[q] += by_temp * u_temp * _variable(shared, f"temperature, {sweep.name}")
                if self.u_alpha:
                    by_alpha = -float(part[q] @ (at.di[:, 0] * self.moved[k]))
                    by_alpha *= p[0] / (theta[0] + self.alpha * self.moved[k])
                    moves[q] += by_alpha * self.u_alpha * _variable(shared, "alpha_sc, assumed")
            first += n
        for k in self.prior:
            for q in range(len(theta)):
                by_light = float(inverse[q, first]) * _variable(
                    shared, f"irradiance, {self.sweeps[k].name}"
                )
                moves[q] += by_light
            first += 1
        return self._assemble(theta, moves, scatter)

    def _assemble(self, theta: Array, moves: list[Any], scatter: float) -> Together:
        il, log_diode, rs, g, log_a = (float(x) for x in theta[:5])
        a = float(np.exp(log_a))
        i0 = float(np.exp(log_diode - self.scale_v / a))
        told = {
            "photocurrent": il + moves[0],
            "saturation_current": i0 + i0 * (moves[1] + self.scale_v / a * moves[4]),
            "resistance_series": rs + moves[2],
            "resistance_shunt": 1.0 / (g + moves[3]) if g > 0 else None,
            "nNsVth": a + a * moves[4],
        }
        raw = [told[n] for n in ("photocurrent", "saturation_current", "resistance_series")]
        raw += [g + moves[3], told["nNsVth"]]
        nominal = (il, i0, rs, g, a)
        cells = next((s.cells for s in self.sweeps if s.cells), None)
        panel = ReferencePanel(
            il, i0, rs, 1.0 / g if g > 0 else np.inf, a, self.alpha, cells, **self.reference
        )
        values = panel.at(panel.irradiance_ref, panel.temp_ref).key_points()
        by = key_point_gradients(*nominal)
        points = KeyPoints(
            **{
                name: float(getattr(values, name))
                + sum(float(d) * (q - x) for d, q, x in zip(by[name], raw, nominal, strict=True))
                for name in ("i_sc", "v_oc", "v_mp", "i_mp")
            }
        )
        light = []
        for k in range(len(self.sweeps)):
            if k in self.free:
                column = 5 + self.free.index(k)
                value = self.light_ref * float(np.exp(theta[column]))
                light.append(value + value * moves[column])
            else:
                light.append(float(self.light[k]) + 0.0 * moves[0])
        residuals = [
            s.current - solve_current(s.voltage, *self.curve(theta, k))
            for k, s in enumerate(self.sweeps)
        ]
        if self.known_noise and scatter > 2:
            self.notes.append(
                f"the sweeps differ from one panel by {np.sqrt(scatter):.2g} times their noise: "
                "uncertainties are enlarged to match; check temperatures and that the panel is one"
            )
        return Together(
            panel,
            told,
            points,
            tuple(light),
            tuple(self.fits),
            tuple(float(np.sqrt(np.mean(r**2))) for r in residuals),
            scatter,
            self.relative,
            tuple(self.notes),
        )


def _variable(known: dict[str, UFloat], name: str) -> UFloat:
    """Return the variable of one cause, the same wherever it is asked for."""
    return known.setdefault(name, ufloat(0.0, 1.0, name))


def _none(why: str) -> SweepError:
    return SweepError(
        f"no common panel was found ({why})",
        remedy="check that all sweeps are of one panel, and their temperatures",
    )
