"""Where a log settles, what its mean is worth, and whether it hunts: against closed forms."""

import numpy as np
import pytest

from ivkit.curve.uncertainty import coverage_factor
from ivkit.errors import SweepError
from ivkit.verdict.hunting import find_swing
from ivkit.verdict.log import clean
from ivkit.verdict.pointing import FacingPower
from ivkit.verdict.settling import settle
from ivkit.verdict.steady_mean import mean_of
from ivkit.verdict.tracking import track
from tests.logs import SQUARE, noise, ramp, rising

# --- the mean of readings that are alike


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_variance_of_a_mean_is_that_of_the_closed_form(phi):
    # First-order autoregressive noise of variance 1: the variance of the mean of n is
    # (1 + phi) / (1 - phi) / n for n far above 1 / (1 - phi) (Zhang, Metrologia 43 (2006) S276).
    rng, n = np.random.default_rng(2), 4000
    squares = [mean_of(noise(rng, n, phi)).u ** 2 for _ in range(200)]
    assert np.mean(squares) == pytest.approx((1 + phi) / (1 - phi) / n, rel=0.1)


@pytest.mark.parametrize("phi", [0.0, 0.6, 0.9])
def test_interval_of_a_mean_holds_the_truth_as_often_as_it_says(phi):
    rng, inside = np.random.default_rng(3), 0
    for _ in range(1000):
        mean = mean_of(noise(rng, 1500, phi))
        inside += abs(mean.value) <= coverage_factor(mean.freedom) * mean.u
    assert 0.93 <= inside / 1000 <= 0.975


def test_mean_of_a_long_log_is_as_uncertain_as_that_of_its_groups():
    x = noise(np.random.default_rng(4), 300_000, 0.8)
    assert mean_of(x).u == pytest.approx(np.sqrt(9 / 300_000), rel=0.1)
    assert mean_of(x).n_effective == pytest.approx(300_000 / 9, rel=0.2)


def test_mean_of_equal_readings_is_uncertain_by_the_last_digit():
    # A rectangle of one step: step / sqrt(12) (GUM F.2.2.1).
    mean = mean_of(np.full(100, 0.25), step=0.001)
    assert (mean.value, mean.u) == (0.25, pytest.approx(0.001 / np.sqrt(12)))
    assert mean_of([1.0, 1.2]).u == pytest.approx(0.2)


# --- settling


def test_first_order_rise_settles_after_its_closed_form_time():
    # 1 - exp(-t/tau) is within 2 % from tau ln 50 on.
    time = 0.1 * np.arange(2000)
    power = np.where(time < 10, 0.0, 1 - np.exp(-np.clip(time - 10, 0, None) / 5.0)) + 1e-3
    found = settle(clean(time, power))
    assert time[found.leaves] == pytest.approx(10.1, abs=0.11)
    assert time[found.settled] == pytest.approx(10 + 5 * np.log(50), abs=0.3)
    assert found.overshoot == 0


@pytest.mark.parametrize("damping", [0.3, 0.5, 0.7])
def test_overshoot_is_that_of_a_second_order_step(damping):
    # exp(-pi z / sqrt(1 - z^2)), the textbook step response.
    time = 0.05 * np.arange(3000)
    t = np.clip(time - 10, 0, None)
    ringing = np.sqrt(1 - damping**2)
    step = 1 - np.exp(-damping * t) * np.sin(ringing * t + np.arccos(damping)) / ringing
    power = 0.01 + np.where(time < 10, 0, step)
    found = settle(clean(time, power))
    assert found.overshoot == pytest.approx(np.exp(-np.pi * damping / ringing), abs=2e-3)


@pytest.mark.parametrize("part", ["a shadow over a fifth of it", "a shadow to its end", "a drift"])
def test_steady_state_is_found_whatever_breaks_into_it(part):
    time, power = rising()
    if part == "a shadow over a fifth of it":
        power[800:1020] *= 0.4
    elif part == "a shadow to its end":
        power[1000:] *= 0.4
    else:
        power *= 1 - 0.05 * time / time[-1]
    found = track(clean(time, power))
    assert time[found.settling.leaves] == pytest.approx(31, abs=2)
    assert time[found.settling.settled] == pytest.approx(47.5, abs=2)
    expected = 0.5 * (1 - 0.05 * 0.54) if part == "a drift" else 0.5
    assert found.steady.value == pytest.approx(expected, abs=5e-4 if part != "a drift" else 2e-3)


def test_a_log_that_starts_moving_says_so_and_one_that_never_moves_too():
    time, power = rising(start=-2.0)
    found = track(clean(time, power))
    assert found.starts_moving
    assert found.acquire == pytest.approx(16, abs=1.5)
    time, power = rising(start=-100.0)
    found = track(clean(time, power))
    assert (found.acquire, found.first, found.rise) == (None, None, None)
    assert found.energy.stayed is None


