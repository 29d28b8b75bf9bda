"""Whether the stated 95 % interval covers the truth in 95 of 100 simulated experiments."""

import pytest

from tests.experiments import INDOOR, SUN, coverage


def test_300_experiments_within_their_tolerances_are_covered():
    for name, share in coverage(SUN, 300, 1, normal=False).items():
        assert 0.93 <= share <= 0.975, f"{name} covered in {share:.1%}"


@pytest.mark.long
@pytest.mark.parametrize("set_up", [SUN, INDOOR], ids=["sun", "indoor"])
def test_4000_experiments_with_normal_errors_are_covered_in_95_of_100(set_up):
    # Standard deviation of a share of 95 % in 4000 experiments: 0.34 %.
    for name, share in coverage(set_up, 4000, 2, normal=True).items():
        assert 0.94 <= share <= 0.96, f"{name} covered in {share:.1%}"
