"""What happens to the readings: channels that clip or stick, scales, signs, rows, strays, noise."""

from collections.abc import Callable

import numpy as np

from ivkit.readings.course import Array, Columns, Setting, either


def _key(columns: Columns, channel: str) -> str:
    return channel if channel in columns else f"{channel}_code"


def clip(channel: str) -> Callable:
    """Return what cuts a channel at 70 to 93 % of its largest reading."""
    ends = (0.7, 0.92) if channel == "current" else (0.8, 0.93)

    def change(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
        key = _key(columns, channel)
        limit = rng.uniform(*ends) * np.max(columns[key])
        limit = np.round(limit) if "code" in key else limit
        return {**columns, key: np.minimum(columns[key], limit)}

    return change


def stick(channel: str) -> Callable:
    """Return what repeats a channel's reading, for loads that move voltage and current."""

    def change(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
        key = _key(columns, channel)
        values = columns[key].copy()
        across = columns[_key(columns, "current" if channel == "voltage" else "voltage")]
        n, length = len(values), int(rng.integers(4, 8))
        starts = np.arange(1, n - length)

        def moves(x: Array) -> Array:
            return np.array([np.ptp(x[k : k + length]) for k in starts]) / np.max(np.abs(x))

        seen = np.minimum(moves(values), 2 * moves(across))
        likely = starts[seen > min(0.25, 0.8 * np.max(seen))]
        k = int(rng.choice(likely))
        values[k : k + length] = values[k]
        return {**columns, key: values}

    return change


def coarse(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Round a channel to 8 to 25 steps."""
    key = _key(columns, str(rng.choice(["voltage", "current"])))
    step = np.max(np.abs(columns[key])) / rng.uniform(8.0, 25.0)
    return {**columns, key: np.round(columns[key] / step) * step}


def scaled(channel: str, factor: Callable[[Setting, np.random.Generator], float]) -> Callable:
    """Return what multiplies a channel by a factor."""

    def change(columns: Columns, setting: Setting, rng: np.random.Generator) -> Columns:
        key = _key(columns, channel)
        return {**columns, key: columns[key] * factor(setting, rng)}

    return change


def swap(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Put voltage and current under each other's heading."""
    one, other = _key(columns, "voltage"), _key(columns, "current")
    return {**columns, one: columns[other], other: columns[one]}


def power(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Add a power column that is off by powers of a thousand."""
    watts = columns["voltage"] * columns["current"]
    return {**columns, "power": watts * float(rng.choice([1e-6, 1e-3, 1e3]))}


def stray(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Put one reading off where it shows: a current where it is flat, a voltage where steep."""
    channel = str(rng.choice(["voltage", "current"]))
    key = _key(columns, channel)
    values, current = columns[key].copy(), columns[_key(columns, "current")]
    inner = np.arange(1, len(values) - 1)
    flat = current[inner] > 0.7 * np.max(current)
    likely = inner[flat if channel == "current" else ~flat]
    k = int(rng.choice(likely if likely.size else inner))
    top, off = np.max(np.abs(values)), either(rng, 0.08, 0.3)
    if not 0 <= values[k] + off * top <= top:
        off = -off
    values[k] += off * top
    return {**columns, key: values}


def repeat(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Copy two to four rows in a row."""
    n = len(next(iter(columns.values())))
    length = int(rng.integers(2, 5))
    k = int(rng.integers(0, n - length))
    order = np.concatenate([np.arange(k + length), np.arange(k, n)])
    return {name: values[order] for name, values in columns.items()}


def offset(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Add 2 to 6 % of the largest current to every current."""
    key = _key(columns, "current")
    return {**columns, key: columns[key] + either(rng, 0.02, 0.06) * np.max(columns[key])}


def noise(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Add 3 to 6 % of the largest reading as noise to both channels."""
    for channel in ("voltage", "current"):
        key = _key(columns, channel)
        noise = rng.uniform(0.03, 0.06) * np.max(columns[key])
        columns = {**columns, key: columns[key] + rng.normal(0.0, noise, columns[key].shape)}
    return columns


def frozen(columns: Columns, _: Setting, rng: np.random.Generator) -> Columns:
    """Show one of the voltages in every reading."""
    key = _key(columns, "voltage")
    values = columns[key]
    return {**columns, key: np.full(values.shape, rng.choice(values[values > 0]))}


def forget(columns: Columns, setting: Setting, rng: np.random.Generator) -> Columns:
    """Forget the divider's factor, or apply it twice; codes can only be too small."""
    factor = setting.divider_factor if setting.divider_factor > 3 else 7.667
    key = _key(columns, "voltage")
    if "code" in key or rng.random() < 0.5:
        factor = 1.0 / factor
    return {**columns, key: columns[key] * factor}
