"""The sections of a bench file about the light and how the panel is held to it."""

import pytest

from ivkit.bench import load_bench
from ivkit.errors import BenchError

WHOLE = """
[panel]
cells = 36
width_cm = 27
height_cm = 30
rows = 6
columns = 6
bypass_groups = 2

[light]
kind = "halogen"
colour_temperature_K = 2950
spectrum = "lamp.csv"
lux = 5600
u_reading_pct = 4
reading_distance_m = 1.0
shape = "beam"
beam_angle_deg = 100
distance_m = 0.8
u_distance_m = 0.01

[mount]
tilt_deg = -10
u_tilt_deg = 2
offset_across_m = 0.05
offset_up_m = -0.02
"""


def bench_of(tmp_path, text):
    path = tmp_path / "bench.toml"
    path.write_text(text)
    return load_bench(path)


def test_every_key_of_light_and_mount_is_read(tmp_path):
    bench = bench_of(tmp_path, WHOLE)
    assert (bench.light.kind, bench.light.lux, bench.light.beam_angle_deg) == ("halogen", 5600, 100)
    assert bench.light.spectrum == str(tmp_path / "lamp.csv")
    assert (bench.mount.tilt_deg, bench.mount.offset_up_m) == (-10, -0.02)
    assert (bench.panel.width_cm, bench.panel.rows, bench.panel.bypass_groups) == (27, 6, 2)


def test_a_bench_without_them_says_nothing(tmp_path):
    bench = bench_of(tmp_path, 'name = "bare"\n')
    assert bench.light.lux is None
    assert bench.mount.tilt_deg is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[light]\nlumen = 5", r"bench.toml, \[light\]: unknown key 'lumen'"),
        ("[light]\ndistance = 5", "did you mean 'distance_m'"),
        ("[ligth]\nlux = 5", "unknown section 'ligth'; did you mean 'light'"),
        ("[light]\nlux = -5", r"\[light\] lux: -5 is negative"),
        ("[light]\ndistance_m = 0", "0 is not above zero; give the distance"),
        ('[light]\nshape = "bulb"', '"point" or "disc"'),
        ("[light]\nlux = 5\npower_W = 5", "strong the lamp is in 2 ways: lux, power_W"),
        ("[light]\nirradiance_W_m2 = 5\nband_to_nm = 2800", "one end of the thermopile's band"),
        ("[mount]\ntilt_deg = 95", "95 is above 89.9 deg; give the angle between"),
        ("[panel]\nrows = 2.5", "2.5 is not a whole number; give the rows of cells"),
    ],
)
def test_a_slip_is_named_with_its_place_and_what_to_give(tmp_path, text, message):
    with pytest.raises(BenchError, match=message):
        bench_of(tmp_path, text)
