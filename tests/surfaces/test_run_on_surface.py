"""Run-on: published and hand-worked cases, a plain walk of the same event, and what must close."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.flow_direction import flow_bearing_deg
from geoirrig.physics.flow_routing import NOWHERE, OUTSIDE, FlowGraph, flow_graph
from geoirrig.physics.green_ampt import event_runoff_green_ampt, suction_deficit_mm
from geoirrig.physics.soil_properties import (
    GREEN_AMPT_SOILS,
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
    depression_storage_mm,
)
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    PrecipitationSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
    ZoneRate,
)
from geoirrig.surfaces.edge_runoff import area_litres, edge_crossings, run_on_columns
from geoirrig.surfaces.run_on_kernels import Ground
from geoirrig.surfaces.run_on_surface import followed_downhill, run_on_surface, turf_flow
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface

MODELS = ("surface_storage", "green_ampt")


def rain(zone_rates, cell_size_m=1.0):
    """Rates of shape (n_zones, n_rows, n_cols); 0 is dry."""
    rates = np.asarray(zone_rates, dtype=np.float32)
    rates = rates[np.newaxis] if rates.ndim == 2 else rates
    n_rows, n_cols = rates.shape[1:]
    grid = RasterGrid(
        left_m=0.0,
        top_m=n_rows * cell_size_m,
        cell_size_m=cell_size_m,
        n_rows=n_rows,
        n_cols=n_cols,
    )
    return PrecipitationSurface(
        grid=grid,
        zone_rates=tuple(
            ZoneRate(
                cell=np.flatnonzero(rate > 0),
                rate_mm_h=rate.ravel()[rate.ravel() > 0],
                heads_reaching=np.ones(int((rate > 0).sum()), dtype=np.uint8),
            )
            for rate in rates
        ),
        precipitation_rate_mm_h=rates.max(axis=0),
        main_zone=np.where(rates.max(axis=0) > 0, rates.argmax(axis=0), -1).astype(np.int32),
        heads_reaching=np.ones(grid.shape, dtype=np.uint8),
        head_on_target_fraction=np.ones(1),
    )


def event_of(cycle_minutes, cycles=1, soak_minutes=0.0, pause_minutes=0.0):
    cycle = np.atleast_1d(np.asarray(cycle_minutes, dtype=float))
    cycles = np.broadcast_to(cycles, cycle.shape).astype(np.int64)
    soak = np.broadcast_to(np.asarray(soak_minutes, dtype=float), cycle.shape).copy()
    length = cycles * cycle + (cycles - 1) * soak + pause_minutes
    return EventPlan(
        start_minute=np.append(0.0, np.cumsum(length)[:-1]),
        cycles=cycles,
        cycle_minutes=cycle,
        soak_minutes=soak,
    )


def ground_of(flow, intake, storage, deficit=None):
    """Ground from values in the order of the raster; every cell has a soil of its own."""

    def ordered(values):
        values = np.asarray(values, dtype=float)
        return np.full(len(flow.cell), values) if values.ndim == 0 else values[flow.cell]

    return Ground(
        soil=np.arange(len(flow.cell), dtype=np.int32),
        intake_mm_h=ordered(intake),
        deficit_mm=ordered(0.0 if deficit is None else deficit),
        storage_mm=ordered(storage),
        is_steady=deficit is None,
    )


def flow_of(elevation, is_turf=None):
    elevation = np.asarray(elevation, dtype=float)
    bearing = flow_bearing_deg(elevation, pixel_width_m=1.0, pixel_height_m=1.0)
    return flow_graph(
        bearing, elevation, np.ones(elevation.shape, bool) if is_turf is None else is_turf
    )


def turf_of(texture):
    texture = np.atleast_1d(np.asarray(texture, dtype=object))
    return TurfAreas(
        turf_id=np.array([f"T{n}" for n in range(len(texture))], dtype=object),
        geometry=np.full(len(texture), None),
        soil_texture=texture,
        compaction=np.full(len(texture), "none", dtype=object),
        slope_pct=np.full(len(texture), np.nan),
        plant_type=np.full(len(texture), "cool_season_turf", dtype=object),
        root_depth_mm=np.full(len(texture), 150.0),
        attributes={},
    )


def by_cell(run_on, depth):
    """A depth of the result in the order of the raster, 0 off the turf."""
    values = np.zeros(run_on.grid.n_rows * run_on.grid.n_cols)
    values[run_on.flow.cell] = depth
    return values


def balance_error(run_on):
    """Greatest share of the water of a cell that is not accounted for, and of the event's."""
    arriving = np.nan_to_num(run_on.run_on_depth_mm.ravel()[run_on.flow.cell].astype(float))
    gone = run_on.infiltrated_mm + run_on.stored_mm + run_on.ponded_mm + run_on.left_mm
    cell = np.max(np.abs(run_on.applied_mm + arriving - gone), initial=0.0)
    crossings = edge_crossings(
        run_on, np.where(np.isnan(run_on.run_on_depth_mm), -1, 0), hardscape=None
    )
    kept = np.sum(gone - run_on.left_mm) * run_on.grid.cell_area_m2
    applied = np.sum(run_on.applied_mm) * run_on.grid.cell_area_m2
    return cell, abs(applied - kept - np.sum(crossings.leaving_l)) / max(applied, 1e-300)


