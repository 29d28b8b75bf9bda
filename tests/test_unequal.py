"""A sweep in a near lamp's unequal light: what its cells are, and whether its curve shows it."""

from dataclasses import replace

import numpy as np
import pytest

from ivkit.curve.fit import fit
from ivkit.panel.cells import cells_under
from ivkit.panel.law import LAW
from ivkit.panel.measured_panel import measured_panel
from ivkit.panel.unequal import in_unequal_light
from ivkit.predict.scene import At
from ivkit.readings.sweep import Condition, Sweep
from tests.turned_panels import CELSIUS, EXPONENT, NEAR, Make, known, voltages

# Light of each cell at 0, 30 and 60 deg over that of the middle, behind the truth's glass.
LIGHT = known(NEAR, light=1.0).cells_light(At.of(angle=[0, 30, 60]))
FRACTIONS = dict(zip((0, 30, 60), LIGHT, strict=True))
LOADS = np.array(
    [0.01, *np.geomspace(2.0, 40.0, 9), *np.linspace(45.0, 120.0, 14), 150, 230, 560, 1e6]
)


def _swept(make, noise=0.0005):
    """Return the fit of a sweep facing the light: 140 W/m2 in the middle, of pvlib's solver."""
    v = np.array([voltages(make, [0.0], 140.0, 0.0, load)[0] for load in LOADS])
    i = v / LOADS
    scatter = np.random.RandomState(3).standard_normal((2, len(v)))
    sweep = Sweep(
        v * (1 + noise * scatter[0]),
        i * (1 + noise * scatter[1]),
        noise * v + 1e-5,
        noise * i + 1e-6,
        condition=Condition(140.0, CELSIUS, 1e-6, 1.0),
        cells=12,
        name="swept",
    )
    return fit(sweep)


def _by_de_soto(found):
    """Return the panel of a sweep with the truth's own law, so that only the cells are compared."""
    panel = measured_panel(found)
    law = dict.fromkeys(LAW[4:], 0.0) | {"shunt_exponent": 1.0, "shunt_exponent_low": EXPONENT}
    return replace(panel, estimates=np.append(panel.estimates[:11], [*law.values()]))


def test_the_cells_of_an_unequally_lit_sweep_give_the_turned_panels_power():
    found = _swept(NEAR)
    unequal = in_unequal_light(_by_de_soto(found), found, FRACTIONS[0])
    assert unequal.seen is True
    assert unequal.chi_square < unequal.chi_square_even
    panel = unequal.panel.panel()
    even = _by_de_soto(found).panel()
    for degrees in (0, 30, 60):
        light = 140.0 * FRACTIONS[degrees]
        for load in (20.0, 75.0, 200.0):
            true = voltages(NEAR, [degrees], 140.0, 0.0, load)[0]
            ours = cells_under(panel, light, CELSIUS).operating_point(load)
            # The noise of 0.05 % and what glass does across a cell are 0.6 % together.
            assert ours.voltage == pytest.approx(true, rel=6e-3), (degrees, load)
    # The one curve of even light would be further off than that, facing the lamp already.
    true = voltages(NEAR, [0.0], 140.0, 0.0, 20.0)[0]
    blunt = cells_under(even, 140.0 * FRACTIONS[0], CELSIUS)
    assert abs(blunt.operating_point(20.0).voltage - true) > 0.012 * true


def test_an_evenly_lit_sweep_is_seen_to_be_one():
    found = _swept(Make(12))
    unequal = in_unequal_light(measured_panel(found), found, FRACTIONS[0])
    assert unequal.seen is False


def test_a_noisy_sweep_cannot_tell():
    found = _swept(NEAR, 0.02)
    unequal = in_unequal_light(measured_panel(found), found, FRACTIONS[0])
    assert unequal.seen is None
