"""What a datasheet file may say, and what cannot be true of it.

Nothing is filled in here: `ivkit.panel.datasheet` does that. Every key carries its unit; a
*tolerance* is the plus or minus that the maker states.
"""

# The declarations call `key`, which makes an ordinary dataclass field:

from dataclasses import dataclass

from ivkit.errors import BenchError
from ivkit.panel.technology import TECHNOLOGY, Technology
from ivkit.schema import Kind, key

POWER_SLACK = 0.03  # between Pmp and Vmp times Imp: their rounding (common practice, no source)
GLASS = ("plain", "antireflective", "none")


def _tolerance(meaning: str):
    return key(f"the tolerance of {meaning} as plus or minus percent", "%", low=0, high=50)


def _count(meaning: str, low: int, high: int, **more: int):
    return key(meaning, kind=Kind.INTEGER, low=low, high=high, **more)


@dataclass(frozen=True)
class SheetFile:
    """A datasheet as written: figures at 1000 W/m2, AM1.5G and 25 degC; None where silent."""

    name: str = key("a name for the panel", default="", kind=Kind.TEXT)
    technology: str | None = key("the cell technology", kind=Kind.TEXT, choices=tuple(TECHNOLOGY))
    cells: int | None = _count("the number of cells in series in each string", 1, 1000)
    strings: int = _count("the number of parallel strings", 1, 100, default=1)
    bypass_groups: int | None = _count(
        "the number of groups of cells that have a bypass diode", 0, 1000
    )
    area_cm2: float | None = key("the panel's area", "cm2", above=0, high=100_000)
    glass: str = key("the front", default="plain", kind=Kind.TEXT, choices=GLASS)

    isc_A: float | None = key("the short-circuit current", "A", above=0, high=1000)
    voc_V: float | None = key("the open-circuit voltage", "V", above=0, high=2000)
    imp_A: float | None = key("the current at maximum power", "A", above=0, high=1000)
    vmp_V: float | None = key("the voltage at maximum power", "V", above=0, high=2000)
    pmp_W: float | None = key("the maximum power", "W", above=0, high=100_000)
    isc_tolerance_pct: float | None = _tolerance("Isc")
    voc_tolerance_pct: float | None = _tolerance("Voc")
    pmp_tolerance_pct: float | None = _tolerance("Pmp")

    alpha_isc_pct_per_K: float | None = key("the temperature coefficient of Isc", "%/K")
    beta_voc_pct_per_K: float | None = key("the temperature coefficient of Voc", "%/K")
    gamma_pmp_pct_per_K: float | None = key("the temperature coefficient of Pmp", "%/K")
    pmp_200_W: float | None = key(
        "the maximum power at 200 W/m2 and 25 degC (EN 50380, IEC 61853-1)",
        "W",
        above=0,
        high=100_000,
    )
    efficiency_drop_200_pct: float | None = key(
        "how much of the efficiency is lost from 1000 to 200 W/m2 (EN 50380), instead of "
        "pmp_200_W; negative where it rises",
        "%",
        low=-10,
        high=80,
    )
    matrix: str | None = key(
        "the file of Isc, Voc and Pmp over light and temperature (IEC 61853-1), seen from this one",
        kind=Kind.FILE,
    )
    matrix_u_pct: float | None = key(
        "the standard uncertainty of the matrix's powers against its own at 1000 W/m2 and 25 degC",
        "%",
        above=0,
        high=20,
    )
    nmot_degC: float | None = key("the nominal module operating temperature", "degC")

    def __post_init__(self) -> None:
        check_order(self)
        check_cells(self)
        check_coefficients(self)
        check_low_power(self)
        if self.nmot_degC is not None and not 30 <= self.nmot_degC <= 80:
            what = f"nmot_degC {self.nmot_degC:g} is outside the 30 to 80 degC that panels reach"
            raise _refused(what, "give it in degC")

    @property
    def kind(self) -> Technology:
        """The technology; crystalline silicon, as nearly all panels are, where none is stated."""
        return TECHNOLOGY[self.technology or "c-Si"]

    @property
    def power(self) -> float | None:
        """Maximum power, W: as stated, or Vmp Imp; None where neither is."""
        if self.pmp_W is None and None not in (self.imp_A, self.vmp_V):
            return self.imp_A * self.vmp_V
        return self.pmp_W


def _refused(what: str, remedy: str) -> BenchError:
    return BenchError(what, "", remedy)


