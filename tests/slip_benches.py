"""Simulated benches with a hidden slip, or none: panels, light and readings with their errors.

The panel is a datasheet whose figures are off by their own doubt, the light and the temperature
by theirs; everything invented, the curves by De Soto's equations.
"""

import numpy as np

from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.verdict.plausibility import Readings, Scene, Setting
from ivkit.verdict.slips import SLIPS

SHEET = make_datasheet(
    SheetFile(
        cells=36,
        area_cm2=810,
        isc_A=0.63,
        voc_V=21.8,
        imp_A=0.57,
        vmp_V=17.6,
        pmp_W=10.0,
        isc_tolerance_pct=3,
        voc_tolerance_pct=2,
        pmp_tolerance_pct=4,
        alpha_isc_pct_per_K=0.05,
        beta_voc_pct_per_K=-0.33,
    )
)


def bench(seed, slip=None):
    """Return a scene whose readings hold a slip of `SLIPS`, or none; and the slip's name."""
    rng = np.random.default_rng(seed)
    irradiance = float(np.exp(rng.uniform(np.log(150), np.log(900))))
    best = 31.0 * 1000.0 / irradiance
    count = int(rng.integers(4, 9))
    load = best * np.geomspace(0.15, 6.0, count)
    angle = np.zeros(count)
    if rng.random() < 0.5 or (slip is not None and slip.name.startswith("angle")):
        angle = rng.choice([0.0, 20.0, 35.0, 60.0], count)
        angle[:2] = (0.0, 60.0)
    setting = Setting(SHEET, irradiance, 0.05 * irradiance, 30.0, 3.0)
    blank = Readings(load, angle, np.ones(count), np.ones(count), None, 0.02)
    # The truth: the same setting with everything off by its own doubt.
    shifts = {name: float(rng.standard_normal()) for name in SHEET.sources}
    true_light = irradiance * (1 + 0.05 * rng.standard_normal())
    true = Setting(_Shifted(shifts), true_light, 0.0, 30.0 + 3.0 * rng.standard_normal(), 0.0)
    scene = Scene(true, blank)
    if slip is None:
        written = scene.expect()
    else:
        options = list(slip.apply(scene))
        written = options[int(rng.integers(len(options)))]
    noise = 1 + 0.02 * rng.standard_normal((2, count))
    read = Readings(
        load, angle, written["voltage"] * noise[0], written["current"] * noise[1], None, 0.02
    )
    return Scene(setting, read)


class _Shifted:
    """The datasheet's panel, off by so many standard uncertainties of each source."""

    def __init__(self, shifts):
        self._panel = SHEET.panel(shifts)
        self.sources = {}
        self.iam, self.cells = SHEET.iam, SHEET.cells
        self.bypass_groups, self.kind = SHEET.bypass_groups, SHEET.kind

    def panel(self, shifts=None):
        return self._panel


def usable():
    """Return the slips that readings of voltage and current at stated loads can show."""
    return [s for s in SLIPS if s.name != "load far from the knee taken for maximum power"]
