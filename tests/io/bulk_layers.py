"""Layers of a few rows, written to a file and read in bulk."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import ArrowLayer, read_arrow_layer
from geoirrig.io.columns import HEADS, PARCELS

CRS = "EPSG:32611"
X, Y = np.array([1.5, 2.0, 3.25]), np.array([10.0, 20.0, 30.5])
SQUARE = shapely.box(0.0, 0.0, 1.0, 2.0)
TWO_PARTS = shapely.MultiPolygon([SQUARE, shapely.box(3.0, 0.0, 4.0, 1.0)])


def heads(**columns: object) -> gpd.GeoDataFrame:
    table = {
        "head_id": ["A", "a", " B "],
        "zone": ["1", None, " 1"],
        "arc_deg": [90.0, np.nan, 180.0],
        "radius_ft": [10, 20, 30],
        "note": ["x", "y", "z"],
    }
    return gpd.GeoDataFrame({**table, **columns}, geometry=gpd.points_from_xy(X, Y), crs=CRS)


def written(table: gpd.GeoDataFrame, path: Path) -> Path:
    if path.suffix == ".parquet":
        table.to_parquet(path)
    else:
        pyogrio.write_dataframe(table, path, layer="heads")
    return path


def read(path: Path, **options: bool) -> ArrowLayer:
    layer = read_arrow_layer(path, "heads", HEADS, ProblemList(), **options)
    assert layer is not None
    return layer


def polygons_layer(geometry: list[shapely.Geometry | None], path: Path) -> ArrowLayer:
    frame = gpd.GeoDataFrame(
        {"parcel_id": [str(k) for k in range(len(geometry))]}, geometry=geometry, crs=CRS
    )
    pyogrio.write_dataframe(frame, path, layer="parcels", driver="GPKG", geometry_type="Unknown")
    layer = read_arrow_layer(path, "parcels", PARCELS, ProblemList())
    assert layer is not None
    return layer
