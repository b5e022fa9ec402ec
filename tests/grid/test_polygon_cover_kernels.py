"""Cells of polygons: the same as a raster library's, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.grid import polygon_cover_kernels as kernels
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.surfaces.turf_cells import area_index

GRID = RasterGrid(left_m=-2.0, top_m=7.0, cell_size_m=0.5, n_rows=24, n_cols=28)


def covered(
    polygons: list[shapely.Geometry], window: tuple[int, int, int, int] = (0, 0, 24, 28)
) -> np.ndarray:
    """Numbers of the polygons on a window of the grid."""
    _, points, offsets = shapely.to_ragged_array(polygons, include_z=False)
    rings = offsets[1] if len(offsets) == 2 else offsets[1][offsets[2]]
    outlines = kernels.Outlines(
        col=(points[:, 0] - GRID.left_m) / GRID.cell_size_m,
        row=(GRID.top_m - points[:, 1]) / GRID.cell_size_m,
        ring_point=offsets[0].astype(np.int64),
        polygon_ring=rings.astype(np.int64),
    )
    cover = np.full(window[2] * window[3], -1, dtype=np.int32)
    room = kernels.crossings_room(window[2], 1)
    for number in range(len(polygons)):
        room = kernels.cover_polygon(
            number, outlines, kernels.CellWindow(*window), number, cover, room
        )
    return cover.reshape(window[2:])


def test_cover_polygon_square_on_cell_edges() -> None:
    cover = covered([shapely.box(0.0, 1.0, 2.0, 4.0)])
    assert np.count_nonzero(cover == 0) == 4 * 6
    assert np.all(cover[6:12, 4:8] == 0)


def test_cover_polygon_first_of_the_table_has_the_cell() -> None:
    cover = covered([shapely.box(0, 0, 2, 2), shapely.box(1, 0, 3, 2)])
    assert np.count_nonzero(cover == 0) == 16
    assert np.count_nonzero(cover == 1) == 8


def test_cover_polygon_of_centres_on_sides_all_but_the_west_are_inside() -> None:
    # Centres lie at 0.25, 0.75 …, so that all four sides run through some.
    cover = covered([shapely.box(0.25, 0.25, 1.25, 1.25)])
    rows, cols = np.nonzero(cover == 0)
    assert set(cols) == {5, 6}  # of 4, 5, 6
    assert set(rows) == {11, 12, 13}


polygons = st.builds(
    lambda west, south, angles, reach, snap: _star(west, south, angles, reach, snap),
    st.floats(-2.0, 10.0),
    st.floats(-4.0, 6.0),
    st.lists(st.floats(0.0, 6.28), min_size=3, max_size=9, unique=True),
    st.lists(st.floats(0.1, 5.0), min_size=9, max_size=9),
    st.sampled_from([0.25, 0.125, 0.001]),
)


def _star(
    west: float, south: float, angles: list[float], reach: list[float], snap: float
) -> shapely.Geometry:
    """A polygon about a point, corners on a lattice; often with a hole, now and then in parts."""
    corners = [
        (west + r * np.cos(a), south + r * np.sin(a))
        for a, r in zip(sorted(angles), reach, strict=False)
    ]
    with np.errstate(all="ignore"):  # needles divide by their width of nothing
        star = shapely.set_precision(shapely.make_valid(shapely.Polygon(corners)), snap)
    hole = shapely.set_precision(
        shapely.box(west - 0.4, south - 0.4, west + 0.6, south + 0.7), snap
    )
    with_hole = star.difference(hole)
    parts = [
        part
        for part in shapely.get_parts(with_hole)
        if part.geom_type == "Polygon" and not part.is_empty
    ]
    return shapely.MultiPolygon(parts) if parts else shapely.box(0, 0, 1, 1)


@given(shapes=st.lists(polygons, min_size=1, max_size=4))
@settings(max_examples=300, deadline=None)
def test_cover_polygon_equals_the_raster_library(shapes: list[shapely.Geometry]) -> None:
    assert np.array_equal(covered(shapes), area_index(np.array(shapes, dtype=object), GRID))


@given(shapes=st.lists(polygons, min_size=1, max_size=3))
@settings(max_examples=100, deadline=None)
def test_cover_polygon_does_not_depend_on_the_window(shapes: list[shapely.Geometry]) -> None:
    part = covered(shapes, (5, 3, 11, 9))
    assert np.array_equal(part, covered(shapes)[5:16, 3:12])


def test_cover_polygon_room_grows_with_a_comb() -> None:
    teeth = [shapely.box(0.5 * k + 0.1, 0.0, 0.5 * k + 0.4, 3.0) for k in range(20)]
    comb = shapely.union_all([*teeth, shapely.box(0.0, 2.9, 10.0, 3.0)])
    assert np.array_equal(covered([comb]), area_index(np.array([comb], dtype=object), GRID))
    assert np.count_nonzero(covered([comb]) == 0) == pytest.approx(20 * 6, abs=1)
