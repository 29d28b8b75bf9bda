"""Cell temperature from Voc: IEC 60904-5's worked numbers, pvlib, laboratory modules, chance."""

import numpy as np
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from ivkit.curve.uncertainty import budget
from ivkit.errors import BenchError, RangeError
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.temperature import temperature_from_voc
from ivkit.predict.change import Change
from ivkit.predict.facing import Facing
from ivkit.predict.prediction import predict
from ivkit.predict.scene import At, Scene, Warmth
from tests import laboratory

# The synthetic 36-cell module of the IEC 60891 checks, which follows De Soto's equations.
PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, 36)
STC_VOC, HOT_VOC, HOT_ISC, BETA, A = 21.571058, 20.08455396, 0.51103926, -0.0045521, 0.0489
SHEET = make_datasheet(
    SheetFile(
        technology="c-Si",
        cells=36,
        isc_A=0.62,
        voc_V=21.6,
        imp_A=0.57,
        vmp_V=17.5,
        isc_tolerance_pct=2,
        voc_tolerance_pct=1,
        alpha_isc_pct_per_K=0.05,
        beta_voc_pct_per_K=-0.32,
    )
)


class Exact:
    """A panel that is known exactly."""

    name, path, sources, bends = "exact", "", {}, {}
    varied = PANEL.each(np.atleast_1d)

    def panel(self):
        return PANEL


def line(voc, light):
    """IEC 60904-5:2011, its line through 1000 W/m2 and 25 degC, written from memory."""
    return 25.0 + (voc / STC_VOC - 1.0 - A * np.log(light / 1000.0)) / BETA


def test_the_synthetic_module_is_at_38_degC():
    # The line gives 38.0067 degC; the module was at 38.
    assert line(HOT_VOC, 820.0) == pytest.approx(38.0067, abs=1e-4)
    for known in ({"light": 820.0}, {"i_sc": HOT_ISC}):
        found = temperature_from_voc(Exact(), HOT_VOC, **known)
        assert found.nominal_value == pytest.approx(38.0, abs=1e-4)  # Voc is given to 2e-6
        assert found.nominal_value == pytest.approx(line(HOT_VOC, 820.0), abs=0.05)
        assert found.std_dev == 0.0


@given(st.floats(20.0, 1100.0), st.floats(-30.0, 90.0))
def test_pvlibs_module_is_found_at_its_temperature(light, celsius):
    five = pvlib.pvsystem.calcparams_desoto(
        light, celsius, 0.0003, 1.0175, 0.62, 3.7e-10, 900.0, 1.2, EgRef=1.121, dEgdT=-0.0002677
    )
    v_oc, i_sc = (
        pvlib.pvsystem.v_from_i(0.0, *five, method="brentq"),
        pvlib.pvsystem.i_from_v(0.0, *five, method="brentq"),
    )
    for known in ({"light": light}, {"i_sc": i_sc}):
        found = temperature_from_voc(Exact(), v_oc, **known)
        assert found.nominal_value == pytest.approx(celsius, abs=1e-4)


def test_voltage_and_light_are_carried_as_the_line_has_it():
    volts, light = ufloat(HOT_VOC, 0.02, "voltmeter"), ufloat(820.0, 30.0, "light")
    found = temperature_from_voc(Exact(), volts, light=light)
    slopes = {"voltmeter": 0.02 / STC_VOC / -BETA, "light": A * 30.0 / 820.0 / -BETA}
    # The line's a and beta are those of one condition, the curve's those of this one.
    assert found.std_dev == pytest.approx(np.hypot(*slopes.values()), rel=0.05)
    total = sum(u**2 for u in slopes.values())
    assert budget(found) == pytest.approx({n: u**2 / total for n, u in slopes.items()}, abs=0.03)


