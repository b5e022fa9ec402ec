"""Turf, hardscape and parcels."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from geoirrig.errors import ProblemList
from tests.io import site_builder as build


def ring(*points: tuple[float, float]) -> shapely.Polygon:
    return shapely.Polygon([(build.X0 + x, build.Y0 + y) for x, y in points])


SQUARE = ((0, 0), (6, 0), (6, 6), (0, 6))


def test_read_turf_holes_and_multipolygons_are_kept(tmp_path: Path) -> None:
    hole = [(build.X0 + x, build.Y0 + y) for x, y in ((2, 2), (4, 2), (4, 4), (2, 4))]
    holed = shapely.Polygon(ring(*SQUARE).exterior, [hole])
    far = shapely.MultiPolygon([ring((8, 0), (9, 0), (9, 1)), ring((8, 3), (9, 3), (9, 4))])
    reading, problems = build.read(tmp_path, turf=build.turf([holed, far]))
    assert problems == ProblemList()
    assert reading.turf is not None
    # 36 m² less the hole of 4 m²; two triangles of 0.5 m²
    assert shapely.area(reading.turf.geometry).round(9).tolist() == [32.0, 1.0]


@pytest.mark.parametrize(
    ("column", "values"), [("root_depth_mm", [304.8, None]), ("root_depth_in", ["12", None])]
)
def test_read_turf_roots_and_plants_as_stated_or_usual(
    tmp_path: Path, column: str, values: list[Any]
) -> None:
    lawns = build.turf([ring(*SQUARE), ring((8, 0), (9, 0), (9, 1))])
    lawns[column], lawns["plant_type"] = values, [None, "warm_season_turf"]
    reading, problems = build.read(tmp_path, turf=lawns)
    assert problems == ProblemList()
    assert reading.turf is not None
    assert reading.turf.root_depth_mm.tolist() == pytest.approx([304.8, 150.0])  # 12 in; 6 in
    assert reading.turf.plant_type.tolist() == ["cool_season_turf", "warm_season_turf"]


def test_read_turf_unknown_plant_type_is_a_warning_with_the_nearest(tmp_path: Path) -> None:
    lawns = build.turf([ring((x, 0), (x + 2, 0), (x + 2, 2)) for x in (0, 3, 6, 9)])
    lawns["plant_type"] = ["low_water_use", "moderat_water_use", "roses", ""]
    reading, problems = build.read(tmp_path, turf=lawns)
    assert reading.turf is not None
    assert reading.turf.plant_type.tolist() == [
        "low_water_use", "cool_season_turf", "cool_season_turf", "cool_season_turf",
    ]  # fmt: skip
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'turf' of 'site.gpkg': plant_type is best one of cool_season_turf, "
        "warm_season_turf, very_low_water_use, low_water_use, moderate_water_use, high_water_use; "
        "got 'moderat_water_use' for turf_id 'T2', 'roses' for 'T3'. Taken for cool_season_turf. "
        "The nearest known is 'moderate_water_use'."
    ]


def test_read_turf_that_touches_itself_is_repaired_with_a_warning(tmp_path: Path) -> None:
    # The ring comes back to (3, 3): a square with a notch that touches the opposite side's point.
    touching = ring((0, 0), (6, 0), (3, 3), (6, 6), (0, 6), (3, 3), (0, 0))
    assert not touching.is_valid
    reading, problems = build.read(tmp_path, turf=build.turf([touching]))
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'turf' of 'site.gpkg': the polygon touches or crosses itself and was repaired; got "
        "'ring self-intersection' for turf_id 'T1'. The area changed by at most 0.00%."
    ]
    assert reading.turf is not None
    assert reading.turf.geometry[0].is_valid
    assert shapely.area(reading.turf.geometry[0]) == pytest.approx(18.0)  # two triangles of 9 m²


def test_read_turf_that_crosses_itself_is_a_problem(tmp_path: Path) -> None:
    bow_tie = ring((0, 0), (6, 6), (6, 0), (0, 6))
    _, problems = build.read(tmp_path, turf=build.turf([bow_tie]))
    assert build.only(problems.problems) == (
        "Layer 'turf' of 'site.gpkg': the polygon crosses itself, and a repair would change its "
        "area by more than 1%; got 'self-intersection' for turf_id 'T1'. Redraw it."
    )


def test_read_turf_without_area_is_a_problem(tmp_path: Path) -> None:
    line = ring((0, 0), (6, 0), (3, 0))
    _, problems = build.read(tmp_path, turf=build.turf([line]))
    assert build.only(problems.problems) == (
        "Layer 'turf' of 'site.gpkg': the polygon has no area for turf_id 'T1'. Redraw it."
    )


def test_read_turf_empty_geometry_is_a_problem(tmp_path: Path) -> None:
    _, problems = build.read(tmp_path, turf=build.turf([ring(*SQUARE), shapely.Polygon(), None]))
    assert build.only(problems.problems) == (
        "Layer 'turf' of 'site.gpkg': the geometry is empty, or cannot be read, for turf_id 'T2', "
        "'T3'. Draw it or remove the row."
    )


def test_read_turf_zero_rows_is_a_problem(tmp_path: Path) -> None:
    _, problems = build.read(tmp_path, turf=build.turf().iloc[:0])
    assert build.only(problems.problems) == (
        "Layer 'turf' of 'site.gpkg' holds no polygons. Draw the turf first."
    )


def test_read_turf_drawn_as_lines_is_a_problem(tmp_path: Path) -> None:
    lines = [shapely.LineString(ring(*SQUARE).exterior)]
    _, problems = build.read(tmp_path, turf=build.turf(lines))
    assert (
        "the geometry must be Polygon or MultiPolygon; got 'LineString' for turf_id 'T1'"
        in (problems.problems[0])
    )


def test_read_turf_overlap_is_a_warning(tmp_path: Path) -> None:
    shapes = [ring(*SQUARE), ring((5, 0), (9, 0), (9, 6), (5, 6))]
    _, problems = build.read(tmp_path, turf=build.turf(shapes))
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'turf' of 'site.gpkg': turf polygons overlap: turf_id 'T1' and 'T2' (6.00 m²). A "
        "cell in both counts for the one that comes first in the layer."
    ]


def test_read_turf_that_only_touches_is_no_warning(tmp_path: Path) -> None:
    shapes = [ring(*SQUARE), ring((6, 0), (9, 0), (9, 6), (6, 6))]
    _, problems = build.read(tmp_path, turf=build.turf(shapes))
    assert problems == ProblemList()


def test_read_turf_without_compaction_is_as_the_tables_have_it(tmp_path: Path) -> None:
    shapes = [ring(*SQUARE), ring((6, 0), (9, 0), (9, 6), (6, 6))]
    reading, problems = build.read(tmp_path, turf=build.turf(shapes, compaction=["typical", None]))
    assert problems == ProblemList()
    assert reading.turf is not None
    assert reading.turf.compaction.tolist() == ["typical", "none"]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"turf_id": ["T1", "T1"]}, "turf_id must be unique; met more than once: 'T1'."),
        ({"soil_texture": ["loam", None]}, "soil_texture is empty for turf_id 'T2'."),
        ({"soil_texture": ["loam", "Clay"]}, "got 'Clay' for turf_id 'T2'. The nearest known is"),
        ({"soil_texture": None}, "has no column 'soil_texture'. Add it."),
        ({"compaction": ["none", "heavy"]}, "compaction must be one of none, typical, trafficked"),
        ({"slope_pct": [2.0, 501.0]}, "slope_pct must be at most 500; got 501.0 for turf_id 'T2'"),
        ({"slope_pct": [2.0, -1.0]}, "slope_pct must be at least 0; got -1.0 for turf_id 'T2'"),
        ({"root_depth": [150.0, 150.0]}, "column 'root_depth' names no unit."),
    ],
)
def test_read_turf_faulty_column_is_a_problem(
    tmp_path: Path, columns: dict[str, Any], words: str
) -> None:
    shapes = [ring(*SQUARE), ring((6, 0), (9, 0), (9, 6), (6, 6))]
    _, problems = build.read(tmp_path, turf=build.turf(shapes, **columns))
    assert any(words in problem for problem in problems.problems), problems.problems


def test_read_hardscape_without_a_surface_is_hardscape(tmp_path: Path) -> None:
    walk = gpd.GeoDataFrame(
        {"surface": ["concrete walk", None]},
        geometry=[ring((7, 0), (8, 0), (8, 6), (7, 6)), ring((9, 0), (10, 0), (10, 6), (9, 6))],
        crs=build.CRS,
    )
    reading, problems = build.read(tmp_path, hardscape=walk)
    assert problems == ProblemList()
    assert reading.hardscape is not None
    assert reading.hardscape.surface.tolist() == ["concrete walk", "hardscape"]


def test_read_hardscape_missing_geometry_names_the_feature(tmp_path: Path) -> None:
    walk = gpd.GeoDataFrame(
        {"surface": ["walk", "walk"]},
        geometry=[ring((7, 0), (8, 0), (8, 6), (7, 6)), None],
        crs=build.CRS,
    )
    _, problems = build.read(tmp_path, hardscape=walk)
    assert "for hardscape '(feature 2)'." in build.only(problems.problems)


def test_read_parcels_repeated_id_is_a_problem(tmp_path: Path) -> None:
    parcels = gpd.GeoDataFrame(
        {"parcel_id": ["P", "P"], "land_use": ["park", "walk"]},
        geometry=[ring(*SQUARE), ring((7, 0), (8, 0), (8, 6), (7, 6))],
        crs=build.CRS,
    )
    reading, problems = build.read(tmp_path, parcels=parcels)
    assert "parcel_id must be unique" in build.only(problems.problems)
    assert reading.parcels is not None
    assert list(reading.parcels.attributes) == ["parcel_id", "land_use"]
