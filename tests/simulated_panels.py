"""Silicon panels by simulation, wider than what ivkit assumes, with pvlib and numpy alone.

The ideality n, the activation energy E of the saturation current, the shunt at 200 W/m2, its
exponent, the series resistance and the linearity of Isc vary independently of each other, each over
more than the seven measured modules show (tests/data/module_matrices). Curves: Bishop (1988) as
pvlib has it. Temperature: I0 ~ T^3 exp(-E/kT), E being what the coefficient of Voc asks for. All
invented.
"""

from dataclasses import dataclass, replace

import numpy as np
from pvlib import singlediode

from ivkit.curve.fit import fit
from ivkit.panel.measured_panel import measured_panel
from ivkit.readings.sweep import Condition, Effect, Sweep
from ivkit.verdict.conformity import DOES_NOT
from ivkit.verdict.translate import translate
from tests import sound_benches as sound

KT25 = 8.617333262e-5 * 298.15  # eV, CODATA 2018


@dataclass(frozen=True)
class Panel:
    """A panel as it is.

    Attributes
    ----------
    cells : int
    i_sc, v_oc : float
        At 1000 W/m2 and 25 degC, A and V.
    n : float
    rs : float
        ohm.
    rn200 : float
        Rsh Isc / Voc with all three at 200 W/m2 and 25 degC.
    k, k_low : float
        The shunt goes as the irradiance to the power of -k, below 100 W/m2 of -k_low.
    alpha, beta : float
        Of Isc and Voc, 1/K.
    bend : float
        Isc at 100 W/m2 over that of a linear panel, less 1; it goes with the logarithm.
    """

    cells: int
    i_sc: float
    v_oc: float
    n: float
    rs: float
    rn200: float
    k: float
    k_low: float
    alpha: float
    beta: float
    bend: float

    def shunt(self, light):
        at_200 = self.rn200 * (self.v_oc - self.a25 * np.log(5.0)) / self._current(200.0, 25.0)
        low = (100.0 / min(light, 100.0)) ** self.k_low
        return at_200 * (200.0 / max(light, 100.0)) ** self.k * low

    def _current(self, light, celsius):
        linear = self.i_sc * light / 1000.0 * (1 + self.alpha * (celsius - 25.0))
        return linear * (1 + self.bend * np.log10(1000.0 / light))

    @property
    def a25(self):
        return self.n * self.cells * KT25

    @property
    def energy(self):
        """The activation energy with which Voc falls by ``beta``, eV."""
        slope = self.v_oc * (1.0 - 298.15 * self.beta) / self.a25
        return KT25 * (slope - 3.0 + 298.15 * self.alpha)

    def parameters(self, light, celsius):
        """Return IL, I0, Rs, Rsh and n Ns kT/q."""
        shunt = self.shunt(1000.0)
        i0 = (self.i_sc * (1 + self.rs / shunt) - self.v_oc / shunt) / np.expm1(
            self.v_oc / self.a25
        )
        t = (celsius + 273.15) / 298.15
        i0 *= t**3 * np.exp(self.energy / KT25 * (1.0 - 1.0 / t))
        rsh = self.shunt(light)
        return self._current(light, celsius) * (1 + self.rs / rsh), i0, self.rs, rsh, self.a25 * t

    def curve(self, light, celsius):
        """Return V and I of many points, V rising."""
        five = self.parameters(light, celsius)
        top = five[4] * np.log1p(five[0] / five[1])
        junction = top * np.r_[np.linspace(-0.05, 0.5, 200), np.linspace(0.5, 1.05, 1500)[1:]]
        i, v, _ = singlediode.bishop88(junction, *five)
        return v, i

    def ends(self, light, celsius):
        """Return Isc, Voc, Vmp and Imp."""
        v, i = self.curve(light, celsius)
        p = v * i
        best = int(np.argmax(p))
        # The parabola through the three highest points, in the voltage.
        bent = np.polyfit(v[best - 1 : best + 2] - v[best], p[best - 1 : best + 2], 2)
        v_mp = v[best] - bent[1] / (2 * bent[0])
        p_mp = p[best] - bent[1] ** 2 / (4 * bent[0])
        return np.interp(0.0, v, i), np.interp(0.0, -i, v), v_mp, p_mp / v_mp

    def at(self, load, light, celsius):
        """Return V and I at each load (ohm)."""
        v, i = self.curve(light, celsius)
        lines = [v - i * ohm for ohm in load]
        return tuple(np.array([np.interp(0.0, line, x) for line in lines]) for x in (v, i))

    @property
    def coefficients(self):
        """What a laboratory finds for Isc, Voc and Pmp between 25 and 50 degC, %/K."""
        i_sc, v_oc, v_mp, i_mp = self.ends(1000.0, 25.0)
        warm = self.ends(1000.0, 50.0)
        pairs = ((warm[0], i_sc), (warm[1], v_oc), (warm[2] * warm[3], v_mp * i_mp))
        return tuple(100 * (a / b - 1) / 25.0 for a, b in pairs)


