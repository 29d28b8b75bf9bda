"""The sections of a bench file that say what light the panel is in, and how it is held to it."""

# The declarations call `section`, which makes an ordinary dataclass field:

from dataclasses import dataclass

from ivkit.errors import BenchError
from ivkit.schema import Kind, key


@dataclass(frozen=True)
class BenchLight:
    """``[light]``: the lamp over the panel.

    How strong it is stands in exactly one of ``lux``, ``irradiance_W_m2``, ``power_W`` and
    ``cell_isc_A``. A reading is one on the panel's centre, or with ``reading_distance_m`` one on
    the lamp's axis at that distance.
    """

    kind: str | None = key('what its light is, as "halogen", "led 4000 K" or "A",', kind=Kind.TEXT)
    colour_temperature_K: float | None = key("the colour temperature", "K", low=1000, high=20_000)
    spectrum: str | None = key(
        "the file of its measured spectrum, seen from the bench file", kind=Kind.FILE
    )
    lux: float | None = key("the reading of a lux meter", "lx", low=0, high=1e6)
    irradiance_W_m2: float | None = key("the reading of a thermopile", "W/m2", low=0, high=1e5)
    band_from_nm: float | None = key("where the thermopile's band begins", "nm", low=100, high=1e5)
    band_to_nm: float | None = key("where the thermopile's band ends", "nm", low=100, high=1e5)
    power_W: float | None = key("the lamp's electrical power", "W", above=0, high=1e5)
    efficacy_lm_W: float | None = key("its luminous efficacy", "lm/W", above=0, high=683)
    cell_isc_A: float | None = key("the Isc of a known cell on the panel", "A", low=0, high=1e3)
    cell_isc_stc_A: float | None = key("what that cell gives at STC", "A", above=0, high=1e3)
    u_reading_pct: float | None = key(
        "the standard uncertainty of the reading or power", "%", low=0, high=100
    )
    reading_distance_m: float | None = key(
        "the distance of the reading on the lamp's axis", "m", above=0, high=1e3
    )
    shape: str | None = key(
        "the lamp's shape", kind=Kind.TEXT, choices=("point", "disc", "strip", "beam")
    )
    size_m: float | None = key("a disc's diameter or a strip's length", "m", above=0, high=10)
    beam_angle_deg: float | None = key(
        "a beam's full width at half its intensity", "deg", above=0, high=179
    )
    distance_m: float | None = key(
        "the distance from the lamp to the panel's centre", "m", above=0, high=1e3
    )
    u_distance_m: float | None = key("the distance's standard uncertainty", "m", low=0, high=10)

    def __post_init__(self) -> None:
        said = [n for n in STRENGTHS if getattr(self, n) is not None]
        if len(said) > 1:
            raise BenchError(
                f"says how strong the lamp is in {len(said)} ways: {', '.join(said)}",
                "[light]",
                "keep the one that you trust most",
            )
        if (self.band_from_nm is None) != (self.band_to_nm is None):
            raise BenchError(
                "holds one end of the thermopile's band",
                "[light]",
                "give both band_from_nm and band_to_nm",
            )


#: Keys that say how strong the lamp is, each on its own.
STRENGTHS = ("lux", "irradiance_W_m2", "power_W", "cell_isc_A")


@dataclass(frozen=True)
class BenchMount:
    """``[mount]``: how the panel is held to the lamp."""

    tilt_deg: float | None = key(
        "the angle between the panel's normal and the lamp's axis", "deg", low=-89.9, high=89.9
    )
    u_tilt_deg: float | None = key("the tilt's standard uncertainty", "deg", low=0, high=45)
    offset_across_m: float = key(
        "how far the panel's centre is from the lamp's axis, along its width",
        "m",
        default=0.0,
        low=-100,
        high=100,
    )
    offset_up_m: float = key(
        "how far the panel's centre is from the lamp's axis, along its height",
        "m",
        default=0.0,
        low=-100,
        high=100,
    )
