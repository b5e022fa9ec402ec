"""An invented large site for the benchmarks: lawns in a lattice of walks, the same every time.

Run it by hand: ``python tests/benchmarks/big_site.py DIR [--lawns 50]``. Fifty lawns of about
800 m² (4 ha) with 40 heads each, in 70 zones; every lawn has walks around it, and every third a
planting bed in it.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import from_origin

CRS = "EPSG:32611"
ORIGIN_M = (530_000.0, 4_650_000.0)
LAWN_WIDTH_M, LAWN_HEIGHT_M, WALK_M = 32.0, 25.0, 3.0
LAWNS_ACROSS = 10
HEADS_ACROSS, HEADS_DOWN = 8, 5
LAWNS_IN_TWO_ZONES = 0.4  # share; the others are one zone each
PIXEL_M = 1.0
TEXTURES = ("loam", "clay_loam", "silty_clay_loam", "sandy_loam", "silty_clay", "loamy_sand")
COMPACTIONS = ("none", "typical", "trafficked")
# nozzle, device, profile, flow of the full circle [L/min] and radius [m] at 210 kPa
NOZZLES = (
    ("Spray 55", "fixed_spray", "", 13.0, 5.5),
    ("Spray 60", "fixed_spray", "steep fan", 15.5, 6.0),
    ("Rotary 70", "rotary_nozzle", "even stream", 7.6, 7.0),
)
PROFILES = {
    "steep fan": (0.7, 1.0, 1.1, 1.0, 0.75, 0.4, 0.0),
    "even stream": (0.9, 0.8, 0.85, 0.9, 0.8, 0.5, 0.1),
}


def lawn_outlines(n_lawns: int, rng: np.random.Generator) -> list[shapely.Polygon]:
    """Lawns with corners a little off the lattice and edges that wave; some have a bed in them."""
    lawns = []
    for number in range(n_lawns):
        left, bottom = lawn_corner(number)
        ring = []
        corners = np.array(((0.0, 0.0), (LAWN_WIDTH_M, 0.0), (LAWN_WIDTH_M, LAWN_HEIGHT_M),
                            (0.0, LAWN_HEIGHT_M)))  # fmt: skip
        corners += rng.uniform(-0.6, 0.6, (4, 2))
        for start, stop in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            along = np.linspace(0.0, 1.0, 12, endpoint=False)[:, np.newaxis]
            across = np.array((start[1] - stop[1], stop[0] - start[0]))
            across /= np.hypot(*across)
            wave = 0.3 * np.sin(2.0 * np.pi * along) * rng.choice([-1.0, 1.0])
            ring.append(start + along * (stop - start) + wave * across)
        lawn = shapely.Polygon(np.concatenate(ring) + np.array((left, bottom)))
        if number % 3 == 0:
            bed = shapely.Point(left + 0.4 * LAWN_WIDTH_M, bottom + 0.5 * LAWN_HEIGHT_M)
            lawn = lawn.difference(bed.buffer(2.0))
        lawns.append(shapely.set_precision(lawn, 1e-3))
    return lawns


def lawn_corner(number: int) -> tuple[float, float]:
    """South-west corner of a lawn."""
    row, col = divmod(number, LAWNS_ACROSS)
    return (
        ORIGIN_M[0] + WALK_M + col * (LAWN_WIDTH_M + WALK_M),
        ORIGIN_M[1] + WALK_M + row * (LAWN_HEIGHT_M + WALK_M),
    )


def heads_of_lawn(number: int, n_zones: int, rng: np.random.Generator) -> pd.DataFrame:
    """Heads of one lawn in rows: quarter arcs in the corners, half on the sides, full inside."""
    left, bottom = lawn_corner(number)
    col, row = np.meshgrid(np.arange(HEADS_ACROSS), np.arange(HEADS_DOWN))
    col, row = col.ravel(), row.ravel()
    west, east = col == 0, col == HEADS_ACROSS - 1
    south, north = row == 0, row == HEADS_DOWN - 1
    on_side, on_end = west | east, south | north
    start_deg = np.select(
        [west & south, west & north, east & north, east & south, west, north, east, south],
        [0.0, 90.0, 180.0, 270.0, 0.0, 90.0, 180.0, 270.0],
    )
    part = (col * n_zones) // HEADS_ACROSS
    x = left + LAWN_WIDTH_M * col / (HEADS_ACROSS - 1) + rng.normal(0.0, 0.05, col.size)
    y = bottom + LAWN_HEIGHT_M * row / (HEADS_DOWN - 1) + rng.normal(0.0, 0.05, col.size)
    return pd.DataFrame(
        {
            "head_id": [f"H{number:02d}-{k:02d}" for k in range(col.size)],
            "zone": [f"Z{number:02d}{'AB'[p]}" for p in part],
            "nozzle": NOZZLES[number % len(NOZZLES)][0],
            "arc_deg": np.where(on_side & on_end, 90.0, np.where(on_side | on_end, 180.0, 360.0)),
            "start_bearing_deg": start_deg,
            "pressure_kpa": np.round(rng.normal(210.0, 25.0, col.size), 1),
            "x_m": np.round(x, 3),
            "y_m": np.round(y, 3),
        }
    )


def nozzle_table() -> pd.DataFrame:
    """Three tested pressures of every nozzle; flow and radius go with the root of pressure."""
    rows = [
        (name, device, profile, pressure, round(flow * (pressure / 210.0) ** 0.5, 3),
         round(radius * (pressure / 210.0) ** 0.25, 3), 140.0, 280.0)
        for name, device, profile, flow, radius in NOZZLES
        for pressure in (170.0, 210.0, 250.0)
    ]  # fmt: skip
    columns = ("nozzle", "device", "profile", "pressure_kpa", "flow_lpm", "radius_m",
               "pressure_min_kpa", "pressure_max_kpa")  # fmt: skip
    return pd.DataFrame(rows, columns=list(columns))


def profile_table() -> pd.DataFrame:
    """Measured profiles of two of the nozzles."""
    rows = [
        (name, k / (len(rates) - 1), rate)
        for name, rates in PROFILES.items()
        for k, rate in enumerate(rates)
    ]
    return pd.DataFrame(rows, columns=["profile", "distance_fraction", "relative_rate"])


def site_tables(n_lawns: int, seed: int) -> dict[str, pd.DataFrame]:
    """Every layer and table of the site, by name."""
    rng = np.random.default_rng(seed)
    lawns = lawn_outlines(n_lawns, rng)
    zones_of = np.where(np.arange(n_lawns) % 5 < 5 * LAWNS_IN_TWO_ZONES, 2, 1)
    heads = pd.concat(
        [heads_of_lawn(n, int(zones_of[n]), rng) for n in range(n_lawns)], ignore_index=True
    )
    ids = [f"lawn {n:02d}" for n in range(n_lawns)]
    numbers = np.arange(n_lawns)
    west, south, east, north = shapely.total_bounds(lawns)
    all_lawns = shapely.union_all(lawns)
    walks = shapely.box(west - WALK_M, south - WALK_M, east + WALK_M, north + WALK_M)
    beds_and_lawns = shapely.union_all(shapely.envelope(lawns))
    kinds = {
        "concrete walk": walks.difference(beds_and_lawns),
        "gravel edge": beds_and_lawns.difference(all_lawns),
    }
    zones = pd.DataFrame({"zone": pd.unique(heads["zone"])})
    zones["cycles"] = 1 + np.arange(len(zones)) % 3
    zones["soak_minutes"] = 20.0 * (zones["cycles"] > 1)
    zones["run_minutes"] = np.nan
    return {
        "heads": gpd.GeoDataFrame(
            heads.drop(columns=["x_m", "y_m"]),
            geometry=gpd.points_from_xy(heads["x_m"], heads["y_m"]),
            crs=CRS,
        ),
        "turf": gpd.GeoDataFrame(
            {
                "turf_id": ids,
                "soil_texture": [TEXTURES[n % len(TEXTURES)] for n in numbers],
                "compaction": [COMPACTIONS[n % len(COMPACTIONS)] for n in numbers],
            },
            geometry=lawns,
            crs=CRS,
        ),
        "hardscape": gpd.GeoDataFrame(
            {"surface": list(kinds)}, geometry=list(kinds.values()), crs=CRS
        ),
        "nozzles": nozzle_table(),
        "profiles": profile_table(),
        "zones": zones,
    }


def slope_pct(n_lawns: int) -> NDArray[np.float32]:
    """Slope of the pixels: long waves from 1 to 18 %."""
    rows = -(-n_lawns // LAWNS_ACROSS)
    width = round(LAWNS_ACROSS * (LAWN_WIDTH_M + WALK_M) + 3.0 * WALK_M + 20.0)
    height = round(rows * (LAWN_HEIGHT_M + WALK_M) + 3.0 * WALK_M + 20.0)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    return (9.5 + 5.0 * np.sin(x / 37.0) + 3.5 * np.cos(y / 23.0 + x / 91.0)).astype(np.float32)


def write_big_site(folder: Path, *, n_lawns: int = 50, seed: int = 11) -> None:
    """Write ``site.gpkg`` and ``slope_pct.tif`` to a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "site.gpkg"
    path.unlink(missing_ok=True)
    for name, table in site_tables(n_lawns, seed).items():
        pyogrio.write_dataframe(
            table,
            path,
            layer=name,
            driver="GPKG",
            append=path.exists(),
            dataset_options={} if path.exists() else {"VERSION": "1.2"},
        )
    slope = slope_pct(n_lawns)
    top_m = ORIGIN_M[1] - 10.0 + slope.shape[0] * PIXEL_M
    with rasterio.open(
        folder / "slope_pct.tif", "w", driver="GTiff", width=slope.shape[1], height=slope.shape[0],
        count=1, dtype="float32", crs=CRS, nodata=-9999.0,
        transform=from_origin(ORIGIN_M[0] - 10.0, top_m, PIXEL_M, PIXEL_M),
    ) as raster:  # fmt: skip
        raster.write(slope, 1)
        raster.units = ("percent",)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--lawns", type=int, default=50)
    options = parser.parse_args()
    write_big_site(options.folder, n_lawns=options.lawns)
