"""Simulated benches, made by pvlib and numpy without ivkit: bench file, label, sweep, check, log.

Everything is invented and the same for the same number. The panel follows De Soto, Klein and
Beckman (2006) as pvlib has it; parts of the front end are off within their stated tolerance.
"""

from dataclasses import dataclass

import numpy as np
from pvlib import pvsystem, singlediode

#: V a cell at Voc, ideality, fraction of Voc/Isc in Rs and multiple in Rsh, band gap, its change,
#: coefficient of Isc in %/K. The gap of thin films is the one that with their ideality gives a
#: usual coefficient of Voc, -0.28 to -0.33 %/K.
TECHNOLOGIES = {
    "c-Si": (0.62, 1.1, 0.035, 50.0, 1.121, -0.0002677, 0.05),
    "a-Si": (0.86, 1.8, 0.06, 20.0, 0.87, 0.0, 0.09),
    "CdTe": (0.81, 1.6, 0.05, 25.0, 0.85, 0.0, 0.05),
    "CIGS": (0.60, 1.4, 0.06, 25.0, 0.76, 0.0, 0.02),
}
#: Lux over effective W/m2 to silicon, common practice, no source.
LUX = {"halogen": 40.0, "incandescent": 31.0, "led": 285.0, "fluorescent": 317.0}
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
FRONT_ENDS = ("codes", "converter_volts", "meters", "load", "bare")
SLIPS = ("none", "none", "ten", "load", "hot")


@dataclass(frozen=True)
class Made:
    """Files by name, what the bench has, and the facts that command lines name."""

    files: dict[str, str]
    has: set[str]
    facts: dict[str, str]


@dataclass(frozen=True)
class Panel:
    """Five parameters at 1000 W/m2 and 25 degC, A, ohm and V."""

    kind: str
    cells: int
    il: float
    i0: float
    rs: float
    rsh: float
    a: float

    def curve(self, light: float, celsius: float) -> tuple[np.ndarray, np.ndarray]:
        """Return V and I of 3,000 points, V rising."""
        *_, gap, change, alpha = TECHNOLOGIES[self.kind]
        il, i0, rs, rsh, a = pvsystem.calcparams_desoto(
            light,
            celsius,
            alpha / 100 * self.il,
            self.a,
            self.il,
            self.i0,
            self.rsh,
            self.rs,
            EgRef=gap,
            dEgdT=change,
        )
        top = a * np.log1p(il / i0)
        junction = np.linspace(-0.1 * top, 1.01 * top, 3000)
        i, v, _ = singlediode.bishop88(junction, il, i0, rs, rsh, a, breakdown_voltage=-1e6)
        return v, i

    def at(self, load, light, celsius) -> tuple[np.ndarray, np.ndarray]:
        """Return V and I at loads in ohm, infinity for none, each in its own light."""
        found = []
        for ohm, bright in np.broadcast(load, light):
            v, i = self.curve(float(bright), celsius)
            at = np.interp(0.0, -i, v) if np.isinf(ohm) else np.interp(0.0, v - i * ohm, v)
            found.append((at, np.interp(at, v, i)))
        return tuple(np.array(found).T)

    def ends(self, light, celsius) -> tuple[float, float, float, float]:
        """Return Isc, Voc, Vmp and Imp."""
        v, i = self.curve(light, celsius)
        best = int(np.argmax(v * i))
        return float(np.interp(0, v, i)), float(np.interp(0, -i, v)), float(v[best]), float(i[best])


def _rounded(value: float) -> float:
    """Return the E12 value nearest to a resistance."""
    decade = 10.0 ** np.floor(np.log10(value))
    return float(min((decade * e for e in (*E12, 10.0)), key=lambda r: abs(np.log(r / value))))


