"""27 kinds of broken sweep and a thousand sound ones: the right fault is named, and no other.

A kind counts as named when one of the names in its `found_as` is among the faults that `ivkit.fit`
tells, which is what `ivkit characterize` prints. The seeds from 7,000,000 on were drawn for scoring
only: thresholds were set on others. What the project set out to reach: 95 % and 2 %.
"""

from collections import Counter

import pytest

from ivkit.curve.fault_list import LIMITS
from ivkit.curve.fit import fit
from ivkit.errors import IvkitError
from ivkit.readings.broken import BREAKS
from ivkit.readings.fault import KINDS
from tests.broken_sweeps import taken
from tests.sound_sweeps import sound

FIRST = 7_000_000
NAMED, FALSE = 0.95, 0.02


def told(sweep):
    """Return the names of the faults; what the readings do not resolve is none of theirs."""
    try:
        return [one.name for one in fit(sweep).faults if one.name not in LIMITS]
    except IvkitError as error:
        return [str(error)]


def count(each):
    """Return how many of each kind are named, and what the others were called."""
    named, called = Counter(), Counter()
    for place, (kind, broken) in enumerate(BREAKS.items(), 1):
        for k in range(each):
            names = told(taken(FIRST + 10_000 * place + k, kind))
            right = bool(set(names) & set(broken.found_as))
            named[kind] += right
            if not right:
                called[kind, tuple(names)] += 1
    return named, called


def table(named, called, each):
    lines = [f"{kind:20} {named[kind]} of {each}" for kind in BREAKS]
    return "\n".join([*lines, *(f"{n} {kind} called {name}" for (kind, name), n in called.items())])


def test_twenty_kinds_or_more_and_each_is_known():
    assert len(BREAKS) >= 20
    flags = {"short_circuit_not_reached", "open_circuit_not_reached", "noise_larger_than_stated"}
    for broken in BREAKS.values():
        assert set(broken.found_as) <= set(KINDS) | flags, broken.name


def test_a_few_of_each_kind_are_named():
    each = 3
    named, called = count(each)
    # Of 81 that are each named with 95 %, fewer than 70 would be named once in ten thousand.
    assert sum(named.values()) >= 70, table(named, called, each)


def test_sound_sweeps_give_no_false_alarm():
    false = {seed: names for seed in range(FIRST, FIRST + 100) if (names := told(sound(seed)))}
    # Of 100 at 2 %, more than 7 would be false alarms once in a thousand.
    assert len(false) <= 7, false


@pytest.mark.long
def test_fifty_of_each_kind_are_named():
    each = 50
    named, called = count(each)
    print(table(named, called, each))
    assert sum(named.values()) >= NAMED * each * len(BREAKS), table(named, called, each)


@pytest.mark.long
def test_a_thousand_sound_sweeps_give_few_false_alarms():
    false = {seed: names for seed in range(FIRST, FIRST + 1000) if (names := told(sound(seed)))}
    print(false)
    assert len(false) < FALSE * 1000, false


@pytest.mark.long
def test_sound_sweeps_on_the_benches_of_the_broken_ones_give_few_false_alarms():
    seeds = range(FIRST + 280_000, FIRST + 280_300)
    false = {seed: names for seed in seeds if (names := told(taken(seed)))}
    assert len(false) < FALSE * len(seeds), false
