"""Where the water of every zone lands: zones one by one, since they never run together."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.throw_on_slope import LONGEST_THROW_RATIO
from geoirrig.processors import run_in_threads
from geoirrig.records import (
    EventPlan,
    PrecipitationSurface,
    SprinklerLayout,
    TerrainSurface,
    ZonePlan,
    ZoneRate,
)
from geoirrig.surfaces.sector_superposition import sector_set, superpose_sectors
from geoirrig.units import MINUTES_PER_HOUR, PERCENT, FloatArray

BESIDE_TURF_M = 1.0  # judgement: a head this near to turf stands on the turf's slope


def precipitation_surface(
    layout: SprinklerLayout,
    n_zones: int,
    grid: RasterGrid,
    *,
    on_turf: NDArray[np.bool_],
    terrain: TerrainSurface | None = None,
) -> PrecipitationSurface:
    """Rate that each zone gives every cell, and the main zone of every cell.

    Parameters
    ----------
    layout : SprinklerLayout
        Heads; ``zone_index`` points into the zones in running order.
    n_zones : int
        Number of zones.
    grid : RasterGrid
        Where the rates are wanted.
    on_turf : ndarray of bool, shape (n_rows, n_cols)
        Cells that are meant to be wetted.
    terrain : TerrainSurface, optional
        If it knows the way uphill, the throw of heads with a known trajectory follows the ground.

    Returns
    -------
    PrecipitationSurface

    Notes
    -----
    Memory: the wetted cells of each zone are kept (13 bytes a cell and zone), and one zone's
    bounding window at a time on each processor (10 bytes a cell).
    """
    slope_ratio, uphill = _ground_at_heads(layout, grid, terrain)
    rates: list[ZoneRate | None] = [None] * n_zones
    on_target = np.zeros(len(layout.x_m))

    def work(start: int, stop: int) -> None:
        for zone in range(start, stop):
            heads = np.flatnonzero(layout.zone_index == zone)
            row, col, n_rows, n_cols = _window_of_heads(layout, heads, grid)
            window = grid.window(row, col, n_rows, n_cols)
            part = (slice(row, row + n_rows), slice(col, col + n_cols))
            sectors = sector_set(
                layout, window, heads=heads, slope_ratio=slope_ratio, uphill_bearing_deg=uphill
            )
            found = superpose_sectors(sectors, window, target=np.ascontiguousarray(on_turf[part]))
            wet_rows, wet_cols = np.nonzero(found.rate_mm_h > 0.0)
            rates[zone] = ZoneRate(
                cell=(wet_rows + row) * grid.n_cols + wet_cols + col,
                rate_mm_h=found.rate_mm_h[wet_rows, wet_cols].astype(np.float32),
                heads_reaching=found.heads_reaching[wet_rows, wet_cols],
            )
            on_target[heads] = found.head_on_target_fraction

    run_in_threads(work, n_zones)
    zone_rates = tuple(rate for rate in rates if rate is not None)
    highest = np.zeros(grid.shape, dtype=np.float32)
    main_zone = np.full(grid.shape, -1, dtype=np.int32)
    reaching = np.zeros(grid.shape, dtype=np.uint8)
    for zone, rate in enumerate(zone_rates):
        higher = rate.rate_mm_h > highest.ravel()[rate.cell]
        cell = rate.cell[higher]
        highest.ravel()[cell] = rate.rate_mm_h[higher]
        main_zone.ravel()[cell] = zone
        reaching.ravel()[cell] = rate.heads_reaching[higher]
    return PrecipitationSurface(
        grid=grid,
        zone_rates=zone_rates,
        precipitation_rate_mm_h=highest,
        main_zone=main_zone,
        heads_reaching=reaching,
        head_on_target_fraction=on_target,
    )


def _ground_at_heads(
    layout: SprinklerLayout, grid: RasterGrid, terrain: TerrainSurface | None
) -> tuple[FloatArray | None, FloatArray | None]:
    """Slope and way uphill at each head; NaN for heads far from any ground whose slope is known.

    Slope is known on the turf only, and most heads stand on its edge: half of them in a cell that
    is turf, half in one that is not. A head therefore takes the nearest cell with a slope.
    """
    if terrain is None or terrain.uphill_bearing_deg is None:
        return None, None
    rows = (grid.top_m - layout.y_m) / grid.cell_size_m - 0.5
    cols = (layout.x_m - grid.left_m) / grid.cell_size_m - 0.5
    reach = math.ceil(BESIDE_TURF_M / grid.cell_size_m)
    slope, uphill = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    for head, (row, col) in enumerate(zip(rows, cols, strict=True)):
        first_row, first_col = max(0, round(row) - reach), max(0, round(col) - reach)
        part = (
            slice(first_row, max(0, round(row) + reach + 1)),
            slice(first_col, max(0, round(col) + reach + 1)),
        )
        near_rows, near_cols = np.nonzero(np.isfinite(terrain.slope_pct[part]))
        if len(near_rows):
            away = np.hypot(near_rows + first_row - row, near_cols + first_col - col)
            best = int(np.argmin(away))
            at = near_rows[best] + first_row, near_cols[best] + first_col
            slope[head] = terrain.slope_pct[at] / PERCENT
            uphill[head] = terrain.uphill_bearing_deg[at]
    return slope, uphill


def _window_of_heads(
    layout: SprinklerLayout, heads: NDArray[np.int64], grid: RasterGrid
) -> tuple[int, int, int, int]:
    """First row, first column, rows and columns that hold all that these heads can wet."""
    reach = LONGEST_THROW_RATIO * layout.radius_m[heads]
    x, y, cell = layout.x_m[heads], layout.y_m[heads], grid.cell_size_m
    first_row = max(0, math.floor((grid.top_m - np.max(y + reach)) / cell))
    last_row = min(grid.n_rows, math.ceil((grid.top_m - np.min(y - reach)) / cell))
    first_col = max(0, math.floor((np.min(x - reach) - grid.left_m) / cell))
    last_col = min(grid.n_cols, math.ceil((np.max(x + reach) - grid.left_m) / cell))
    return first_row, first_col, max(1, last_row - first_row), max(1, last_col - first_col)


def served_rates(
    precipitation: PrecipitationSurface, on_turf: NDArray[np.bool_]
) -> tuple[FloatArray, ...]:
    """Rates, in mm/h, of each zone on the turf cells that it serves: whose main zone it is."""
    zone = precipitation.main_zone[on_turf]
    rate = precipitation.precipitation_rate_mm_h[on_turf].astype(np.float64)
    order = np.argsort(zone, kind="stable")
    edges = np.searchsorted(zone[order], np.arange(len(precipitation.zone_rates) + 1))
    return tuple(rate[order[start:stop]] for start, stop in pairwise(edges))


def event_plan(
    plan: ZonePlan, served_rates_mm_h: tuple[FloatArray, ...], *, event_depth_mm: float
) -> EventPlan:
    """One event: the plan as it stands, and for zones without minutes the event depth.

    Parameters
    ----------
    plan : ZonePlan
        Zones in running order.
    served_rates_mm_h : tuple of ndarray
        Rates on the turf cells that each zone serves. [mm/h]
    event_depth_mm : float
        Mean depth wanted on the area that a zone serves, where the plan gives no minutes. [mm]

    Returns
    -------
    EventPlan
        Zones follow one another without a pause. A zone that serves no turf and has no minutes in
        the plan does not run.
    """
    mean = np.array([np.mean(rates) if len(rates) else np.nan for rates in served_rates_mm_h])
    derived = np.nan_to_num(MINUTES_PER_HOUR * event_depth_mm / mean, nan=0.0, posinf=0.0)
    run = np.where(np.isnan(plan.run_minutes), derived, plan.run_minutes)
    return event_in_turn(plan.cycles, run / plan.cycles, plan.soak_minutes)


def event_in_turn(
    cycles: NDArray[np.int64], cycle_minutes: FloatArray, soak_minutes: FloatArray
) -> EventPlan:
    """One event in which the zones follow one another without a pause.

    Parameters
    ----------
    cycles, cycle_minutes, soak_minutes : ndarray, shape (n_zones,)
        Of every zone, in running order; the soaks lie between its cycles. Where cycles are 0 or
        minutes NaN, the zone does not run.

    Returns
    -------
    EventPlan
    """
    runs = (cycles > 0) & np.isfinite(cycle_minutes)
    count = np.where(runs, cycles, 1)
    cycle, soak = np.where(runs, cycle_minutes, 0.0), np.where(runs, soak_minutes, 0.0)
    length = count * cycle + soak * (count - 1)
    return EventPlan(
        start_minute=np.append(0.0, np.cumsum(length)[:-1]),
        cycles=count,
        cycle_minutes=cycle,
        soak_minutes=soak,
    )


def applied_depth_mm(precipitation: PrecipitationSurface, event: EventPlan) -> NDArray[np.float32]:
    """Depth of one event on every cell, over all zones, in mm."""
    depth = np.zeros(precipitation.grid.shape)
    for rate, minutes in zip(precipitation.zone_rates, event.run_minutes, strict=True):
        depth.ravel()[rate.cell] += rate.rate_mm_h * (minutes / MINUTES_PER_HOUR)
    return depth.astype(np.float32)
