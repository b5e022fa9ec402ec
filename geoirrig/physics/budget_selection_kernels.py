"""Compiled search for the best selection within a budget: dynamic programming around the margin.

Items stand by falling benefit per cost. The search starts from the items before the margin, where
the budget ends, and changes items outwards from it. Of the selections so made it keeps, by rising
cost, those that give more than every cheaper one and may still come to more than the best known.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray

IntArray = NDArray[np.int64]

ROOT = -1  # node of the selection that the search starts from
NOT_FOUND = -2  # no selection is better than the one known before

# Bounds are floating-point numbers, good to this share of them; the amounts themselves are whole.
BOUND_ACCURACY = 1e-12
_COST, _BENEFIT, _NODE = 0, 1, 2  # rows of an array of selections; costs less the budget


@compiled
def fund_down_the_list(
    cost: IntArray, budget: int, passes_over: bool, is_funded: NDArray[np.bool_]
) -> int:
    """Fund what the budget pays, from the first on; gives what is left of the budget.

    What does not fit is passed over, or ends the list. What is funded already stays so and is not
    paid for.
    """
    for item in range(cost.size):
        if is_funded[item]:
            continue
        if cost[item] <= budget:
            is_funded[item] = True
            budget -= cost[item]
        elif not passes_over:
            break
    return budget


@compiled
def search_around_margin(
    benefits: IntArray,
    costs: IntArray,
    flip_bound: FloatArray,
    start: IntArray,
    limits: IntArray,
    made: NDArray[np.int32],
    found: IntArray,
) -> float:
    """Find the best selection.

    Parameters
    ----------
    benefits, costs : ndarray of int64, shape (n,)
        Of each item, > 0, by falling benefit per cost.
    flip_bound : ndarray of float64, shape (n,)
        Most that a selection can come to in which this item is not as at the start.
    start : ndarray of int64, shape (4,)
        Number of items before the margin; their benefit; their cost less the budget, ≤ 0; the best
        benefit known, not below theirs.
    limits : ndarray of int64, shape (2,)
        Most selections kept at once, and most handled in all.
    made : ndarray of int32, shape (2, m)
        Filled: the node that each node was made from, and the item changed.
    found : ndarray of int64, shape (2,)
        Filled: the best benefit and its node, or NOT_FOUND.

    Returns
    -------
    float
        Most that any selection can come to: the best benefit itself, unless selections had to be
        given up.
    """
    kept, changed = np.empty((3, 2 * limits[0]), np.int64), np.empty((3, 2 * limits[0]), np.int64)
    kept[_COST, 0], kept[_BENEFIT, 0], kept[_NODE, 0] = start[2], start[1], ROOT
    found[0], found[1] = start[3], NOT_FOUND
    add, drop, is_adding = start[0], start[0] - 1, True
    count, nodes, handled, highest = 1, 0, 0, 0.0
    while count > 0 and (add < costs.size or drop >= 0):
        is_adding = drop < 0 or (is_adding and add < costs.size)
        item, sign = (add, 1) if is_adding else (drop, -1)
        if _may_improve(flip_bound[item], found[0]):
            rates = _rates(benefits, costs, add, drop)
            if count > limits[0]:
                handled += 2 * count
                count, highest = _thin_out(kept, count, rates, highest)
            if nodes + count >= made.shape[1]:
                nodes = _forget_unused(kept, count, nodes, made, found)
            handled += count
            if handled > limits[1] or nodes + count >= made.shape[1]:
                return max(highest, _highest_bound(kept, count, rates))
            count = _merge(kept, count, sign * costs[item], sign * benefits[item], changed)
            nodes = _note_best(changed, count, item, nodes, made, found)
            kept, changed = changed, kept
            after = (add + 1, drop) if is_adding else (add, drop - 1)
            rates = _rates(benefits, costs, after[0], after[1])
            count, nodes = _prune(kept, count, item, rates, nodes, made, found[0])
        add, drop = (add + 1, drop) if is_adding else (add, drop - 1)
        is_adding = not is_adding
    return max(highest, float(found[0]))


@compiled
def _may_improve(bound: float, best: int) -> bool:
    """Whether a bound leaves room for one unit of benefit more than the best."""
    return bound >= best + 1.0 - BOUND_ACCURACY * (best + 1.0)


@compiled
def _rates(benefits: IntArray, costs: IntArray, add: int, drop: int) -> tuple[float, float]:
    """Benefit per cost of the next item to add, and of the next to drop."""
    to_add = benefits[add] / costs[add] if add < costs.size else 0.0
    to_drop = benefits[drop] / costs[drop] if drop >= 0 else np.inf
    return to_add, to_drop


@compiled
def _bound(benefit: int, cost: int, rates: tuple[float, float]) -> float:
    """Most that a selection can come to if parts of the next items could be added or dropped."""
    if cost <= 0:
        return benefit - cost * rates[0]
    return benefit - cost * rates[1]


@compiled
def _highest_bound(states: IntArray, count: int, rates: tuple[float, float]) -> float:
    highest = 0.0
    for at in range(count):
        highest = max(highest, _bound(states[_BENEFIT, at], states[_COST, at], rates))
    return highest


@compiled
def _thin_out(
    states: IntArray, count: int, rates: tuple[float, float], highest: float
) -> tuple[int, float]:
    """Give up, in place, the half with the lower bounds; number left, and highest bound given up.

    From then on the best found need not be the best there is.
    """
    bounds = np.empty(count)
    for at in range(count):
        bounds[at] = _bound(states[_BENEFIT, at], states[_COST, at], rates)
    middle = np.median(bounds)
    left = 0
    for at in range(count):
        # half at most, also where all bounds are equal
        if bounds[at] >= middle and left < (count + 1) // 2:
            states[:, left] = states[:, at]
            left += 1
        else:
            highest = max(highest, bounds[at])
    return left, highest


@compiled
def _forget_unused(
    states: IntArray, count: int, nodes: int, made: NDArray[np.int32], found: IntArray
) -> int:
    """Drop, in place, the nodes that no selection kept comes from; gives the number left."""
    place = np.full(nodes, -1, np.int32)
    for at in range(-1, count):
        node = found[1] if at < 0 else states[_NODE, at]
        while node >= 0 and place[node] < 0:
            place[node] = 0
            node = made[0, node]
    left = 0
    for node in range(nodes):  # a node comes after the one that it was made from
        if place[node] == 0:
            origin = made[0, node]
            made[0, left] = place[origin] if origin >= 0 else origin
            made[1, left] = made[1, node]
            place[node] = left
            left += 1
    for at in range(count):
        if states[_NODE, at] >= 0:
            states[_NODE, at] = place[states[_NODE, at]]
    if found[1] >= 0:
        found[1] = place[found[1]]
    return left


@compiled
def _merge(
    states: IntArray, count: int, added_cost: int, added_benefit: int, merged: IntArray
) -> int:
    """Selections without and with a change, by rising cost and benefit, the dominated left out.

    A selection with the change has the node −node − 3 of the one without, which is below ROOT.
    """
    old, new, kept = 0, 0, 0
    highest = np.int64(-(2**62))
    while new < count:
        cost, benefit = states[_COST, new] + added_cost, states[_BENEFIT, new] + added_benefit
        takes_old = old < count and (
            states[_COST, old] < cost
            or (states[_COST, old] == cost and states[_BENEFIT, old] >= benefit)
        )
        node = -states[_NODE, new] - 3
        if takes_old:
            cost, benefit, node = states[_COST, old], states[_BENEFIT, old], states[_NODE, old]
            old += 1
        else:
            new += 1
        if benefit > highest:
            highest = benefit
            merged[_COST, kept], merged[_BENEFIT, kept], merged[_NODE, kept] = cost, benefit, node
            kept += 1
    for at in range(old, count):
        if states[_BENEFIT, at] > highest:
            highest = states[_BENEFIT, at]
            merged[:, kept] = states[:, at]
            kept += 1
    return kept


@compiled
def _as_node(states: IntArray, at: int, item: int, nodes: int, made: NDArray[np.int32]) -> int:
    """Write a changed selection down as a node; gives the number of nodes then."""
    if states[_NODE, at] >= ROOT:
        return nodes
    made[0, nodes], made[1, nodes] = -states[_NODE, at] - 3, item
    states[_NODE, at] = nodes
    return nodes + 1


@compiled
def _note_best(
    states: IntArray,
    count: int,
    item: int,
    nodes: int,
    made: NDArray[np.int32],
    found: IntArray,
) -> int:
    """Keep the best that the budget pays: the last of them, since benefit rises with cost."""
    at = int(np.searchsorted(states[_COST, :count], 1)) - 1
    if at < 0 or states[_BENEFIT, at] <= found[0]:
        return nodes
    nodes = _as_node(states, at, item, nodes, made)
    found[0], found[1] = states[_BENEFIT, at], states[_NODE, at]
    return nodes


@compiled
def _prune(
    states: IntArray,
    count: int,
    item: int,
    rates: tuple[float, float],
    nodes: int,
    made: NDArray[np.int32],
    best: int,
) -> tuple[int, int]:
    """Leave out, in place, what cannot come to more than the best; number left, and of nodes."""
    left = 0
    for at in range(count):
        if _may_improve(_bound(states[_BENEFIT, at], states[_COST, at], rates), best):
            nodes = _as_node(states, at, item, nodes, made)
            states[:, left] = states[:, at]
            left += 1
    return left, nodes
