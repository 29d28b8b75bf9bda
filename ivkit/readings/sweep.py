"""A sweep: what was measured at the panel's terminals, the front end corrected for, and how well.

Noise differs from reading to reading and averages down; an `Effect` shifts many together.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ivkit.errors import SweepError
from ivkit.readings.evidence import Evidence, selected
from ivkit.shown import Shown

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Effect:
    """One cause that shifts many readings together.

    ``name`` says which part to improve: ``"divider ratio"``. ``dv`` (V) and ``di`` (A), shape (N,),
    are the shift of each point when the cause is one standard uncertainty above its best estimate;
    the signs carry the correlation.
    """

    name: str
    dv: Array
    di: Array


@dataclass(frozen=True)
class Condition:
    """Light and temperature during a sweep; None where not known.

    ``effective_irradiance`` is the AM1.5G irradiance that would give the same short-circuit
    current, W/m2; ``temp_cell`` is in degC; ``u_...`` are standard uncertainties, W/m2 and K.
    """

    effective_irradiance: float | None = None
    temp_cell: float | None = None
    u_effective_irradiance: float | None = None
    u_temp_cell: float | None = None


@dataclass(frozen=True)
class Sweep(Shown):
    """Voltage and current of one panel over several loads at one condition.

    ``voltage`` (V) and ``current`` (A), shape (N,), are those at the panel terminals in the order
    taken; current is positive when the panel delivers power. ``noise_...`` (N,) is the standard
    uncertainty of each reading on its own, None where nothing is known: the fit then weighs all
    currents alike and takes the noise from the residuals. ``effects`` shift many readings together;
    ``cells`` are those in series; ``load`` (N,) is stated, ohm; ``rows`` (N,) are lines of the
    file, from 1; ``name`` is file or label; ``notes`` say what was understood and corrected;
    ``evidence`` is what file and bench say besides, to check the readings against.

    SweepError: arrays of unequal length, values that are not finite, or noise that is negative.

    >>> sweep = Sweep(np.array([0.0, 0.5]), np.array([0.1, 0.02]), name="two points")
    >>> len(sweep), sweep.power
    (2, array([0.  , 0.01]))
    """

    voltage: Array
    current: Array
    noise_voltage: Array | None = None
    noise_current: Array | None = None
    effects: tuple[Effect, ...] = ()
    condition: Condition = field(default_factory=Condition)
    cells: int | None = None
    load: Array | None = None
    rows: NDArray[np.int64] | None = None
    name: str = ""
    notes: tuple[str, ...] = ()
    evidence: Evidence = field(default_factory=Evidence, repr=False)

    def __post_init__(self) -> None:
        n = np.shape(self.voltage)
        for label in ("voltage", "current", "noise_voltage", "noise_current", "load"):
            value = getattr(self, label)
            if value is None:
                continue
            value = np.asarray(value, dtype=float)
            object.__setattr__(self, label, value)
            if value.ndim != 1 or value.shape != n:
                what = f"{label} has shape {value.shape}, voltage has {n}"
                remedy = "give arrays of one dimension and equal length"
                raise SweepError(what, self.name, remedy)
            if not np.all(np.isfinite(value)) and label != "load":
                raise SweepError(f"{label} holds values that are not finite", self.name)
            if label.startswith("noise") and np.any(value < 0):
                raise SweepError(f"{label} holds a negative standard uncertainty", self.name)
        for effect in self.effects:
            dv, di = np.shape(effect.dv), np.shape(effect.di)
            if dv != n or di != n:
                what = f"effect '{effect.name}' has {dv} and {di} shifts for {n} points"
                raise SweepError(what, self.name)

    def __len__(self) -> int:
        return len(self.voltage)

    @property
    def power(self) -> Array:
        """Power delivered by the panel, W, shape (N,)."""
        return self.voltage * self.current

    def select(self, keep: NDArray[np.bool_]) -> "Sweep":
        """Return the sweep with only the points where ``keep`` (shape (N,), bool) is true."""
        effects = tuple(selected(effect, keep) for effect in self.effects)
        evidence = selected(self.evidence, keep, taken=None)
        return selected(self, keep, effects=effects, evidence=evidence)
