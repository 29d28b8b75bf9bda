"""The front end: what is corrected, and that effects and noise are what really happens."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.bench import (
    Bench,
    BenchCondition,
    Converter,
    CurrentChannel,
    FrontEnd,
    Loads,
    PanelUnderTest,
    VoltageChannel,
)
from ivkit.errors import BenchError, SweepError, TableError
from ivkit.readings import circuit
from ivkit.readings.columns import converter_noise
from ivkit.readings.effects import directions
from ivkit.readings.front_end import at_panel, make_sweep
from ivkit.readings.simulated import draw_hidden, load_at_panel, write_readings
from ivkit.readings.table import Table


def table(resolution=None, **columns):
    columns = {name: np.asarray(values, dtype=float) for name, values in columns.items()}
    n = len(next(iter(columns.values())))
    return Table(columns, np.arange(2, n + 2), "sweep.csv", resolution=resolution or {})


def effect(sweep, name):
    found = [e for e in sweep.effects if e.name == name]
    assert len(found) == 1, [e.name for e in sweep.effects]
    return found[0]


CONVERTER = Converter(
    bits=12, reference_V=3.3, reference_tolerance_pct=0.5, offset_tolerance_counts=1.0
)
DIVIDER = VoltageChannel(divider_top_ohm=100e3, divider_bottom_ohm=15e3, tolerance_pct=1.0)
SHUNT = CurrentChannel(shunt_ohm=0.22, shunt_tolerance_pct=1.0, gain=20.0, gain_tolerance_pct=0.5)
BOARD = FrontEnd("panel", "codes", DIVIDER, SHUNT, CONVERTER)
METERS = FrontEnd(
    "load",
    "scaled",
    VoltageChannel(
        resolution_V=0.01,
        accuracy_pct_of_reading=0.5,
        accuracy_counts=2.0,
        input_impedance_ohm=10e6,
    ),
    CurrentChannel(
        resolution_A=1e-4, accuracy_pct_of_reading=1.0, accuracy_counts=3.0, burden_ohm=1.8
    ),
)


# --- published numbers ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("top", "bottom", "percent"),
    # Closed form u(k)/k = top/(top + bottom) sqrt(2) 1 %/sqrt(3): rectangular tolerance (GUM
    # 4.3.7) through the law of propagation (GUM 5.1.2); 10k:1k and 30k:7.5k, both +-1 %.
    [(10e3, 1e3, 0.742270), (30e3, 7.5e3, 0.653197)],
)
def test_the_ratio_of_two_one_percent_resistors_has_the_uncertainty_of_the_gum(
    top, bottom, percent
):
    divider = VoltageChannel(divider_top_ohm=top, divider_bottom_ohm=bottom, tolerance_pct=1.0)
    bench = Bench(front_end=FrontEnd("panel", "scaled", divider))
    sweep = make_sweep(table(voltage=[3.0, 17.0], current=[0.4, 0.1]), bench)
    share = np.abs(effect(sweep, "divider ratio").dv / sweep.voltage)
    np.testing.assert_allclose(100 * share, percent, atol=5e-7)


@pytest.mark.parametrize(
    ("bits", "reference", "millivolts"),
    # LSB/sqrt(12) with LSB = reference/2^bits (GUM F.2.2.1), to the digits of the closed form
    [(10, 5.0, 1.409547), (12, 3.3, 0.2325752), (16, 4.096, 0.01804220)],
)
def test_the_step_of_a_converter_makes_the_noise_of_the_gum(bits, reference, millivolts):
    front_end = FrontEnd("panel", "codes", converter=Converter(bits=bits, reference_V=reference))
    sweep = make_sweep(
        table(voltage_code=[100, 200], current_code=[100, 50]), Bench(front_end=front_end)
    )
    digits = 0.5 * 10.0 ** -(len(str(millivolts).split(".")[1]))
    np.testing.assert_allclose(1e3 * sweep.noise_voltage, millivolts, atol=digits)


# --- the circuit, by Ohm and Kirchhoff -----------------------------------------------------------


def test_a_divider_across_the_panel_adds_its_current_to_that_of_the_load():
    # 20 V at the panel; 40 ohm and the 0.22 ohm shunt; 100k + 15k beside them.
    through_load = 20.0 / 40.22
    codes = {
        "voltage_code": [20.0 * 15 / 115 / (3.3 / 4096)],
        "current_code": [through_load * 0.22 * 20 / (3.3 / 4096)],
    }
    sweep = make_sweep(table(**codes), Bench(front_end=BOARD))
    np.testing.assert_allclose(sweep.voltage, 20.0, rtol=1e-14)
    np.testing.assert_allclose(sweep.current, through_load + 20.0 / 115e3, rtol=1e-14)
    assert any("current corrected for what divider or voltmeter draw" in n for n in sweep.notes)


def test_a_divider_across_the_load_misses_the_drop_over_the_shunt():
    panel_current = 0.5
    front_end = replace(BOARD, divider_at="load", readings="converter_volts")
    sweep = make_sweep(
        table(voltage=[20.0 * 15 / 115], current=[panel_current * 0.22 * 20]),
        Bench(front_end=front_end),
    )
    np.testing.assert_allclose(sweep.voltage, 20.0 + panel_current * 0.22, rtol=1e-14)
    np.testing.assert_allclose(sweep.current, panel_current, rtol=1e-14)
    assert any("voltage corrected for the drop over shunt" in n for n in sweep.notes)


def test_what_the_divider_feeds_lowers_its_ratio():
    # 100k over 15k with 60k in parallel: 12k, so 12/112 instead of 15/115
    front_end = replace(
        BOARD, readings="scaled", voltage=replace(DIVIDER, input_impedance_ohm=60e3)
    )
    sweep = make_sweep(table(voltage=[20.0], current=[0.4]), Bench(front_end=front_end))
    np.testing.assert_allclose(sweep.voltage, 20.0 * (15 / 115) * (112 / 12), rtol=1e-14)
    np.testing.assert_allclose(sweep.current, 0.4 + sweep.voltage / 112e3, rtol=1e-14)


def test_meters_are_corrected_for_burden_behind_and_for_voltmeter_current_before():
    readings = table(voltage=[1.20], current=[0.0100])
    sweep = make_sweep(readings, Bench(front_end=METERS))
    np.testing.assert_allclose(sweep.voltage, 1.20 + 0.0100 * 1.8, rtol=1e-14)
    np.testing.assert_allclose(sweep.current, 0.0100, rtol=1e-14)
    before = replace(METERS, divider_at="panel")
    sweep = make_sweep(readings, Bench(front_end=before))
    np.testing.assert_allclose(sweep.voltage, 1.20, rtol=1e-14)
    np.testing.assert_allclose(sweep.current, 0.0100 + 1.20 / 10e6, rtol=1e-14)


def test_the_panel_sees_load_shunt_and_divider_together():
    load = np.array([0.0, 40.0, np.inf])
    at_the_panel = load_at_panel(BOARD, load)
    parallel = 1 / (1 / (load + 0.22) + 1 / 115e3)
    np.testing.assert_allclose(at_the_panel, parallel, rtol=1e-14)
    at_the_load = load_at_panel(replace(BOARD, divider_at="load"), load)
    np.testing.assert_allclose(at_the_load, [0.22, 0.22 + 40 * 115e3 / 115040, 115000.22])


def test_a_known_load_gives_the_current_with_its_own_tolerance_as_effect():
    bench = Bench(loads=Loads(tolerance_pct=5.0))
    sweep = make_sweep(table(voltage=[1.0, 2.0, 2.2], load=[10.0, 47.0, 10.0]), bench)
    np.testing.assert_allclose(sweep.current, [0.1, 2 / 47, 0.22])
    own = effect(sweep, "load 10 ohm")
    # a resistor 1 u = 5 %/sqrt(3) larger carries that much less current
    np.testing.assert_allclose(own.di, -0.05 / math.sqrt(3) * np.array([0.1, 0, 0.22]))
    assert not np.any(own.dv)
    assert {e.name for e in sweep.effects} == {"load 10 ohm", "load 47 ohm"}


def test_one_decade_box_is_one_effect_on_all_points():
    bench = Bench(loads=Loads(tolerance_pct=1.0, shared_tolerance=True))
    sweep = make_sweep(table(voltage=[1.0, 2.0], load=[10.0, 47.0]), bench)
    assert [e.name for e in sweep.effects] == ["load resistors"]
    share = sweep.effects[0].di / sweep.current
    np.testing.assert_allclose(share, -0.01 / math.sqrt(3), rtol=1e-9)


def test_a_known_load_and_a_divider_before_or_behind_the_leads():
    loads = Loads(tolerance_pct=5.0)
    for where, volts, amperes in (
        ("panel", 10.0, 10 / (22 + 0.5) + 10 / 115e3),
        ("load", 10.0 + (10 / 22 + 10 / 115e3) * 0.5, 10 / 22 + 10 / 115e3),
    ):
        front_end = FrontEnd(
            where, "scaled", DIVIDER, CurrentChannel(measured_by="load", burden_ohm=0.5)
        )
        sweep = make_sweep(
            table(voltage=[10.0], load=[22.0]), Bench(front_end=front_end, loads=loads)
        )
        np.testing.assert_allclose(sweep.voltage, volts, rtol=1e-14)
        np.testing.assert_allclose(sweep.current, amperes, rtol=1e-14)


def test_power_stands_in_for_a_missing_voltage_or_current():
    for columns in (
        {"voltage": [2.0], "power": [0.1]},
        {"current": [0.05], "power": [0.1]},
        {"power": [0.1], "load": [40.0]},
        {"current": [0.05], "load": [40.0]},
    ):
        sweep = make_sweep(table(**columns))
        np.testing.assert_allclose([sweep.voltage[0], sweep.current[0]], [2.0, 0.05])
        assert any("worked out from" in note for note in sweep.notes)


def test_a_zero_of_power_over_voltage_leaves_the_row_out():
    sweep = make_sweep(table(voltage=[0.0, 2.0], power=[0.0, 0.1]))
    assert list(sweep.rows) == [3]
    assert any("row 2 left out: no voltage and current follow from it" in n for n in sweep.notes)


# --- forward and back ---------------------------------------------------------------------------

resistances = st.floats(1e2, 1e6)
tolerances = st.floats(1e-4, 2.0)


@st.composite
def front_ends(draw):
    divider = {}
    if draw(st.booleans()):
        divider = {
            "divider_top_ohm": draw(resistances),
            "divider_bottom_ohm": draw(resistances),
            "tolerance_pct": draw(tolerances),
        }
    if draw(st.booleans()):
        divider["input_impedance_ohm"] = draw(st.floats(1e4, 1e8))
    # Zero offsets in volts need a scale: at most a few steps of the converter.
    voltage = VoltageChannel(
        **divider,
        gain=draw(st.floats(0.5, 20)),
        gain_tolerance_pct=draw(tolerances),
        offset_V=draw(st.floats(-0.05, 0.05)),
        offset_tolerance_V=draw(st.floats(1e-5, 1e-2)),
        **draw(st.sampled_from([{}, {"accuracy_pct_of_reading": 0.5}])),
    )
    through = draw(st.sampled_from(["shunt", "meter"]))
    burden = {"burden_ohm": draw(st.floats(0.01, 10)), "burden_tolerance_pct": 1.0}
    if through == "shunt":
        current = CurrentChannel(
            shunt_ohm=draw(st.floats(0.01, 10)),
            shunt_tolerance_pct=draw(tolerances),
            gain=draw(st.floats(1, 200)),
            gain_tolerance_pct=draw(tolerances),
            offset_V=draw(st.floats(-0.05, 0.05)),
            offset_tolerance_V=draw(st.floats(1e-5, 1e-2)),
            **burden,
        )
    else:
        current = CurrentChannel(
            measured_by="meter",
            resolution_A=1e-4,
            accuracy_pct_of_reading=draw(tolerances),
            accuracy_counts=3.0,
            **burden,
        )
    return FrontEnd(
        draw(st.sampled_from(["panel", "load"])),
        draw(st.sampled_from(["scaled", "panel", "converter_volts"])),
        voltage,
        current,
        draw(st.sampled_from([None, CONVERTER, replace(CONVERTER, offset_counts=-0.5)])),
    )


VOLTS, AMPERES = np.array([0.0, 0.3, 9.0, 17.0, 21.5]), np.array([0.6, 0.59, 0.55, 0.4, -0.01])


@settings(max_examples=150, deadline=None)
@given(front_ends(), st.integers(0, 2**32 - 1))
def test_correcting_with_the_true_parts_gives_back_what_was_at_the_panel(front_end, seed):
    hidden = draw_hidden(front_end, np.random.default_rng(seed))
    true = circuit.shifted(circuit.nominal_parts(front_end), circuit.causes(front_end), hidden)
    at_input = circuit.to_readings(true, front_end.divider_at, VOLTS, AMPERES)
    volts, amperes = circuit.to_panel(true, front_end.divider_at, *at_input)
    # What is added and taken off again (own current, drop, zero) leaves its own rounding.
    taken_v = 21.5 + np.max(np.abs(AMPERES)) * circuit.series_resistance(true)
    taken_i = 0.6 + 21.5 / circuit.divider_resistance(true)
    np.testing.assert_allclose(volts, VOLTS, rtol=0, atol=1e-12 * taken_v)
    np.testing.assert_allclose(amperes, AMPERES, rtol=0, atol=1e-12 * taken_i)


@settings(max_examples=100, deadline=None)
@given(front_ends())
def test_readings_of_a_perfect_bench_give_back_the_panel(front_end):
    # Meters without a last digit and no converter: nothing is rounded.
    ideal = replace(
        front_end,
        converter=None,
        current=replace(front_end.current, resolution_A=None, accuracy_counts=None)
        if front_end.current.is_meter
        else front_end.current,
    )
    written = write_readings(VOLTS, AMPERES, ideal)
    sweep = make_sweep(table(**written), Bench(front_end=ideal))
    np.testing.assert_allclose(sweep.voltage, VOLTS, rtol=1e-12, atol=2e-11)
    np.testing.assert_allclose(sweep.current, AMPERES, rtol=1e-12, atol=2e-11)


@settings(max_examples=150, deadline=None)
@given(front_ends())
def test_each_effect_is_what_one_standard_uncertainty_really_changes(front_end):
    parts, known = circuit.nominal_parts(front_end), circuit.causes(front_end)
    readings = circuit.to_readings(parts, front_end.divider_at, VOLTS, AMPERES)
    found = at_panel(front_end, *readings)
    for name, direction in directions(parts, known).items():
        true = circuit.shifted(parts, known, direction)
        moved = circuit.to_panel(true, front_end.divider_at, *readings)
        e = next((e for e in found.effects if e.name == name), None)
        share = max((known[cause].u for cause in direction if known[cause].relative), default=0)
        taken = (
            AMPERES.max() * circuit.series_resistance(parts),
            VOLTS.max() / circuit.divider_resistance(parts),
        )
        for before, after, linear, added in zip(
            (found.voltage, found.current),
            moved,
            (0.0, 0.0) if e is None else (e.dv, e.di),
            taken,
            strict=True,
        ):
            # A part that is off by a share u changes a product or quotient by u and, to second
            # order, by u^2; two parts by u1 u2 as well. Zeros come in to first order only.
            largest = np.max(np.abs(before)) + added
            atol = (3 * share**2 + 1e-10) * largest
            np.testing.assert_allclose(linear, after - before, rtol=0, atol=atol)


def test_all_ways_to_write_a_reading_down_give_the_same_sweep():
    front_end = replace(
        BOARD,
        voltage=replace(DIVIDER, offset_V=0.01, input_impedance_ohm=1e6),
        current=replace(SHUNT, offset_V=0.05, burden_ohm=0.3),
    )
    for where in ("panel", "load"):
        sweeps = []
        for readings in ("codes", "converter_volts", "scaled", "panel"):
            bench = Bench(front_end=replace(front_end, divider_at=where, readings=readings))
            written = write_readings([2.0, 17.0, 21.0], [0.5, 0.4, 0.0], bench.front_end)
            sweeps.append(make_sweep(table(**written), bench))
        for sweep in sweeps[1:]:
            np.testing.assert_allclose(sweep.voltage, sweeps[0].voltage, rtol=1e-12)
            np.testing.assert_allclose(sweep.current, sweeps[0].current, rtol=1e-12, atol=1e-14)
            np.testing.assert_allclose(sweep.noise_current, sweeps[0].noise_current, rtol=1e-8)
            for one, other in zip(sweep.effects, sweeps[0].effects, strict=True):
                np.testing.assert_allclose(one.dv, other.dv, rtol=1e-7, atol=1e-11)
                np.testing.assert_allclose(one.di, other.di, rtol=1e-7, atol=1e-11)


# --- effects and their correlation ----------------------------------------------------------------


def test_one_reference_moves_voltage_and_current_by_the_same_share():
    written = write_readings([2.0, 17.0], [0.5, 0.4], BOARD)
    sweep = make_sweep(table(**written), Bench(front_end=BOARD))
    shared = effect(sweep, "converter reference")
    share = 0.005 / math.sqrt(3)
    np.testing.assert_allclose(shared.dv, share * sweep.voltage, rtol=1e-9)
    np.testing.assert_allclose(shared.di, share * sweep.current, rtol=1e-9)


def test_the_two_resistors_of_a_divider_lose_nothing_by_being_turned_into_ratio_and_sum():
    wide = replace(BOARD, voltage=replace(DIVIDER, divider_bottom_tolerance_pct=3.0))
    parts, known = circuit.nominal_parts(wide), circuit.causes(wide)
    readings = circuit.to_readings(parts, "panel", np.array([5.0, 20.0]), np.array([0.5, 1e-4]))
    turned = [e for e in at_panel(wide, *readings).effects if e.name.startswith("divider")]
    assert {e.name for e in turned} == {"divider ratio", "divider resistance"}
    apart = []
    for name in ("divider top", "divider bottom"):
        high, low = (
            np.stack(circuit.to_panel(circuit.shifted(parts, known, {name: h}), "panel", *readings))
            for h in (1e-3, -1e-3)
        )
        apart.append((high - low).ravel() / 2e-3)
    turned = [np.concatenate([e.dv, e.di]) for e in turned]
    np.testing.assert_allclose(
        sum(np.outer(x, x) for x in turned), sum(np.outer(x, x) for x in apart), rtol=1e-6, atol=0
    )


def test_a_meters_percent_of_reading_scales_and_its_counts_shift():
    sweep = make_sweep(table(voltage=[1.0, 2.0], current=[0.02, 0.01]), Bench(front_end=METERS))
    third = 1 / math.sqrt(3)
    np.testing.assert_allclose(effect(sweep, "ammeter scale").di, 0.01 * third * sweep.current)
    np.testing.assert_allclose(effect(sweep, "ammeter zero").di, 3e-4 * third)
    np.testing.assert_allclose(effect(sweep, "voltmeter scale").dv, [0.005 * third, 0.01 * third])
    np.testing.assert_allclose(effect(sweep, "voltmeter zero").dv, 0.02 * third)


def test_many_benches_scatter_as_effects_and_noise_together_say():
    # 20,000 benches with hidden errors read one panel; the law of propagation against the count.
    front_end = replace(
        BOARD,
        current=replace(SHUNT, offset_V=0.05, offset_tolerance_V=0.002),
        converter=replace(CONVERTER, noise_counts=0.8, averages=4),
    )
    volts, amperes = np.array([1.234, 16.7, 20.9]), np.array([0.551, 0.4321, 0.0123])
    rng = np.random.default_rng(7)
    benches = 20_000
    hidden = draw_hidden(front_end, rng, benches)
    written = write_readings(volts, amperes, front_end, rng, hidden)
    assert written["voltage_code"].shape == (benches, 3)
    step = front_end.converter.step
    u = converter_noise(front_end.converter)
    one = at_panel(
        front_end,
        *circuit.to_readings(circuit.nominal_parts(front_end), "panel", volts, amperes),
        u_voltage=u,
        u_current=u,
    )
    many = at_panel(front_end, written["voltage_code"] * step, written["current_code"] * step)
    stated = np.diag(np.concatenate([one.noise_voltage, one.noise_current]) ** 2)
    for e in one.effects:
        shift = np.concatenate([e.dv, e.di])
        stated = stated + np.outer(shift, shift)
    scatter = np.cov(np.concatenate([many.voltage, many.current], axis=1), rowvar=False)
    u, seen = np.sqrt(np.diag(stated)), np.sqrt(np.diag(scatter))
    # relative standard error of a standard deviation 1/sqrt(2 N) = 0.5 %, of a correlation
    # (1 - r^2)/sqrt(N) = 0.7 %; four of them, and u^2 = 0.01 % of second order
    np.testing.assert_allclose(seen, u, rtol=0.02)
    np.testing.assert_allclose(
        scatter / np.outer(seen, seen), stated / np.outer(u, u), rtol=0, atol=0.028
    )
    # and the mean is not moved, but for second order
    bias = np.concatenate([many.voltage, many.current], axis=1).mean(axis=0)
    bias = bias - np.concatenate([volts, amperes])
    assert np.all(np.abs(bias) < 4.5 * u / math.sqrt(benches) + 1e-4 * u.max())


# --- noise --------------------------------------------------------------------------------------


def test_quantisation_averages_out_only_where_noise_carries_it_over_the_steps():
    quiet = replace(CONVERTER, noise_counts=0.1, averages=100)
    loud = replace(CONVERTER, noise_counts=0.8, averages=100)
    step = CONVERTER.step
    assert math.isclose(converter_noise(quiet), step * math.sqrt(0.1**2 / 100 + 1 / 12))
    assert math.isclose(converter_noise(loud), step * math.sqrt((0.8**2 + 1 / 12) / 100))


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.7, 2.0])
def test_simulated_conversions_scatter_as_the_stated_noise_says(noise):
    converter = Converter(bits=12, reference_V=3.3, noise_counts=noise, averages=8)
    front_end = FrontEnd(None, "codes", converter=converter)
    rng = np.random.default_rng(11)
    volts = rng.uniform(0.5, 2.5, 40_000)
    code = write_readings(volts, volts, front_end, rng)["voltage_code"]
    scatter = np.std(code * converter.step - volts)
    # 40,000 readings: 0.35 % standard error. Little noise mixes steps a little: never more than
    # stated, and no less than without steps at all.
    assert scatter < converter_noise(converter) * 1.014
    if noise != 0.1:
        assert scatter > converter_noise(converter) / 1.014


def test_a_meters_last_digit_is_its_noise_and_the_tables_digits_stand_in_for_it():
    readings = table({"voltage": 0.001, "current": 1e-5}, voltage=[1.0, 2.0], current=[0.02, 0.01])
    sweep = make_sweep(readings, Bench(front_end=METERS))
    np.testing.assert_allclose(sweep.noise_current, 1e-4 / math.sqrt(12))
    unsaid = replace(
        METERS,
        voltage=VoltageChannel(accuracy_pct_of_reading=0.5),
        current=CurrentChannel(measured_by="meter"),
        divider_at=None,
    )
    sweep = make_sweep(readings, Bench(front_end=unsaid))
    np.testing.assert_allclose(sweep.noise_voltage, 0.001 / math.sqrt(12))
    np.testing.assert_allclose(sweep.noise_current, 1e-5 / math.sqrt(12))


def test_digits_lost_in_writing_down_add_to_the_converters_noise():
    front_end = replace(BOARD, readings="scaled")
    coarse = table({"voltage": 0.1, "current": 0.01}, voltage=[2.0, 17.0], current=[0.5, 0.4])
    sweep = make_sweep(coarse, Bench(front_end=front_end))
    step = 3.3 / 4096 * 115 / 15
    np.testing.assert_allclose(sweep.noise_voltage, math.hypot(0.1, step) / math.sqrt(12))


def test_scatter_that_the_bench_states_joins_the_noise():
    front_end = replace(BOARD, voltage=replace(DIVIDER, noise_V=0.02))
    plain = make_sweep(table(voltage_code=[900], current_code=[900]), Bench(front_end=BOARD))
    noisy = make_sweep(table(voltage_code=[900], current_code=[900]), Bench(front_end=front_end))
    np.testing.assert_allclose(noisy.noise_voltage, np.hypot(plain.noise_voltage, 0.02))


def test_noise_of_a_current_from_the_load_is_never_understated():
    front_end = FrontEnd("panel", "codes", DIVIDER, converter=CONVERTER)
    sweep = make_sweep(
        table(voltage_code=[900, 2000], load=[10.0, 47.0]), Bench(front_end=front_end)
    )
    step = 3.3 / 4096 * 115 / 15 / math.sqrt(12)
    for slope in (0.0, 0.01, 1 / 47, 1.0):  # of the curve, A/V, downward
        true = step * (1 / sweep.load + slope) + step / 115e3
        stated = np.hypot(sweep.noise_current, slope * sweep.noise_voltage)
        assert np.all(stated >= true * 0.999)


# --- from a table to a sweep ------------------------------------------------------------------


def test_without_a_bench_the_columns_are_taken_as_they_are_and_nothing_is_claimed():
    sweep = make_sweep(table({"voltage": 0.01}, voltage=[1.0, 2.0], current=[0.02, 0.01]))
    np.testing.assert_array_equal(sweep.voltage, [1.0, 2.0])
    np.testing.assert_array_equal(sweep.current, [0.02, 0.01])
    assert sweep.noise_voltage is None
    assert sweep.noise_current is None
    assert sweep.effects == ()
    assert sweep.notes == ()
    assert list(sweep.rows) == [2, 3]


def test_cells_and_condition_come_from_the_call_then_the_table_then_the_bench():
    bench = Bench(
        panel=PanelUnderTest(cells=36),
        condition=BenchCondition(
            irradiance_W_m2=900.0, temp_cell_degC=40.0, u_temp_cell_degC=1.0, u_irradiance_W_m2=20.0
        ),
    )
    plain = {"voltage": [1.0, 2.0], "current": [0.02, 0.01]}
    sweep = make_sweep(table(**plain), bench)
    assert (sweep.cells, sweep.condition.temp_cell, sweep.condition.effective_irradiance) == (
        36,
        40.0,
        900.0,
    )
    assert sweep.condition.u_temp_cell == 1.0
    sweep = make_sweep(table(**plain, temperature=[41.0, 43.0], irradiance=[np.nan, 800.0]), bench)
    assert (sweep.condition.temp_cell, sweep.condition.effective_irradiance) == (42.0, 800.0)
    sweep = make_sweep(
        table(**plain, temperature=[41.0, 43.0]), bench, cells=32, temp_cell=30.0, irradiance=0.0
    )
    assert (sweep.cells, sweep.condition.temp_cell, sweep.condition.effective_irradiance) == (
        32,
        30.0,
        0.0,
    )


def test_a_saturated_converter_leaves_the_row_out_and_says_so():
    sweep = make_sweep(
        table(voltage_code=[10, 20, 3000], current_code=[4095, 4000, 900]), Bench(front_end=BOARD)
    )
    assert list(sweep.rows) == [3, 4]
    assert any("row 2 left out: the converter was at its end" in note for note in sweep.notes)


def test_a_code_of_zero_is_kept_and_said_to_be_cut_off_below():
    readings = {"voltage_code": [20, 900], "current_code": [900, 0]}
    sweep = make_sweep(table(**readings), Bench(front_end=BOARD))
    assert len(sweep) == 2
    assert any("row 3: current at the converter's zero, below which" in n for n in sweep.notes)
    signed = {"voltage_code": [20, 900], "current_code": [0, -40]}
    sweep = make_sweep(table(**signed), Bench(front_end=BOARD))
    assert not any("converter's zero" in note for note in sweep.notes)


def test_many_rows_left_out_are_counted_rather_than_listed():
    codes = [4095] * 9 + [100]
    sweep = make_sweep(table(voltage_code=codes, current_code=codes), Bench(front_end=BOARD))
    assert any("rows 2, 3, 4, 5, 6 and 4 more left out" in note for note in sweep.notes)


def test_parts_without_a_tolerance_are_named_as_taken_for_exact():
    front_end = FrontEnd(
        "panel",
        "codes",
        VoltageChannel(divider_top_ohm=1e5, divider_bottom_ohm=1.5e4),
        CurrentChannel(shunt_ohm=0.22, gain=20.0),
        Converter(bits=12, reference_V=3.3),
    )
    sweep = make_sweep(table(voltage_code=[900], current_code=[900]), Bench(front_end=front_end))
    assert sweep.effects == ()
    assert sweep.notes[-1] == (
        "taken as exact, no tolerance stated: divider, shunt, current amplifier, "
        "converter reference"
    )


def test_one_channel_may_be_a_meter_and_the_other_a_converter():
    front_end = replace(
        BOARD, current=CurrentChannel(resolution_A=1e-3, accuracy_pct_of_reading=1.0)
    )
    written = write_readings([10.0], [0.4321], front_end)
    assert set(written) == {"voltage_code", "current"}
    np.testing.assert_allclose(written["current"], 0.432)
    sweep = make_sweep(table(**written), Bench(front_end=front_end))
    assert not np.any(effect(sweep, "converter reference").di > 1e-6)


@pytest.mark.parametrize(
    ("columns", "bench", "message"),
    [
        ({"current": [1.0]}, Bench(), r"sweep.csv: no column is headed as voltage"),
        ({"load": [1.0]}, Bench(), r"sweep.csv: no column is headed as voltage"),
        ({"voltage": [1.0]}, Bench(), r"sweep.csv: no column is headed as current"),
        (
            {"voltage": [1.0, 1.0], "current": [1.0, 1.0], "sweep": [1.0, 2.0]},
            Bench(),
            r"sweep.csv: holds 2 sweeps, told apart by 'sweep'; put each sweep into a file of",
        ),
        (
            {"voltage": [np.nan], "current": [0.1]},
            Bench(),
            r"no row can be used \(row 2 left out: no voltage and current follow from it\)",
        ),
        ({"voltage": [], "current": []}, Bench(), r"no row can be used \(the table is empty\)"),
        (
            {"voltage_code": [1.0], "current_code": [1.0]},
            Bench(),
            r"voltage is in converter codes, and no bench says what a code is; add \[front_end",
        ),
        (
            {"voltage": [1.0], "current": [1.0]},
            Bench(front_end=BOARD),
            r"readings = \"codes\", but voltage is headed in volts or amperes; head the column",
        ),
        (
            {"voltage_code": [1.0, 5000.0], "current_code": [1.0, 1.0]},
            Bench(front_end=BOARD),
            r"sweep.csv, row 3: voltage code 5000 is above the largest of 12 bits, 4095; check bi",
        ),
        (
            {"voltage": [1.0], "current": [1.0]},
            Bench(front_end=FrontEnd(current=CurrentChannel(measured_by="load"))),
            r"measured_by = \"load\", but there is no load column; add the load resistance",
        ),
    ],
)
def test_columns_that_give_no_sweep_are_refused_with_the_remedy(columns, bench, message):
    with pytest.raises((SweepError, TableError), match=message):
        make_sweep(table(**columns), bench)


def test_a_bench_that_takes_the_current_from_the_load_sets_the_column_aside():
    bench = Bench(front_end=FrontEnd(current=CurrentChannel(measured_by="load")))
    sweep = make_sweep(table(voltage=[2.0], current=[9.0], load=[40.0]), bench)
    np.testing.assert_allclose(sweep.current, 0.05)
    assert any("current column set aside" in note for note in sweep.notes)


def test_readings_behind_an_open_or_short_circuit_are_kept_where_ohms_law_allows():
    sweep = make_sweep(table(voltage=[0.0, 2.0, 2.4], load=[0.0, 40.0, np.inf]))
    np.testing.assert_allclose(sweep.current, [0.05, 0.0])
    sweep = make_sweep(table(current=[0.06, 0.05, 0.0], load=[0.0, 40.0, np.inf]))
    np.testing.assert_allclose(sweep.voltage, [0.0, 2.0])


# --- simulated readings -------------------------------------------------------------------------


def test_codes_stay_within_the_converters_range():
    written = write_readings([-1.0, 50.0], [2.0, 0.1], BOARD)
    assert list(written["voltage_code"]) == [0, 4095]
    assert written["current_code"][0] == 4095


def test_many_experiments_at_once_are_the_same_as_one_by_one():
    rng = np.random.default_rng(3)
    hidden = draw_hidden(BOARD, rng, 4)
    volts = np.array([[1.0, 17.0]]) * np.arange(1, 5)[:, None] / 4
    together = write_readings(volts, 0.4, BOARD, None, hidden)
    for k in range(4):
        own = {name: value[k, 0] for name, value in hidden.items()}
        alone = write_readings(volts[k], 0.4, BOARD, None, own)
        np.testing.assert_array_equal(together["voltage_code"][k], alone["voltage_code"])
        np.testing.assert_array_equal(together["current_code"][k], alone["current_code"])


def test_hidden_errors_stay_within_the_tolerances():
    hidden = draw_hidden(BOARD, np.random.default_rng(5), 5000, [10.0, 22.0], Loads((), 5.0))
    assert {"divider top", "shunt", "converter reference", "load 10 ohm"} <= set(hidden)
    for value in hidden.values():
        assert value.shape == (5000, 1)
        assert np.max(np.abs(value)) <= math.sqrt(3)
        # standard deviation 1 by definition; 0.63 % standard error of a rectangular one
        assert math.isclose(np.std(value), 1.0, rel_tol=0.03)


def test_a_hidden_load_error_changes_what_the_panel_sees():
    seen = load_at_panel(
        FrontEnd(), [10.0, 22.0], {"load 10 ohm": math.sqrt(3)}, Loads((), tolerance_pct=5.0)
    )
    np.testing.assert_allclose(seen, [10.5, 22.0])


def test_a_hidden_error_of_a_part_without_tolerance_is_refused():
    with pytest.raises(BenchError, match=r"hidden errors: no tolerance is stated for 'shant'"):
        write_readings([1.0], [0.1], BOARD, hidden={"shant": 1.0})
