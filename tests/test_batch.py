"""Many sweeps to one row each: values, uncertainties, and long tables taken apart."""

import io
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ivkit
from ivkit.curve.batch import (
    COLUMNS,
    KEY_POINTS,
    UNITS,
    FileContent,
    Taking,
    fit_rows,
    look_through,
    rows_of,
)
from ivkit.curve.diode import SingleDiode
from ivkit.errors import TableError
from ivkit.readings import long_table
from ivkit.readings.long_table import unread_sweeps
from ivkit.readings.sweep import Condition, Effect, Sweep
from ivkit.readings.table import read_table

PANEL = SingleDiode(0.62, 3.7e-10, 1.2, 900.0, 1.0175)
# Loads are not evenly spaced in voltage, so neither are readings.
VOLTAGE = 21.6 * (1.0 - np.linspace(1.0, 0.0, 25) ** 1.3)


def sweep(light, seed=0, points=25, **more):
    rng = np.random.default_rng(seed)
    voltage = VOLTAGE[np.linspace(0, 24, points).astype(int)]
    current = light * PANEL.current(voltage) + 2e-4 * rng.standard_normal(points)
    return Sweep(voltage, current, name=f"{light:g}", **more)


def noise(points, voltage=0.004):
    found = {"noise_current": np.full(points, 2e-4)}
    return found if voltage is None else found | {"noise_voltage": np.full(points, voltage)}


def rows_for(sweeps):
    return fit_rows([look_through(one) for one in sweeps])


def unread(text, **more):
    return list(unread_sweeps(io.StringIO(text), **more))


def test_a_row_says_what_the_fit_of_its_sweep_alone_says():
    v = VOLTAGE
    known = Condition(temp_cell=31.0, u_temp_cell=2.0)
    both = (Effect("divider", 0.004 * v, 0 * v), Effect("shunt", 0 * v, 0.003 * PANEL.current(v)))
    mixed = [
        sweep(1.0),
        sweep(0.8, 1, 18, **noise(18)),
        sweep(0.6, 2, **noise(25, None)),
        sweep(0.9, 3, **noise(25), effects=both, cells=36, condition=known),
        sweep(0.7, 4, **noise(25), effects=both[:1]),
        sweep(0.5, 5, 12),
        replace(sweep(1.0, 6), noise_current=np.full(25, 5e-5)),  # less than the readings scatter
    ]
    for row, one in zip(rows_for(mixed), mixed, strict=True):
        alone = ivkit.fit(one)
        assert tuple(row) == COLUMNS
        assert (row["file"], row["points"]) == (one.name, len(one))
        assert row["rmse_A"] == pytest.approx(alone.rmse, rel=1e-9)
        assert row["flags"] == alone.flags
        assert row["faults"] == tuple(fault.name for fault in alone.faults)
        expected = {key: getattr(alone.key_points, name) for key, name in KEY_POINTS.items()}
        for name, unit in UNITS.items():
            expected[f"{name}_{unit}"] = None if name in alone.limits else alone.parameters[name]
        expected["ideality_factor"] = alone.parameters["ideality_factor"]
        for key, quantity in expected.items():
            if quantity is None:
                assert row[key] is None
                assert row[f"u_{key}"] is None
                continue
            assert row[key] == pytest.approx(quantity.nominal_value, rel=1e-7)
            assert row[f"u_{key}"] == pytest.approx(quantity.std_dev, rel=1e-5)


def test_uncertainties_are_the_scatter_of_repeated_experiments():
    # 1500 experiments with a known panel: noise on both channels anew for each reading, and a
    # divider anew for each sweep. The spread of what they give is known to 1/sqrt(2 * 1500) =
    # 1.8 %; the limit below is three times that, and 1 % for what is not linear.
    rng = np.random.default_rng(20)
    voltage, current = VOLTAGE, PANEL.current(VOLTAGE)
    sweeps = []
    for _ in range(1500):
        ratio = 1 + 0.004 * rng.standard_normal()
        read_v = ratio * (voltage + 0.004 * rng.standard_normal(25))
        read_i = current + 2e-4 * rng.standard_normal(25)
        effects = (Effect("divider", 0.004 * read_v, np.zeros(25)),)
        sweeps.append(Sweep(read_v, read_i, **noise(25), effects=effects))
    rows = rows_for(sweeps)
    truth = PANEL.key_points()
    for key, name in KEY_POINTS.items():
        values = np.array([row[key] for row in rows])
        stated = np.sqrt(np.mean(np.square([row[f"u_{key}"] for row in rows])))
        assert np.std(values) == pytest.approx(stated, rel=0.065), key
        assert abs(np.mean(values) - getattr(truth, name)) < 4 * stated / np.sqrt(1500), key


