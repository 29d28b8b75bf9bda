"""A datasheet: what a panel is said to be, with gaps filled and said so.

The figures are at 1000 W/m2, AM1.5G and 25 degC; how the panel leaves that condition is its law
(`ivkit.panel.law`), of which a sheet states little. Each input quantity is a *source* of
one standard uncertainty: ``sheet.sources`` holds it as an uncertain number 0 +- 1, and
``sheet.panel(shifts)`` is the panel with sources off by so many standard uncertainties. So the
uncertainty can be carried through any computation, as `ivkit.predict` does.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, ufloat

from ivkit.errors import BenchError, RangeError
from ivkit.light.glass import GLASSES
from ivkit.light.incidence import IncidenceAngleModifier
from ivkit.panel.conditions import BOLTZMANN_EV, KELVIN, ReferencePanel
from ivkit.panel.fill import PRACTICE, USUAL_TOLERANCE, Assumption, fill
from ivkit.panel.law import LAW, LOW, NAMES, Statement, constrain, gamma_of, panel_by_law
from ivkit.panel.matrix import read_matrix
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import TECHNOLOGY, Technology, assumed_law
from ivkit.schema import load_settings
from ivkit.shown import Shown

Array = NDArray[np.float64]

#: Of the power at 200 W/m2 over that at 1000 W/m2, where a sheet states it (common practice, no
#: source), as a fraction.
U_LOW_POWER = 0.01
#: How far apart temperatures have to be, K, before coefficients are taken from a matrix.
TOLD_APART = 8.0
#: k T / q of one cell at 25 degC, V.
_THERMAL = BOLTZMANN_EV * (25.0 + KELVIN)
#: How far the curve's Vmp may be off the stated one before it is said, as a fraction.
_BENT = 0.01


@dataclass(frozen=True)
class Datasheet(Shown):
    """What a panel is said to be.

    Attributes
    ----------
    cells : In series, in each string.
    strings : In parallel.
    i_sc, v_oc, i_mp, v_mp : A and V.
    p_mp : Promised maximum power, W: as stated, or Vmp Imp.
    p_mp_tolerance : Plus or minus, as a share.
    alpha_pct, beta_pct, gamma_pct : Temperature coefficients of Isc, Voc and Pmp, %/K.
    nmot : degC.
    law : shape (12,). How it leaves the reference, in the order of `ivkit.panel.law.LAW`.
    shifts : mapping of str to ndarray, shape (16,). Of each source: what one standard uncertainty
        does to the logarithms of Isc, Voc, Imp, Vmp, and to the law.
    assumed : tuple of Assumption. What the sheet does not state.
    sources : dict of str to UFloat. The sources as uncertain numbers 0 +- 1, tagged with their
        names. The same for every result of this sheet, so that results stay correlated.
    bends : dict of str to UFloat. Of those that are the law's, what their curvature adds,
        uncorrelated with themselves.
    path : The file it came from; empty for one made in code.
    remarks : tuple of str. What was understood on the way.
    law_stated : Whether the sheet says what the panel gives in other light: its power at 200 W/m2,
        or more.
    """

    name: str
    kind: Technology
    cells: int | None
    strings: int
    bypass_groups: int
    area_m2: float | None
    glass: str
    i_sc: float
    v_oc: float
    i_mp: float
    v_mp: float
    p_mp: float
    p_mp_tolerance: float
    alpha_pct: float
    beta_pct: float
    gamma_pct: float
    nmot: float
    law: Array
    shifts: Mapping[str, Array]
    assumed: tuple[Assumption, ...]
    path: str = ""
    remarks: tuple[str, ...] = ()
    law_stated: bool = False
    sources: dict[str, UFloat] = field(init=False, compare=False, repr=False)
    bends: dict[str, UFloat] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sources", {name: ufloat(0.0, 1.0, name) for name in self.shifts})
        object.__setattr__(self, "bends", bends_of(self.sources))

    def __str__(self) -> str:
        return (
            f"{self.name or 'datasheet'}: {self.p_mp:.4g} W, Isc {self.i_sc:.4g} A, "
            f"Voc {self.v_oc:.4g} V, {self.kind.name}, {len(self.assumed)} figures assumed"
        )

    @property
    def label(self) -> float:
        """What the panel's label says, W: `p_mp`."""
        return self.p_mp

    @property
    def iam(self) -> IncidenceAngleModifier:
        """The incidence angle modifier of its glass."""
        return GLASSES[self.glass]

    @property
    def law_assumed(self) -> tuple[str, ...]:
        """What is assumed of the panel in other light, as a sentence; none where it is stated."""
        if self.law_stated or self.kind.law is None:
            return ()
        return (assumed_law(self.kind, "pmp_200_W or matrix of the datasheet replaces it"),)

    def solved(self, shifts: Mapping[str, ArrayLike] | None = None) -> ReferencePanel:
        """Return the panels with sources off by ``shifts``; NaN where no curve has the figures.

        ``shifts`` are standard uncertainties by the name of the source; they broadcast.
        """
        total: Any = np.zeros(4 + len(LAW))
        for name, amount in (shifts or {}).items():
            total = total + np.multiply.outer(np.asarray(amount, dtype=float), self.shifts[name])
        i_sc, v_oc, i_mp, v_mp = (
            value * np.exp(total[..., k])
            for k, value in enumerate((self.i_sc, self.v_oc, self.i_mp, self.v_mp))
        )
        return panel_by_law(i_sc, v_oc, i_mp * v_mp, self.law + total[..., 4:], self.cells)

    @cached_property
    def varied(self) -> ReferencePanel:
        """The panel as stated, then with each source up and down: arrays of shape (1 + 2 C,)."""
        count = len(self.sources)
        steps = np.zeros((1 + 2 * count, count))
        steps[1::2], steps[2::2] = np.eye(count), -np.eye(count)
        return self.solved(dict(zip(self.sources, steps.T, strict=True)))

    def moved(self, amounts: Array) -> ReferencePanel:
        """Return panels with sources off by ``amounts``, shape (R, S), in their order."""
        return self.solved(dict(zip(self.sources, amounts.T, strict=True)))

    def panel(self, shifts: Mapping[str, float] | None = None) -> ReferencePanel:
        """Return the panel that has these figures, with sources off by ``shifts``.

        Raises BenchError: no panel has the sheet's figures, or no single diode is the model of its
        cells; RangeError: none has the figures moved by ``shifts``.
        """
        if self.kind.law is None:
            raise BenchError(
                f"{self.kind.name} cells follow no single diode from one light to another, so what "
                "this panel gives elsewhere could not be determined",
                self.path or self.name,
                "take a sweep in the light in question; its key points hold there",
            )
        asked = {name: float(x) for name, x in (shifts or {}).items() if x}
        found = self.solved(asked) if asked else self.varied.each(lambda values: values[0])
        if np.all(np.isfinite(found.photocurrent)):
            return found
        fill_factor = self.i_mp * self.v_mp / (self.i_sc * self.v_oc)
        reason = f"the fill factor of {fill_factor:.3g} is more than such a diode can have"
        if asked:
            raise RangeError(f"moved by their uncertainty, {reason}", self.name)
        what = f"no panel has these figures: {reason}"
        raise BenchError(what, self.path or self.name, "check isc_A, voc_V, imp_A, vmp_V and pmp_W")

    @property
    def notes(self) -> tuple[str, ...]:
        """What was understood, and what had to be bent so that a physical panel has the figures."""
        if self.kind.law is None:
            return self.remarks
        points = self.panel().at(1000.0, 25.0).key_points()
        if abs(points.v_mp / self.v_mp - 1.0) < _BENT:
            return self.remarks
        return (
            *self.remarks,
            f"no diode of this kind has the sheet's Vmp at its power; taken are Vmp "
            f"{points.v_mp:.4g} V and Imp {points.i_mp:.4g} A, at the same power",
        )


