"""Small sites for the reader tests: one good site, and ways to spoil it."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from rasterio.transform import from_origin

from geoirrig.errors import ProblemList
from geoirrig.io.open_layer import LayerSource
from geoirrig.io.read_site import SiteReading, SiteSources, read_site

CRS = "EPSG:32611"
X0, Y0 = 500_000.0, 4_000_000.0  # on the central meridian of zone 11
SIDE_M = 6.0

Frame = pd.DataFrame


def heads(**columns: Any) -> gpd.GeoDataFrame:
    """Four quarter heads in the corners of a square of 6 m, sweeping inward."""
    table: dict[str, Any] = {
        "head_id": ["SW", "NW", "NE", "SE"],
        "zone": ["A", "A", "A", "A"],
        "nozzle": ["Q", "Q", "Q", "Q"],
        "arc_deg": [90.0, 90.0, 90.0, 90.0],
        "start_bearing_deg": [0.0, 90.0, 180.0, 270.0],
    }
    table |= columns
    table = {name: values for name, values in table.items() if values is not None}
    x = [X0, X0, X0 + SIDE_M, X0 + SIDE_M]
    y = [Y0, Y0 + SIDE_M, Y0 + SIDE_M, Y0]
    return gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(x, y), crs=CRS)


def turf(geometry: Any = None, **columns: Any) -> gpd.GeoDataFrame:
    """One square of 6 m on loam, 2 % steep."""
    shapes = [shapely.box(X0, Y0, X0 + SIDE_M, Y0 + SIDE_M)] if geometry is None else geometry
    n = len(shapes)
    table: dict[str, Any] = {
        "turf_id": [f"T{k + 1}" for k in range(n)],
        "soil_texture": ["loam"] * n,
        "slope_pct": [2.0] * n,
    }
    table |= columns
    table = {name: values for name, values in table.items() if values is not None}
    return gpd.GeoDataFrame(table, geometry=list(shapes), crs=CRS)


def nozzles(**columns: Any) -> Frame:
    """One nozzle, tested once, on the full circle."""
    table: dict[str, Any] = {
        "nozzle": ["Q"],
        "flow_lpm": [12.0],
        "radius_m": [6.0],
        "pressure_kpa": [200.0],
        "device": ["fixed_spray"],
    }
    table |= columns
    table = {name: values for name, values in table.items() if values is not None}
    return pd.DataFrame(table)


def write_site(path: Path, layers: Mapping[str, Frame | gpd.GeoDataFrame]) -> Path:
    """Write layers into one GeoPackage."""
    for name, frame in layers.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a layer without CRS is meant in some tests
            pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", VERSION="1.2")
    return path


def write_layer(path: Path, frame: gpd.GeoDataFrame) -> Path:
    """Write one layer in the format that the suffix names."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a Shapefile cuts names off
        if path.suffix == ".parquet":
            frame.to_parquet(path)
        else:
            frame.to_file(path)
    return path


def good_layers(**layers: Frame | gpd.GeoDataFrame | None) -> dict[str, Frame]:
    """The good site with some layers replaced, added or (None) left out."""
    found: dict[str, Frame | gpd.GeoDataFrame | None] = {
        "heads": heads(),
        "turf": turf(),
        "nozzles": nozzles(),
    }
    found |= layers
    return {name: frame for name, frame in found.items() if frame is not None}


def read(
    folder: Path,
    *,
    sources: Mapping[str, LayerSource] | None = None,
    slope: Path | None = None,
    slope_unit: str | None = None,
    elevation: Path | None = None,
    elevation_unit: str | None = None,
    **layers: Frame | gpd.GeoDataFrame | None,
) -> tuple[SiteReading, ProblemList]:
    """Write the good site with changes, read it, and give what came of it."""
    path = write_site(folder / "site.gpkg", good_layers(**layers))
    return read_file(
        path,
        sources=sources,
        slope=slope,
        slope_unit=slope_unit,
        elevation=elevation,
        elevation_unit=elevation_unit,
    )


def read_file(path: Path | None, **options: Any) -> tuple[SiteReading, ProblemList]:
    """Read a site file."""
    problems = ProblemList()
    sources = SiteSources(
        site=path,
        layers=options.get("sources") or {},
        slope=options.get("slope"),
        slope_unit=options.get("slope_unit"),
        elevation=options.get("elevation"),
        elevation_unit=options.get("elevation_unit"),
    )
    return read_site(sources, problems, cell_size_m=0.25), problems


def only(messages: list[str]) -> str:
    """The one message of a list."""
    assert len(messages) == 1, messages
    return messages[0]


def write_raster(
    path: Path,
    values: Any,
    *,
    left: float = X0 - 10.0,
    top: float = Y0 + 20.0,
    pixel: float = 1.0,
    crs: Any = CRS,
    unit: str | None = "percent",
    nodata: float | None = -9999.0,
    transform: Any = None,
    driver: str = "GTiff",
) -> Path:
    """Write one band; the default covers the good site's turf with room to spare."""
    array = np.asarray(values)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(
            path,
            "w",
            driver=driver,
            width=array.shape[1],
            height=array.shape[0],
            count=1,
            dtype=array.dtype,
            crs=crs,
            transform=from_origin(left, top, pixel, pixel) if transform is None else transform,
            nodata=nodata,
        ) as dataset:
            dataset.write(array, 1)
            if unit is not None:
                dataset.set_band_unit(1, unit)
    return path
