"""The plan of a sweep against what sweeps of simulated panels are really worth."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import ivkit
from ivkit.bench import Bench, Converter, CurrentChannel, FrontEnd, load_bench
from ivkit.cli import main
from ivkit.curve.diode import SingleDiode
from ivkit.errors import RangeError, SweepError
from ivkit.verdict.design import choose, information
from ivkit.verdict.e_series import series_values
from ivkit.verdict.plan import plan_sweep
from ivkit.verdict.plan_parts import halved
from tests.experiments import SUN

EXAMPLES = Path(__file__).parent.parent / "examples"


def _panel(rng):
    """Return a random panel and what somebody might have thought it to be beforehand."""
    cells = int(rng.integers(2, 73))
    i_sc, n = 10 ** rng.uniform(-2.5, 1), rng.uniform(1, 1.8)
    a, v_oc = n * cells * 0.025693, 0.6 * cells * rng.uniform(0.85, 1.1)
    rs = 10 ** rng.uniform(-2.5, -1) * v_oc / i_sc
    rsh = 10 ** rng.uniform(1, 3) * v_oc / i_sc
    il = i_sc * (1 + rs / rsh)
    i0 = (il - v_oc / rsh) / np.expm1(v_oc / a)
    thought = SingleDiode(
        il * rng.uniform(0.95, 1.05),
        i0 * np.exp(rng.uniform(-0.3, 0.3)),
        rs * rng.uniform(0.7, 1.4),
        rsh * rng.uniform(0.7, 1.4),
        a * rng.uniform(0.97, 1.03),
    )
    return SingleDiode(il, i0, rs, rsh, a), thought


@pytest.mark.parametrize(
    ("aim", "power_wins", "volume_wins"),
    [("both", 90, 90), ("power", 90, 0), ("parameters", 0, 90)],
)
def test_eight_planned_loads_beat_eight_spaced_evenly_on_a_logarithmic_scale(
    aim, power_wins, volume_wins
):
    rng = np.random.default_rng(0)
    smaller_u = smaller_volume = 0
    for _ in range(100):
        panel, thought = _panel(rng)
        points = panel.key_points()
        best = float(points.best_load)
        at_hand = series_values("E24", best * 0.03, best * 40)
        even = [
            int(np.argmin(np.abs(np.log(at_hand / ohm))))
            for ohm in np.geomspace(best * 0.05, best * 20, 8)
        ]
        u = (0.003 * float(points.v_oc), 0.003 * float(points.i_sc))
        expected = information(thought, thought.operating_point(at_hand).voltage, *u)
        planned = choose(expected, even, aim)
        truth = information(panel, panel.operating_point(at_hand).voltage, *u)
        smaller_u += truth.u_power(planned) < truth.u_power(even)
        smaller_volume += truth.log_volume(planned) < truth.log_volume(even)
    assert smaller_u >= power_wins
    assert smaller_volume >= volume_wins


def test_the_stated_uncertainty_is_what_fits_of_such_sweeps_scatter_by():
    panel = SUN.panel
    plan = plan_sweep(panel, None, count=12)
    v, i = plan.sweep.voltage, plan.sweep.current
    u_v, u_i = plan.sweep.noise_voltage, plan.sweep.noise_current
    rng = np.random.default_rng(3)
    shape = (1500, len(v))
    fits = ivkit.fit_many(
        v + u_v * rng.standard_normal(shape), i + u_i * rng.standard_normal(shape), u_v, u_i
    )
    scatter = np.nanstd(fits.model.key_points().p_mp)
    # 1500 fits tell a standard deviation to 2 %; the plan is linear.
    assert plan.key_points.p_mp.std_dev == pytest.approx(scatter, rel=0.1)


def test_the_plan_of_the_example_names_what_the_example_shows():
    bench = load_bench(f"{EXAMPLES}/bench.toml")
    fit = ivkit.fit(ivkit.read_sweep(f"{EXAMPLES}/shed_sweep.csv", bench=bench))
    plan = plan_sweep(fit.model, bench)
    # The front end's effects rule both: the plan foresees what the sweep then states.
    stated = fit.key_points.p_mp
    assert plan.key_points.p_mp.std_dev == pytest.approx(stated.std_dev, rel=0.05)
    assert plan.improvements[0].name == "divider ratio"
    voltage, current = plan.channels
    # The converter's highest codes in shed_sweep.csv, at open and at short circuit, of 4096.
    assert voltage.used == pytest.approx(3017.81 / 4096, rel=0.01)
    assert current.used == pytest.approx(528.31 / 4096, rel=0.02)
    assert "times more" in current.better
    # 0.22 ohm over the true best load (examples/README.md), as well as the sweep knows that.
    best = fit.key_points.best_load
    assert plan.shunt_share == pytest.approx(0.22 / 206.050, rel=2 * best.std_dev / best.n)


def test_the_order_goes_from_end_to_end_and_short_circuit_needs_no_part():
    plan = plan_sweep(SUN.panel, None)
    assert plan.loads[0].load == 0
    assert plan.loads[0].rating == 0
    assert np.isinf(plan.loads[1].load)
    inner = [one for one in plan.loads if 0 < one.load < np.inf]
    # Twice what it turns into heat, rounded up to a size that is sold.
    assert all(one.rating >= 2 * one.power for one in inner)


def test_a_drawer_limits_the_choice():
    drawer = (10.0, 22.0, 33.0, 47.0, 68.0, 100.0)
    plan = plan_sweep(SUN.panel, Bench(), count=5, drawer=drawer, ends=False)
    assert {one.load for one in plan.loads} <= set(drawer)
    with pytest.raises(RangeError, match="6 loads at hand for 8 readings; ask for fewer"):
        plan_sweep(SUN.panel, Bench(), count=8, drawer=drawer, ends=False)


def test_a_signal_beyond_the_converter_is_refused_with_the_parts_to_change():
    bench = Bench(front_end=SUN.front_end)
    strong = SingleDiode(5.0, 3e-9, 0.1, 100.0, 1.0175)
    with pytest.raises(SweepError, match="converter is saturated; a larger divider ratio"):
        plan_sweep(strong, bench)


def test_nonsense_is_refused():
    told = information(SUN.panel, np.linspace(1, 20, 9), 0.01, 0.001)
    with pytest.raises(RangeError, match="aim 'all' is not one of power, parameters, both"):
        choose(told, range(6), "all")
    with pytest.raises(RangeError, match="4 loads do not determine five parameters"):
        choose(told, range(4))
    dark = SingleDiode(0.0, 1e-9, 1.0, 100.0, 1.0)
    with pytest.raises(SweepError, match="the expected panel gives no power"):
        plan_sweep(dark)


def test_in_the_order_of_the_plan_time_and_place_on_the_curve_do_not_go_together():
    # A steady drift in time is then no slope along the curve (Spearman's rank correlation, 1904).
    from scipy.stats import spearmanr

    for count in (8, 11, 16):
        loads = [one.load for one in plan_sweep(SUN.panel, None, count=count).loads]
        assert abs(spearmanr(range(count), loads).statistic) < 0.35


def test_the_part_that_helps_most_brings_what_is_said():
    bench = load_bench(f"{EXAMPLES}/bench.toml")
    model = SUN.panel
    plan = plan_sweep(model, bench)
    first = plan.improvements[0]
    assert first.part == "divider resistors of 0.5 % instead of 1 %"
    # Bought and planned anew, each part gives what was promised for it, and none gives more.
    volt, ampere = bench.front_end.voltage, bench.front_end.current
    better = {
        "divider ratio": {"voltage": replace(volt, tolerance_pct=0.5)},
        "shunt": {"current": replace(ampere, shunt_tolerance_pct=0.5)},
        "current amplifier gain": {"current": replace(ampere, gain_tolerance_pct=0.5)},
    }
    promised = {one.name: one.u_power for one in plan.improvements}
    for name, change in better.items():
        bought = replace(bench, front_end=replace(bench.front_end, **change))
        then = plan_sweep(model, bought).key_points.p_mp.std_dev
        assert then == pytest.approx(promised[name], rel=0.01)
        assert then >= first.u_power * 0.99


@pytest.mark.parametrize(
    ("name", "front_end", "said"),
    [
        ("noise", None, "average four readings where one was taken"),
        ("shunt", None, ""),
        ("gremlins", FrontEnd(), ""),
        (
            "ammeter scale",
            FrontEnd(current=CurrentChannel(accuracy_pct_of_reading=1.2)),
            "an ammeter of 0.6 % instead of 1.2 %",
        ),
        (
            "converter zero",
            FrontEnd(converter=Converter(bits=12, reference_V=3.3, offset_tolerance_counts=2)),
            "the converter's zero read to 1 counts instead of 2 counts",
        ),
    ],
)
def test_what_halves_a_cause_is_said_in_parts(name, front_end, said):
    assert halved(name, front_end) == said


def test_the_command_answers_first_and_cautions_last(capsys):
    arguments = ["plan", f"{EXAMPLES}/shed_sweep.csv", "--bench", f"{EXAMPLES}/bench.toml"]
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 0
    out = capsys.readouterr().out
    assert out.startswith("Panel: the curve of ")
    assert "\n\nTake 8 readings, in this order: short circuit, open circuit, " in out
    most = "helps most: halve the error of the divider ratio: divider resistors of 0.5 % instead"
    assert most in " ".join(out.split())
    assert "so that warming cells or fading light show as scatter" in " ".join(out.split())
    assert "cover it before" in out
    with pytest.raises(SystemExit):
        main([*arguments, "--json", "-"])
    document = json.loads(capsys.readouterr().out)
    loads, improvements = (document["tables"][n]["columns"] for n in ("loads", "improvements"))
    assert len(loads["load_ohm"]) == 8
    assert loads["load_ohm"][1] is None
    assert document["summary"]["take_again"] == "short circuit"
    assert improvements["part"][0].startswith("divider resistors of 0.5 %")
    with pytest.raises(SystemExit) as stop:
        main([*arguments, "--drawer", "10,ten"])
    assert stop.value.code == 2
    assert "--drawer: 'ten' is not a resistance" in capsys.readouterr().err


def test_a_datasheet_and_the_light_do_instead_of_a_sweep(command_line):
    sheet = EXAMPLES.parent / "datasheets" / "jetty_10W.toml"
    arguments = ("plan", "--datasheet", sheet, "--irradiance", 140, "--json", "-")
    status, out, _ = command_line(*arguments)
    assert status == 0
    # 0.14 of the label's 10 W, a little less for the lower voltage in faint light.
    assert 1.1 < json.loads(out)["summary"]["pmp_W"]["value"] < 1.4
    status, _, err = command_line("plan", "--datasheet", sheet)
    assert status == 2
    assert "a datasheet needs --irradiance" in err
    status, _, err = command_line("plan", "x.csv", "--datasheet", sheet)
    assert status == 2
    assert "either a SWEEP or a datasheet" in err


def test_a_sweep_without_a_curve_is_nothing_to_plan_from(tmp_path, capsys):
    (tmp_path / "r.csv").write_text("V,I\n" + "".join(f"{k},{0.1 * k}\n" for k in range(1, 9)))
    with pytest.raises(SystemExit) as stop:
        main(["plan", str(tmp_path / "r.csv")])
    assert stop.value.code == 2
    assert "no curve to plan from (straight_line" in capsys.readouterr().err


def test_without_a_bench_only_an_assumed_noise_is_in_the_budget():
    plan = plan_sweep(SUN.panel)
    assert plan.assumed_noise
    assert [one.name for one in plan.improvements] == ["noise"]