def bends_of(sources: Mapping[str, UFloat]) -> dict[str, UFloat]:
    """Return a variable for the curvature of each source that is of the panel's law."""
    return {name: ufloat(0.0, 1.0, name) for name in sources if name in NAMES}


def load_datasheet(path: str | Path) -> Datasheet:
    """Read a datasheet file.

    Raises FileError: the file cannot be read; BenchError: it is not TOML, a key is unknown, a value
    makes no sense, figures contradict each other, or there are too few of them; TableError: its
    matrix cannot be read, or contradicts it.
    """
    sheet = load_settings(path, SheetFile)
    matrix = None if sheet.matrix is None else read_matrix(sheet.matrix)
    try:
        if matrix is None:
            return make_datasheet(sheet, str(path))
        whole = matrix.completed(sheet)
        return make_datasheet(whole, str(path), matrix.remarks(sheet), matrix.statements(whole))
    except BenchError as error:
        raise BenchError(error.what, Path(path).name, error.remedy) from None


def make_datasheet(
    sheet: SheetFile,
    path: str = "",
    remarks: tuple[str, ...] = (),
    matrix: Sequence[Statement] = (),
) -> Datasheet:
    """Return the datasheet that figures make, with the missing ones filled and marked.

    ``matrix`` is what is known of the panel in other conditions, as measured by IEC 61853-1; where
    they differ in temperature by `TOLD_APART` or more, coefficients that are not stated follow
    from them.

    Raises BenchError: figures contradict each other, or there are too few of them.

    Examples
    --------
    >>> thin = make_datasheet(SheetFile(pmp_W=10.0, cells=36))
    >>> print(thin)
    datasheet: 10 W, Isc 0.5796 A, Voc 22.68 V, c-Si, 10 figures assumed
    >>> print(thin.assumed[0])
    isc_A 0.5796 +- 0.03 (usual Imp/Isc: usual range of modules in the CEC table (2019))
    """
    filled = fill(sheet)
    kind = sheet.kind
    if sheet.technology is None:
        remarks = (*remarks, f"technology not stated: taken as {kind.name} ({PRACTICE})")
    assumed = list(filled.assumed)
    i_sc, v_oc, i_mp, v_mp = (float(x) for x in filled.figures)

    heats = [25.0, *(one.temp_cell for one in matrix if one.quantity != "gamma")]
    measured = kind.law is not None and max(heats) - min(heats) >= TOLD_APART

    def coefficient(figure: str, usual, stated_u: float) -> tuple[float, float]:
        stated = getattr(sheet, figure)
        if stated is not None:
            return stated, stated_u
        if measured and figure != "nmot_degC":
            return usual.value, usual.u
        assumed.append(Assumption(figure, usual.value, usual.u, usual.source))
        return usual.value, usual.u

    known = kind.law or TECHNOLOGY["c-Si"].law
    alpha, u_alpha = coefficient("alpha_isc_pct_per_K", kind.alpha, known.u_alpha)
    beta, u_beta = coefficient(
        "beta_voc_pct_per_K", kind.beta, known.u_beta * abs(sheet.beta_voc_pct_per_K or 0.0)
    )
    gamma, u_gamma = coefficient("gamma_pmp_pct_per_K", kind.gamma, known.u_gamma)
    prior, u_prior = prior_law(kind, v_oc, sheet.cells, (alpha, beta), (u_alpha, u_beta))
    law, shifts = prior, {}
    if kind.law is not None:
        statements = [
            Statement("gamma", gamma, u_gamma),
            Statement("v_mp", v_mp, filled.u_knee),
            *_low_power(sheet, i_mp * v_mp),
            *matrix,
        ]
        law, factor = constrain(i_sc, v_oc, i_mp * v_mp, prior, u_prior, statements)
        shifts = dict(zip(NAMES, np.pad(factor, ((0, 0), (4, 0))), strict=True))
        if measured:
            alpha, beta = (float(x) for x in law[:2])
            gamma = gamma_of(i_sc, v_oc, i_mp * v_mp, law)
    shifts = {n: np.pad(shift, (0, len(LAW))) for n, shift in filled.sources.items()} | shifts
    nmot, _ = coefficient("nmot_degC", kind.nmot, 0.0)
    if sheet.bypass_groups is None:
        assumed.append(Assumption("bypass_groups", 0, None, PRACTICE))
    tolerance = sheet.pmp_tolerance_pct
    return Datasheet(
        name=sheet.name,
        kind=kind,
        cells=sheet.cells,
        strings=sheet.strings,
        bypass_groups=sheet.bypass_groups or 0,
        area_m2=None if sheet.area_cm2 is None else sheet.area_cm2 * 1e-4,
        glass=sheet.glass,
        i_sc=i_sc,
        v_oc=v_oc,
        i_mp=i_mp,
        v_mp=v_mp,
        p_mp=sheet.pmp_W if sheet.pmp_W is not None else v_mp * i_mp,
        p_mp_tolerance=(USUAL_TOLERANCE if tolerance is None else tolerance) / 100,
        alpha_pct=alpha,
        beta_pct=beta,
        gamma_pct=gamma,
        nmot=nmot,
        law=law,
        shifts=shifts,
        assumed=tuple(assumed),
        path=path,
        remarks=remarks,
        law_stated=bool(matrix or _low_power(sheet, i_mp * v_mp)),
    )


