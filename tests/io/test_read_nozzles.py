"""Nozzle table and profiles."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.columns import NOZZLES, PROFILES, LayerSchema
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.read_nozzles import check_profiles_known, read_nozzles, read_profiles
from tests.io import site_builder as build


def table(schema: LayerSchema, frame: pd.DataFrame) -> LayerTable:
    return LayerTable(
        schema=schema,
        place=f"layer {schema.layer!r} of 'site.gpkg'",
        feature=np.arange(1, len(frame) + 1),
        columns={name: frame[name].to_numpy(dtype=_plain(frame[name])) for name in frame},
    )


def _plain(column: pd.Series[Any]) -> Any:
    return float if pd.api.types.is_numeric_dtype(column.dtype) else object


def profiles(**columns: Any) -> LayerTable:
    return table(PROFILES, pd.DataFrame({"profile": ["P"] * 3, **columns}))


def test_read_nozzles_rows_without_arc_are_for_the_full_circle() -> None:
    problems = ProblemList()
    found = read_nozzles(table(NOZZLES, build.nozzles()), problems)
    assert problems == ProblemList()
    assert found["Q"].arc_deg.tolist() == [360.0]
    assert found["Q"].device == "fixed_spray"
    assert np.isnan(found["Q"].pressure_max_kpa)


def test_read_nozzles_same_test_twice_is_a_problem() -> None:
    problems = ProblemList()
    frame = pd.concat([build.nozzles(), build.nozzles()])
    assert read_nozzles(table(NOZZLES, frame), problems) == {}
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg': nozzle 'Q' has more than one row for arc 360° at 200 kPa. "
        "Keep one."
    ]


def test_read_nozzles_two_devices_of_one_nozzle_are_a_problem() -> None:
    problems = ProblemList()
    other = build.nozzles(pressure_kpa=[300.0], device=["rotor"])
    read_nozzles(table(NOZZLES, pd.concat([build.nozzles(), other])), problems)
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg': device must be the same in every row of a nozzle; nozzle "
        "'Q' has 'fixed_spray' and 'rotor'. Keep one."
    ]


def test_read_nozzles_unknown_device_is_a_problem() -> None:
    problems = ProblemList()
    read_nozzles(table(NOZZLES, build.nozzles(device=["rotary"])), problems)
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg': device must be one of fixed_spray, rotary_nozzle, rotor; "
        "got 'rotary' for nozzle 'Q'. The nearest known is 'rotor'."
    ]


def test_read_nozzles_pressure_limits_the_wrong_way_round_are_a_problem() -> None:
    problems = ProblemList()
    frame = build.nozzles(pressure_min_kpa=[400.0], pressure_max_kpa=[200.0])
    read_nozzles(table(NOZZLES, frame), problems)
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg': pressure_min must not be above pressure_max; got 400 and "
        "200 kPa for nozzle 'Q'. Correct the table."
    ]


def test_read_nozzles_empty_value_is_a_problem() -> None:
    problems = ProblemList()
    read_nozzles(table(NOZZLES, build.nozzles(flow_lpm=[np.nan])), problems)
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg': flow_lpm is empty for nozzle 'Q'. Every row needs one."
    ]


def test_check_profiles_known_unknown_profile_names_the_nearest() -> None:
    problems = ProblemList()
    nozzle_table = table(NOZZLES, build.nozzles(profile=["wegde"]))
    nozzles = read_nozzles(nozzle_table, problems)
    known = read_profiles(
        table(
            PROFILES,
            pd.DataFrame(
                {"profile": ["wedge"] * 2, "distance_fraction": [0, 1], "relative_rate": [1, 0]}
            ),
        ),
        problems,
    )
    check_profiles_known(nozzle_table, nozzles, known, problems)
    assert problems.problems == [
        "Layer 'nozzles' of 'site.gpkg': unknown profile, the profiles table lacks it; got 'wegde' "
        "for nozzle 'Q'. Add the profile or leave the column empty. The nearest known is 'wedge'."
    ]


def test_read_site_unknown_profile_without_a_table_is_a_problem(tmp_path: Path) -> None:
    _, problems = build.read(tmp_path, nozzles=build.nozzles(profile=["P"]))
    assert "unknown profile, there is no profiles table; got 'P' for nozzle 'Q'" in (
        build.only(problems.problems)
    )


def test_read_profiles_fractions_are_taken_as_they_are() -> None:
    problems = ProblemList()
    found = read_profiles(
        profiles(distance_fraction=[0.0, 0.5, 1.0], relative_rate=[2.0, 1.0, 0.0]), problems
    )
    assert problems == ProblemList()
    assert found["P"].distance_fraction == (0.0, 0.5, 1.0)
    assert found["P"].relative_rate == (2.0, 1.0, 0.0)


def test_read_profiles_bench_leg_that_ends_dry_ends_at_its_last_can() -> None:
    problems = ProblemList()
    found = read_profiles(
        profiles(distance_m=[0.0, 1.0, 4.0], rate_mm_h=[10.0, 20.0, 0.0]), problems
    )
    assert found["P"].distance_fraction == (0.0, 0.25, 1.0)
    assert found["P"].relative_rate == (10.0, 20.0, 0.0)


def test_read_profiles_bench_leg_that_ends_wet_goes_on_by_one_spacing() -> None:
    problems = ProblemList()
    found = read_profiles(
        profiles(distance_ft=[1.0, 2.0, 3.0], rate_in_h=[0.5, 0.4, 0.1]), problems
    )
    # One spacing of 1 ft more: the edge is at 4 ft.
    np.testing.assert_allclose(found["P"].distance_fraction, (0.25, 0.5, 0.75, 1.0), rtol=1e-15)
    np.testing.assert_allclose(found["P"].relative_rate, (12.7, 10.16, 2.54, 0.0), rtol=1e-12)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        (
            {"distance_fraction": [0.0, 0.7, 0.5], "relative_rate": [1.0, 1.0, 0.0]},
            "profile 'P' has distances that do not rise: 0.7 is followed by 0.5.",
        ),
        (
            {"distance_fraction": [0.0, 0.5, 1.0], "relative_rate": [0.0, 0.0, 0.0]},
            "profile 'P' has no rate above 0.",
        ),
        (
            {"distance_fraction": [0.0, 0.5, 1.2], "relative_rate": [1.0, 1.0, 0.0]},
            "distance_fraction must be at most 1; got 1.2 for profile 'P'.",
        ),
        (
            {"distance_fraction": [0.0, 0.5, 1.0], "relative_rate": [1.0, -1.0, 0.0]},
            "relative_rate must be at least 0; got -1.0 for profile 'P'.",
        ),
        ({"distance_fraction": [0.0, 0.5, 1.0]}, "has no column 'relative_rate'. Add it."),
        ({"distance_m": [0.0, 0.5, 1.0]}, "has no column 'rate_mm_h' or 'rate_in_h'."),
        ({"note": ["a", "b", "c"]}, "needs the columns 'distance_fraction' and 'relative_rate'"),
    ],
)
def test_read_profiles_faulty_profile_is_a_problem(columns: dict[str, Any], words: str) -> None:
    problems = ProblemList()
    assert read_profiles(profiles(**columns), problems) == {}
    assert words in build.only(problems.problems)


def test_read_profiles_one_node_is_a_problem() -> None:
    problems = ProblemList()
    frame = pd.DataFrame({"profile": ["P"], "distance_fraction": [0.0], "relative_rate": [1.0]})
    read_profiles(table(PROFILES, frame), problems)
    assert problems.problems == [
        "Layer 'profiles' of 'site.gpkg': profile 'P' has 1 node. Give at least 2."
    ]
