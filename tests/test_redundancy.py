"""Power, voltage, current and load held against each other: slips named, what is in series found.

All readings are invented; the truth is put in by hand or by the single-diode equation.
"""

import io
import json

import numpy as np
import pytest

from ivkit.curve.diode import SingleDiode
from ivkit.curve.fit import fit
from ivkit.errors import SweepError
from ivkit.readings.evidence import Evidence
from ivkit.readings.read import read_sweep
from ivkit.readings.redundancy import check_loads, load_factor, with_series_resistance
from ivkit.readings.sweep import Sweep

SMALL = SingleDiode(4.1e-3, 1e-6, 20.0, 4000.0, 0.18)
BOX = np.array([10000, 5000, 2000, 1000, 500, 400, 300, 200, 150, 100, 50, 20, 10.0])


def decade_box(series, model=SMALL):
    """A small cell on a decade box, as written down in a school: one quantity a row."""
    point = model.operating_point(BOX + series)
    r = [f"{x / 1000:g}k" if x >= 1000 else f"{x:g}" for x in BOX]
    u = [f"{x:.2f}" for x in point.voltage]
    i = [f"{1000 * x:.2f}" for x in point.current]
    return f"R {' '.join(r)}\nen Ω\nU {' '.join(u)}\nen V\nI {' '.join(i)}\nen mA\n"


def table(rows, heading="U_V,I_A,R_ohm"):
    return io.StringIO(heading + "\n" + "\n".join(",".join(f"{x:.6g}" for x in r) for r in rows))


def points(loads=(5, 10, 20, 40, 60, 80, 120, 300)):
    """V, I and R that agree: 0.25 A up to the knee, then less."""
    model = SingleDiode(0.25, 5e-10, 0.5, 900.0, 1.02)
    point = model.operating_point(np.array(loads, dtype=float))
    return list(zip(point.voltage, point.current, loads, strict=True))


# Series resistance


def test_a_decade_box_with_22_ohm_in_series_is_read_as_it_stands():
    sweep = read_sweep(io.StringIO(decade_box(22.0)))
    found = fit(sweep)
    (fault,) = [one for one in found.faults if one.name == "series_resistance_in_load"]
    assert fault.severity == "note"
    assert "ohm more than the stated load" in fault.message
    checked = check_loads(sweep)
    assert checked.resistance == pytest.approx(22.0, abs=2 * checked.u_resistance)
    assert checked.u_resistance < 4
    # The power does not suffer: V and I are what they are. Maximum by the equation.
    assert found.key_points.p_mp.nominal_value == pytest.approx(SMALL.key_points().p_mp, rel=0.01)


def test_loads_that_are_as_stated_show_nothing_in_series():
    sweep = read_sweep(io.StringIO(decade_box(0.0)))
    assert not [one for one in fit(sweep).faults if one.name == "series_resistance_in_load"]
    found = check_loads(sweep)
    assert abs(found.resistance) < 3 * found.u_resistance


def test_the_uncertainty_of_what_is_in_series_keeps_its_word():
    # Loads off by up to 5 %, each on its own; 300 boxes. The stated 2 u should hold in about 95 %;
    # binomial: 285 +- 3.8, so at least 270 leaves four of these.
    rng = np.random.default_rng(777)
    good = 0
    for _ in range(300):
        true = rng.uniform(5, 60)
        point = SMALL.operating_point(BOX * (1 + rng.uniform(-0.05, 0.05, BOX.size)) + true)
        v = point.voltage + rng.normal(0, 0.003, BOX.size)
        i = point.current + rng.normal(0, 1.2e-5, BOX.size)
        found = check_loads(Sweep(v, i, evidence=Evidence(load_at_panel=BOX)))
        good += abs(found.resistance - true) < 2 * found.u_resistance
    assert good >= 270


def test_loads_are_corrected_if_asked(command_line, tmp_path):
    (tmp_path / "box.txt").write_text(decade_box(22.0))
    status, out, _ = command_line("characterize", "box.txt", "--correct-loads", "--json", "-")
    assert status == 0
    found = json.loads(out)
    (note,) = [one for one in found["notes"] if "in series" in one]
    assert note.endswith("ohm in series (1 sigma) added to the stated loads")
    assert "series_resistance_in_load" not in found["tables"]["faults"]["columns"]["name"]
    left = found["summary"]["loads_series_resistance_ohm"]
    assert abs(left["value"]) < left["u"]


def test_what_is_in_series_is_in_the_json_with_its_uncertainty(command_line, tmp_path):
    (tmp_path / "box.txt").write_text(decade_box(22.0))
    (tmp_path / "bare.csv").write_text("V,I\n0,0.1\n0.3,0.09\n0.5,0.05\n0.6,0\n")
    _, out, _ = command_line("characterize", "box.txt", "bare.csv", "--json", "-")
    found = json.loads(out)["tables"]["sweeps"]["columns"]
    box, bare = found["loads_series_resistance_ohm"]
    assert abs(box - 22) < 2 * found["u_loads_series_resistance_ohm"][0]
    assert bare is None


