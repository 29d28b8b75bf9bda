"""Even light in place of a string's unequal light, against what limits a string."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ivkit.light.incidence import beam_on_plane
from ivkit.panel.cells import usual_face
from ivkit.panel.datasheet import load_datasheet
from ivkit.verdict.near_turn import near_share
from ivkit.verdict.turned import Turned, near_lamp

SHEET = load_datasheet(Path(__file__).parent.parent / "datasheets" / "jetty_10W.toml")
ANGLES = np.array([0.0, 20.0, 45.0, 70.0])


def under(distance):
    near = near_lamp(usual_face(SHEET), distance, iam=SHEET.iam)
    return Turned(SHEET.panel(), 33.0, SHEET.iam, near, 0)


@pytest.mark.parametrize("load", [0.0, 47.0, 220.0, np.inf, np.nan])
def test_a_far_lamp_is_parallel_light(load):
    share = near_share(under(60.0), ANGLES, 140.0, 0.0, np.full(4, load))
    # The panel is 0.4 m wide at most: its far edge is 0.3 % farther off, and gets 0.7 % less.
    np.testing.assert_allclose(share, 1.0, atol=0.01)


def test_the_darkest_cell_limits_the_short_circuit():
    # Cells in series without bypass diodes carry one current, the darkest one's, if no cell lets
    # current through in reverse: the shunt is taken away. Closed form: the smallest light.
    near = under(0.8)
    no_shunt = replace(near, panel=replace(near.panel, resistance_shunt=1e9))
    share = near_share(no_shunt, ANGLES, 140.0, 0.0, np.zeros(4))
    least = np.array([near.near[int(a) + 90].min() for a in ANGLES])
    expected = least / least[0] / beam_on_plane(ANGLES, SHEET.iam)
    np.testing.assert_allclose(share, expected, rtol=0.01)
    assert share[2] < 0.9


@pytest.mark.parametrize("load", [47.0, 220.0, np.nan])
def test_the_even_light_gives_what_the_string_gives(load):
    near, even = under(0.8), replace(under(0.8), near=None)
    share = near_share(near, ANGLES, 140.0, 0.03, np.full(4, load))
    facing = _even_facing(near, even, load)
    for angle, part in zip(ANGLES, share, strict=True):
        light = facing * beam_on_plane(angle, SHEET.iam, 0.03) * part
        v, i = even.operate(0.0, light, 0.0, load)
        expected = np.prod(near.operate(angle, 140.0, 0.03, load))
        assert v * i == pytest.approx(expected, rel=1e-6)


def _even_facing(near, even, load):
    """Return the even light that facing the lamp is worth, by bisection of the power."""
    sought = np.prod(near.operate(0.0, 140.0, 0.03, load))
    low, high = 1.0, 1000.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        over = np.prod(even.operate(0.0, middle, 0.0, load)) > sought
        low, high = (low, middle) if over else (middle, high)
    return middle
