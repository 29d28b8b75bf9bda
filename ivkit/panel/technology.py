"""What is usual for a cell technology, to fill what a thin datasheet does not say.

Ranges "of the CEC table" are the 1 and 99 % points of the modules of that technology in the table
of the California Energy Commission, as pvlib ships it (2019-03-05): 20,946 of crystalline silicon,
20 of CdTe of one maker, 561 thin films of all kinds. The standard uncertainty is about a quarter
of such a range, more where the table holds few makers. Band gaps: pvlib's ``calcparams_desoto``,
which names De Soto et al. (2006) for silicon and CdTe; the others are marked.

How a panel leaves its datasheet's condition (`ivkit.panel.law`) is known from seven modules that a
national laboratory measured over 15 to 65 degC and 100 to 1100 W/m2: Marion et al., User's Manual
for Data for Validating Models for PV Module Performance, NREL/TP-5200-61610 (2014). The values are
near those under which the seven matrices are most likely (``python -m tests.benchmarks.priors``;
two modules of one kind count as one), silicon's spreads narrower: its four modules of three kinds
lie inside their 95 % intervals all the same. Heterojunction cells, CdTe and CIGS rest on one kind
each, so theirs are wide; no amorphous or perovskite module of one junction was measured there.
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
class Law:
    """How panels of a technology leave their datasheet's condition: see `ivkit.panel.law`.

    Attributes
    ----------
    ideality : n of one cell, at 1000 W/m2.
    shunt : Rsh Isc/Voc at 200 W/m2; ``u`` is that of its logarithm.
    series_per_K, series_exponent, shunt_per_K : As in `ivkit.panel.conditions.ReferencePanel`.
    u_alpha, u_beta, u_gamma : How well a coefficient that a datasheet states is that of the panel
        itself: of Isc in %/K, of Voc as a fraction of itself, of Pmp in %/K.
    """

    ideality: Usual
    shunt: Usual
    shunt_exponent: Usual
    shunt_exponent_low: Usual
    current_exponent: Usual
    diode_exponent: Usual
    diode_bend: Usual
    series_per_K: Usual
    series_exponent: Usual
    shunt_per_K: Usual
    u_alpha: float
    u_beta: float
    u_gamma: float


def assumed_law(kind: "Technology", instead: str) -> str:
    """Return the sentence that names a technology's law among an answer's assumptions."""
    source = kind.law.ideality.source
    return f"behaviour in other light and temperature usual for {kind.name} ({source}); {instead}"


def _law(source: str, *values: float, u_alpha: float, u_beta: float, u_gamma: float) -> Law:
    """Return a law of pairs of values and standard uncertainties, the low shunt's left out."""
    pairs = [Usual(value, u, source) for value, u in zip(values[::2], values[1::2], strict=True)]
    # Where no module was measured: a plain resistance, k = 0, De Soto's law, k = 1, or beyond.
    pairs.insert(3, Usual(0.5, 0.4, _PRACTICE))
    return Law(*pairs, u_alpha=u_alpha, u_beta=u_beta, u_gamma=u_gamma)


