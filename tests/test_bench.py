"""Bench files: what is read, and what each slip in one is told."""

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ivkit.bench import Bench, Converter, CurrentChannel, FrontEnd, find_bench, load_bench
from ivkit.errors import BenchError, FileError, IvkitError

WHOLE = """
name = "shed"

[panel]
cells = 36
area_cm2 = 980.5
datasheet = "sheets/panel.toml"

[condition]
irradiance_W_m2 = 140
u_irradiance_W_m2 = 15.0
temp_cell_degC = -3.5
u_temp_cell_degC = 1.0

[front_end]
divider_at = "panel"
readings = "codes"

[front_end.voltage]
divider_top_ohm = "100k"
divider_bottom_ohm = 15000
tolerance_pct = 1
divider_top_tolerance_pct = 0.5
input_impedance_ohm = "10M"

[front_end.current]
shunt_ohm = "0R22"
shunt_tolerance_pct = 1
gain = 20
gain_tolerance_pct = 0.5
offset_V = -0.01
offset_tolerance_V = 0.002

[front_end.converter]
bits = 12
reference_V = 3.3
reference_tolerance_pct = 0.5
offset_counts = -0.5
offset_tolerance_counts = 2
noise_counts = 0.8
averages = 16

[loads]
values = ["10", "4k7", 47]
tolerance_pct = 5
power_W = 5
"""


def bench_file(folder: Path, text: str | bytes) -> Path:
    path = folder / "bench.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_every_key_of_a_bench_file_arrives_with_its_value(tmp_path):
    bench = load_bench(bench_file(tmp_path, WHOLE))
    assert (bench.name, bench.panel.cells, bench.panel.area_cm2) == ("shed", 36, 980.5)
    assert bench.condition.irradiance_W_m2 == 140.0
    assert bench.condition.temp_cell_degC == -3.5
    volt, ampere = bench.front_end.voltage, bench.front_end.current
    assert (volt.divider_top_ohm, volt.divider_bottom_ohm) == (100e3, 15e3)
    assert (volt.tolerance_pct, volt.divider_top_tolerance_pct) == (1.0, 0.5)
    assert volt.input_impedance_ohm == 10e6
    assert (ampere.shunt_ohm, ampere.gain, ampere.offset_V) == (0.22, 20.0, -0.01)
    converter = bench.front_end.converter
    assert (converter.bits, converter.reference_V, converter.averages) == (12, 3.3, 16)
    assert converter.top == 4095
    assert bench.loads.values == (10.0, 4700.0, 47.0)
    assert bench.loads.power_W == 5.0
    assert not volt.is_meter
    assert not ampere.is_meter


def test_a_datasheet_is_looked_for_beside_the_bench_file(tmp_path):
    bench = load_bench(bench_file(tmp_path, WHOLE))
    assert Path(bench.panel.datasheet) == tmp_path / "sheets" / "panel.toml"


def test_what_a_bench_file_leaves_out_is_empty_or_none(tmp_path):
    bench = load_bench(bench_file(tmp_path, ""))
    assert bench.front_end is None
    assert bench.panel.cells is None
    assert bench.condition.temp_cell_degC is None
    assert bench.loads.values == ()
    assert bench == Bench(path=str(tmp_path / "bench.toml"))


def test_two_meters_need_no_converter(tmp_path):
    bench = load_bench(
        bench_file(
            tmp_path,
            """
            [front_end]
            divider_at = "load"
            [front_end.voltage]
            resolution_V = 0.01
            accuracy_pct_of_reading = 0.5
            accuracy_counts = 2
            input_impedance_ohm = "10M"
            [front_end.current]
            resolution_A = 0.0001
            burden_ohm = 1.8
            """,
        )
    )
    assert bench.front_end.voltage.is_meter
    assert bench.front_end.current.is_meter
    assert bench.front_end.converter is None


def test_one_step_of_a_converter_is_the_published_size():
    # 10 bits at 5 V: 4.8828125 mV; 12 bits at 3.3 V: 0.8056641 mV; closed form reference / 2^bits
    assert Converter(bits=10, reference_V=5.0).step == 4.8828125e-3
    assert math.isclose(Converter(bits=12, reference_V=3.3).step, 0.8056641e-3, rel_tol=1e-7)


