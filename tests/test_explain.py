"""What --explain says is what the code does, and names where it comes from."""

import inspect
import math
import re
import shutil
import sys
import tomllib
from dataclasses import replace
from fnmatch import fnmatch
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from ivkit.cli import COMMANDS, main
from ivkit.cli.explain import TEXTS, explanation

ROOT = Path(__file__).parent.parent
EXAMPLES = Path(__file__).parent.parent / "examples"
PYTHON_3_11 = sys.version_info >= (3, 11)
SOURCED = re.compile(r"IEC|ISO|ASTM|JCGM|GUM|CIE|WCAG|doi|common practice, no source")


def _blocks(text):
    """Return (code, source) of every equation of a text, each on one line."""
    found = re.findall(r"    code: (\S+)\n    source: (.*(?:\n            .*)*)", text)
    return [(code, re.sub(r"\s+", " ", source)) for code, source in found]


def _texts():
    return {path.stem: path.read_text(encoding="utf-8") for path in TEXTS.glob("*.txt")}


def _home(name):
    """Return the module that a dotted name is in, and the object itself."""
    try:
        return import_module(name), None
    except ModuleNotFoundError:
        module, _, thing = name.rpartition(".")
        return import_module(module), getattr(import_module(module), thing)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself_without_arguments(name, capsys):
    with pytest.raises(SystemExit) as stop:
        main([name, "--explain"])
    assert stop.value.code == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out == explanation(name)
    assert out.startswith(f"ivkit {name}: ")
    assert "\nEquations" in out
    assert "\nAssumptions\n" in out
    assert SOURCED.search(out)
    assert max(map(len, out.splitlines())) <= 80
    assert out.isascii()


@pytest.mark.parametrize(("name", "text"), _texts().items())
def test_every_equation_names_its_code_and_a_source_that_the_code_names_too(name, text):
    blocks = _blocks(text)
    assert blocks
    assert len(blocks) == text.count("    code: ") == text.count("    source: ")
    for code, source in blocks:
        module, thing = _home(code)
        assert thing is not None or code == module.__name__
        written = re.sub(r"\s+", " ", inspect.getsource(module))
        # Years, volumes, standards: what identifies a source stands in the code as well.
        for number in re.findall(r"\d{4,}", source):
            assert number in written, f"{code} does not name {number} of '{source}'"
        for author in re.findall(r"\b([A-Z][a-z]{3,})\b(?= (?:and|et al))", source):
            assert author in written, f"{code} does not name {author}"


def test_no_text_is_left_over_and_packaged():
    named = {path.name for path in TEXTS.iterdir()}
    assert all(name.endswith(".txt") for name in named)
    project = tomllib.loads((TEXTS.parents[2] / "pyproject.toml").read_text(encoding="utf-8"))
    packaged = project["tool"]["setuptools"]["package-data"]["ivkit"]
    for name in named:
        assert any(fnmatch(f"report/explain/{name}", pattern) for pattern in packaged), name
    # simulate and watch are written for the commands of these names.
    assert named - {f"{name}.txt" for name in COMMANDS} <= {"simulate.txt", "watch.txt"}


def _right_hand_sides(name, left):
    """Return every right-hand side of ``left = ...`` in a text, continued lines joined."""
    lines = explanation(name).splitlines()
    found = []
    for k, line in enumerate(lines):
        if not line.startswith(f"  {left} = "):
            continue
        whole = line.split(" = ", 1)[1]
        for more in lines[k + 1 :]:
            if not re.match(r"\s+[-+] ", more):
                break
            whole += " " + more.strip()
        found.append(whole)
    assert found, (name, left)
    return found


def value(name, left, which=0, **symbols):
    """Return what an equation gives, evaluated as it is printed."""
    text = _right_hand_sides(name, left)[which].replace("^", "**")
    known = {"exp": math.exp, "ln": math.log, "sqrt": math.sqrt, "cos": math.cos}
    return eval(text, {"__builtins__": {}}, {**known, **symbols})  # our own text


@pytest.mark.parametrize("name", ["characterize", "angle", "batch", "simulate"])
def test_the_single_diode_equation_as_printed_holds_on_the_curve(name):
    from ivkit.curve.diode import SingleDiode

    p = {"IL": 5.2, "I0": 3.2e-10, "Rs": 0.3, "Rsh": 250.0, "a": 0.98}
    model = SingleDiode(*p.values())
    for v in (-1.0, 0.0, 18.0, 22.0):
        i = float(model.current(v))
        assert value(name, "I", V=v, I=i, **p) == pytest.approx(i, rel=1e-9)