def prior_law(
    kind: Technology,
    v_oc: float,
    cells: int | None,
    coefficients: tuple[float, float],
    u_coefficients: tuple[float, float],
) -> tuple[Array, Array]:
    """Return the law that a technology's panels have, and its standard uncertainties.

    Parameters
    ----------
    v_oc : At 1000 W/m2 and 25 degC, V.
    cells : In series; without them the usual voltage of a cell stands in, and what it is uncertain
        by.
    coefficients, u_coefficients : tuple of float. Of Isc and Voc, %/K.

    Returns ndarray, ndarray, shape (12,): In the order of `ivkit.panel.law.LAW`.
    """
    law = kind.law or TECHNOLOGY["c-Si"].law
    usual = kind.voc_per_cell
    each = usual.value if cells is None else v_oc / cells
    u_each = usual.u / usual.value if cells is None else 0.0
    others = [getattr(law, name) for name in LAW[4:]]
    values = [log(law.ideality.value * _THERMAL / each), log(law.shunt.value)]
    u_ideality = np.hypot(law.ideality.u / law.ideality.value, u_each)
    return (
        np.array([*coefficients, *values, *(x.value for x in others)]),
        np.array([*u_coefficients, u_ideality, law.shunt.u, *(x.u for x in others)]),
    )


def _low_power(sheet: SheetFile, p_mp: float) -> list[Statement]:
    """Return what a sheet states of the power at 200 W/m2 (EN 50380, IEC 61853-1)."""
    power = sheet.pmp_200_W
    if power is None and sheet.efficiency_drop_200_pct is not None:
        power = p_mp * LOW / 1000.0 * (1.0 - sheet.efficiency_drop_200_pct / 100)
    return [] if power is None else [Statement("p_mp", power, U_LOW_POWER, LOW)]