@dataclass(frozen=True)
class Technology:
    """Usual figures of one technology at 1000 W/m2, AM1.5G and 25 degC.

    Attributes
    ----------
    voc_per_cell : V a cell in series.
    voc_limits : tuple of float. Outside of these a cell of this kind does not exist, V.
    alpha, beta, gamma : Temperature coefficients of Isc, Voc and Pmp, %/K.
    beta_limits : tuple of float. What a coefficient of Voc may be before it must be in another
        unit, %/K.
    EgRef : Band gap at 25 degC, eV.
    dEgdT : Its relative change, 1/K.
    nmot : Module temperature of IEC 61215: 800 W/m2, 20 degC, 1 m/s, open rack, degC.
    law : None for stacked junctions: no single diode follows them from one light to another.
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
    law: Law | None = None


_MATRICES = "modules measured in NREL/TP-5200-61610 (2014)"
_ONE_KIND = f"{_MATRICES}, of one kind: wide"
_FEW = "no module measured; as crystalline silicon, widened (common practice, no source)"

# n, Rsh Isc/Voc, k, m, c1, c2, d, e, h: each with its standard uncertainty.
_SILICON = _law(
    _MATRICES,
    1.20, 0.09, 20.0, 0.42, 0.5, 0.4, 0.0, 0.006, 0.10, 0.075, 0.035, 0.02,
    0.0, 0.004, 0.05, 0.1, -0.006, 0.005,
    u_alpha=0.015, u_beta=0.05, u_gamma=0.03,
)  # fmt: skip
_HETEROJUNCTION = _law(
    _ONE_KIND,
    1.22, 0.13, 32.0, 0.45, 0.5, 0.35, 0.0, 0.01, 0.10, 0.085, 0.035, 0.02,
    0.0, 0.004, 0.05, 0.15, -0.006, 0.008,
    u_alpha=0.015, u_beta=0.05, u_gamma=0.03,
)  # fmt: skip
_TELLURIDE = _law(
    _ONE_KIND,
    1.6, 0.35, 7.0, 0.7, 0.4, 0.4, 0.042, 0.022, 0.15, 0.15, 0.0, 0.05,
    -0.004, 0.008, 0.0, 0.3, 0.015, 0.02,
    u_alpha=0.02, u_beta=0.04, u_gamma=0.05,
)  # fmt: skip
_SELENIDE = _law(
    _ONE_KIND,
    1.8, 0.35, 3.5, 0.9, 0.35, 0.35, -0.006, 0.012, 0.12, 0.15, 0.0, 0.05,
    0.0, 0.008, 0.0, 0.3, 0.03, 0.02,
    u_alpha=0.02, u_beta=0.10, u_gamma=0.09,
)  # fmt: skip
_AMORPHOUS = _law(
    _FEW,
    1.8, 0.4, 8.0, 0.8, 0.7, 0.4, 0.0, 0.03, 0.0, 0.2, 0.0, 0.06,
    0.0, 0.008, 0.0, 0.3, 0.0, 0.02,
    u_alpha=0.03, u_beta=0.06, u_gamma=0.06,
)  # fmt: skip
_PEROVSKITE = _law(
    _FEW,
    1.6, 0.4, 15.0, 0.8, 0.5, 0.4, 0.0, 0.03, 0.0, 0.2, 0.0, 0.06,
    0.0, 0.008, 0.0, 0.3, 0.0, 0.02,
    u_alpha=0.03, u_beta=0.15, u_gamma=0.06,
)  # fmt: skip


def _technology(
    name: str,
    source: str,
    *values: float,
    voc_limits: tuple[float, float],
    beta_limits: tuple[float, float] = (-0.55, -0.15),
    gap: tuple[float, float],
    law: Law | None = None,
    **sources: str,
) -> Technology:
    """Return a technology of pairs of values and standard uncertainties, in the order of `_NAMES`.

    They have one source but for those in ``sources``; ``gap`` is EgRef and dEgdT.
    """
    usual = {
        key: Usual(value, u, sources.get(key, source))
        for key, value, u in zip(_NAMES, values[::2], values[1::2], strict=True)
    }
    return Technology(
        name, **usual, voc_limits=voc_limits, beta_limits=beta_limits, EgRef=gap[0], dEgdT=gap[1],
        law=law,
    )  # fmt: skip


_NAMES = ("voc_per_cell", "imp_over_isc", "vmp_over_voc", "alpha", "beta", "gamma", "nmot")
_SILICON_GAP = (1.121, -0.0002677)
_AMORPHOUS_GAP = (1.75, -0.0003)  # common practice, no source

_ALL = (
    _technology(
        "c-Si", _TABLE,
        0.630, 0.020, 0.938, 0.019, 0.811, 0.017, 0.053, 0.025, -0.335, 0.040, -0.450, 0.055,
        46.0, 2.0,
        voc_limits=(0.45, 0.80), beta_limits=(-0.55, -0.20), gap=_SILICON_GAP, law=_SILICON,
    ),
    _technology(
        "HJT", _PRACTICE,
        0.715, 0.020, 0.938, 0.019, 0.820, 0.017, 0.040, 0.020, -0.260, 0.030, -0.320, 0.045,
        46.0, 2.0,
        voc_limits=(0.55, 0.80), beta_limits=(-0.45, -0.15), gap=_SILICON_GAP,
        law=_HETEROJUNCTION, imp_over_isc=_TABLE, nmot=_TABLE,
    ),
    _technology(
        "a-Si", _THIN,
        0.860, 0.040, 0.830, 0.040, 0.765, 0.035, 0.090, 0.040, -0.330, 0.055, -0.250, 0.070,
        46.0, 3.0,
        voc_limits=(0.55, 1.05), gap=_AMORPHOUS_GAP, law=_AMORPHOUS,
        voc_per_cell=f"{_PRACTICE}; one junction", nmot=_PRACTICE,
    ),
    _technology(
        "CdTe", f"{_TABLE}, one maker, widened",
        0.823, 0.030, 0.912, 0.020, 0.820, 0.020, 0.056, 0.020, -0.280, 0.030, -0.250, 0.040,
        47.0, 3.0,
        voc_limits=(0.55, 1.10), beta_limits=(-0.50, -0.15), gap=(1.475, -0.0003),
        law=_TELLURIDE, nmot=_PRACTICE,
    ),
    _technology(
        "CIGS", _THIN,  # dEgdT: that of CuInSe2, De Soto et al. (2006); of CIGS no source
        0.600, 0.050, 0.870, 0.030, 0.765, 0.030, 0.020, 0.035, -0.320, 0.045, -0.370, 0.080,
        47.0, 3.0,
        voc_limits=(0.35, 0.85), gap=(1.15, -0.00011), law=_SELENIDE,
        voc_per_cell=_PRACTICE, nmot=_PRACTICE,
    ),
    _technology(
        "perovskite", _PRACTICE,  # the gap, too
        1.05, 0.060, 0.920, 0.030, 0.820, 0.030, 0.030, 0.050, -0.200, 0.060, -0.200, 0.080,
        46.0, 3.0,
        voc_limits=(0.75, 1.35), beta_limits=(-0.55, -0.05), gap=(1.6, 0.0), law=_PEROVSKITE,
        voc_per_cell=f"{_PRACTICE}; one junction",
    ),
    *(  # junctions stacked on each other, by two-junction rules of thumb; the gap is the top one's
        _technology(
            name, f"{_PRACTICE}; {junctions} junctions a cell",
            voc, 0.15, 0.820, 0.040, 0.740, 0.040, 0.085, 0.040, -0.360, 0.060, -0.270, 0.070,
            46.0, 3.0,
            voc_limits=limits, gap=_AMORPHOUS_GAP, nmot=_PRACTICE,
            **dict.fromkeys(_NAMES[1:6], _THIN),
        )
        for name, junctions, voc, limits in (
            ("tandem", 2, 1.55, (1.15, 2.1)), ("triple", 3, 2.1, (1.7, 3.2)),
        )
    ),
)  # fmt: skip
#: By the name that datasheet files use.
TECHNOLOGY: Mapping[str, Technology] = {one.name: one for one in _ALL}
