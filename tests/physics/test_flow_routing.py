"""Ways downhill, their shares and their order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.physics.depressions import drained_elevation_m
from geoirrig.physics.flow_direction import flow_bearing_deg
from geoirrig.physics.flow_routing import (
    NOWHERE,
    OUTSIDE,
    FlowGraph,
    arriving_depth,
    flow_graph,
    neighbour_step,
)


def graph_of(elevation, is_ground=None, method="tarboton_1997", bearing=None) -> FlowGraph:
    elevation = np.asarray(elevation, dtype=float)
    if bearing is None:
        bearing = flow_bearing_deg(elevation, pixel_width_m=1.0, pixel_height_m=1.0, method=method)
    else:
        bearing = np.broadcast_to(np.float32(bearing), elevation.shape).copy()
    ground = np.isfinite(elevation) if is_ground is None else np.asarray(is_ground, dtype=bool)
    return flow_graph(bearing, elevation, ground)


def at(graph: FlowGraph, cell: int):
    """Ways of one cell of the raster: {flat number or OUTSIDE: share}."""
    place = int(np.flatnonzero(graph.cell == cell)[0])
    shares = (float(graph.first_share[place]), 1.0 - float(graph.first_share[place]))
    return {
        int(graph.cell[to]) if to >= 0 else int(to): share
        for to, share in zip(graph.to[place], shares, strict=True)
        if to != NOWHERE
    }


CONE = [[4.0, 5.0, 4.0], [5.0, 9.0, 5.0], [4.0, 5.0, 4.0]]  # every neighbour is lower


@pytest.mark.parametrize(
    ("bearing", "ways"),
    [
        (0.0, {1: 1.0}),
        (45.0, {2: 1.0}),
        (90.0, {5: 1.0}),
        (135.0, {8: 1.0}),
        (180.0, {7: 1.0}),
        (225.0, {6: 1.0}),
        (270.0, {3: 1.0}),
        (315.0, {0: 1.0}),
        (9.0, {1: 0.8, 2: 0.2}),  # 9/45 of the way from north to north-east
        (67.5, {2: 0.5, 5: 0.5}),
        (351.0, {0: 0.2, 1: 0.8}),  # the last octant closes the circle
    ],
)
def test_flow_graph_shares_a_bearing_by_its_angles(bearing, ways):
    graph = graph_of(CONE, bearing=bearing)
    assert at(graph, 4) == pytest.approx(ways, abs=1e-6)


def test_flow_graph_bearing_of_a_full_turn_is_north():
    assert at(graph_of(CONE, bearing=360.0), 4) == {1: 1.0}


def test_flow_graph_second_not_lower_first_gets_all():
    ground = np.array(CONE)
    ground[0, 2] = 9.0
    assert at(graph_of(ground, bearing=9.0), 4) == {1: 1.0}


def test_flow_graph_first_not_lower_second_gets_all():
    ground = np.array(CONE)
    ground[0, 1] = 10.0
    assert at(graph_of(ground, bearing=9.0), 4) == {2: 1.0}


def test_flow_graph_neither_lower_the_water_stays():
    ground = np.array(CONE)
    ground[0, 1:] = 9.0
    graph = graph_of(ground, bearing=9.0)
    assert at(graph, 4) == {}
    assert np.all(graph.octant[graph.cell == 4] == -1)


def test_flow_graph_ground_without_a_bearing_the_water_stays():
    assert at(graph_of(np.zeros((3, 3))), 4) == {}


def test_flow_graph_off_the_ground_and_off_the_raster_is_outside():
    ground = [[3.0, 2.0, 1.0]]
    graph = graph_of(ground, is_ground=[[True, True, False]], bearing=90.0)
    assert at(graph, 1) == {OUTSIDE: 1.0}
    assert at(graph_of(ground, bearing=90.0), 2) == {OUTSIDE: 1.0}


def test_flow_graph_neighbour_without_elevation_takes_water_only_if_outside():
    ground = [[3.0, 2.0, np.nan]]
    known = [[True, True, False]]
    assert at(graph_of(ground, is_ground=known, bearing=90.0), 1) == {OUTSIDE: 1.0}
    everywhere = graph_of(ground, is_ground=np.ones((1, 3)), bearing=90.0)
    assert at(everywhere, 1) == {}
    assert at(everywhere, 2) == {OUTSIDE: 1.0}


def test_flow_graph_no_ground_is_empty():
    graph = graph_of(np.zeros((2, 2)), is_ground=np.zeros((2, 2)))
    assert len(graph.cell) == 0
    assert graph.to.shape == (0, 2)


def test_flow_graph_follows_a_path_before_it_begins_another():
    # two rows that fall east: the cells of each lie together
    graph = graph_of(np.array([[3.0, 2.0, 1.0], [3.0, 2.0, 1.0]]), bearing=90.0)
    assert graph.cell.tolist() == [0, 1, 2, 3, 4, 5]


def test_neighbour_step_goes_round_the_compass():
    rows, cols = neighbour_step(np.arange(8, dtype=np.int8))
    assert list(zip(rows.tolist(), cols.tolist(), strict=True)) == [
        (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1),
    ]  # fmt: skip


def accumulated(graph: FlowGraph) -> np.ndarray:
    """Cells drained through each cell, itself included."""
    through = np.ones(len(graph.cell))
    for place in range(len(through)):
        share = float(graph.first_share[place])
        for to, part in zip(graph.to[place], (share, 1.0 - share), strict=True):
            if to >= 0:
                through[to] += part * through[place]
    return through


def test_arriving_depth_of_what_drains_through_is_what_drains_through_less_one():
    random = np.random.default_rng(3)
    graph = graph_of(random.normal(size=(20, 30)))
    through = accumulated(graph)
    assert arriving_depth(graph, through) == pytest.approx(through - 1.0, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n_rows=st.integers(1, 12),
    n_cols=st.integers(1, 12),
    rough=st.sampled_from([0.0, 0.01, 1.0]),
    levels=st.sampled_from([None, 3]),
    method=st.sampled_from(["tarboton_1997", "steepest_neighbour"]),
)
def test_flow_graph_on_noise_every_way_leads_down_and_onwards(
    seed, n_rows, n_cols, rough, levels, method
):
    random = np.random.default_rng(seed)
    ground = 0.1 * np.arange(n_cols) + rough * random.normal(size=(n_rows, n_cols))
    if levels is not None:  # level places and ties
        ground = np.round(ground * levels) / levels
    ground[random.random(ground.shape) < 0.1] = np.nan
    drained = drained_elevation_m(ground, deepest_m=0.05)
    is_ground = np.isfinite(ground) & (random.random(ground.shape) < 0.8)
    graph = graph_of(drained, is_ground=is_ground, method=method)
    assert sorted(graph.cell.tolist()) == np.flatnonzero(is_ground).tolist()
    height = drained.ravel()[graph.cell]
    for slot in range(2):
        goes_on = np.flatnonzero(graph.to[:, slot] >= 0)
        assert np.all(graph.to[goes_on, slot] > goes_on)
        assert np.all(height[graph.to[goes_on, slot]] < height[goes_on])
    assert np.all((graph.first_share > 0.0) & (graph.first_share <= 1.0))
    has_second = graph.to[:, 1] != NOWHERE
    assert np.all(graph.to[has_second, 0] != NOWHERE)
    assert np.all(graph.first_share[~has_second] == 1.0)
