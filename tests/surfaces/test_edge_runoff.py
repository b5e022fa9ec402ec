"""Water over the edges of the turf: what it reaches, and where."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.flow_routing import FlowGraph, arriving_depth, flow_graph
from geoirrig.records import HardscapeAreas, RunOnSurface, TurfAreas
from geoirrig.surfaces.edge_runoff import (
    DESTINATIONS,
    area_litres,
    edge_crossings,
    edge_runoff,
    ponding_warnings,
    run_on_columns,
)
from geoirrig.surfaces.turf_cells import area_index


def objects(values):
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def turf_of(*geometry) -> TurfAreas:
    n_turf = len(geometry)
    return TurfAreas(
        turf_id=np.array(list("ABCDEF")[:n_turf], dtype=object),
        geometry=objects(geometry),
        soil_texture=np.full(n_turf, "clay", dtype=object),
        compaction=np.full(n_turf, "none", dtype=object),
        slope_pct=np.full(n_turf, np.nan),
        plant_type=np.full(n_turf, "cool_season_turf", dtype=object),
        root_depth_mm=np.full(n_turf, 150.0),
        attributes={},
    )


def run_on_of(grid: RasterGrid, flow: FlowGraph, left, ponded=0.0) -> RunOnSurface:
    """An event in which the cells send on what is given, in the order of the raster."""
    left = np.broadcast_to(np.asarray(left, float), grid.shape).ravel()[flow.cell].copy()
    ponded = np.broadcast_to(np.asarray(ponded, float), grid.shape).ravel()[flow.cell].copy()
    depth = np.full(grid.n_rows * grid.n_cols, np.nan, dtype=np.float32)
    depth[flow.cell] = arriving_depth(flow, left)
    return RunOnSurface(
        grid=grid,
        flow=flow,
        run_on_depth_mm=depth.reshape(grid.shape),
        applied_mm=left,
        infiltrated_mm=np.zeros_like(left),
        stored_mm=np.zeros_like(left),
        ponded_mm=ponded,
        left_mm=left,
    )


def falling(grid, is_turf, bearing):
    """Every cell of a plane that falls in one direction."""
    y, x = grid.cell_centre_y_m()[:, None], grid.cell_centre_x_m()
    angle = np.radians(bearing)
    elevation = -0.1 * (x * np.sin(angle) + y * np.cos(angle))
    return flow_graph(np.full(grid.shape, bearing, np.float32), elevation, is_turf)


@pytest.fixture
def three_lawns():
    """Lawn A north of B (3 × 2 cells of 1 m each), paving south of B; C apart to the east."""
    grid = RasterGrid(left_m=0.0, top_m=6.0, cell_size_m=1.0, n_rows=6, n_cols=6)
    turf = turf_of(shapely.box(0, 4, 3, 6), shapely.box(0, 2, 3, 4), shapely.box(4, 4, 6, 6))
    index = area_index(turf.geometry, grid)
    hardscape = HardscapeAreas(
        surface=np.array(["walk", "drive", "walk"], dtype=object),
        geometry=objects(
            [shapely.box(0, 1, 1, 2), shapely.box(1, 1, 2, 2), shapely.box(2, 1, 3, 2)]
        ),
    )
    return grid, turf, index, hardscape


def test_edge_crossings_three_lawns_by_hand(three_lawns):
    grid, turf, index, hardscape = three_lawns
    flow = falling(grid, index >= 0, 180.0)
    left = np.zeros(grid.shape)
    left[0, :] = 1.0  # stays within A and C
    left[1, :] = [1.0, 2.0, 3.0, 0.0, 4.0, 5.0]  # leaves A for B, and C for the open
    left[3, :3] = [6.0, 7.0, 8.0]  # leaves B for walk, drive and walk
    run_on = run_on_of(grid, flow, left)
    crossings = edge_crossings(run_on, index, hardscape=hardscape)
    columns = run_on_columns(run_on, crossings, index, 3)
    assert {name: values.tolist() for name, values in columns.items()} == {
        "run_on_l": [0.0, 6.0, 0.0],
        "leaving_l": [6.0, 21.0, 9.0],
        "to_hardscape_l": [0.0, 21.0, 0.0],
        "to_turf_l": [6.0, 0.0, 0.0],
        "off_site_l": [0.0, 0.0, 9.0],
        "ponded_l": [0.0, 0.0, 0.0],
    }
    table = edge_runoff(crossings, turf)
    columns = table.columns
    assert columns["leaving_l"].tolist() == [8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0]
    assert columns["turf_id"].tolist() == ["B", "B", "B", "C", "C", "A", "A", "A"]
    assert columns["reaches"].tolist() == ["hardscape"] * 3 + ["off site"] * 2 + ["turf"] * 3
    assert columns["reaches_name"].tolist() == ["walk", "drive", "walk", "", "", "B", "B", "B"]
    assert shapely.get_coordinates(table.geometry).tolist() == [
        [2.5, 2.0], [1.5, 2.0], [0.5, 2.0], [5.5, 4.0], [4.5, 4.0],
        [2.5, 4.0], [1.5, 4.0], [0.5, 4.0],
    ]  # fmt: skip
    assert columns["finding"][0] == "8.0 L (2.1 US gal) an event leave turf B here, onto walk."
    assert columns["finding"][3] == "5.0 L (1.3 US gal) an event leave turf C here, off the site."
    assert columns["finding"][7] == "1.0 L (0.3 US gal) an event leave turf A here, onto turf B."
    assert table.geometry_type == "Point"


def test_edge_crossings_without_hardscape_go_off_site(three_lawns):
    grid, _, index, _ = three_lawns
    run_on = run_on_of(grid, falling(grid, index >= 0, 180.0), 1.0)
    crossings = edge_crossings(run_on, index, hardscape=None)
    columns = run_on_columns(run_on, crossings, index, 3)
    assert columns["to_hardscape_l"].tolist() == [0.0, 0.0, 0.0]
    assert columns["off_site_l"].tolist() == [0.0, 3.0, 2.0]
    assert columns["to_turf_l"].tolist() == [3.0, 0.0, 0.0]


def test_edge_crossings_share_of_a_slanting_way(three_lawns):
    # bearing 189: 4/5 go south, 1/5 south-west; the cells of the west column lose that at once
    grid, _, index, hardscape = three_lawns
    run_on = run_on_of(grid, falling(grid, index >= 0, 189.0), 10.0)
    crossings = edge_crossings(run_on, index, hardscape=hardscape)
    columns = run_on_columns(run_on, crossings, index, 3)
    # A: its west cells lose 2 × 2 to the west; the row above B gives B 3 × 8 + 2 × 2
    assert columns["off_site_l"][0] == pytest.approx(4.0, rel=1e-6)
    assert columns["to_turf_l"][0] == pytest.approx(28.0, rel=1e-6)
    assert columns["to_hardscape_l"][1] == pytest.approx(28.0, rel=1e-6)
    assert columns["leaving_l"] == pytest.approx(
        columns["to_hardscape_l"] + columns["to_turf_l"] + columns["off_site_l"], rel=1e-12
    )


def test_edge_crossings_beyond_the_grid_are_off_site():
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=1.0, n_rows=1, n_cols=2)
    flow = falling(grid, np.ones((1, 2), bool), 90.0)
    run_on = run_on_of(grid, flow, 3.0)
    crossings = edge_crossings(run_on, np.zeros((1, 2), np.int32), hardscape=None)
    assert [DESTINATIONS[kind] for kind in crossings.reaches] == ["off site"]
    assert (crossings.x_m[0], crossings.y_m[0]) == (2.0, 0.5)


def test_edge_crossings_between_parts_of_one_polygon_are_turf_to_turf():
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=0.5, n_rows=1, n_cols=4)
    flow = falling(grid, np.ones((1, 4), bool), 90.0)
    parts = np.array([[0, 0, 1, 1]], np.int32)
    run_on = run_on_of(grid, flow, [[0.0, 4.0, 8.0, 12.0]], ponded=[[0.0, 0.0, 0.0, 2.0]])
    columns = run_on_columns(run_on, edge_crossings(run_on, parts, hardscape=None), parts, 2)
    assert columns["run_on_l"].tolist() == [0.0, 1.0]
    assert columns["to_turf_l"].tolist() == [1.0, 0.0]
    assert columns["off_site_l"].tolist() == [0.0, 3.0]
    assert columns["ponded_l"].tolist() == [0.0, 0.5]


def test_edge_crossings_of_cells_in_no_area_are_not_told():
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=1.0, n_rows=1, n_cols=3)
    flow = falling(grid, np.ones((1, 3), bool), 90.0)
    some = np.array([[0, -1, -1]], np.int32)
    run_on = run_on_of(grid, flow, 1.0)
    crossings = edge_crossings(run_on, some, hardscape=None)
    columns = run_on_columns(run_on, crossings, some, 1)
    # onto turf that is no area of this list
    assert columns["to_turf_l"].tolist() == [1.0]
    assert columns["run_on_l"].tolist() == [0.0]
    assert area_litres(run_on, run_on.left_mm, some, 1).tolist() == [1.0]


def test_edge_runoff_rows_are_stretches_of_a_metre_and_add_up():
    # A tilted lawn with a hole in it, on cells of 10 cm.
    outline = shapely.Point(10.0, 10.0).buffer(4.03)
    hole = shapely.Point(10.0, 10.5).buffer(1.02)
    turf = turf_of(outline.difference(hole), shapely.box(15.0, 8.0, 18.0, 12.0))
    grid = RasterGrid.covering(5.0, 5.0, 20.0, 15.0, cell_size_m=0.1)
    index = area_index(turf.geometry, grid)
    random = np.random.default_rng(1)
    run_on = run_on_of(grid, falling(grid, index >= 0, 200.0), random.uniform(0.0, 5.0, grid.shape))
    crossings = edge_crossings(run_on, index, hardscape=None)
    columns = run_on_columns(run_on, crossings, index, 2)
    table = edge_runoff(crossings, turf)
    litres, ids = table.columns["leaving_l"], table.columns["turf_id"]
    assert np.all(np.diff(litres) <= 0.0)
    assert table.columns["edge_runoff_id"].tolist() == list(range(1, len(litres) + 1))
    for number, turf_id in enumerate("AB"):
        own = ids == turf_id
        assert np.sum(litres[own]) == pytest.approx(columns["leaving_l"][number], rel=1e-12)
        edge = shapely.boundary(turf.geometry[number])
        assert np.max(shapely.distance(edge, table.geometry[own])) < 1e-9
        assert np.count_nonzero(own) <= 1 + shapely.length(edge)
    # the hole's north edge sheds into the hole, none of its south edge does
    near_hole = shapely.distance(hole.boundary, table.geometry[ids == "A"]) < 0.01
    assert np.all(shapely.get_y(table.geometry[ids == "A"])[near_hole] > 10.0)
    assert np.count_nonzero(near_hole) >= 2


def test_edge_runoff_stands_at_the_mean_of_its_stretch_weighted_by_litres():
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=0.25, n_rows=4, n_cols=4)
    turf = turf_of(shapely.box(0, 0, 1, 1))
    left = np.zeros((4, 4))
    left[3] = [1.0, 0.0, 0.0, 3.0]  # crossings at x = 0.125 and 0.875
    run_on = run_on_of(grid, falling(grid, np.ones((4, 4), bool), 180.0), left)
    crossings = edge_crossings(run_on, np.zeros((4, 4), np.int32), hardscape=None)
    table = edge_runoff(crossings, turf)
    assert table.columns["leaving_l"].tolist() == [0.25]
    assert shapely.get_coordinates(table.geometry)[0] == pytest.approx([0.6875, 0.0])


def test_edge_runoff_of_nothing_is_an_empty_layer(three_lawns):
    grid, turf, index, hardscape = three_lawns
    run_on = run_on_of(grid, falling(grid, index >= 0, 180.0), 0.0)
    table = edge_runoff(edge_crossings(run_on, index, hardscape=hardscape), turf)
    assert {len(values) for values in table.columns.values()} == {0}
    assert len(table.geometry) == 0


def test_ponding_warnings_name_the_polygon_and_the_litres():
    turf = turf_of(*[shapely.box(0, 0, 1, 1)] * 3)
    assert ponding_warnings(np.array([0.0, 12.0, 0.01]), turf) == (
        "turf: 12.0 L (3.2 US gal) of an event stand in hollows or on level ground of turf_id 'B' "
        "when its last pulse ends; water there has no way down.",
    )
