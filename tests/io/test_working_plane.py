"""The working plane."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.errors import ProblemList
from geoirrig.io.working_plane import (
    PlaneOfWork,
    brought_into_plane,
    grid_north_turn_deg,
    horizontal_crs,
    is_mercator,
    metres_per_unit,
    plane_of_work,
)
from geoirrig.records import ObjectArray
from geoirrig.units import METRES_PER_FOOT


def patch(x: float, y: float, size: float) -> ObjectArray:
    return np.array([shapely.box(x, y, x + size, y + size)], dtype=object)


def plane_at(longitude: float, latitude: float, crs: int = 4326) -> PlaneOfWork:
    x, y = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude)
    plane = plane_of_work(
        pyproj.CRS(crs), patch(x, y, 1e-5), place="layer 'turf'", problems=ProblemList()
    )
    assert plane is not None
    return plane


@pytest.mark.parametrize(
    ("longitude", "latitude", "code"),
    [(-117.0, 36.0, 32611), (2.0, 48.0, 32631), (151.0, -33.0, 32756), (179.9, 10.0, 32660)],
)
def test_plane_of_work_degrees_take_the_local_utm_zone(
    longitude: float, latitude: float, code: int
) -> None:
    # Zone = ⌊(longitude + 180)/6⌋ + 1: 11, 31, 56 and 60.
    assert plane_at(longitude, latitude).crs.to_epsg() == code


def test_plane_of_work_keeps_the_datum_of_the_turf() -> None:
    assert plane_at(-117.0, 36.0, crs=4269).crs.to_epsg() == 26911  # NAD83


def test_plane_of_work_beyond_the_utm_zones_is_a_problem() -> None:
    problems = ProblemList()
    pole = patch(10.0, 89.0, 1e-5)
    assert plane_of_work(pyproj.CRS(4326), pole, place="layer 'turf'", problems=problems) is None
    assert problems.problems == [
        "Layer 'turf' lies at latitude 89.0, where no UTM zone is. Reproject it to a local "
        "projected CRS."
    ]


def test_plane_of_work_local_crs_is_a_problem() -> None:
    local = pyproj.CRS.from_wkt('LOCAL_CS["building grid",UNIT["metre",1]]')
    problems = ProblemList()
    patch_m = patch(0.0, 0.0, 1.0)
    assert plane_of_work(local, patch_m, place="layer 'turf'", problems=problems) is None
    assert "a CRS without a place on the earth (building grid)" in problems.problems[0]


def test_metres_per_unit_is_exact() -> None:
    assert metres_per_unit(pyproj.CRS(32611)) == 1.0
    assert metres_per_unit(pyproj.CRS(2227)) == 1200.0 / 3937.0
    assert metres_per_unit(pyproj.CRS(2222)) == METRES_PER_FOOT  # Arizona east, international feet


def test_horizontal_crs_of_a_compound_or_three_axes_is_flat() -> None:
    assert horizontal_crs(pyproj.CRS("EPSG:2227+5703")).to_epsg() == 2227
    assert horizontal_crs(pyproj.CRS(4979)).to_epsg() == 4326
    assert horizontal_crs(pyproj.CRS(32611)).to_epsg() == 32611


@pytest.mark.parametrize(
    ("code", "is_false"),
    [(3857, True), (3395, True), ("ESRI:102100", True), (32611, False), (2227, False)],
)
def test_is_mercator_tells_false_areas(code: int | str, is_false: bool) -> None:
    assert is_mercator(pyproj.CRS(code)) is is_false


def test_brought_into_plane_outside_the_projection_is_a_problem() -> None:
    problems = ProblemList()
    plane = plane_at(-117.0, 36.0)
    brought_into_plane(
        np.array([shapely.Point(500_000.0, 95.0)], dtype=object),
        pyproj.CRS(4326),
        plane,
        place="layer 'heads'",
        problems=problems,
    )
    assert problems.problems == [
        "Layer 'heads': 1 positions, such as (500000, 95), cannot be brought from WGS 84 into WGS "
        "84 / UTM zone 11N. Is the CRS the one that the layer was surveyed in?"
    ]


def test_brought_into_plane_polygon_with_a_corner_nowhere_is_none() -> None:
    problems, plane = ProblemList(), plane_at(-117.0, 36.0)
    lost = shapely.Polygon([(-117.0, 36.0), (500_000.0, 95.0), (-117.0, 36.1)])
    kept = shapely.box(-117.0, 36.0, -116.99, 36.01)
    found = brought_into_plane(
        np.array([kept, lost, None, kept], dtype=object),
        pyproj.CRS(4326),
        plane,
        place="layer 'turf'",
        problems=problems,
    )
    assert shapely.is_missing(found).tolist() == [False, True, True, False]
    assert found[0].equals_exact(found[3], 0.0)
    assert shapely.area(found[0]) == pytest.approx(901.3 * 1109.6, rel=0.01)  # a degree's hundredth
    assert len(problems.problems) == 1


def test_brought_into_plane_leaves_the_argument_as_it_was() -> None:
    plane = plane_at(-117.0, 36.0)
    before = patch(-117.0, 36.0, 1e-5)
    wkt = before[0].wkt
    brought_into_plane(
        before, pyproj.CRS(4326), plane, place="layer 'turf'", problems=ProblemList()
    )
    assert before[0].wkt == wkt


@settings(max_examples=20)
@given(st.floats(-175.0, 175.0), st.floats(-70.0, 70.0))
def test_plane_of_work_areas_are_true_anywhere(longitude: float, latitude: float) -> None:
    """UTM areas are true to 0.2 % within a zone: the scale is 0.9996 to 1.0010, squared."""
    place = patch(longitude, latitude, 1e-3)
    plane = plane_of_work(pyproj.CRS(4326), place, place="layer 'turf'", problems=ProblemList())
    assert plane is not None
    flat = brought_into_plane(
        place, pyproj.CRS(4326), plane, place="layer 'turf'", problems=ProblemList()
    )
    true_area, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(place[0])
    assert shapely.area(flat[0]) == pytest.approx(abs(true_area), rel=2.5e-3)


@pytest.mark.parametrize(("longitude", "latitude"), [(-115.2, 40.0), (-118.7, 34.0), (12.9, -41.0)])
def test_grid_north_turn_of_degrees_equals_the_published_convergence(
    longitude: float, latitude: float
) -> None:
    # Independent: the meridian convergence that PROJ computes from the projection's derivatives.
    plane = plane_at(longitude, latitude)
    factors = pyproj.Proj(plane.crs).get_factors(longitude, latitude)
    turn = grid_north_turn_deg(pyproj.CRS(4326), plane)
    assert turn == pytest.approx(-factors.meridian_convergence, abs=1e-3)
    assert abs(turn) > 0.5


def test_grid_north_turn_of_the_working_crs_itself_is_nothing() -> None:
    plane = plane_at(-117.0, 36.0)
    assert grid_north_turn_deg(plane.crs, plane) == pytest.approx(0.0, abs=1e-9)