def test_what_cannot_be_told_is_none_and_flagged():
    short = Sweep(VOLTAGE[5:20], PANEL.current(VOLTAGE[5:20]), name="short")
    resistor = Sweep(VOLTAGE, 0.1 * VOLTAGE, name="resistor")
    few = Sweep(VOLTAGE[::8], PANEL.current(VOLTAGE[::8]), name="few")
    first, second, third = rows_for([short, resistor, few])
    assert first["voc_V"] is None
    assert first["fill_factor"] is None
    assert first["imp_A"] is not None
    assert "open_circuit_not_reached" in first["flags"]
    for row, flag in ((second, "straight_line"), (third, "too_few_points")):
        assert row["pmp_W"] is row["u_pmp_W"] is row["photocurrent_A"] is None
        assert flag in row["flags"]
        assert flag in row["faults"]
        assert row["severity"] == "warning"


def test_readings_at_fault_are_left_out_and_the_fault_is_named():
    swapped = Sweep(PANEL.current(VOLTAGE), VOLTAGE, cells=36, name="swapped")
    held = PANEL.current(VOLTAGE).clip(max=0.4)
    clipped, other = rows_for([Sweep(VOLTAGE, held, name="clipped"), swapped])
    alone = ivkit.fit(Sweep(VOLTAGE, held))
    assert "clipped_channel" in clipped["faults"]
    assert clipped["points_used"] == len(alone.sweep) < clipped["points"] == 25
    assert other["severity"] == "error"
    assert "voltage_per_cell" in other["faults"]  # 0.6 V from 36 cells


def test_one_bad_sweep_does_not_stop_the_rest():
    good = sweep(1.0)
    lines = [f"{v:.4f},{i:.6f}" for v, i in zip(good.voltage, good.current, strict=True)]
    text = "run,V,I\n" + "".join(
        f"{run},{line}\n"
        for run in ("a", "b", "c", "d")
        for line in (["1.0,x", *lines] if run == "b" else ["1.0,0.0"] if run == "c" else lines)
    )
    rows = rows_of([FileContent("long.csv", text.encode())], Taking())
    assert [row["sweep"] for row in rows] == ["a", "b", "c", "d"]
    assert rows[0]["pmp_W"] == rows[3]["pmp_W"] > 0
    assert rows[1]["error"].startswith("long.csv, sweep b, row 27, column 'I': 'x' is no")
    assert rows[2]["error"].startswith("long.csv, sweep c: 1 reading")
    for row in rows[1:3]:
        assert set(row) == set(COLUMNS)
        assert row["pmp_W"] is None


def test_a_file_that_is_no_table_is_a_row_with_the_reason():
    (row,) = rows_of([FileContent("photo.csv", b"\x1f\x8b\x08rest")], Taking())
    assert row["error"] == "photo.csv: it is compressed; unpack it first"


@settings(max_examples=60, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 9), min_size=1, max_size=8),
    block=st.integers(1, 12),
    form=st.sampled_from([(",", "."), (";", ","), ("\t", "."), ("  ", ".")]),
    names=st.sampled_from(["{}", "jetty {}", "{}.0", "A-{}"]),
)
def test_a_sweep_of_a_long_table_reads_as_in_a_file_of_its_own(sizes, block, form, names):
    separator, point = form
    rng = np.random.default_rng(sum(sizes) + block)
    heading = separator.join(("U_mV", "run", "note", "I_mA"))
    bodies = []
    for k, size in enumerate(sizes):
        cells = ((f"{v:.1f}", names.format(k), "dry", f"{i:.2f}") for v, i in rng.random((size, 2)))
        bodies.append([separator.join(row).replace(".", point) for row in cells])
    whole = long_table._BLOCK
    try:
        long_table._BLOCK = block
        found = unread("\n".join([heading, *(line for body in bodies for line in body)]))
    finally:
        long_table._BLOCK = whole
    row = 2
    for one, body in zip(found, bodies, strict=True):
        alone, table = read_table(io.StringIO("\n".join([heading, *body]))), one.read()
        for quantity in ("voltage", "current"):
            assert np.array_equal(table[quantity], alone[quantity])
            assert table.resolution[quantity] == alone.resolution[quantity]
        assert one.sweep == names.format(bodies.index(body)).replace(".", point)
        assert list(table.rows) == list(range(row, row + len(body)))
        row += len(body)


