"""Compiled local search: exchange the choice of one head after another while evenness rises."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.physics.low_quarter_kernels import uniformity_and_dry_cells
from geoirrig.units import FloatArray

LEAST_GAIN = 1e-9  # of the uniformity: less is rounding, and could go round in circles
NOT_ALLOWED = -1.0


class Columns(NamedTuple):
    """Choices as the kernels want them: sparse columns, and what limits need."""

    start: NDArray[np.int64]  # (n_choices + 1,) into the next two
    cell: NDArray[np.int64]
    rate: FloatArray
    first: NDArray[np.int64]  # (n_heads + 1,) choices of each head
    limit_rows: FloatArray  # (n_limits, n_choices)
    limit_most: FloatArray
    own_rate: FloatArray
    spread: float  # most (highest − lowest)/mean of the own rates above 0
    dry_cells: int
    n_cells: int


@compiled
def _add(choice: int, sign: float, columns: Columns, depth: FloatArray) -> None:
    for k in range(columns.start[choice], columns.start[choice + 1]):
        depth[columns.cell[k]] += sign * columns.rate[k]


@compiled
def keeps_limits(layout: NDArray[np.int64], columns: Columns) -> bool:
    """Whether a layout keeps all limits but that of dry cells."""
    for row in range(len(columns.limit_most)):
        used = 0.0
        for choice in layout:
            used += columns.limit_rows[row, choice]
        if used > columns.limit_most[row]:
            return False
    high, low, total, n = 0.0, np.inf, 0.0, 0
    for choice in layout:
        rate = columns.own_rate[choice]
        if rate > 0.0:
            high, low, total, n = max(high, rate), min(low, rate), total + rate, n + 1
    return n == 0 or (high - low) * n <= columns.spread * total * (1.0 + 1e-9)


@compiled
def _value(depth: FloatArray, room: FloatArray, columns: Columns) -> float:
    uniformity, n_dry = uniformity_and_dry_cells(depth, room)
    return uniformity if n_dry <= columns.dry_cells else NOT_ALLOWED


@compiled
def layout_value(layout: NDArray[np.int64], columns: Columns) -> float:
    """Low-quarter uniformity of a layout; −1 where it breaks a limit."""
    if not keeps_limits(layout, columns):
        return NOT_ALLOWED
    depth, room = np.zeros(columns.n_cells), np.empty(columns.n_cells)
    for choice in layout:
        _add(choice, 1.0, columns, depth)
    return _value(depth, room, columns)


@compiled
def neighbour_values(layout: NDArray[np.int64], columns: Columns, values: FloatArray) -> None:
    """Uniformity with each single choice exchanged, by choice; −1 where a limit is broken."""
    depth, room = np.zeros(columns.n_cells), np.empty(columns.n_cells)
    for choice in layout:
        _add(choice, 1.0, columns, depth)
    for head in range(len(layout)):
        old = layout[head]
        _add(old, -1.0, columns, depth)
        for choice in range(columns.first[head], columns.first[head + 1]):
            layout[head], values[choice] = choice, NOT_ALLOWED
            if keeps_limits(layout, columns):
                _add(choice, 1.0, columns, depth)
                values[choice] = _value(depth, room, columns)
                _add(choice, -1.0, columns, depth)
        layout[head] = old
        _add(old, 1.0, columns, depth)


@compiled
def exchange_one(layout: NDArray[np.int64], columns: Columns) -> float:
    """Take, head after head, the best choice given the others, until none gains."""
    best, gains = layout_value(layout, columns), True
    depth, room = np.zeros(columns.n_cells), np.empty(columns.n_cells)
    for choice in layout:
        _add(choice, 1.0, columns, depth)
    while gains:
        gains = False
        for head in range(len(layout)):
            taken = layout[head]
            _add(taken, -1.0, columns, depth)
            for choice in range(columns.first[head], columns.first[head + 1]):
                layout[head] = choice
                if not keeps_limits(layout, columns):
                    continue
                _add(choice, 1.0, columns, depth)
                value = _value(depth, room, columns)
                _add(choice, -1.0, columns, depth)
                if value > best + LEAST_GAIN:
                    best, taken, gains = value, choice, True
            layout[head] = taken
            _add(taken, 1.0, columns, depth)
    return best
