"""Compiled parts of the bound by regions: tables of regions, and what passes between them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray

_SAME = 1e-9  # loss of water over all cells, of the weights' unit: columns that are alike


class RegionTables(NamedTuple):
    """Regions, heads that matter there, classes of their choices, a value for each joint class.

    A member is a head in a region. The last member of a region counts fastest in its table; the
    last few are the lanes, so many that a processor works on several entries at once.
    """

    member_start: NDArray[np.int64]  # (n_regions + 1,)
    head: NDArray[np.int64]  # (n_members,)
    class_start: NDArray[np.int64]  # (n_members + 1,)
    class_of: NDArray[np.int64]  # (n_members, most choices of a head); −1 is not possible
    first_lane: NDArray[np.int64]  # (n_regions,) member
    value_start: NDArray[np.int64]  # (n_regions + 1,)
    value: FloatArray


@compiled
def merge_classes(
    columns: FloatArray,
    weight: FloatArray,
    start: NDArray[np.int64],
    most_entries: float,
    class_of: NDArray[np.int64],
) -> None:
    """Merge the choices of each member until the joint table has no more entries than wanted.

    The pair that loses the least weighted water for what it saves goes first; alike ones always.

    Parameters
    ----------
    columns : ndarray, shape (n_choices, n_cells)
        Rates of the choices; is overwritten. The row of a class's first choice ends as the highest
        rates of the class.
    weight : ndarray, shape (n_cells,)
        Weight of water on each cell, > 0.
    start : ndarray of int, shape (n_members + 1,)
        Choices ``start[m]`` up to ``start[m + 1]`` are those of member m.
    most_entries : float
        Most entries of the table, ≥ 1.
    class_of : ndarray of int, shape (n_choices,)
        Result: first choice of the class of each choice.
    """
    n, n_members = len(columns), len(start) - 1
    loss = np.full((n, n), np.inf)
    count = np.empty(n_members)
    pair = np.zeros((n_members, 2), dtype=np.int64)
    for member in range(n_members):
        count[member] = start[member + 1] - start[member]
        for a in range(start[member], start[member + 1]):
            class_of[a] = a
            for b in range(a + 1, start[member + 1]):
                loss[a, b] = _merging_loss(columns, weight, a, b)
        _cheapest_pair(loss, start[member], start[member + 1], pair[member])
    while True:
        entries, member = np.prod(count), _cheapest_member(loss, pair, count)
        if member < 0:
            return
        a, b = pair[member]
        if entries <= most_entries and loss[a, b] > _SAME:
            return
        _merge_pair(columns, weight, start[member], start[member + 1], pair[member], loss, class_of)
        count[member] -= 1
        _cheapest_pair(loss, start[member], start[member + 1], pair[member])


@compiled
def _merge_pair(
    columns: FloatArray,
    weight: FloatArray,
    start: int,
    stop: int,
    pair: NDArray[np.int64],
    loss: FloatArray,
    class_of: NDArray[np.int64],
) -> None:
    """The second of a pair of the choices from start to stop goes into the first."""
    a, b = pair
    for cell in range(columns.shape[1]):
        columns[a, cell] = max(columns[a, cell], columns[b, cell])
    for c in range(start, stop):
        loss[min(b, c), max(b, c)] = np.inf
        if class_of[c] == b:
            class_of[c] = a
    for c in range(start, stop):
        if class_of[c] == c and c != a:
            loss[min(a, c), max(a, c)] = _merging_loss(columns, weight, a, c)


@compiled
def _merging_loss(columns: FloatArray, weight: FloatArray, a: int, b: int) -> float:
    total = 0.0
    for cell in range(len(weight)):
        total += weight[cell] * abs(columns[a, cell] - columns[b, cell])
    return total


@compiled
def _cheapest_pair(loss: FloatArray, start: int, stop: int, pair: NDArray[np.int64]) -> None:
    pair[0], pair[1] = start, start
    for a in range(start, stop):
        for b in range(a + 1, stop):
            if loss[a, b] < loss[pair[0], pair[1]]:
                pair[0], pair[1] = a, b


@compiled
def _cheapest_member(loss: FloatArray, pair: NDArray[np.int64], count: FloatArray) -> int:
    """Member whose pair costs least for each power of e that it takes off the table; −1 if none."""
    best, found = np.inf, -1
    for member in range(len(count)):
        if count[member] > 1:
            cost = loss[pair[member, 0], pair[member, 1]] / math.log(
                count[member] / (count[member] - 1.0)
            )
            if cost < best:
                best, found = cost, member
    return found


@compiled
def shortfall_table(
    columns: FloatArray,
    base: FloatArray,
    count: NDArray[np.int64],
    below: float,
    upto: float,
    value: FloatArray,
) -> None:
    """−Σ (upto − d) over the cells with d < below, for every joint class.

    Parameters
    ----------
    columns : ndarray, shape (n_classes of all members, n_cells)
        Rates of the classes, member after member.
    base : ndarray, shape (n_cells,)
        Rate that is there in any case.
    count : ndarray of int, shape (n_members,)
        Classes of each member.
    below, upto : float
        Thresholds.
    value : ndarray, shape (n_entries,)
        Result.
    """
    n_members, n_cells = len(count), len(base)
    first = np.cumsum(count) - count
    digit = np.zeros(n_members, dtype=np.int64)
    depth = np.empty((n_members + 1, n_cells))
    depth[0] = base
    changed = 0
    for entry in range(len(value)):
        for member in range(changed, n_members):
            column = columns[first[member] + digit[member]]
            for cell in range(n_cells):
                depth[member + 1, cell] = depth[member, cell] + column[cell]
        short = 0.0
        for d in depth[n_members]:
            short += (upto - d) if d < below else 0.0
        value[entry] = -short
        changed = _count_on(digit, count)


@compiled
def _count_on(digit: NDArray[np.int64], count: NDArray[np.int64]) -> int:
    """Next number of mixed radix; the first digit that changed, −1 after the last number."""
    place = len(digit) - 1
    while place >= 0:
        digit[place] += 1
        if digit[place] < count[place]:
            return place
        digit[place] = 0
        place -= 1
    return -1


@compiled
def _lanes(first: int, stop: int, class_start: NDArray[np.int64]) -> NDArray[np.int64]:
    """Class of each lane for each of its members, shape (n_lane_members, n_lanes)."""
    n_lanes = 1
    for member in range(first, stop):
        n_lanes *= class_start[member + 1] - class_start[member]
    place, step = np.empty((stop - first, n_lanes), dtype=np.int64), 1
    for member in range(stop - 1, first - 1, -1):
        count = class_start[member + 1] - class_start[member]
        for lane in range(n_lanes):
            place[member - first, lane] = class_start[member] + lane // step % count
        step *= count
    return place


@compiled
def _highest(values: FloatArray) -> float:
    """Highest value; halves are folded on each other, which uses vector instructions."""
    n = len(values)
    while n > 1:
        half = (n + 1) // 2
        for i in range(n - half):
            values[i] = values[i + half] if values[i + half] > values[i] else values[i]
        n = half
    return float(values[0])


@compiled
def _class_bests(region: int, tables: RegionTables, price: FloatArray, best: FloatArray) -> float:
    """Highest value plus prices in a region, and that with each class; by class for all regions."""
    start, split = tables.member_start[region], tables.first_lane[region]
    stop = tables.member_start[region + 1]
    table = tables.value[tables.value_start[region] : tables.value_start[region + 1]]
    place = _lanes(split, stop, tables.class_start)
    n_lanes = place.shape[1]
    lane_price, lane_best, room = np.zeros(n_lanes), np.full(n_lanes, -np.inf), np.empty(n_lanes)
    for member in range(stop - split):
        for lane in range(n_lanes):
            lane_price[lane] += price[place[member, lane]]
    best[tables.class_start[start] : tables.class_start[stop]] = -np.inf
    digit = np.zeros(split - start, dtype=np.int64)
    count = tables.class_start[start + 1 : split + 1] - tables.class_start[start:split]
    for offset in range(0, len(table), n_lanes):
        lead = 0.0
        for k in range(len(digit)):
            lead += price[tables.class_start[start + k] + digit[k]]
        row = table[offset : offset + n_lanes]  # an array of its own: vector instructions
        for lane in range(n_lanes):
            value = lead + row[lane] + lane_price[lane]
            room[lane] = value
            lane_best[lane] = value if value > lane_best[lane] else lane_best[lane]
        highest = _highest(room)
        for k in range(len(digit)):
            c = tables.class_start[start + k] + digit[k]
            best[c] = max(best[c], highest)
        _count_on(digit, count)
    for member in range(stop - split):
        for lane in range(n_lanes):
            c = place[member, lane]
            best[c] = max(best[c], lane_best[lane])
    return _highest(lane_best)


@compiled
def pass_prices(
    n_passes: int,
    tables: RegionTables,
    first: NDArray[np.int64],
    own: FloatArray,
    price: FloatArray,
) -> None:
    """Share what each head is worth between the regions it matters to; the bound does not rise.

    Parameters
    ----------
    n_passes : int
        Passes over all regions, forth and back in turn.
    tables : RegionTables
        Regions.
    first : ndarray of int, shape (n_heads + 1,)
        Choices of each head.
    own : ndarray, shape (n_choices,)
        Value of each choice that no region has; −inf where it is not possible. Is overwritten.
    price : ndarray, shape (n_regions, n_choices)
        Value of each choice that a region has. Is overwritten.
    """
    of_class, best = np.empty(tables.class_start[-1]), np.empty(tables.class_start[-1])
    n_regions = len(tables.first_lane)
    for turn in range(n_passes):
        for place in range(n_regions):
            region = place if turn % 2 == 0 else n_regions - 1 - place
            members = range(tables.member_start[region], tables.member_start[region + 1])
            for member in members:  # all that the heads have, but for the other regions' part
                _to_classes(member, tables, first, own, price[region], 1.0, of_class)
            _class_bests(region, tables, of_class, best)
            for member in members:
                start = first[tables.head[member]]
                for j in range(start, first[tables.head[member] + 1]):
                    c = tables.class_of[member, j - start]
                    if c >= 0:
                        c += tables.class_start[member]
                        new = of_class[c] - best[c] / len(members)
                        own[j] += price[region, j] - new
                        price[region, j] = new


@compiled
def _to_classes(
    member: int,
    tables: RegionTables,
    first: NDArray[np.int64],
    own: FloatArray,
    price: FloatArray,
    share: float,
    of_class: FloatArray,
) -> None:
    """Highest price plus a share of the own value in each class of a member."""
    of_class[tables.class_start[member] : tables.class_start[member + 1]] = -np.inf
    start = first[tables.head[member]]
    for j in range(start, first[tables.head[member] + 1]):
        c = tables.class_of[member, j - start]
        if c >= 0:
            c += tables.class_start[member]
            value = price[j] + (share * own[j] if share > 0.0 else 0.0)
            of_class[c] = max(of_class[c], value)


@compiled
def values_with(
    tables: RegionTables,
    first: NDArray[np.int64],
    own: FloatArray,
    price: FloatArray,
    value: FloatArray,
) -> float:
    """Bound on the value of every layout, and on those with each single choice, by choice.

    Parameters as for `pass_prices`; ``value``, shape (n_choices,), is a result.
    """
    total = 0.0
    for head in range(len(first) - 1):
        highest = float(np.max(own[first[head] : first[head + 1]]))
        total += highest
        for j in range(first[head], first[head + 1]):
            value[j] = own[j] - highest
    of_class, best = np.empty(tables.class_start[-1]), np.empty(tables.class_start[-1])
    for region in range(len(tables.first_lane)):
        members = range(tables.member_start[region], tables.member_start[region + 1])
        for member in members:
            _to_classes(member, tables, first, own, price[region], 0.0, of_class)
        highest = _class_bests(region, tables, of_class, best)
        total += highest
        for member in members:
            start = first[tables.head[member]]
            for j in range(start, first[tables.head[member] + 1]):
                c = tables.class_of[member, j - start]
                if c >= 0:
                    value[j] += best[tables.class_start[member] + c] - highest
    value += total
    return total
