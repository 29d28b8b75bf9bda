"""Solve many strings of cells at once: V(I), its inverse, and the highest top of P(V).

The voltage of a string is explicit in its current. The inverse is Newton's method, with the step
taken in the junction voltage of the steepest cell: V is almost straight in that voltage where it is
almost vertical in the current. The highest top is looked for on a grid and then between grid points
wherever a higher one could hide: P in [I1, I2] is at most I2 V(I1), because V falls with I.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from ivkit.curve.diode import solve_current
from ivkit.curve.reverse import (
    Breakdown,
    junction_conductance,
    junction_current,
    junction_voltage,
)

_BLOCK = 40_000  # cells solved together: the working arrays then stay in the processor's cache
_SHARES = np.linspace(0.0, 1.0, 21)  # of Isc, where P is looked at first
_HALVINGS = 12
_EVEN = 0.3  # darkest cell's light over the brightest's
_SHUNTED = 1e-3  # shunt conductance over photocurrent, 1/V
_LAST_STEP = 1e-7  # of a cell's nNsVth
_STRIDE = 0.2  # of the breakdown voltage, by which cells in reverse may move between two looks


@dataclass(frozen=True)
class Point:
    """Strings at one current each: ``rows`` entries, cells on the last axis.

    ``resistance`` is -dV/dI in ohm, ``bend`` d2V/dI2, ``u`` the junction voltages, ``conductance``
    -dI/du of each cell, ``active`` the cells whose group is not bypassed.
    """

    voltage: Any
    resistance: Any
    bend: Any
    u: Any
    conductance: Any
    active: Any

    @property
    def steepest(self) -> Any:
        """Index of the active cell with the least conductance."""
        return np.argmin(np.where(self.active, self.conductance, np.inf), axis=-1)


@dataclass(frozen=True)
class Circuit:
    """Parameters of B strings as arrays (B, cells); ``starts`` is the first cell of each group."""

    il: Any
    i0: Any
    rs: Any
    g: Any
    a: Any
    starts: Any
    drop: float
    breakdown: Breakdown | None

    def _spread(self, groups: Any) -> Any:
        """Return a value a group (n, groups) as a value a cell (n, cells)."""
        sizes = np.diff(np.append(self.starts, self.il.shape[1]))
        return np.repeat(groups, sizes, axis=1)

    def at(self, i: Any, rows: Any) -> Point:
        """Return the strings ``rows`` at currents ``i`` (A), both of shape (n,)."""
        il, i0, rs, g, a = (x[rows] for x in (self.il, self.i0, self.rs, self.g, self.a))
        i = i[:, None]
        with np.errstate(all="ignore"):
            u = junction_voltage(i, il, i0, g, a, self.breakdown)
            conductance, slope = junction_conductance(u, i0, g, a, self.breakdown)
            resistance = 1.0 / conductance + rs
            bend = np.where(conductance > 0, -slope / conductance**3, 0.0)
            voltage = u - i * rs
            if self.starts is None:
                active = np.ones(u.shape, dtype=bool)
            else:
                voltage = np.add.reduceat(voltage, self.starts, axis=1)
                free = voltage > -self.drop
                voltage = np.where(free, voltage, -self.drop)
                active = self._spread(free)
                resistance = np.where(active, resistance, 0.0)
                bend = np.where(active, bend, 0.0)
            return Point(
                voltage.sum(axis=1),
                resistance.sum(axis=1),
                bend.sum(axis=1),
                u,
                conductance,
                active,
            )

    def voltage(self, i: Any, rows: Any) -> Any:
        """Return the voltages (V) of the strings ``rows`` at currents ``i`` (A)."""
        result = np.empty_like(i)
        for block in self.blocks(i.size):
            result[block] = self.at(i[block], rows[block]).voltage
        return result

    def blocks(self, size: int) -> Iterator[slice]:
        """Yield slices of ``size`` rows, each small enough to stay in the cache."""
        step = max(1, _BLOCK // self.il.shape[1])
        return (slice(start, start + step) for start in range(0, size, step))

    def only(self, row: int, cells: slice) -> "Circuit":
        """Return some cells of one string as a string without bypass diodes."""
        parts = (x[row : row + 1, cells] for x in (self.il, self.i0, self.rs, self.g, self.a))
        return Circuit(*parts, None, 0.0, self.breakdown)

    def cells_at(self, v: Any, i: Any, rows: Any) -> tuple[Any, Any, Any, Any]:
        """Return cell voltages and currents (n, cells), groups bypassed and the limiting cell."""
        count = self.il.shape[1]
        point = self.at(i, rows)
        cell_i = np.broadcast_to(i[:, None], point.u.shape).copy()
        with np.errstate(invalid="ignore"):
            cell_v = point.u - cell_i * self.rs[rows]
        active = point.active
        starts = [0] if self.starts is None else list(self.starts)
        bypassed = ~active[:, starts]
        if self.starts is None:
            bypassed = bypassed[:, :0]
        lit = active.any(axis=1) & (self.il[rows] > 0).any(axis=1)
        limiting = np.where(lit, point.steepest, -1)
        for n, (row, cell) in enumerate(zip(rows, limiting, strict=True)):
            # A current fixes the steepest cell's voltage badly; the sum of voltages does well.
            if cell >= 0 and np.isfinite(i[n]):
                others = active[n].copy()
                others[cell] = False
                rest = v[n] + self.drop * bypassed[n].sum()
                cell_v[n, cell] = rest - cell_v[n, others].sum()
            for k in np.flatnonzero(bypassed[n]):
                cells = slice(starts[k], (*starts, count)[k + 1])
                group, one = self.only(row, cells), np.zeros(1, dtype=int)
                held = np.array([-self.drop])
                inside = solve(group, held, np.zeros(1), one)
                cell_v[n, cells], _, _, _ = (x[0] for x in group.cells_at(held, inside, one))
                cell_i[n, cells] = inside
        return cell_v, cell_i, bypassed, limiting


def solve(circuit: Circuit, v: Any, load: Any, rows: Any, start: Any = None) -> Any:
    """Return the currents (A) where V(I) - I load = ``v``, for the strings ``rows``, all (n,).

    ``start`` are currents near those, where somebody knows them.
    """
    result = np.empty_like(v)
    for block in circuit.blocks(v.size):
        near = None if start is None else start[block]
        result[block] = _solve(circuit, v[block], load[block], rows[block], near)
    return result


def _gentle(circuit: Circuit) -> Any:
    """Return which strings have no cliffs: light not too unequal, and shunts that carry something.

    In those a start from an average cell is safe; beyond a cliff it would be lost.
    """
    il, g = circuit.il, circuit.g
    most = il.max(axis=1)
    return (il.min(axis=1) > _EVEN * most) & (g.min(axis=1) > _SHUNTED * most)


def _first_guess(circuit: Circuit, v: Any, load: Any, rows: Any) -> Any:
    """Return currents (A) to start from in gentle strings.

    Those of as many equal cells, in light between the darkest cell's and the mean: such a string
    is a single diode.
    """
    il, i0, rs, g, a = circuit.il, circuit.i0, circuit.rs, circuit.g, circuit.a
    with np.errstate(all="ignore"):
        equal = (
            0.5 * (il.mean(axis=1) + il.min(axis=1)),
            i0.mean(axis=1),
            rs.sum(axis=1),
            1.0 / np.sum(1.0 / g, axis=1),
            a.sum(axis=1),
        )
        lit, saturation, series, shunt, slope = (x[rows] for x in equal)
        i = solve_current(v, lit, saturation, series + load, shunt, slope)
    return np.where((i > 0) & (i < lit), i, 0.0)


def _solve(circuit: Circuit, v: Any, load: Any, rows: Any, start: Any = None) -> Any:
    """Solve one block: Newton in the steepest cell's voltage, kept between bounds."""
    result = np.full_like(v, np.nan)
    top = np.maximum(circuit.il[rows].max(axis=1), 0.0)
    # Above every photocurrent no cell gives a voltage.
    high = np.where(v >= 0, top, np.inf)
    low = np.full_like(v, -np.inf)
    scale = top + circuit.i0[rows].sum(axis=1)
    gentle = _gentle(circuit)[rows]
    if start is None:
        start = _first_guess(circuit, v, load, rows)
    i = np.where(gentle & (start > 0) & (start < top), start, 0.0)
    left = np.arange(v.size)
    for turn in range(200):
        point = circuit.at(i, rows)
        slow = turn > 12 and turn % 3 == 0
        with np.errstate(all="ignore"):
            f = point.voltage - i * load - v
            low = np.where(f > 0, i, low)
            high = np.where(f < 0, i, high)
            resistance = point.resistance + load
            n, cell = np.arange(i.size), point.steepest
            x = point.u[n, cell] - f / (point.conductance[n, cell] * resistance)
            parameters = (p[rows, cell] for p in (circuit.il, circuit.i0, circuit.g, circuit.a))
            new = junction_current(x, *parameters, circuit.breakdown)
            # Beyond open circuit Rs soon bends V(x) the other way: there the current is better.
            beyond = (i <= 0) & (f < 0)
            # Newton squares what is left: the step after so small a one is lost in rounding.
            last = np.abs(x - point.u[n, cell]) <= _LAST_STEP * circuit.a[rows, cell]
            last &= (new > low) & (new < high) & ~beyond & (not slow)
            new = np.where(beyond, i + f / resistance, new)
            # From far out in reverse a step leads anywhere: no further than to no current at all.
            new = np.where((i > 0) & ~(new > 0) & np.isinf(low), 0.0, new)
            grain = 1e-15 * np.maximum(np.abs(i), top)
            size = np.where(point.active, np.abs(point.u), 0.0).sum(axis=1)
            close = (high - low <= 3.0 * grain) | (np.abs(f) <= 2e-16 * size) | (f == 0)
            # Down a cliff Newton stands still: look at the other side of it.
            still = np.abs(new - i) <= grain
            new = np.where(still, i + 2.0 * np.sign(f) * grain, new)
            # A cell that cannot take the whole step has broken down: on to the next one's knee.
            knee = np.where((point.u > 0) & point.active, circuit.il[rows], np.inf).min(axis=1)
            new = np.where((new > low) & (new < high), new, knee)
            middle = np.where(np.isinf(high), 2.0 * np.abs(i) + scale, 0.5 * (low + high))
            middle = np.where(np.isinf(low), -2.0 * np.abs(i) - scale, middle)
            inside = (new > low) & (new < high) & (not slow)
            new = np.where(inside, new, middle)
            endless = (f > 0) & ((i > 1e12 * scale) | ~np.any(point.active, axis=1))
            new = np.where(endless, np.inf, np.where(np.isnan(f), np.nan, new))
            done = close | last | endless | np.isnan(f)
        new = np.where(close, i, new)
        result[left[done]] = new[done]
        keep = ~done
        if not np.any(keep):
            break
        left, rows, v, load, top, scale, gentle, low, high, i = (
            x[keep] for x in (left, rows, v, load, top, scale, gentle, low, high, new)
        )
    return result