def test_a_table_without_a_sweep_column_is_one_sweep():
    (one,) = unread("V,I\n0,0.2\n0.4,0.1\n")
    assert one.sweep == ""
    assert list(one.read()["voltage"]) == [0.0, 0.4]


def test_a_table_with_one_quantity_a_row_is_one_sweep():
    (one,) = unread("U (V);0;0.4;0.5\nI (mA);60;59;12\n")
    assert list(one.read()["current"]) == [0.06, 0.059, 0.012]


def test_the_mark_of_most_sweeps_is_the_mark_of_the_table():
    body = "".join(f"{run};0.5;0.25\n{run};0.75;0.125\n" for run in "abc")
    found = unread("run;V;I\n" + body + "d;0,55;0,2\nd;0,56;0,1\n")
    assert list(found[0].read()["voltage"]) == [0.5, 0.75]
    with pytest.raises(TableError, match="'0,55'"):
        found[3].read()


def test_a_table_in_which_no_mark_is_the_common_one_is_refused():
    with pytest.raises(TableError, match="0,55"):
        unread("run;V;I\na;0.5;0.25\nb;0,55;0,2\n")


@pytest.mark.parametrize("broken", ["8,0.5", "8", "0.5,0.1", "8,0.5,0.1,0.2"])
def test_a_line_with_missing_cells_spoils_its_own_sweep_only(broken):
    text = f"run,V,I\n7,0.0,0.2\n7,0.5,0.1\n8,0.0,0.2\n{broken}\n8,0.5,0.1\n9,0.0,0.2\n"
    found = unread(text)
    assert [one.sweep for one in found] == ["7", "8", "9"]
    with pytest.raises(TableError, match=r"row 5: .* the table has 3 columns"):
        found[1].read()
    assert len(found[0].read()) == 2
    assert len(found[2].read()) == 1


def test_a_broken_line_at_the_seam_goes_with_the_sweep_that_it_names():
    found = unread("run,V,I\n7,0.0,0.2\n8,0.5\n8,0.5,0.1\n")
    assert [(one.sweep, one.trouble is None) for one in found] == [("7", True), ("8", False)]


def test_a_blank_column_is_told_sweep_by_sweep():
    first, second = unread("run,V,I\n7,0.0,\n7,0.5,\n8,0.0,0.2\n")
    assert "current" not in first.read()
    assert "is blank" in first.read().doubts["current"]
    assert "current" in second.read()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "run,V,I\n7,0.0,0.2\n8,0.0,0.2\n7,0.5,0.1\n",
            r"row 4: sweep '7' begins in row 2 and goes on here.*; sort the rows by 'run'",
        ),
        (
            "sweep,run,V,I\n1,7,0.0,0.2\n",
            r"'sweep' and 2 'run' may all be sweep; choose.*--by NAME",
        ),
        (
            "sweep_id,V,I\n7,0.0,0.2\n7,0.5,0.1\n8,0.0,0.2\n",
            r"column 'sweep_id' may tell sweeps apart; say so with --by sweep_id, or --by none",
        ),
        ("run,V,I\n# nothing\n", "no reading below the heading"),
        ("V,I\n# nothing\n", "no reading below the heading"),
    ],
)
def test_a_table_that_cannot_be_taken_apart_is_refused(text, message):
    with pytest.raises(TableError, match=message):
        unread(text)


def test_rows_that_name_no_sweep_are_not_guessed_at():
    first, second, third = unread("run,V,I\n7,0.0,0.2\n,0.5,0.1\n8,0.0,0.2\n")
    with pytest.raises(TableError, match="row 3: no sweep is named in column 'run'"):
        second.read()
    assert (first.sweep, second.sweep, third.sweep) == ("7", "", "8")


def test_an_id_is_taken_for_a_sweep_only_when_asked():
    text = "panel_id,V,I\n7,0.0,0.2\n7,0.5,0.1\n8,0.0,0.2\n"
    assert len(unread(text, columns={"sweep": "panel_id"})) == 2
    assert len(unread(text, columns={"sweep": "none"})) == 1
    # A number for each reading, or the same for all, tells no sweeps apart.
    assert len(unread("id,V,I\n1,0.0,0.2\n2,0.5,0.1\n")) == 1
    assert len(unread("panel id,V,I\n4,0.0,0.2\n4,0.5,0.1\n")) == 1
