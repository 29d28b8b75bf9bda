"""Every command that turns a panel is uncertain by the two input quantities of its glass.

What is expected of a short-circuited panel far below the knee is in proportion to the light
(IEC 60904-10), so one standard uncertainty moves it as it moves the light behind the glass.
"""

import numpy as np
import pytest
from uncertainties import ufloat

from ivkit.curve.uncertainty import budget
from ivkit.light.glass import GRAZING, LOSS, PLAIN, off
from ivkit.light.lamp_shape import Point
from ivkit.panel.datasheet import make_datasheet
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.under_lamp import Strength, under_lamp
from ivkit.verdict.angle_law import Surroundings, panel_law
from ivkit.verdict.lamp_light import setting_under
from ivkit.verdict.prospect import Prospect
from ivkit.verdict.scene import Scene
from ivkit.verdict.stated import Readings, Setting
from tests.logs import PANEL

BOTH = (LOSS, GRAZING)
FIGURES = {"cells": 36, "isc_A": 0.63, "voc_V": 21.8, "imp_A": 0.57, "vmp_V": 17.6}
SHEET = make_datasheet(SheetFile(**FIGURES))
BARE = make_datasheet(SheetFile(**FIGURES, glass="none"))
ANGLES = np.array([0.0, 45.0, 75.0, -75.0])


def moved(name, angles=ANGLES, by=1.0):
    """Return what one standard uncertainty does to the light behind the glass, a logarithm."""
    return np.log(off(PLAIN, name, by)(angles) / PLAIN(angles))


def scene(sheet, light=None, angle=ANGLES):
    setting = Setting(sheet, 800.0, {} if light is None else light, stray=0.0)
    return Scene(setting, Readings.of(current=np.full(len(angle), 0.3), load=0.0, angle=angle))


@pytest.mark.parametrize("name", BOTH)
def test_check_moves_with_the_light_behind_the_glass(name):
    made = scene(SHEET)
    found = made.expect().moves["i_sc"][made.inputs.index(name)]
    exact = 0.5 * (moved(name) - moved(name, by=-1.0))
    assert found == pytest.approx(exact, abs=2e-4)
    assert found[0] == pytest.approx(0.0, abs=1e-9)
    assert set(BOTH).isdisjoint(scene(BARE).inputs)
    assert set(BOTH).isdisjoint(scene(SHEET, angle=np.zeros(1)).inputs)


@pytest.mark.parametrize("name", BOTH)
def test_glass_that_darkens_a_tilted_lamp_darkens_it_further_round(name):
    # The light facing the lamp is known as so much per front: one cause, not two that are alike.
    made = scene(SHEET, {name: 0.01})
    assert made.inputs.count(name) == 1
    found = made.expect().moves["i_sc"][made.inputs.index(name)]
    exact = 0.01 - 0.5 * (moved(name) - moved(name, by=-1.0))
    assert found == pytest.approx(exact, abs=5e-4)


def test_watch_moves_with_the_light_behind_the_glass():
    # One ohm is as good as short: the power goes as the square of the light.
    one = np.ones(4)

    def expect(sheet):
        prospect = Prospect(sheet, 800.0)
        return prospect.expect(one, ANGLES, 800.0 * one, 25.0 * one, ("",) * 4)

    found = expect(SHEET)
    for name in BOTH:
        exact = 2.0 * 0.5 * (moved(name) - moved(name, by=-1.0))
        assert found.shifts[name] / found.power == pytest.approx(exact, rel=0.02, abs=5e-4)
    assert set(BOTH).isdisjoint(expect(BARE).shifts)


def test_track_moves_with_the_light_behind_the_glass():
    law = panel_law(PANEL, 1.0)
    for name in BOTH:
        exact = np.exp(2.0 * moved(name)) - 1.0
        assert law.shift_at(ANGLES)[name] / law.at(ANGLES) == pytest.approx(exact, abs=5e-4)
    assert set(BOTH).isdisjoint(
        panel_law(PANEL, 1.0, surroundings=Surroundings(iam=BARE.iam)).shifts
    )


def test_lamp_moves_with_the_light_behind_the_glass_and_check_takes_it_over():
    strength = Strength("cell", ufloat(300.0, 3.0, "reading"), "W_m2")

    def mean(sheet, tilt):
        return under_lamp(sheet, strength, Point(), 50.0, tilt_deg=tilt)

    found = mean(SHEET, 75.0)
    light = found.effective_irradiance
    for name in BOTH:
        u = light.std_dev * np.sqrt(budget(light)[name]) / light.nominal_value
        exact = abs(moved(name, np.array([75.0]))[0])
        assert u == pytest.approx(exact, rel=0.03)
        assert setting_under(found, SHEET, 25.0).light[name] == pytest.approx(u)
    assert set(BOTH).isdisjoint(budget(mean(BARE, 75.0).effective_irradiance))
