"""Root zone, interval, depth and run time."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.application_uniformity import run_time_multiplier_low_quarter
from geoirrig.physics.irrigation_interval import (
    AVAILABLE_WATER,
    available_water_mm_m,
    gross_depth_mm,
    irrigation_interval_days,
    net_depth_mm,
    readily_available_water_mm,
    root_zone_water_mm,
    run_minutes,
)
from geoirrig.physics.soil_properties import SOIL_TEXTURES
from geoirrig.physics.surface_storage import cycle_count, minutes_to_runoff

EXAMPLES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "water_budget_examples.toml").read_text(encoding="utf-8")
)
MM = 25.4
MM_M_PER_IN_FT = 25.4 / 0.3048


def test_available_water_covers_every_texture_and_names_what_is_borrowed() -> None:
    assert tuple(AVAILABLE_WATER) == SOIL_TEXTURES
    borrowed = {
        name for name, water in AVAILABLE_WATER.items() if "no row of its own" in water.source
    }
    assert borrowed == {"silt", "silty_clay_loam", "sandy_clay", "silty_clay"}
    for name, water in AVAILABLE_WATER.items():
        assert 0.0 < water.low_in_ft < water.high_in_ft, name
    # 0.75, 1.25 and 2.25 in/ft are the middles of 0.5–1.0, 1.0–1.5 and 2.0–2.5
    for name, middle in (("sand", 0.75), ("sandy_loam", 1.25), ("loam", 1.8), ("clay", 2.25)):
        assert available_water_mm_m(name) == pytest.approx(middle * MM_M_PER_IN_FT)


def test_interval_published_sc_1() -> None:
    example = EXAMPLES["interval"]["SC-1"]
    total = root_zone_water_mm(
        example["available_water_in_ft"] * MM_M_PER_IN_FT, example["root_depth_in"] * MM
    )
    ready = readily_available_water_mm(total, example["allowable_depletion"])
    use = example["eto_in_d"] * example["plant_coefficient"] * MM
    assert float(ready / use) == pytest.approx(example["published_days_unrounded"], abs=0.005)
    assert float(irrigation_interval_days(ready, use)) == example["published_days"]


def test_run_minutes_published_sc_2() -> None:
    example = EXAMPLES["run_time"]["SC-2"]
    rate = 96.25 * example["flow_gpm"] / example["spacing_ft"] ** 2  # 1.54 in/h
    gross = gross_depth_mm(example["depth_in"] * MM, 1.0 / example["efficiency"])
    minutes = float(run_minutes(gross, rate * MM))
    assert minutes == pytest.approx(example["recomputed_minutes"], abs=0.01)
    # The source rounds its steps: within 1 % of its answer.
    assert minutes == pytest.approx(example["published_minutes"], rel=0.01)


def test_run_minutes_published_sc_3() -> None:
    example = EXAMPLES["run_time"]["SC-3"]
    day = float(run_minutes(example["depth_in_d"] * MM, example["rate_in_h"] * MM))
    assert day == pytest.approx(example["published_minutes_day"])
    assert 7 * day == pytest.approx(example["published_minutes_week"])
    assert 7 * day / 3 == pytest.approx(example["published_minutes_of_three_events"])


@pytest.mark.parametrize("device", ["spray", "rotor", "manual"])
def test_run_minutes_published_sc_4(device: str) -> None:
    example = EXAMPLES["run_time"]["SC-4"]
    event_mm = np.array(example["depth_in_week"]) * MM / 3.0
    minutes = run_minutes(event_mm, example["rate_in_h"][device] * MM)
    assert np.round(minutes).tolist() == example["published_minutes"][device]


@pytest.mark.parametrize("device", ["spray", "impact_rotor"])
def test_run_minutes_published_sc_5(device: str) -> None:
    example = EXAMPLES["run_time"]["SC-5"]
    minutes = run_minutes(example["depth_in"] * MM, example["rate_in_h"][device] * MM)
    assert float(minutes) == pytest.approx(example["published_minutes"][device])


def test_whole_chain_hand_worked() -> None:
    # 1.7 in/ft × 0.5 ft = 0.85 in; × 0.5 = 0.425 in; use 0.25 × 0.8 = 0.20 in/d; 2.1 → 2 d;
    # net 0.40 in; 1/(0.4 + 0.6·0.55) = 1.370; gross 0.548 in; 60·0.548/1.6 = 20.5 min; with 1/0.55
    # 27.3 min; longest cycle 60·0.20/(1.6 − 0.35) = 9.6 min; 20.5/9.6 → 3 cycles.
    total = root_zone_water_mm(1.7 * MM_M_PER_IN_FT, 0.5 * 12 * MM)
    ready = readily_available_water_mm(total)
    use = 0.25 * 0.8 * MM
    days = irrigation_interval_days(ready, use)
    net = net_depth_mm(days, use)
    multiplier = run_time_multiplier_low_quarter(0.55)
    gross = gross_depth_mm(net, multiplier)
    minutes = run_minutes(gross, 1.6 * MM)
    longest = minutes_to_runoff(1.6 * MM, 0.35 * MM, 0.20 * MM)
    assert float(total) / MM == pytest.approx(0.85)
    assert float(ready) / MM == pytest.approx(0.425)
    assert float(days) == 2.0
    assert float(net) / MM == pytest.approx(0.40)
    assert float(multiplier) == pytest.approx(1.370, abs=5e-4)
    assert float(gross) / MM == pytest.approx(0.548, abs=5e-4)
    assert float(minutes) == pytest.approx(20.5, abs=0.05)
    assert float(run_minutes(gross_depth_mm(net, 1.0 / 0.55), 1.6 * MM)) == pytest.approx(
        27.3, abs=0.05
    )
    assert float(longest) == pytest.approx(9.6)
    assert float(cycle_count(minutes, longest)) == 3.0


@given(water=st.floats(0.1, 200.0), use=st.floats(0.01, 30.0))
def test_interval_never_asks_for_more_than_is_readily_available(water: float, use: float) -> None:
    days = float(irrigation_interval_days(water, use))
    assert days >= 1.0
    assert days == 1.0 or days * use <= water * (1.0 + 1e-6)
    assert (days + 1.0) * use > water * (1.0 - 1e-6)


def test_interval_edges() -> None:
    assert float(irrigation_interval_days(0.3, 0.1)) == 3.0  # 2.9999999999999996 in binary
    assert float(irrigation_interval_days(1.0, 5.0)) == 1.0
    assert math.isinf(float(irrigation_interval_days(10.0, 0.0)))
    assert math.isnan(float(irrigation_interval_days(10.0, math.nan)))
    assert math.isnan(float(irrigation_interval_days(math.nan, 1.0)))


def test_net_depth_is_what_rain_leaves_over() -> None:
    assert net_depth_mm(2.0, 5.0, [0.0, 1.0, 6.0]).tolist() == [10.0, 8.0, 0.0]