def check_order(sheet: SheetFile) -> None:
    """Raise BenchError for figures that no one curve has."""
    isc, voc, imp, vmp, pmp = sheet.isc_A, sheet.voc_V, sheet.imp_A, sheet.vmp_V, sheet.pmp_W
    pairs = [("imp_A", imp, "isc_A", isc), ("vmp_V", vmp, "voc_V", voc)]
    pairs = [pair for pair in pairs if None not in pair]
    for word, value, of, whole in pairs:
        if value >= whole:
            what = f"{word} {value:g} is not below {of} {whole:g}"
            raise _refused(what, "check both, or whether they changed")
    if None not in (imp, vmp, pmp) and abs(vmp * imp / pmp - 1) > POWER_SLACK:
        what = f"pmp_W {pmp:g} is not vmp_V times imp_A, {vmp * imp:.4g} W"
        raise _refused(what, "check the three; they are one point of the curve")
    power = sheet.power
    if None not in (power, isc, voc) and not 0.35 <= power / (isc * voc) <= 0.90:
        raise _refused(
            f"isc_A {isc:g}, voc_V {voc:g} and pmp_W {power:.4g} make a fill factor of "
            f"{power / (isc * voc):.3g}",
            "panels have 0.5 to 0.85: check the three",
        )
    for word, value, of, whole in pairs:
        if value < 0.55 * whole:
            what = f"{word} {value:g} is only {value / whole:.0%} of {of} {whole:g}"
            raise _refused(what, "panels have 65 to 97 %: check both")
    if sheet.area_cm2 is not None and power is not None:
        efficiency = power / (0.1 * sheet.area_cm2)
        if efficiency > 0.338:  # detailed balance, one junction: Ruehle, Solar Energy 130 (2016)
            raise _refused(
                f"pmp_W {power:.4g} from area_cm2 {sheet.area_cm2:g} is an efficiency of "
                f"{efficiency:.0%}",
                "one junction cannot pass 33.8 %: check both",
            )


def check_cells(sheet: SheetFile) -> None:
    """Raise BenchError for a voltage that so many cells do not give."""
    groups, cells = sheet.bypass_groups, sheet.cells
    if None not in (groups, cells) and groups > cells:
        raise _refused(f"bypass_groups {groups} is more than cells {cells}", "check both")
    low, high = sheet.kind.voc_limits
    if None in (cells, sheet.voc_V) or low <= sheet.voc_V / cells <= high:
        return
    near = sheet.voc_V / sheet.kind.voc_per_cell.value
    raise _refused(
        f"voc_V {sheet.voc_V:g} from {cells} cells in series is {sheet.voc_V / cells:.3g} V a cell",
        f"one {sheet.kind.name} cell has {low:g} to {high:g} V; about {near:.0f} in series "
        "would fit (cells counts one string, not the parallel ones)",
    )


def check_low_power(sheet: SheetFile) -> None:
    """Raise BenchError for a power at 200 W/m2 that no panel has."""
    low, power = sheet.pmp_200_W, sheet.power
    if low is None:
        return
    if sheet.efficiency_drop_200_pct is not None:
        raise _refused("pmp_200_W and efficiency_drop_200_pct say one thing", "give one")
    if power is None:
        raise _refused("pmp_200_W without the power at 1000 W/m2", "give pmp_W as well")
    if not 0.04 <= low / power <= 0.22:
        what = f"pmp_200_W {low:g} is {low / power:.1%} of the power at 1000 W/m2, {power:.4g} W"
        raise _refused(what, "panels have 12 to 20 %: check both")


def check_coefficients(sheet: SheetFile) -> None:
    """Raise BenchError for temperature coefficients of the wrong sign or in another unit."""
    low, high = sheet.kind.beta_limits
    for word, value, (least, most), per, unit in (
        ("beta_voc_pct_per_K", sheet.beta_voc_pct_per_K, (low, high), sheet.voc_V, "V/K"),
        ("gamma_pmp_pct_per_K", sheet.gamma_pmp_pct_per_K, (-0.75, -0.12), sheet.pmp_W, "W/K"),
    ):
        if value is None or least <= value <= most:
            continue
        if least <= -value <= most:
            remedy = f"both fall when a cell warms up: write {-value:g}"
            raise _refused(f"{word} {value:g} is positive", remedy)
        what = f"{word} {value:g} is outside {least:g} to {most:g} %/K"
        raise _refused(what, _other_unit(value, (least, most), per, unit))
    alpha = sheet.alpha_isc_pct_per_K
    if alpha is None or alpha == 0:
        return
    usual = (0.015, 0.16)
    if not -0.06 <= alpha <= 0.25:
        what = f"alpha_isc_pct_per_K {alpha:g} is outside -0.06 to 0.25 %/K"
        raise _refused(what, _other_unit(alpha, usual, sheet.isc_A, "A/K"))
    if abs(alpha) < 0.01 and sheet.kind.name in ("c-Si", "a-Si"):
        remedy = _other_unit(alpha, usual, sheet.isc_A, "A/K", "")
        if remedy:
            raise _refused(f"alpha_isc_pct_per_K {alpha:g} is hardly a %/K", remedy)


def _other_unit(
    value: float,
    usual: tuple[float, float],
    per: float | None,
    unit: str,
    otherwise: str = "give it in %/K of the value at 25 degC",
) -> str:
    """Return what the value would be in %/K if it had been written in another unit."""
    low, high = usual
    for scale, name in ((1.0, unit), (1e-3, f"m{unit}")) if per is not None else ():
        if low <= 100 * scale * value / per <= high:
            return f"in {name} it would be: write {100 * scale * value / per:.3g}"
    if low <= 100 * value <= high:
        return f"as a share of 1 it would be: write {100 * value:.3g}"
    return otherwise
