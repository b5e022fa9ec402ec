"""Which parcels a budget funds."""

from __future__ import annotations

import itertools
import math
import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from geoirrig.physics.budget_selection import (
    FUNDING_RULES,
    FundedSelection,
    fund_in_order,
    select_within_budget,
)

Array = np.ndarray[Any, Any]


def best_of_all(benefit: Array, cost: Array, budget: float) -> float:
    """Benefit of the best of all selections, each of which is looked at."""
    chosen = np.array(list(itertools.product((0.0, 1.0), repeat=len(benefit))))
    return float(np.max((chosen @ np.maximum(benefit, 0.0))[chosen @ cost <= budget + 1e-9]))


def best_by_milp(benefit: Array, cost: Array, budget: float) -> float:
    """The same by the mixed-integer solver of SciPy."""
    result = milp(
        -benefit,
        integrality=np.ones(benefit.size),
        bounds=Bounds(0.0, 1.0),
        constraints=LinearConstraint(cost[np.newaxis], ub=budget),
        options={"mip_rel_gap": 0.0},
    )
    assert result.status == 0
    chosen = result.x > 0.5
    assert np.sum(cost[chosen]) <= budget + 1e-9  # it allows a tolerance, which must not be used
    return float(np.sum(benefit[chosen]))


def parcels(n: int, kind: str, seed: int) -> tuple[Array, Array]:
    """Water saved, m³/yr, and rebate of made-up parcels."""
    rng = np.random.default_rng(seed)
    heads = rng.integers(5, 80, n)
    noise = rng.lognormal(0.0, 0.5, n)
    if kind == "per_head_capped":
        return heads * 9.08 * noise, np.minimum(4.0 * heads, 200.0)
    if kind == "share_of_cost":
        return heads * 9.08 * noise, np.round(0.5 * heads * rng.uniform(6.0, 14.0, n), 2)
    if kind == "nearly_alike":
        return heads * 9.08 * rng.lognormal(0.0, 0.001, n), np.round(heads * 4.37, 2)
    if kind == "proportional":
        return heads * 9.0, heads * 4.0
    return np.ones(n), np.round(heads * rng.uniform(3.0, 8.0, n), 2)  # as many as possible


KINDS = ("per_head_capped", "share_of_cost", "nearly_alike", "proportional", "count")

problems = st.integers(0, 11).flatmap(
    lambda n: st.tuples(
        st.lists(st.integers(-5, 60), min_size=n, max_size=n),
        st.lists(st.integers(0, 4000), min_size=n, max_size=n),
        st.integers(0, 12_000),
    )
)


# --- hand-worked


def test_select_takes_what_is_best_together() -> None:
    # The first gives most for its money, but leaves 49 of 100 unused.
    selection = select_within_budget([10.0, 9.0, 9.0], [51.0, 50.0, 50.0], 100.0)
    assert selection.is_funded.tolist() == [False, True, True]
    assert (selection.benefit, selection.spent) == (18.0, 100.0)
    assert selection.is_best
    assert selection.gap == 0.0


def test_order_of_benefit_per_cost_can_miss_half() -> None:
    benefit, cost = [2.0, 100.0], [1.0, 100.0]
    assert fund_in_order(cost, 100.0).tolist() == [True, False]
    assert select_within_budget(benefit, cost, 100.0).is_funded.tolist() == [False, True]


def test_rest_of_the_budget_goes_on_down_the_list_or_not() -> None:
    cost = [60.0, 60.0, 40.0]
    assert fund_in_order(cost, 100.0).tolist() == [True, False, True]
    assert fund_in_order(cost, 100.0, passes_over=False).tolist() == [True, False, False]
    assert fund_in_order([math.nan, 10.0], 100.0).tolist() == [False, True]
    assert fund_in_order(cost, math.inf).tolist() == [True, True, True]


