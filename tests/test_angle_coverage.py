"""Intervals of zero, stray light and light hold the truth as often as they say.

The tables are made by `tests.turned_panels`: pvlib's solver, light in closed form, and the doubts
that all readings of a table share drawn as well. Seeds below 1,000 were looked at while this was
built; those scored here were not.
"""

import numpy as np
import pytest

from ivkit.light.glass import PLAIN
from ivkit.predict.estimate import estimate
from tests.measured_glass import MEASURED, curve_of
from tests.turned_panels import BOTH, NEAR, ONE, PARALLEL, U_ANGLE, U_CURVE, known, table

LOADS = {PARALLEL: (60.0, 220.0, 600.0), NEAR: (20.0, 75.0, 200.0)}
TABLES = 100_000
FREE = ("light", "zero", "stray")


def _covered(make, seeds, readings, front=None, fronts=(None,), scale=BOTH):
    """Return how often each interval holds the truth, and how often the readings agree.

    ``front`` is what the fit takes the glass for, ``fronts`` are what it is by turns.
    """
    scene = known(make, front, light=1.0)
    inside, agreed = np.zeros(3), 0
    for seed in seeds:
        glass = fronts[(seed // 3) % len(fronts)]
        load = LOADS[make][seed % 3]
        told, truth = table(make, seed, load, readings, front=glass, scale=scale)
        found = estimate(scene, told, FREE, u_angle=U_ANGLE)
        agreed += found.agrees
        ends = (found.intervals[name] for name in FREE)
        inside += [low <= true <= high for (low, high), true in zip(ends, truth, strict=True)]
    return inside / len(seeds), agreed / len(seeds)


def _wide(share, count):
    """Return 2.6 standard deviations of a share of ``count`` tables: 99 % of a binomial."""
    return 2.6 * np.sqrt(share * (1.0 - share) / count)


@pytest.mark.parametrize(
    ("make", "count", "readings"),
    [
        pytest.param(PARALLEL, 100, 15, id="parallel-100"),
        pytest.param(NEAR, 20, 11, id="near-20"),
        pytest.param(PARALLEL, 1000, 15, marks=pytest.mark.long, id="parallel-1000"),
        pytest.param(NEAR, 300, 11, marks=pytest.mark.long, id="near-300"),
    ],
)
def test_intervals_hold_the_truth_in_95_of_100_tables(make, count, readings):
    # To be shown: 93 to 97.5 %, told from outside by 2.6 standard deviations of the binomial.
    inside, agreed = _covered(make, range(TABLES, TABLES + count), readings)
    assert np.all(inside >= 0.93 - _wide(0.93, count)), inside
    assert np.all(inside <= 0.975 + _wide(0.975, count)), inside
    # One level a table: 2 % of sound ones are beyond the limit of chi-square.
    assert agreed >= 0.98 - _wide(0.98, count)


@pytest.mark.parametrize(
    ("make", "count", "scale"),
    [
        pytest.param(PARALLEL, 72, BOTH, id="both-sides-72"),
        pytest.param(PARALLEL, 72, ONE, id="one-side-72"),
        pytest.param(PARALLEL, 500, BOTH, marks=pytest.mark.long, id="both-sides-500"),
        pytest.param(PARALLEL, 500, ONE, marks=pytest.mark.long, id="one-side-500"),
        pytest.param(NEAR, 120, BOTH, marks=pytest.mark.long, id="near-120"),
    ],
)
def test_intervals_hold_the_truth_behind_measured_fronts(make, count, scale):
    # Fronts by turns, as measured and interpolated (tests/measured_glass.py): not of the form that
    # is fitted. 93 to 97 % are asked for, and no more than 1 % of sound tables called wrong beyond
    # the 2 % that are due; told from outside by 2.6 standard deviations of the binomial.
    fronts = [curve_of(name) for name in MEASURED]
    seeds = range(4 * TABLES, 4 * TABLES + count)
    inside, agreed = _covered(make, seeds, 15, PLAIN, fronts, scale)
    assert np.all(inside >= 0.93 - _wide(0.93, count)), inside
    assert np.all(inside <= 0.97 + _wide(0.97, count)), inside
    assert agreed >= 0.97 - _wide(0.97, count)


@pytest.mark.parametrize(
    ("count", "load"),
    [(25, 220.0), *(pytest.param(200, load, marks=pytest.mark.long) for load in (60.0, 220.0))],
)
def test_light_is_not_told_from_a_roughly_known_current(monkeypatch, count, load):
    # At 220 ohm, beside the knee, both bend the curve. By what the current's doubt does on one side
    # (a chord instead of the tangent) the interval held the light in 62 % of such tables.
    monkeypatch.setitem(U_CURVE, "current", (0.15, 0.0, 0.0))
    scene = known(PARALLEL, light=1.0)
    inside = 0
    for seed in range(3 * TABLES, 3 * TABLES + count):
        told, (light, _, _) = table(PARALLEL, seed, load)
        low, high = estimate(scene, told, FREE, u_angle=U_ANGLE).intervals["light"]
        inside += low <= light <= high
    assert inside / count >= 0.93 - _wide(0.93, count)


def test_stray_light_is_seldom_found_where_there_is_none():
    # Found where the lower end of its 95 % interval is above 0: in 2.5 of 100 tables by chance.
    scene, count, found = known(PARALLEL), 100, 0
    for seed in range(2 * TABLES, 2 * TABLES + count):
        told, _ = table(PARALLEL, seed, LOADS[PARALLEL][seed % 3], stray=0.0)
        found += "stray" not in estimate(scene, told, FREE, u_angle=U_ANGLE).unresolved
    assert found / count <= 0.025 + _wide(0.025, count)
