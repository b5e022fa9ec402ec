"""Costs and rebates, worked by hand, and what each cap does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.programme import CostModel
from geoirrig.workflows.rebates import rebates, retrofit_costs
from tests.io.programme_text import GOOD, good, programme


def columns(**changes: list[object]) -> dict[str, np.ndarray]:
    """Two parcels: 20 heads on 100 m² for 700, 40 heads on 300 m² for 1300; lots of 90 and 900."""
    row: dict[str, list[object]] = {
        "replaced_head_count": [20, 40],
        "served_area_m2": [100.0, 300.0],
        "equipment_cost": [200.0, 400.0],
        "cost": [700.0, 1300.0],
        "lot_area_m2": [90.0, 900.0],
        **changes,
    }
    return {name: np.array(values) for name, values in row.items()}


# --- costs ---------------------------------------------------------------------------------------


def test_costs_by_hand() -> None:
    costs = CostModel(
        nozzle_default=9.0, labour_per_head=6.0, regulator_per_head=4.0, fixed_per_parcel=60.0
    )
    equipment, whole = retrofit_costs(
        costs,
        nozzle_cost=np.array([180.0, 0.0, np.nan]),
        replaced_head_count=np.array([20, 0, 3]),
        regulated_head_count=np.array([5, 0, 0]),
    )
    # 180 + 5·4; + 20·6 + 60
    np.testing.assert_array_equal(equipment, [200.0, 0.0, np.nan])
    np.testing.assert_array_equal(whole, [380.0, 0.0, np.nan])


# --- rates ---------------------------------------------------------------------------------------


def paid(folder: Path, old: str, new: str, **changes: list[object]) -> list[float]:
    found = rebates(good(folder, old, new), columns(**changes))
    return [float(value) for value in found.rebate]


@pytest.mark.parametrize(
    ("rate", "wanted"),
    [
        # the second rate adds 0.5 · 300 = 150 on the large lot; half of the cost is 350 and 650
        ("per_head = 4", [80.0, 160.0 + 150.0]),
        ("per_parcel = 100", [100.0, 100.0 + 150.0]),
        ("per_m2 = 1", [100.0, 300.0 + 150.0]),
        ("share_of_cost = 0.1", [70.0, 130.0 + 150.0]),
        ("share_of_equipment_cost = 0.5", [100.0, 200.0 + 150.0]),
        ("per_head = 0.0333", [0.66, 1.33 + 150.0]),  # 0.666 and 1.332, rounded down
    ],
)
def test_rates_add_up(tmp_path: Path, rate: str, wanted: list[float]) -> None:
    text = GOOD.replace("per_parcel = 200\n", "").replace("per_head = 8.0", rate)
    found, problems = programme(tmp_path, text)
    assert problems.problems == []
    assert found is not None
    assert rebates(found, columns()).rebate.tolist() == pytest.approx(wanted, abs=1e-9)


def test_rate_whose_condition_is_not_known_is_not_paid(tmp_path: Path) -> None:
    found = rebates(
        good(tmp_path, "per_head = 8.0", "per_head = 1.0"), columns(lot_area_m2=[np.nan, 900.0])
    )
    assert found.rebate.tolist() == [20.0, 190.0]


# --- caps ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("caps", "wanted", "limits"),
    [
        # uncapped but for the cost: 8·20 = 160 and 8·40 + 150 = 470
        ("", [160.0, 470.0], ["", ""]),
        ("per_parcel = 200", [160.0, 200.0], ["", "per_parcel"]),
        ("per_head = 5", [100.0, 200.0], ["per_head", "per_head"]),
        ("per_m2 = 1.2", [120.0, 360.0], ["per_m2", "per_m2"]),
        ("share_of_cost = 0.2", [140.0, 260.0], ["share_of_cost"] * 2),
        ("heads = 30", [160.0, 240.0 + 150.0], ["", "heads"]),
        ("heads = 10\nper_head = 9", [80.0, 90.0], ["heads", "per_head"]),
        ("per_parcel = 150\nper_head = 5", [100.0, 150.0], ["per_head", "per_parcel"]),
    ],
)
def test_caps(tmp_path: Path, caps: str, wanted: list[float], limits: list[str]) -> None:
    text = GOOD.replace("per_parcel = 200\nshare_of_cost = 0.5\n", f"{caps}\n")
    found, problems = programme(tmp_path, text)
    assert problems.problems == []
    assert found is not None
    made = rebates(found, columns())
    assert made.rebate.tolist() == pytest.approx(wanted, abs=1e-9)
    assert made.rebate_limit.tolist() == limits


def test_rebate_is_never_more_than_the_cost(tmp_path: Path) -> None:
    text = GOOD.replace("per_parcel = 200\nshare_of_cost = 0.5\n", "")
    found, _ = programme(tmp_path, text)
    assert found is not None
    made = rebates(found, columns(cost=[100.0, 300.0]))
    assert made.rebate.tolist() == [100.0, 300.0]


def test_unknown_cost_leaves_the_rebate_unknown(tmp_path: Path) -> None:
    made = rebates(good(tmp_path), columns(cost=[np.nan, 1300.0]))
    assert np.isnan(made.rebate).tolist() == [True, False]


def test_nothing_changed_pays_nothing(tmp_path: Path) -> None:
    made = rebates(good(tmp_path), columns(replaced_head_count=[0, 0], cost=[0.0, 0.0]))
    assert made.rebate.tolist() == [0.0, 0.0]


_MONEY = st.floats(0.0, 1e4, allow_nan=False)


@settings(max_examples=100, deadline=None)
@given(
    heads=st.integers(0, 2000), area=st.floats(0.0, 1e5), cost=_MONEY, rate=_MONEY, cap=_MONEY,
    share=st.floats(0.0, 1.0),
)  # fmt: skip
def test_no_cap_is_ever_passed(
    tmp_path_factory: pytest.TempPathFactory,
    heads: int, area: float, cost: float, rate: float, cap: float, share: float,
) -> None:  # fmt: skip
    text = (
        GOOD.replace("per_head = 8.0", f"per_head = {rate!r}")
        .replace("per_parcel = 200", f"per_parcel = {cap!r}\nheads = 500")
        .replace("share_of_cost = 0.5", f"share_of_cost = {share!r}")
    )
    found, problems = programme(tmp_path_factory.mktemp("p"), text)
    assert problems.problems == []
    assert found is not None
    (rebate,) = rebates(
        found,
        {
            "replaced_head_count": np.array([heads]),
            "served_area_m2": np.array([area]),
            "equipment_cost": np.array([cost / 2]),
            "cost": np.array([cost]),
            "lot_area_m2": np.array([500.0]),
        },
    ).rebate
    uncapped = rate * min(heads, 500) + 0.5 * area
    whole = min(uncapped, cap, share * cost)
    assert whole - 0.0100001 <= rebate <= whole + 1e-7
    assert abs(rebate * 100 - round(rebate * 100)) < 1e-6