def test_rules_are_worded_as_the_docs_word_them() -> None:
    page = Path(__file__).parents[2] / "docs" / "explanation" / "programme_economics.md"
    rows = re.findall(r"^\| `(\w+)` \| (.+) \|$", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert rows == list(FUNDING_RULES.items())


# --- against all selections, and against SciPy


@given(problem=problems)
@settings(max_examples=200, deadline=None)
def test_select_equals_the_best_of_all_selections(
    problem: tuple[list[int], list[int], int],
) -> None:
    benefit, cost = np.array(problem[0], dtype=float), np.array(problem[1]) / 100.0
    budget = problem[2] / 100.0
    selection = select_within_budget(benefit, cost, budget)
    assert selection.is_best
    assert selection.benefit == best_of_all(benefit, cost, budget) == selection.benefit_bound


@pytest.mark.parametrize("seed", range(4))
def test_select_equals_the_best_of_fifteen_parcels(seed: int) -> None:
    benefit, cost = parcels(15, "share_of_cost", seed)
    benefit = np.round(benefit, 3)
    budget = 0.4 * float(np.sum(cost))
    selection = select_within_budget(benefit, cost, budget)
    assert selection.benefit == pytest.approx(best_of_all(benefit, cost, budget), rel=1e-12)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("n", [50, 120, 300])
def test_select_equals_milp(n: int, kind: str) -> None:
    benefit, cost = parcels(n, kind, seed=n)
    benefit = np.round(benefit, 3)
    for share in (0.1, 0.5):
        budget = round(share * float(np.sum(cost)), 2)
        selection = select_within_budget(benefit, cost, budget)
        assert selection.is_best
        assert selection.benefit == pytest.approx(best_by_milp(benefit, cost, budget), rel=1e-9)


# --- properties


def check_fair(selection: FundedSelection, benefit: Array, cost: Array, budget: float) -> None:
    funded = selection.is_funded
    assert selection.spent <= budget + 1e-9
    assert selection.spent == pytest.approx(float(np.sum(cost[funded])))
    assert np.all(benefit[funded] > 0.0)
    refused = np.flatnonzero(~funded & (benefit > 0.0))
    left = budget - selection.spent
    assert np.all(cost[refused] > left - 1e-9)  # nothing more could be paid
    for parcel in refused:
        outdone = funded & (benefit <= benefit[parcel]) & (cost > cost[parcel])
        assert not outdone.any()
        earlier = np.flatnonzero((benefit == benefit[parcel]) & (cost == cost[parcel]) & funded)
        assert np.all(earlier < parcel)


@given(problem=problems)
@settings(max_examples=100, deadline=None)
def test_no_parcel_is_refused_for_a_dearer_one_that_gives_no_more(
    problem: tuple[list[int], list[int], int],
) -> None:
    benefit, cost = np.array(problem[0], dtype=float), np.array(problem[1]) / 100.0
    budget = problem[2] / 100.0
    check_fair(select_within_budget(benefit, cost, budget), benefit, cost, budget)


@pytest.mark.parametrize("kind", KINDS)
def test_selection_of_a_thousand_is_fair(kind: str) -> None:
    benefit, cost = parcels(1000, kind, seed=3)
    benefit = np.round(benefit, 3)
    check_fair(select_within_budget(benefit, cost, 9_999.99), benefit, cost, 9_999.99)


def test_a_larger_budget_never_gives_less() -> None:
    benefit, cost = parcels(200, "share_of_cost", seed=1)
    reached = [select_within_budget(benefit, cost, budget).benefit for budget in range(0, 9000, 90)]
    assert np.all(np.diff(reached) >= -0.2)  # 200 parcels, each rounded to a litre


def test_list_by_benefit_per_cost_is_within_one_parcel_of_the_best() -> None:
    benefit, cost = parcels(2000, "share_of_cost", seed=5)
    order = np.argsort(-benefit / cost)
    down = float(np.sum(benefit[order][fund_in_order(cost[order], 20_000.0)]))
    best = select_within_budget(benefit, cost, 20_000.0).benefit
    assert best - np.max(benefit) <= down <= best


def test_same_parcels_same_selection() -> None:
    benefit, cost = parcels(3000, "per_head_capped", seed=2)
    first = select_within_budget(benefit, cost, 50_000.0)
    again = select_within_budget(benefit.copy(), cost.copy(), 50_000.0)
    np.testing.assert_array_equal(first.is_funded, again.is_funded)


# --- edges


def test_of_equals_the_first_are_funded() -> None:
    selection = select_within_budget([5.0] * 4, [10.0] * 4, 25.0)
    assert selection.is_funded.tolist() == [True, True, False, False]
    cheaper = select_within_budget([5.0] * 3, [10.0, 10.0, 9.99], 10.0)
    assert cheaper.is_funded.tolist() == [False, False, True]


def test_what_costs_nothing_is_funded_and_what_gives_nothing_is_not() -> None:
    benefit, cost = [3.0, 0.0, -1.0, math.nan, 4.0], [0.0, 0.0, 0.0, 1.0, math.nan]
    for budget in (0.0, 100.0, math.inf):
        selection = select_within_budget(benefit, cost, budget)
        assert selection.is_funded.tolist() == [True, False, False, False, False]
        assert selection.is_best


def test_budget_that_pays_all_or_none() -> None:
    benefit, cost = parcels(40, "share_of_cost", seed=8)
    assert select_within_budget(benefit, cost, math.inf).is_funded.all()
    assert select_within_budget(benefit, cost, float(np.sum(cost))).is_funded.all()
    none = select_within_budget(benefit, cost, float(np.min(cost)) - 0.01)
    assert not none.is_funded.any()
    assert (none.benefit, none.spent, none.gap) == (0.0, 0.0, 0.0)


def test_no_parcels() -> None:
    selection = select_within_budget([], [], 100.0)
    assert selection.is_funded.shape == (0,)
    assert selection.is_best


def test_cents_do_not_add_up_to_more_than_the_budget() -> None:
    # 0.1 + 0.2 exceeds 0.3 in floating point; in cents it does not
    assert select_within_budget([1.0, 1.0], [0.1, 0.2], 0.3).is_funded.all()
    # parts of a cent are rounded up: 3 × 0.334 is above 1.00, and so are 3 × 0.34
    assert select_within_budget([1.0] * 3, [0.334] * 3, 1.0).is_funded.sum() == 2


def test_amounts_too_large_for_litres_are_counted_more_coarsely() -> None:
    selection = select_within_budget([3e13, 2e13, 2e13], [3.0, 2.0, 2.0], 4.0)
    assert selection.is_funded.tolist() == [False, True, True]
    assert selection.benefit_step == 0.1


def test_search_cut_short_tells_the_gap() -> None:
    # benefit is cost and a constant: the hardest kind
    rng = np.random.default_rng(1)
    cost = np.round(rng.uniform(20.0, 20_000.0, 300), 2)
    benefit, budget = cost + 2000.0, 0.37 * float(np.sum(cost))
    selection = select_within_budget(benefit, cost, budget, most_handled=2000)
    assert not selection.is_best
    assert selection.spent <= budget
    assert 0.0 < selection.gap < 0.01
    assert selection.benefit_bound > selection.benefit


def test_selections_given_up_still_leave_a_true_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """With room for a few selections only, the answer is bounded, and the bound holds."""
    from geoirrig.physics import budget_selection

    benefit, cost = parcels(60, "count", seed=4)
    benefit = cost + 100.0
    budget = round(0.4 * float(np.sum(cost)), 2)
    best = select_within_budget(benefit, cost, budget)
    assert best.is_best
    monkeypatch.setattr(budget_selection, "_MOST_SELECTIONS", 20)
    monkeypatch.setattr(budget_selection, "_MOST_NODES", 400)
    few = select_within_budget(benefit, cost, budget)
    assert few.spent <= budget
    assert few.benefit <= best.benefit <= few.benefit_bound + 0.03  # 60 halves of a litre
    assert few.gap < 0.01


@pytest.mark.parametrize("kind", KINDS)
def test_hundred_thousand_parcels(kind: str) -> None:
    benefit, cost = parcels(100_000, kind, seed=9)
    select_within_budget(benefit[:100], cost[:100], 1000.0)  # compile
    start = time.perf_counter()
    selection = select_within_budget(benefit, cost, 500_000.0)
    print(f"{kind}: {time.perf_counter() - start:.2f} s")  # noqa: T201
    assert selection.is_best
    assert selection.spent <= 500_000.0
