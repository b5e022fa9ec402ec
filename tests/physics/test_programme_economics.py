"""Annuities, levelised cost, present value and payback."""

from __future__ import annotations

import csv
import importlib
import math
import os
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.programme_economics import (
    benefit_cost_ratio,
    capital_recovery_factor,
    cost_per_acre_foot,
    discounted_payback_years,
    levelised_cost_per_m3,
    net_present_value,
    present_value_factor,
    simple_payback_years,
)
from geoirrig.units import CUBIC_METRES_PER_ACRE_FOOT, LITRES_PER_M3, LITRES_PER_US_GALLON
from tests.external import REQUIRE_ALL

DATA = Path(__file__).parents[1] / "data"
EXAMPLES: dict[str, Any] = tomllib.loads(
    (DATA / "retrofit_economics.toml").read_text(encoding="utf-8")
)
M3_PER_GAL = LITRES_PER_US_GALLON / LITRES_PER_M3

rates = st.floats(1e-6, 0.5)
lives = st.integers(1, 60)
money = st.floats(0.01, 1e7)


@pytest.fixture(scope="module")
def financial() -> Any:
    """The library numpy-financial; skipped without it, unless every check has to run."""
    if os.environ.get(REQUIRE_ALL) == "1":
        return importlib.import_module("numpy_financial")
    return pytest.importorskip("numpy_financial")


# --- published


def test_capital_recovery_factor_published_table() -> None:
    with (DATA / "capital_recovery.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    cells = [
        (float(name.removeprefix("pct_")) / 100.0, float(row["years"]), float(row[name]))
        for row in rows
        for name in row
        if name != "years"
    ]
    assert len(cells) == 45
    rate, years, printed = np.array(cells).T
    # half of the last printed decimal, and what a binary fraction adds to a half
    np.testing.assert_allclose(capital_recovery_factor(rate, years), printed, atol=5.001e-6)


@pytest.mark.parametrize("name", list(EXAMPLES["annuity"]))
def test_capital_recovery_factor_published_annuities(name: str) -> None:
    example = EXAMPLES["annuity"][name]
    factor = float(capital_recovery_factor(example["discount_rate"], example["years"]))
    payment = example["cost"] * factor
    assert payment == pytest.approx(example["recomputed_per_year"], abs=0.006)
    assert payment == pytest.approx(example["published_per_year"], rel=2e-3)


@pytest.mark.parametrize("case", EXAMPLES["levelised"]["case"])
def test_levelised_cost_of_forty_nozzles(case: dict[str, float]) -> None:
    measure = EXAMPLES["levelised"]
    saved = measure["water_saved_gal_year"] * M3_PER_GAL
    assert saved / CUBIC_METRES_PER_ACRE_FOOT == pytest.approx(
        measure["recomputed_acre_foot_year"], abs=5e-8
    )
    rate, years = case["discount_rate"], case["years"]
    assert float(capital_recovery_factor(rate, years)) == pytest.approx(
        case["recomputed_factor"], abs=5e-7
    )
    cost = cost_per_acre_foot(levelised_cost_per_m3(measure["cost"], saved, rate, years))
    assert float(cost) == pytest.approx(case["recomputed_per_acre_foot"], abs=0.5)


def test_levelised_cost_cases_are_all_there() -> None:
    assert len(EXAMPLES["levelised"]["case"]) == 4


def test_forty_nozzles_do_not_pay_at_the_price_of_water() -> None:
    measure, price = EXAMPLES["levelised"], EXAMPLES["price"]
    benefit = measure["water_saved_gal_year"] / 1000.0 * price["price_per_kgal"]
    cost = measure["cost"]
    assert benefit == 12.0
    assert float(simple_payback_years(cost, benefit)) == price["recomputed_payback_years"]
    assert float(net_present_value(cost, benefit, 0.03, 5)) == pytest.approx(
        price["recomputed_net_present_value"], abs=0.005
    )
    assert float(benefit_cost_ratio(cost, benefit, 0.03, 5)) == pytest.approx(
        price["recomputed_benefit_cost_ratio"], abs=5e-4
    )
    assert math.isinf(discounted_payback_years(cost, 7.0, 0.03))  # 240 × 3 % is 7.20 a year


