"""What shifts many readings together, as effects.

The whole way from reading to panel is walked again with one cause off, so that sign, part in
voltage and in current, and every correlation are those of the circuit itself (GUM 5.1.3 note 2,
5.2.2). The step is a thousandth of a standard uncertainty to either side: the derivative is exact
to about 1e-10 of itself.
"""

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from ivkit.readings.circuit import Cause, Parts, divider_ratio, shifted
from ivkit.readings.sweep import Effect

Array = NDArray[np.float64]

STEP = 1e-3  # of a standard uncertainty
DUST = 1e-12  # of the largest reading: rounding, not an effect


def effects(
    parts: Parts, known: Mapping[str, Cause], walk: Callable[[Parts], tuple[Array, Array]]
) -> tuple[Effect, ...]:
    """Return the effects that the ``known`` causes, independent of one another, have on
    ``walk(parts)``, which gives voltage (V) and current (A) at the panel, shape (..., N).
    """
    volts, amperes = walk(parts)
    least_v, least_i = DUST * _largest(volts), DUST * _largest(amperes)
    found = []
    for name, direction in directions(parts, known).items():
        up, down = (
            walk(shifted(parts, known, {cause: sign * w for cause, w in direction.items()}))
            for sign in (STEP, -STEP)
        )
        dv, di = ((high - low) / (2 * STEP) for high, low in zip(up, down, strict=True))
        dv = np.where(np.abs(dv) > least_v, dv, 0.0)
        di = np.where(np.abs(di) > least_i, di, 0.0)
        if np.any(dv) or np.any(di):
            found.append(Effect(name, dv, di))
    return tuple(found)


def directions(parts: Parts, known: Mapping[str, Cause]) -> dict[str, dict[str, float]]:
    """Return each effect's name with the causes that make it, in standard uncertainties.

    A cause is an effect by itself, but the divider's two resistors are turned, without loss, into
    what changes the ratio and what leaves it alone and changes the current it draws.
    """
    plain = {name: {name: 1.0} for name in known if name not in ("divider top", "divider bottom")}
    pair = [name for name in ("divider top", "divider bottom") if name in known]
    slope = {name: _ratio_slope(parts, known, name) for name in pair}
    size = np.hypot.reduce(list(slope.values())) if pair else 0.0
    if size == 0:
        return {name: {name: 1.0} for name in known}
    found = {"divider ratio": {name: slope[name] / size for name in pair}}
    if len(pair) == 2:
        top, bottom = pair
        found["divider resistance"] = {top: slope[bottom] / size, bottom: -slope[top] / size}
    return found | plain


def _ratio_slope(parts: Parts, known: Mapping[str, Cause], name: str) -> float:
    high, low = (divider_ratio(shifted(parts, known, {name: step})) for step in (STEP, -STEP))
    return float((high - low) / (2 * STEP))


def _largest(values: Array) -> float:
    return float(np.max(np.abs(values), initial=0.0))
