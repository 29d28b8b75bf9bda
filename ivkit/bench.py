"""A bench: one set-up, described in ``bench.toml``.

Every key carries its unit as a suffix. A *tolerance* is the half-width of a rectangular
distribution, as a resistor's "1 %" or a meter's data sheet means it; its standard uncertainty is
the half-width over sqrt(3) (JCGM 100:2008, GUM, 4.3.7). A key named ``u_...`` is a standard
uncertainty as it stands.
"""

# The declarations call `section`, which makes an ordinary dataclass field:
# ruff: noqa: RUF009

from dataclasses import dataclass, field, replace
from pathlib import Path

from ivkit.assumptions import ASSUMED
from ivkit.bench_light import BenchLight, BenchMount
from ivkit.errors import BenchError
from ivkit.schema import Kind, key, load_settings, section

BENCH_FILE = "bench.toml"


def _tolerance(meaning: str):
    return key(f"{meaning} as plus or minus percent", "%", low=0, high=100)


@dataclass(frozen=True)
class PanelUnderTest:
    """``[panel]``: which panel is on the bench."""

    cells: int | None = key("the number of cells in series", kind=Kind.INTEGER, low=1, high=10_000)
    area_cm2: float | None = key("the panel's area", "cm2", above=0)
    datasheet: str | None = key("the datasheet's file, seen from the bench file", kind=Kind.FILE)
    width_cm: float | None = key("the width that the cells cover", "cm", above=0, high=1000)
    height_cm: float | None = key("the height that the cells cover", "cm", above=0, high=1000)
    rows: int | None = key("the rows of cells", kind=Kind.INTEGER, low=1, high=200)
    columns: int | None = key("the columns of cells", kind=Kind.INTEGER, low=1, high=200)
    bypass_groups: int | None = key(
        "the number of groups of cells with a bypass diode", kind=Kind.INTEGER, low=0, high=200
    )


@dataclass(frozen=True)
class BenchCondition:
    """``[condition]``: effective irradiance and cell temperature during the sweep."""

    irradiance_W_m2: float | None = key("the effective irradiance", "W/m2", low=0, high=100_000)
    u_irradiance_W_m2: float | None = key("the irradiance's standard uncertainty", "W/m2", low=0)
    temp_cell_degC: float | None = key("the cell temperature", "degC", low=-90, high=200)
    u_temp_cell_degC: float | None = key("the cell temperature's standard uncertainty", "K", low=0)


@dataclass(frozen=True)
class VoltageChannel:
    """``[front_end.voltage]``: divider, amplifier and converter, or a meter.

    With ``resolution_V`` or an accuracy the channel ends in a meter, otherwise in the converter.
    """

    divider_top_ohm: float | None = key(
        "the divider's upper resistor", "ohm", kind=Kind.RESISTANCE, low=0
    )
    divider_bottom_ohm: float | None = key(
        "the divider's lower resistor", "ohm", kind=Kind.RESISTANCE, above=0
    )
    tolerance_pct: float | None = _tolerance("the tolerance of both divider resistors")
    divider_top_tolerance_pct: float | None = _tolerance("the upper resistor's tolerance")
    divider_bottom_tolerance_pct: float | None = _tolerance("the lower resistor's tolerance")
    input_impedance_ohm: float | None = key(
        "the input resistance of what the divider feeds", "ohm", kind=Kind.RESISTANCE, above=0
    )
    gain: float = key("the voltage amplifier's gain", "V/V", default=1.0, above=0)
    gain_tolerance_pct: float | None = _tolerance("the voltage amplifier's tolerance")
    offset_V: float = key("what the channel adds at the converter's input", "V", default=0.0)
    offset_tolerance_V: float | None = key(
        "the offset's tolerance as plus or minus volts", "V", low=0
    )
    resolution_V: float | None = key("the meter's last digit", "V", above=0)
    accuracy_pct_of_reading: float | None = _tolerance("the meter's accuracy of reading")
    accuracy_counts: float | None = key("the meter's accuracy in last digits", "counts", low=0)
    noise_V: float | None = key(
        "the standard deviation of repeated readings, at the panel", "V", low=0
    )

    def __post_init__(self) -> None:
        place = "[front_end.voltage]"
        if (self.divider_top_ohm is None) != (self.divider_bottom_ohm is None):
            missing = "top" if self.divider_top_ohm is None else "bottom"
            raise BenchError(
                f"divider_{missing}_ohm is missing", place, "a divider needs both resistors"
            )
        _counts_need_resolution(self.accuracy_counts, self.resolution_V, "resolution_V", place)

    @property
    def is_meter(self) -> bool:
        """Whether the channel ends in a meter rather than in the converter."""
        return self.resolution_V is not None or self.accuracy_pct_of_reading is not None

    @property
    def resolution(self) -> float | None:
        """The meter's last digit, V."""
        return self.resolution_V

    @property
    def has_divider(self) -> bool:
        """Whether there is a divider in front."""
        return self.divider_top_ohm is not None