def test_break_even_saving_of_a_nozzle() -> None:
    example = EXAMPLES["break_even"]
    saved = example["recomputed_gal_year"] * M3_PER_GAL
    cost = cost_per_acre_foot(levelised_cost_per_m3(example["cost"], saved, 0.03, 5))
    assert float(cost) == pytest.approx(example["per_acre_foot"], rel=2e-3)


def test_planning_value_of_a_nozzle() -> None:
    example = EXAMPLES["planning_value"]
    saved = example["water_saved_acre_foot_year"] * CUBIC_METRES_PER_ACRE_FOOT
    cost = cost_per_acre_foot(levelised_cost_per_m3(example["cost"], saved, 0.03, 5))
    assert float(cost) == pytest.approx(example["recomputed_per_acre_foot"], abs=0.5)


def test_district_programme() -> None:
    example = EXAMPLES["district"]
    exact = example["water_saved_gal_year"] * M3_PER_GAL / CUBIC_METRES_PER_ACRE_FOOT
    assert exact == pytest.approx(example["recomputed_acre_foot_year"], abs=0.05)
    printed = example["published_acre_foot_year"]
    cost = levelised_cost_per_m3(
        example["cost"],
        printed * CUBIC_METRES_PER_ACRE_FOOT,
        example["discount_rate"],
        example["years"],
    )
    assert float(cost_per_acre_foot(cost)) == pytest.approx(
        example["recomputed_per_acre_foot"], abs=0.05
    )
    assert printed * example["offset_value_per_acre_foot"] == pytest.approx(
        example["published_value"]
    )


def test_acre_foot_is_1233_m3() -> None:
    # 43 560 ft² × 1 ft × (0.3048 m/ft)³
    assert pytest.approx(1233.48183754752, abs=1e-10) == CUBIC_METRES_PER_ACRE_FOOT
    assert float(cost_per_acre_foot(2.0)) == 2.0 * CUBIC_METRES_PER_ACRE_FOOT


# --- against numpy-financial


@given(rate=rates, years=lives, cost=money)
def test_capital_recovery_agrees_with_numpy_financial(
    financial: Any, rate: float, years: int, cost: float
) -> None:
    payment = -financial.pmt(rate, years, cost)
    assert cost * float(capital_recovery_factor(rate, years)) == pytest.approx(payment, rel=1e-8)
    assert cost * float(present_value_factor(rate, years)) == pytest.approx(
        -financial.pv(rate, years, cost), rel=1e-8
    )


@given(rate=rates, years=lives, cost=money, benefit=money)
def test_net_present_value_agrees_with_numpy_financial(
    financial: Any, rate: float, years: int, cost: float, benefit: float
) -> None:
    # its value 0 is that of today and is not discounted
    expected = financial.npv(rate, [-cost] + [benefit] * years)
    found = float(net_present_value(cost, benefit, rate, years))
    assert found == pytest.approx(expected, abs=1e-9 * (cost + benefit * years))


@given(rate=rates, years=lives, cost=money)
def test_discounted_payback_agrees_with_numpy_financial(
    financial: Any, rate: float, years: int, cost: float
) -> None:
    benefit = cost * float(capital_recovery_factor(rate, years)) * 1.001
    found = float(discounted_payback_years(cost, benefit, rate))
    assert found == pytest.approx(float(financial.nper(rate, -benefit, cost)), rel=1e-6)


# --- hand-worked, properties, edges


def test_net_present_value_hand_worked() -> None:
    # 25 %: 100/1.25 + 100/1.5625 = 80 + 64
    assert float(net_present_value(100.0, 100.0, 0.25, 2)) == pytest.approx(44.0)
    assert float(discounted_payback_years(80.0, 100.0, 0.25)) == pytest.approx(1.0)
    assert float(discounted_payback_years(144.0, 100.0, 0.25)) == pytest.approx(2.0)


