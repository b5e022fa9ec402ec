"""Cuts the turf into regions that few heads reach, with a table of what every combination gives.

How dry a region is depends on the few heads near it, so that all their combinations can be looked
at. Choices that water a region much alike are put into one class, which gets the highest rate of
them on every cell: no layout is drier for it, and what comes out bounds from above.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.optimisation.region_kernels import RegionTables, merge_classes, shortfall_table
from geoirrig.physics.low_quarter import LOW_FRACTION
from geoirrig.records import IntArray
from geoirrig.units import FloatArray

_NEAREST = 4  # heads
_LEAST_LANES = 100  # entries that a processor works on together


def nearest_heads_regions(choices: NozzleChoices) -> IntArray:
    """Region of each cell: cells whose four heads with most water there are the same."""
    first = choices.first
    water = np.stack(
        [
            np.asarray(choices.rate_mm_h[:, a:b].sum(axis=1), dtype=np.float64).ravel() / (b - a)
            for a, b in pairwise(first.tolist())
        ],
        axis=1,
    )
    nearest = np.sort(np.argsort(-water, axis=1, kind="stable")[:, :_NEAREST], axis=1)
    _, region = np.unique(nearest, axis=0, return_inverse=True)
    return np.asarray(region, dtype=np.int64).ravel()


def joined_regions(
    choices: NozzleChoices, region: IntArray, possible: NDArray[np.bool_], *, most_entries: float
) -> IntArray:
    """New number of each region: those whose joint table is small enough become one.

    Parameters
    ----------
    choices : NozzleChoices
        Choices of every head.
    region : ndarray of int, shape (n_cells,)
        Region of each cell, numbered from 0.
    possible : ndarray of bool, shape (n_choices,)
        Choices that are looked at.
    most_entries : float
        Most entries of a table.

    Returns
    -------
    ndarray of int, shape (n_regions,)
        Numbered from 0.
    """
    entry = choices.rate_mm_h.tocoo()
    n_regions, n_heads = int(region.max()) + 1, len(choices.first) - 1
    reached = np.zeros((n_regions, n_heads), dtype=bool)
    wet = possible[entry.col]
    reached[region[entry.row[wet]], choices.head[entry.col[wet]]] = True
    size = np.log(np.add.reduceat(possible.astype(np.float64), choices.first[:-1]))
    into = np.arange(n_regions)
    alive = np.ones(n_regions, dtype=bool)
    joint = (reached[:, np.newaxis] | reached).astype(np.float64) @ size
    np.fill_diagonal(joint, np.inf)
    while n_regions > 1:
        one, other = np.divmod(int(np.argmin(joint)), n_regions)
        if not joint[one, other] <= np.log(most_entries):
            break
        reached[one] |= reached[other]
        into[into == other] = one
        alive[other] = False
        joint[other] = joint[:, other] = np.inf
        joint[one] = np.where(alive, (reached | reached[one]).astype(np.float64) @ size, np.inf)
        joint[one, one] = np.inf
        joint[:, one] = joint[one]
    return np.asarray(np.unique(into, return_inverse=True)[1], dtype=np.int64)


def region_tables(
    choices: NozzleChoices,
    region: IntArray,
    possible: NDArray[np.bool_],
    weight: FloatArray,
    *,
    thresholds: tuple[float, float],
    most_entries: float,
) -> RegionTables:
    """Shortfall of every region for every combination of the choices of the heads that reach it.

    Parameters
    ----------
    choices, region, possible
        As for `joined_regions`; at least one choice of each head is possible.
    weight : ndarray, shape (n_cells,)
        How much water on each cell is thought to matter, > 0: steers which choices are merged.
    thresholds : tuple of float
        ``(below, upto)``, see `shortfall_table`. [mm/h]
    most_entries : float
        Most entries of the table of a region.

    Returns
    -------
    RegionTables
        Values are those of `shortfall_table` over a quarter of all cells. [mm/h]
    """
    rate: Any = choices.rate_mm_h.tocsr()
    widest = int(np.max(np.diff(choices.first)))
    heads, class_ofs, values = [], [], []
    member_start, first_lane, counts = [0], [], []
    order = np.argsort(region, kind="stable")
    for cells in np.split(order, np.flatnonzero(np.diff(region[order])) + 1):
        count, base, classes, columns = _region_classes(
            choices, rate[cells].toarray(), possible, weight[cells], most_entries
        )
        by_count = sorted(range(len(count)), key=lambda m: (count[m], m))
        size = count[by_count]
        ends = np.cumsum(np.concatenate([[0], size])).astype(np.int64)
        value = np.empty(int(np.prod(size)))
        stacked = [columns[m] for m in by_count]
        shortfall_table(
            np.concatenate([np.zeros((0, len(cells))), *stacked]), base, size, *thresholds, value
        )
        values.append(value / (LOW_FRACTION * len(region)))
        lanes = np.cumprod(size[::-1])[::-1]
        n_lead = max(0, int(np.count_nonzero(lanes >= _LEAST_LANES)) - 1)
        first_lane.append(member_start[-1] + n_lead)
        member_start.append(member_start[-1] + len(count))
        counts.append(np.diff(ends))
        for m in by_count:
            head, class_of = classes[m]
            heads.append(head)
            class_ofs.append(np.full(widest, -1))
            class_ofs[-1][: len(class_of)] = class_of
    return RegionTables(
        member_start=np.array(member_start, dtype=np.int64),
        head=np.array(heads, dtype=np.int64),
        class_start=np.cumsum(np.concatenate([[0], *counts])).astype(np.int64),
        class_of=np.array(class_ofs, dtype=np.int64).reshape(-1, widest),
        first_lane=np.array(first_lane, dtype=np.int64),
        value_start=np.cumsum([0] + [len(value) for value in values]).astype(np.int64),
        value=np.concatenate(values),
    )


def _region_classes(
    choices: NozzleChoices,
    rate: FloatArray,
    possible: NDArray[np.bool_],
    weight: FloatArray,
    most_entries: float,
) -> tuple[IntArray, FloatArray, list[tuple[int, IntArray]], list[FloatArray]]:
    """Of the heads that reach a region: classes each, head and class of its choices, their rates.

    The second result is the rate that the region gets in any case.
    """
    reaching = np.flatnonzero(
        np.logical_or.reduceat(possible & np.any(rate > 0.0, axis=0), choices.first[:-1])
    )
    taken = [
        np.flatnonzero(possible[choices.first[h] : choices.first[h + 1]]) + choices.first[h]
        for h in reaching
    ]
    start = np.cumsum([0] + [len(j) for j in taken]).astype(np.int64)
    all_taken = np.concatenate([np.zeros(0, dtype=np.int64), *taken])
    columns = np.ascontiguousarray(rate[:, all_taken].T)
    leader = np.empty(len(columns), dtype=np.int64)
    merge_classes(columns, weight, start, most_entries, leader)
    count, classes, rates = [], [], []
    for member, head in enumerate(reaching):
        leader_of = leader[start[member] : start[member + 1]]
        leaders = np.flatnonzero(leader_of == np.arange(start[member], start[member + 1]))
        leaders += start[member]
        class_of = np.full(choices.first[head + 1] - choices.first[head], -1)
        class_of[taken[member] - choices.first[head]] = np.searchsorted(leaders, leader_of)
        count.append(len(leaders))
        classes.append((int(head), class_of))
        rates.append(columns[leaders])
    return np.array(count, dtype=np.int64), np.zeros(rate.shape[0]), classes, rates
