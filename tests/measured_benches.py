"""Sound benches drawn from the matrices of measured modules, between neighbouring conditions.

Between the four conditions around it (ln S and temperature; two where only one temperature was
measured) each key point is interpolated: currents over irradiance by their logarithms, voltages as
they are. That is far nearer than the laboratory's own uncertainty.
"""

from dataclasses import dataclass

import numpy as np

from ivkit.predict.readings import Readings
from tests import sound_benches as sound
from tests.laboratory import Module, single_junction

_CURRENTS = ("i_sc", "i_mp")


@dataclass(frozen=True)
class Measured:
    """A measured module as a panel of `tests.sound_benches`."""

    module: Module

    def ends(self, light, celsius):
        """Return Isc, Voc, Vmp and Imp."""
        rows = self.module.rows
        found = {}
        low, high = _around(light, np.unique(rows.irradiance))
        part = np.log(light / low) / np.log(high / low)
        cool, warm = _around(celsius, temperatures(self.module, low, high))
        along = (celsius - cool) / (warm - cool) if warm > cool else 0.0
        corners = [
            (g, t, (1 - part if g == low else part) * (1 - along if t == cool else along))
            for g in (low, high)
            for t in dict.fromkeys((cool, warm))
        ]
        for name in ("i_sc", "v_oc", "v_mp", "i_mp"):
            values = [(w, g, float(self.module.at(g, t)[name])) for g, t, w in corners]
            if name in _CURRENTS:
                found[name] = light * np.exp(sum(w * np.log(x / g) for w, g, x in values))
            else:
                found[name] = sum(w * x for w, _, x in values)
        return tuple(found.values())


def temperatures(module, low, high):
    """Return the temperatures (degC) measured in both of two irradiances (W/m2)."""
    rows = module.rows
    both = (rows[rows.irradiance == g].temp_cell for g in (low, high))
    return np.sort(np.intersect1d(*both))


def _around(value, grid):
    """Return the neighbours of a value in a grid; the nearest one twice outside of it."""
    place = np.clip(np.searchsorted(grid, value), 1, max(len(grid) - 1, 1))
    if len(grid) == 1:
        return grid[0], grid[0]
    return grid[place - 1], grid[place]


def draw(rng, lights, silicon):
    """Return a module, of silicon or a thin film, and a condition inside what was measured."""
    modules = [module for module in single_junction() if module.silicon == silicon]
    module = modules[rng.integers(len(modules))]
    light = float(np.exp(rng.uniform(*np.log(lights))))
    known = temperatures(module, *_around(light, np.unique(module.rows.irradiance)))
    return module, light, rng.uniform(known[0], known[-1])


def bench(seed, lights, care, silicon=True, thin=False):
    """Return the verdicts on a single reading and on a table of three, by the module's STC row.

    The reading is the maximum power; the table holds short circuit, maximum power and open circuit.
    A ``thin`` datasheet has power, cells and technology alone.
    """
    rng = np.random.default_rng(seed)
    module, light, celsius = draw(rng, lights, silicon)
    panel = Measured(module)
    there = sound.true_condition(light, celsius, care, rng)
    figures = panel.ends(1000.0, 25.0)
    coefficients = tuple(module.coefficients().values())
    try:
        sheet = sound.label(
            sound.off_by_tolerance(figures, care, rng),
            coefficients,
            module.cells,
            care,
            thin,
            module.kind,
        )
        setting = sound.stated(sheet, light, celsius, care)
    except sound.IvkitError:
        return dict.fromkeys(sound.LEVEL, (sound.REFUSED, np.nan))
    kinds = {"single": sound.at_maximum, "table": _three}
    return {
        name: sound.tried(lambda read=read: sound.verdict(setting, read(panel, *there, care, rng)))
        for name, read in kinds.items()
    }


def _three(panel, light, celsius, care, rng):
    """Return short circuit, maximum power and open circuit as a table."""
    i_sc, v_oc, v_mp, i_mp = panel.ends(light, celsius)
    (v, step_v), (i, step_i) = (
        sound.written(x, care.u_reading, rng)
        for x in (np.array([0.0, v_mp, v_oc]), np.array([i_sc, i_mp, 0.0]))
    )
    return Readings.of(
        voltage=v,
        current=i,
        load=np.array([0.0, np.nan, np.inf]),
        u=care.u_reading,
        step={"voltage": step_v, "current": step_i},
    )
