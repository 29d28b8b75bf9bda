"""Conformity with a guard band, against JCGM 106:2012."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

from ivkit.verdict.promise import keeps_promise, normalised_error


# A guard band w = r U, U = 2u: risk at the acceptance limit (JCGM 106:2012, Gaussian).
@pytest.mark.parametrize(
    ("r", "risk"), [(0.0, 0.50), (0.5, 0.1587), (1.0, 0.02275), (0.8224, 0.05)]
)
def test_risk_of_accepting_in_error_at_the_acceptance_limit(r, risk):
    u, low = 0.02, 9.5
    at_limit = ufloat(low + r * 2 * u, u)
    found = keeps_promise(at_limit, 10.0, 0.05, r)
    assert found.low == pytest.approx(9.5)
    assert found.guard == pytest.approx(2 * r * u)
    assert 1 - found.probability == pytest.approx(risk, abs=2e-4)
    assert keeps_promise(at_limit + 1e-9, 10.0, 0.05, r).verdict == "is"
    assert r == 0 or keeps_promise(at_limit - 1e-9, 10.0, 0.05, r).verdict == "cannot tell"


@given(st.floats(5.0, 15.0), st.floats(0.01, 1.5), st.floats(0.01, 0.2))
def test_every_value_gets_the_verdict_of_its_place(value, u, tolerance):
    found = keeps_promise(ufloat(value, u), 10.0, tolerance)
    low, high = 10 * (1 - tolerance), 10 * (1 + tolerance)
    expected = "cannot tell"
    if value <= low - 2 * u:
        expected = "is not"
    elif value >= high + 2 * u:
        expected = "more"
    elif value >= low + 2 * u:
        expected = "is"
    assert found.verdict == expected
    inside = norm.cdf(high, value, u) - norm.cdf(low, value, u)
    assert found.probability == pytest.approx(inside, abs=1e-12)


def test_what_cannot_be_told_could_be_with_the_uncertainty_named():
    found = keeps_promise(ufloat(9.8, 0.4), 10.0, 0.05)
    assert found.verdict == "cannot tell"
    assert found.needed == pytest.approx(0.15)
    better = keeps_promise(ufloat(9.8, 0.999 * found.needed), 10.0, 0.05)
    assert better.verdict == "is"


def test_the_normalised_error_is_that_of_iso_13528():
    # (x - X) / sqrt(U_x^2 + U_X^2), U = 2 u.
    assert normalised_error(ufloat(10.3, 0.2), ufloat(10.0, 0.1)) == pytest.approx(
        0.3 / (2 * 0.05**0.5)
    )
    scale = ufloat(1.0, 0.1)
    assert normalised_error(10.3 * scale + ufloat(0, 0.2), 10.0 * scale) == pytest.approx(
        0.3 / (2 * (0.2**2 + 0.03**2) ** 0.5)
    )
