"""How strong a lamp is, in the terms at hand, and what of it the cells can use."""

from dataclasses import dataclass

from uncertainties import UFloat

from ivkit.errors import RangeError
from ivkit.light.panel_face import Placement
from ivkit.light.radiometry import Band, Spectrum
from ivkit.light.response import of_technology
from ivkit.light.spectrum import effective_irradiance

TERMS = ("panel", "distance", "power", "cell")
#: Those that are a reading on the panel.
ON_PANEL = ("panel", "cell")


@dataclass(frozen=True)
class Strength:
    """How strong the lamp is, in the terms at hand.

    Attributes
    ----------
    terms : str
        ``panel``: a reading on the panel's centre; ``distance``: a reading on the lamp's axis;
        ``power``: electrical watts and efficacy; ``cell``: effective irradiance on the panel's
        centre, from a known cell.
    value : UFloat
        lx or W/m2; for ``power`` W.
    unit : str
        ``lx`` or ``W_m2``.
    spectrum : Spectrum or None
        Of the lamp; None only for ``cell``.
    band : tuple of float or None
        Of a reading in W/m2, nm.
    distance_m : float or None
        Of a reading on the axis.
    read_at : Placement or None
        Of a reading on the panel: where the panel was then, if it has moved since.
    efficacy_lm_W : UFloat or None
        For ``power``.
    """

    terms: str
    value: UFloat
    unit: str = "lx"
    spectrum: Spectrum | None = None
    band: Band | None = None
    distance_m: float | None = None
    efficacy_lm_W: UFloat | None = None
    read_at: Placement | None = None

    def __post_init__(self) -> None:
        if self.terms not in TERMS:
            raise RangeError(f"terms {self.terms!r} of a lamp are not one of {', '.join(TERMS)}")
        if self.terms != "cell" and self.spectrum is None:
            raise RangeError(
                "lux or watts say nothing without the kind of lamp",
                remedy="name its light (halogen, led, ...) or its colour temperature; to silicon "
                "1000 lx are worth 3 W/m2 from an LED or a fluorescent lamp, 25 from halogen, 32 "
                "from an incandescent lamp",
            )
        if not getattr(self.value, "nominal_value", self.value) > 0:
            raise RangeError(
                "no light: the lamp's reading is 0", remedy="read again, with the lamp on"
            )

    def effective(self, technology: str) -> tuple[float, dict[str, float], tuple[str, ...]]:
        """Return effective W/m2 to cells of a technology per lx or W/m2 of the strength.

        Then what one standard uncertainty of each of its inputs does to it, as a fraction, and what
        was assumed.
        """
        if self.terms == "cell":
            return 1.0, {}, ()
        given = {"lux": 1.0} if self.unit == "lx" else {"irradiance": 1.0, "band": self.band}
        response = of_technology(technology)
        per_unit = effective_irradiance(self.spectrum, response=response, **given)
        value = float(per_unit.value_W_m2)
        parts = {f"spectrum: {name}": u / value for name, u in per_unit.parts_W_m2.items() if u > 0}
        return value, parts, per_unit.assumed
