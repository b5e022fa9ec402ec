"""Prices with which regions of the turf and limits of a layout bound it: see `layout_bound`."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linprog

from geoirrig.optimisation.integer_programme import block_groups
from geoirrig.optimisation.limits import LayoutLimits, can_be_kept, kept_among, one_each, wide
from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.optimisation.region_kernels import RegionTables, pass_prices, values_with
from geoirrig.optimisation.regions import joined_regions, region_tables
from geoirrig.physics.low_quarter import LOW_FRACTION
from geoirrig.records import IntArray
from geoirrig.units import FloatArray

_GROUPS = 600  # of cells; judgement: programmes of this size take a tenth of a second
_LEAST_WEIGHT = 0.1  # of a cell, of the mean price of water
_PASSES, _LEAST_FALL, _FEWER = 20, 0.04, 0.8
_ROUNDING = 1e-9  # of the rates
_MEAN_SLACK = 1e-5  # far above what the solver leaves of a constraint (1e-7 by default)
_SOLVED, _INFEASIBLE = 0, 2  # states as scipy names them


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedZone:
    """Choices of a zone and the linear programme of their mixtures.

    Attributes
    ----------
    choices : NozzleChoices
        Choices of every head.
    mean_mm_h : ndarray, shape (n_choices,)
        Rate of each choice, averaged over all cells.
    possible : ndarray of bool, shape (n_choices,)
        Choices that some layout with the linear limits can have.
    limit_rows, limit_most : ndarray
        The linear limits.
    group, share : ndarray
        Group of each cell, and share of the cells in each group.
    shortfall_rows, one_each_rows : sparse array
        Over the columns [choices, shortfall of each group]: less than the negative threshold in
        each group, then the limits; 1 for each head.
    """

    choices: NozzleChoices
    mean_mm_h: FloatArray
    possible: NDArray[np.bool_]
    limit_rows: FloatArray
    limit_most: FloatArray
    group: IntArray
    share: FloatArray
    shortfall_rows: Any
    one_each_rows: Any

    def kept(self, possible: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Choices, of those possible, that layouts of these can hold which keep the limits."""
        return kept_among(possible, self.choices, self.limit_rows, self.limit_most)


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What a bound is made with; any prices give one, good ones a tight one.

    Attributes
    ----------
    region : ndarray of int, shape (n_cells,)
        Region of each cell, numbered from 0.
    cell_weight : ndarray, shape (n_cells,)
        How much water on a cell matters.
    of_choice : ndarray, shape (n_regions, n_choices)
        What each region gets for a choice. [mm/h]
    of_limit : ndarray, shape (n_limits,)
        Price of each limit, ≥ 0. [mm/h]
    """

    region: IntArray
    cell_weight: FloatArray
    of_choice: FloatArray
    of_limit: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedOut:
    """What prices prove of the layouts whose lower quartile is in a range.

    Attributes
    ----------
    prices : Prices
        The prices.
    surplus_mm_h : float
        No layout has a higher LQ − aim·mean; −inf where a head has no choice left.
    possible : ndarray of bool, shape (n_choices,)
        Choices that a layout with LQ ≥ aim·mean can have.
    """

    prices: Prices
    surplus_mm_h: float
    possible: NDArray[np.bool_]


def priced_zone(choices: NozzleChoices, limits: LayoutLimits) -> PricedZone:
    """Of a zone, what all prices need; of the limits only the linear ones."""
    _, rows, most = limits.linear(choices)
    n, n_cells = len(choices.flow_lpm), len(choices.cell_row)
    group = block_groups(choices, at_most=_GROUPS)
    size = np.bincount(group)
    average = sparse.csr_array(
        (1.0 / size[group], (group, np.arange(n_cells))), shape=(len(size), n_cells)
    )
    n_columns = n + len(size)
    shortfall: Any = sparse.hstack([-(average @ choices.rate_mm_h), -sparse.eye_array(len(size))])
    return PricedZone(
        choices=choices,
        mean_mm_h=np.asarray(choices.rate_mm_h.sum(axis=0), dtype=np.float64).ravel() / n_cells,
        possible=can_be_kept(choices, limits),
        limit_rows=rows,
        limit_most=most,
        group=group,
        share=size / n_cells,
        shortfall_rows=sparse.vstack([shortfall, wide([rows], n_columns)]).tocsr(),
        one_each_rows=wide([one_each(choices, np.ones(n))], n_columns),
    )


def mean_rate_range(zone: PricedZone, goal: float) -> tuple[float, float] | None:
    """Lowest and highest mean rate of all mixtures with LQ ≥ goal·mean, in mm/h; None without any.

    The threshold t is a variable here: LQ = t − 4·Σ share·shortfall over groups of cells.
    """
    n_groups = len(zone.share)
    threshold = np.zeros((zone.shortfall_rows.shape[0] + 1, 1))
    threshold[:n_groups], threshold[-1] = 1.0, -1.0
    reaches = np.concatenate([goal * zone.mean_mm_h, zone.share / LOW_FRACTION])[np.newaxis]
    rows: Any = sparse.vstack([zone.shortfall_rows, sparse.csr_array(reaches)])
    n_heads, n_columns = zone.one_each_rows.shape
    ends = []
    for sign in (1.0, -1.0):
        found: Any = linprog(
            np.concatenate([sign * zone.mean_mm_h, np.zeros(n_groups + 1)]),
            A_ub=sparse.hstack([rows, sparse.csr_array(threshold)]),
            b_ub=np.concatenate([np.zeros(n_groups), zone.limit_most, [0.0]]),
            A_eq=wide([zone.one_each_rows], n_columns + 1),
            b_eq=np.ones(n_heads),
            bounds=[*_column_bounds(zone), (None, None)],
        )
        if found.status == _INFEASIBLE:
            return None
        if found.status != _SOLVED:  # nothing is known
            return 0.0, np.inf
        ends.append(sign * float(found.fun))
    return ends[0] * (1.0 - _MEAN_SLACK), ends[1] * (1.0 + _MEAN_SLACK)


def first_prices(zone: PricedZone, region: IntArray, *, threshold: float, aim: float) -> Prices:
    """Prices of the linear programme: mixtures of choices, groups of cells, a fixed threshold.

    Its bound, that of the programme or better, is where `improved_prices` begins. The highest
    LQ − aim·mean is looked for; the threshold is in mm/h.
    """
    n_groups = len(zone.share)
    found: Any = linprog(
        np.concatenate([aim * zone.mean_mm_h, zone.share / LOW_FRACTION]),
        A_ub=zone.shortfall_rows,
        b_ub=np.concatenate([np.full(n_groups, -threshold), zone.limit_most]),
        A_eq=zone.one_each_rows,
        b_eq=np.ones(zone.one_each_rows.shape[0]),
        bounds=_column_bounds(zone),
    )
    cell_price, of_limit = np.zeros(len(region)), np.zeros(len(zone.limit_most))
    if found.status == _SOLVED:  # else prices of 0 do, though badly
        group_price = np.maximum(0.0, -found.ineqlin.marginals)
        cell_price = (group_price[:n_groups] / np.bincount(zone.group))[zone.group]
        of_limit = group_price[n_groups:]
    in_region = sparse.csr_array(
        (cell_price, (region, np.arange(len(region)))), shape=(int(region.max()) + 1, len(region))
    )
    weight = cell_price + max(_LEAST_WEIGHT * float(cell_price.mean()), 1e-12)
    return Prices(
        region=region,
        cell_weight=weight / weight.mean(),
        of_choice=-(in_region @ zone.choices.rate_mm_h).toarray(),
        of_limit=of_limit,
    )


def _column_bounds(zone: PricedZone) -> list[tuple[float, float | None]]:
    return [(0.0, float(one)) for one in zone.possible] + [(0.0, None)] * len(zone.share)


def joined_prices(
    zone: PricedZone, prices: Prices, possible: NDArray[np.bool_], *, most_entries: float
) -> Prices:
    """The same, with regions joined where few choices are possible; the bound does not rise."""
    into = joined_regions(zone.choices, prices.region, possible, most_entries=most_entries)
    of_choice = np.zeros((int(into.max()) + 1, prices.of_choice.shape[1]))
    np.add.at(of_choice, into, prices.of_choice)
    return replace(prices, region=into[prices.region], of_choice=of_choice)


def improved_prices(
    zone: PricedZone,
    prices: Prices,
    possible: NDArray[np.bool_],
    *,
    quartile_mm_h: tuple[float, float],
    aim: float,
    most_entries: float,
    until: float,
) -> PricedOut:
    """Pass prices between the regions while that lowers the bound or until choices are ruled out.

    Parameters
    ----------
    zone, prices
        The zone and the prices to begin with.
    possible : ndarray of bool, shape (n_choices,)
        Choices that are looked at, at least one for each head.
    quartile_mm_h : tuple of float
        Range of the lower quartile of the layouts that are bounded.
    aim : float
        Uniformity that the layouts have at least. [1]
    most_entries : float
        Most entries of a region's table.
    until : float
        Value of `time.monotonic` at which to stop.
    """
    first = zone.choices.first.astype(np.int64)
    of_choice, of_limit = prices.of_choice.copy(), prices.of_limit.copy()
    tables = region_tables(
        zone.choices,
        prices.region,
        possible,
        prices.cell_weight,
        thresholds=quartile_mm_h,
        most_entries=most_entries,
    )
    _forget_lost_members(tables, zone.choices, of_choice)
    own = -aim * zone.mean_mm_h - of_limit @ zone.limit_rows - of_choice.sum(axis=0)
    own[~possible] = -np.inf
    rounding = _ROUNDING * quartile_mm_h[1]
    with_choice = np.empty(len(own))
    still, surplus = possible, [np.inf]
    while True:
        rest = quartile_mm_h[1] + float(of_limit @ zone.limit_most) + rounding
        surplus.append(rest + values_with(tables, first, own, of_choice, with_choice))
        still = still & (with_choice + rest >= 0.0)
        fewer = np.count_nonzero(still) <= _FEWER * np.count_nonzero(possible)
        slow = len(surplus) > 3 and surplus[-3] - surplus[-1] < _LEAST_FALL * abs(surplus[-1])
        if surplus[-1] < 0.0 or fewer or slow or time.monotonic() > until:
            break
        pass_prices(_PASSES, tables, first, own, of_choice)
        _reprice_limits(zone, first, own, of_limit)
    none_left = not np.all(np.logical_or.reduceat(still, first[:-1]))
    return PricedOut(
        prices=replace(prices, of_choice=of_choice, of_limit=of_limit),
        surplus_mm_h=-np.inf if none_left else min(surplus),
        possible=still,
    )


def _forget_lost_members(
    tables: RegionTables, choices: NozzleChoices, of_choice: FloatArray
) -> None:
    """A head that no longer matters in a region has no price there."""
    n_regions, n_heads = len(tables.first_lane), len(choices.first) - 1
    is_member = np.zeros((n_regions, n_heads), dtype=bool)
    region = np.repeat(np.arange(n_regions), np.diff(tables.member_start))
    is_member[region, tables.head] = True
    of_choice[~is_member[:, choices.head]] = 0.0


def _reprice_limits(
    zone: PricedZone, first: IntArray, own: FloatArray, of_limit: FloatArray
) -> None:
    """Best price of each limit in turn, all else kept; own values and prices are overwritten."""

    def total(limit: int, more: float) -> float:
        values = np.maximum.reduceat(own - more * zone.limit_rows[limit], first[:-1])
        return float(values.sum() + more * zone.limit_most[limit])

    for limit in range(len(of_limit)):
        low, high = -of_limit[limit], max(1.0, of_limit[limit])
        for _ in range(40):  # a third is cut off each time: the total is convex
            third = (high - low) / 3.0
            if total(limit, low + third) <= total(limit, high - third):
                high -= third
            else:
                low += third
        more = 0.5 * (low + high)
        if total(limit, more) < total(limit, 0.0):
            own -= more * zone.limit_rows[limit]
            of_limit[limit] = max(0.0, of_limit[limit] + more)