def test_a_bench_is_found_only_in_the_folder_itself(tmp_path):
    assert find_bench(tmp_path) is None
    path = bench_file(tmp_path, "")
    below = tmp_path / "below"
    below.mkdir()
    assert find_bench(tmp_path) == path
    assert find_bench(below) is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[front_end.current]\nshunt_ohm = -0.22",
            r"bench.toml, \[front_end.current\] shunt_ohm: -0.22 is negative; "
            r"give the shunt's resistance in ohm",
        ),
        (
            "[front_end.current]\nshunt_ohm = 0",
            r"\[front_end.current\] shunt_ohm: 0 is not above zero; give the shunt's resistance",
        ),
        (
            "[front_end.current]\nshunt_ohms = 0.22",
            r"bench.toml, \[front_end.current\]: unknown key 'shunt_ohms'; "
            r"did you mean 'shunt_ohm'\?",
        ),
        ("[frontend]\nx = 1", r"unknown section 'frontend'; did you mean 'front_end'\?"),
        ("[zzz]\nx = 1", r"unknown section 'zzz'; known here: name, panel, condition"),
        ("[panel]\ncells = 36.5", r"\[panel\] cells: 36.5 is not a whole number; give the number"),
        ("[panel]\ncells = '36'", r"\[panel\] cells: '36' is not a whole number; give the number"),
        ("[panel]\ncells = true", r"\[panel\] cells: true is not a whole number"),
        ("[panel]\ncells = [36]", r"\[panel\] cells: a list is not a whole number"),
        ("[panel]\ncells = {a = 1}", r"\[panel\] cells: a section is not a whole number"),
        ("[panel]\ncells = 0", r"\[panel\] cells: 0 is below 1"),
        ("panel = 36", r"bench.toml, \[panel\]: 36 is not a section; write \[panel\] on a line"),
        ("name = 5", r"bench.toml, name: 5 is not text in quotes; give a name for the bench"),
        ("name = ''", r"bench.toml, name: '' is not text in quotes"),
        (
            "[condition]\ntemp_cell_degC = 298",
            r"\[condition\] temp_cell_degC: 298 is above 200 degC; give the cell temperature in de",
        ),
        ("[condition]\ntemp_cell_degC = nan", r"temp_cell_degC: nan is not a finite number"),
        ("[condition]\nirradiance_W_m2 = 1e999", r"irradiance_W_m2: inf is not a finite number"),
        (f"[condition]\nirradiance_W_m2 = 1{'0' * 400}", r"100000.*\.\.\. is not a finite number"),
        ("[condition]\nirradiance_W_m2 = -1", r"irradiance_W_m2: -1 is negative"),
        (
            '[front_end]\ndivider_at = "middle"',
            r"divider_at: 'middle' is not one of the choices; give \"panel\" or \"load\"",
        ),
        (
            '[front_end.voltage]\ndivider_top_ohm = "ten"',
            r"\[front_end.voltage\] divider_top_ohm: 'ten' is not a resistance",
        ),
        ("[front_end.voltage]\ndivider_top_ohm = []", r"a list is not a resistance; give the div"),
        (
            '[front_end.voltage]\ndivider_top_ohm = "10k"',
            r"bench.toml, \[front_end.voltage\]: divider_bottom_ohm is missing; a divider needs",
        ),
        (
            '[front_end.voltage]\ndivider_bottom_ohm = "10k"',
            r"divider_top_ohm is missing; a divider needs both resistors",
        ),
        (
            '[front_end]\n[front_end.current]\nshunt_ohm = "0R22"',
            r"bench.toml, \[front_end\]: divider_at is missing; say where the divider or voltmet",
        ),
        (
            '[front_end]\nreadings = "codes"',
            r"readings = \"codes\" without a converter; add \[front_end.converter\] with bits",
        ),
        ("[front_end.converter]\nbits = 12", r"\[front_end.converter\]: reference_V is missing"),
        ("[front_end.converter]\nreference_V = 5", r"\[front_end.converter\]: bits is missing"),
        ("[front_end.converter]\nbits = 2\n", r"bits: 2 is below 4"),
        (
            "[front_end.current]\nshunt_ohm = 0.1\nresolution_A = 0.1",
            r"\[front_end.current\]: holds both a shunt and a meter; give shunt_ohm, or the meter",
        ),
        (
            '[front_end.current]\nmeasured_by = "shunt"',
            r"\[front_end.current\]: shunt_ohm is missing; give the shunt's resistance in ohm",
        ),
        (
            "[front_end.voltage]\naccuracy_counts = 2\naccuracy_pct_of_reading = 1",
            r"\[front_end.voltage\]: accuracy_counts without resolution_V; give resolution_V",
        ),
        ("[loads]\nvalues = 5", r"\[loads\] values: 5 is not a list of resistances"),
        ("[loads]\nvalues = []", r"\[loads\] values: a list is not a list of resistances"),
        ('[loads]\nvalues = ["10", true]', r"\[loads\] values: true is not a resistance"),
        ("[loads]\nvalues = [-5]", r"\[loads\] values: -5 is negative"),
        ("[loads]\nshared_tolerance = 1", r"shared_tolerance: 1 is not true or false"),
        ("name = ", r"bench.toml, end of document: not valid TOML: Invalid value; write key = va"),
        ("a = 1\nb b", r"bench.toml, line 2, column 3: not valid TOML: Expected '='"),
        ("name = 'x'\nname = 'y'", r"bench.toml, .*: not valid TOML: Cannot overwrite a value"),
        (
            f"[condition]\nirradiance_W_m2 = {'1' * 5000}",
            r"bench.toml: not valid TOML: Exceeds the limit",
        ),
        (b"name = '\xff'", r"bench.toml, line 1: byte 0xff is not UTF-8 text; save the file as U"),
        ("x = " + "[" * 100_000, r"bench.toml: is nested too deep to read|not valid TOML"),
    ],
)
def test_a_slip_in_a_bench_file_is_named_with_place_value_and_remedy(tmp_path, text, message):
    with pytest.raises(BenchError, match=message) as caught:
        load_bench(bench_file(tmp_path, text))
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_a_bench_file_with_a_byte_order_mark_is_read(tmp_path):
    assert load_bench(bench_file(tmp_path, b"\xef\xbb\xbfname = 'shed'")).name == "shed"