def shifts(circuit: Circuit, i: Any, load: Any, rows: Any, others: Circuit) -> tuple[Any, Any]:
    """Return what V(I) - I load = const becomes in other strings, to first order: changes of V, I.

    About the strings ``rows`` of ``circuit`` at their currents ``i`` (A), all (n,). ``others`` has
    the strings of ``circuit`` M times; the answers are (M, n), and that of V is at a fixed current.
    Taken at fixed junction voltages, where the cells' currents are smooth in all parameters: at a
    fixed current the voltage of a steep cell is not.
    """
    point = circuit.at(i, rows)
    shape = (-1, *circuit.il.shape)

    def carried(by: Circuit) -> Any:
        il, i0, g, a = (x.reshape(shape)[:, rows] for x in (by.il, by.i0, by.g, by.a))
        return junction_current(point.u, il, i0, g, a, by.breakdown)

    with np.errstate(all="ignore"):
        more = (carried(others) - carried(circuit)) / point.conductance
        # A cell that has broken down is a voltage source, whatever the light.
        more = np.where(np.isinf(point.conductance), 0.0, more)
        more -= i[:, None] * (others.rs.reshape(shape) - circuit.rs)[:, rows]
        rise = np.where(point.active, more, 0.0).sum(axis=-1)
        return rise, rise / (point.resistance + load)


