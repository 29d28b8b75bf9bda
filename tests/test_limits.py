"""Hard limits against published ones: detailed balance, records, skies."""

import numpy as np
import pytest
from pvlib.spectrum import get_reference_spectra
from scipy.constants import c, e, h, k
from scipy.integrate import quad

from ivkit.verdict.limits import DETAILED_BALANCE, at_a_cloud_edge, broken_limits


@pytest.mark.parametrize("gap", DETAILED_BALANCE)
def test_the_table_is_detailed_balance_of_am15g(gap):
    # Shockley and Queisser, J. Appl. Phys. 32 (1961) 510, doi:10.1063/1.1736034: every photon above
    # the gap gives one electron; what the cell radiates at 298.15 K is its only loss.
    spectrum = get_reference_spectra(standard="ASTM G173-03")["global"]
    nm, watts = spectrum.index.to_numpy(), spectrum.to_numpy()
    edge = h * c / (gap * e) * 1e9
    used = nm <= edge
    grid = np.append(nm[used], edge)
    photons = np.append(watts[used], np.interp(edge, nm, watts)) * grid * 1e-9 / (h * c)
    j_sc = e * np.trapezoid(photons, grid)
    kt = k * 298.15 / e
    inside, _ = quad(lambda x: x**2 / np.expm1(x), gap / kt, gap / kt + 60)
    j_0 = 2 * np.pi * e * (kt * e) ** 3 / (h**3 * c**2) * inside
    v_oc = kt * np.log1p(j_sc / j_0)
    v = np.linspace(0.6 * v_oc, v_oc, 20_001)
    best = np.max(v * (j_sc - j_0 * np.expm1(v / kt))) / 1000.0
    assert DETAILED_BALANCE[gap] == pytest.approx((j_sc, v_oc, best), rel=2e-3)


def test_the_best_gap_is_the_published_one():
    # Ruehle, Solar Energy 130 (2016) 139: 33.77 % at 1.34 eV.
    assert DETAILED_BALANCE[1.34][2] == pytest.approx(0.3377, abs=2e-4)


@pytest.mark.parametrize(
    ("gap", "efficiency", "v_oc", "j_sc"),
    # Green et al., solar cell efficiency tables: records of c-Si, CIGS, CdTe and a-Si.
    [
        (1.12, 0.267, 0.738, 426.5),
        (1.15, 0.2335, 0.734, 395.8),
        (1.45, 0.210, 0.876, 302.5),
        (1.75, 0.102, 0.896, 163.6),
    ],
)
def test_no_record_cell_is_called_impossible_and_a_third_more_is(gap, efficiency, v_oc, j_sc):
    area = 0.01
    one = {"irradiance": 1000.0, "area_m2": area, "cells": 1, "band_gap": gap}
    power, current = efficiency * 1000.0 * area, j_sc * area
    assert broken_limits(power=power, voltage=v_oc, current=current, **one) == []
    limit = DETAILED_BALANCE[gap]
    (broken,) = broken_limits(power=1.01 * limit[2] * 1000.0 * area, **one)
    assert broken.name == "power"
    (broken,) = broken_limits(voltage=limit[1] + 0.11, **one)
    assert broken.name == "voltage"
    (broken,) = broken_limits(current=1.03 * limit[0] * area, **one)
    assert broken.name == "current"


def test_current_is_of_the_area_of_one_cell_and_of_all_strings():
    # 72 cells of 156 mm, area 1.752 m2: at most 438.1 A/m2 x 0.02433 m2 = 10.66 A in one string.
    one = {"irradiance": 1000.0, "area_m2": 72 * 0.156**2, "cells": 72}
    assert broken_limits(current=10.6, **one) == []
    assert broken_limits(current=11.0, **one)
    two = one | {"cells": 36, "strings": 2}
    assert broken_limits(current=21.2, **two) == []
    assert broken_limits(current=22.0, **two)


def test_the_message_says_impossible():
    assert broken_limits(power=16.0, irradiance=1000.0, area_m2=0.05) == []
    (limit,) = broken_limits(power=17.0, irradiance=1000.0, area_m2=0.05)
    assert str(limit).startswith("impossible: power is 17 W")


def test_a_cloud_edge_is_possible_and_two_kilowatts_are_not():
    # Yordanov et al., IEEE J. Photovolt. 3 (2013) 271: 1413 and 1528 W/m2 in southern Norway, above
    # 1800 near the equator.
    for seen in (1413.0, 1528.0, 1800.0):
        assert broken_limits(irradiance=seen, outdoors=True) == []
        assert at_a_cloud_edge(seen)
    assert broken_limits(irradiance=2100.0, outdoors=True)
    assert broken_limits(irradiance=2100.0) == []  # a lamp can
    # What is stated counts for the sky, not the most that it may have been.
    assert broken_limits(irradiance=2100.0, stated_irradiance=1900.0, outdoors=True) == []
    assert not at_a_cloud_edge(1100.0)
