"""GeoParquet and CSV in bulk read back as they were, by other readers."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely

from geoirrig.city_records import packed_bytes
from geoirrig.io.write_geoparquet import (
    arrow_bytes,
    arrow_table,
    write_csv_in_bulk,
    write_geoparquet,
)
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


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([1, None, np.nan], [1, None, None]),
        ([1, 2.5, None], ["1", "2.5", None]),
        ([2.5, np.nan, np.inf], [2.5, None, np.inf]),
        ([True, None, False], [True, None, False]),
        ([True, 1, None], ["True", "1", None]),
        (["x", np.nan, None], ["x", None, None]),
        ([np.int64(3), None], ["3", None]),
        ([np.nan, None], [None, None]),
    ],
)
def test_arrow_table_objects_are_of_one_kind_or_text(
    values: list[object], expected: list[object]
) -> None:
    column = np.empty(len(values), dtype=object)
    column[:] = values
    assert arrow_table({"x": column}).column("x").to_pylist() == expected


def test_write_csv_in_bulk_boolean_that_is_not_known_is_empty(tmp_path: Path) -> None:
    is_in = np.array([True, None, False], dtype=object)
    write_csv_in_bulk(tmp_path / "out.csv", arrow_table({"is_in": is_in, "n": np.arange(3)}))
    assert (tmp_path / "out.csv").read_text().splitlines()[1:] == ['"True",0', ",1", '"False",2']


@pytest.mark.parametrize(
    "rows", [[], [None], [b"a", None, b"bcd", b"e"], [bytes([k]) for k in range(20)]]
)
def test_arrow_bytes_rows_without_any_are_null(rows: list[bytes | None]) -> None:
    packed = np.empty(len(rows), dtype=object)
    packed[:] = rows
    found = arrow_bytes(packed_bytes(packed))
    assert str(found.type) == "binary"
    assert found.to_pylist() == rows
