"""From the figures that a datasheet gives to the four that make a curve, and how far off they are.

What is missing follows from what is there and the technology's usual ratios. How well the four are
known is a set of independent *sources*, each with what one standard uncertainty of it does to the
logarithms of Isc, Voc, Imp and Vmp.

Where the sheet gives Isc, Voc and Pmp, each keeps exactly the uncertainty that its own tolerance
states. How the three go together no sheet says: a panel with more current has more power. Power
is taken to follow Isc and Voc as far as makes the fill factor vary by `U_FILL_FACTOR`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import BenchError
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import Technology

Array = NDArray[np.float64]

ISC, VOC, IMP, VMP = np.eye(4)
FIGURES = ("isc_A", "voc_V", "imp_A", "vmp_V")
USUAL_TOLERANCE = 5.0  # percent, of a figure whose tolerance is not stated
U_FILL_FACTOR = 0.015  # from panel to panel of one type, as a share
U_KNEE = 0.004  # of Vmp at the same power: figures are rounded, the power is flat there
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Assumption:
    """A figure that the datasheet does not state.

    Attributes
    ----------
    figure : Key of the datasheet file, with its unit.
    value : What is taken.
    u : Its standard uncertainty, in the same unit; None for a tolerance, which is one itself.
    source : Where it comes from.
    """

    figure: str
    value: float
    u: float | None
    source: str

    def __str__(self) -> str:
        spread = "" if self.u is None else f" +- {self.u:.2g}"
        return f"{self.figure} {self.value:.4g}{spread} ({self.source})"


@dataclass(frozen=True)
class Filled:
    """The four figures, what moves them, and what was assumed.

    Attributes
    ----------
    figures : shape (4,). Isc (A), Voc (V), Imp (A), Vmp (V).
    sources : dict of str to ndarray, shape (4,). Shift of the logarithms of the four by one
        standard uncertainty of each cause.
    assumed : tuple of Assumption
    u_knee : Of Vmp at a given power, as a fraction.
    """

    figures: Array
    sources: Mapping[str, Array]
    assumed: tuple[Assumption, ...]
    u_knee: float


def fill(sheet: SheetFile) -> Filled:
    """Return the four figures of a datasheet with missing ones filled.

    Raises BenchError: there is too little to go by.
    """
    figures, derived = _figures(sheet)
    sources = _sources(sheet, derived)
    isc, voc, imp, vmp = (figures[name] for name in FIGURES)
    spread = np.sqrt(sum(np.square(shift) for shift in sources.values()))
    assumed = [
        Assumption(name, figures[name], float(spread[k] * figures[name]), derived[name])
        for k, name in enumerate(FIGURES)
        if derived.get(name)
    ]
    if sheet.pmp_W is None and "pmp_W" in derived:
        along = [shift @ (IMP + VMP) for shift in sources.values()]
        u = float(np.sqrt(np.sum(np.square(along))))
        assumed.append(Assumption("pmp_W", vmp * imp, u * vmp * imp, derived["pmp_W"]))
    for name in ("isc_A", "voc_V", "pmp_W"):
        key = f"{name[:3]}_tolerance_pct"
        if getattr(sheet, key) is None and name not in derived:
            assumed.append(Assumption(key, USUAL_TOLERANCE, None, PRACTICE))
    return Filled(np.array([isc, voc, imp, vmp]), sources, tuple(assumed), _knee(sheet, derived))


def _figures(sheet: SheetFile) -> tuple[dict[str, float], dict[str, str]]:
    """Return the four figures, and of what each missing one was made."""
    kind = sheet.kind
    ratio_i, ratio_v = kind.imp_over_isc, kind.vmp_over_voc
    isc, voc, imp, vmp, pmp = sheet.isc_A, sheet.voc_V, sheet.imp_A, sheet.vmp_V, sheet.pmp_W
    by_i, by_v = f"usual Imp/Isc: {ratio_i.source}", f"usual Vmp/Voc: {ratio_v.source}"
    made: dict[str, str] = {}

    def cells_voltage() -> float:
        if sheet.cells is None:
            raise BenchError(
                "gives no voltage", sheet.name, "give voc_V, vmp_V or the number of cells"
            )
        made["voc_V"] = f"usual voltage of a cell: {kind.voc_per_cell.source}"
        return sheet.cells * kind.voc_per_cell.value

    if imp is None and isc is None and (pmp is None):
        raise BenchError("gives no current and no power", sheet.name, "give pmp_W, imp_A or isc_A")
    if imp is None and vmp is None:
        made["imp_A"], made["vmp_V"] = by_i, by_v
        if isc is not None and voc is not None and pmp is not None:
            both = sqrt(pmp / (isc * voc) / (ratio_i.value * ratio_v.value))
            imp, vmp = isc * ratio_i.value * both, voc * ratio_v.value * both
        elif isc is not None:
            imp = isc * ratio_i.value
            if pmp is not None:
                vmp, made["vmp_V"] = pmp / imp, "pmp_W and imp_A"
        else:
            voc = cells_voltage() if voc is None else voc
            vmp = voc * ratio_v.value
            imp, made["imp_A"] = pmp / vmp, "pmp_W and vmp_V"
    elif imp is None:
        made["imp_A"] = by_i if pmp is None else "pmp_W and vmp_V"
        imp = isc * ratio_i.value if pmp is None else pmp / vmp
    elif vmp is None and pmp is not None:
        vmp, made["vmp_V"] = pmp / imp, "pmp_W and imp_A"
    if vmp is None:
        voc = cells_voltage() if voc is None else voc
        vmp, made["vmp_V"] = voc * ratio_v.value, by_v
    if isc is None:
        isc, made["isc_A"] = imp / ratio_i.value, by_i
    if voc is None:
        voc, made["voc_V"] = vmp / ratio_v.value, by_v
    if pmp is None and (sheet.imp_A is None or sheet.vmp_V is None):
        made["pmp_W"] = "vmp_V and imp_A"
    for word, value, whole, name in (("imp", imp, isc, "isc"), ("vmp", vmp, voc, "voc")):
        if value >= whole:
            what = f"the figures make {word} {value:.4g}, which is not below {name} {whole:.4g}"
            raise BenchError(what, sheet.name, "check isc_A, voc_V and pmp_W against each other")
    return dict(zip(FIGURES, (isc, voc, imp, vmp), strict=True)), made


def _sources(sheet: SheetFile, made: Mapping[str, str]) -> dict[str, Array]:
    """Return what one standard uncertainty of each cause does to the logarithms of the four."""
    u_i, u_v, u_p = (
        (USUAL_TOLERANCE if stated is None else stated) / 100 / sqrt(3.0)
        for stated in (sheet.isc_tolerance_pct, sheet.voc_tolerance_pct, sheet.pmp_tolerance_pct)
    )
    kind = sheet.kind
    u_ratio_i = kind.imp_over_isc.u / kind.imp_over_isc.value
    u_ratio_v = kind.vmp_over_voc.u / kind.vmp_over_voc.value
    has = {name: name not in made for name in FIGURES}
    power_known = "pmp_W" not in made
    if has["isc_A"] and has["voc_V"] and power_known:
        return _all_three(u_i, u_v, u_p)
    sources: dict[str, Array] = {}
    ends = (ISC + IMP, VOC + VMP)  # current and voltage of the whole curve
    if power_known and has["isc_A"]:
        # Isc and Pmp stated, Voc not: Vmp = Pmp / Imp, Voc from it.
        sources["datasheet Isc"] = u_i * (ends[0] - ends[1])
        sources["datasheet Pmp"] = u_p * ends[1]
        sources["usual Imp/Isc"] = (0.0 if has["imp_A"] else u_ratio_i) * (IMP - ends[1])
        sources["usual Vmp/Voc"] = -u_ratio_v * VOC
    elif power_known:
        # Isc not stated: Imp = Pmp / Vmp, Isc from it.
        sources["datasheet Pmp"] = u_p * ends[0]
        u_scale = _voltage_scale(sheet, kind, u_v)
        if has["vmp_V"] and not has["voc_V"]:
            sources["datasheet Vmp"] = u_scale[1] * (ends[1] - ends[0])
            sources["usual Vmp/Voc"] = -u_ratio_v * VOC
        else:
            sources[u_scale[0]] = u_scale[1] * (ends[1] - ends[0])
            free = U_KNEE if has["vmp_V"] else u_ratio_v
            sources["usual Vmp/Voc"] = free * (VMP - ends[0])
        sources["usual Imp/Isc"] = -u_ratio_i * ISC
    else:
        # No power: current and voltage each on their own.
        stated = "datasheet Isc" if has["isc_A"] else "datasheet Imp"
        sources[stated] = u_i * ends[0]
        u_scale = _voltage_scale(sheet, kind, u_v)
        sources[u_scale[0]] = u_scale[1] * ends[1]
        both_i, both_v = has["isc_A"] and has["imp_A"], has["voc_V"] and has["vmp_V"]
        if not both_i:
            sources["usual Imp/Isc"] = u_ratio_i * (IMP if has["isc_A"] else -ISC)
        if not both_v:
            sources["usual Vmp/Voc"] = u_ratio_v * (-VOC if has["vmp_V"] else VMP)
    return {name: shift for name, shift in sources.items() if np.any(shift)}


def _voltage_scale(sheet: SheetFile, kind: Technology, u_v: float) -> tuple[str, float]:
    """Return what the voltages hang on, and its relative standard uncertainty."""
    if sheet.voc_V is not None:
        return "datasheet Voc", u_v
    if sheet.vmp_V is not None:
        return "datasheet Vmp", u_v
    return "usual voltage of a cell", kind.voc_per_cell.u / kind.voc_per_cell.value


def _knee(sheet: SheetFile, made: Mapping[str, str]) -> float:
    """Return how far Vmp may be off along the curve, at the same power, as a fraction."""
    if "imp_A" not in made or "vmp_V" not in made:
        return U_KNEE
    ratios = (sheet.kind.imp_over_isc, sheet.kind.vmp_over_voc)
    return sqrt(sum((ratio.u / ratio.value) ** 2 for ratio in ratios)) / 2


def _all_three(u_i: float, u_v: float, u_p: float) -> dict[str, Array]:
    """Return the sources where Isc, Voc and power are all stated.

    log P = f (log Isc + log Voc) + e, with f and the variance of e such that log P varies by
    ``u_p`` and the fill factor, log P - log Isc - log Voc, by `U_FILL_FACTOR`.
    """
    ends = u_i**2 + u_v**2
    follow = 0.0
    if ends > 0:
        follow = 0.5 * (1.0 + (u_p**2 - U_FILL_FACTOR**2) / ends)
        follow = min(max(follow, 0.0), u_p / sqrt(ends))
    rest = sqrt(max(u_p**2 - follow**2 * ends, 0.0))
    sources = {
        "datasheet Isc": u_i * (ISC + follow * IMP),
        "datasheet Voc": u_v * (VOC + follow * VMP),
        "datasheet Pmp": rest * 0.5 * (IMP + VMP),
    }
    return {name: shift for name, shift in sources.items() if np.any(shift)}
