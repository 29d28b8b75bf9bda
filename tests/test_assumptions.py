"""Every default that stands for something not stated: once, and named where it is used."""

import json
import re
from pathlib import Path

import pytest

from ivkit.assumptions import ASSUMED, PRACTICE

ROOT = Path(__file__).parent.parent
SHEET = ROOT / "datasheets" / "jetty_10W.toml"
CELLS = ASSUMED["cell temperature"].sentence()


def _code():
    for path in sorted((ROOT / "ivkit").rglob("*.py")):
        if path.name != "assumptions.py":
            yield path, path.read_text(encoding="utf-8")


def test_every_entry_is_used_and_says_where_it_comes_from():
    code = "\n".join(text for _, text in _code())
    for name, one in ASSUMED.items():
        kind = name.removesuffix(" efficacy")
        assert f'"{name}"' in code or name.endswith(" efficacy"), name
        assert PRACTICE in one.source or re.search(r"\d{4}", one.source), name
        assert kind
        assert one.sentence().startswith(name)


def test_a_tolerance_is_the_half_width_of_a_rectangle():
    # JCGM 100:2008, 4.3.7: a 5 % part has a standard uncertainty of 5 % / sqrt(3).
    load = ASSUMED["load resistor"].input(220.0)
    assert load.u == pytest.approx(0.05 * 220.0 / 3**0.5)
    assert load.bounds == pytest.approx((209.0, 231.0))
    # 0 to 2 %.
    assert ASSUMED["stray light"].input().bounds == pytest.approx((0.0, 2.0))


def test_an_entry_is_an_input_whose_source_says_that_it_is_assumed():
    cells = ASSUMED["cell temperature"].input()
    assert (cells.value, cells.u, cells.unit) == (30.0, 8.0, "degC")
    assert cells.source == "assumed: common practice, no source"
    assert ASSUMED["irradiance"].input(800.0).u == pytest.approx(40.0)


LIGHT = ("--irradiance", 150)
PANEL = ("--datasheet", SHEET)


@pytest.mark.parametrize(
    ("arguments", "key"),
    [
        (("lamp", *PANEL, "--lux", 6000, "--source", "halogen", "--distance", 0.35), "assumptions"),
        (("check", *PANEL, "--power", 0.2, "--load", 33, *LIGHT), "assumptions"),
        (("angle", *PANEL), "assumptions"),
        (("plan", *PANEL, *LIGHT), "assumptions"),
        (("track", ROOT / "examples/shed_track.csv", *PANEL, "--load", 68), "assumptions"),
    ],
)
def test_every_command_has_the_same_cells_where_nobody_states_them(
    command_line, tmp_path, monkeypatch, arguments, key
):
    monkeypatch.chdir(tmp_path)
    _, out, _ = command_line(*arguments, "--json", "-")
    assert CELLS in json.loads(out)[key]
    _, out, _ = command_line(*arguments)
    assert CELLS in " ".join(out.split())
    if arguments[0] != "plan":
        _, out, _ = command_line(*arguments, "--temperature", 33, "--json", "-")
        assert CELLS not in json.loads(out)[key]


def test_watch_has_them_too(command_line, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    log = ROOT / "examples/shed_track.csv"
    _, out, _ = command_line("watch", log, *PANEL, "--load", 68, *LIGHT)
    said = " ".join(line.lstrip("# ") for line in out.splitlines() if line.startswith("#"))
    for name in ("cell temperature", "reading", "stray light", "load resistor"):
        assert ASSUMED[name].sentence() in said, name


def test_the_bench_replaces_the_load_of_a_check(command_line, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    reading = ("check", *PANEL, "--power", 0.2, "--load", 33, *LIGHT)
    _, out, _ = command_line(*reading, "--json", "-")
    assert any(note.startswith("load resistor") for note in json.loads(out)["assumptions"])
    Path("bench.toml").write_text("[loads]\ntolerance_pct = 1\n")
    _, out, _ = command_line(*reading, "--json", "-")
    assert not any(note.startswith("load resistor") for note in json.loads(out)["assumptions"])


def test_a_load_of_unstated_tolerance_makes_the_current_uncertain():
    import numpy as np

    from ivkit.bench import Bench, Loads
    from ivkit.readings.front_end import make_sweep
    from ivkit.readings.table import Table

    load = np.array([10.0, 22.0, 47.0])
    table = Table({"voltage": np.array([1.0, 2.0, 4.0]), "load": load}, np.arange(1, 4), name="t")
    sweep = make_sweep(table)
    # I = V/R: each resistor is off on its own, and the current by as much, JCGM 100:2008, 5.1.6.
    of_each = np.array([effect.di for effect in sweep.effects])
    assert np.abs(of_each).max(axis=0) == pytest.approx(sweep.current * 0.05 / 3**0.5, rel=1e-6)
    assert ASSUMED["load resistor"].sentence() in sweep.notes
    exact = make_sweep(table, Bench(loads=Loads(tolerance_pct=0.0)))
    assert not exact.effects
