"""The same reading, in the same scene, gets the same value and uncertainty from every command."""

import csv
import io
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LABEL, EXAMPLES = ROOT / "datasheets" / "jetty_10W.toml", ROOT / "examples"
SUN = ("--sweep", EXAMPLES / "jetty_sweep.csv", "--sweep-bench", EXAMPLES / "jetty.toml")
SHED = ("--sweep", EXAMPLES / "shed_sweep.csv", "--sweep-bench", EXAMPLES / "bench.toml")
#: Panel, W/m2 (None: the sweep's own light), angle of incidence (deg), load (ohm).
SCENES = [
    (("--datasheet", LABEL), 137.0, 30.0, 220.0),
    (("--datasheet", LABEL), 950.0, 45.0, 33.0),
    (("--datasheet", LABEL), 8.0, 0.0, 4700.0),
    (SUN, 300.0, 60.0, 68.0),
    (SHED, None, 30.0, 220.0),
]


#: A table over the angle is for those very angles: so is what is compared with it.
ZERO = ("--u-angle", 0)


def predicted(command_line, name, *arguments):
    status, out, err = command_line(name, *arguments, "--json", "-")
    assert status in (0, 1), err
    return json.loads(out)


def by_check(command_line, panel, light, angle, load, *more):
    shone = ("--share", 1) if light is None else ("--irradiance", light)
    reading = ("--power", 1.0, "--load", load, "--angle", angle, *ZERO)
    told = predicted(command_line, "check", *panel, *shone, *reading, *more)
    return told["summary"]["predicted_W"]["value"], told["summary"]["predicted_W"]["u"], told


def by_watch(command_line, panel, light, angle, load, *more):
    row = f"power_W,load_ohm,angle_deg\n1.0000000,{load},{angle}\n"  # its last digit counts
    Path("log.csv").write_text(row)
    shone = ("--same-light",) if light is None else ("--irradiance", light)
    status, out, err = command_line("watch", "log.csv", *panel, *shone, "--log", "-", *ZERO, *more)
    assert status == 0, err
    (told,) = csv.DictReader(io.StringIO(out))
    return float(told["predicted_power_W"]), float(told["u_predicted_power_W"]), told


def by_angle(command_line, panel, light, angle, load):
    shone = () if light is None else ("--irradiance", light)
    told = predicted(command_line, "angle", *panel, *shone, "--load", load)
    name = next(n for n, t in told["tables"].items() if "exponent" in t["columns"])
    columns = told["tables"][name]["columns"]
    rows = zip(
        *(columns[n] for n in ("angle_deg", "load_ohm", "power_W", "u_power_W")), strict=True
    )
    return next((p, u) for a, ohm, p, u in rows if (a, ohm) == (angle, load))


@pytest.mark.parametrize("scene", SCENES)
def test_check_watch_and_angle_predict_the_same(command_line, scene):
    value, u, check = by_check(command_line, *scene)
    told, doubt, watch = by_watch(command_line, *scene)
    # A log has seven figures.
    assert (told, doubt) == (pytest.approx(value, rel=1e-6), pytest.approx(u, rel=1e-6))
    assert float(watch["en"]) == pytest.approx(check["summary"]["en"], rel=1e-5)
    assert watch["verdict"] == check["verdict"] or check["verdict"] == "impossible"
    at, u_at = by_angle(command_line, *scene)
    assert (at, u_at) == (pytest.approx(value, rel=1e-9), pytest.approx(u, rel=1e-9))


def test_the_sweep_of_the_shed_brings_its_light_and_temperature(command_line):
    # 1.05 W into 220 ohm in the sweep's own light was plausible to one command and too low to
    # another, which had 8 K of temperature in it that the sweep had read.
    for power, verdict in ((1.05, "too low"), (1.17, "plausible")):
        reading = ("--power", power, "--load", 220, "--share", 1)
        told = predicted(command_line, "check", *SHED, *reading)
        assert told["verdict"] == verdict
        Path("log.csv").write_text(f"power_W,load_ohm,angle_deg\n{power},220,0\n")
        _, out, _ = command_line("watch", "log.csv", *SHED, "--same-light", "--log", "-")
        (row,) = csv.DictReader(io.StringIO(out))
        assert row["verdict"] == verdict


@pytest.mark.parametrize("load", [220.0, 33.0, "max"])
def test_lamp_and_check_predict_the_same_under_the_lamp_of_the_bench(command_line, load):
    bench = ("--bench", EXAMPLES / "bench.toml", "--temperature", 33)
    lamp = predicted(command_line, "lamp", *bench, "--load", load, "--measured", 1.0)
    check = predicted(command_line, "check", *bench, "--power", 1.0, "--load", load)
    a, b = (told["summary"]["predicted_W"] for told in (lamp, check))
    assert a["value"] == pytest.approx(b["value"], rel=1e-9)
    assert a["u"] == pytest.approx(b["u"], rel=1e-9)
    assert lamp["verdict"] == check["verdict"]


@pytest.mark.parametrize("load", [68, "max"])
def test_track_and_check_predict_the_same_power_facing_the_light(command_line, load):
    shone = ("--irradiance", 140, "--u-irradiance", 7, "--temperature", 33, "--u-temperature", 2)
    rows = (f"{t},{0.1 if t < 50 else 1.0 + 1e-3 * (t % 3)}" for t in range(300))
    Path("log.csv").write_text("\n".join(["t_s,P_W", *rows]) + "\n")
    line = ("log.csv", "--datasheet", LABEL, *shone, "--load", load)
    told = predicted(command_line, "track", *line)
    reading = ("--power", 1.0, "--load", load, "--angle", 0, *ZERO)
    found = predicted(command_line, "check", "--datasheet", LABEL, *shone, *reading)["summary"]
    facing = told["summary"]["facing_power_W"]
    assert facing["value"] == pytest.approx(found["predicted_W"]["value"], rel=1e-9)
    assert facing["u"] == pytest.approx(found["predicted_W"]["u"], rel=1e-9)
