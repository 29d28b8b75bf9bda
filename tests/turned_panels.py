"""Readings of a turned panel, made without ivkit: pvlib's solver, light in closed form.

What all readings of a table share - load, curve, temperature, glass, shunt in faint light - is
drawn as well, each once a table; the same doubts are told to the fit. Everything here is invented.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from pvlib.pvsystem import calcparams_desoto, i_from_v, v_from_i

from ivkit.light.glass import Glass
from ivkit.light.incidence import no_glass
from ivkit.light.lamp_shape import Beam
from ivkit.light.panel_face import PanelFace
from ivkit.panel.conditions import ReferencePanel
from ivkit.predict.facing import Facing
from ivkit.predict.lamp_facing import LampFacing
from ivkit.predict.readings import Readings
from ivkit.predict.scene import Mount, Scene, Warmth

CELSIUS, LIGHT, EXPONENT = 33.0, 140.0, 0.5
U_LOAD, U_ANGLE, U_READING, U_GLASS, U_HEAT = 0.03, 0.3, 0.008, 0.02, 2.0
BOTH, ONE = (-70.0, 70.0), (0.0, 75.0)  # deg, scales on both sides of facing, and on one
U_EXPONENT = 0.5 / np.sqrt(3.0)
#: One standard uncertainty of the curve, as shares: photocurrent, nNsVth, series resistance.
U_CURVE = {"current": (0.008, 0.0, 0.0), "voltage": (0.0, 0.005, 0.0), "series": (0.0, 0.0, 0.2)}


@dataclass(frozen=True)
class Make:
    """A panel, and the near lamp over it if any: cells across and up, size, distance, beam."""

    cells: int = 36
    near: bool = False
    rows: int = 4
    columns: int = 3
    width: float = 0.20
    height: float = 0.27
    distance: float = 0.6
    beam: float = 100.0

    @property
    def il_i0_rs_rsh_a(self):
        part = self.cells / 36
        return 0.605, 3.9e-10, 1.7 * part, 620.0 * part, 1.0175 * part


PARALLEL = Make()
NEAR = Make(12, True)


@dataclass(frozen=True)
class Known:
    """A panel as a scene takes it: sources of one standard uncertainty each."""

    make: Make
    relative: bool = False
    iam: object = Glass(0.16, 0.0, U_GLASS)
    strings = 1
    bypass_groups = 0
    sources = dict.fromkeys([*U_CURVE, "shunt below 100 W/m2"])

    @property
    def cells(self):
        return self.make.cells

    def panel(self, shifts=None):
        amounts = [(shifts or {}).get(name, 0.0) for name in self.sources]
        return self.moved(np.array([amounts])).each(lambda values: values[0])

    @cached_property
    def varied(self):
        eye = np.eye(len(self.sources))
        both = [row for one in eye for row in (one, -one)]
        return self.moved(np.array([np.zeros(len(eye)), *both]))

    def moved(self, amounts):
        il, i0, rs, rsh, a = self.make.il_i0_rs_rsh_a
        current, voltage, series, exponent = amounts.T
        one = np.ones(len(amounts))
        panel = ReferencePanel(
            il * (1 + current * U_CURVE["current"][0]),
            i0 * one,
            rs * (1 + series * U_CURVE["series"][2]),
            rsh * one,
            a * (1 + voltage * U_CURVE["voltage"][1]),
            0.0003 * one,
            self.make.cells,
            shunt_exponent_low=EXPONENT - U_EXPONENT * exponent,
        ).each(lambda values: np.broadcast_to(values, one.shape))
        if not self.relative:
            return panel
        curve = panel.at(LIGHT, CELSIUS)
        alpha = panel.alpha_sc * 10.0  # at 1000 of what is 100 in the sweep
        low = {"shunt_exponent_low": panel.shunt_exponent_low}
        own = ReferencePanel.from_curve(curve, 100.0, CELSIUS, alpha, self.make.cells, **low)
        return own.each(lambda values: np.broadcast_to(values, one.shape))


@dataclass(frozen=True)
class Bare:
    """A panel of which everything is known."""

    reference: ReferencePanel
    iam: object = no_glass
    sources: tuple = ()
    strings = 1
    bypass_groups = 0

    @property
    def cells(self):
        return self.reference.cells

    def panel(self, shifts=None):
        return self.reference

    @property
    def varied(self):
        return self.reference.each(lambda values: np.array([values]))

    def moved(self, amounts):
        return self.reference.each(lambda values: np.full(len(amounts), values))


def bare(reference, iam=no_glass, irradiance=1000.0, stray=0.0, **place):
    """Return its scene: light of an irradiance, from a near lamp at a place if there is one."""
    light = LampFacing.of(irradiance, **place) if place else Facing(irradiance)
    return Scene(Bare(reference, iam), light, Warmth(25.0, 0.0), Mount(0.0, stray, 0.0))


def known(make, front=None, relative=False, light=1000.0):
    """Return the scene as the fit gets it: light of `light` W/m2, or times 100 of its sweep's.

    ``front`` is a modifier whose input quantities take the place of a_r 0.16 +- U_GLASS.
    """
    panel = Known(make, relative)
    panel = panel if front is None else replace(panel, iam=front)
    facing = Facing(100.0 if relative else light)
    if make.near:
        face = PanelFace(make.width, make.height, make.rows, make.columns)
        place = {"shape": Beam(make.beam), "distance_m": make.distance, "face": face}
        facing = LampFacing.of(facing.irradiance, **place)
    return Scene(panel, facing, Warmth(CELSIUS, U_HEAT), Mount(0.0, 0.0, 0.0))


def beam_of_cells(make, aoi, glass):
    """Return each cell's light over that of the middle when facing; the same in parallel light.

    Parallel: cosine. Near: E = cos^n(from the axis) cos(incidence) / r^2, by points in each cell.
    ``glass`` is a_r of Martin and Ruiz, or what the front lets through at angles in deg.
    """

    def through(cosine):
        if callable(glass):
            return glass(np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0))))
        return (1 - np.exp(-cosine / glass)) / (1 - np.exp(-1 / glass))

    turn = np.radians(aoi)
    if not make.near:
        cosine = max(np.cos(turn), 0.0)
        return np.array([cosine * through(cosine)])
    n = np.log(0.5) / np.log(np.cos(np.radians(make.beam / 2)))
    count = 8
    across = ((np.arange(make.columns * count) + 0.5) / (make.columns * count) - 0.5) * make.width
    up = ((np.arange(make.rows * count) + 0.5) / (make.rows * count) - 0.5) * make.height
    across, up = np.meshgrid(across, up)
    y, z = up * np.cos(turn), make.distance + up * np.sin(turn)
    r = np.sqrt(across**2 + y**2 + z**2)
    cosine = np.maximum((z * np.cos(turn) - y * np.sin(turn)) / r, 0.0)
    light = through(cosine) * cosine * (z / r) ** n * (make.distance / r) ** 2
    return light.reshape(make.rows, count, make.columns, count).mean(axis=(1, 3)).ravel()


@dataclass(frozen=True)
class Off:
    """What a table's readings share, in standard uncertainties, and the shunt's exponent."""

    curve: dict
    heat: float = 0.0
    glass: float = 0.0
    load: float = 0.0
    exponent: float = EXPONENT
    front: object = None

    @property
    def through(self):
        """The front: as given, or Martin and Ruiz with a_r off."""
        return 0.16 + self.glass * U_GLASS if self.front is None else self.front


def draw(rng):
    """Return shared errors: normal, but for the shunt's exponent, which lies between 0 and 1."""
    curve = {name: rng.standard_normal() for name in U_CURVE}
    heat, glass, load = rng.standard_normal(3)
    return Off(curve, heat, max(glass, -4.0), load, rng.uniform(0.0, 1.0))