@dataclass(frozen=True)
class CurrentChannel:
    """``[front_end.current]``: shunt, amplifier and converter, or a meter, or the load itself."""

    measured_by: str | None = key(
        "how the current is measured",
        kind=Kind.TEXT,
        choices=("shunt", "meter", "load"),
    )
    shunt_ohm: float | None = key("the shunt's resistance", "ohm", kind=Kind.RESISTANCE, above=0)
    shunt_tolerance_pct: float | None = _tolerance("the shunt's tolerance")
    gain: float = key("the current amplifier's gain", "V/V", default=1.0, above=0)
    gain_tolerance_pct: float | None = _tolerance("the current amplifier's tolerance")
    offset_V: float = key("what the channel adds at the converter's input", "V", default=0.0)
    offset_tolerance_V: float | None = key(
        "the offset's tolerance as plus or minus volts", "V", low=0
    )
    resolution_A: float | None = key("the meter's last digit", "A", above=0)
    accuracy_pct_of_reading: float | None = _tolerance("the meter's accuracy of reading")
    accuracy_counts: float | None = key("the meter's accuracy in last digits", "counts", low=0)
    burden_ohm: float = key(
        "the resistance of ammeter and leads in the load's branch, besides the shunt",
        "ohm",
        default=0.0,
        kind=Kind.RESISTANCE,
        low=0,
    )
    burden_tolerance_pct: float | None = _tolerance("the burden's tolerance")
    noise_A: float | None = key(
        "the standard deviation of repeated readings, at the panel", "A", low=0
    )

    def __post_init__(self) -> None:
        place = "[front_end.current]"
        if self.measured_by == "shunt" and self.shunt_ohm is None:
            raise BenchError("shunt_ohm is missing", place, "give the shunt's resistance in ohm")
        if self.shunt_ohm is not None and self.is_meter:
            raise BenchError(
                "holds both a shunt and a meter",
                place,
                "give shunt_ohm, or the meter's resolution_A and accuracy with its burden_ohm",
            )
        _counts_need_resolution(self.accuracy_counts, self.resolution_A, "resolution_A", place)

    @property
    def is_meter(self) -> bool:
        """Whether the channel ends in a meter rather than in the converter."""
        return (
            self.measured_by == "meter"
            or self.resolution_A is not None
            or self.accuracy_pct_of_reading is not None
        )

    @property
    def resolution(self) -> float | None:
        """The meter's last digit, A."""
        return self.resolution_A


def _counts_need_resolution(counts, resolution, word: str, place: str) -> None:
    if counts and resolution is None:
        raise BenchError(
            f"accuracy_counts without {word}",
            place,
            f"give {word}, what one count of the meter is",
        )


@dataclass(frozen=True)
class Converter:
    """``[front_end.converter]``: one analogue-to-digital converter that both channels share.

    A code k stands for (k - offset_counts) reference / 2^bits, in the middle of its step. A
    converter that cuts off instead of rounding has ``offset_counts = -0.5``.
    """

    bits: int | None = key("the converter's bits", kind=Kind.INTEGER, low=4, high=32)
    reference_V: float | None = key("the converter's reference", "V", above=0)
    reference_tolerance_pct: float | None = _tolerance("the reference's tolerance")
    offset_counts: float = key("the code that zero volts give", "counts", default=0.0)
    offset_tolerance_counts: float | None = key(
        "the zero code's tolerance as plus or minus counts", "counts", low=0
    )
    noise_counts: float = key(
        "the standard deviation of one conversion", "counts", default=0.0, low=0
    )
    averages: int = key(
        "how many conversions one reading is the mean of",
        default=1,
        kind=Kind.INTEGER,
        low=1,
        high=1_000_000,
    )

    def __post_init__(self) -> None:
        for word, what in (("bits", "bits"), ("reference_V", "reference in V")):
            if getattr(self, word) is None:
                raise BenchError(
                    f"{word} is missing",
                    "[front_end.converter]",
                    f"give the converter's {what}",
                )

    @property
    def step(self) -> float:
        """Size of one count at the converter's input, V."""
        return self.reference_V / 2**self.bits

    @property
    def top(self) -> int:
        """The largest code there is."""
        return 2**self.bits - 1


