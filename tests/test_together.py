"""Several sweeps of one panel against the panel that made them.

The panel is the synthetic 36-cell module; its translation is checked against pvlib elsewhere.
"""

import json

import numpy as np
import pytest

from ivkit.cli import main
from ivkit.errors import SweepError
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.together import fit_together as fit_any
from ivkit.readings.sweep import Condition, Effect, Sweep

PANEL = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003, 36)
CONDITIONS = ((1000.0, 45.0), (600.0, 38.0), (250.0, 30.0))
TRUTH = PANEL.at(1000.0, 25.0).key_points()


def fit_together(*args):
    """Fit with De Soto's equations as they are, which made these sweeps."""
    return fit_any(*args, technology=None)


def sweeps(seed, known=(True, True, True), u=None, effect=False, noise=1.0):
    rng = np.random.default_rng(seed)
    out = []
    for (light, celsius), told in zip(CONDITIONS, known, strict=True):
        curve = PANEL.at(light, celsius)
        v = np.linspace(0.0, 1.0, 25) * curve.key_points().v_oc
        i = curve.current(v)
        effects = (Effect("shunt", 0 * v, 0.01 * i),) if effect else ()
        out.append(
            Sweep(
                v + noise * 0.01 * rng.standard_normal(25),
                i + noise * 3e-4 * rng.standard_normal(25),
                np.full(25, 0.01),
                np.full(25, 3e-4),
                effects,
                Condition(light if told else None, celsius, u if told else None),
                36,
                name=f"{light:g}",
            )
        )
    return out


def test_noise_free_sweeps_give_the_panel_back_and_their_light():
    found = fit_together(sweeps(0, (True, False, False), noise=0.0), 0.0003)
    assert found.parameters["resistance_series"].nominal_value == pytest.approx(1.2, rel=1e-6)
    assert found.parameters["nNsVth"].nominal_value == pytest.approx(1.0175, rel=1e-7)
    assert found.key_points.p_mp.nominal_value == pytest.approx(TRUTH.p_mp, rel=1e-8)
    light = [x.nominal_value for x in found.irradiance]
    assert light == pytest.approx([1000.0, 600.0, 250.0], rel=1e-7)


@pytest.mark.parametrize("known", [(True, True, True), (True, False, False)])
def test_stated_uncertainties_cover_the_truth(known):
    off = []
    for seed in range(80):
        found = fit_together(sweeps(seed, known), 0.0003)
        for told, true in (
            (found.parameters["resistance_series"], 1.2),
            (found.parameters["nNsVth"], 1.0175),
            (found.key_points.p_mp, TRUTH.p_mp),
            (found.key_points.v_oc, TRUTH.v_oc),
        ):
            off.append((told.nominal_value - true) / told.std_dev)
        if not known[2]:
            off.append((found.irradiance[2].nominal_value - 250.0) / found.irradiance[2].std_dev)
    off = np.abs(np.array(off))
    # 80 runs of correlated results: three standard deviations of the share are about 5 %.
    assert 0.90 <= np.mean(off < 1.96) <= 0.99


def test_a_shared_shunt_moves_the_power_and_not_the_irradiance_of_the_others():
    found = fit_together(sweeps(1, (True, False, False), effect=True), 0.0003)
    p = found.key_points.p_mp
    shares = {x.tag: (u / p.std_dev) ** 2 for x, u in p.error_components().items()}
    assert shares["shunt"] > 0.9
    light = found.irradiance[1]
    shunt = [u for x, u in light.error_components().items() if x.tag == "shunt"]
    assert sum(u**2 for u in shunt) < 0.05 * light.std_dev**2


def test_a_stated_uncertainty_of_the_light_lets_the_sweeps_correct_it():
    taken = sweeps(3, u=30.0)
    found = fit_together(taken, 0.0003)
    # The ratio of two irradiances is known far better than each: it comes from the currents.
    ratio = found.irradiance[1] / found.irradiance[0]
    assert ratio.nominal_value == pytest.approx(0.6, abs=4 * ratio.std_dev)
    assert ratio.std_dev / ratio.nominal_value < 0.005
    assert found.irradiance[0].std_dev / found.irradiance[0].nominal_value > 0.01


def test_without_any_light_the_brightest_sweep_is_the_reference():
    found = fit_together(sweeps(4, (False, False, False)), 0.0003)
    assert found.relative
    assert found.irradiance[1].nominal_value == pytest.approx(600.0, rel=0.01)
    assert any("no light was stated" in note for note in found.notes)


def test_an_unknown_temperature_coefficient_is_assumed_and_widens_the_answer():
    sharp = fit_together(sweeps(5), 0.0003)
    wide = fit_together(sweeps(5))
    assert any("alpha_sc assumed" in note for note in wide.notes)
    assert wide.key_points.i_sc.std_dev > 2 * sharp.key_points.i_sc.std_dev


def test_a_sweep_of_another_panel_is_noticed():
    taken = sweeps(6)
    odd = taken[2]
    taken[2] = Sweep(
        1.05 * odd.voltage,
        odd.current,
        odd.noise_voltage,
        odd.noise_current,
        (),
        odd.condition,
        36,
        name="another",
    )
    found = fit_together(taken, 0.0003)
    assert found.scatter > 2
    assert any("differ from one panel" in note for note in found.notes)


def test_what_cannot_be_fitted_together_is_refused():
    one, other, _ = sweeps(7)
    with pytest.raises(SweepError, match="1 sweep; give two or more"):
        fit_together([one])
    cold = Sweep(other.voltage, other.current, name="cold.csv")
    with pytest.raises(SweepError, match=r"cold.csv: the cell temperature is not known"):
        fit_together([one, cold])
    dark = Sweep(other.voltage, -0.001 * other.voltage, condition=Condition(None, 25.0), name="d")
    with pytest.raises(SweepError, match=r"d: no curve \("):
        fit_together([one, dark])


def test_the_command_takes_several_sweeps_of_one_panel(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for sweep in sweeps(8):
        lines = ["V,I,T,G_W_m2"]
        lines += [
            f"{a},{b},{sweep.condition.temp_cell},{sweep.condition.effective_irradiance}"
            for a, b in zip(sweep.voltage, sweep.current, strict=True)
        ]
        (tmp_path / f"{sweep.name}.csv").write_text("\n".join(lines))
    with pytest.raises(SystemExit) as stop:
        main(["characterize", "1000.csv", "600.csv", "250.csv", "--together", "--json", "-"])
    assert stop.value.code == 0
    document = json.loads(capsys.readouterr().out)["summary"]
    pmp = document["pmp_W"]
    assert abs(pmp["value"] - TRUTH.p_mp) < 4 * pmp["u"] + 0.01 * TRUTH.p_mp
    with pytest.raises(SystemExit) as stop:
        main(["characterize", "1000.csv", "--together"])
    assert stop.value.code == 2
    assert "needs two sweeps" in capsys.readouterr().err
