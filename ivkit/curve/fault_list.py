"""The faults of the readings and the flags of their fit as one list, each told once."""

from ivkit.curve.health import FLAGS
from ivkit.readings.fault import Fault

#: Flags that a fault of the readings explains: told with it, they would only repeat it.
_FOLLOW = {
    "no_light": {"straight_line", "too_few_points"},
    "reversed_current": {"no_light", "straight_line"},
    "reversed_voltage": {"no_light", "straight_line"},
    "one_voltage": {"straight_line", "no_light"},
}
_SHAPED = {
    "light_drifted",
    "light_jumped",
    "warmed_up",
    "step_in_curve",
    "s_shape",
    "noisy_readings",
    "coarse_steps",
    "swapped_columns",
}
#: Of these, what no single diode describes: that it finds no junction is their doing.
NO_SINGLE_DIODE = ("step_in_curve", "s_shape", "swapped_columns", "light_jumped", "light_drifted")
_SWAPPED_EXPLAINS = {
    "voltage_per_cell",
    "current_beyond_area",
    "series_resistance_in_load",
    "current_offset",
    "stuck_channel",
}
#: Flags that say what the readings do not resolve: no fault of theirs.
LIMITS = {
    "series_resistance_at_zero",
    "shunt_at_infinity",
    "series_resistance_unresolved",
    "shunt_unresolved",
}


def all_faults(found: list[Fault], flags: tuple[str, ...]) -> tuple[Fault, ...]:
    """Return the faults of readings with the flags of their fit, each told once."""
    names = {one.name for one in found}
    hidden = set(names)
    for name in names:
        hidden |= _FOLLOW.get(name, set())
    if "swapped_columns" in names:
        found = [one for one in found if one.name not in _SWAPPED_EXPLAINS]
    if names & _SHAPED:
        hidden |= {"residuals_not_random", "noise_larger_than_stated", "knee_too_sharp"}
    if names & set(NO_SINGLE_DIODE):
        hidden |= {"straight_line", "not_converged"}
    told = list(found)
    for flag in flags:
        if flag not in hidden:
            severity = "note" if flag in LIMITS else "warning"
            told.append(Fault(flag, severity, (), *FLAGS[flag]))
    return tuple(told)
