"""Runoff risk surface of a square hillside, both models, in one run.

Run it by hand: ``python tests/benchmarks/bench_runoff.py [--cells 640000]``. Bands of zones cross
the site, three cells in ten are wetted by two of them; six soils, slopes from 0 to 25 %, one to
three cycles.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    PrecipitationSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
    ZoneRate,
)
from geoirrig.surfaces.cycle_advice import cycle_advice
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface

TEXTURES = ["clay", "loam", "sandy_loam", "silty_clay", "clay_loam", "silt_loam"]
COMPACTION = ["none", "typical", "none", "none", "trafficked", "none"]


def hillside(
    n_side: int, n_zones: int = 80
) -> tuple[PrecipitationSurface, TerrainSurface, TurfCells, TurfAreas, EventPlan]:
    """A site of n_side × n_side cells, all of it turf."""
    random = np.random.default_rng(0)
    grid = RasterGrid(left_m=0.0, top_m=0.0, cell_size_m=0.25, n_rows=n_side, n_cols=n_side)
    n_cells = n_side * n_side
    main, rate = np.full(n_cells, -1, np.int32), np.zeros(n_cells, np.float32)
    zone_rates, reach = [], 0.15 * n_cells / n_zones
    for zone in range(n_zones):
        first = max(0, int(n_cells * zone / n_zones - reach))
        cell = np.arange(first, min(n_cells, int(n_cells * (zone + 1) / n_zones + reach)))
        own = random.uniform(5.0, 45.0, len(cell)).astype(np.float32)
        heads = np.ones(len(cell), np.uint8)
        zone_rates.append(ZoneRate(cell=cell, rate_mm_h=own, heads_reaching=heads))
        more = own > rate[cell]
        rate[cell[more]], main[cell[more]] = own[more], zone
    precipitation = PrecipitationSurface(
        grid=grid,
        zone_rates=tuple(zone_rates),
        precipitation_rate_mm_h=rate.reshape(grid.shape),
        main_zone=main.reshape(grid.shape),
        heads_reaching=np.ones(grid.shape, np.uint8),
        head_on_target_fraction=np.ones(1),
    )
    slope = random.uniform(0.0, 25.0, grid.shape).astype(np.float32)
    band = (np.arange(n_cells) * n_zones // n_cells % len(TEXTURES)).astype(np.int32)
    turf = TurfAreas(
        turf_id=np.arange(len(TEXTURES)).astype(object),
        geometry=np.full(len(TEXTURES), None),
        soil_texture=np.array(TEXTURES, dtype=object),
        compaction=np.array(COMPACTION, dtype=object),
        slope_pct=np.full(len(TEXTURES), np.nan),
        plant_type=np.full(len(TEXTURES), "cool_season_turf", dtype=object),
        root_depth_mm=np.full(len(TEXTURES), 150.0),
        attributes={},
    )
    cycles = 1 + np.arange(n_zones) % 3
    length = 30.0 + 30.0 * (cycles - 1)
    event = EventPlan(
        start_minute=np.append(0.0, np.cumsum(length)[:-1]),
        cycles=cycles,
        cycle_minutes=30.0 / cycles,
        soak_minutes=np.full(n_zones, 30.0),
    )
    return (
        precipitation,
        TerrainSurface(grid=grid, slope_pct=slope),
        TurfCells(grid=grid, turf_index=band.reshape(grid.shape)),
        turf,
        event,
    )


def main() -> None:
    """Print the seconds that each model takes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cells", type=int, default=640_000)
    cells = parser.parse_args().cells
    site, small = hillside(int(cells**0.5)), hillside(60)
    print(f"{site[0].grid.n_rows * site[0].grid.n_cols} turf cells, 80 zones")
    for model in ("surface_storage", "green_ampt"):
        settings = AnalysisSettings(runoff_model=model)  # type: ignore[arg-type]
        runoff_risk_surface(*small, settings=settings)  # compiles
        cycle_advice(*small[:4], settings=settings).for_run_minutes(small[4].run_minutes)
        start = time.perf_counter()
        risk = runoff_risk_surface(*site, settings=settings)
        walked = time.perf_counter()
        advice = cycle_advice(*site[:4], settings=settings)
        gathered = time.perf_counter()
        advice.for_run_minutes(site[4].run_minutes)
        advised = time.perf_counter()
        share = float(np.mean(risk.runoff_depth_mm > 0.0))
        print(
            f"{model}: risk {walked - start:.2f} s, advice {gathered - walked:.2f} s "
            f"and {advised - gathered:.2f} s a question, "
            f"{share:.0%} of the cells run off"
        )


if __name__ == "__main__":
    main()
