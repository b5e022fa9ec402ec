"""Annual allowances and estimated uses."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geoirrig.physics.water_allowance import (
    ADJUSTMENT_FACTORS,
    EPA_LOW_QUARTER_UNIFORMITY,
    IRRIGATION_EFFICIENCIES,
    RULE_GAL_PER_IN_FT2,
    average_adjustment_factor,
    estimated_total_water_use_gal,
    landscape_water_allowance_gal,
    landscape_water_requirement_gal,
    maximum_applied_water_allowance_gal,
)

EXAMPLES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "water_budget_examples.toml").read_text(encoding="utf-8")
)


def allowance(example: dict[str, float]) -> float:
    return float(
        maximum_applied_water_allowance_gal(
            example["eto_in"],
            example["landscape_area_ft2"],
            special_area_ft2=example["special_area_ft2"],
            adjustment_factor=example["adjustment_factor"],
        )
    )


def use(example: dict[str, Any]) -> float:
    return estimated_total_water_use_gal(
        example["eto_in"],
        example["plant_factor"],
        example["irrigation_efficiency"],
        example["area_ft2"],
        special_area_ft2=example.get("special_area_ft2", 0.0),
    )


def test_examples_are_all_there() -> None:
    assert list(EXAMPLES["allowance"]) == ["MA-1", "MA-2", "MA-4"]
    assert list(EXAMPLES["use"]) == ["MA-3", "special_area"]


def test_allowance_published_ma_1() -> None:
    example = EXAMPLES["allowance"]["MA-1"]
    assert allowance(example) == pytest.approx(example["published_gal"], abs=0.5)


def test_allowance_published_ma_2_needs_a_rounded_factor() -> None:
    example = EXAMPLES["allowance"]["MA-2"]
    assert allowance(example) == pytest.approx(example["recomputed_gal"], abs=0.5)
    # As printed: 51.1 × 0.62 = 31.682 was rounded to 31.68 first.
    as_printed = 31.68 * (0.7 * 50_000 + 0.3 * 2_000)
    assert as_printed == pytest.approx(example["published_gal"], abs=0.5)


def test_use_published_ma_3_right_in_the_handbook_wrong_in_the_rule() -> None:
    example = EXAMPLES["use"]["MA-3"]
    found = use(example)
    # The handbook cut off the half gallon: 1,102,176.6.
    assert math.floor(found) == example["published_handbook_gal"]
    assert round(found) == example["recomputed_gal"]
    # The state's own figure comes of rounding twice; it is 61 gal off.
    assert round(31.68 * 34_789) == example["published_state_gal"]
    assert found - example["published_state_gal"] == pytest.approx(60.6, abs=0.1)
    assert found < allowance(EXAMPLES["allowance"]["MA-1"])


def test_use_with_a_special_area() -> None:
    example = EXAMPLES["use"]["special_area"]
    assert use(example) == pytest.approx(example["recomputed_gal"], abs=0.5)
    as_printed = 31.68 * (33_099 + 2_000)
    assert as_printed == pytest.approx(example["published_gal"], abs=0.5)


def test_allowance_published_ma_4_adds_the_special_area_outside_the_brackets() -> None:
    example = EXAMPLES["allowance"]["MA-4"]
    assert allowance(example) == pytest.approx(example["recomputed_gal"], abs=0.5)
    as_printed = 35.1 * 0.62 * 0.7 * 1_850.0 + 0.3 * 1_200.0
    assert as_printed == pytest.approx(example["published_gal"], abs=0.5)


@pytest.mark.parametrize(
    ("kind", "gallons"),
    # 51.1 × 0.62 × 50,000 = 1,584,100 times the factor
    [
        ("residential", 871_255.0),
        ("non_residential", 712_845.0),
        ("rule_of_2009", 1_108_870.0),
        ("existing_over_one_acre", 1_267_280.0),
    ],
)
def test_allowance_hand_worked_by_kind(kind: str, gallons: float) -> None:
    found = maximum_applied_water_allowance_gal(
        51.1, 50_000.0, adjustment_factor=ADJUSTMENT_FACTORS[kind]
    )
    assert float(found) == pytest.approx(gallons)


def test_allowance_less_effective_rain() -> None:
    found = maximum_applied_water_allowance_gal(
        50.0, 1000.0, adjustment_factor=0.5, effective_rain_in=[0.0, 10.0, 60.0]
    )
    np.testing.assert_allclose(found, [15_500.0, 12_400.0, 0.0])


def test_rule_factor_is_half_a_percent_below_the_exact_one() -> None:
    exact = 144.0 / 231.0  # cubic inches: an inch on a square foot, a gallon
    assert exact / RULE_GAL_PER_IN_FT2 - 1.0 == pytest.approx(0.0054, abs=5e-5)


def test_adjustment_factors_of_single_plantings() -> None:
    spray, drip = IRRIGATION_EFFICIENCIES["overhead_spray"], IRRIGATION_EFFICIENCIES["drip"]
    # 0.8/0.75, 0.6/0.75, 0.2/0.81
    assert average_adjustment_factor([0.8], [spray], [1.0]) == pytest.approx(1.067, abs=5e-4)
    assert average_adjustment_factor([0.6], [spray], [1.0]) == pytest.approx(0.800)
    assert average_adjustment_factor([0.2], [drip], [1.0]) == pytest.approx(0.247, abs=5e-4)


def test_largest_share_of_cool_turf_that_a_dry_rest_balances() -> None:
    # x·1.0667 + (1 − x)·0.2469 = 0.55 gives x = 0.370
    share = 0.370
    found = average_adjustment_factor([0.8, 0.2], [0.75, 0.81], [share, 1.0 - share])
    assert found == pytest.approx(0.55, abs=5e-4)


def test_site_wide_factor_counts_the_special_area_as_one() -> None:
    found = average_adjustment_factor([0.3], [0.75], [300.0], special_area_ft2=100.0)
    assert found == pytest.approx((0.4 * 300.0 + 100.0) / 400.0)
    assert math.isnan(average_adjustment_factor([], [], []))


def test_federal_allowance_and_requirement_hand_worked() -> None:
    # 5000 ft², 9.0 in, a quarter of 1.0 in of rain. 0.7·9·5000·0.6233 = 19,633.95; zones
    # (9·0.8 − 0.25)/0.65·2000·0.6233 = 13,329; (9·0.5 − 0.25)/0.90·1500·0.6233 = 4415;
    # (9·0.2 − 0.25)/0.70·1500·0.6233 = 2070; together 0.9 % too much.
    allowed = float(landscape_water_allowance_gal(9.0, 5000.0))
    du = [
        EPA_LOW_QUARTER_UNIFORMITY[name]
        for name in ("fixed_spray", "drip_pressure_compensating", "drip")
    ]
    needed = landscape_water_requirement_gal(
        9.0, [0.8, 0.5, 0.2], du, [2000.0, 1500.0, 1500.0], effective_rain_in=0.25
    )
    assert allowed == pytest.approx(19_633.95)
    np.testing.assert_allclose(needed, [13_329.0, 4_415.0, 2_070.2], atol=0.06)
    assert float(np.sum(needed)) / allowed == pytest.approx(1.009, abs=5e-4)