def test_uncertainties_of_tolerance_and_step_as_printed():
    from ivkit.readings.circuit import QUANTISATION, RECTANGULAR

    assert value("characterize", "u", 0, half_width=1.0) == pytest.approx(RECTANGULAR)
    assert value("characterize", "u", 1, step=1.0) == pytest.approx(QUANTISATION)


def test_a_derated_share_as_printed():
    from ivkit.verdict.rating import Derating

    printed = value("load", "share", zero_at=155.0, full_to=70.0, ambient=100.0)
    assert printed == pytest.approx(Derating().share(100.0))


def test_procedures_1_to_3_as_printed():
    from ivkit.panel import iec60891

    now = {"G1": 820.0, "T1": 38.0, "G2": 1000.0, "T2": 25.0, "V1": 16.551, "I1": 0.46604167}
    one = {"alpha": 3e-4, "beta": -0.09819, "Rs": 2.18, "kappa": 0.01196, "Isc1": 0.51103926}
    i2 = value("translate", "I2", 0, **now, **one)
    v2 = value("translate", "V2", 0, I2=i2, **now, **one)
    code = iec60891.procedure_1(
        16.551, 0.46604167, 0.51103926, 820, 38, 1000, 25, 3e-4, -0.09819, 2.18, 0.01196
    )
    assert (v2, i2) == pytest.approx(tuple(map(float, code)))
    # Worked independently in the project's references: 17.680716 V, 0.574321 A.
    assert (v2, i2) == pytest.approx((17.680716, 0.574321), abs=2e-6)
    two = {"alpha_rel": 4.839e-4, "beta_rel": -0.0045521, "a": 0.0489, "Rs": 1.304}
    two |= {"kappa": 0.03494, "Voc1": 20.08455396}
    i2 = value("translate", "I2", 1, **now, **two)
    v2 = value("translate", "V2", 1, I2=i2, **now, **two)
    assert (v2, i2) == pytest.approx((18.062245, 0.5647682), abs=2e-6)
    v3 = value("translate", "V3", Va=17.313284, Vb=18.099201, a=2 / 3)
    i3 = value("translate", "I3", Ia=0.3235012, Ib=0.6910144, a=2 / 3)
    assert (v3, i3) == pytest.approx((17.837229, 0.5685100), abs=2e-6)


def test_five_parameters_in_other_light_as_printed():
    from ivkit.panel.conditions import BOLTZMANN_EV, ReferencePanel

    panel = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, alpha_sc=0.0003, cells=36)
    model = panel.at(820.0, 38.0)
    given = {
        **{"T": 311.15, "T_ref": 298.15, "S": 820.0, "S_ref": 1000.0, "k": BOLTZMANN_EV},
        **{"a_ref": 1.0175, "IL_ref": 0.62, "I0_ref": 3.7e-10, "Rsh_ref": 900.0, "alpha": 3e-4},
        **{"Eg_ref": panel.EgRef, "dEgdT": panel.dEgdT},
    }
    gap = value("translate", "Eg", **given)
    for left, got in (
        ("a", model.nNsVth),
        ("IL", model.photocurrent),
        ("I0", model.saturation_current),
        ("Rsh", model.resistance_shunt),
    ):
        assert value("translate", left, Eg=gap, **given) == pytest.approx(float(got), rel=1e-9)


def test_what_measured_modules_do_besides_as_printed():
    from ivkit.panel.conditions import ReferencePanel

    given = {"m": 0.03, "c1": 0.1, "c2": 0.04, "d": -0.003, "k": 0.4}
    given |= {"e": 0.2, "h": 0.01}
    names = ("current_exponent", "diode_exponent", "diode_bend", "series_per_K", "shunt_exponent")
    names += ("series_exponent", "shunt_per_K")
    plain = ReferencePanel(0.62, 3.7e-10, 1.2, 900.0, 1.0175, 0.0003)
    moved = replace(plain, **dict(zip(names, given.values(), strict=True)))
    there = {"S": 300.0, "S_ref": 1000.0, "T": 318.15, "T_ref": 298.15}
    found = zip(moved.at(300.0, 45.0).raw, plain.at(300.0, 45.0).raw, strict=True)
    il, i0, rs, g, _ = (float(now / before) for now, before in found)
    for left, got in (("f_IL", il), ("f_I0", i0), ("f_Rs", rs), ("f_Rsh", 1 / g)):
        assert value("translate", left, **given, **there) == pytest.approx(got, rel=1e-9)