def draw(rng):
    """Return a silicon panel whose fill factor is one that panels have."""
    while True:
        cells = int(rng.choice([4, 18, 36, 36, 36, 60]))
        i_sc = float(np.exp(rng.uniform(np.log(0.08), np.log(9.0))))
        v_oc = cells * rng.uniform(0.57, 0.70)
        rn200 = 0.0
        while not 5.0 <= rn200 <= 60.0:
            rn200 = float(np.exp(np.log(17.3) + 0.62 * rng.standard_normal()))
        panel = Panel(
            cells,
            i_sc,
            v_oc,
            n=rng.uniform(0.95, 1.4),
            rs=rng.uniform(0.01, 0.06) * v_oc / i_sc,
            rn200=rn200,
            k=rng.uniform(0.0, 1.0),
            k_low=rng.uniform(0.0, 1.0),
            alpha=rng.uniform(3e-4, 7e-4),
            beta=rng.uniform(-3.5e-3, -2.5e-3),
            bend=rng.uniform(-0.02, 0.02),
        )
        i, v, v_mp, i_mp = panel.ends(1000.0, 25.0)
        if 0.62 <= v_mp * i_mp / (i * v) <= 0.84:
            return panel


def as_de_soto(panel):
    """Return a panel near it that follows De Soto's equations, to see whether the benches are fair.

    Their band gap of 1.121 eV that falls with temperature acts as E = 1.121 (1 + 0.0002677 298).
    """
    slope = 1.121 * (1 + 0.0002677 * 298.15) / KT25 + 3.0 - 298.15 * panel.alpha
    n = min(panel.n, 1.05)
    beta = (1.0 - slope * n * panel.cells * KT25 / panel.v_oc) / 298.15
    return replace(panel, n=n, beta=beta, k=1.0, bend=0.0, rn200=max(panel.rn200, 15.0))


def sheet_of(panel, care, rng):
    """Return the datasheet of the panel's type: off by its tolerances, and rounded."""
    figures = sound.off_by_tolerance(panel.ends(1000.0, 25.0), care, rng)
    wrong = sound.off_coefficients(panel.coefficients, rng)
    return sound.label(figures, wrong, panel.cells, care)


