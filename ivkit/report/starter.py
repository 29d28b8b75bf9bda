"""The files that a new bench starts from: a commented bench file, a blank table, and what is next.

What cannot be known is not made up: a value that the reader must look up stands behind a ``#``
without a space, as a setting that does not count yet. With every such ``#`` taken away the file is
a whole bench too. Words stand behind ``# ``, with a space.
"""

from enum import Enum

BENCH, TABLE, NOTE = "bench.toml", "sweep.csv", "NEXT.md"


class Light(Enum):
    """What shines on the panel."""

    LAMP = "lamp"
    SUN = "sun"


class FrontEndKind(Enum):
    """What takes the readings."""

    METERS = "meters"
    CONVERTER = "converter"


def starter_files(light: Light, front_end: FrontEndKind) -> dict[str, str]:
    """Return the text of each file by its name: `BENCH`, `TABLE` and `NOTE`.

    Examples
    --------
    >>> list(starter_files(Light.LAMP, FrontEndKind.METERS))
    ['bench.toml', 'sweep.csv', 'NEXT.md']
    """
    bench = [_HEAD.format(where=_WHERE[light]), _LIGHT[light], _FRONT_END[front_end], _TAIL]
    return {
        BENCH: "\n".join(bench),
        TABLE: _table(light, front_end),
        NOTE: _note(light, front_end),
    }


_WHERE = {Light.LAMP: "my bench, under a lamp", Light.SUN: "my bench, in the sun"}

_HEAD = """\
# A bench: one panel, one front end, one light. Only what stands here counts.
#
# A line that begins with "#" and a word right behind it is a setting that does not count yet:
# put in YOUR value, then take the "#" away. The values shown are examples, not advice.
# Every name carries its unit. A tolerance is plus or minus, as printed on the part;
# u_... is a standard uncertainty: two times out of three the truth lies within it.

name = "{where}"

[panel]
# How many cells in series: count them, or divide Voc in good light by 0.6 V (silicon).
#cells = 36
# The area of all cells together.
#area_cm2 = 810
# The label on the back, typed into a file beside this one (voc_V, isc_A, vmp_V, imp_A, ...).
#datasheet = "panel.toml"
"""

_LIGHT = {
    Light.LAMP: """\
[condition]
# The cell temperature, where the table's column temp_cell_degC stays blank.
#temp_cell_degC = 25
#u_temp_cell_degC = 2

[light]
# What the lamp is: "halogen", "led 4000 K", ...
#kind = "halogen"
# A lux meter laid flat on the middle of the panel, and how good it is.
#lux = 5700
#u_reading_pct = 5
# From the lamp to the middle of the panel.
#distance_m = 0.8
#u_distance_m = 0.01

[mount]
# 0 when the panel faces the lamp.
#tilt_deg = 0
#u_tilt_deg = 2
""",
    Light.SUN: """\
[condition]
# Cell temperature and irradiance in the plane of the panel, where the table's columns stay blank.
#temp_cell_degC = 45
#u_temp_cell_degC = 2
#irradiance_W_m2 = 850
#u_irradiance_W_m2 = 40
""",
}