def test_corrected_loads_are_the_stated_ones_and_what_was_found():
    sweep = read_sweep(io.StringIO(decade_box(22.0)))
    more = with_series_resistance(sweep).load - sweep.load
    np.testing.assert_allclose(more, check_loads(sweep).resistance)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("V,I\n0,0.1\n0.3,0.09\n0.5,0.05\n0.6,0\n", "no series resistance can be found; it takes"),
        (decade_box(0.0), "which may be none; leave the loads as they are"),
    ],
)
def test_nothing_is_corrected_where_nothing_is_found(command_line, tmp_path, text, message):
    (tmp_path / "table.csv").write_text(text)
    status, out, err = command_line("characterize", "table.csv", "--correct-loads")
    assert (status, out) == (2, "")
    assert err.startswith("ivkit: table.csv: ")
    assert message in err


# Unit slips


def test_a_power_column_under_the_wrong_unit_is_named():
    rows = [(v, i, 1e6 * v * i) for v, i, _ in points()]
    found = fit(read_sweep(table(rows, "U_V,I_A,P_mW")))
    (slip,) = [one for one in found.faults if one.name == "unit_slip"]
    assert slip.message.startswith("the power column is 1000 times voltage times current")


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([(v, 1000 * i, r) for v, i, r in points()], "0.001 times the stated load in all"),
        ([(1000 * v, i, r) for v, i, r in points()], "1000 times the stated load in all"),
        ([(v, i, r / 1000) for v, i, r in points()], "1000 times the stated load in all"),
    ],
)
def test_three_columns_of_which_one_is_wrong_are_refused_with_the_choices(rows, told):
    with pytest.raises(SweepError, match=told) as refused:
        read_sweep(table(rows))
    for choice in ("--column voltage=", "--column current=", "--column load=NAME:", "load=none"):
        assert choice in str(refused.value)


@pytest.mark.parametrize(
    ("scale", "told"),
    [
        (
            (1, 1000, 1),
            "the current is in the wrong unit; correct its heading, or say --column c",
        ),
        (
            (1000, 1, 1),
            "the voltage is in the wrong unit; correct its heading, or say --column v",
        ),
    ],
)
def test_power_tells_whether_voltage_or_current_is_wrong(scale, told):
    a, b, c = scale
    rows = [(a * v, b * i, c * r, v * i) for v, i, r in points()]
    with pytest.raises(SweepError, match=told):
        read_sweep(table(rows, "U_V,I_A,R_ohm,P_W"))


def test_a_load_column_that_power_shows_to_be_wrong_is_set_aside():
    rows = [(v, i, r / 1000, v * i) for v, i, r in points()]
    sweep = read_sweep(table(rows, "U_V,I_A,R_ohm,P_W"))
    assert sweep.load is None
    assert "the load's heading names the wrong unit; the column is not used" in sweep.notes[-1]
    names = {one.name for one in fit(sweep).faults}
    assert not names & {"current_offset", "series_resistance_in_load", "power_disagrees"}


def test_the_choice_that_a_refusal_shows_is_taken():
    rows = [(v, 1000 * i, r) for v, i, r in points()]
    sweep = read_sweep(table(rows, "U_V,I_A,R_ohm"), columns={"current": "I_A:mA"})
    np.testing.assert_allclose(sweep.current, [i for _, i, _ in points()], rtol=1e-4)


def test_what_is_no_unit_is_no_slip():
    # A factor of ten is a range or a shunt, a few ohm in series are leads, one label is one load.
    rows = points()
    for wrong in (
        [(v, 10 * i, r) for v, i, r in rows],
        [(v, i, max(r - 4, 1)) for v, i, r in rows],
        [(v, i, 1000 * r if k == 3 else r) for k, (v, i, r) in enumerate(rows)],
    ):
        v, i, r = (np.array(x) for x in zip(*wrong, strict=True))
        assert load_factor(Sweep(v, i, evidence=Evidence(load_at_panel=r))) is None


def test_one_bad_sweep_in_a_batch_is_told_and_the_rest_goes_on(command_line, tmp_path):
    for name, scale in (("good.csv", 1), ("slip.csv", 1000)):
        rows = "\n".join(f"{v:.4f},{scale * i:.5f},{r}" for v, i, r in points())
        (tmp_path / name).write_text(f"U_V,I_A,R_ohm\n{rows}\n")
    status, out, err = command_line("batch", "good.csv", "slip.csv")
    assert status == 1
    assert len(out.splitlines()) == 3
    assert err.startswith("ivkit: slip.csv: voltage over current is 0.001 times the stated load")