# --- published and hand-worked cases -------------------------------------------------------------


@pytest.mark.parametrize("step_minutes", [60.0, 1.0, 0.37])
def test_followed_downhill_steady_run_on_is_absorbed_where_it_must_be(step_minutes):
    # Mass balance of a plane: i = 15.24 mm/h on ten cells that take in 5 and ten that take in
    # 30 mm/h. Ten cells shed 10·(15.24 − 5) = 102.4; each cell below has room for 30 − 15.24 =
    # 14.76, so 102.4/14.76 = 6.938 cells absorb it. The seventh, cell 17, gets 102.4 − 6·14.76 =
    # 13.84 and takes in 29.08.
    flow = flow_of(-0.1 * np.arange(20.0)[:, None])
    ground = ground_of(flow, np.repeat([5.0, 30.0], 10), 0.0)
    event = event_of(60.0)
    run_on = followed_downhill(
        rain(np.full((20, 1), 15.24)), event, flow, ground, longest_step_minutes=step_minutes
    )
    left, taken = by_cell(run_on, run_on.left_mm), by_cell(run_on, run_on.infiltrated_mm)
    assert left[9] == pytest.approx(102.4, rel=1e-6)  # rates are stored as float32
    assert taken[:10] == pytest.approx(np.full(10, 5.0), rel=1e-12)
    assert taken[10:16] == pytest.approx(np.full(6, 30.0), rel=1e-12)
    assert taken[16] == pytest.approx(29.08, rel=1e-5)
    assert taken[17:] == pytest.approx(np.full(3, 15.24), rel=1e-6)
    assert left[16:].tolist() == [0.0] * 4
    assert run_on.run_on_depth_mm[10, 0] == pytest.approx(102.4, rel=1e-6)
    absorbed = 6.0 + run_on.run_on_depth_mm[16, 0] / 14.76
    assert absorbed == pytest.approx(6.938, abs=5e-4)
    # without run-on the same slope sheds 10·10.24/20 = 5.12 mm on average
    alone = dataclasses.replace(flow, to=np.where(flow.to >= 0, OUTSIDE, flow.to))
    ground = ground_of(alone, np.repeat([5.0, 30.0], 10), 0.0)
    shed = followed_downhill(
        rain(np.full((20, 1), 15.24)), event, alone, ground, longest_step_minutes=step_minutes
    )
    assert np.mean(shed.left_mm) == pytest.approx(5.12, rel=1e-6)


# Drained area through the row above the south edge of an 11 × 11 plane that faces 22.5° east of
# south; two independent libraries agree on it to all printed digits.
TILTED_ROW = [2.0, 3.96, 5.78, 7.27, 8.27, 8.78, 8.96, 9.0, 9.0]


def tilted_plane(aspect_deg):
    aspect = np.radians(aspect_deg)
    x, y = np.meshgrid(np.arange(11.0), np.arange(11.0)[::-1])
    return -0.1 * (x * np.sin(aspect) + y * np.cos(aspect))


def drained_area(elevation, is_turf):
    """Cells drained through each cell: one mm of rain on ground that takes nothing in."""
    flow = flow_of(elevation, is_turf)
    water = rain(np.where(is_turf, 60.0, 0.0))
    ground = ground_of(flow, np.zeros(elevation.size), 0.0)
    run_on = followed_downhill(water, event_of(1.0), flow, ground, longest_step_minutes=1.0)
    assert balance_error(run_on)[1] < 1e-9
    return by_cell(run_on, run_on.left_mm).reshape(elevation.shape)


