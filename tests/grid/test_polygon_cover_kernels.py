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
    polygons: list[shapely.Geometry],
    window: tuple[int, int, int, int] = (0, 0, 24, 28),
    grid: RasterGrid = GRID,
) -> np.ndarray:
    """Numbers of the polygons on a window of a grid."""
    _, points, offsets = shapely.to_ragged_array(polygons, include_z=False)
    rings = offsets[1] if len(offsets) == 2 else offsets[1][offsets[2]]
    outlines = kernels.Outlines(
        col=(points[:, 0] - grid.left_m) / grid.cell_size_m,
        row=(grid.top_m - points[:, 1]) / grid.cell_size_m,
        ring_point=offsets[0].astype(np.int64),
        polygon_ring=rings.astype(np.int64),
    )
    room = kernels.CoverRoom(
        np.zeros(window[2] * kernels.words_of(window[3]), dtype=np.uint64),
        kernels.crossings_room(window[2], 1),
        kernels.runs_room(1),
    )
    n_runs = 0
    for number in range(len(polygons)):
        room, n_runs = kernels.cover_polygon(
            number, outlines, kernels.CellWindow(*window), number, room, n_runs
        )
    runs, cover = room.runs, np.full(window[2:], -1, dtype=np.int32)
    for run, n_cells in enumerate(np.diff(runs.first[: n_runs + 1])):
        row, col = runs.row[run] - window[0], runs.col[run] - window[1]
        assert np.all(cover[row, col : col + n_cells] == -1)  # no cell is in two runs
        cover[row, col : col + n_cells] = runs.polygon[run]
    return cover


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


@given(shapes=st.lists(polygons, min_size=1, max_size=4))
@settings(max_examples=100, deadline=None)
def test_cover_polygon_equals_the_raster_library_over_several_words(
    shapes: list[shapely.Geometry],
) -> None:
    fine = RasterGrid(left_m=-7.0, top_m=11.0, cell_size_m=0.125, n_rows=160, n_cols=176)
    assert fine.n_cols > 2 * kernels.WORD
    wanted = area_index(np.array(shapes, dtype=object), fine)
    assert np.array_equal(covered(shapes, (0, 0, 160, 176), fine), wanted)


def test_cover_polygon_counts_a_row_across_words_as_one_run() -> None:
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=1.0, n_rows=1, n_cols=200)
    outline = kernels.Outlines(
        col=np.array([10.0, 190.0, 190.0, 10.0, 10.0]),
        row=np.array([0.0, 0.0, 1.0, 1.0, 0.0]),
        ring_point=np.array([0, 5]),
        polygon_ring=np.array([0, 1]),
    )
    room = kernels.CoverRoom(
        np.zeros(kernels.words_of(grid.n_cols), dtype=np.uint64),
        kernels.crossings_room(1, 1),
        kernels.runs_room(1),
    )
    room, n_runs = kernels.cover_polygon(
        0, outline, kernels.CellWindow(0, 0, 1, grid.n_cols), 0, room, 0
    )
    assert n_runs == 1
    assert (room.runs.col[0], room.runs.first[1]) == (10, 180)


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
