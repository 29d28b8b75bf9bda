"""Damaged files: every command answers or refuses in a line that names the file."""

import json

import pytest

from ivkit.cli import COMMANDS
from tests.fuzz.__main__ import run
from tests.fuzz.cases import CASES, sound_files
from tests.fuzz.mutations import damage

SOUND = sound_files()


def told(wrong):
    return "\n".join(json.dumps(one) for one in wrong[:10])


def test_every_command_that_reads_a_file_is_called():
    assert set(COMMANDS) - {"start"} <= {case.command for case in CASES}


def test_two_hundred_damaged_files_are_read_or_refused():
    counts, wrong = run(200, seed=1)
    assert not wrong, told(wrong)
    assert counts["trials"] == 200
    assert counts["largest_MB"] < 1024
    # Damage of so many kinds is not all refused, nor all read.
    statuses = {name.rpartition(" ")[2] for name in counts if " " in name}
    assert {"0", "2"} <= statuses <= {"0", "1", "2"}


@pytest.mark.long
def test_ten_thousand_damaged_files_are_read_or_refused():
    counts, wrong = run(10_000, seed=4)
    print(counts)
    assert not wrong, told(wrong)
    assert counts["trials"] == 10_000
    assert counts["largest_MB"] < 1024


def test_the_sound_files_are_damaged_alike_each_time_and_otherwise_each_seed():
    import numpy as np

    for name in ("volts.csv", "shed.toml"):
        one, two, other = (damage(name, SOUND[name], np.random.default_rng(s)) for s in (3, 3, 4))
        assert one == two
        assert one[0] not in (other[0], SOUND[name])