def inner_cells():
    inner = np.zeros((11, 11), dtype=bool)
    inner[1:-1, 1:-1] = True
    return inner


@pytest.mark.parametrize(("aspect_deg", "row"), [(157.5, TILTED_ROW), (180.0, [9.0] * 9)])
def test_followed_downhill_on_a_tilted_plane_drains_the_published_area(aspect_deg, row):
    area = drained_area(tilted_plane(aspect_deg), inner_cells())
    assert area[9, 1:-1] == pytest.approx(row, abs=0.005)


def landlab_area(elevation):
    """Drained area by landlab's D-infinity, without the cells of the border."""
    landlab = pytest.importorskip("landlab")
    components = pytest.importorskip("landlab.components")
    grid = landlab.RasterModelGrid(elevation.shape, xy_spacing=1.0)
    field = grid.add_field("topographic__elevation", elevation[::-1].ravel().copy(), at="node")
    assert field.size == elevation.size
    router = components.FlowAccumulator(grid, flow_director=components.FlowDirectorDINF)
    router.run_one_step()
    return grid.at_node["drainage_area"].reshape(elevation.shape)[::-1]


@pytest.mark.parametrize("aspect_deg", [157.5, 100.0, 200.0, 317.0])
def test_followed_downhill_drained_area_agrees_with_landlab(aspect_deg):
    elevation = tilted_plane(aspect_deg)
    area = drained_area(elevation, inner_cells())
    reference = landlab_area(elevation)
    assert area[1:-1, 1:-1] == pytest.approx(reference[1:-1, 1:-1], rel=1e-4)


@pytest.mark.parametrize("step_minutes", [1.0, 3.0])
def test_followed_downhill_green_ampt_pair_of_cells_equals_the_plain_equations(step_minutes):
    # The upper cell sheds in each step what the plain event sheds by its end less by its start;
    # the lower one is rained on by that and by its own share.
    conductivity, deficit = np.array([1.0, 6.5]), np.array([100.0, 50.0])
    storage = np.array([1.0, 0.5])
    flow = flow_of([[2.0, 1.0]])
    ground = ground_of(flow, conductivity, storage, deficit)
    event = event_of(12.0, cycles=3, soak_minutes=20.0)
    run_on = followed_downhill(
        rain([[45.0, 20.0]]), event, flow, ground, longest_step_minutes=step_minutes
    )
    per_pulse = round(12.0 / step_minutes)
    wet = np.tile(np.append(np.ones(per_pulse), 0.0), 3)[:-1]
    minutes = np.where(wet > 0.0, step_minutes, 20.0)
    shed = [
        float(
            event_runoff_green_ampt(
                45.0 * wet[:n], minutes[:n], conductivity[0], deficit[0], storage[0]
            ).runoff_mm
        )
        for n in range(1, len(wet) + 1)
    ]
    from_above = np.diff(shed, prepend=0.0)
    assert shed[-1] > 5.0
    below = event_runoff_green_ampt(
        20.0 * wet + from_above / (minutes / 60.0), minutes, conductivity[1], deficit[1], storage[1]
    )
    assert run_on.left_mm[0] == pytest.approx(shed[-1], rel=1e-6)
    assert run_on.left_mm[1] == pytest.approx(float(below.runoff_mm), rel=1e-6)
    assert run_on.infiltrated_mm[1] == pytest.approx(float(below.infiltrated_mm), rel=1e-6)
    assert run_on.stored_mm[1] == pytest.approx(float(below.stored_mm), rel=1e-6)