def test_cell_temperature_from_voc_as_printed():
    printed = value(
        *("translate", "T2"),
        **{"T1": 25.0, "Voc1": 21.571058, "Voc2": 20.08455396, "G1": 1.0, "G2": 0.82},
        **{"a": 0.0489, "beta_rel": -0.0045521},
    )
    # The 36-cell module of the IEC 60891 checks was at 38 degC (tests/test_temperature.py).
    assert printed == pytest.approx(38.0067, abs=1e-4)


@pytest.mark.parametrize("name", ["angle", "track"])
def test_light_at_an_angle_as_printed(name):
    from ivkit.light.glass import Glass
    from ivkit.light.incidence import beam_on_plane, martin_ruiz

    aoi = np.radians(75.0)
    one = value("angle", "MR", aoi=aoi, a_r=0.16)
    assert one == pytest.approx(float(martin_ruiz(75.0)))
    iam = value("angle", "IAM", MR=one, g=0.1, aoi_deg=75.0, max=max)
    glass = Glass(0.16, 0.1)
    assert iam == pytest.approx(float(glass(75.0)))
    share = value(name, "share", d=0.06, aoi=aoi, IAM=iam)
    assert share == pytest.approx(float(beam_on_plane(75.0, glass, diffuse_share=0.06)))


def test_a_beam_as_printed():
    from ivkit.light.lamp_shape import Beam

    assert value("lamp", "n", beam=np.radians(38.0)) == pytest.approx(Beam(38.0).exponent)


@pytest.mark.parametrize("name", ["lamp", "check", "watch"])
def test_e_n_as_printed(name):
    from uncertainties import ufloat

    from ivkit.predict.score import en_number

    printed = value(name, "E_n", x=1.05, X=1.0, U_x=0.04, U_X=0.06)
    assert printed == pytest.approx(en_number(ufloat(1.05, 0.02), ufloat(1.0, 0.03)))


def test_the_option_shows_in_every_help_and_once(capsys):
    for name in COMMANDS:
        for _ in range(2):  # a command is fetched more than once in a session
            with pytest.raises(SystemExit):
                main([name, "--help"])
            out = capsys.readouterr().out
            assert out.count("  --explain ") == 1, name


def test_a_paper_is_written_in_full_once_and_shown_where_it_is_named():
    from ivkit.sources import SOURCES

    # The panel's model names De Soto et al. in full of its own.
    own = {"conditions.py", "desoto.py", "sources.py"}
    root = TEXTS.parents[1]
    rest = {p: p.read_text(encoding="utf-8") for p in root.rglob("*.py") if p.name not in own}
    rest |= {p: p.read_text(encoding="utf-8") for p in TEXTS.glob("*.txt")}
    for paper, full in SOURCES.items():
        doi = re.search(r"doi:(\S+)", full)
        named = [path for path, text in rest.items() if paper in " ".join(text.split())]
        assert named, paper
        for path, text in rest.items():
            assert doi is None or doi[1] not in text, f"{path.name} writes {paper} out again"
            if path in named and path.suffix == ".txt":
                assert full in " ".join(explanation(path.stem).split())
    # 2013 in volume 3 of that journal: one paper on cloud edges, one DOI.
    assert "10.1109/JPHOTOV.2012.2213581" in SOURCES["Yordanov et al. (2013)"]
    everything = "\n".join(rest.values())
    assert "JPHOTOV" not in everything


