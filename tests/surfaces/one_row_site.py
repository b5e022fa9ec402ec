"""Made-up sites of one row of cells, for the tests of what the soil does with the water."""

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import (
    EventPlan,
    PrecipitationSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
    ZoneRate,
)


def event_plan(run_minutes, cycles=1, soak_minutes=0.0):
    """Zones one after another, without a pause."""
    run = np.atleast_1d(np.asarray(run_minutes, dtype=float))
    cycles = np.broadcast_to(cycles, run.shape).astype(np.int64)
    soak = np.where(cycles > 1, soak_minutes, 0.0)
    length = run + (cycles - 1) * soak
    return EventPlan(
        start_minute=np.append(0.0, np.cumsum(length)[:-1]),
        cycles=cycles,
        cycle_minutes=run / cycles,
        soak_minutes=soak,
    )


def site(zone_rates, slope_pct, texture, compaction=None, turf_index=None):
    """Inputs of the surface for one row of cells; rates (n_zones, n_cells), 0 is dry."""
    rates = np.atleast_2d(np.asarray(zone_rates, dtype=np.float32))
    n_cells = rates.shape[1]
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=1.0, n_rows=1, n_cols=n_cells)
    main = np.where(rates.max(axis=0) > 0, rates.argmax(axis=0), -1).astype(np.int32)
    precipitation = PrecipitationSurface(
        grid=grid,
        zone_rates=tuple(
            ZoneRate(
                cell=np.flatnonzero(row > 0),
                rate_mm_h=row[row > 0],
                heads_reaching=np.ones(int((row > 0).sum()), dtype=np.uint8),
            )
            for row in rates
        ),
        precipitation_rate_mm_h=rates.max(axis=0)[np.newaxis],
        main_zone=main[np.newaxis],
        heads_reaching=np.ones((1, n_cells), dtype=np.uint8),
        head_on_target_fraction=np.ones(1),
    )
    texture = np.atleast_1d(np.asarray(texture, dtype=object))
    n_turf = len(texture)
    compaction = ["none"] * n_turf if compaction is None else compaction
    index = np.zeros(n_cells) if turf_index is None else turf_index
    slope = np.broadcast_to(np.asarray(slope_pct, dtype=np.float32), n_cells)
    return (
        precipitation,
        TerrainSurface(grid=grid, slope_pct=slope[np.newaxis].copy()),
        TurfCells(grid=grid, turf_index=np.asarray(index, dtype=np.int32)[np.newaxis]),
        TurfAreas(
            turf_id=np.arange(n_turf).astype(object),
            geometry=np.full(n_turf, None),
            soil_texture=texture,
            compaction=np.asarray(compaction, dtype=object),
            slope_pct=np.full(n_turf, np.nan),
            plant_type=np.full(n_turf, "cool_season_turf", dtype=object),
            root_depth_mm=np.full(n_turf, 150.0),
            attributes={},
        ),
    )