@pytest.mark.parametrize(
    ("n", "start", "lasts"), [(90, 30.0, 30.0), (130, 10.0, 120.0), (100, 20.0, 45.0)]
)
def test_a_log_shorter_than_the_settling_time_is_refused(n, start, lasts):
    with pytest.raises(
        SweepError, match=r"shorter than the settling time|record until it has settled"
    ):
        track(clean(*rising(n, start=start, lasts=lasts)))


def test_an_exponential_cut_short_is_refused_with_what_is_missing():
    time = 0.5 * np.arange(300)
    power = 0.005 + 0.5 * (1 - np.exp(-time / 100)) + 1e-3 * np.cos(time**2)
    with pytest.raises(SweepError, match="still changes by"):
        track(clean(time, power))


def test_power_that_only_wanders_has_no_steady_state():
    time = np.arange(2000.0)
    power = 0.5 + 0.3 * np.sin(time / 700.0 + 0.5) + 0.2 * np.sin(time / 290)
    with pytest.raises(SweepError, match=r"never holds still.*it wanders by"):
        track(clean(time, power))


# --- hunting


def test_hunting_has_its_period_and_its_swing():
    rng = np.random.default_rng(7)
    pulls_size, pulls_period = [], []
    for _ in range(200):
        time = 0.5 * np.arange(1000)
        period = rng.uniform(3, 20)
        signal = np.sin(2 * np.pi * time / period + rng.uniform(0, 6)) + rng.normal(size=1000)
        found = find_swing(time, signal)
        pulls_size.append((found.size - 2.0) / found.u)
        pulls_period.append((found.period - period) / found.u_period)
    # Within its own uncertainty: unit pulls, as the bound of Rife and Boorstyn (1974) gives.
    assert abs(np.mean(pulls_size)) < 0.25
    assert 0.8 < np.std(pulls_size) < 1.25
    assert abs(np.mean(pulls_period)) < 0.25
    assert 0.8 < np.std(pulls_period) < 1.25


@pytest.mark.parametrize("phi", [0.0, 0.9, 0.98])
def test_noise_is_no_hunting(phi):
    rng = np.random.default_rng(8)
    time = np.arange(600.0)
    alarms = sum(find_swing(time, noise(rng, 600, phi)) is not None for _ in range(300))
    assert alarms <= 3


def test_hunting_with_a_period_that_wanders_still_has_its_swing():
    rng = np.random.default_rng(9)
    time = 0.1 * np.arange(20_000)
    rate = 0.2 + 0.02 * np.repeat(rng.normal(size=200), 100)
    signal = np.sin(2 * np.pi * np.cumsum(0.1 * rate)) + 0.2 * rng.normal(size=20_000)
    found = find_swing(time, signal)
    assert not found.coherent
    assert found.period == pytest.approx(5.0, rel=0.05)
    assert found.size == pytest.approx(2.0, rel=0.1)


def test_hunting_survives_a_gap_and_hundreds_of_thousands_of_readings():
    time = np.concatenate([np.arange(0, 300, 0.5), np.arange(360, 700, 0.5)])
    signal = 0.2 * np.sin(2 * np.pi * time / 7) + 0.02 * np.random.default_rng(1).normal(
        size=time.size
    )
    found = find_swing(time, signal)
    assert (found.period, found.size) == (pytest.approx(7, rel=1e-3), pytest.approx(0.4, rel=0.02))
    time = 0.01 * np.arange(400_000)
    rng = np.random.default_rng(2)
    for period in (0.05, 90.0):
        found = find_swing(time, np.sin(2 * np.pi * time / period) + rng.normal(size=time.size))
        assert found.period == pytest.approx(period, rel=1e-3)
        assert found.size == pytest.approx(2.0, rel=0.05)
    assert find_swing(np.arange(30.0), np.sin(np.arange(30.0))) is None
    assert find_swing(np.arange(100.0), np.ones(100)) is None


def test_swing_in_degrees_is_what_the_law_makes_of_it():
    time = 0.25 * np.arange(2000)
    aoi = 12 + 4 * np.sin(2 * np.pi * time / 8)
    power = 0.5 * np.cos(np.radians(aoi)) ** 2
    power += 1e-4 * np.random.default_rng(10).normal(size=2000)
    found = track(clean(time, power, {"angle": aoi}), SQUARE, FacingPower(0.5, 1e-4)).hunting
    assert found.degrees == (pytest.approx(8, abs=0.3), pytest.approx(16, abs=0.3))
    assert found.moves
    assert found.measured_degrees == pytest.approx(8, abs=0.2)
    assert not found.at_most
    # Without a facing power the watts mean 8 deg at most: the law is flattest where it faces.
    free = track(clean(time, power), SQUARE).hunting
    assert free.at_most
    assert free.degrees[1] - free.degrees[0] > 8
    assert free.moves is None


def test_a_swing_with_a_drive_that_stands_still_is_flicker():
    time, power = rising(4000, 0.1)
    power *= 1 + 0.03 * np.sin(2 * np.pi * time / 1.7)
    pan = np.round(80 * (1 - ramp(time, 30, 20)), 1)
    found = track(clean(time, power, {"pan": pan}))
    assert found.hunting.swing.period == pytest.approx(1.7, rel=1e-3)
    assert found.hunting.moves is False
