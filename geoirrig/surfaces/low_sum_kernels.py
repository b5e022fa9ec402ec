"""Sums of the lowest quarter and half of many values, compiled: bins, and one of them sorted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.block_instructions import BLOCK
from geoirrig.cell_blocks import alike_lanes, lanes_before, pack
from geoirrig.compilation import compiled, compiled_in_place

_BINS = 256
_TALLIES = 4  # of the members of the bins: neighbours are alike, and one tally waits for itself
_HANDFUL = 32  # values that are sorted one by one
_NOTHING = 1e-30  # mm/h; values closer than this are taken as the same


class Bins(NamedTuple):
    """Room for the rates that a zone serves cells with, and to find their low sums."""

    served: NDArray[np.float32]  # (room + BLOCK,)
    of_value: NDArray[np.int32]  # (room + BLOCK,) the bin of each
    members: NDArray[np.int32]  # (_TALLIES · _BINS,) how many there are, tally after tally
    spare: NDArray[np.float32]  # (room + BLOCK,)


@compiled
def bins_room(n: int) -> Bins:
    """Room to find the low sums of ``n`` values."""
    return Bins(
        np.empty(n + BLOCK, np.float32),
        np.empty(n + BLOCK, np.int32),
        np.empty(_TALLIES * _BINS, np.int32),
        np.empty(n + BLOCK, np.float32),
    )


@compiled_in_place
def sum_of(values: NDArray[np.float32]) -> float:
    """Sum in double precision."""
    total = 0.0
    for place in range(values.shape[0]):
        total += float(values[place])
    return total


@compiled_in_place
def _limits(values: NDArray[np.float32], spare: NDArray[np.float32]) -> tuple[float, float]:
    """Lowest and highest of some values above 0, which their bits have in the same order."""
    bits, limits = values.view(np.int32), spare.view(np.int32)
    lowest = highest = bits[0]
    for place in range(bits.shape[0]):
        lowest, highest = min(lowest, bits[place]), max(highest, bits[place])
    limits[0], limits[1] = lowest, highest
    return float(spare[0]), float(spare[1])


@compiled_in_place
def _tally(values: NDArray[np.float32], lowest: float, highest: float, bins: Bins) -> None:
    """Find the bin of every value, and count the members of the bins."""
    low, scale = np.float32(lowest), np.float32(_BINS / (highest - lowest))
    of_value, members, last = bins.of_value, bins.members, np.int32(_BINS - 1)
    for place in range(values.shape[0]):
        of_value[place] = min(last, np.int32((values[place] - low) * scale))
    members[:] = 0
    for place in range(values.shape[0]):  # unsigned: no look for a number counted from the end
        of_tally = np.uint64(place % _TALLIES) * np.uint64(_BINS)
        members[of_tally + np.uint64(of_value[place])] += 1
    for tally in range(1, _TALLIES):
        for at in range(_BINS):
            members[at] += members[tally * _BINS + at]


@compiled
def _sort_bin(values: NDArray[np.float32]) -> None:
    """Sort in place what is mostly a handful."""
    if values.shape[0] > _HANDFUL:
        values.sort()
        return
    for place in range(1, values.shape[0]):
        value, at = values[place], place
        while at > 0 and values[at - 1] > value:
            values[at] = values[at - 1]
            at -= 1
        values[at] = value


@compiled
def _low_sum(values: NDArray[np.float32], share: float, bins: Bins) -> float:
    """Sum of the lowest ``share`` values, the last in part; the bins are tallied."""
    whole, below, at = int(share), 0, 0
    of_value, spare = bins.of_value, bins.spare
    while below + bins.members[at] <= whole:
        below, at = below + bins.members[at], at + 1
    total, n = 0.0, 0
    for place in range(values.shape[0]):
        total += float(values[place]) if of_value[place] < at else 0.0
    for place in range(0, values.shape[0], BLOCK):
        lanes = alike_lanes(of_value, place, at) & lanes_before(values.shape[0] - place)
        if lanes:
            n = pack(spare, n, values, place, lanes)
    _sort_bin(spare[:n])
    total += sum_of(spare[: whole - below])
    return total + (share - whole) * float(spare[whole - below])


@compiled
def low_sums(values: NDArray[np.float32], bins: Bins) -> tuple[float, float, float]:
    """Sums of the lowest quarter, of the lowest half and of all of some values above 0.

    Values go into bins, and only the bin with the limit in it is sorted. Exactly a quarter and a
    half count, of the last value a part. All are 0 where there are no values. What lies a block
    beyond the values is read, and not used.
    """
    n, total = values.shape[0], sum_of(values)
    if n == 0:
        return 0.0, 0.0, 0.0
    lowest, highest = _limits(values, bins.spare)
    if highest - lowest <= _NOTHING:
        return 0.25 * total, 0.5 * total, total
    _tally(values, lowest, highest, bins)
    return _low_sum(values, 0.25 * n, bins), _low_sum(values, 0.5 * n, bins), total