def test_a_bench_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(FileError, match=r"nowhere.toml: no such file; check the name"):
        load_bench(tmp_path / "nowhere.toml")


def test_a_folder_in_place_of_a_bench_file_is_named(tmp_path):
    with pytest.raises(FileError, match=r"is a folder, not a file; name the file in it"):
        load_bench(tmp_path)


def test_a_name_that_no_file_can_have_is_refused():
    with pytest.raises(FileError, match=r"cannot be read"):
        load_bench("bad\0name.toml")


def test_parts_made_in_code_are_checked_as_a_file_is():
    with pytest.raises(BenchError, match=r"\[front_end\]: divider_at is missing"):
        FrontEnd(current=CurrentChannel(shunt_ohm=0.22))


def is_bench_or_one_line(path: Path) -> bool:
    try:
        return isinstance(load_bench(path), Bench)
    except IvkitError as error:
        return "bench.toml" in str(error) and "\n" not in str(error)


values = st.one_of(
    st.none().map(lambda _: "[]"),
    st.booleans().map(lambda b: str(b).lower()),
    st.integers().map(str),
    st.floats(allow_nan=False).map(lambda x: repr(x) if math.isfinite(x) else "inf"),
    st.text("abk0.-", max_size=6).map(lambda text: f'"{text}"'),
    st.just("{a = 1}"),
    st.just("1979-05-27"),
)
sections = st.sampled_from(
    ["panel", "condition", "front_end", "front_end.voltage", "front_end.current", "loads", "x"]
)
words = st.sampled_from(
    ["cells", "shunt_ohm", "gain", "values", "divider_at", "tolerance_pct", "temp_cell_degC", "a"]
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(sections, words, values), max_size=4))
def test_whatever_stands_in_a_bench_file_gives_a_bench_or_one_line(tmp_path_factory, lines):
    text = "\n".join(f"[{section}]\n{word} = {value}" for section, word, value in lines)
    path = bench_file(tmp_path_factory.mktemp("bench"), text)
    assert is_bench_or_one_line(path)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=60), st.integers(0, len(WHOLE)))
def test_a_damaged_bench_file_gives_a_bench_or_one_line(tmp_path_factory, dirt, place):
    raw = WHOLE.encode()
    path = bench_file(tmp_path_factory.mktemp("bench"), raw[:place] + dirt + raw[place + 5 :])
    assert is_bench_or_one_line(path)