def test_followed_downhill_pulses_and_soaks_by_hand():
    # Upper cell: 30 mm/h on 10 mm/h intake and 2 mm storage; 6 minutes bring 2 mm. First pulse:
    # 2 mm stand, nothing leaves. Soak of 6 minutes: 1 mm goes. Second pulse: 1 + 2 − 2 = 1 mm
    # leaves, all in the last half. Lower cell, dry: takes the 1 mm in at 20 mm/h, no storage;
    # within one step of 6 minutes 1 mm arrives at 10 mm/h.
    flow = flow_of([[2.0, 1.0]])
    ground = ground_of(flow, [10.0, 20.0], [2.0, 0.0])
    event = event_of(6.0, cycles=2, soak_minutes=6.0)
    run_on = followed_downhill(rain([[30.0, 0.0]]), event, flow, ground, longest_step_minutes=6.0)
    assert run_on.left_mm.tolist() == pytest.approx([1.0, 0.0])
    assert run_on.infiltrated_mm.tolist() == pytest.approx([3.0, 1.0])
    assert run_on.stored_mm.tolist() == pytest.approx([2.0, 0.0])
    # in steps of 3 minutes that 1 mm comes within the last one, at 20 mm/h: still taken in
    # in steps of 2 minutes it comes as 1/3 mm in the second and 2/3 mm in the third: 20 mm/h
    finer = followed_downhill(rain([[30.0, 0.0]]), event, flow, ground, longest_step_minutes=2.0)
    assert finer.infiltrated_mm.tolist() == pytest.approx([3.0, 1.0])


def test_followed_downhill_water_in_a_pit_stands_and_goes_on_soaking_in():
    # The middle cell is a pit: 60 minutes at 20 mm/h on three cells of 5 mm/h, storage 1 mm. The
    # outer ones shed 20 − 5 − 1 = 14 mm each; the pit gets 48 mm, takes in 5, holds 43, of which
    # 42 are beyond its storage. A second zone elsewhere runs another hour: 5 mm more soak in.
    flow = flow_of([[2.0, 1.0, 2.0, 3.0]])
    ground = ground_of(flow, 5.0, 1.0)
    rates = np.array([[[20.0, 20.0, 20.0, 0.0]], [[0.0, 0.0, 0.0, 4.0]]])
    first = followed_downhill(
        rain(rates[:1]), event_of(60.0), flow, ground, longest_step_minutes=1.0
    )
    assert by_cell(first, first.ponded_mm) == pytest.approx([0.0, 42.0, 0.0, 0.0])
    assert by_cell(first, first.stored_mm) == pytest.approx([1.0, 1.0, 1.0, 0.0])
    both = followed_downhill(
        rain(rates), event_of([60.0, 60.0]), flow, ground, longest_step_minutes=1.0
    )
    assert by_cell(both, both.ponded_mm) == pytest.approx([0.0, 37.0, 0.0, 0.0])
    assert by_cell(both, both.stored_mm) == pytest.approx([0.0, 1.0, 0.0, 0.0])
    assert both.run_on_depth_mm[0].tolist() == pytest.approx([0.0, 28.0, 0.0, 0.0])
    assert max(balance_error(both)) < 1e-6


def test_followed_downhill_on_level_ground_everything_stays():
    flow = flow_of(np.zeros((4, 5)))
    run_on = followed_downhill(
        rain(np.full((4, 5), 30.0)),
        event_of(60.0),
        flow,
        ground_of(flow, np.full(20, 10.0), 2.0),
        longest_step_minutes=1.0,
    )
    assert np.all(run_on.left_mm == 0.0)
    assert run_on.ponded_mm == pytest.approx(np.full(20, 18.0))


def test_followed_downhill_ground_that_takes_nothing_in_sheds_all():
    random = np.random.default_rng(2)
    elevation = -0.5 * np.arange(9.0)[:, None] + 0.1 * random.random((9, 7))
    flow = flow_of(elevation)
    run_on = followed_downhill(
        rain(random.uniform(1.0, 40.0, (9, 7))),
        event_of(7.3),
        flow,
        ground_of(flow, np.zeros(63), 0.0),
        longest_step_minutes=1.0,
    )
    crossings = edge_crossings(run_on, np.zeros((9, 7), np.int32), hardscape=None)
    assert np.sum(crossings.leaving_l) == pytest.approx(np.sum(run_on.applied_mm), rel=1e-12)
    assert np.all(run_on.infiltrated_mm == 0.0)


