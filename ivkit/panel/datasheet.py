"""A datasheet: what a panel is said to be, with gaps filled and said so.

The figures are at 1000 W/m2, AM1.5G and 25 degC. Each cause of doubt about them is a *source* of
one standard uncertainty: ``sheet.sources`` holds it as an uncertain number 0 +- 1, and
``sheet.panel(shifts)`` is the panel with sources off by so many standard uncertainties. So the
doubt can be carried through any computation, with `ivkit.panel.propagate.propagate` or, for
everything that a curve tells, with `ivkit.panel.expected.expect`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from uncertainties import UFloat, ufloat

from ivkit.errors import BenchError, RangeError
from ivkit.light.incidence import IncidenceAngleModifier, martin_ruiz, no_glass
from ivkit.panel.conditions import ReferencePanel
from ivkit.panel.desoto import Outcome
from ivkit.panel.fill import PRACTICE, USUAL_TOLERANCE, Assumption, fill
from ivkit.panel.low_light import SHUNT_EXPONENT, U_SHUNT_EXPONENT
from ivkit.panel.nearest import NearestPanel, nearest_panel
from ivkit.panel.sheet_file import SheetFile
from ivkit.panel.technology import Technology
from ivkit.schema import load_settings
from ivkit.shown import Shown

ALPHA, BETA = "datasheet alpha Isc", "datasheet beta Voc"
# Of a coefficient that is stated: in %/K for Isc, as a share for Voc (common practice, no source).
U_ALPHA, U_BETA = 0.01, 0.05

_GLASS: dict[str, IncidenceAngleModifier] = {
    "plain": martin_ruiz,
    "antireflective": partial(martin_ruiz, a_r=0.14),
    "none": no_glass,
}


@dataclass(frozen=True)
class Datasheet(Shown):
    """What a panel is said to be.

    Attributes
    ----------
    name : str
    kind : Technology
    cells : int or None
        In series, in each string.
    strings : int
        In parallel.
    bypass_groups : int
    area_m2 : float or None
    glass : str
    i_sc, v_oc, i_mp, v_mp : float
        A and V.
    p_mp : float
        Promised maximum power, W: as stated, or Vmp Imp.
    p_mp_tolerance : float
        Plus or minus, as a share.
    alpha_pct, beta_pct, gamma_pct : float
        Temperature coefficients of Isc, Voc and Pmp, %/K.
    nmot : float
        degC.
    shifts : mapping of str to ndarray, shape (6,)
        Of each source: what one standard uncertainty does to the logarithms of Isc, Voc, Imp,
        Vmp, and to alpha and beta in %/K.
    assumed : tuple of Assumption
        What the sheet does not state.
    sources : dict of str to UFloat
        The sources as uncertain numbers 0 +- 1, tagged with their names. The same for every
        result of this sheet, so that results stay correlated.
    shunt_exponent : UFloat
        How its shunt goes on in faint light (`ivkit.panel.low_light`), which no sheet states.
    path : str
        The file it came from; empty for one made in code.
    remarks : tuple of str
        What was understood on the way.
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
    shifts: Mapping[str, Any]
    assumed: tuple[Assumption, ...]
    path: str = ""
    remarks: tuple[str, ...] = ()
    sources: dict[str, UFloat] = field(init=False, compare=False, repr=False)
    shunt_exponent: UFloat = field(init=False, compare=False, repr=False)
    _solved: dict[tuple, ReferencePanel] = field(
        init=False, compare=False, repr=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "sources", {name: ufloat(0.0, 1.0, name) for name in self.shifts})
        exponent = ufloat(SHUNT_EXPONENT, float(U_SHUNT_EXPONENT), "shunt in faint light")
        object.__setattr__(self, "shunt_exponent", exponent)

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
        return _GLASS[self.glass]

    def figures(self, shifts: Mapping[str, ArrayLike] | None = None) -> tuple[Any, ...]:
        """Return Isc, Voc, Imp, Vmp, alpha (A/K) and beta (V/K), with sources off by ``shifts``.

        Parameters
        ----------
        shifts : mapping of str to array_like, optional
            Standard uncertainties by the name of the source; they broadcast.
        """
        total: Any = 0.0
        for name, amount in (shifts or {}).items():
            total = total + np.multiply.outer(np.asarray(amount, dtype=float), self.shifts[name])
        off = np.broadcast_to(total, (*np.shape(total)[:-1], 6))
        i_sc, v_oc, i_mp, v_mp = (
            value * np.exp(off[..., k])
            for k, value in enumerate((self.i_sc, self.v_oc, self.i_mp, self.v_mp))
        )
        alpha = (self.alpha_pct + off[..., 4]) / 100 * i_sc
        beta = (self.beta_pct + off[..., 5]) / 100 * v_oc
        return i_sc, v_oc, i_mp, v_mp, alpha, beta

    def nearest(self, shifts: Mapping[str, ArrayLike] | None = None) -> NearestPanel:
        """Return the panel that has these figures, or comes nearest to them; NaN for none."""
        return nearest_panel(
            *self.figures(shifts), self.cells, EgRef=self.kind.EgRef, dEgdT=self.kind.dEgdT
        )

    def panel(self, shifts: Mapping[str, float] | None = None) -> ReferencePanel:
        """Return the panel that has these figures, or comes nearest to them.

        Raises
        ------
        BenchError
            No panel comes near the sheet's figures.
        RangeError
            None comes near the figures moved by ``shifts``.
        """
        # Whoever carries the doubt of a sheet asks for the same few panels over and over.
        asked = tuple(sorted((name, float(x)) for name, x in (shifts or {}).items() if x))
        if asked in self._solved:
            return self._solved[asked]
        found = self.nearest(shifts)
        if np.all(np.isfinite(found.panel.photocurrent)):
            self._solved[asked] = found.panel
            return found.panel
        reason = Outcome(int(np.max(found.outcome))).reason
        if shifts and any(np.any(x) for x in shifts.values()):
            raise RangeError(reason, self.name)
        raise BenchError(
            f"no panel has these figures: {reason}",
            self.path or self.name,
            "check isc_A, voc_V, imp_A, vmp_V and beta_voc_pct_per_K",
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What was understood, and what had to be bent so that a physical panel has the figures."""
        found = self.nearest()
        if found.outcome == Outcome.SOLVED:
            return self.remarks
        return (
            *self.remarks,
            f"no physical panel has the sheet's Imp and Vmp to the last digit "
            f"({Outcome(int(found.outcome)).reason}); taken are Vmp {found.v_mp:.4g} V and Imp "
            f"{found.i_mp:.4g} A, at the same power",
        )


def load_datasheet(path: str | Path) -> Datasheet:
    """Read a datasheet file.

    Raises
    ------
    FileError
        The file cannot be read.
    BenchError
        It is not TOML, a key is unknown, a value makes no sense, figures contradict each other,
        or there are too few of them.
    """
    sheet = load_settings(path, SheetFile)
    try:
        return make_datasheet(sheet, str(path))
    except BenchError as error:
        raise BenchError(error.what, Path(path).name, error.remedy) from None


def make_datasheet(sheet: SheetFile, path: str = "", remarks: tuple[str, ...] = ()) -> Datasheet:
    """Return the datasheet that figures make, with the missing ones filled and marked.

    Raises
    ------
    BenchError
        Figures contradict each other, or there are too few of them.

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
    shifts = {name: np.append(shift, [0.0, 0.0]) for name, shift in filled.sources.items()}

    def coefficient(figure: str, usual, stated_u: float) -> tuple[float, float]:
        stated = getattr(sheet, figure)
        if stated is not None:
            return stated, stated_u
        assumed.append(Assumption(figure, usual.value, usual.u, usual.source))
        return usual.value, usual.u

    alpha, u_alpha = coefficient("alpha_isc_pct_per_K", kind.alpha, U_ALPHA)
    beta, u_beta = coefficient(
        "beta_voc_pct_per_K", kind.beta, U_BETA * abs(sheet.beta_voc_pct_per_K or 0.0)
    )
    shifts[ALPHA] = np.array([0.0, 0.0, 0.0, 0.0, u_alpha, 0.0])
    shifts[BETA] = np.array([0.0, 0.0, 0.0, 0.0, 0.0, u_beta])
    gamma, _ = coefficient("gamma_pmp_pct_per_K", kind.gamma, 0.0)
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
        shifts=shifts,
        assumed=tuple(assumed),
        path=path,
        remarks=remarks,
    )
