"""The even layout as a linear and as a mixed-integer programme: what bounds come from.

A layout is x, 0 or 1 for every choice, adding up to 1 over the choices of each head; depths are
linear in x. With the facts of `geoirrig.physics.low_quarter`, cells grouped and every uniformity
taken over the groups, both programmes bound the uniformity of the cells from above:

- **relaxed**, x between 0 and 1: the ratio of the low-quarter mean to the mean becomes a linear
  programme in y = s·x with s chosen so that the mean is 1 (Charnes and Cooper [1]_);
- **exact choices**: is there a layout whose low-quarter mean reaches θ times its mean? Prices of
  good layouts, made of single cells, hold the low-quarter mean down where the groups are too kind.

References
----------
.. [1] Charnes, A. and Cooper, W. W., 1962. Programming with linear fractional functionals. Naval
   Research Logistics Quarterly 9, 181-186 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from geoirrig.optimisation.limits import (
    LayoutLimits,
    can_be_kept,
    limit_rows_of,
    one_each,
    wide,
    zeros,
)
from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.physics.low_quarter import LOW_FRACTION, low_quarter_prices
from geoirrig.records import IntArray
from geoirrig.units import FloatArray

# Of a bound: ten times what the solver may leave of a constraint (1e-7, its documented default).
BOUND_SLACK = 1e-6
_SOLVED, _TIME_OUT, _INFEASIBLE = 0, 1, 2  # states as scipy names them
_OBJECTIVE_GAP = 0.5  # relative: a layout that reaches the target is wanted soon, not the best one


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaxedLayout:
    """A bound on the uniformity of every layout, and the mixture of choices that reaches it.

    Both are None where not even a mixture keeps the limits. Where the solver gives up, the bound is
    1, that of every layout, and there is no mixture.
    """

    bound: float | None
    mixture: FloatArray | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutAbove:
    """Answer to the question for a layout that reaches a uniformity.

    Attributes
    ----------
    layout : ndarray of int or None
        A choice of each head that reaches it as far as groups and prices can tell.
    bound : float or None
        No layout is above it; None where time ran out before anything was proven.
    """

    layout: IntArray | None
    bound: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """Matrices that the programmes share; rates are over a typical mean rate.

    Limits are over the columns [choices, lowest own rate, highest own rate].
    """

    one_each: Any  # (n_heads, n_choices)
    group_rate: Any  # (n_groups, n_choices)
    share: FloatArray  # (n_groups,), of the cells
    mean: FloatArray  # (n_choices,)
    limit_rows: Any
    limit_most: FloatArray


def block_groups(choices: NozzleChoices, *, at_most: int) -> IntArray:
    """Group of each cell: square blocks, the smallest that make no more groups than wanted."""
    side, n_groups = 0, at_most + 1
    group: IntArray = np.zeros(len(choices.cell_row), dtype=np.int64)
    while n_groups > at_most:
        side += 1
        row, col = choices.cell_row // side, choices.cell_col // side
        found, group = np.unique(row * (int(col.max(initial=0)) + 1) + col, return_inverse=True)
        n_groups = len(found)
    return group


def relaxed_layout(choices: NozzleChoices, limits: LayoutLimits, group: IntArray) -> RelaxedLayout:
    """Highest uniformity of any mixture of the choices: a bound on that of every layout.

    Parameters
    ----------
    choices : NozzleChoices
        At least one scored cell that a choice wets.
    limits : LayoutLimits
        That on dry cells is not used; the bound holds without it too.
    group : ndarray of int, shape (n_cells,)
        Group of each cell, numbered from 0; each cell by itself gives the tightest bound.
    """
    parts = _parts(choices, limits, group)
    n, n_groups = len(parts.mean), len(parts.share)
    scale, threshold = (
        n + 2,
        n + 3,
    )  # columns: choices, lowest, highest, scale, threshold, shortfall
    n_columns = n + 4 + n_groups
    cost = np.zeros(n_columns)
    cost[threshold], cost[threshold + 1 :] = -1.0, parts.share / LOW_FRACTION
    at_most = sparse.vstack(
        [
            wide([parts.limit_rows, -parts.limit_most[:, np.newaxis]], n_columns),
            _shortfall_rows(parts, n_columns, threshold),
        ]
    )
    n_heads = parts.one_each.shape[0]
    equal = sparse.vstack(
        [
            wide([parts.one_each, zeros(n_heads, 2), -np.ones((n_heads, 1))], n_columns),
            wide([parts.mean[np.newaxis]], n_columns),
        ]
    )
    wanted = np.append(np.zeros(n_heads), 1.0)
    lowest = np.zeros(n_columns)
    lowest[threshold] = -np.inf
    found: Any = milp(
        cost,
        constraints=[
            LinearConstraint(at_most, -np.inf, 0.0),
            LinearConstraint(equal, wanted, wanted),
        ],
        bounds=Bounds(lowest, np.inf),
    )
    if found.status == _INFEASIBLE:
        return RelaxedLayout(bound=None, mixture=None)
    if found.status != _SOLVED:  # it happens near limits that nothing can keep; nothing is proven
        return RelaxedLayout(bound=1.0, mixture=None)
    return RelaxedLayout(
        bound=min(1.0, -float(found.fun) + BOUND_SLACK), mixture=found.x[:n] / found.x[scale]
    )


def layout_above(
    choices: NozzleChoices,
    limits: LayoutLimits,
    group: IntArray,
    *,
    target: float,
    priced: Sequence[IntArray],
    seconds: float,
) -> LayoutAbove:
    """A layout whose uniformity may reach a target, or the proof that there is none.

    Parameters
    ----------
    choices, limits, group
        As for `relaxed_layout`.
    target : float
        Uniformity to reach. [1]
    priced : sequence of ndarray
        Layouts whose prices are used; the more of the good ones, the fewer false answers.
    seconds : float
        Time to take at most.
    """
    parts = _parts(choices, limits, group)
    n, n_groups = len(parts.mean), len(parts.share)
    threshold = n + 2  # columns: choices, lowest, highest, threshold, shortfalls, low-quarter mean
    n_columns = n + 4 + n_groups
    scale = _typical_rate(choices)
    prices = np.array([low_quarter_prices(choices.rates(layout)) for layout in priced])
    price_rows = np.zeros((len(priced), n_columns))
    if len(priced):
        price_rows[:, :n] = -(prices @ choices.rate_mm_h) / scale
    price_rows[:, -1] = 1.0
    own = np.zeros((2, n_columns))
    own[0, -1], own[0, threshold] = 1.0, -1.0
    own[0, threshold + 1 : -1] = parts.share / LOW_FRACTION
    own[1, :n], own[1, -1] = target * parts.mean, -1.0  # no surplus below 0 is of interest
    rows = sparse.vstack(
        [
            wide([parts.limit_rows], n_columns),
            _shortfall_rows(parts, n_columns, threshold),
            sparse.csr_array(price_rows),
            sparse.csr_array(own),
        ]
    )
    most = np.zeros(rows.shape[0])
    most[: len(parts.limit_most)] = parts.limit_most
    lowest, highest = np.zeros(n_columns), np.full(n_columns, np.inf)
    lowest[threshold] = lowest[-1] = -np.inf
    highest[:n] = can_be_kept(choices, limits)
    constraints = [
        LinearConstraint(wide([parts.one_each], n_columns), 1.0, 1.0),
        LinearConstraint(rows, -np.inf, most),
    ]
    is_whole = (np.arange(n_columns) < n).astype(np.int64)
    found: Any = milp(
        own[1],
        constraints=constraints,
        integrality=is_whole,
        bounds=Bounds(lowest, highest),
        options={"time_limit": max(seconds, 0.1), "mip_rel_gap": _OBJECTIVE_GAP},
    )
    if found.status == _INFEASIBLE:
        return LayoutAbove(layout=None, bound=target + BOUND_SLACK)
    if found.status not in (_SOLVED, _TIME_OUT):
        return LayoutAbove(layout=None, bound=None)
    bound = None
    if found.mip_dual_bound is not None and np.isfinite(found.mip_dual_bound):
        # LQ − θ·mean ≤ surplus for every layout that reaches θ, so that LQ/mean ≤ θ + surplus/mean
        leanest: Any = milp(
            np.concatenate([parts.mean, np.zeros(n_columns - n)]),
            constraints=constraints,
            bounds=Bounds(lowest, highest),
        )
        if leanest.status == _SOLVED and leanest.fun > 0.0:
            bound = target - found.mip_dual_bound / leanest.fun + BOUND_SLACK
    layout = None
    if found.x is not None:
        layout = choices.first[:-1] + np.array(
            [
                np.argmax(found.x[start:stop])
                for start, stop in zip(choices.first[:-1], choices.first[1:], strict=True)
            ],
            dtype=np.int64,
        )
    return LayoutAbove(layout=layout, bound=bound)


def _typical_rate(choices: NozzleChoices) -> float:
    """Of the order of the mean rate of a layout, > 0."""
    total = choices.rate_mm_h.sum(axis=0)
    largest = sum(
        np.max(total[a:b]) for a, b in zip(choices.first, choices.first[1:], strict=False)
    )
    return max(float(largest) / max(1, choices.rate_mm_h.shape[0]), 1e-9)


def _parts(choices: NozzleChoices, limits: LayoutLimits, group: IntArray) -> _Parts:
    n, n_cells = len(choices.flow_lpm), len(group)
    size = np.bincount(group)
    mean_of_group = sparse.csr_array(
        (1.0 / size[group], (group, np.arange(n_cells))), shape=(len(size), n_cells)
    )
    group_rate = (mean_of_group @ choices.rate_mm_h / _typical_rate(choices)).tocsr()
    share = size / n_cells
    rows, most = limit_rows_of(choices, limits)
    return _Parts(
        one_each=one_each(choices, np.ones(n)),
        group_rate=group_rate,
        share=share,
        mean=np.asarray(share @ group_rate, dtype=np.float64),
        limit_rows=rows,
        limit_most=most,
    )


def _shortfall_rows(parts: _Parts, n_columns: int, threshold: int) -> Any:
    """Rows: threshold − rate − shortfall ≤ 0 for each group; shortfalls follow the threshold."""
    n_groups, n = parts.group_rate.shape
    return wide(
        [
            -parts.group_rate,
            zeros(n_groups, threshold - n),
            np.ones((n_groups, 1)),
            -sparse.eye_array(n_groups),
        ],
        n_columns,
    )