# --- against the plain equations -----------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_run_on_surface_without_ways_between_cells_equals_the_runoff_risk_surface(model):
    random = np.random.default_rng(4)
    textures = list(GREEN_AMPT_SOILS)
    shape = (6, 40)
    rates = random.uniform(3.0, 60.0, (3, *shape)) * (random.random((3, *shape)) < 0.6)
    water = rain(rates)
    cells = TurfCells(
        grid=water.grid,
        turf_index=random.integers(-1, len(textures), shape).astype(np.int32),
    )
    terrain = TerrainSurface(
        grid=water.grid, slope_pct=random.uniform(0.0, 25.0, shape).astype(np.float32)
    )
    event = event_of([15.0, 9.5, 40.0], [2, 3, 1], [20.0, 8.0, 0.0], pause_minutes=5.0)
    options = AnalysisSettings(runoff_model=model)
    cell = np.flatnonzero(cells.turf_index >= 0)
    flow = FlowGraph(
        cell=cell,
        to=np.tile(np.int32([OUTSIDE, NOWHERE]), (len(cell), 1)),
        octant=np.tile(np.int8([4, -1]), (len(cell), 1)),
        first_share=np.ones(len(cell), dtype=np.float32),
    )
    inputs = (water, terrain, cells, turf_of(textures), event)
    run_on = run_on_surface(*inputs, flow, settings=options)
    risk = runoff_risk_surface(*inputs, settings=options)
    expected = risk.runoff_depth_mm.ravel()[cell]
    assert run_on.left_mm == pytest.approx(expected, rel=3e-6, abs=1e-6)
    assert 0.1 < np.mean(expected > 0.0) < 0.9
    assert np.all(run_on.run_on_depth_mm.ravel()[cell] == 0.0)
    assert np.all(np.isnan(run_on.run_on_depth_mm[cells.turf_index < 0]))


def plain_walk(rates, event, flow, ground, step_minutes):
    """The same event step by step over every cell, steady intake; arrays in the flow's order."""
    n_cells = len(flow.cell)
    stored, taken_in, left = np.zeros(n_cells), np.zeros(n_cells), np.zeros(n_cells)
    intake, clock = ground.intake_mm_h, 0.0
    for zone, rate in enumerate(rates):
        own = rate.ravel()[flow.cell].astype(np.float32).astype(float)
        for pulse in range(event.cycles[zone]):
            length = event.cycle_minutes[zone]
            start = event.start_minute[zone] + pulse * (length + event.soak_minutes[zone])
            taken = np.minimum(stored, intake * (start - clock) / 60.0)
            stored, taken_in = stored - taken, taken_in + taken
            n_steps = int(np.ceil(length / step_minutes - 1e-9))
            hours = length / n_steps / 60.0
            for _ in range(n_steps):
                falling = own * hours
                for cell in range(n_cells):
                    available = stored[cell] + falling[cell]
                    taken = min(intake[cell] * hours, available)
                    room = np.inf if flow.to[cell, 0] == NOWHERE else ground.storage_mm[cell]
                    excess = max(0.0, available - taken - room)
                    stored[cell] = available - taken - excess
                    taken_in[cell] += taken
                    left[cell] += excess
                    share = float(flow.first_share[cell])
                    for to, part in zip(flow.to[cell], (share, 1.0 - share), strict=True):
                        if to >= 0:
                            falling[to] += part * excess
            clock = start + length
    return stored, taken_in, left


@pytest.mark.parametrize("seed", range(4))
def test_followed_downhill_equals_a_plain_walk_of_every_cell(seed):
    random = np.random.default_rng(seed)
    shape = (9, 11)
    elevation = -0.3 * np.arange(11.0) + 0.2 * random.normal(size=shape)  # with pits
    is_turf = random.random(shape) < 0.85
    flow = flow_of(elevation, is_turf)
    rates = random.uniform(5.0, 50.0, (3, *shape)) * (random.random((3, 1, 11)) < 0.5)
    event = event_of([11.0, 4.5, 23.0], [2, 3, 1], [13.0, 8.0, 0.0], pause_minutes=2.0)
    # an odd pause after the last pulse must not count
    ground = ground_of(flow, random.uniform(2.0, 30.0, 99), random.uniform(0.0, 2.0, 99))
    run_on = followed_downhill(rain(rates), event, flow, ground, longest_step_minutes=1.0)
    wet = rates * is_turf
    stored, taken_in, left = plain_walk(wet, event, flow, ground, 1.0)
    assert run_on.stored_mm + run_on.ponded_mm == pytest.approx(stored, rel=1e-9, abs=1e-12)
    assert run_on.infiltrated_mm == pytest.approx(taken_in, rel=1e-9)
    assert run_on.left_mm == pytest.approx(left, rel=1e-9, abs=1e-12)
    assert np.sum(run_on.run_on_depth_mm > 0.0) > 10


