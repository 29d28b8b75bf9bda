"""The vocabulary: one key a quantity in every command, its unit from the key, its usual heading."""

#: Key without unit -> heading, where the key's own words do not do.
HEADINGS = {
    "isc": "Isc",
    "voc": "Voc",
    "vmp": "Vmp",
    "imp": "Imp",
    "pmp": "Pmp",
    "nNsVth": "n Ns k T / q",
    "resistance_series": "series resistance",
    "resistance_shunt": "shunt resistance",
    "conductance_shunt": "shunt conductance",
    "rmse": "rms residual",
    "en": "E_n",
    "temp_cell": "cell temperature",
    "temp_air": "air temperature",
}

#: End of a key -> unit. The longest that fits counts.
UNITS = {
    **{name: name for name in ("V", "A", "W", "ohm", "degC", "K", "deg", "nm", "mm", "m", "m2")},
    **{name: name for name in ("lx", "J", "Wh", "kWh", "s", "ms", "min", "h", "Hz", "S", "F")},
    "pct": "%",
    "pct_per_K": "%/K",
    "per_K": "1/K",
    "V_per_K": "V/K",
    "A_per_K": "A/K",
    "deg_per_s": "deg/s",
    "m_per_s": "m/s",
    "W_m2": "W/m2",
    "Wh_m2": "Wh/m2",
    "W_per_s": "W/s",
}

_ENDS = sorted(UNITS, key=len, reverse=True)

FRACTION = "fraction"
"""The end of a key of a part of a whole, which text shows in percent."""


def unit_of(key: str) -> str:
    """Return the unit that a key carries, "" for a pure number or words, or `FRACTION`.

    >>> unit_of("power_W"), unit_of("irradiance_W_m2"), unit_of("lost_fraction"), unit_of("m")
    ('W', 'W/m2', 'fraction', '')
    """
    words = key.split("_")
    for first in range(1, len(words)):
        end = "_".join(words[first:])
        if end in UNITS:
            return UNITS[end]
    return FRACTION if words[-1] == FRACTION and len(words) > 1 else ""


def heading_of(key: str) -> str:
    """Return what a quantity is called in text.

    >>> heading_of("pmp_W"), heading_of("best_load_ohm"), heading_of("lost_fraction")
    ('Pmp', 'best load', 'lost')
    """
    unit = unit_of(key)
    end = FRACTION if unit == FRACTION else next((k for k in _ENDS if key.endswith(f"_{k}")), "")
    stem = key[: -len(end) - 1] if unit and end else key
    return HEADINGS.get(stem, stem.replace("_", " "))