def make(number: int) -> Made:
    """Return the bench of that number."""
    rng = np.random.RandomState(7000 + number)  # its stream is frozen, whatever numpy
    panel = _panel(number, rng)
    front = FRONT_ENDS[number % len(FRONT_ENDS)]
    light = float(np.exp(rng.uniform(np.log(5.0), np.log(1000.0))))
    celsius = float(rng.uniform(15.0, 55.0))
    under_lamp = light < 350.0 and rng.uniform() < 0.6
    *_, v_mp, i_mp = panel.ends(light, celsius)
    best = v_mp / i_mp
    wanted = best * np.geomspace(0.03, 30.0, rng.randint(10, 31))
    loads = np.array(sorted({_rounded(ohm) for ohm in wanted}))
    loads = np.r_[0.0, loads, np.inf] if front != "load" else loads
    sweep, section = _front_end(front, panel, loads, light, celsius, rng)
    facing, _ = _front_end("bare", panel, loads, light, celsius, rng)
    load = _rounded(best)
    angle = _angle(panel, light, celsius, load, rng)
    if under_lamp:
        bench_light, kind = _lamp(light, rng)
    else:
        said = light * (1 + 0.04 * rng.standard_normal())
        bench_light, kind = "", ""
    lines = ["# Invented", f'name = "bench {number}"', "[panel]", f"cells = {panel.cells}"]
    side = np.sqrt(panel.cells * panel.il / 0.035)  # cm; 35 mA/cm2
    rows = max(r for r in range(1, 9) if panel.cells % r == 0 and r * r <= panel.cells)
    lines += [f"width_cm = {side:.1f}", f"height_cm = {side:.1f}", 'datasheet = "panel.toml"']
    lines += [f"rows = {rows}", f"columns = {panel.cells // rows}"]
    lines += ["[condition]", f"temp_cell_degC = {celsius + rng.standard_normal():.1f}"]
    lines += ["u_temp_cell_degC = 1.5"]
    if not under_lamp:
        lines += [f"irradiance_W_m2 = {said:.4g}", f"u_irradiance_W_m2 = {0.04 * light:.2g}"]
    log = "\n".join(["# Invented: another logger", *lines[1:], bench_light])
    lines += [bench_light, section, "[data]", 'sweeps = ["sweep.csv"]', 'angle = "angle.csv"']
    if front in ("meters", "bare"):  # that read the log too
        lines += ['track = "track.csv"', f"track_load_ohm = {load:g}"]
    lines += ['check = "check.csv"'] * (number % 2)
    v, i = panel.at(load, light, celsius)
    files = {
        "bench.toml": "\n".join(line for line in lines if line) + "\n",
        "panel.toml": _label(panel, full=number % 4 > 0, rng=rng),
        "sweep.csv": sweep,
        "check.csv": _check(panel, light, celsius, best, SLIPS[(number // 5) % len(SLIPS)], rng),
        "angle.csv": angle,
        "facing.csv": facing,
        "log.toml": log + "\n",
        "track.csv": _log(panel, light, celsius, load, rng),
    }
    has = {"lamp" if kind else "stated"}
    # The slow ones not on every bench; a page answers again what other commands have answered.
    has |= {name for name, every in (("page", 4), ("more", 3)) if number % every == 0}
    facts = {
        "light": f"{light:.4g}",
        "other": f"{1000 if light < 200 else 100}",
        "celsius": f"{celsius:.1f}",
        "load": f"{load:g}",
        "voltage": f"{v[0]:.4g}",
        "current": f"{i[0]:.4g}",
        "power": f"{v_mp * i_mp * (1 + 0.02 * rng.standard_normal()):.4g}",
    }
    return Made(files, has, facts)


def _panel(number: int, rng) -> Panel:
    kind = list(TECHNOLOGIES)[(0, 0, 1, 0, 2, 0, 3)[number % 7]]
    voc_cell, n, rs, rsh, *_ = TECHNOLOGIES[kind]
    cells = int(rng.choice([1, 4, 9, 18, 36, 36, 60, 72]))
    i_sc = float(np.exp(rng.uniform(np.log(0.03), np.log(8.0))))
    v_oc = cells * voc_cell * rng.uniform(0.96, 1.03)
    a = n * rng.uniform(0.95, 1.05) * cells * 0.025693
    each = v_oc / i_sc
    return Panel(
        kind,
        cells,
        i_sc,
        i_sc / np.expm1(v_oc / a),
        rs * each * rng.uniform(0.5, 1.5),
        rsh * each * rng.uniform(0.5, 3.0),
        a,
    )


def _label(panel: Panel, full: bool, rng) -> str:
    """Return a datasheet; a thin one has Voc, Isc and Pmp alone."""
    i_sc, v_oc, v_mp, i_mp = panel.ends(1000.0, 25.0)
    warm = panel.ends(1000.0, 45.0)
    alpha = TECHNOLOGIES[panel.kind][6]
    beta = 5.0 * (warm[1] / v_oc - 1)
    gamma = 5.0 * (warm[2] * warm[3] / (v_mp * i_mp) - 1)
    off = 1 + 0.01 * rng.standard_normal(3)
    v_mp, i_mp = float(f"{v_mp * off[1]:.3g}"), float(f"{i_mp * off[0]:.3g}")
    lines = ["# Invented: no such panel is sold", f'technology = "{panel.kind}"']
    lines += [f"isc_A = {i_sc * off[0]:.3g}", f"voc_V = {v_oc * off[1]:.3g}"]
    lines += [f"pmp_W = {v_mp * i_mp:.3g}", f"cells = {panel.cells}"]
    if full:
        lines += [f"imp_A = {i_mp:g}", f"vmp_V = {v_mp:g}", "nmot_degC = 46"]
        lines += [f"alpha_isc_pct_per_K = {alpha:g}", f"beta_voc_pct_per_K = {beta:.2f}"]
        lines += [f"gamma_pmp_pct_per_K = {gamma:.2f}", "isc_tolerance_pct = 4"]
        lines += ["voc_tolerance_pct = 3", "pmp_tolerance_pct = 5"]
    return "\n".join(lines) + "\n"


def _front_end(front, panel, loads, light, celsius, rng) -> tuple[str, str]:
    """Return the sweep as that front end writes it, and its sections of the bench file."""
    i_sc, v_oc, *_ = panel.ends(light, celsius)
    off = rng.uniform(-1.0, 1.0, 4)
    true = loads * (1 + 0.05 * rng.uniform(-1.0, 1.0, len(loads)))
    noise = rng.standard_normal((2, len(loads)))
    named = ["open" if np.isinf(ohm) else f"{ohm:g}" for ohm in loads]
    if front in ("codes", "converter_volts"):
        top, bottom = 100e3, _rounded(100e3 * 2.8 / max(1.15 * v_oc - 2.8, 0.02 * v_oc + 0.1))
        shunt = _rounded(0.01 * v_oc / i_sc)
        gain = float(f"{2.6 / (1.1 * i_sc * shunt):.2g}")
        bits = int(rng.choice([10, 12, 16]))
        bench = [
            *("[front_end]", 'divider_at = "panel"', f'readings = "{front}"'),
            *("[front_end.voltage]", f"divider_top_ohm = {top:g}"),
            *(f"divider_bottom_ohm = {bottom:g}", "tolerance_pct = 1", "[front_end.current]"),
            *(f"shunt_ohm = {shunt:g}", "shunt_tolerance_pct = 1", f"gain = {gain:g}"),
            *("gain_tolerance_pct = 1", "offset_V = 0.05", "offset_tolerance_V = 0.002"),
            *("[front_end.converter]", f"bits = {bits}", "reference_V = 3.3"),
            *("reference_tolerance_pct = 0.5", "noise_counts = 0.8", "averages = 16"),
        ]
        bench += ["[loads]", "tolerance_pct = 5"]
        ohm = shunt * (1 + 0.01 * off[0])
        up, down = top * (1 + 0.01 * off[1]), bottom * (1 + 0.01 * off[2])
        v, _ = panel.at(1 / (1 / (true + ohm) + 1 / (up + down)), light, celsius)
        volts = [v * down / (up + down), v / (true + ohm) * ohm * gain + 0.05]
        step = 3.3 * (1 + 0.005 * off[3]) / 2**bits
        seen = np.clip(np.array(volts) / step + 0.2 * noise, 0, 2**bits - 1)
        words = ("voltage_code", "current_code")
        rows = [[f"{code:.2f}" for code in one] for one in seen]
        if front == "converter_volts":
            words = ("voltage_V", "current_V")
            rows = [[f"{code * 3.3 / 2**bits:.6f}" for code in one] for one in seen]
        return _table(("load_ohm", *words), named, *rows), "\n".join(bench)
    if front == "meters":
        digits = [10.0 ** np.floor(np.log10(x / 1000.0)) for x in (v_oc, i_sc)]
        burden = _rounded(0.005 * v_oc / i_sc)
        bench = [
            *("[front_end]", 'divider_at = "panel"', "[front_end.voltage]"),
            *(f"resolution_V = {digits[0]:g}", "accuracy_pct_of_reading = 0.5"),
            *("accuracy_counts = 2", "input_impedance_ohm = 1e7", "[front_end.current]"),
            *('measured_by = "meter"', f"resolution_A = {digits[1]:g}"),
            *("accuracy_pct_of_reading = 1", "accuracy_counts = 3", f"burden_ohm = {burden:g}"),
        ]
        v, _ = panel.at(1 / (1 / (true + burden) + 1e-7), light, celsius)
        seen = np.array([v * (1 + 0.005 * off[0]), v / (true + burden) * (1 + 0.01 * off[1])])
        seen = np.round(seen / np.c_[digits] + 0.3 * noise) * np.c_[digits]
        rows = [[f"{x:.6g}" for x in one] for one in seen]
        return _table(("load_ohm", "voltage_V", "current_A"), named, *rows), "\n".join(bench)
    v, i = panel.at(true, light, celsius)
    v = v + 0.002 * v_oc * noise[0]
    if front == "load":
        bench = ["[front_end.current]", 'measured_by = "load"', "[loads]", "tolerance_pct = 5"]
        return _table(("R [ohm]", "U (mV)"), named, [f"{1e3 * x:.1f}" for x in v]), "\n".join(bench)
    i = i + 0.002 * i_sc * noise[1]
    rows = [[f"{x:.5g}".replace(".", ",") for x in one] for one in (v, 1e3 * i)]
    return _table(("U (V)", "I (mA)"), *rows, between=";"), ""


def _table(words, *columns, between=",") -> str:
    rows = [between.join(row) for row in zip(*columns, strict=True)]
    return "\n".join(["# Invented readings", between.join(words), *rows]) + "\n"


def _lamp(light: float, rng) -> tuple[str, str]:
    """Return the section of a lamp that gives that light, and its kind."""
    kind = list(LUX)[rng.randint(len(LUX))]
    shape = ("point", "disc", "beam")[rng.randint(3)]
    lines = ["[light]", f'kind = "{kind}"', f'shape = "{shape}"', "u_reading_pct = 6"]
    lines += ["size_m = 0.1"] * (shape == "disc") + ["beam_angle_deg = 90"] * (shape == "beam")
    reading = light * (1 + 0.06 * rng.standard_normal())
    if kind == "halogen" and rng.uniform() < 0.4:
        lines += [f"irradiance_W_m2 = {reading / 0.42:.4g}"]
    else:
        lines += [f"lux = {reading * LUX[kind]:.4g}"]
    lines += [f"distance_m = {rng.uniform(1.0, 3.0):.2f}", "u_distance_m = 0.01", "[mount]"]
    return "\n".join([*lines, "tilt_deg = 0", "u_tilt_deg = 2"]), kind


def _check(panel, light, celsius, best, slip, rng) -> str:
    """Return some readings by two meters, with a slip in them or none."""
    loads = np.array([_rounded(best * x) for x in (0.2, 0.5, 1.0, 2.0, 5.0)])
    true = loads * (0.1 if slip == "load" else 1.0)
    v, i = panel.at(true, light, celsius + (40.0 if slip == "hot" else 0.0))
    i = i * (10.0 if slip == "ten" else 1.0)
    v, i = (x * (1 + 0.005 * rng.standard_normal(len(x))) for x in (v, i))
    rows = [[f"{x:.4g}" for x in one] for one in (loads, v, 1e3 * i)]
    return _table(("load_ohm", "voltage_V", "current_mA"), *rows)


def _turned(degrees, stray):
    """Return light over that facing: cosine, glass of Martin and Ruiz (2001), stray light."""
    beam = np.maximum(np.cos(np.radians(degrees)), 0.0)
    glass = (1 - np.exp(-beam / 0.16)) / (1 - np.exp(-1 / 0.16))
    return (1 - stray) * beam * glass + stray


def _angle(panel, light, celsius, load, rng) -> str:
    """Return readings of the panel turned by hand, the zero of the scale off."""
    scale = np.arange(-60.0, 61.0, 15.0)
    zero, stray = rng.uniform(-4.0, 4.0), rng.uniform(0.0, 0.06)
    v, _ = panel.at(load, light * _turned(scale - zero, stray), celsius)
    v = v * (1 + 0.008 * rng.standard_normal(len(v)))
    rows = [[f"{x:g}" for x in scale], [f"{x:.4g}" for x in v], [f"{load:g}"] * len(v)]
    return _table(("angle_deg", "voltage_V", "load_ohm"), *rows)


def _log(panel, light, celsius, load, rng) -> str:
    """Return a log of 120 rows: turned from far off to near facing within 20 s."""
    t = 0.5 * np.arange(120)
    x = np.clip((t - 10.0) / 20.0, 0.0, 1.0)
    degrees = 70.0 - 65.0 * x * x * (3 - 2 * x)
    grid = np.linspace(4.0, 71.0, 60)
    v, _ = panel.at(load, light * _turned(grid, 0.01), celsius)
    v = np.interp(degrees, grid, v) * (1 + 0.003 * rng.standard_normal(len(t)))
    rows = [[f"{x:.1f}" for x in t], [f"{x:.4g}" for x in v]]
    rows += [[f"{1e3 * x / load:.4g}" for x in v], [f"{x:.0f}" for x in degrees]]
    return _table(("t_s", "U_V", "I_mA", "angle_deg"), *rows)
