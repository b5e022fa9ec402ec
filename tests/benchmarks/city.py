"""An invented city for tests and benchmarks: any number of parcels, the same every time.

Run it by hand: ``python tests/benchmarks/city.py DIR --parcels 1000 [--format parquet]``. A parcel
has about 200 m² of turf in several lawns and about 30 heads in one to six zones. A larger city
holds the smaller ones of its seed: its first parcels are the same.

Options put faults into it; ``faults.csv`` tells where.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
from pathlib import Path
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pyproj
import rasterio
from city_faults import spread_faults
from city_heads import retrofit_set
from city_layers import city_tables, slope_pct
from city_lots import CELL_M, ORIGIN_M, block_counts, block_place
from city_programme import programme_text
from rasterio.transform import from_origin

CRS = "EPSG:32611"
GEOMETRY_TYPES = {
    "heads": "Point",
    "turf": "Polygon",
    "hardscape": "Polygon",
    "parcels": "Polygon",
    "zones": None,
    "nozzles": None,
    "profiles": None,
}
FIXED_DATE = "2024-01-01T00:00:00.000Z"
PIXEL_M = 5.0
FileFormat = Literal["gpkg", "parquet"]
SlopeFrom = Literal["column", "raster", "both"]


def write_city(
    folder: Path,
    n_parcels: int,
    *,
    seed: int = 1,
    file_format: FileFormat = "gpkg",
    faults_each: int = 0,
    slope_from: SlopeFrom = "column",
    turf_names_parcel: bool = True,
    budget: float | None = None,
) -> dict[str, Path]:
    """Write a city to a folder and tell where each part is.

    Parameters
    ----------
    folder : Path
        Where to write ``city.gpkg``, or ``heads.parquet`` and so on with ``nozzles.csv`` and
        ``profiles.csv``; beside them ``programme.toml`` with its ``nozzle_set.csv``, and
        ``slope_pct.tif`` and ``faults.csv`` where there are any.
    n_parcels : int
        Number of parcels, at least 1.
    seed : int
        The same seed gives the same city.
    file_format : str
        "gpkg" or "parquet" (GeoParquet, one file a layer).
    faults_each : int
        Number of parcels with each fault of `FAULTS`.
    slope_from : str
        Whether slope is a column of the turf, a raster of 5 m, or both.
    turf_names_parcel : bool
        Whether turf has a column ``parcel_id``; without it only its place tells whose it is.
    budget : float, optional
        Of the programme; 10 for each parcel if absent, which does not reach for all.

    Returns
    -------
    dict of str to Path
        "site" or the layers by name; "nozzle_set", "slope", "faults", "programme".
    """
    folder.mkdir(parents=True, exist_ok=True)
    tables = city_tables(n_parcels, seed=seed, faults_each=faults_each)
    left_out = [] if turf_names_parcel else ["parcel_id"]
    left_out += ["slope_pct"] if slope_from == "raster" else []
    tables["turf"] = tables["turf"].drop_columns(left_out)
    write = _write_geopackage if file_format == "gpkg" else _write_parquets
    paths = write(folder, tables)
    paths["nozzle_set"] = folder / "nozzle_set.csv"
    retrofit_set().to_csv(paths["nozzle_set"], index=False)
    if slope_from != "column":
        paths["slope"] = _write_slope(folder / "slope_pct.tif", n_parcels)
    if faults_each:
        paths["faults"] = folder / "faults.csv"
        spread_faults(n_parcels, faults_each).table().to_csv(paths["faults"], index=False)
    paths["programme"] = folder / "programme.toml"  # the last: where it is, the city is whole
    programme = programme_text(10.0 * n_parcels if budget is None else budget)
    paths["programme"].write_text(programme, encoding="utf-8")
    return paths


def _write_geopackage(folder: Path, tables: dict[str, pa.Table]) -> dict[str, Path]:
    path = folder / "city.gpkg"
    path.unlink(missing_ok=True)
    for name, table in tables.items():
        options = {"dataset_options": {"VERSION": "1.2"}} if not path.exists() else {}
        spatial = {}
        if GEOMETRY_TYPES[name] is not None:
            spatial = {
                "geometry_name": "geometry",
                "geometry_type": GEOMETRY_TYPES[name],
                "crs": CRS,
            }
        pyogrio.write_arrow(
            table, path, layer=name, driver="GPKG", append=path.exists(), **spatial, **options
        )
    connection = sqlite3.connect(path)
    try:
        connection.execute("UPDATE gpkg_contents SET last_change = ?", (FIXED_DATE,))
        connection.commit()
    finally:
        connection.close()
    return {"site": path}


def _write_parquets(folder: Path, tables: dict[str, pa.Table]) -> dict[str, Path]:
    paths = {}
    for name, table in tables.items():
        if name in ("nozzles", "profiles"):
            paths[name] = folder / f"{name}.csv"
            table.to_pandas().to_csv(paths[name], index=False)
            continue
        paths[name] = folder / f"{name}.parquet"
        if GEOMETRY_TYPES[name] is not None:
            table = table.replace_schema_metadata({"geo": _geo_metadata(GEOMETRY_TYPES[name])})
        pq.write_table(table, paths[name], compression="zstd", row_group_size=1 << 17)
    return paths


def _geo_metadata(geometry_type: str) -> str:
    """What makes Parquet a GeoParquet 1.0."""
    column = {
        "encoding": "WKB",
        "geometry_types": [geometry_type],
        "crs": pyproj.CRS(CRS).to_json_dict(),
    }
    return json.dumps(
        {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": column}}
    )


def _write_slope(path: Path, n_parcels: int) -> Path:
    """Write the slope of the ground under all blocks."""
    columns, rows = (int(p.max()) + 1 for p in block_place(np.arange(len(block_counts(n_parcels)))))
    margin = 2.0 * PIXEL_M
    extent = np.array((columns, rows)) * CELL_M + 2.0 * margin
    width, height = (int(n) for n in np.ceil(extent / PIXEL_M))
    west, north = ORIGIN_M[0] - margin, ORIGIN_M[1] - margin + height * PIXEL_M
    x = west + (np.arange(width) + 0.5) * PIXEL_M
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=height, count=1, dtype="float32", crs=CRS,
        nodata=-9999.0, transform=from_origin(west, north, PIXEL_M, PIXEL_M),
        compress="deflate", predictor=3,
    ) as raster:  # fmt: skip
        y = north - (np.arange(height)[:, np.newaxis] + 0.5) * PIXEL_M
        raster.write(slope_pct(x[np.newaxis, :], y).astype(np.float32), 1)
        raster.units = ("percent",)
    return path


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--parcels", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--format", choices=("gpkg", "parquet"), default="gpkg")
    parser.add_argument("--faults", type=int, default=0, help="parcels with each fault")
    parser.add_argument("--slope", choices=("column", "raster", "both"), default="column")
    options = parser.parse_args()
    paths = write_city(
        options.folder,
        options.parcels,
        seed=options.seed,
        file_format=options.format,
        faults_each=options.faults,
        slope_from=options.slope,
    )
    for layer in ("parcels", "turf", "zones", "heads"):
        if "site" in paths:
            count = pyogrio.read_info(paths["site"], layer=layer)["features"]
        else:
            count = pq.read_metadata(paths[layer]).num_rows
        print(f"{layer:8s} {count:12,}")
    if "site" in paths:
        turf = pyogrio.read_dataframe(paths["site"], layer="turf", columns=[])
        print(f"turf     {turf.area.sum() / 1e6:12.2f} km²")
