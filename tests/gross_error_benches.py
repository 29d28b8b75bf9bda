"""Simulated benches with a hidden gross error, or none, made without ivkit's own solvers.

The truth comes from pvlib (`tests.drawn_panels`). The sizes of slips are drawn evenly over their
range, not from the list that is searched. Everything that a bench states is off by its own doubt:
label or sweep, light, temperature, angle, distance, resistors, meters and their last digits. All
invented.
"""

import numpy as np
from pvlib import iam

from ivkit.predict.facing import Facing
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Scene, Warmth
from tests.drawn_panels import draw_panel, possible_label_of, sweep_of

E12 = np.array([1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2])


def _log_between(rng, low, high):
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


#: Lux over effective W/m2 of the sun, halogen, filament, LED and tube to silicon, and what a
#: thermopile's watt is worth under the two filaments: as ivkit.light has them, to two figures.
LUX = {"sun": 109.0, "halogen": 40.0, "filament": 31.0, "led": 285.0, "tube": 317.0}
FILAMENT_WATT = (0.42, 0.62)

#: Slip to the tables that can show it: voltage and current with the load (L) or without it (N),
#: voltage with the load (V), power with the load (P).
SHOWN_BY = {
    "divider factor forgotten": "LNV",
    "divider factor applied twice": "LNV",
    "mA taken for A": "LN",
    "mV taken for V": "LNV",
    "mW taken for W": "P",
    "shunt wrong by ten": "LN",
    "amplifier gain forgotten": "LN",
    "peak taken for mean": "LN",
    "angle from the plane, not the normal": "LNVP",
    "zero of the angle's scale off": "LNVP",
    "stray light not counted": "LNVP",
    "lux taken as W/m2": "LNVP",
    "lamp's lux turned to watts as if it were the sun": "LNVP",
    "a lamp's watts taken as sunlight": "LNVP",
    "dirt or a cover on the panel": "LNVP",
    "hot cells": "LNV",
    "one cell shaded": "LNV",
    "ohms in leads or meter not counted": "LV",
    "load resistor off by ten": "LV",
    "worked out with the wrong resistor": "L",
    "open-circuit voltage written for the loaded one": "LNV",
    "short-circuit current written for the loaded one": "LN",
    "Isc times Voc taken as power": "LP",
    "polarity reversed": "LNV",
    "voltage and current exchanged": "LN",
    "distances counted from the wrong point of the lamp": "LNV",
    "a distance in the wrong unit": "LNV",
    "one reading written down wrong": "LNV",
}
_NEEDS_ANGLES = (
    "angle from the plane, not the normal",
    "zero of the angle's scale off",
    "stray light not counted",
)
_NEEDS_DISTANCES = (
    "distances counted from the wrong point of the lamp",
    "a distance in the wrong unit",
)