# --- what must hold for any site -----------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_run_on_surface_water_of_every_polygon_is_accounted_for(model):
    random = np.random.default_rng(8)
    shape = (40, 30)
    water = rain(random.uniform(0.0, 60.0, (3, *shape)) * (random.random((3, *shape)) < 0.7), 0.5)
    index = np.minimum(3, np.arange(40) // 8)[:, None] - 1 + np.zeros(shape, dtype=int)
    index[random.random(shape) < 0.05] = -1
    cells = TurfCells(grid=water.grid, turf_index=index.astype(np.int32))
    options = AnalysisSettings(runoff_model=model)
    elevation = -0.05 * np.arange(40.0)[:, None] + 0.03 * random.normal(size=shape)
    flow = turf_flow(elevation, cells, settings=options)
    terrain = TerrainSurface(grid=water.grid, slope_pct=np.full(shape, 10.0, np.float32))
    event = event_of([10.0, 7.0, 12.0], [3, 2, 1], [15.0, 9.0, 0.0])
    turf = turf_of(["clay", "loam", "silty_clay"])
    run_on = run_on_surface(water, terrain, cells, turf, event, flow, settings=options)
    crossings = edge_crossings(run_on, cells.turf_index, hardscape=None)
    columns = run_on_columns(run_on, crossings, cells.turf_index, 3)

    def litres(depth):
        return area_litres(run_on, depth, cells.turf_index, 3)

    comes = litres(run_on.applied_mm) + columns["run_on_l"]
    goes = litres(run_on.infiltrated_mm + run_on.stored_mm) + columns["ponded_l"]
    assert comes == pytest.approx(goes + columns["leaving_l"], rel=1e-9)
    assert np.sum(columns["to_turf_l"]) == pytest.approx(np.sum(columns["run_on_l"]), rel=1e-12)
    assert np.all(columns["leaving_l"] > 0.0)
    assert columns["run_on_l"][1] > 0.0
    event_error = balance_error(run_on)
    assert event_error[0] < 1e-3 * np.max(run_on.left_mm)  # run-on is shown as float32
    assert event_error[1] < 1e-9


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    model=st.sampled_from(MODELS),
    fall=st.sampled_from([0.0, 0.05]),
    fill_mm=st.sampled_from([0.0, 20.0, 1000.0]),
    step=st.sampled_from([0.5, 1.0, 7.0]),
)
def test_run_on_surface_on_noise_ends_and_closes(seed, model, fall, fill_mm, step):
    random = np.random.default_rng(seed)
    shape = (12, 13)
    elevation = fall * np.arange(13.0) + 0.03 * random.normal(size=shape)
    elevation[random.random(shape) < 0.05] = np.nan
    water = rain(random.uniform(0.0, 80.0, (2, *shape)) * (random.random((2, *shape)) < 0.7))
    cells = TurfCells(grid=water.grid, turf_index=random.integers(-1, 2, shape).astype(np.int32))
    options = AnalysisSettings(
        runoff_model=model, pit_fill_depth_mm=fill_mm, run_on_step_minutes=step
    )
    flow = turf_flow(elevation, cells, settings=options)
    terrain = TerrainSurface(
        grid=water.grid, slope_pct=random.uniform(0.0, 30.0, shape).astype(np.float32)
    )
    event = event_of([20.0, 11.0], [2, 3], [9.0, 4.0])
    turf = turf_of(["clay", "silt_loam"])
    run_on = run_on_surface(water, terrain, cells, turf, event, flow, settings=options)
    for depth in (run_on.infiltrated_mm, run_on.stored_mm, run_on.ponded_mm, run_on.left_mm):
        assert np.all(depth >= 0.0)
        assert np.all(np.isfinite(depth))
    assert balance_error(run_on)[1] < 1e-9


