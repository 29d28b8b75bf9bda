"""The engine against optima that mpmath certified; how they were made stands beside them."""

import json
from pathlib import Path

import numpy as np
import pytest

from ivkit.curve.many import fit_many

SETS = json.loads((Path(__file__).parent / "certified" / "optima.json").read_text())


def _fit(name):
    given = SETS[name]
    return fit_many(
        [given["voltage_V"]], [given["current_A"]], given["u_voltage_V"], given["u_current_A"]
    )


@pytest.mark.parametrize("name", SETS)
def test_the_cost_is_certified_to_nine_digits(name):
    assert _fit(name).cost[0] == pytest.approx(float(SETS[name]["cost"]), rel=1e-9)


@pytest.mark.parametrize("name", SETS)
def test_parameters_agree_as_far_as_the_cost_holds_them(name):
    fits, given = _fit(name), SETS[name]
    # A cost right to 1e-12 holds a parameter to a millionth of its standard uncertainty; most
    # parameters here are known to a few percent.
    assert fits.photocurrent[0] == pytest.approx(float(given["photocurrent_A"]), rel=1e-6)
    assert fits.nNsVth[0] == pytest.approx(float(given["nNsVth_V"]), rel=1e-5)
    series = float(given["resistance_series_ohm"])
    scale = np.max(given["voltage_V"]) / np.max(given["current_A"])
    assert fits.resistance_series[0] == pytest.approx(series, abs=1e-6 * scale)
    flags = fits.flags[0]
    assert ("series_resistance_at_zero" in flags) == ("Rs" in given["held_at_zero"])
    assert ("shunt_at_infinity" in flags) == ("1/Rsh" in given["held_at_zero"])


def test_the_set_has_hard_sweeps_in_it():
    assert len(SETS) == 10
    assert any(given["held_at_zero"] for given in SETS.values())
    assert min(len(given["voltage_V"]) for given in SETS.values()) == 6