_FRONT_END = {
    FrontEndKind.METERS: """\
# Two meters. Take the "#" away from this heading too when you fill in what stands below it.
#[front_end]
# Where the voltmeter is connected: "panel", straight across the panel, or "load", behind the
# ammeter.
#divider_at = "panel"

#[front_end.voltage]
# From the meter's manual, for the range used: the last digit, and the accuracy as
# percent of reading plus counts of that digit.
#resolution_V = 0.01
#accuracy_pct_of_reading = 0.5
#accuracy_counts = 2

#[front_end.current]
#measured_by = "meter"
#resolution_A = 0.0001
#accuracy_pct_of_reading = 1.0
#accuracy_counts = 3
# Resistance of the ammeter and its leads: it drops voltage before the load.
#burden_ohm = 0.2
""",
    FrontEndKind.CONVERTER: """\
# A divider, a shunt and a converter. Take the "#" away from the headings in brackets too.
#[front_end]
# Where the divider is connected: "panel", straight across the panel, or "load", behind the shunt.
#divider_at = "panel"
# What the table holds: "codes" of the converter, "converter_volts" at its input, or "scaled",
# already multiplied back to V and A.
#readings = "codes"

#[front_end.voltage]
#divider_top_ohm = "100k"
#divider_bottom_ohm = "15k"
#tolerance_pct = 1.0

#[front_end.current]
#measured_by = "shunt"
#shunt_ohm = "0R22"
#shunt_tolerance_pct = 1.0
# The amplifier behind the shunt; leave it out if there is none.
#gain = 20
#gain_tolerance_pct = 1.0

#[front_end.converter]
#bits = 12
#reference_V = 3.3
#reference_tolerance_pct = 0.5
#offset_tolerance_counts = 2
#noise_counts = 0.8
# How many conversions one reading is the mean of.
#averages = 16
""",
}

_TAIL = f"""\
[loads]
# The resistors at hand, for ivkit plan.
#values = ["10", "22", "47", "100", "220", "470", "1k"]
#tolerance_pct = 5
#power_W = 10

[data]
sweeps = ["{TABLE}"]
"""


def _table(light: Light, front_end: FrontEndKind) -> str:
    """Return the blank table: what the columns are, and their heading."""
    measured = {
        FrontEndKind.METERS: ("voltage_V", "current_mA"),
        FrontEndKind.CONVERTER: ("voltage_code", "current_code"),
    }[front_end]
    condition = ("irradiance_W_m2",) if light is Light.SUN else ()
    heading = ("load_ohm", *measured, *condition, "temp_cell_degC")
    lines = [
        "# One row a load, from short circuit (write 0) to no load (write open): eight or more.",
        "# A load is written 10 or 4k7 or 0R22. Leave blank what you did not measure.",
    ]
    if front_end is FrontEndKind.CONVERTER:
        lines.append("# Codes as the converter gives them; or change the heading to voltage_V.")
    return "\n".join([*lines, ",".join(heading)]) + "\n"


def _note(light: Light, front_end: FrontEndKind) -> str:
    """Return what to do next, in the order to do it."""
    return f"""\
# What to do next

1. Take readings into `{TABLE}`, one row a load, from short circuit to no load.
   {_SETTLE[light]}
   Repeat the first load at the end: it shows whether the light drifted.
2. Fill in `{BENCH}`: the number of cells, then {_PARTS[front_end]}
3. In this folder, ask:

       ivkit characterize {TABLE}
       ivkit load {TABLE}
       ivkit report {BENCH} --out report.html

   `{BENCH}` is found by itself. `ivkit --help` lists the other questions;
   `ivkit characterize --explain` prints the equations behind the answer.

To learn before you measure which loads tell most: `ivkit plan --help`.

## Take care

- {_HOT[light]}
- Use resistors rated for twice the power that they will take.
- A panel in the light is a DC source that cannot be switched off: cover it before
  you touch the wiring. For panels in series, roofs and mains follow your local code
  and leave the work to those licensed for it.
"""


_SETTLE = {
    Light.LAMP: "Let lamp and panel warm up for some minutes, then move neither.",
    Light.SUN: "Choose a clear quarter of an hour; note irradiance and temperature in each row.",
}
_PARTS = {
    FrontEndKind.METERS: """what the manuals of the two
   meters say. Without the latter an answer comes too, but not what the meters
   leave uncertain.""",
    FrontEndKind.CONVERTER: """the resistors, the shunt and
   the converter. Without the converter its codes mean nothing.""",
}
_HOT = {
    Light.LAMP: """A lamp and a loaded resistor get hot enough to burn skin and bench tops: on
  something that does not burn, never alone, and left to cool before they are touched.""",
    Light.SUN: """A loaded resistor gets hot enough to burn skin and bench tops: on something that
  does not burn, and left to cool before it is touched. Never look into the sun.""",
}
