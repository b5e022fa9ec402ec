"""Who is eligible, and the sentences that the others are told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoirrig.programme import Programme
from geoirrig.workflows.eligibility import (
    COST_NOT_KNOWN,
    NO_HEADS,
    NOTHING_CHANGES,
    NOTHING_PAID,
    eligibility,
)
from geoirrig.workflows.parcel_values import named_values
from tests.io.programme_text import GOOD, good, programme


def columns(**changes: list[object]) -> dict[str, np.ndarray]:
    """Parcels that all pass, with some columns changed."""
    n_rows = max((len(values) for values in changes.values()), default=1)
    passing: dict[str, object] = {
        "head_count": 30, "replaced_head_count": 20, "cost": 400.0, "rebate": 160.0,
        "max_slope_pct": 12.0, "land_use": "school", "has_grant": False,
    }  # fmt: skip
    found = {name: np.array([value] * n_rows) for name, value in passing.items()}
    return found | {name: np.array(values) for name, values in changes.items()}


def reasons(programme: Programme, **changes: list[object]) -> list[str]:
    found = eligibility(programme, columns(**changes))
    assert found.is_eligible.tolist() == [text == "" for text in found.reasons]
    return found.reasons.tolist()


def test_a_parcel_that_meets_everything_is_told_nothing(tmp_path: Path) -> None:
    assert reasons(good(tmp_path)) == [""]


def test_refusals_give_value_and_limit(tmp_path: Path) -> None:
    assert reasons(good(tmp_path), max_slope_pct=[25.0, 31.24]) == [
        "",
        "slope: Too steep, 31.24 %. Steepest slope of the turf is 31.24 % and must be at most "
        "25 %.",
    ]


def test_every_condition_that_fails_is_told(tmp_path: Path) -> None:
    (text,) = reasons(good(tmp_path), max_slope_pct=[40.0], land_use=["shop"], has_grant=[True])
    assert text == (
        "slope: Too steep, 40 %. Steepest slope of the turf is 40 % and must be at most 25 %. "
        "use: Not for this use. Land use is 'shop' and must be 'school', or has grant: this is so "
        "and must not be."
    )


def test_what_is_missing_refuses_and_says_so(tmp_path: Path) -> None:
    assert reasons(
        good(tmp_path),
        max_slope_pct=[np.nan, 12.0, 12.0],
        land_use=["school", "shop", "shop"],
        has_grant=[False, None, False],
    ) == [
        "slope: This cannot be checked; steepest slope of the turf is not known.",
        "use: This cannot be checked; has grant is not known.",
        "",
    ]


def test_what_is_missing_but_settled_does_not_refuse(tmp_path: Path) -> None:
    assert reasons(good(tmp_path), has_grant=[None], land_use=["school"]) == [""]


def test_a_part_of_the_city_without_any_value_of_a_column(tmp_path: Path) -> None:
    """All that is there of a yes-or-no column may be gaps, which show no kind."""
    (text,) = reasons(good(tmp_path), has_grant=[None], land_use=[None])
    assert text == ("use: This cannot be checked; land use and has grant are not known.")


def test_counts_by_condition(tmp_path: Path) -> None:
    found = eligibility(good(tmp_path), columns(max_slope_pct=[30.0, np.nan, 40.0, 1.0]))
    assert found.refused_by == {"slope": 3, "use": 0}
    assert found.not_known_by == {"slope": 1, "use": 0}


def test_nothing_to_pay_for(tmp_path: Path) -> None:
    assert reasons(
        good(tmp_path),
        replaced_head_count=[0, 20, 20],
        cost=[0.0, np.nan, 400.0],
        rebate=[0.0, np.nan, 0.0],
    ) == [NOTHING_CHANGES, COST_NOT_KNOWN, NOTHING_PAID]


def test_a_parcel_without_heads_is_told_that_alone(tmp_path: Path) -> None:
    bare = columns(
        head_count=[0, 30], replaced_head_count=[0, 0], cost=[0.0, 0.0], rebate=[0.0, 0.0],
        max_slope_pct=[np.nan, 40.0], land_use=["shop", "school"],
    )  # fmt: skip
    found = eligibility(good(tmp_path), bare)
    assert found.reasons[0] == NO_HEADS
    assert found.reasons[1].startswith(f"{NOTHING_CHANGES} slope: Too steep, 40 %.")
    assert found.refused_by == {"slope": 1, "use": 0, "nothing would change": 2}


def test_every_refusal_is_counted_and_failed_parcels_are_not(tmp_path: Path) -> None:
    claims = good(tmp_path, "per_parcel = 200", "per_parcel = 200\nminimum_claim = 75")
    parcels = columns(
        replaced_head_count=[0, 20, 20, 20, np.nan, 20, 20],
        cost=[0.0, np.nan, 400.0, 400.0, np.nan, 400.0, 400.0],
        rebate=[0.0, np.nan, 0.0, 74.0, np.nan, 100.0, 100.0],
        max_slope_pct=[12.0, 12.0, 12.0, 12.0, np.nan, 40.0, 12.0],
    )
    is_failed = np.arange(7) == 4
    found = eligibility(claims, parcels, is_failed=is_failed)
    assert found.refused_by == {
        "slope": 1,
        "use": 0,
        "nothing would change": 1,
        "cost not known": 1,
        "no pay rate applies": 1,
        "rebate below the smallest claim": 1,
    }
    assert found.not_known_by == {"slope": 0, "use": 0}
    assert found.is_eligible.tolist() == [False] * 6 + [True]
    assert found.reasons[4] == ""


def test_smallest_claim(tmp_path: Path) -> None:
    claims = good(tmp_path, "per_parcel = 200", "per_parcel = 200\nminimum_claim = 75")
    assert reasons(claims, rebate=[75.0, 74.99]) == [
        "",
        "The rebate would be 74.99 USD, below the smallest claim of 75.00 USD.",
    ]


def test_limit_in_another_unit_is_met_exactly(tmp_path: Path) -> None:
    text = GOOD.replace("max_slope_pct <= 25", "lowest_pressure_after_psi >= 30").replace(
        "{max_slope_pct} %", "{lowest_pressure_after_psi:1} psi"
    )
    found, problems = programme(tmp_path, text)
    assert problems.problems == []
    assert found is not None
    thirty = 30 * 6.894757293168361
    said = reasons(found, lowest_pressure_after_kpa=[thirty, thirty - 1.0])
    assert said[0] == ""
    assert said[1].startswith(
        "slope: Too steep, 29.9 psi. Lowest pressure at a head after the change is 29.85 psi and "
        "must be at least 30 psi."
    )


@pytest.mark.parametrize(("unit", "factor"), [("psi", 6.894757293168361), ("bar", 100.0)])
def test_stated_units_come_back_as_stated(unit: str, factor: float) -> None:
    stated = np.concatenate([np.arange(1.0, 200.0), np.arange(1, 200) / 10, [0.0, np.nan]])
    found = named_values({f"lowest_pressure_after_{unit}": "number"}, {
        "lowest_pressure_after_kpa": stated * factor
    })[f"lowest_pressure_after_{unit}"]  # fmt: skip
    np.testing.assert_array_equal(found.values[:-1], stated[:-1])
    assert found.is_known.tolist() == [True] * (len(stated) - 1) + [False]


def test_columns_of_the_parcels_in_another_unit() -> None:
    found = named_values({"lot_area_ft2": "number"}, {"lot_area_m2": np.array([9.290304])})
    assert found["lot_area_ft2"].values[0] == pytest.approx(100.0, rel=1e-12)


def test_a_quantity_hides_a_column_of_its_name_in_another_unit() -> None:
    found = named_values(
        {"turf_area_ft2": "number"},
        {"turf_area_m2": np.array([9.290304]), "turf_area_ft2": np.array([7.0])},
    )
    assert found["turf_area_ft2"].values[0] == pytest.approx(100.0, rel=1e-12)


def test_missing_column_is_no_silent_pass() -> None:
    with pytest.raises(KeyError, match="lot_area_m2"):
        named_values({"lot_area_m2": "number"}, {})


def test_no_conditions_and_no_parcels(tmp_path: Path) -> None:
    open_to_all, problems = programme(
        tmp_path, GOOD.split("[[condition]]")[0] + "[[pay]]" + GOOD.split("[[pay]]", 1)[1]
    )
    assert problems.problems == []
    assert open_to_all is not None
    assert reasons(open_to_all) == [""]
    empty = {name: values[:0] for name, values in columns().items()}
    found = eligibility(good(tmp_path), empty)
    assert (len(found.is_eligible), len(found.reasons)) == (0, 0)
    assert found.refused_by == {"slope": 0, "use": 0}


def test_rows_are_independent_and_keep_their_order(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    slope = np.where(rng.random(60) < 0.2, np.nan, rng.uniform(0, 50, 60))
    use = rng.choice(["school", "shop"], 60)
    found = reasons(good(tmp_path), max_slope_pct=list(slope), land_use=list(use))
    order = rng.permutation(60)
    shuffled = reasons(good(tmp_path), max_slope_pct=list(slope[order]), land_use=list(use[order]))
    assert shuffled == [found[row] for row in order]