#: Command -> runs on examples/ that between them come by every function that its text names.
LABEL = ("--datasheet", "../datasheets/jetty_10W.toml")
#: An invented sweep whose shunt nothing shows.
STEEP = "steep.csv"
STEEP_ROWS = (
    "V,A\n0,0.500\n4,0.500\n8,0.500\n12,0.499\n14,0.495\n"
    "15,0.485\n16,0.455\n17,0.370\n18,0.180\n18.5,0.02\n"
)
PLACE = ("--latitude", 51.5, "--longitude", 0, "--timezone", "Europe/London")
JETTY = ("jetty_sweep.csv", "--bench", "jetty.toml", *LABEL)
RUNS = {
    "angle": (
        ("shed_angle.csv", "--sweep", "shed_sweep.csv"),
        (*LABEL, "--load", 33, "--parallel"),
    ),
    "load": (("shed_sweep.csv",),),
    "characterize": (("shed_sweep.csv", "--trials", 200), (STEEP, "--bench", "plain.toml")),
    "plan": ((*LABEL, "--irradiance", 140, "--temperature", 33),),
    "translate": (
        (*JETTY, "--temperature-from-voc"),
        ("jetty_sweep.csv", "jetty_sweep.csv", *JETTY[1:], "--second-irradiance", 700),
    ),
    "track": (
        ("shed_track.csv", "--sweep", "shed_sweep.csv", "--same-light", "--load", 68),
        ("shed_track.csv", *LABEL, "--load", 68, "--irradiance", 140, "--open-voltage", 18.4),
    ),
    "sun": ((*PLACE, "--day", "2026-06-21", *LABEL, "--load", 33),),
    "check": (
        ("shed_check.csv", "--sweep", "shed_sweep.csv", "--share", 1),
        ("--power", 0.5, "--load", 220),
        ("--power", 6.5, "--load", 33, "--irradiance", 800, "--open-voltage", 20.2),
    ),
    "lamp": (
        ("--measured", 0.5, "--load", 220),
        ("--irradiance", 300, "--source", "halogen"),
    ),
    "watch": (
        ("shed_track.csv", "--sweep", "shed_sweep.csv", "--same-light", "--load", 68),
        ("shed_track.csv", "--sweep", "shed_sweep.csv", "--same-light", "--load", 15),
    ),
}


@pytest.mark.parametrize("name", RUNS)
def test_every_function_that_a_text_names_is_entered(name, command_line, monkeypatch, tmp_path):
    monkeypatch.chdir(shutil.copytree(ROOT / "examples", tmp_path / "examples"))
    shutil.copytree(ROOT / "datasheets", tmp_path / "datasheets")
    Path(STEEP).write_text(STEEP_ROWS)
    Path("plain.toml").write_text("")
    entered = set()

    def note(frame, event, _):
        if event == "call" and "ivkit" in frame.f_code.co_filename:
            entered.add((Path(frame.f_code.co_filename).stem, frame.f_code.co_name))

    for arguments in RUNS[name]:
        sys.setprofile(note)
        try:
            status, _, err = command_line(name, *arguments)
        finally:
            sys.setprofile(None)
        assert status in (0, 1), err
    for code, _ in _blocks(explanation(name)):
        *_, module, function = code.split(".")
        if function[0].isupper():  # a class: any of its module's functions
            function, module = module, ""
        assert (module, function) in entered or function in {m for m, _ in entered}, code


ENTERED = {
    "angle": (
        "angle shed_angle.csv --sweep shed_sweep.csv --sweep-irradiance 140 --parallel --load 220",
        "angle --datasheet ../datasheets/jetty_10W.toml --load 33 --parallel",
    ),
    "track": (
        "track jetty_track.csv --bench jetty.toml --tilt-is panel --drive-power 1 --load 22",
        "track shed_track.csv --datasheet ../datasheets/jetty_10W.toml --load 68 --irradiance 140 "
        "--open-voltage 18.5",
    ),
}


@pytest.mark.parametrize("name", ENTERED)
def test_the_code_that_a_text_names_is_what_the_command_enters(command_line, monkeypatch, name):
    entered = set()

    def note(frame, event, _):
        if event == "call":
            module = frame.f_globals.get("__name__", "")
            entered.add(module)
            parts = frame.f_code.co_qualname.split(".") if PYTHON_3_11 else [frame.f_code.co_name]
            entered.update(f"{module}.{part}" for part in parts)

    monkeypatch.chdir(EXAMPLES)
    for line in ENTERED[name]:
        sys.setprofile(note)
        try:
            status, _, err = command_line(*line.split())
        finally:
            sys.setprofile(None)
        assert status in (0, 1), err
    codes = {code for code, _ in _blocks(explanation(name))}
    assert codes <= entered, codes - entered
