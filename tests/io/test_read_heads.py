"""Heads and what their nozzle makes of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geoirrig.errors import ProblemList
from geoirrig.records import SprinklerLayout
from tests.io import site_builder as build


def layout_of(folder: Path, **layers: Any) -> tuple[SprinklerLayout, ProblemList]:
    reading, problems = build.read(folder, **layers)
    assert reading.layout is not None
    return reading.layout, problems


def rows_of_q(*tests: tuple[float, float, float, float], **columns: Any) -> pd.DataFrame:
    """Rows of nozzle Q: (arc, pressure, flow, radius)."""
    arc, pressure, flow, radius = zip(*tests, strict=True)
    return pd.DataFrame(
        {
            "nozzle": ["Q"] * len(tests),
            "arc_deg": arc,
            "pressure_kpa": pressure,
            "flow_lpm": flow,
            "radius_m": radius,
            **columns,
        }
    )


# --- flow, radius, pressure ----------------------------------------------------------------------


def test_sprinkler_layout_flow_goes_with_the_root_of_pressure(tmp_path: Path) -> None:
    heads = build.heads(pressure_kpa=[200.0, 800.0, np.nan, 50.0])
    layout, problems = layout_of(tmp_path, heads=heads)
    # 12 L/min on the full circle at 200 kPa, a quarter of it at 90°: 3 L/min;
    # four times the pressure gives twice the flow, a quarter of it half.
    np.testing.assert_allclose(layout.flow_lpm, [3.0, 6.0, 3.0, 1.5], rtol=1e-12)
    # radius with P^(1/4): 6·4^(1/4) = 6·√2
    np.testing.assert_allclose(layout.radius_m, [6.0, 6.0 * 2**0.5, 6.0, 6.0 / 2**0.5], rtol=1e-12)
    assert layout.pressure_kpa.tolist() == [200.0, 800.0, 200.0, 50.0]
    assert problems == ProblemList()


def test_sprinkler_layout_between_tested_arcs_is_linear(tmp_path: Path) -> None:
    nozzles = rows_of_q((90.0, 200.0, 2.0, 4.0), (180.0, 200.0, 5.0, 5.0))
    heads = build.heads(arc_deg=[90.0, 135.0, 45.0, 270.0])
    layout, problems = layout_of(tmp_path, heads=heads, nozzles=nozzles)
    # halfway 3.5; below the tested arcs 2·45/90 = 1; above 5·270/180 = 7.5
    np.testing.assert_allclose(layout.flow_lpm, [2.0, 3.5, 1.0, 7.5], rtol=1e-12)
    np.testing.assert_allclose(layout.radius_m, [4.0, 4.5, 4.0, 5.0], rtol=1e-12)
    assert problems == ProblemList()


def test_sprinkler_layout_takes_each_tested_arc_at_the_heads_pressure(tmp_path: Path) -> None:
    nozzles = rows_of_q(
        (90.0, 100.0, 2.0, 4.0),
        (90.0, 400.0, 4.0, 5.0),
        (180.0, 100.0, 3.0, 4.0),
        (180.0, 400.0, 6.0, 5.0),
    )
    heads = build.heads(arc_deg=[90.0, 180.0, 135.0, 135.0], pressure_kpa=[400.0, 100, 100, 400])
    layout, _ = layout_of(tmp_path, heads=heads, nozzles=nozzles)
    np.testing.assert_allclose(layout.flow_lpm, [4.0, 3.0, 2.5, 5.0], rtol=1e-12)
    np.testing.assert_allclose(layout.radius_m, [5.0, 4.0, 4.0, 5.0], rtol=1e-12)


def test_sprinkler_layout_own_columns_prevail(tmp_path: Path) -> None:
    heads = build.heads(flow_lpm=[1.0, np.nan, np.nan, 2.0], radius_m=[np.nan, 4.0, np.nan, 3.0])
    layout, problems = layout_of(tmp_path, heads=heads)
    np.testing.assert_allclose(layout.flow_lpm, [1.0, 3.0, 3.0, 2.0], rtol=1e-12)
    np.testing.assert_allclose(layout.radius_m, [6.0, 4.0, 6.0, 3.0], rtol=1e-12)
    assert problems == ProblemList()


def test_sprinkler_layout_without_nozzles_needs_radius_and_flow(tmp_path: Path) -> None:
    heads = build.heads(nozzle=None, flow_gpm=[1.0] * 4, radius_ft=[15.0] * 4)
    layout, problems = layout_of(tmp_path, heads=heads, nozzles=None)
    assert problems == ProblemList()
    np.testing.assert_allclose(layout.flow_lpm, 3.785411784)
    np.testing.assert_allclose(layout.radius_m, 4.572)
    assert layout.nozzle.tolist() == [""] * 4
    assert layout.device.tolist() == [""] * 4
    assert np.isnan(layout.pressure_kpa).all()
    assert layout.profiles[0].distance_fraction == (0.0, 0.6, 1.0)


def test_sprinkler_layout_of_several_tests_takes_the_lower_median_and_says_so(
    tmp_path: Path,
) -> None:
    nozzles = rows_of_q(*[(360.0, p, 12.0, 6.0) for p in (100.0, 200.0, 300.0, 400.0)])
    heads = build.heads(pressure_kpa=[np.nan, np.nan, 300.0, np.nan])
    layout, problems = layout_of(tmp_path, heads=heads, nozzles=nozzles)
    assert layout.pressure_kpa.tolist() == [200.0, 200.0, 300.0, 200.0]
    assert problems.problems == []
    assert problems.warnings == [
        "Nozzle 'Q' was tested at 4 pressures and 3 heads with it state none; 200 kPa is taken. "
        "State pressure_kpa to be sure."
    ]


def test_sprinkler_layout_rated_range_and_trajectory_come_from_the_nozzle(tmp_path: Path) -> None:
    nozzles = build.nozzles(
        pressure_min_kpa=[100.0], pressure_max_psi=[50.0], rotation_s=[75.0], trajectory_deg=[25.0]
    )
    heads = build.heads(trajectory_deg=[np.nan, 10.0, np.nan, 0.0], pressure_kpa=[900.0] * 4)
    layout, problems = layout_of(tmp_path, heads=heads, nozzles=nozzles)
    assert problems == ProblemList()
    assert layout.trajectory_deg.tolist() == [25.0, 10.0, 25.0, 0.0]
    assert layout.rotation_s.tolist() == [75.0] * 4
    np.testing.assert_allclose(layout.pressure_min_kpa, 100.0)
    np.testing.assert_allclose(layout.pressure_max_kpa, 344.73786465841805)  # 50 × 6.894757…
    # Above the range the radius stays that of its upper end.
    np.testing.assert_allclose(layout.radius_m, 6.0 * (344.73786465841805 / 200.0) ** 0.25)


def test_sprinkler_layout_bearing_of_360_is_north(tmp_path: Path) -> None:
    layout, problems = layout_of(
        tmp_path, heads=build.heads(start_bearing_deg=[360.0, 90.0, 180.0, 270.0])
    )
    assert problems == ProblemList()
    assert layout.start_bearing_deg.tolist() == [0.0, 90.0, 180.0, 270.0]


def test_sprinkler_layout_arc_absent_is_the_full_circle(tmp_path: Path) -> None:
    layout, problems = layout_of(tmp_path, heads=build.heads(arc_deg=None, start_bearing_deg=None))
    assert problems == ProblemList()
    assert layout.arc_deg.tolist() == [360.0] * 4
    np.testing.assert_allclose(layout.flow_lpm, 12.0)


# --- profiles ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("device", "core"), [("fixed_spray", 0.6), ("rotary_nozzle", 0.4), ("rotor", 0.4)]
)
def test_sprinkler_layout_default_profile_goes_with_the_device(
    tmp_path: Path, device: str, core: float
) -> None:
    layout, _ = layout_of(tmp_path, nozzles=build.nozzles(device=[device]))
    assert layout.device.tolist() == [device] * 4
    assert layout.profile_index.tolist() == [0] * 4
    assert layout.profiles[0].distance_fraction == (0.0, core, 1.0)


def test_sprinkler_layout_measured_profile_prevails(tmp_path: Path) -> None:
    profiles = pd.DataFrame(
        {"profile": ["P", "P"], "distance_fraction": [0.0, 1.0], "relative_rate": [1.0, 0.0]}
    )
    layout, problems = layout_of(tmp_path, nozzles=build.nozzles(profile=["P"]), profiles=profiles)
    assert problems == ProblemList()
    assert [p.name for p in layout.profiles] == ["P"]


def test_sprinkler_layout_unknown_nozzle_names_the_nearest(tmp_path: Path) -> None:
    _, problems = layout_of(
        tmp_path,
        heads=build.heads(nozzle=["FS-45", "FS-4.5", "FS-4.5", "x"]),
        nozzles=build.nozzles(nozzle=["FS-4.5"]),
    )
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': unknown nozzle; got 'FS-45' for head_id 'SW', 'x' for 'SE'. "
        "Correct the name or add it to the nozzles table. The nearest known is 'FS-4.5'."
    )


def test_sprinkler_layout_nozzle_without_a_table_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, nozzles=None)
    assert "unknown nozzle, there is no usable nozzles table; got 'Q' for head_id 'SW'" in (
        build.only(problems.problems)
    )


def test_sprinkler_layout_faulty_nozzle_is_told_once(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, nozzles=build.nozzles(radius_m=[-1.0]))
    assert build.only(problems.problems) == (
        "radius_m must be greater than 0 m; got -1.0 for nozzle 'Q'. Correct layer 'nozzles' of "
        "'site.gpkg'."
    )


# --- rows ----------------------------------------------------------------------------------------


def test_read_heads_part_circle_without_bearing_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(
        tmp_path, heads=build.heads(start_bearing_deg=[np.nan, 90.0, 180.0, np.nan])
    )
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': start_bearing_deg is needed where arc_deg is below 360; it "
        "is missing for head_id 'SW', 'SE'. Give the compass bearing from which the arc sweeps "
        "clockwise."
    )


def test_read_heads_bearing_out_of_range_is_told_once(tmp_path: Path) -> None:
    _, problems = layout_of(
        tmp_path, heads=build.heads(start_bearing_deg=[-10.0, 90.0, 361.0, 270.0])
    )
    assert problems.problems == [
        "start_bearing_deg must be at least 0; got -10.0 for head_id 'SW'. Correct layer 'heads' "
        "of 'site.gpkg'.",
        "start_bearing_deg must be at most 360; got 361.0 for head_id 'NE'. Correct layer 'heads' "
        "of 'site.gpkg'.",
    ]


def test_read_heads_without_nozzle_or_throw_is_a_problem(tmp_path: Path) -> None:
    heads = build.heads(nozzle=["Q", None, "", "Q"], radius_m=[np.nan, 4.0, np.nan, np.nan])
    _, problems = layout_of(tmp_path, heads=heads)
    assert problems.problems == [
        "Layer 'heads' of 'site.gpkg': no nozzle and no radius for head_id 'NE'. Give the nozzle, "
        "or both radius and flow.",
        "Layer 'heads' of 'site.gpkg': no nozzle and no flow for head_id 'NW', 'NE'. Give the "
        "nozzle, or both radius and flow.",
    ]


def test_read_heads_without_throw_columns_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=build.heads(nozzle=None))
    assert "needs either a column 'nozzle', or both a radius" in build.only(problems.problems)


def test_read_heads_without_zone_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=build.heads(zone=["A", None, " ", "A"]))
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': zone is empty for head_id 'NW', 'NE'. Every row needs one."
    )


def test_read_heads_zero_heads_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=build.heads().iloc[:0])
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg' holds no heads. Draw them first."
    )


def test_read_heads_with_heights_are_taken_flat(tmp_path: Path) -> None:
    heads = build.heads()
    high = heads.set_geometry(shapely.force_3d(heads.geometry.to_numpy(), z=120.0), crs=build.CRS)
    layout, problems = layout_of(tmp_path, heads=high)
    assert problems == ProblemList()
    assert layout.y_m.tolist() == [build.Y0, build.Y0 + 6.0, build.Y0 + 6.0, build.Y0]


def _with_geometry(geometry: list[Any]) -> gpd.GeoDataFrame:
    return build.heads().set_geometry(geometry, crs=build.CRS)


def test_read_heads_multipoint_of_one_is_a_point_and_of_two_a_problem(tmp_path: Path) -> None:
    one, two, point = (
        shapely.MultiPoint([(build.X0, build.Y0)]),
        shapely.MultiPoint([(build.X0, build.Y0 + 6), (build.X0 + 1, build.Y0 + 6)]),
        shapely.Point(build.X0 + 6, build.Y0 + 6),
    )
    last = shapely.MultiPoint([(build.X0 + 6, build.Y0)])
    _, problems = layout_of(tmp_path, heads=_with_geometry([one, two, point, last]))
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': a multipoint must have one member; got 2 for head_id 'NW'. "
        "Split it into points."
    )


def test_read_heads_empty_and_missing_geometry_are_problems(tmp_path: Path) -> None:
    points = build.heads().geometry.tolist()
    heads = _with_geometry([points[0], shapely.Point(), None, points[3]])
    _, problems = layout_of(tmp_path, heads=heads)
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': the geometry is empty, or cannot be read, for head_id 'NW', "
        "'NE'. Draw it or remove the row."
    )


def test_read_heads_drawn_as_polygons_are_a_problem(tmp_path: Path) -> None:
    heads = _with_geometry([p.buffer(0.1) for p in build.heads().geometry])
    _, problems = layout_of(tmp_path, heads=heads)
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': the geometry must be Point or MultiPoint; got 'Polygon' for "
        "head_id 'SW', 'Polygon' for 'NW', 'Polygon' for 'NE' and 1 more. Convert it."
    )


def test_read_heads_as_a_table_without_geometry_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=pd.DataFrame(build.heads().drop(columns="geometry")))
    assert "has no geometry. It must hold Point or MultiPoint features." in "\n".join(
        problems.problems
    )


def test_read_heads_twice_in_one_place_is_a_warning(tmp_path: Path) -> None:
    points = build.heads().geometry.tolist()
    near = shapely.Point(build.X0 + 0.03, build.Y0)
    _, problems = layout_of(tmp_path, heads=_with_geometry([points[0], near, *points[2:]]))
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'heads' of 'site.gpkg': two heads of one zone stand within 50 mm of each other: "
        "head_id 'SW' and 'NW'. Is one of them a double entry?"
    ]


def test_read_heads_of_two_zones_in_one_place_are_no_warning(tmp_path: Path) -> None:
    points = build.heads().geometry.tolist()
    heads = _with_geometry([points[0], points[0], *points[2:]])
    _, problems = layout_of(tmp_path, heads=heads.assign(zone=["A", "B", "A", "A"]))
    assert problems == ProblemList()


# --- heads and turf ------------------------------------------------------------------------------


def _one_moved(metres: float) -> gpd.GeoDataFrame:
    points = build.heads().geometry.tolist()
    return _with_geometry([*points[:3], shapely.Point(build.X0 + 6.0 + metres, build.Y0)])


def test_check_heads_reach_turf_head_off_the_turf_is_a_warning(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=_one_moved(6.1))  # it throws 6 m
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'heads' of 'site.gpkg': no turf within the throw of head_id 'SE'; all their water "
        "is overspray."
    ]


def test_check_heads_reach_turf_head_beside_the_turf_is_no_warning(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=_one_moved(5.9))
    assert problems == ProblemList()


def test_check_heads_reach_turf_head_far_away_is_a_problem(tmp_path: Path) -> None:
    _, problems = layout_of(tmp_path, heads=_one_moved(5000.0))
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': no turf is near; the nearest is 5000 m or more from head_id "
        "'SE'. Check the CRS of both layers and the positions."
    )


def test_check_heads_reach_turf_no_head_on_turf_is_a_problem(tmp_path: Path) -> None:
    heads = build.heads()
    heads = heads.set_geometry(heads.geometry.translate(100.0, 0.0))
    _, problems = layout_of(tmp_path, heads=heads)
    # 100 m less the 6 m of turf
    assert "the nearest is 94 m or more from head_id 'SW', 'NW', 'NE' and 1 more" in (
        build.only(problems.problems)
    )
