"""What is usual for a cell technology, to fill what a thin datasheet does not say.

Ranges "of the CEC table" are the 1 and 99 % points of the modules of that technology in the table
of the California Energy Commission, as pvlib ships it (2019-03-05): 20,946 of crystalline silicon,
20 of CdTe of one maker, 561 thin films of all kinds. The standard uncertainty is about a quarter
of such a range, more where the table holds few makers. Band gaps: pvlib's ``calcparams_desoto``,
which names De Soto et al. (2006) for silicon and CdTe; the others are marked.
"""

from collections.abc import Mapping
from dataclasses import dataclass

_TABLE = "usual range of modules in the CEC table (2019)"
_THIN = "usual range of thin-film modules in the CEC table (2019)"
_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Usual:
    """A usual value, its standard uncertainty in the same unit, and where it comes from."""

    value: float
    u: float
    source: str


@dataclass(frozen=True)
class Technology:
    """Usual figures of one technology at 1000 W/m2, AM1.5G and 25 degC.

    Attributes
    ----------
    name : str
    voc_per_cell : Usual
        V a cell in series.
    voc_limits : tuple of float
        Outside of these a cell of this kind does not exist, V.
    imp_over_isc, vmp_over_voc : Usual
    alpha, beta, gamma : Usual
        Temperature coefficients of Isc, Voc and Pmp, %/K.
    beta_limits : tuple of float
        What a coefficient of Voc may be before it must be in another unit, %/K.
    EgRef : float
        Band gap at 25 degC, eV.
    dEgdT : float
        Its relative change, 1/K.
    nmot : Usual
        Module temperature of IEC 61215: 800 W/m2, 20 degC, 1 m/s, open rack, degC.
    """

    name: str
    voc_per_cell: Usual
    voc_limits: tuple[float, float]
    imp_over_isc: Usual
    vmp_over_voc: Usual
    alpha: Usual
    beta: Usual
    gamma: Usual
    beta_limits: tuple[float, float]
    EgRef: float
    dEgdT: float
    nmot: Usual


CRYSTALLINE_SILICON = Technology(
    "c-Si",
    voc_per_cell=Usual(0.630, 0.020, _TABLE),
    voc_limits=(0.45, 0.80),
    imp_over_isc=Usual(0.938, 0.019, _TABLE),
    vmp_over_voc=Usual(0.811, 0.017, _TABLE),
    alpha=Usual(0.053, 0.025, _TABLE),
    beta=Usual(-0.335, 0.040, _TABLE),
    gamma=Usual(-0.450, 0.055, _TABLE),
    beta_limits=(-0.55, -0.20),
    EgRef=1.121,
    dEgdT=-0.0002677,
    nmot=Usual(46.0, 2.0, _TABLE),
)
CADMIUM_TELLURIDE = Technology(
    "CdTe",
    voc_per_cell=Usual(0.823, 0.030, f"{_TABLE}, one maker, widened"),
    voc_limits=(0.55, 1.10),
    imp_over_isc=Usual(0.912, 0.020, f"{_TABLE}, one maker, widened"),
    vmp_over_voc=Usual(0.820, 0.020, f"{_TABLE}, one maker, widened"),
    alpha=Usual(0.056, 0.020, f"{_TABLE}, one maker, widened"),
    beta=Usual(-0.280, 0.030, f"{_TABLE}, one maker, widened"),
    gamma=Usual(-0.250, 0.040, f"{_TABLE}, one maker, widened"),
    beta_limits=(-0.50, -0.15),
    EgRef=1.475,
    dEgdT=-0.0003,
    nmot=Usual(47.0, 3.0, _PRACTICE),
)
AMORPHOUS_SILICON = Technology(
    "a-Si",
    voc_per_cell=Usual(0.860, 0.040, f"{_PRACTICE}; one junction"),
    voc_limits=(0.55, 1.05),
    imp_over_isc=Usual(0.830, 0.040, _THIN),
    vmp_over_voc=Usual(0.765, 0.035, _THIN),
    alpha=Usual(0.090, 0.040, _THIN),
    beta=Usual(-0.330, 0.055, _THIN),
    gamma=Usual(-0.250, 0.070, _THIN),
    beta_limits=(-0.55, -0.15),
    EgRef=1.75,  # common practice, no source
    dEgdT=-0.0003,  # common practice, no source
    nmot=Usual(46.0, 3.0, _PRACTICE),
)
COPPER_INDIUM_GALLIUM_SELENIDE = Technology(
    "CIGS",
    voc_per_cell=Usual(0.600, 0.050, f"{_PRACTICE}"),
    voc_limits=(0.35, 0.85),
    imp_over_isc=Usual(0.870, 0.030, _THIN),
    vmp_over_voc=Usual(0.765, 0.030, _THIN),
    alpha=Usual(0.020, 0.035, _THIN),
    beta=Usual(-0.320, 0.045, _THIN),
    gamma=Usual(-0.370, 0.080, _THIN),
    beta_limits=(-0.55, -0.15),
    EgRef=1.15,
    dEgdT=-0.00011,  # that of CuInSe2, De Soto et al. (2006); of CIGS no source
    nmot=Usual(47.0, 3.0, _PRACTICE),
)

TECHNOLOGY: Mapping[str, Technology] = {
    t.name: t
    for t in (
        CRYSTALLINE_SILICON,
        AMORPHOUS_SILICON,
        CADMIUM_TELLURIDE,
        COPPER_INDIUM_GALLIUM_SELENIDE,
    )
}
"""Technologies by the name that datasheet files use."""
