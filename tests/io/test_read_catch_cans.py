"""Catch cans."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest

from geoirrig.errors import ProblemList
from tests.io import site_builder as build


def cans(**columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"can_id": ["C1", "C2"], **columns},
        geometry=gpd.points_from_xy([build.X0 + 1, build.X0 + 2], [build.Y0 + 1] * 2),
        crs=build.CRS,
    )


def test_read_catch_cans_depth_or_volume_over_throat(tmp_path: Path) -> None:
    reading, problems = build.read(
        tmp_path,
        catch_cans=cans(
            depth_in=[0.5, np.nan], volume_ml=[np.nan, 100.0], throat_cm2=[np.nan, 80.0]
        ),
    )
    assert problems == ProblemList()
    assert reading.catch_cans is not None
    # 0.5 in = 12.7 mm; 100 mL on 80 cm² = 1.25 cm = 12.5 mm
    np.testing.assert_allclose(reading.catch_cans.depth_mm, [12.7, 12.5], rtol=1e-12)
    assert reading.catch_cans.x_m.tolist() == [build.X0 + 1, build.X0 + 2]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"volume_ml": [1.0, 2.0]}, "needs either a depth ('depth_mm' or 'depth_in'), or both"),
        ({"depth_mm": [1.0, np.nan]}, "no usable reading for can_id 'C2'."),
        ({"depth_mm": [1.0, -2.0]}, "depth_mm must be at least 0 mm; got -2.0 for can_id 'C2'."),
        ({"depth": [1.0, 2.0]}, "column 'depth' names no unit."),
        ({"can_id": ["C", "C"], "depth_mm": [1.0, 2.0]}, "can_id must be unique"),
    ],
)
def test_read_catch_cans_faulty_reading_is_a_problem(
    tmp_path: Path, columns: dict[str, Any], words: str
) -> None:
    _, problems = build.read(tmp_path, catch_cans=cans(**columns))
    assert any(words in problem for problem in problems.problems), problems.problems