def greatest_power(circuit: Circuit, i_sc: Any, v_oc: Any) -> tuple[Any, Any]:
    """Return voltage (V) and current (A) of the highest top of P for every string.

    ``i_sc`` (A) and ``v_oc`` (V) of every string; 0, 0 where there is no light, NaN for NaN.
    """
    v_mp = np.where(np.isnan(i_sc + v_oc), np.nan, 0.0)
    i_mp = v_mp.copy()
    lit = np.flatnonzero((i_sc > 0) & (v_oc > 0))
    if not lit.size:
        return v_mp, i_mp
    rows = np.repeat(lit, _SHARES.size)
    scan = Scan.of(circuit, rows, (i_sc[lit][:, None] * _SHARES).ravel())
    ends = np.arange(rows.size).reshape(lit.size, -1)
    a, b = scan.take(ends[:, :-1].ravel()), scan.take(ends[:, 1:].ravel())
    best = np.zeros_like(i_sc)
    best[lit] = scan.power.reshape(lit.size, -1).max(axis=1)
    found = []
    stride = np.inf if circuit.breakdown is None else -_STRIDE * circuit.breakdown.voltage
    for turn in range(_HALVINGS + 1):
        # V falls with I, so that P between a and b is at most this.
        hopeful = b.i * a.v > best[a.row]
        smooth = (a.groups == b.groups) & ((a.bend < 0) == (b.bend < 0))
        with np.errstate(invalid="ignore"):
            smooth &= np.abs(a.reverse - b.reverse) < stride
        if turn == _HALVINGS:
            smooth[:] = True
        top = np.flatnonzero(hopeful & smooth & (a.rise > 0) & ~(b.rise > 0))
        found.append((a.take(top), b.take(top)))
        more = np.flatnonzero(hopeful & ~smooth)
        if not more.size:
            break
        a, b = a.take(more), b.take(more)
        middle = Scan.of(circuit, a.row, 0.5 * (a.i + b.i))
        np.maximum.at(best, a.row, middle.power)
        a, b = a.join(middle), middle.join(b)
    a, b = (found[0][k].join(*(pair[k] for pair in found[1:])) for k in (0, 1))
    keep = np.flatnonzero(b.i * a.v >= best[a.row])
    a, b = a.take(keep), b.take(keep)
    i, v = _polish(circuit, a.row, a.i, b.i)
    order = np.lexsort((v * i, a.row))  # the last of each string is its highest
    v_mp[a.row[order]], i_mp[a.row[order]] = v[order], i[order]
    return v_mp, i_mp


