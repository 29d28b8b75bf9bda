"""Key points: Isc, Voc, maximum power and fill factor, and how to read them off the data alone.

The rule for data alone is that of ASTM E1036-15 (2019) as pvlib's ``astm_e1036`` encodes it: the
current at V = 0 and the voltage at I = 0 from the nearest point or a straight line through the
nearest three, the maximum power from a polynomial of fourth order in P(V) near the largest P.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class KeyPoints:
    """The six numbers that people ask of a curve; floats, arrays or uncertain numbers.

    Attributes
    ----------
    i_sc : short-circuit current, A
    v_oc : open-circuit voltage, V
    v_mp, i_mp : voltage (V) and current (A) of greatest power

    A point that cannot be told is NaN.
    """

    i_sc: Any
    v_oc: Any
    v_mp: Any
    i_mp: Any

    @property
    def p_mp(self) -> Any:
        """Greatest power, W."""
        return self.v_mp * self.i_mp

    @property
    def fill_factor(self) -> Any:
        """Pmp / (Isc Voc), dimensionless; NaN where there is no light."""
        ideal = self.i_sc * self.v_oc
        if isinstance(ideal, np.ndarray | float):
            with np.errstate(all="ignore"):
                return (self.p_mp / np.where(np.asarray(ideal) > 0, ideal, np.nan))[()]
        return self.p_mp / ideal

    @property
    def best_load(self) -> Any:
        """Vmp / Imp, the load resistance of greatest power, ohm; NaN where there is no light."""
        if isinstance(self.i_mp, np.ndarray | float):
            with np.errstate(all="ignore"):
                return (self.v_mp / np.where(np.asarray(self.i_mp) > 0, self.i_mp, np.nan))[()]
        return self.v_mp / self.i_mp