def sweep_of(panel, light, celsius, rng, u_light, u_temp, readings=26, noise=1e-3, gain=5e-3):
    """Return a sweep over loads in true light of about ``light`` (W/m2) at ``celsius``."""
    true_light = light * (1 + u_light * rng.standard_normal())
    true_celsius = celsius + u_temp * rng.standard_normal()
    i_sc, v_oc, *_ = panel.ends(true_light, true_celsius)
    load = v_oc / i_sc * np.geomspace(0.02, 50.0, readings)
    v, i = panel.at(load, true_light, true_celsius)
    gains = 1 + gain * rng.standard_normal(2)
    v = v * gains[0] + noise * v_oc * rng.standard_normal(readings)
    i = i * gains[1] + noise * i_sc * rng.standard_normal(readings)
    effects = (
        Effect("voltmeter of the sweep", gain * v, np.zeros(readings)),
        Effect("ammeter of the sweep", np.zeros(readings), gain * i),
    )
    return Sweep(
        v,
        i,
        np.full(readings, noise * v_oc),
        np.full(readings, noise * i_sc),
        effects if gain else (),
        Condition(light, celsius, u_light * light, u_temp),
        cells=panel.cells,
    )


def from_datasheet(seed, lights, care, of=lambda panel: panel):
    """Return the verdicts on a single reading and on a table, by the panel's datasheet.

    ``of`` makes another panel of the one that is drawn.
    """
    rng = np.random.default_rng(seed)
    panel = of(draw(rng))
    return _both(panel, lambda: sheet_of(panel, care, rng), lights, care, rng)


def from_sweep(seed, lights, care, of=lambda panel: panel):
    """Return the same by a sweep taken at 600 to 950 W/m2."""
    rng = np.random.default_rng(seed)
    panel = of(draw(rng))
    light, celsius = rng.uniform(600.0, 950.0), rng.uniform(25.0, 50.0)

    def known():
        return measured_panel(fit(sweep_of(panel, light, celsius, rng, care.u_light, care.u_temp)))

    return _both(panel, known, lights, care, rng)


def _both(panel, known, lights, care, rng):
    light, celsius = float(np.exp(rng.uniform(*np.log(lights)))), rng.uniform(15.0, 50.0)
    there = sound.true_condition(light, celsius, care, rng)
    try:
        setting = sound.stated(known(), light, celsius, care)
    except sound.IvkitError:
        return {"single": (sound.REFUSED, np.nan), "table": (sound.REFUSED, np.nan)}
    kinds = {"single": sound.at_maximum, "table": sound.table_of_loads}
    return {
        name: sound.tried(lambda read=read: sound.verdict(setting, read(panel, *there, care, rng)))
        for name, read in kinds.items()
    }


@dataclass(frozen=True)
class AtStc:
    """A sweep at STC: z and u (percent) of Isc, Voc and Pmp, and whether its label is denied."""

    z: tuple[float, float, float]
    u: tuple[float, float, float]
    denied: bool


def translated(seed, lights, care, of=lambda panel: panel):
    """Return a sweep of 30 readings at 15 to 60 degC taken to STC; None where nothing reaches it.

    Of ``care`` the light and the temperature count; the datasheet is its own true one, with the
    tolerances and digits that labels usually have.

    Raises
    ------
    IvkitError
        ivkit refuses the sweep or the label.
    """
    rng = np.random.default_rng(seed)
    panel = of(draw(rng))
    i_sc, v_oc, v_mp, i_mp = panel.ends(1000.0, 25.0)
    wrong = sound.off_coefficients(panel.coefficients, rng)
    sheet = sound.label((i_sc, v_oc, i_mp, v_mp, v_mp * i_mp), wrong, panel.cells, sound.USUAL)
    light, celsius = rng.uniform(*lights), rng.uniform(15.0, 60.0)
    known = (care.u_light, care.u_temp)
    sweep = sweep_of(panel, light, celsius, rng, *known, readings=30, noise=3e-3, gain=0.0)
    found = translate(fit(sweep), sheet=sheet)
    if found.key_points is None:
        return None
    points = (found.key_points.i_sc, found.key_points.v_oc, found.key_points.p_mp)
    exact = (i_sc, v_oc, v_mp * i_mp)
    return AtStc(
        tuple((q.nominal_value - x) / q.std_dev for q, x in zip(points, exact, strict=True)),
        tuple(100 * q.std_dev / x for q, x in zip(points, exact, strict=True)),
        found.conformity.verdict == DOES_NOT,
    )
