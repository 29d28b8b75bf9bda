"""Twelve sweeps of one panel on a roof against the panel that pvlib made them with.

The panel leaves its reference as laboratory modules do, not as De Soto has it.
"""

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from ivkit.cli import main
from ivkit.errors import SweepError
from ivkit.panel.measured_panel import panel_from_together
from ivkit.panel.technology import TECHNOLOGY
from ivkit.panel.together import fit_together
from tests.outdoor_sweeps import PANEL, moved, sweeps

SEEDS = range(6)


@cache
def sound(seed):
    return fit_together(sweeps(seed))


def shaded(sweep):
    """Return a sweep in which a cell in shade lets 80 % of the current pass (invented)."""
    i, top = sweep.current, 0.8 * sweep.current.max()
    bent = (np.maximum(i, 1e-3) ** -12.0 + top**-12.0) ** (-1 / 12)
    return replace(sweep, current=np.where(i > 0.01, bent, i))


def test_the_power_in_weak_and_in_full_light_lies_within_its_uncertainty():
    inside = []
    for seed in SEEDS:
        panel = panel_from_together(sound(seed))
        for light in (200.0, 1000.0):
            _, _, v_mp, i_mp = PANEL.ends(light, 25.0)
            power = panel.varied.at(light, 25.0).key_points().p_mp
            u = np.linalg.norm(0.5 * (power[1::2] - power[2::2]))
            assert u < 0.05 * power[0]
            inside.append(abs(power[0] - v_mp * i_mp) < 1.96 * u)
    # Of six sets with two correlated powers each: more than one set outside once in 30.
    assert np.sum(inside) >= 10


def test_ideality_and_shunt_are_the_panels_and_better_known_than_beforehand():
    law = TECHNOLOGY["c-Si"].law
    for seed in SEEDS:
        found = sound(seed)
        a, shunt = found.parameters["nNsVth"], found.parameters["resistance_shunt"]
        assert abs(a.nominal_value - PANEL.a25) < 3 * a.std_dev
        assert a.std_dev / a.nominal_value < 0.5 * law.ideality.u / law.ideality.value
        assert abs(shunt.nominal_value - PANEL.shunt(1000.0)) < 3 * shunt.std_dev
        assert shunt.std_dev / shunt.nominal_value < 0.5 * law.shunt.u
        k = found.law["shunt_exponent"]
        assert abs(k.nominal_value - PANEL.k) < 3 * k.std_dev
        assert k.std_dev < 0.5 * law.shunt_exponent.u


def test_sound_sets_are_not_flagged():
    # Once in a thousand sets, by what is stated as sure.
    assert all(sound(seed).agreement.one_panel for seed in SEEDS)
    assert not any("differ" in note for seed in SEEDS for note in sound(seed).notes)


def test_sound_sets_without_a_stated_noise_are_not_flagged():
    for seed in (0, 1):
        found = fit_together(sweeps(seed, stated_noise=False))
        assert found.agreement.one_panel
        assert found.panel.nNsVth == pytest.approx(PANEL.a25, rel=0.03)


@pytest.mark.parametrize(("seed", "place", "warmer"), [(0, 1, 15.0), (1, 4, -15.0), (3, 10, 15.0)])
def test_a_temperature_off_by_15_kelvin_is_found(seed, place, warmer):
    taken = sweeps(seed)
    taken[place] = moved(taken[place], warmer)
    seen = fit_together(taken).agreement
    assert not seen.one_panel
    assert seen.odd == taken[place].name
    assert seen.rest_agrees
    # The stated temperature itself was good to 2 K.
    assert seen.odd_warmer == pytest.approx(-warmer, abs=3 * 2.0)


def test_a_shaded_sweep_is_found():
    taken = sweeps(0)
    taken[1] = shaded(taken[1])
    found = fit_together(taken)
    assert not found.agreement.one_panel
    assert found.agreement.odd == "02"
    assert found.agreement.rest_agrees
    assert found.agreement.ratio > 2
    assert any("residuals 2.4 times those of the single fits" in note for note in found.notes)


def test_a_sweep_of_another_panel_is_found():
    taken = sweeps(2)
    taken[7] = sweeps(2, panel=replace(PANEL, v_oc=1.06 * PANEL.v_oc))[7]
    seen = fit_together(taken).agreement
    assert (seen.one_panel, seen.odd) == (False, "08")


def test_without_any_light_no_panel_comes_of_it():
    dark = [
        replace(s, condition=replace(s.condition, effective_irradiance=None)) for s in sweeps(0, 3)
    ]
    found = fit_together(dark)
    assert found.relative
    with pytest.raises(SweepError, match="the light of no sweep is known"):
        panel_from_together(found)


def test_stacked_junctions_are_refused():
    with pytest.raises(SweepError, match="tandem cells follow no single diode"):
        fit_together(sweeps(0, 3), technology="tandem")


def test_the_command_says_that_one_panel_does_not_fit(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    taken = sweeps(0, 4)
    taken[2] = shaded(taken[2])
    files = []
    for sweep in taken:
        told = sweep.condition
        lines = ["V,I,T,G_W_m2"]
        lines += [
            f"{v},{i},{told.temp_cell},{told.effective_irradiance}"
            for v, i in zip(sweep.voltage, sweep.current, strict=True)
        ]
        files.append(f"{sweep.name}.csv")
        (tmp_path / files[-1]).write_text("\n".join(lines))
    with pytest.raises(SystemExit) as stop:
        main(["characterize", *files, "--cells", "36", "--together"])
    assert stop.value.code == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "But one panel does not fit these sweeps" in text
    assert "03.csv differs most" in text
    with pytest.raises(SystemExit):
        main(["characterize", *files, "--cells", "36", "--together", "--json", "-"])
    seen = json.loads(capsys.readouterr().out)["summary"]
    assert seen["one_panel"] is False
    assert seen["odd_sweep"] == "03.csv"