def bench(seed, slip=None):
    """Return a scene and readings that hold the gross error of that name, or none."""
    rng = np.random.default_rng(seed)
    true = draw_panel(rng)
    sheet = sweep_of(true, rng) if rng.random() < 0.3 else possible_label_of(true, rng)
    table = str(rng.choice(list(SHOWN_BY[slip] if slip else "LLNV")))
    count = int(rng.integers(4, 9))
    stated_light = _log_between(rng, 60.0, 950.0)
    u_light = float(rng.choice([0.03, 0.05, 0.08]))
    light = stated_light * (1 + u_light * rng.standard_normal())
    stated_warm = rng.uniform(20.0, 45.0)
    celsius = stated_warm + 3.0 * rng.standard_normal()
    # Geometry: facing, turned, or at several distances.
    angle, distance, stray = np.zeros(count), None, abs(0.01 * rng.standard_normal())
    kind = rng.random()
    if slip in _NEEDS_ANGLES or (slip not in _NEEDS_DISTANCES and kind < 0.35):
        some = rng.choice([0.0, 15.0, 20.0, 30.0, 35.0, 50.0, 60.0, 70.0], 3, replace=False)
        angle = np.resize(np.r_[some, 0.0], count)
    elif slip in _NEEDS_DISTANCES or kind < 0.5:
        distance = np.resize(rng.choice([0.3, 0.4, 0.5, 0.7, 1.0], 3, replace=False), count)
    where = float(rng.choice([0.4, 0.5, 0.8]))
    true_angle = angle + 1.0 * rng.standard_normal()
    aside = 0.005 * rng.standard_normal()
    warm = celsius
    # Loads as people take them, of the E12 series, off by their tolerance.
    knee = true.ends(stated_light, stated_warm)
    middle = knee[1] / knee[0]
    wanted = middle * np.geomspace(rng.uniform(0.1, 0.4), rng.uniform(2.0, 8.0), count)
    decade = 10.0 ** np.floor(np.log10(wanted))
    load = (
        decade
        * E12[
            [
                int(np.argmin(np.abs(np.log(E12 * d / w))))
                for d, w in zip(decade, wanted, strict=True)
            ]
        ]
    )
    if distance is not None or np.any(angle):
        load = rng.permutation(load)
    tolerance = float(rng.choice([0.01, 0.05]))
    true_load = load * (1 + rng.uniform(-tolerance, tolerance, count))
    shaded, series, voltage, current, behind = 1.0, 0.0, 1.0, 1.0, False
    # The slip, before anything is read.
    if slip == "angle from the plane, not the normal":
        true_angle = 90.0 - true_angle
    elif slip == "zero of the angle's scale off":
        true_angle = true_angle + rng.choice([-1, 1]) * rng.uniform(8.0, 28.0)
    elif slip == "stray light not counted":
        stray = rng.uniform(0.05, 0.4)
    elif slip == "lux taken as W/m2":
        light /= rng.choice(list(LUX.values()))
    elif slip == "lamp's lux turned to watts as if it were the sun":
        light *= LUX["sun"] / LUX[rng.choice(["halogen", "filament", "led", "tube"])]
    elif slip == "a lamp's watts taken as sunlight":
        light *= rng.uniform(*FILAMENT_WATT)
    elif slip == "dirt or a cover on the panel":
        light *= rng.uniform(0.5, 0.85)
    elif slip == "hot cells":
        warm = celsius + rng.uniform(20.0, 50.0)
    elif slip == "one cell shaded":
        shaded = rng.uniform(0.1, 0.75)
    elif slip == "ohms in leads or meter not counted":
        series, behind = middle * _log_between(rng, 0.05, 0.6), table == "L" and rng.random() < 0.5
    elif slip == "load resistor off by ten":
        factor = rng.choice([10.0, 0.1])
        wrong = np.ones(count, dtype=bool)
        if rng.random() < 0.5:
            wrong = np.arange(count) == rng.integers(count)
        true_load = np.where(wrong, true_load * factor, true_load)
    elif slip == "worked out with the wrong resistor":
        true_load = true_load * rng.choice(
            [_log_between(rng, 0.12, 0.7), _log_between(rng, 1.4, 8)]
        )
    elif slip == "distances counted from the wrong point of the lamp":
        aside = rng.uniform(0.04, 0.2)
    elif slip == "a distance in the wrong unit":
        light *= rng.choice([1e4, 1e-4, 100.0, 0.01])
    chopped = slip == "peak taken for mean" and rng.random() < 0.5
    if chopped:
        light *= 2.0
    elif slip == "peak taken for mean":
        voltage = current = rng.choice([np.sqrt(2.0), 2.0])
    share = np.cos(np.radians(np.minimum(np.abs(true_angle), 90.0))) * iam.martin_ruiz(
        np.minimum(np.abs(true_angle), 90.0)
    )
    there = light * ((1 - stray) * share + stray)
    if distance is not None:
        there = there * ((where + aside) / (distance + aside)) ** 2
    v, i = true.at(true_load + series, np.maximum(there, 1e-3), warm, shaded)
    v_oc, i_sc = true.at(np.inf, there, warm)[0], true.at(0.0, there, warm)[1]
    if series and not behind:
        v = i * true_load
    # The slip, while writing.
    if slip == "divider factor forgotten":
        voltage = 1.0 / _divider(rng)
    elif slip == "divider factor applied twice":
        voltage = _divider(rng)
    elif slip == "mA taken for A":
        current = rng.choice([1e3, 1e-3])
    elif slip == "mV taken for V":
        voltage = rng.choice([1e3, 1e-3])
    elif slip == "mW taken for W":
        current = rng.choice([1e3, 1e-3])
    elif slip == "shunt wrong by ten":
        current = rng.choice([10.0, 0.1])
    elif slip == "amplifier gain forgotten":
        current = _gain(rng)
    elif slip == "worked out with the wrong resistor":
        i = v / load
    elif slip == "open-circuit voltage written for the loaded one":
        v = v_oc
    elif slip == "short-circuit current written for the loaded one":
        i = i_sc
    elif slip == "Isc times Voc taken as power":
        v, i = v_oc, i_sc
    elif slip == "polarity reversed":
        signs = [(-1, 1), (1, -1), (-1, -1)] if table != "V" else [(-1, 1)]
        voltage, current = signs[rng.integers(len(signs))]
    elif slip == "voltage and current exchanged":
        v, i = i, v
    elif slip == "one reading written down wrong":
        row = rng.integers(count)
        if rng.random() < 0.5 or table == "V":
            v = np.where(np.arange(count) == row, v * rng.choice([0.1, 0.5, 2.0, 10.0]), v)
        else:
            i = np.where(np.arange(count) == row, i * rng.choice([0.1, 0.5, 2.0, 10.0]), i)
    # Meters: half of their doubt is common to all readings, half is not; and 4000 counts.
    u = float(rng.choice([0.01, 0.02]))
    v, i = (
        x
        * k
        * (1 + u / np.sqrt(2) * rng.standard_normal())
        * (1 + u / np.sqrt(2) * rng.standard_normal(count))
        for x, k in ((v, voltage), (i, current))
    )
    p = v * i
    step = {}
    for name, x in (("voltage", v), ("current", i), ("power", p)):
        step[name] = 10.0 ** np.ceil(np.log10(np.max(np.abs(x)) / 3999.0))
    v, i, p = (
        np.round(x / step[n]) * step[n] for n, x in (("voltage", v), ("current", i), ("power", p))
    )
    where = None if distance is None else where
    light = Facing.of(stated_light, u_light * stated_light, distance_m=where)
    scene = Scene(sheet, light, Warmth(stated_warm, 3.0))
    told = {
        "L": {"voltage": v, "current": i, "load": load},
        "N": {"voltage": v, "current": i},
        "V": {"voltage": v, "load": load},
        "P": {"power": p, "load": load},
    }[table]
    readings = Readings.of(
        **told, angle=angle, distance=distance, u=u, u_load=tolerance / np.sqrt(3.0), step=step
    )
    return scene, readings


def _divider(rng):
    """Return the ratio of a divider of two E12 resistors, between 1.8 and 25."""
    while True:
        top, bottom = rng.choice(E12, 2)
        ratio = 1.0 + top / bottom * rng.choice([1.0, 10.0])
        if 1.8 <= ratio <= 25.0:
            return ratio


def _gain(rng):
    """Return the gain of an amplifier: as sold, or of two E12 resistors."""
    if rng.random() < 0.5:
        return float(rng.choice([20.0, 50.0, 100.0, 200.0]))
    return 1.0 + rng.choice(E12) / rng.choice(E12) * rng.choice([10.0, 50.0])