@dataclass(frozen=True)
class FrontEnd:
    """``[front_end]``: what stands between the panel and the numbers.

    ``readings`` says what the table's voltage and current columns are:

    - ``"codes"``: the converter's codes;
    - ``"converter_volts"``: volts at the converter's input, both columns;
    - ``"scaled"`` (default): the codes already multiplied back to V and A with the nominal
      divider, shunt and gain below, or what meters show. What the circuit itself takes is *not*
      corrected yet;
    - ``"panel"``: as "scaled", and what the circuit takes has been corrected too.

    Columns that the table itself calls codes are codes whatever stands here.

    ``divider_at`` says where the divider, or the voltmeter, is connected: ``"panel"``, straight
    across the panel, so that shunt or ammeter sit between it and the load and do not carry its
    current; or ``"load"``, behind the shunt, which then carries it and whose drop is missing
    from the reading.
    """

    divider_at: str | None = key(
        "where the divider is connected", kind=Kind.TEXT, choices=("panel", "load")
    )
    readings: str = key(
        "what the voltage and current columns are",
        default="scaled",
        kind=Kind.TEXT,
        choices=("codes", "converter_volts", "scaled", "panel"),
    )
    voltage: VoltageChannel = section(VoltageChannel)
    current: CurrentChannel = section(CurrentChannel)
    converter: Converter | None = section(Converter, optional=True)

    def __post_init__(self) -> None:
        if self.readings == "codes" and self.converter is None:
            raise BenchError(
                'readings = "codes" without a converter',
                "[front_end]",
                "add [front_end.converter] with bits and reference_V",
            )
        if self.divider_at is None and self.takes_something:
            raise BenchError(
                "divider_at is missing",
                "[front_end]",
                'say where the divider or voltmeter is connected: "panel", straight across the '
                'panel, or "load", behind the shunt or ammeter',
            )

    @property
    def takes_something(self) -> bool:
        """Whether the circuit draws current or drops voltage that must be corrected."""
        return (
            self.voltage.has_divider
            or self.voltage.input_impedance_ohm is not None
            or self.current.shunt_ohm is not None
            or self.current.burden_ohm > 0
        )


@dataclass(frozen=True)
class Loads:
    """``[loads]``: the resistors at hand."""

    values: tuple[float, ...] = key(
        'the load resistors, as in ["10", "4k7"],',
        "ohm",
        default=(),
        kind=Kind.RESISTANCES,
        low=0,
    )
    tolerance_pct: float | None = _tolerance("the load resistors' tolerance")
    shared_tolerance: bool = key(
        "true if all values come from one box and are off by the same share",
        default=False,
        kind=Kind.YES_NO,
    )
    power_W: float | None = key("the resistors' power rating", "W", above=0)

    @property
    def u_fraction(self) -> float:
        """Standard uncertainty of each resistor as a fraction; the usual one if not stated."""
        if self.tolerance_pct is None:
            return ASSUMED["load resistor"].u_fraction
        return self.tolerance_pct / 100 / 3**0.5


@dataclass(frozen=True)
class Data:
    """``[data]``: the tables that were taken on this bench, seen from the bench file."""

    sweeps: tuple[str, ...] = key("the sweeps' files", default=(), kind=Kind.FILES)
    angle: str | None = key("the file of readings against angle", kind=Kind.FILE)
    track: str | None = key("the file of a tracking log", kind=Kind.FILE)
    track_load_ohm: float | None = key(
        "the load during the tracking log, where the log does not show it",
        "ohm",
        kind=Kind.RESISTANCE,
        above=0,
    )
    check: str | None = key("the file of readings to check", kind=Kind.FILE)


@dataclass(frozen=True)
class Bench:
    """One set-up. Sections that the file lacks are empty; ``front_end`` is None without one.

    Attributes
    ----------
    name : str
    panel : PanelUnderTest
    condition : BenchCondition
    light : BenchLight
    mount : BenchMount
    front_end : FrontEnd or None
    loads : Loads
    data : Data
    path : str
        The file it came from; empty for a bench made in code.
    """

    name: str = key("a name for the bench", default="", kind=Kind.TEXT)
    panel: PanelUnderTest = section(PanelUnderTest)
    condition: BenchCondition = section(BenchCondition)
    light: BenchLight = section(BenchLight)
    mount: BenchMount = section(BenchMount)
    front_end: FrontEnd | None = section(FrontEnd, optional=True)
    loads: Loads = section(Loads)
    data: Data = section(Data)
    path: str = field(default="", metadata={"hidden": True})


def load_bench(path: str | Path) -> Bench:
    """Read a bench file.

    Raises
    ------
    FileError
        The file cannot be read.
    BenchError
        It is not TOML, a key is unknown (the near match is named), or a value makes no sense.
    """
    return replace(load_settings(path, Bench), path=str(path))


def find_bench(folder: str | Path = ".") -> Path | None:
    """Return ``bench.toml`` in ``folder``, or None if there is none."""
    path = Path(folder) / BENCH_FILE
    return path if path.is_file() else None
