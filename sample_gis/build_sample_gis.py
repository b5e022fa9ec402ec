"""Build the sample sites of this folder: ``python sample_gis/build_sample_gis.py [FOLDER]``.

The same library versions give the same bytes each time: coordinates are rounded to the
millimetre, and the time stamps that a GeoPackage carries are set to a fixed date.
"""

from __future__ import annotations

import csv
import sqlite3
import sys
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import hill_quarter
import hillside_climate
import hillside_layout as hillside
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
import surveyed_court
from hillside_layout import Point, Ring
from numpy.typing import NDArray
from rasterio.transform import Affine

CRS = "EPSG:32611"
ORIGIN_M = (512_400.0, 4_643_200.0)  # where the invented ground is laid; nothing stands there
FIXED_DATE = "2024-01-01T00:00:00.000Z"
PIXEL_M = 1.0
RASTER_BOUNDS = (-6, -6, 126, 94)  # west, south, east, north in local metres


def map_points(points: Sequence[Point]) -> list[Point]:
    """Local coordinates as map coordinates, to the millimetre."""
    return [(round(ORIGIN_M[0] + x, 3), round(ORIGIN_M[1] + y, 3)) for x, y in points]


def polygon(ring: Ring, holes: Sequence[Ring] = ()) -> shapely.Polygon:
    """A polygon on the map; its outer ring counter-clockwise, as the simple-feature model says."""
    outline = shapely.Polygon(map_points(ring), [map_points(hole) for hole in holes])
    return shapely.orient_polygons(outline)


def layer(columns: dict[str, Sequence[object]], geometry: Sequence[object]) -> gpd.GeoDataFrame:
    """A table with geometry in the CRS of the samples."""
    return gpd.GeoDataFrame(columns, geometry=list(geometry), crs=CRS)


def points(places: Sequence[Point]) -> list[shapely.Point]:
    """Points on the map."""
    return [shapely.Point(place) for place in map_points(places)]


def hillside_tables() -> dict[str, pd.DataFrame]:
    """Every layer and table of the hillside site, by name."""
    heads = hillside.heads_with_faults()
    columns = ("head_id", "zone", "nozzle", "arc_deg", "start_bearing_deg", "pressure_kpa")
    columns += ("riser_m", "note")
    turf_columns = ("parcel_id", "soil_texture", "compaction", "plant_type", "root_depth_mm")
    turf = [(row[0], *row[3:]) for row in hillside.TURF]
    nozzle_columns = ("nozzle", "device", "profile", "trajectory_deg", "rotation_s")
    nozzle_columns += ("pressure_min_kpa", "pressure_max_kpa", "unit_cost")
    nozzle_columns += ("pressure_kpa", "arc_deg", "flow_lpm", "radius_m")
    cans = hillside.CATCH_CANS
    return {
        "heads": layer(
            {name: [getattr(head, name) for head in heads] for name in columns},
            points([(head.x_m, head.y_m) for head in heads]),
        ),
        "turf": layer(
            dict(zip(("turf_id", *turf_columns), zip(*turf, strict=True), strict=True)),
            [polygon(row[1], row[2]) for row in hillside.TURF],
        ),
        "hardscape": layer(
            {"surface": [surface for surface, _ in hillside.HARDSCAPE]},
            [polygon(ring) for _, ring in hillside.HARDSCAPE],
        ),
        "parcels": layer(
            {
                "parcel_id": [row[0] for row in hillside.PARCELS],
                "land_use": [row[2] for row in hillside.PARCELS],
            },
            [polygon(row[1]) for row in hillside.PARCELS],
        ),
        "catch_cans": layer(
            {
                "can_id": [f"C{number:02d}" for number in range(1, len(cans) + 1)],
                "zone": ["Z01"] * len(cans),
                "minutes": [hillside.CATCH_CAN_MINUTES] * len(cans),
                "depth_mm": [depth for _, _, depth in cans],
            },
            points([(x, y) for x, y, _ in cans]),
        ),
        "nozzles": pd.DataFrame(
            [(*model, *row) for model, rows in hillside.NOZZLES for row in rows],
            columns=list(nozzle_columns),
        ),
        "profiles": pd.DataFrame(
            [
                (profile, distance, rate)
                for profile, rates in hillside.PROFILES.items()
                for distance, rate in zip(hillside.PROFILE_DISTANCES, rates, strict=True)
            ],
            columns=["profile", "distance_fraction", "relative_rate"],
        ),
        "zones": pd.DataFrame(
            hillside.ZONES, columns=["zone", "run_minutes", "cycles", "soak_minutes", "station"]
        ).astype({"cycles": "Int64"}),
    }