def test_upkeep_is_a_cost_and_no_lost_benefit() -> None:
    # i = 0: 100 + 5 × 4 = 120 spent, 5 × 30 = 150 got, 5 × 10 = 50 m³
    assert float(benefit_cost_ratio(100.0, 30.0, 0.0, 5, annual_cost=4.0)) == pytest.approx(1.25)
    assert float(levelised_cost_per_m3(100.0, 10.0, 0.0, 5, annual_cost=4.0)) == pytest.approx(2.4)
    assert float(net_present_value(100.0, 30.0 - 4.0, 0.0, 5)) == pytest.approx(30.0)


@given(
    # at 50 % over 60 years the payback hangs on the last digits of the benefit
    rate=st.floats(1e-6, 0.2),
    years=st.integers(1, 40),
    cost=money,
    saved=st.floats(0.1, 1e5),
    upkeep=st.floats(0.0, 1e4),
)
def test_water_sold_at_its_levelised_cost_is_worth_what_was_spent(
    rate: float, years: int, cost: float, saved: float, upkeep: float
) -> None:
    price = float(levelised_cost_per_m3(cost, saved, rate, years, annual_cost=upkeep))
    worth = float(net_present_value(cost, price * saved - upkeep, rate, years))
    assert worth == pytest.approx(0.0, abs=1e-8 * (cost + upkeep * years))
    ratio = float(benefit_cost_ratio(cost, price * saved, rate, years, annual_cost=upkeep))
    assert ratio == pytest.approx(1.0, rel=1e-8)
    assert float(discounted_payback_years(cost, price * saved - upkeep, rate)) == pytest.approx(
        years, rel=1e-5
    )


@given(years=st.floats(0.5, 60.0), rate=st.floats(0.0, 1e-9))
def test_factors_are_smooth_at_rate_zero(years: float, rate: float) -> None:
    assert float(present_value_factor(rate, years)) == pytest.approx(years, rel=1e-7)
    assert float(capital_recovery_factor(rate, years)) == pytest.approx(1.0 / years, rel=1e-7)
    assert float(discounted_payback_years(years, 1.0, rate)) == pytest.approx(years, rel=1e-7)


def test_higher_rate_or_shorter_life_costs_more() -> None:
    rate, years = np.meshgrid([0.0, 0.02, 0.03, 0.07], [3.0, 5.0, 10.0])
    cost = levelised_cost_per_m3(240.0, 9.0, rate, years)
    assert np.all(np.diff(cost, axis=1) > 0.0)
    assert np.all(np.diff(cost, axis=0) < 0.0)


def test_no_life_has_no_factor() -> None:
    assert float(present_value_factor(0.03, 0.0)) == 0.0
    assert math.isnan(capital_recovery_factor(0.03, 0.0))
    assert math.isnan(capital_recovery_factor(0.0, 0.0))


def test_no_saving_has_no_levelised_cost() -> None:
    assert np.isnan(levelised_cost_per_m3(100.0, [0.0, -5.0, math.nan], 0.03, 5.0)).all()


def test_nothing_spent_has_no_ratio_but_is_paid_back_at_once() -> None:
    assert math.isnan(benefit_cost_ratio(0.0, 10.0, 0.03, 5.0))
    assert float(simple_payback_years(0.0, 10.0)) == 0.0


def test_payback_of_nothing_spent_for_nothing_is_not_known() -> None:
    assert math.isnan(simple_payback_years(0.0, 0.0))
    assert math.isnan(discounted_payback_years(0.0, 0.0, 0.03))


def test_payback_never_comes_without_benefit() -> None:
    assert simple_payback_years(100.0, [0.0, -3.0]).tolist() == [math.inf, math.inf]
    assert np.isnan(simple_payback_years([math.nan, 1.0], [1.0, math.nan])).all()


def test_payback_just_never() -> None:
    # at 10 % the interest on 100 is 10 a year
    found = discounted_payback_years(100.0, [10.0, 10.0 + 1e-9, 20.0], 0.10)
    assert math.isinf(found[0])
    assert 200.0 < found[1] < math.inf
    assert found[2] == pytest.approx(math.log(2.0) / math.log(1.1))
