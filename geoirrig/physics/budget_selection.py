"""Which parcels a budget funds: the selection with the most benefit, and the list from the top."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.physics.budget_selection_kernels import (
    BOUND_ACCURACY,
    NOT_FOUND,
    fund_down_the_list,
    search_around_margin,
)
from geoirrig.units import FloatArray

# The rules, as an applicant hears them.
FUNDING_RULES: Mapping[str, str] = {
    "exact": (
        "The budget goes to those eligible parcels that together give the most benefit it can pay "
        "for. Each is funded in full or not at all. Of parcels with equal benefit the cheaper come "
        "first, and at equal cost those that stand first. No parcel is refused while another is "
        "funded that gives no more benefit for more money."
    ),
    "in_order": (
        "The budget goes down the list of eligible parcels in order of rank. Each is funded in "
        "full; one that what is left cannot pay is passed over, and the next is tried."
    ),
    "until_spent": (
        "The budget goes down the list of eligible parcels in order of rank and ends at the first "
        "that what is left cannot pay."
    ),
}

MONEY_STEP = 0.01  # a cent
BENEFIT_STEP = 0.001  # a litre, where the benefit is in m³
# Sums stay below this, where whole numbers are exact in floating point too.
_MOST_STEPS = 2**52
# The search keeps at most so many selections at once (48 MB), traces so many back to where they
# came from (128 MB), and handles so many in all: a few seconds of work, counted in selections so
# that it ends alike on every machine. Real parcels need a thousandth of it.
_MOST_SELECTIONS = 500_000
_MOST_NODES = 16_000_000
_MOST_HANDLED = 150_000_000
# A cost that is whole cents but for rounding is not rounded up to the next cent.
_CENT_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class FundedSelection:
    """Which parcels are funded, and how good that is.

    Attributes
    ----------
    is_funded : ndarray of bool, shape (n,)
    benefit : float
        Of all funded together. [the unit of the benefits]
    spent : float
        Cost of all funded together, never above the budget. [money]
    benefit_bound : float
        No selection that the budget pays gives more. [the unit of the benefits]
    is_best : bool
        Whether it is proven that no selection gives more, counted in whole ``benefit_step``.
    benefit_step : float
        The benefit of each parcel counts in whole numbers of this. [the unit of the benefits]
    """

    is_funded: NDArray[np.bool_]
    benefit: float
    spent: float
    benefit_bound: float
    is_best: bool
    benefit_step: float

    @property
    def gap(self) -> float:
        """Share of the benefit by which a better selection might exceed it; 0 if there is none."""
        if self.is_best:
            return 0.0
        return (self.benefit_bound - self.benefit) / self.benefit if self.benefit else math.inf


def select_within_budget(
    benefit: ArrayLike,
    cost: ArrayLike,
    budget: float,
    *,
    money_step: float = MONEY_STEP,
    benefit_step: float = BENEFIT_STEP,
    most_handled: int = _MOST_HANDLED,
) -> FundedSelection:
    """Selection of parcels with the most benefit that a budget can pay, exactly.

    Parameters
    ----------
    benefit : array_like, shape (n,)
        What funding a parcel gives: water saved, or money. Where it is not above 0, or NaN, the
        parcel is not funded. [any unit]
    cost : array_like, shape (n,)
        What funding it takes from the budget, ≥ 0; NaN is not funded. Parcels stand in the order in
        which ties are settled, such as that of their ids. [money]
    budget : float
        ≥ 0, may be infinite. [money]
    money_step : float
        Costs are rounded up, and the budget down, to whole numbers of it. [money]
    benefit_step : float
        Benefits are rounded to whole numbers of it; ten, a hundred … times it where their sum
        would exceed 2⁵² of it. [the unit of the benefits]
    most_handled : int
        Work after which the search ends without a proof. [1]

    Returns
    -------
    FundedSelection
        The same for the same input on every machine. Without a proof, the best selection found,
        with the bound.

    Notes
    -----
    The 0/1 knapsack problem. Parcels are sorted by benefit per cost; going down that list until the
    first that does not fit is best but for the margin (Dantzig 1957). A parcel whose being changed
    cannot lead to more than the best known, by the bound with parts of parcels allowed, keeps its
    place (Dembo and Hammer 1980). The rest, few even of 100,000, are settled by dynamic programming
    outwards from the margin (after Pisinger 1997), in whole numbers throughout. References from
    memory.

    A list in order of benefit per cost loses at most the benefit of one parcel against the best. It
    matters where parcels are few or a few of them take much of the budget.

    References
    ----------
    .. [1] Dantzig, G. B., 1957. Discrete-variable extremum problems. Operations Research 5.
    .. [2] Dembo, R. S. and Hammer, P. L., 1980. A reduction algorithm for knapsack problems.
       Methods of Operations Research 36.
    .. [3] Pisinger, D., 1997. A minimal algorithm for the 0-1 knapsack problem. Operations
       Research 45.

    Examples
    --------
    >>> selection = select_within_budget([10.0, 9.0, 9.0], [51.0, 50.0, 50.0], 100.0)
    >>> selection.is_funded.tolist(), selection.benefit  # the best per cost would leave 49
    ([False, True, True], 18.0)
    """
    gain, price = _float_arrays(benefit, cost)
    step = _step_that_fits(gain, benefit_step)
    whole_gain = np.rint(np.where(gain > 0.0, gain, 0.0) / step).astype(np.int64)
    whole_price, whole_budget = _whole_money(price, budget, money_step)
    is_candidate = (whole_gain > 0) & (whole_price <= whole_budget)
    rows = np.flatnonzero(is_candidate)
    is_chosen, bound = _best_selection(
        whole_gain[rows], whole_price[rows], whole_budget, most_handled
    )
    is_chosen = _cheapest_of_equals(whole_gain[rows], whole_price[rows], is_chosen)
    # What that saved may pay for more, but not where the selection was the best.
    left = whole_budget - int(np.sum(whole_price[rows][is_chosen]))
    fund_down_the_list(whole_price[rows], left, True, is_chosen)
    is_funded = np.zeros(gain.shape, dtype=bool)
    is_funded[rows[is_chosen]] = True
    reached = int(np.sum(whole_gain[rows][is_chosen]))
    total = math.fsum(gain[is_funded])
    return FundedSelection(
        is_funded=is_funded,
        benefit=total,
        spent=math.fsum(price[is_funded]),
        benefit_bound=max(bound * step, total),
        is_best=reached >= bound,
        benefit_step=step,
    )


def fund_in_order(
    cost: ArrayLike,
    budget: float,
    *,
    passes_over: bool = True,
    money_step: float = MONEY_STEP,
) -> NDArray[np.bool_]:
    """Fund parcels from the first of a list on, as long as the budget pays.

    Parameters
    ----------
    cost : array_like, shape (n,)
        In the order of the list, ≥ 0; NaN is never funded. [money]
    budget : float
        ≥ 0, may be infinite. [money]
    passes_over : bool
        Whether a parcel that what is left cannot pay is passed over; else it ends the list.
    money_step : float
        As in `select_within_budget`. [money]

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> fund_in_order([60.0, 60.0, 40.0], 100.0).tolist()
    [True, False, True]
    >>> fund_in_order([60.0, 60.0, 40.0], 100.0, passes_over=False).tolist()
    [True, False, False]
    """
    (price,) = _float_arrays(cost)
    whole_price, whole_budget = _whole_money(price, budget, money_step)
    is_funded = np.zeros(price.shape, dtype=bool)
    fund_down_the_list(whole_price, whole_budget, passes_over, is_funded)
    return is_funded


def _step_that_fits(gain: FloatArray, step: float) -> float:
    total = float(np.sum(np.where(gain > 0.0, gain, 0.0)))
    while total / step > _MOST_STEPS:
        step *= 10.0
    return step


def _whole_money(
    price: FloatArray, budget: float, money_step: float
) -> tuple[NDArray[np.int64], int]:
    """Costs rounded up, and the budget down; a cost that is not known is above any budget."""
    steps = np.ceil(price / money_step - _CENT_TOLERANCE)
    total = float(np.sum(steps[np.isfinite(steps)]))
    allowed = math.floor(min(budget / money_step + _CENT_TOLERANCE, total, _MOST_STEPS))
    is_payable = steps <= allowed
    return np.where(is_payable, steps, allowed + 1.0).astype(np.int64), allowed


def _best_selection(
    gain: NDArray[np.int64], price: NDArray[np.int64], budget: int, most_handled: int
) -> tuple[NDArray[np.bool_], int]:
    """The best selection of parcels with a gain, and the most that any can come to."""
    total = int(np.sum(gain))
    if int(np.sum(price)) <= budget:
        return np.ones(gain.shape, dtype=bool), total
    is_chosen = price == 0
    free = int(np.sum(gain[is_chosen]))
    paid = np.flatnonzero(~is_chosen)
    order = paid[np.argsort(-(gain[paid] / price[paid]), kind="stable")]
    # In coarser whole numbers, where there are such, the bounds bind sooner.
    gain_unit, price_unit = np.gcd.reduce(gain[order]), np.gcd.reduce(price[order])
    chosen, bound = _best_of_sorted(
        gain[order] // gain_unit, price[order] // price_unit, budget // price_unit, most_handled
    )
    is_chosen[order[chosen]] = True
    return is_chosen, free + int(gain_unit) * bound


def _best_of_sorted(
    gain: NDArray[np.int64], price: NDArray[np.int64], budget: int, most_handled: int
) -> tuple[NDArray[np.bool_], int]:
    """The same of parcels that all cost something, by falling gain per price."""
    margin = int(np.searchsorted(np.cumsum(price), budget, side="right"))
    is_chosen = np.arange(gain.size) < margin
    gained, left = int(np.sum(gain[:margin])), budget - int(np.sum(price[:margin]))
    is_filled = is_chosen.copy()
    fund_down_the_list(price, left, True, is_filled)
    known = int(np.sum(gain[is_filled]))
    rate = gain[margin] / price[margin]
    highest = gained + left * rate
    flip_bound = highest - np.abs(gain - rate * price)
    core = np.flatnonzero(flip_bound >= known + 1.0 - BOUND_ACCURACY * (known + 1.0))
    made = np.empty((2, _MOST_NODES if core.size else 0), dtype=np.int32)
    found = np.empty(2, dtype=np.int64)
    start = np.array([np.count_nonzero(core < margin), gained, -left, known], dtype=np.int64)
    limits = np.array([_MOST_SELECTIONS, most_handled], dtype=np.int64)
    bound = search_around_margin(
        gain[core], price[core], flip_bound[core], start, limits, made, found
    )
    if found[1] == NOT_FOUND:
        is_chosen = is_filled
    node = int(found[1])
    while node >= 0:
        item = core[made[1, node]]
        is_chosen[item] = not is_chosen[item]
        node = int(made[0, node])
    return is_chosen, math.floor(bound * (1.0 + BOUND_ACCURACY))


def _cheapest_of_equals(
    gain: NDArray[np.int64], price: NDArray[np.int64], is_chosen: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """As many of each gain as were chosen, but the cheapest, and of equal price the first."""
    order = np.lexsort((price, gain))  # stable: at equal price the rows keep their order
    by_gain = gain[order]
    _, first, size = np.unique(by_gain, return_index=True, return_counts=True)
    wanted = np.add.reduceat(is_chosen[order].astype(np.int64), first) if order.size else size
    place = np.arange(order.size) - np.repeat(first, size)
    result = np.empty_like(is_chosen)
    result[order] = place < np.repeat(wanted, size)
    return result


def _float_arrays(*values: ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)
