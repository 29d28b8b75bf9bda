"""Cells in series under unequal light: the same current, voltages that add, bypass diodes.

The darkest cell limits a string. Driven above its own photocurrent it goes into reverse and takes
voltage from the others, until it breaks down or the bypass diode of its group conducts. P(V) of
such a string has more than one top; the highest is looked for, not the nearest.

A bypass diode is a clamp: its group never falls below minus ``bypass_drop``, whatever the current
(common practice; pvlib's partial-shading example does so, with 0.5 V).

Sources: Bishop (1988), cells in a string and the reverse characteristic; the single-diode
solver of ``ivkit.curve.diode``.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ivkit.curve.diode import PARAMETERS, OperatingPoint, SingleDiode
from ivkit.curve.key_points import KeyPoints
from ivkit.curve.reverse import SILICON, Breakdown
from ivkit.curve.string_solver import Circuit, greatest_power, shifts, solve
from ivkit.errors import RangeError


@dataclass(frozen=True)
class StringState:
    """What every cell does while the string stands at one voltage.

    Attributes
    ----------
    voltage, current : float or ndarray
        At the terminals, V and A.
    cell_voltage, cell_current : ndarray, shape (..., cells)
        V, negative for a cell driven backwards; A, less than ``current`` in a group whose bypass
        diode carries the rest.
    bypassed : ndarray of bool, shape (..., groups)
        Whether the group's bypass diode conducts.
    limiting_cell : int or ndarray of int
        Index of the cell whose light limits the string here: of all cells whose group is not
        bypassed, the one where a little more photocurrent raises the string's power most. At the
        maximum dPmp/dIL of a cell is I times its own dV/dI, so it is the steepest cell. Among equal
        cells the first; -1 when every group is bypassed or there is no light.
    """

    voltage: Any
    current: Any
    cell_voltage: Any
    cell_current: Any
    bypassed: Any
    limiting_cell: Any


@dataclass(frozen=True)
class SeriesString:
    """One string of cells, or many strings.

    Attributes
    ----------
    cells : SingleDiode
        Parameters of ONE cell each. The last axis of their common shape runs over the cells in
        series order, the axes before it over strings.
    bypass_groups : int or sequence of int
        Number of equal groups with a bypass diode each (0: none), or the sizes of the groups in
        series order.
    bypass_drop : float
        Forward voltage of a bypass diode, V, 0 or greater. 0.5 V is common practice for Schottky
        diodes and the value of pvlib's partial-shading example.
    breakdown : Breakdown or None
        How a cell breaks down in reverse; None: it never does, and only its shunt bounds it.

    Raises
    ------
    RangeError
        No axis of cells, groups that do not fit the cells, a negative drop.

    Examples
    --------
    >>> import numpy as np
    >>> light = np.ones(36)
    >>> light[7] = 0.5
    >>> string = SeriesString(SingleDiode(0.62 * light, 3.7e-10, 1.2 / 36, 25.0, 1.0175 / 36))
    >>> print(string.key_points().p_mp.round(2), string.at_max_power().limiting_cell)
    7.01 7
    """

    cells: SingleDiode
    bypass_groups: int | Sequence[int] = 0
    bypass_drop: float = 0.5
    breakdown: Breakdown | None = SILICON

    @classmethod
    def together(cls, strings: "Sequence[SeriesString]") -> "SeriesString":
        """Return strings of one shape and the same diodes as one, along a new first axis.

        Solved together they take a small part of the time.
        """
        first = strings[0]
        shape = np.broadcast_shapes(*(string._cell_shape for string in strings))
        cells = SingleDiode(
            *(
                np.stack([np.broadcast_to(getattr(x.cells, name), shape) for x in strings])
                for name in PARAMETERS
            )
        )
        return cls(cells, first.bypass_groups, first.bypass_drop, first.breakdown)

    def __post_init__(self) -> None:
        shape = self._cell_shape
        if not shape or shape[-1] == 0:
            raise RangeError(
                "a string needs the parameters of each cell",
                remedy="give at least one parameter with the cells on its last axis",
            )
        if not 0.0 <= self.bypass_drop < np.inf:
            raise RangeError(
                f"bypass drop {self.bypass_drop:g} V is not a forward voltage",
                remedy="expected 0 or greater; 0.5 V is usual",
            )
        object.__setattr__(self, "bypass_groups", group_sizes(self.bypass_groups, shape[-1]))

    @cached_property
    def _cell_shape(self) -> tuple[int, ...]:
        try:
            return np.broadcast_shapes(
                *(np.shape(getattr(self.cells, name)) for name in PARAMETERS)
            )
        except ValueError as error:
            raise RangeError(f"parameters of the cells do not match in shape ({error})") from None

    @cached_property
    def _circuit(self) -> Circuit:
        count = self._cell_shape[-1]
        il, i0, rs, rsh, a = (
            np.broadcast_to(np.asarray(getattr(self.cells, n), dtype=float), self._cell_shape)
            .reshape(-1, count)
            .copy()
            for n in PARAMETERS
        )
        starts = np.cumsum((0, *self.bypass_groups[:-1])) if self.bypass_groups else None
        return Circuit(il, i0, rs, 1.0 / rsh, a, starts, float(self.bypass_drop), self.breakdown)

    @property
    def count(self) -> int:
        """Number of cells in series."""
        return self._cell_shape[-1]

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the strings, without the axis of cells."""
        return self._cell_shape[:-1]

    def _rows(self, *values: ArrayLike) -> tuple[tuple[int, ...], Any, list[Any]]:
        """Broadcast values against the strings; return the shape, string numbers, flat values."""
        arrays = [np.asarray(value, dtype=float) for value in values]
        try:
            shape = np.broadcast_shapes(self.shape, *(array.shape for array in arrays))
        except ValueError:
            raise RangeError(
                f"values of shape {arrays[0].shape} do not fit strings of shape {self.shape}"
            ) from None
        number = np.arange(int(np.prod(self.shape))).reshape(self.shape)
        rows = np.broadcast_to(number, shape).ravel()
        return shape, rows, [np.broadcast_to(array, shape).ravel() for array in arrays]

    def voltage(self, current: ArrayLike) -> Any:
        """Return the terminal voltage (V) at a current (A); broadcasts against the strings.

        Minus infinity where a cell without shunt, breakdown or bypass diode cannot carry it.
        """
        shape, rows, (i,) = self._rows(current)
        return self._circuit.voltage(i, rows).reshape(shape)[()]

    def current(self, voltage: ArrayLike, near: ArrayLike | None = None) -> Any:
        """Return the current (A) at a terminal voltage (V); broadcasts against the strings.

        Infinity below the voltage at which every group is bypassed, where nothing limits it.
        ``near`` are currents (A) close to the answer, which is found sooner from there.
        """
        shape, rows, (v, *start) = self._rows(voltage, *([] if near is None else [near]))
        return solve(self._circuit, v, np.zeros_like(v), rows, *start).reshape(shape)[()]

    def operating_point(self, load_ohm: ArrayLike, near: ArrayLike | None = None) -> OperatingPoint:
        """Return where a load (ohm, 0 or greater, infinity for none) holds the string.

        ``near`` as in `current`.
        """
        shape, rows, (load, *start) = self._rows(load_ohm, *([] if near is None else [near]))
        if np.any(load < 0):
            raise RangeError(f"load {load.min():g} ohm is negative")
        shut = np.isfinite(load)
        resistance = np.where(shut, load, 0.0)
        zero = np.zeros_like(load)
        current = np.where(shut, solve(self._circuit, zero, resistance, rows, *start), 0.0)
        voltage = np.where(shut, current * resistance, self._circuit.voltage(zero, rows))
        voltage, current = voltage.reshape(shape)[()], current.reshape(shape)[()]
        return OperatingPoint(voltage, current, voltage * current)

    def shifts(
        self, current: ArrayLike, load_ohm: ArrayLike, others: "SeriesString"
    ) -> tuple[Any, Any]:
        """Return how far other strings' voltage (V) and current (A) are from these, to first order.

        For the derivatives of a fit, without solving the others. ``current`` (A) is that of these
        strings, ``load_ohm`` what holds them there: infinity for no load, 0 for a fixed voltage,
        whatever it is. ``others`` have parameters a little different, the same groups, and one more
        axis in front, which the answers have as well.
        """
        shape, rows, (i, load) = self._rows(current, load_ohm)
        shut = np.isfinite(load)
        resistance = np.where(shut, load, 0.0)
        rise, more = shifts(self._circuit, i, resistance, rows, others._circuit)
        voltage, more = np.where(shut, more * resistance, rise), np.where(shut, more, 0.0)
        return voltage.reshape(-1, *shape), more.reshape(-1, *shape)

    def key_points(self) -> KeyPoints:
        """Return Isc, Voc and the highest of all tops of P(V), each of the strings' shape."""
        _, rows, (zero,) = self._rows(np.zeros(self.shape))
        i_sc = solve(self._circuit, zero, zero, rows)
        v_oc = self._circuit.voltage(zero, rows)
        v_mp, i_mp = greatest_power(self._circuit, i_sc, v_oc)
        return KeyPoints(*(x.reshape(self.shape)[()] for x in (i_sc, v_oc, v_mp, i_mp)))

    def state(self, voltage: ArrayLike) -> StringState:
        """Return what every cell does at a terminal voltage (V); broadcasts against the strings."""
        shape, rows, (v,) = self._rows(voltage)
        circuit = self._circuit
        i = solve(circuit, v, np.zeros_like(v), rows)
        cell_v, cell_i, bypassed, limiting = circuit.cells_at(v, i, rows)
        return StringState(
            v.reshape(shape)[()],
            i.reshape(shape)[()],
            cell_v.reshape(*shape, -1),
            cell_i.reshape(*shape, -1),
            bypassed.reshape(*shape, -1),
            limiting.reshape(shape)[()],
        )

    def at_max_power(self) -> StringState:
        """Return what every cell does at the maximum power point."""
        return self.state(self.key_points().v_mp)


def group_sizes(groups: int | Sequence[int], cells: int) -> tuple[int, ...]:
    """Return the sizes of the bypass groups of a string of ``cells``; empty for no diodes.

    >>> group_sizes(2, 36), group_sizes((20, 16), 36), group_sizes(0, 36)
    ((18, 18), (20, 16), ())
    """
    if isinstance(groups, int | np.integer):
        if groups < 0 or (groups and cells % groups):
            raise RangeError(
                f"{cells} cells cannot be split into {groups} equal bypass groups",
                remedy="give the sizes of the groups, as (20, 16)",
            )
        return (cells // int(groups),) * int(groups) if groups else ()
    sizes = tuple(int(size) for size in groups)
    if sizes and (min(sizes) < 1 or sum(sizes) != cells):
        raise RangeError(
            f"bypass groups of {', '.join(map(str, sizes))} cells make {sum(sizes)}, "
            f"not the {cells} of the string",
            remedy="give one size of at least 1 for each group",
        )
    return sizes
