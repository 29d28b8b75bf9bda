"""Panels of simulated benches as they are, by pvlib, and as a label or a sweep has them.

The truth: De Soto's equations and Bishop's curve from pvlib, the load line met by interpolation,
the shaded string by adding up cells. All invented.
"""

import contextlib
from dataclasses import dataclass

import numpy as np
from pvlib import pvsystem, singlediode

from ivkit.curve.fit import fit
from ivkit.errors import BenchError
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.measured_panel import measured_panel
from ivkit.panel.sheet_file import SheetFile
from ivkit.readings.sweep import Condition, Effect, Sweep


@dataclass(frozen=True)
class Truth:
    """A panel as it is: five parameters at 1000 W/m2 and 25 degC, as pvlib takes them."""

    il: float
    i0: float
    rs: float
    rsh: float
    a: float
    alpha: float
    cells: int
    faint: float  # exponent of the shunt below 100 W/m2

    def parameters(self, light, celsius):
        il, i0, rs, rsh, a = pvsystem.calcparams_desoto(
            light,
            celsius,
            self.alpha,
            self.a,
            self.il,
            self.i0,
            self.rsh,
            self.rs,
            EgRef=1.121,
            dEgdT=-0.0002677,
        )
        if light < 100.0:
            rsh = 10.0 * self.rsh * (100.0 / light) ** self.faint
        return il, i0, rs, rsh, a

    def curve(self, light, celsius, shaded=1.0):
        """Return V and I of many points, V rising."""
        il, i0, rs, rsh, a = self.parameters(light, celsius)
        top = a * np.log1p(il / i0)
        if shaded == 1.0:
            junction = top * np.r_[np.linspace(-0.05, 0.6, 200), np.linspace(0.6, 1.01, 900)[1:]]
            i, v, _ = singlediode.bishop88(junction, il, i0, rs, rsh, a)
            return v, i
        n = self.cells

        def cell(share):
            il, i0, rs, rsh, a = self.parameters(light * share, celsius)
            up = a / n * np.log1p(il / i0) * 1.01
            junction = np.r_[np.linspace(-14.9, -0.5, 900), np.linspace(-0.5, up, 900)[1:]]
            i, v, _ = singlediode.bishop88(
                junction,
                il,
                i0,
                rs / n,
                rsh / n,
                a / n,
                breakdown_factor=2e-3,
                breakdown_voltage=-15.0,
                breakdown_exp=3.0,
            )
            return v[::-1], i[::-1]  # I rising

        bright, dim = cell(1.0), cell(shaded)
        i = np.linspace(-0.01 * il, 1.02 * np.interp(0.0, -bright[0], bright[1]), 3000)
        v = (n - 1) * np.interp(i, bright[1], bright[0]) + np.interp(i, dim[1], dim[0])
        return v[::-1], i[::-1]

    def at(self, load, light, celsius, shaded=1.0):
        """Return V and I at each load, with light and temperature of each."""
        out = []
        for ohm, bright, warm in np.broadcast(load, light, celsius):
            v, i = self.curve(float(bright), float(warm), shaded)
            if np.isinf(ohm):
                out.append((np.interp(0.0, -i, v), 0.0))
            else:
                line = v - i * ohm
                out.append((np.interp(0.0, line, v), np.interp(0.0, line, i)))
        return tuple(np.array(out).T)

    def ends(self, light, celsius):
        """Return Isc, Voc, Vmp and Imp."""
        v, i = self.curve(light, celsius)
        best = int(np.argmax(v * i))
        return np.interp(0.0, v, i), np.interp(0.0, -i, v), v[best], i[best]


def draw_panel(rng):
    cells = int(rng.choice([4, 18, 36, 36, 36, 60]))
    i_sc = float(np.exp(rng.uniform(np.log(0.08), np.log(6.0))))
    v_oc = cells * rng.uniform(0.58, 0.63)
    a = rng.uniform(1.0, 1.15) * cells * 0.025693
    il, i0 = i_sc, i_sc / np.expm1(v_oc / a)
    rs, rsh = rng.uniform(0.015, 0.06) * v_oc / i_sc, rng.uniform(15.0, 100.0) * v_oc / i_sc
    faint = rng.uniform(0.0, 1.0)
    return Truth(il, i0, rs, rsh, a, rng.uniform(3e-4, 7e-4) * i_sc, cells, faint)


def label_of(true, rng):
    """Return the panel as a label has it: off by its tolerances, evenly to either side."""
    i_sc, v_oc, v_mp, i_mp = true.ends(1000.0, 25.0)
    warm = true.ends(1000.0, 45.0)
    tol_i, tol_v, tol_p = rng.choice([3.0, 5.0]), rng.choice([2.0, 3.0]), rng.choice([4.0, 5.0])
    off_i, off_v = (rng.uniform(-t, t) / 100 for t in (tol_i, tol_v))
    # The fill factor varies from panel to panel of a type by 1 to 2 % (common practice, no
    # source); power follows current and voltage, within its tolerance.
    off_p = np.clip(off_i + off_v + 0.01 * rng.standard_normal(), -tol_p / 100, tol_p / 100)
    p_mp = v_mp * i_mp * (1 + off_p)
    v_mp = v_mp * (1 + off_v)
    return make_datasheet(
        SheetFile(
            cells=true.cells,
            isc_A=float(i_sc * (1 + off_i)),
            voc_V=float(v_oc * (1 + off_v)),
            vmp_V=float(v_mp),
            imp_A=float(p_mp / v_mp),
            pmp_W=float(p_mp),
            isc_tolerance_pct=float(tol_i),
            voc_tolerance_pct=float(tol_v),
            pmp_tolerance_pct=float(tol_p),
            alpha_isc_pct_per_K=float(100 * true.alpha / i_sc + 0.01 * rng.standard_normal()),
            beta_voc_pct_per_K=float(
                100 * (warm[1] / v_oc - 1) / 20 * (1 + 0.05 * rng.standard_normal())
            ),
        )
    )


def possible_label_of(true, rng):
    """Return a label that some diode has: ivkit refuses others, and no verdict follows."""
    while True:
        with contextlib.suppress(BenchError):
            sheet = label_of(true, rng)
            sheet.panel()
            return sheet


def sweep_of(true, rng):
    """Return the panel as a sweep has it, taken in light and warmth that are known a little."""
    light, celsius = rng.uniform(400.0, 950.0), rng.uniform(25.0, 50.0)
    i_sc, v_oc, *_ = true.ends(light, celsius)
    load = v_oc / i_sc * np.geomspace(0.02, 50.0, 26)
    v, i = true.at(load, light, celsius)
    gains = 1 + 0.005 * rng.standard_normal(2)
    v = v * gains[0] + 1e-3 * v_oc * rng.standard_normal(26)
    i = i * gains[1] + 1e-3 * i_sc * rng.standard_normal(26)
    effects = (
        Effect("voltmeter of the sweep", 0.005 * v, np.zeros(26)),
        Effect("ammeter of the sweep", np.zeros(26), 0.005 * i),
    )
    said = Condition(
        effective_irradiance=light * (1 + 0.03 * rng.standard_normal()),
        temp_cell=celsius + 2.0 * rng.standard_normal(),
        u_effective_irradiance=0.03 * light,
        u_temp_cell=2.0,
    )
    sweep = Sweep(
        v,
        i,
        np.full(26, 1e-3 * v_oc),
        np.full(26, 1e-3 * i_sc),
        effects,
        said,
        cells=true.cells,
    )
    return measured_panel(fit(sweep))