def test_followed_downhill_halving_the_step_converges():
    # Rain on the upper two thirds only; the lower third takes in most of what comes, and how much
    # depends on when it comes.
    random = np.random.default_rng(5)
    elevation = -0.1 * np.arange(30.0)[:, None] + 0.01 * random.random((30, 20))
    rates = np.where(np.arange(30)[:, None] < 20, random.uniform(15.0, 40.0, (30, 20)), 0.0)
    flow = flow_of(elevation)
    intake = random.uniform(2.0, 10.0, 600) + np.where(np.arange(600) < 400, 0.0, 35.0)
    ground = ground_of(flow, intake, random.uniform(0.0, 4.0, 600))

    def leaving(step_minutes):
        run_on = followed_downhill(
            rain(rates),
            event_of(24.0, 2, 20.0),
            flow,
            ground,
            longest_step_minutes=step_minutes,
        )
        crossings = edge_crossings(run_on, np.zeros((30, 20), np.int32), hardscape=None)
        return float(np.sum(crossings.leaving_l))

    applied = 0.8 * np.sum(rates)  # 2 × 24 minutes on cells of 1 m²
    finest = leaving(1.0 / 64.0)
    errors = np.array([finest - leaving(step) for step in (8.0, 4.0, 2.0, 1.0, 0.5)]) / applied
    assert 0.05 < finest / applied < 0.1
    assert 0.0 < errors[3] < 0.002
    # the error goes with the step
    assert np.all((errors[:-1] / errors[1:] > 1.6) & (errors[:-1] / errors[1:] < 2.6))


def test_run_on_surface_slope_not_known_stores_nothing():
    water = rain([[30.0, 30.0]])
    cells = TurfCells(grid=water.grid, turf_index=np.zeros((1, 2), np.int32))
    flow = turf_flow(np.array([[2.0, 1.0]]), cells, settings=AnalysisSettings())
    terrain = TerrainSurface(grid=water.grid, slope_pct=np.array([[np.nan, 2.0]], np.float32))
    run_on = run_on_surface(
        water, terrain, cells, turf_of("clay"), event_of(60.0), flow, settings=AnalysisSettings()
    )
    intake = float(basic_intake_rate_mm_h("clay", compaction_factor=1.0))
    storage = float(allowable_surface_accumulation_mm("clay", 2.0))
    upper = 30.0 - intake
    assert by_cell(run_on, run_on.left_mm) == pytest.approx([upper, 2 * upper - storage])


def test_turf_flow_fills_shallow_hollows_and_leaves_deep_ones():
    elevation = -0.02 * np.arange(7.0) + np.zeros((3, 1))
    elevation[1, 3] -= 0.04  # 2 cm below its lowest neighbour
    cells = TurfCells(grid=rain(np.ones((3, 7))).grid, turf_index=np.zeros((3, 7), dtype=np.int32))

    def pits(fill_mm):
        options = AnalysisSettings(pit_fill_depth_mm=fill_mm)
        flow = turf_flow(elevation, cells, settings=options)
        return flow.cell[flow.to[:, 0] == NOWHERE].tolist()

    assert pits(5.0) == [10]
    assert pits(30.0) == []


def test_turf_flow_of_the_steepest_neighbour_gives_all_to_one():
    random = np.random.default_rng(7)
    elevation = -0.05 * np.arange(9.0) + 0.02 * random.normal(size=(9, 9))
    cells = TurfCells(grid=rain(np.ones((9, 9))).grid, turf_index=np.zeros((9, 9), np.int32))
    options = AnalysisSettings(flow_direction="steepest_neighbour")
    flow = turf_flow(elevation, cells, settings=options)
    assert np.all(flow.to[:, 1] == NOWHERE)
    assert np.all(flow.first_share == 1.0)


def test_green_ampt_ground_uses_the_depression_storage_and_the_tabulated_soil():
    # One cell, by the plain equations.
    soil = GREEN_AMPT_SOILS["clay"]
    deficit = float(
        suction_deficit_mm(
            soil.suction_mm, soil.effective_porosity, initial_saturation_fraction=0.5
        )
    )
    storage = float(depression_storage_mm("clay", 9.0, flat_storage_mm=2.5))
    expected = event_runoff_green_ampt([40.0], [30.0], soil.conductivity_mm_h, deficit, storage)
    water = rain([[40.0, 0.0]])
    cells = TurfCells(grid=water.grid, turf_index=np.array([[0, -1]], np.int32))
    options = AnalysisSettings(runoff_model="green_ampt")
    flow = turf_flow(np.array([[2.0, 1.0]]), cells, settings=options)
    terrain = TerrainSurface(grid=water.grid, slope_pct=np.array([[9.0, np.nan]], np.float32))
    run_on = run_on_surface(
        water, terrain, cells, turf_of("clay"), event_of(30.0), flow, settings=options
    )
    assert run_on.left_mm[0] == pytest.approx(float(expected.runoff_mm), rel=1e-7)
