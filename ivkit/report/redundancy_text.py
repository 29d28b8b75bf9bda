"""What voltage over current says about the stated loads, as JSON will hold it."""

from typing import TYPE_CHECKING, Any

from uncertainties import ufloat

from ivkit.readings.redundancy import check_loads

if TYPE_CHECKING:
    from ivkit.curve.fit import Fit


def stated_loads(fit: "Fit") -> dict[str, Any] | None:
    """Return series resistance and current offset of a sweep with loads; None without loads.

    Both are estimates even where they are within their uncertainty of nothing; what stands out is
    among the faults.
    """
    found = check_loads(fit.sweep if fit.taken is None else fit.taken)
    if found is None:
        return None
    return {
        "series_resistance_ohm": ufloat(found.resistance, found.u_resistance),
        "current_offset_A": ufloat(found.offset, found.u_offset),
    }