NOTHING = Off(dict.fromkeys(U_CURVE, 0.0))


def voltages(make, aoi, light, stray, load, off=NOTHING):
    """Return the voltage into a load (ohm) at each angle of incidence (deg)."""
    il, i0, rs, rsh, a = make.il_i0_rs_rsh_a
    moved = [1.0, 1.0, 1.0]
    for name, shares in U_CURVE.items():
        moved = [m + off.curve[name] * share for m, share in zip(moved, shares, strict=True)]
    celsius = CELSIUS + off.heat * U_HEAT
    cells = np.array([beam_of_cells(make, one, off.through) for one in aoi])
    cells = light * ((1 - stray) * cells + stray)
    photo, dark, series, shunt, slope = calcparams_desoto(
        cells,
        celsius,
        alpha_sc=0.0003,
        a_ref=a * moved[1],
        I_L_ref=il * moved[0],
        I_o_ref=i0,
        R_sh_ref=rsh,
        R_s=rs * max(moved[2], 0.0),
    )
    # The shunt goes on below 100 W/m2 with an exponent of its own (ivkit.panel.conditions says so).
    shunt = shunt * np.minimum(cells / 100.0, 1.0) ** (1.0 - off.exponent)
    ohm = load * (1 + off.load * U_LOAD)
    if not make.near:
        photo, dark, series, shunt, slope = (
            np.broadcast_to(part, cells.shape)[:, 0] for part in (photo, dark, series, shunt, slope)
        )
        low, high = np.zeros(len(aoi)), np.full(len(aoi), 40.0)
        for _ in range(50):
            middle = 0.5 * (low + high)
            more = i_from_v(middle, photo, dark, series, shunt, slope) > middle / ohm
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        return low
    count = cells.shape[1]
    low, high = np.zeros(len(aoi)), photo.max(axis=1)
    for _ in range(50):
        middle = 0.5 * (low + high)
        string = v_from_i(
            middle[:, None], photo, dark, series / count, shunt / count, slope / count
        ).sum(axis=1)
        more = string > middle * ohm
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return low * ohm


def table(
    make,
    seed,
    load,
    count=15,
    stated_load=None,
    light=None,
    stray=None,
    front=None,
    scale=(-70, 70),
):
    """Return readings of the voltage over the scale's angle, and the truth (light, zero, stray).

    ``front`` is what the panel's front lets through at angles in deg, in place of a drawn a_r.
    """
    rng = np.random.default_rng(seed)
    scale = np.linspace(*scale, count)
    zero, some = rng.uniform(-8, 8), rng.uniform(0.0, 0.12)
    stray = some if stray is None else stray
    light = light or LIGHT * rng.uniform(0.8, 1.25)
    off = replace(draw(rng), front=front)
    at = scale - zero + U_ANGLE * rng.standard_normal(count)
    read = voltages(make, at, light, stray, load, off)
    read = read * (1 + U_READING * rng.standard_normal(count))
    stated = stated_load or load
    readings = Readings.of(voltage=read, load=stated, angle=scale, u=U_READING, u_load=U_LOAD)
    return readings, (light, zero, stray)
