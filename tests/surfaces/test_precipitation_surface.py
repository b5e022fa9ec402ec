"""Zones laid out one by one, and the event that they make."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import PrecipitationSurface, ZonePlan
from geoirrig.surfaces.precipitation_surface import (
    applied_depth_mm,
    event_plan,
    precipitation_surface,
    served_rates,
)
from tests.surfaces.lattice import UNIFORM, layout_of

GRID = RasterGrid(left_m=-10.0, top_m=10.0, cell_size_m=0.25, n_rows=80, n_cols=100)
EVERYWHERE = np.ones(GRID.shape, dtype=bool)


def two_zones(*, flows=(10.0, 20.0), x=(0.0, 6.0), **kwargs) -> PrecipitationSurface:
    layout = layout_of(x, [0.0, 0.0], np.array(flows), profile=trapezoid_profile(0.6), **kwargs)
    layout = dataclasses.replace(layout, zone_index=np.array([0, 1]))
    return precipitation_surface(layout, 2, GRID, on_turf=EVERYWHERE)


def plan(run_minutes, cycles=(1, 1), soaks=(0.0, 0.0)) -> ZonePlan:
    return ZonePlan(
        zone=("A", "B"),
        run_minutes=np.array(run_minutes),
        cycles=np.array(cycles),
        soak_minutes=np.array(soaks),
    )


def test_precipitation_surface_zones_are_never_added() -> None:
    water = two_zones()
    alone = [np.zeros(GRID.shape), np.zeros(GRID.shape)]
    for zone, rate in enumerate(water.zone_rates):
        alone[zone].ravel()[rate.cell] = rate.rate_mm_h
    both = (alone[0] > 0.0) & (alone[1] > 0.0)
    assert np.count_nonzero(both) > 100
    assert np.array_equal(water.precipitation_rate_mm_h, np.maximum(*alone).astype(np.float32))
    assert np.array_equal(water.main_zone[both], (alone[1] > alone[0])[both].astype(int))
    assert water.heads_reaching.max() == 1


def test_precipitation_surface_of_equal_rates_the_first_zone_is_main() -> None:
    water = two_zones(flows=(10.0, 10.0), x=(0.0, 0.0))
    assert set(np.unique(water.main_zone)) == {-1, 0}


def test_precipitation_surface_mass_closes_by_zone() -> None:
    # Single precision of the kept rates: 2^-24 of each.
    for rate, flow in zip(two_zones().zone_rates, (10.0, 20.0), strict=True):
        litres_h = rate.rate_mm_h.astype(np.float64).sum() * GRID.cell_area_m2
        assert litres_h == pytest.approx(60.0 * flow, rel=1e-7)


def test_precipitation_surface_on_target_share_of_a_halved_circle() -> None:
    layout = layout_of([0.0], [0.0], 10.0, profile=UNIFORM)
    north = np.broadcast_to((GRID.cell_centre_y_m() > 0.0)[:, None], GRID.shape)
    water = precipitation_surface(layout, 1, GRID, on_turf=north)
    assert water.head_on_target_fraction == pytest.approx([0.5], rel=1e-9)


def test_event_plan_without_minutes_gives_the_event_depth() -> None:
    # Mean of 10 and 30 is 20 mm/h: 12.7 mm take 60·12.7/20 = 38.1 minutes.
    event = event_plan(
        plan([np.nan, 15.0]), (np.array([10.0, 30.0]), np.array([5.0])), event_depth_mm=12.7
    )
    assert event.run_minutes.tolist() == pytest.approx([38.1, 15.0])
    assert event.start_minute.tolist() == pytest.approx([0.0, 38.1])


def test_event_plan_zones_follow_one_another_with_their_soaks() -> None:
    # Zone A: 3 cycles of 10 minutes with 20 minutes between them: 70 minutes in all.
    event = event_plan(
        plan([30.0, 12.0], cycles=(3, 2), soaks=(20.0, 5.0)),
        (np.array([10.0]), np.array([10.0])),
        event_depth_mm=12.7,
    )
    assert event.cycle_minutes.tolist() == [10.0, 6.0]
    assert event.start_minute.tolist() == [0.0, 70.0]


def test_event_plan_zone_that_serves_no_turf_does_not_run_unless_planned() -> None:
    event = event_plan(plan([np.nan, 9.0]), (np.empty(0), np.empty(0)), event_depth_mm=12.7)
    assert event.run_minutes.tolist() == [0.0, 9.0]


def test_applied_depth_sums_over_zones() -> None:
    water = two_zones()
    event = event_plan(plan([30.0, 60.0]), served_rates(water, EVERYWHERE), event_depth_mm=12.7)
    litres = applied_depth_mm(water, event).astype(np.float64).sum() * GRID.cell_area_m2
    assert litres == pytest.approx(10.0 * 30.0 + 20.0 * 60.0, rel=1e-6)


def test_served_rates_are_those_of_the_main_zone_on_turf() -> None:
    water = two_zones()
    west = np.broadcast_to(GRID.cell_centre_x_m() < 3.0, GRID.shape)
    rates = served_rates(water, west)
    for zone in (0, 1):
        mine = west & (water.main_zone == zone)
        assert np.sort(rates[zone]) == pytest.approx(
            np.sort(water.precipitation_rate_mm_h[mine].astype(float))
        )