@dataclass(frozen=True)
class Scan:
    """Points of P(I): string, current, voltage, dP/dI, d2P/dI2, and how the cells stand.

    ``groups`` is the number of cells not bypassed (groups are bypassed one after the other as the
    current grows), ``reverse`` the sum of their reverse voltages (V, negative).
    """

    row: Any
    i: Any
    v: Any
    rise: Any
    bend: Any
    groups: Any
    reverse: Any

    @property
    def power(self) -> Any:
        """I V, W."""
        return self.i * self.v

    def _fields(self) -> tuple:
        return (self.row, self.i, self.v, self.rise, self.bend, self.groups, self.reverse)

    def take(self, which: Any) -> "Scan":
        """Return some of the points."""
        return Scan(*(x[which] for x in self._fields()))

    def join(self, *others: "Scan") -> "Scan":
        """Return these points and those of the others, in order."""
        parts = zip(self._fields(), *(other._fields() for other in others), strict=True)
        return Scan(*(np.concatenate(x) for x in parts))

    @classmethod
    def of(cls, circuit: Circuit, row: Any, i: Any) -> "Scan":
        """Look at the strings ``row`` at currents ``i`` (A), both of shape (n,)."""
        v, rise, bend, groups, reverse = (np.empty_like(i) for _ in range(5))
        for block in circuit.blocks(i.size):
            point = circuit.at(i[block], row[block])
            v[block] = point.voltage
            with np.errstate(invalid="ignore"):
                rise[block] = point.voltage - i[block] * point.resistance
                bend[block] = i[block] * point.bend - 2.0 * point.resistance
            active = point.active
            groups[block] = active.sum(axis=1)
            reverse[block] = np.where(active, np.minimum(point.u, 0.0), 0.0).sum(axis=1)
        return cls(row, i, v, rise, bend, groups, reverse)


def _polish(circuit: Circuit, rows: Any, low: Any, high: Any) -> tuple[Any, Any]:
    """Return current and voltage where dP/dI = 0 between ``low`` and ``high``."""
    i = 0.5 * (low + high)
    result, voltage = i.copy(), np.empty_like(i)
    left = np.arange(i.size)
    for _ in range(100):
        if not left.size:
            break
        point = circuit.at(i, rows)
        with np.errstate(all="ignore"):
            rise = point.voltage - i * point.resistance
            low = np.where(rise > 0, i, low)
            high = np.where(rise > 0, high, i)
            new = i - rise / (i * point.bend - 2.0 * point.resistance)
            new = np.where((new > low) & (new < high), new, 0.5 * (low + high))
        done = np.abs(new - i) <= 1e-15 * i
        result[left], voltage[left] = i, point.voltage
        keep = ~done
        left, rows, low, high, i = (x[keep] for x in (left, rows, low, high, new))
    return result, voltage
