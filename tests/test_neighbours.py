"""Strings near a string, to first order: against 40-digit arithmetic and brute force.

What the derivatives of a fit under a near lamp are made of.
"""

import mpmath
import numpy as np
import pytest
from numpy.testing import assert_allclose

from ivkit.curve.reverse import SILICON, Breakdown
from ivkit.curve.string import SeriesString
from tests.test_string import MODULE, brute_current, brute_voltage, one_shaded, string


def test_first_order_neighbours_are_the_derivatives_of_40_digit_arithmetic():
    light = one_shaded(0.5)
    ours = string(light, breakdown=None)
    step = 1e-6
    with mpmath.workdps(40):
        exact = [mpmath.mpf(x) for x in MODULE]

        def volts(i, module):
            il, i0, rs, rsh, a = module[0], module[1], *(x / 36 for x in module[2:])
            total = mpmath.mpf(0)
            for share, count in ((mpmath.mpf("0.5"), 1), (mpmath.mpf(1), 35)):
                c = (il * share + i0 - i) * rsh / a
                x = c - mpmath.lambertw(i0 * rsh / a * mpmath.exp(c)).real
                total += count * (a * x - i * rs)
            return total

        def current(module, load, fixed):
            near = float(ours.current(fixed) if load == 0 else ours.operating_point(load).current)
            return mpmath.findroot(lambda i: volts(i, module) - i * load - fixed, near)

        for load, fixed in ((31.6, 0.0), (60.0, 0.0), (0.0, 9.0), (0.0, 19.0)):
            i = float(current(exact, load, fixed))
            for k in range(5):

                def moved(x, k=k, load=load, fixed=fixed):
                    return current([*exact[:k], x * exact[k], *exact[k + 1 :]], load, fixed)

                slope = float(mpmath.diff(moved, 1, h=mpmath.mpf(10) ** -15))
                up, down = ([*MODULE] for _ in range(2))
                up[k], down[k] = up[k] * (1 + step), down[k] * (1 - step)
                both = SeriesString.together(
                    [string(light, tuple(x), breakdown=None) for x in (up, down)]
                )
                more_v, more_i = ours.shifts(i, load, both)
                assert more_i.shape == (2,)
                assert_allclose((more_i[0] - more_i[1]) / (2 * step), slope, rtol=1e-8)
                assert_allclose(more_v, load * more_i, rtol=1e-12)


@pytest.mark.parametrize("groups", [2, 3])
def test_first_order_neighbours_under_diodes_and_in_breakdown_are_those_of_brute_force(groups):
    light, step = one_shaded(0.5), 1e-4
    for breakdown in (SILICON, Breakdown(0.05, -6.0, 3.5)):
        how = {"breakdown": breakdown, "groups": groups}
        ours = string(light, bypass_groups=groups, breakdown=breakdown)
        ends = [
            string(light * (1 + x), bypass_groups=groups, breakdown=breakdown)
            for x in (step, -step)
        ]
        both = SeriesString.together(ends)
        for v in (0.0, 3.0, 9.0, 15.0, 19.0):
            up, down = (
                brute_current(v, light, module=(0.62 * (1 + x), *MODULE[1:]), **how)
                for x in (step, -step)
            )
            _, more = ours.shifts(ours.current(v), 0.0, both)
            assert_allclose(more[0] - more[1], up - down, rtol=1e-5)
        # Nothing connected: the voltage moves, no current.
        more_v, more_i = ours.shifts(0.0, np.inf, both)
        up, down = (
            brute_voltage(0.0, light, module=(0.62 * (1 + x), *MODULE[1:]), **how)
            for x in (step, -step)
        )
        assert_allclose(more_v[0] - more_v[1], up - down, rtol=1e-5)
        assert np.all(more_i == 0.0)
