"""What the fronts of measured modules let through at an angle, over straight on.

Sources: King, Boyson and Kratochvil, SAND2004-3535 (2004): polynomials fitted to outdoor tests,
their coefficients as given in Marion et al., NREL/TP-5200-61610 (2014), evaluated at 50, 60, 70 and
80 deg; `generic` is what most of the modules have in the database that pvlib ships, at 60 deg and
up. Of the CIGS modules, the lowest and the highest value at each angle.
"""

import numpy as np
from scipy.interpolate import PchipInterpolator

AT = np.array([50.0, 60.0, 70.0, 80.0])
MEASURED = {
    "multicrystalline": (0.965, 0.92, 0.80, 0.50),
    "monocrystalline": (0.975, 0.931, 0.815, 0.534),
    "heterojunction": (0.975, 0.935, 0.823, 0.534),
    "CdTe": (0.950, 0.903, 0.793, 0.516),
    "CIGS, lowest": (0.948, 0.90, 0.78, 0.46),
    "CIGS, highest": (0.979, 0.94, 0.83, 0.54),
    "amorphous triple": (0.985, 0.947, 0.873, 0.743),
    "generic": (np.nan, 0.956, 0.856, 0.597),
}


def curve_of(name):
    """Return a smooth function of the angle, deg, through what was measured, 1 at 0 and 0 at 90."""
    values = np.array(MEASURED[name])
    known = np.isfinite(values)
    through = PchipInterpolator(
        np.r_[-AT[known][:1], 0.0, AT[known], 90.0],
        np.r_[values[known][:1], 1.0, values[known], 0.0],
    )
    return lambda aoi: np.where(np.abs(aoi) < 90.0, through(np.minimum(np.abs(aoi), 90.0)), 0.0)