def four_head_tables() -> dict[str, pd.DataFrame]:
    """Four quarter heads in the corners of a 6 m square; the answers stand beside the file."""
    side = 6.0
    corners = {"SW": (0.0, 0.0), "NW": (0.0, side), "NE": (side, side), "SE": (side, 0.0)}
    square = hillside.rectangle(0, 0, side, side)
    return {
        "heads": layer(
            {
                "head_id": list(corners),
                "zone": ["Z1"] * 4,
                "radius_m": [side] * 4,
                "flow_lpm": [1.5] * 4,
                "arc_deg": [90.0] * 4,
                "start_bearing_deg": [0.0, 90.0, 180.0, 270.0],
            },
            points(list(corners.values())),
        ),
        "turf": layer(
            {
                "turf_id": ["square"],
                "soil_texture": ["silty_clay"],
                "compaction": ["none"],
                "slope_pct": [10.0],
            },
            [polygon(square)],
        ),
    }


def write_geopackage(path: Path, tables: dict[str, pd.DataFrame]) -> None:
    """Write tables to a GeoPackage of version 1.2, with no trace of when it was done."""
    path.unlink(missing_ok=True)
    # Without it the library writes once more where a second has gone by, and counts that.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
    for name, table in tables.items():
        pyogrio.write_dataframe(
            table,
            path,
            layer=name,
            driver="GPKG",
            append=path.exists(),
            dataset_options={} if path.exists() else {"VERSION": "1.2"},
            layer_options={"IDENTIFIER": name},
        )
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    connection = sqlite3.connect(path)
    try:
        connection.execute("UPDATE gpkg_contents SET last_change = ?", (FIXED_DATE,))
        connection.commit()
        connection.execute("VACUUM")
    finally:
        connection.close()


def write_raster(path: Path, values: NDArray[np.float64], *, quantity: str, unit: str) -> None:
    """Write one band with its name and unit tag."""
    west, _, _, north = RASTER_BOUNDS
    transform = Affine(PIXEL_M, 0.0, ORIGIN_M[0] + west, 0.0, -PIXEL_M, ORIGIN_M[1] + north)
    rows, cols = values.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs=CRS,
        transform=transform, nodata=-9999.0, compress="deflate", predictor=3,
    ) as raster:  # fmt: skip
        raster.write(values.astype(np.float32), 1)
        raster.set_band_description(1, quantity)
        raster.units = (unit,)


def write_ground(folder: Path) -> None:
    """Write slope and elevation of the hillside at the pixel centres."""
    west, south, east, north = RASTER_BOUNDS
    x_m = np.arange(west, east, PIXEL_M) + PIXEL_M / 2
    y_m = np.arange(north, south, -PIXEL_M) - PIXEL_M / 2
    elevation, slope = hillside.elevation_and_slope(x_m[np.newaxis, :], y_m[:, np.newaxis])
    write_raster(folder / "hillside_slope_pct.tif", slope, quantity="slope_pct", unit="percent")
    write_raster(
        folder / "hillside_elevation_m.tif", elevation, quantity="elevation_m", unit="metre"
    )


def write_nozzle_sets(folder: Path) -> None:
    """Write the nozzle sets of the hillside as CSV."""
    for name, rows in hillside.NOZZLE_SETS.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows(rows)


def build(folder: Path) -> None:
    """Build every file of the samples in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    write_geopackage(folder / "hillside_site.gpkg", hillside_tables())
    write_geopackage(folder / "four_heads.gpkg", four_head_tables())
    write_geopackage(folder / "hill_quarter_site.gpkg", hill_quarter.tables())
    hill_quarter.retrofit_set().to_csv(
        folder / "hill_quarter_retrofit.csv", index=False, lineterminator="\n"
    )
    write_ground(folder)
    hillside_climate.write_climate(folder / "hillside_climate.csv")
    write_nozzle_sets(folder)
    surveyed_court.write_court(folder)


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    build(target)
    for file in sorted(target.glob("*.*")):
        print(f"{file.name}: {file.stat().st_size} bytes")
