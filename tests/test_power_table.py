"""The table of powers against the diode equation solved at each condition itself."""

import numpy as np
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError
from ivkit.panel.power_table import PowerTable


class JettyPanel:
    """An invented 10 W panel of 36 cells, moved to a condition by De Soto et al. (2006)."""

    def at(self, effective_irradiance, temp_cell):
        il, i0, rs, rsh, a = pvlib.pvsystem.calcparams_desoto(
            effective_irradiance, temp_cell, 0.0003, 1.0175, 0.605, 3.9e-10, 620.0, 1.7
        )
        return SingleDiode(il, i0, rs, rsh, a)


@pytest.mark.parametrize("load", [3.3, 33.0, 330.0])
def test_the_power_table_is_the_full_solution_to_a_ten_thousandth(load):
    # Against the diode equation solved at each condition itself.
    rng = np.random.default_rng(5)
    table = PowerTable.of(JettyPanel(), load, brightest=1500, coldest=-30, hottest=90)
    light = np.exp(rng.uniform(np.log(0.1), np.log(1500), 20000))
    cells = rng.uniform(-30, 90, 20000)
    curves = JettyPanel().at(light, cells)
    greatest, loaded = table.look_up(light, cells)
    assert np.max(np.abs(greatest / curves.key_points().p_mp - 1)) < 1e-4
    assert np.max(np.abs(loaded / curves.operating_point(load).power - 1)) < 1e-4


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.floats(0.05, 9.5), st.floats(18, 80), st.floats(0.0, 0.03), st.floats(0.05, 8))
def test_any_panel_s_power_table_is_good_to_a_ten_thousandth(isc, cells, loss, load_ratio):
    """Currents, cells, series loss as a share of Voc/Isc, load as a multiple of the best."""
    a = cells * 0.0283
    voc = 0.6 * cells
    rs = loss * voc / isc
    i0 = isc * np.exp(-voc / a)

    class Panel:
        def at(self, effective_irradiance, temp_cell):
            return SingleDiode(
                *pvlib.pvsystem.calcparams_desoto(
                    effective_irradiance, temp_cell, 5e-4 * isc, a, isc, i0, 200 * voc / isc, rs
                )
            )

    load = load_ratio * voc / isc
    table = PowerTable.of(Panel(), load, brightest=1400, coldest=-20, hottest=80)
    rng = np.random.default_rng(1)
    light, hot = np.exp(rng.uniform(np.log(0.5), np.log(1400), 500)), rng.uniform(-20, 80, 500)
    curves = Panel().at(light, hot)
    greatest, loaded = table.look_up(light, hot)
    assert np.max(np.abs(greatest / curves.key_points().p_mp - 1)) < 1e-4
    assert np.max(np.abs(loaded / curves.operating_point(load).power - 1)) < 1e-4


def test_the_dark_gives_nothing_and_the_table_ends_where_it_ends():
    table = PowerTable.of(JettyPanel(), brightest=1000, coldest=0, hottest=50)
    power, none = table.look_up(np.array([0.0, 0.05, -1.0]), np.full(3, 20.0))
    assert np.all(power == 0)
    assert none is None
    with pytest.raises(RangeError, match="1200 W/m2 is beyond the table of powers, 1000 W/m2"):
        table.look_up(np.array([1200.0]), np.array([20.0]))
    with pytest.raises(RangeError, match="-5 degC is beyond the table of powers, 0 to 50 degC"):
        table.look_up(np.array([800.0]), np.array([-5.0]))


@pytest.mark.parametrize("load", [0.0, -5.0, np.inf, np.nan])
def test_a_load_that_takes_no_power_is_refused(load):
    with pytest.raises(RangeError, match="ohm takes no power; give it in ohm, above 0"):
        PowerTable.of(JettyPanel(), load)


def test_a_panel_that_gives_nothing_is_refused():
    class Dead:
        def at(self, effective_irradiance, temp_cell):
            return SingleDiode(0.0 * effective_irradiance * temp_cell, 1e-9, 0.0, np.inf, 1.0)

    with pytest.raises(RangeError, match=r"gives no power somewhere between 0.1 and 1000 W/m2"):
        PowerTable.of(Dead(), brightest=1000)
