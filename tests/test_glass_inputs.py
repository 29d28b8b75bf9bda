"""Every command that turns a panel is uncertain by the two input quantities of its glass.

What is expected of a short-circuited panel far below the knee is in proportion to the light
(IEC 60904-10), so one standard uncertainty moves it as it moves the light behind the glass.
"""

from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from ivkit.light.glass import GRAZING, LOSS, PLAIN, off
from ivkit.light.lamp_shape import Point
from ivkit.light.panel_face import Placement
from ivkit.light.strength import Strength
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.predict.facing import Facing
from ivkit.predict.near import lamp_over
from ivkit.predict.prediction import predict
from ivkit.predict.scene import At, Mount, Scene
from tests.logs import PANEL, own

BOTH = (LOSS, GRAZING)
FIGURES = {"cells": 36, "isc_A": 0.63, "voc_V": 21.8, "imp_A": 0.57, "vmp_V": 17.6}
SHEET = make_datasheet(SheetFile(**FIGURES))
BARE = make_datasheet(SheetFile(**FIGURES, glass="none"))
EXACT = replace(PLAIN, u_a_r=0.0, u_g=0.0)
ANGLES = np.array([0.0, 45.0, 75.0, -75.0])


def moved(name, angles=ANGLES, by=1.0):
    """Return what one standard uncertainty does to the light behind the glass, a logarithm."""
    return np.log(off(PLAIN, name, by)(angles) / PLAIN(angles))


def half(name, angles=ANGLES):
    """Return half of what is between one standard uncertainty up and down, over the middle."""
    return 0.5 * (np.exp(moved(name, angles)) - np.exp(moved(name, angles, -1.0)))


def moves(sheet, light, name, angle=ANGLES):
    """Return what one standard uncertainty of the glass does to Isc, a logarithm."""
    scene = Scene(sheet, light, mount=Mount(0.0, 0.0))
    at = At.of(load=0.0, angle=angle)
    found = predict(scene, at, ends=True)["i_sc"]
    return found.moves[scene.names.index(name)] / scene.solve(at, ends=True)["i_sc"][0]


@pytest.mark.parametrize("name", BOTH)
@pytest.mark.parametrize("light", ["sun", "lamp"])
def test_a_prediction_moves_with_the_light_behind_the_glass(name, light):
    made = Facing(800.0)
    if light == "lamp":  # far away, so that all cells have one angle
        strength = Strength("cell", ufloat(300.0, 3.0, "reading"), "W_m2", read_at=Placement(50.0))
        made, _ = lamp_over(SHEET, strength, Point(), 50.0)
    found = moves(SHEET, made, name)
    assert found == pytest.approx(half(name), abs=2e-4)
    assert found[0] == pytest.approx(0.0, abs=1e-9)
    assert set(BOTH).isdisjoint(Scene(BARE, made).names)


@pytest.mark.parametrize("name", BOTH)
def test_glass_that_darkens_a_tilted_lamp_darkens_it_further_round(name):
    # The light facing the lamp is known as so much per front: one cause, not two that are alike.
    found = moves(SHEET, Facing(800.0, {name: 0.01}), name)
    assert found == pytest.approx(0.01 + half(name), abs=5e-4)


def test_track_moves_with_the_light_behind_the_glass():
    # Below the knee the power goes as the square of the light; half of what is between one
    # standard uncertainty up and down.
    law = own(PANEL, 1.0)
    for name in BOTH:
        up, down = (np.exp(2.0 * moved(name, ANGLES, by)) for by in (1.0, -1.0))
        middle = law.at(ANGLES)
        exact = 0.5 * (up - down) * np.array([own(PANEL, 1.0, glass=EXACT).at(a) for a in ANGLES])
        assert law.shift_at(ANGLES)[name] / middle == pytest.approx(exact / middle, abs=1e-3)
    assert set(BOTH).isdisjoint(own(PANEL, 1.0, glass=BARE.iam).shifts)
