"""Zones in running order."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geoirrig.errors import ProblemList
from tests.io import site_builder as build


def test_read_zone_plan_without_a_table_sorts_the_names(tmp_path: Path) -> None:
    reading, problems = build.read(tmp_path, heads=build.heads(zone=["B", "A10", "A2", "B"]))
    assert problems == ProblemList()
    assert reading.zone_plan is not None
    assert reading.zone_plan.zone == ("A10", "A2", "B")
    assert np.isnan(reading.zone_plan.run_minutes).all()
    assert reading.zone_plan.cycles.tolist() == [1, 1, 1]
    assert reading.zone_plan.soak_minutes.tolist() == [0.0, 0.0, 0.0]
    assert reading.layout is not None
    assert reading.layout.zone_index.tolist() == [2, 0, 1, 2]


def test_read_zone_plan_table_order_is_the_running_order(tmp_path: Path) -> None:
    zones = pd.DataFrame(
        {
            "zone": ["B", "X", "A"],
            "run_minutes": [20.0, 5.0, np.nan],
            "cycles": [2, 1, 1],
            "soak_minutes": [30.0, 0.0, np.nan],
        }
    )
    reading, problems = build.read(
        tmp_path, heads=build.heads(zone=["A", "B", "D", "C"]), zones=zones
    )
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'zones' of 'site.gpkg': no head belongs to zone 'X'; left out."
    ]
    plan = reading.zone_plan
    assert plan is not None
    assert plan.zone == ("B", "A", "C", "D")
    np.testing.assert_array_equal(plan.run_minutes, [20.0, np.nan, np.nan, np.nan])
    assert plan.cycles.tolist() == [2, 1, 1, 1]
    assert plan.soak_minutes.tolist() == [30.0, 0.0, 0.0, 0.0]


def test_read_zone_plan_whole_number_zones_match_text(tmp_path: Path) -> None:
    zones = pd.DataFrame({"zone": [2, 1], "run_minutes": [8.0, 9.0]})
    reading, problems = build.read(
        tmp_path, heads=build.heads(zone=["1", "2", "1", "2"]), zones=zones
    )
    assert problems == ProblemList()
    assert reading.zone_plan is not None
    assert reading.zone_plan.zone == ("2", "1")


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("run_minutes", 0.0, "run_minutes must be greater than 0; got 0.0 for zone 'A'"),
        ("cycles", 0, "cycles must be at least 1; got 0.0 for zone 'A'"),
        ("cycles", 1.5, "cycles must be a whole number; got 1.5 for zone 'A'"),
        ("soak_minutes", -1.0, "soak_minutes must be at least 0; got -1.0 for zone 'A'"),
    ],
)
def test_read_zone_plan_value_out_of_range_is_a_problem(
    tmp_path: Path, column: str, value: float, words: str
) -> None:
    _, problems = build.read(tmp_path, zones=pd.DataFrame({"zone": ["A"], column: [value]}))
    assert words in build.only(problems.problems)


def test_read_zone_plan_same_zone_twice_is_a_problem(tmp_path: Path) -> None:
    _, problems = build.read(tmp_path, zones=pd.DataFrame({"zone": ["A", "A"]}))
    assert build.only(problems.problems) == (
        "Layer 'zones' of 'site.gpkg': zone must be unique; met more than once: 'A'. Give every "
        "row its own."
    )
