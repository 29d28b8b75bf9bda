"""What no panel and no light can do: limits that a reading never exceeds.

Detailed balance for one junction of a band gap under AM1.5G at 298.15 K with every photon counted:
Ruehle (2016); the figures below were computed from the spectrum that pvlib ships and agree with it.
Cloud edges: 1413 and 1528 W/m2 were seen in southern Norway, above 1800 near the equator (Yordanov
et al. 2013).
"""

from dataclasses import dataclass

import numpy as np

from ivkit.predict.facing import TOO_BRIGHT

#: eV: largest Jsc (A/m2 at 1000 W/m2), Voc (V), efficiency.
DETAILED_BALANCE = {
    1.12: (438.1, 0.878, 0.3348),
    1.15: (424.4, 0.906, 0.3358),
    1.34: (350.3, 1.084, 0.3376),
    1.45: (308.4, 1.186, 0.3281),
    1.75: (210.6, 1.467, 0.2819),
}
BRIGHTEST = 2000.0  # W/m2 that no sky gives a plane
#: W/m2 above the atmosphere at the sun's mean distance: Gueymard, Solar Energy 168 (2018) 434,
#: doi:10.1016/j.solener.2018.04.001. More of it on the ground takes a cloud's edge.
SOLAR_CONSTANT = 1361.1
_COLD = 0.1  # V a cell: what 60 K less, or 50 times the light, add to Voc
_MORE_PHOTONS = 1.02  # the band gap shrinks when warm: 0.05 %/K of Isc, for 40 K


@dataclass(frozen=True)
class Limit:
    """A limit that a reading breaks.

    Attributes
    ----------
    name : str
    value, limit : float
    unit : str
    """

    name: str
    value: float
    limit: float
    unit: str

    def __str__(self) -> str:
        return (
            f"impossible: {self.name} is {self.value:.4g} {self.unit}, and nothing gives more "
            f"than {self.limit:.4g} {self.unit}"
        )


def broken_limits(
    *,
    voltage: float | None = None,
    current: float | None = None,
    power: float | None = None,
    irradiance: float | None = None,
    stated_irradiance: float | None = None,
    area_m2: float | None = None,
    cells: int | None = None,
    strings: int = 1,
    band_gap: float = 1.12,
    outdoors: bool = False,
) -> list[Limit]:
    """Return the limits that the largest reading of each kind breaks.

    Parameters
    ----------
    voltage, current, power : float, optional
        V, A, W.
    irradiance : float, optional
        Effective, W/m2: as much as AM1.5G of that amount; the most that there can have been.
    stated_irradiance : float, optional
        As it was stated, for the limit of the sky; by default ``irradiance``.
    area_m2 : float, optional
        Of the panel.
    cells : int, optional
        In series.
    strings : int
        In parallel.
    band_gap : float
        eV; interpolated between the gaps of the table.
    outdoors : bool
        Whether the light is the sky's.

    Examples
    --------
    >>> [str(limit) for limit in broken_limits(power=20.0, irradiance=1000.0, area_m2=0.05)]
    ['impossible: power is 20 W, and nothing gives more than 16.74 W']
    """
    gaps = np.array(list(DETAILED_BALANCE))
    j_sc, v_oc, efficiency = (
        float(np.interp(band_gap, gaps, column))
        for column in np.array(list(DETAILED_BALANCE.values())).T
    )
    found = []

    def check(name: str, value: float | None, limit: float | None, unit: str) -> None:
        if value is not None and limit is not None and abs(value) > limit:
            found.append(Limit(name, abs(value), limit, unit))

    stated = irradiance if stated_irradiance is None else stated_irradiance
    check("irradiance", stated, BRIGHTEST if outdoors else TOO_BRIGHT, "W/m2")
    check("voltage", voltage, None if cells is None else cells * (v_oc + _COLD), "V")
    if irradiance is not None and area_m2 is not None:
        check("power", power, irradiance * area_m2 * efficiency, "W")
        if cells is not None:
            # All of the area shared out among the cells; in parallel, strings add.
            of_one = area_m2 / (cells * strings)
            most = irradiance / 1000.0 * j_sc * of_one * strings * _MORE_PHOTONS
            check("current", current, most, "A")
    return found


def at_a_cloud_edge(irradiance: float) -> bool:
    """Return whether a sky gives this (W/m2) only beside a bright cloud, for seconds to minutes.

    >>> at_a_cloud_edge(1000.0), at_a_cloud_edge(1413.0)
    (False, True)
    """
    return irradiance > SOLAR_CONSTANT