@pytest.mark.parametrize("known", ["light", "i_sc"])
def test_the_truth_lies_in_the_interval_as_often_as_stated(known):
    """Panels drawn from what the datasheet leaves open; their Voc and Isc by pvlib."""
    rng, count = np.random.default_rng(11), 200
    panels = SHEET.solved({name: rng.standard_normal(count) for name in SHEET.sources})
    light = np.exp(rng.uniform(np.log(100.0), np.log(1000.0), count))
    celsius = rng.uniform(0.0, 65.0, count)
    five = panels.at(light, celsius)
    ends = pvlib.pvsystem.singlediode(
        five.photocurrent,
        five.saturation_current,
        five.resistance_series,
        five.resistance_shunt,
        five.nNsVth,
        method="newton",
    )
    u_v, told = 0.003, {"light": (light, 0.02), "i_sc": (ends["i_sc"], 0.01)}[known]
    inside = 0
    for k in range(count):
        v_oc, by = ends["v_oc"][k], told[0][k]
        read = ufloat(v_oc * (1 + u_v * rng.standard_normal()), u_v * v_oc)
        shone = ufloat(by * (1 + told[1] * rng.standard_normal()), told[1] * by)
        found = temperature_from_voc(SHEET, read, **{known: shone})
        inside += abs(found.nominal_value - celsius[k]) < 1.96 * found.std_dev
    # 93 to 97 % of 200, widened by two binomial standard deviations (3.1) either way.
    assert 0.93 * count - 6 <= inside <= 0.97 * count + 6, inside


def test_laboratory_modules_of_silicon_tell_their_temperature():
    """NREL/TP-5200-61610: 15 to 65 degC and 100 to 1100 W/m2, by the module's own STC row."""
    for module in filter(lambda m: m.silicon, laboratory.single_junction()):
        sheet, inside, off = module.sheet(), [], []
        for row in module.rows.itertuples():
            i_sc = ufloat(row.i_sc, laboratory.U_RELATIVE["i_sc"] * row.i_sc)
            v_oc = ufloat(row.v_oc, laboratory.U_RELATIVE["v_oc"] * row.v_oc)
            found = temperature_from_voc(sheet, v_oc, i_sc=i_sc)
            off.append(found.nominal_value - row.temp_cell)
            inside.append(abs(off[-1]) < 1.96 * found.std_dev)
        assert np.mean(inside) >= 0.93, module.name
        # Voc of the law is good to 0.4 % rms (references in ivkit.panel.law), 1.3 K at -0.3 %/K.
        assert np.sqrt(np.mean(np.square(off))) < 1.3, module.name


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({}, "is not known, or told twice; give either the irradiance or the short-circuit"),
        ({"light": 800.0, "i_sc": 0.5}, "told twice"),
        ({"light": 0.0}, "irradiance of 0 W/m2"),
        ({"i_sc": ufloat(0.1, 0.2)}, "short-circuit current of 0.1 A, less one standard"),
        ({"v_oc": -20.0, "light": 800.0}, "open-circuit voltage of -20 V"),
        ({"v_oc": 30.0, "light": 800.0}, "Voc of 30 V in this light would need cells below -50"),
        ({"v_oc": 4.0, "light": 800.0}, "cells above 130 degC; check the voltage, the light"),
    ],
)
def test_figures_that_tell_no_temperature_are_refused(arguments, message):
    with pytest.raises(RangeError, match=message):
        temperature_from_voc(SHEET, arguments.pop("v_oc", 20.0), **arguments)


def test_cells_that_follow_no_single_diode_are_refused():
    sheet = make_datasheet(SheetFile(technology="tandem", cells=10, pmp_W=10.0))
    with pytest.raises(BenchError, match="follow no single diode"):
        temperature_from_voc(sheet, 10.0, light=800.0)


def test_what_made_the_temperature_uncertain_does_not_count_twice():
    # The temperature that a Voc tells gives that Voc again, whatever panel and light are: what is
    # left is the voltmeter's 0.1 %, by the definition of the temperature.
    scene = Scene(SHEET, Facing.of(800.0, 40.0), Warmth()).by_voc(ufloat(20.2, 0.0202))
    assert scene.temp_cell.from_voc.std_dev > 3 * scene.temp_cell.u
    at = At.of(load=np.inf)
    found = predict(scene, at)["voltage"]
    assert found.value[0] == pytest.approx(20.2, rel=1e-3)
    assert np.sqrt(np.sum(found.moves**2)) / 20.2 == pytest.approx(0.001, rel=0.05)
    assert "open-circuit voltage" in scene.names
    # Nor does another light than the stated one change what Voc is.
    dimmer = predict(scene, at, Change(light=0.8))
    assert dimmer.voltage[0] == pytest.approx(20.2, rel=2e-3)
