"""GeoParquet and CSV in bulk read back as they were, by other readers."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from geoirrig.io.write_geoparquet import arrow_table, write_csv_in_bulk, write_geoparquet
from geoirrig.records import WorkingPlane

COLUMNS = {
    "parcel_id": np.array(['a "b", c', "é", None], dtype=object),
    "cost": np.array([0.1, np.nan, np.inf]),
    "rank": np.array([1, None, 2], dtype=object),
    "funded": np.array([True, False, False]),
    "mixed": np.array([1, "x", None], dtype=object),
    "empty": np.array([None, None, None], dtype=object),
}


def test_write_geoparquet_geopandas_reads_it_back(tmp_path: Path) -> None:
    plane = WorkingPlane(
        crs_wkt=pyproj.CRS("EPSG:32611").to_wkt(), crs_name="", metres_per_unit=1.0
    )
    shapes = np.array([shapely.box(0, 0, 1, 1), None, shapely.box(2, 0, 3, 1)], dtype=object)
    path = tmp_path / "out.parquet"
    write_geoparquet(path, arrow_table(COLUMNS), shapely.to_wkb(shapes), plane, ["Polygon"])
    found = gpd.read_parquet(path)
    assert found.crs == pyproj.CRS("EPSG:32611")
    assert found.geometry[0].equals(shapes[0])
    assert found.geometry[1] is None
    assert found["cost"][0] == 0.1
    assert found["cost"].isna().tolist() == [False, True, True]
    assert found["rank"].tolist()[::2] == [1, 2]
    assert found["mixed"].tolist() == ["1", "x", None]


def test_write_csv_in_bulk_python_reads_it_back(tmp_path: Path) -> None:
    write_csv_in_bulk(tmp_path / "out.csv", arrow_table(COLUMNS))
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["parcel_id"] for row in rows] == ['a "b", c', "é", ""]
    assert [row["cost"] for row in rows] == ["0.1", "", ""]
    assert [row["funded"] for row in rows] == ["True", "False", "False"]
    assert [row["rank"] for row in rows] == ["1", "", "2"]
