"""A curve through Isc, Voc and maximum power: pvlib's module, 40 digits, the open CEC table."""

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ivkit.curve.diode import SingleDiode
from ivkit.panel.conditions import BOLTZMANN_EV, ReferencePanel
from ivkit.panel.reference import curve_through

# pvlib's own test module for fit_desoto (De Soto, Klein, Beckman, Solar Energy 80 (2006) 78); its
# answer, and a 40-digit solution, agree to 12 digits. Isc, Voc, Imp, Vmp, alpha (A/K), beta (V/K);
# IL, I0, Rs, Rsh, a.
SIXTY = (9.43, 38.3, 8.71, 31.0, 0.005658, -0.13788)
ANSWER = (9.45232448673, 3.22463495e-10, 0.297814724, 125.798773, 1.591288068)


def test_the_module_of_pvlibs_own_test_comes_out():
    isc, voc, imp, vmp, alpha, beta = SIXTY
    found = curve_through(isc, voc, imp * vmp, ANSWER[4], ANSWER[3])
    # The answer's Rs is given to 9 digits, and with it the power.
    assert found == pytest.approx(ANSWER, rel=1e-7)
    # Their condition on Voc two kelvin warmer has silicon's band gap in it, 1.121 eV: given beta,
    # it comes back.
    panel = ReferencePanel(*found, alpha_sc=alpha, EgRef=1.0).with_beta(beta / voc)
    assert float(panel.EgRef) == pytest.approx(1.121, abs=1e-6)


def lacks(five, figures):
    """Return what short circuit, open circuit and power lack, in 40 digits."""
    il, i0, rs, rsh, a = (mpmath.mpf(float(x)) for x in five)
    isc, voc, pmp = (mpmath.mpf(float(x)) for x in figures)

    def current(diode):
        return il - i0 * mpmath.expm1(diode / a) - diode / rsh

    def power(diode):
        return (diode - current(diode) * rs) * current(diode)

    def slope(diode):
        i, steep = current(diode), -i0 / a * mpmath.exp(diode / a) - 1 / rsh
        return (1 - steep * rs) * i + (diode - i * rs) * steep

    top = mpmath.findroot(slope, (isc * rs, voc), solver="bisect", maxsteps=200)
    return (current(isc * rs) / isc - 1, current(voc) / isc, power(top) / pmp - 1)


@given(
    st.floats(0.70, 0.80),
    st.floats(0.03, 0.07),
    st.floats(30.0, 300.0),
    st.floats(1e-3, 10.0),
    st.floats(0.5, 100.0),
)
def test_the_curve_has_the_figures_in_40_digits(fill, width, shunt, isc, voc):
    figures = isc, voc, fill * isc * voc
    five = curve_through(*figures, width * voc, shunt * voc / isc)
    with mpmath.workdps(40):
        for part in lacks(five, figures):
            assert abs(part) < 1e-10
    assert five[2] >= 0
    if five[2] > 0:
        # What was given stays, where a series resistance is enough to have the power.
        assert five[3:] == pytest.approx((shunt * voc / isc, width * voc), rel=1e-12)
    else:
        assert five[4] <= width * voc


def test_a_fill_factor_beyond_any_such_diode_is_not_a_number():
    # Green, Solid-State Electron. 24 (1981) 788: FF0 at v = 20 is 0.808, so 0.95 is far beyond.
    assert np.isnan(curve_through(1.0, 20.0, 0.95 * 20.0, 1.0, 1e4)[0])


def test_every_module_of_the_table_has_a_curve_with_its_rated_figures():
    from ivkit.panel.module_table import module_table

    table = module_table()
    isc, voc, imp, vmp = (
        table[name].to_numpy(dtype=float)
        for name in ("I_sc_ref", "V_oc_ref", "I_mp_ref", "V_mp_ref")
    )
    cells = table["N_s"].to_numpy(dtype=float)
    thermal = 1.24 * BOLTZMANN_EV * 298.15 * cells
    five = curve_through(isc, voc, imp * vmp, np.minimum(thermal, 0.1 * voc), 100.0 * voc / isc)
    found = np.isfinite(five[0])
    assert np.mean(found) > 0.999
    points = SingleDiode(*(x[found] for x in five)).key_points()
    assert points.i_sc == pytest.approx(isc[found], rel=1e-9)
    assert points.v_oc == pytest.approx(voc[found], rel=1e-9)
    assert points.p_mp == pytest.approx((imp * vmp)[found], rel=1e-8)
