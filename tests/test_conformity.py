"""Conformity with a guard band, against JCGM 106:2012."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

from ivkit.verdict.conformity import conformity


# A guard band w = r U, U = 2u: risk at the acceptance limit (JCGM 106:2012, Gaussian).
@pytest.mark.parametrize(
    ("r", "risk"), [(0.0, 0.50), (0.5, 0.1587), (1.0, 0.02275), (0.8224, 0.05)]
)
def test_risk_of_accepting_in_error_at_the_acceptance_limit(r, risk):
    u, low = 0.02, 9.5
    at_limit = ufloat(low + r * 2 * u, u)
    found = conformity(at_limit, 10.0, 0.05, r)
    assert found.low == pytest.approx(9.5)
    assert found.guard == pytest.approx(2 * r * u)
    assert 1 - found.probability == pytest.approx(risk, abs=2e-4)
    assert conformity(at_limit + 1e-9, 10.0, 0.05, r).verdict == "conforms"
    assert r == 0 or conformity(at_limit - 1e-9, 10.0, 0.05, r).verdict == "in the guard band"


@given(st.floats(5.0, 15.0), st.floats(0.01, 1.5), st.floats(0.01, 0.2))
def test_every_value_gets_the_verdict_of_its_place(value, u, tolerance):
    found = conformity(ufloat(value, u), 10.0, tolerance)
    low, high = 10 * (1 - tolerance), 10 * (1 + tolerance)
    expected = "in the guard band"
    if value <= low - 2 * u or value >= high + 2 * u:
        expected = "does not conform"
    elif value >= low + 2 * u:
        expected = "conforms"
    assert found.verdict == expected
    assert found.above == (value >= high + 2 * u)
    inside = norm.cdf(high, value, u) - norm.cdf(low, value, u)
    assert found.probability == pytest.approx(inside, abs=1e-12)


def test_what_cannot_be_told_could_be_with_the_uncertainty_named():
    found = conformity(ufloat(9.8, 0.4), 10.0, 0.05)
    assert found.verdict == "in the guard band"
    assert found.needed == pytest.approx(0.15)
    better = conformity(ufloat(9.8, 0.999 * found.needed), 10.0, 0.05)
    assert better.verdict == "conforms"
