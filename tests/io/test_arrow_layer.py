"""Layers in bulk are what the careful reader makes of them."""

from __future__ import annotations

import math
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pyogrio
import pytest
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import point_coordinates_of, read_arrow_layer
from geoirrig.io.coded_text import coded_text, is_repeated
from geoirrig.io.column_values import number_column, text_column
from geoirrig.io.columns import HEADS, PARCELS, ZONES
from geoirrig.io.open_layer import read_layer
from tests.io.bulk_layers import CRS, SQUARE, X, Y, heads, read, written


@pytest.mark.parametrize("name", ["city.gpkg", "heads.parquet", "heads.fgb", "heads.geojson"])
def test_read_arrow_layer_any_format_same_columns_as_the_careful_reader(
    tmp_path: Path, name: str
) -> None:
    path = written(heads(), tmp_path / name)
    layer, problems = read(path, carry_others=True), ProblemList()
    careful = read_layer(path, "heads", HEADS, problems)
    assert careful is not None
    assert set(layer.table.columns) == set(careful.columns)
    for column in ("arc_deg", "radius_m"):
        np.testing.assert_array_equal(
            number_column(layer.table, column, problems), number_column(careful, column, problems)
        )
    zone = coded_text(layer, "zone")
    assert (
        zone.texts().tolist() == text_column(careful, "zone", problems).tolist() == ["1", "", "1"]
    )
    # FlatGeobuf sorts its rows
    np.testing.assert_array_equal(
        point_coordinates_of(layer), shapely.get_coordinates(careful.geometry)
    )
    assert sorted(point_coordinates_of(layer)[:, 0]) == X.tolist()
    assert layer.table.crs == careful.crs
    assert not problems.problems


def test_read_arrow_layer_unknown_columns_are_carried_only_if_asked(tmp_path: Path) -> None:
    path = written(heads(), tmp_path / "city.gpkg")
    assert "note" not in read(path).table.columns
    assert "note" in read(path, carry_others=True).table.columns


def test_point_coordinates_of_heights_and_missing_points(tmp_path: Path) -> None:
    table = heads()
    table["geometry"] = shapely.points(X, Y, [5.0, 6.0, 7.0])
    layer = read(written(table, tmp_path / "high.gpkg"))
    np.testing.assert_array_equal(point_coordinates_of(layer), np.column_stack([X, Y]))
    table = heads()
    table["geometry"] = [shapely.Point(1.0, 2.0), None, shapely.Point(3.0, 4.0)]
    layer = read(written(table, tmp_path / "gap.gpkg"))
    np.testing.assert_array_equal(
        point_coordinates_of(layer), [[1.0, 2.0], [np.nan, np.nan], [3.0, 4.0]]
    )


def test_read_arrow_layer_many_batches_are_one_layer(tmp_path: Path) -> None:
    """Two and a bit; a number, a text and a point are missing now and then."""
    n = 140_000
    number = np.arange(n, dtype=np.float64)
    number[::1000] = np.nan
    zone = np.array([f"zone {k // 7}" for k in range(n)], dtype=object)
    zone[::1001] = None
    table = gpd.GeoDataFrame(
        {"head_id": np.arange(n).astype(str), "zone": zone, "flow_lpm": number, "cycles": 3},
        geometry=gpd.points_from_xy(np.arange(n), 2.0 * np.arange(n)),
        crs=CRS,
    )
    layer = read(written(table, tmp_path / "city.gpkg"), carry_others=True)
    np.testing.assert_array_equal(layer.table.columns["flow_lpm"], number)
    np.testing.assert_array_equal(layer.table.columns["cycles"], np.full(n, 3))
    expected = [text or "" for text in zone.tolist()]
    assert coded_text(layer, "zone").texts().tolist() == expected
    assert not is_repeated(layer, "head_id").any()
    np.testing.assert_array_equal(point_coordinates_of(layer)[:, 1], 2.0 * np.arange(n))
    last = layer.rows(np.array([0, n - 1]))
    assert last.geometry is not None
    assert [last.geometry[1].x, last.columns["flow_lpm"][1]] == [n - 1.0, n - 1.0]
    assert last.columns["zone"].tolist() == [None, zone[-1]]

    is_drawn = np.arange(n) % 1000 != 999
    table.geometry = table.geometry.where(is_drawn)
    layer = read(written(table, tmp_path / "gaps.gpkg"))
    np.testing.assert_array_equal(np.isfinite(point_coordinates_of(layer)[:, 0]), is_drawn)


@pytest.mark.parametrize("told", [0, 1, 4, 2_000_000_000])
def test_read_arrow_layer_a_file_that_miscounts_its_rows(tmp_path: Path, told: int) -> None:
    path = written(heads(), tmp_path / "city.gpkg")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE gpkg_ogr_contents SET feature_count = ?", [told])
    assert pyogrio.read_info(path, layer="heads")["features"] == told
    layer = read(path)
    np.testing.assert_array_equal(layer.table.columns["arc_deg"], [90.0, np.nan, 180.0])
    assert layer.n_rows == 3


def test_rows_are_an_ordinary_table(tmp_path: Path) -> None:
    layer = read(written(heads(), tmp_path / "city.gpkg"))
    part = layer.rows(np.array([2, 0]))
    assert part.columns["head_id"].tolist() == [" B ", "A"]
    assert part.geometry is not None
    assert [g.x for g in part.geometry] == [3.25, 1.5]
    assert part.feature.tolist() == [3, 1]


def test_read_arrow_layer_csv_and_damage_go_to_the_careful_reader(tmp_path: Path) -> None:
    table = tmp_path / "zones.csv"
    table.write_text("zone,cycles\nA,2\nB,3\n", encoding="utf-8")
    layer = read_arrow_layer(table, "zones", ZONES, ProblemList())
    assert layer is not None
    assert number_column(layer.table, "cycles", ProblemList()).tolist() == [2.0, 3.0]
    broken, problems = tmp_path / "parcels.gpkg", ProblemList()
    broken.write_bytes(b"SQLite format 3\0" + b"\0" * 200)
    assert read_arrow_layer(broken, "parcels", PARCELS, problems) is None
    assert problems.problems


def test_read_arrow_layer_without_crs_is_a_problem(tmp_path: Path) -> None:
    path, problems = tmp_path / "heads.parquet", ProblemList()
    gpd.GeoDataFrame(
        pd.DataFrame(heads().drop(columns="geometry")), geometry=heads().geometry.to_numpy()
    ).to_parquet(path)
    read_arrow_layer(path, "heads", HEADS, problems)
    assert any("has no CRS" in problem for problem in problems.problems)


def test_read_arrow_layer_curves_are_read_as_chords(tmp_path: Path) -> None:
    """A circle of 10 m as two arcs, as some programs draw it: a curve polygon (ISO kind 10)."""
    middle = np.array([500_000.0, 4_000_000.0])
    on_circle = middle + 10.0 * np.array([(-1, 0), (0, 1), (1, 0), (0, -1), (-1, 0)])
    arcs = struct.pack("<BII", 1, 8, len(on_circle)) + on_circle.tobytes()
    circle = struct.pack("<BII", 1, 10, 1) + arcs
    table = pa.table(
        {
            "parcel_id": ["round", "square"],
            "geom": pa.array([circle, shapely.to_wkb(SQUARE)], pa.binary()),
        }
    )
    path = tmp_path / "curves.gpkg"
    pyogrio.write_arrow(
        table, str(path), layer="parcels", driver="GPKG", geometry_name="geom",
        geometry_type="Unknown", crs=CRS,
    )  # fmt: skip
    layer = read_arrow_layer(path, "parcels", PARCELS, ProblemList())
    assert layer is not None
    area = shapely.area(layer.geometry())
    assert area[0] == pytest.approx(100.0 * math.pi, rel=0.002)
    assert area[1] == 2.0


QUIETLY = """
import sys
from pathlib import Path
from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import read_arrow_layer
from geoirrig.io.columns import PARCELS
from geoirrig.processors import at_most_processors
with at_most_processors(int(sys.argv[2])):
    layer = read_arrow_layer(Path(sys.argv[1]), "parcels", PARCELS, ProblemList())
print(layer.n_rows)
"""


@pytest.mark.parametrize("processors", ["1", "2"])
def test_read_arrow_layer_what_the_library_warns_of_is_not_printed(
    tmp_path: Path, processors: str
) -> None:
    """A layer whose table and whose entry in the list of layers disagree about its geometry."""
    path = tmp_path / "city.gpkg"
    frame = gpd.GeoDataFrame({"parcel_id": ["A"]}, geometry=[SQUARE], crs=CRS)
    pyogrio.write_dataframe(frame, path, layer="parcels")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'GEOMETRY'")
    told = subprocess.run(
        [sys.executable, "-c", QUIETLY, str(path), processors], capture_output=True, text=True
    )
    assert (told.stdout, told.stderr) == ("1\n", "")


def test_read_arrow_layer_text_of_other_bytes_is_told(tmp_path: Path) -> None:
    path, problems = tmp_path / "city.gpkg", ProblemList()
    frame = gpd.GeoDataFrame({"parcel_id": ["A", "B"]}, geometry=[SQUARE, SQUARE], crs=CRS)
    pyogrio.write_dataframe(frame, path, layer="parcels", SPATIAL_INDEX="NO")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE parcels SET parcel_id = CAST(X'FF41' AS TEXT) WHERE fid = 2")
    assert read_arrow_layer(path, "parcels", PARCELS, problems) is None
    (told,) = problems.problems
    assert told.startswith("Layer 'parcels' of 'city.gpkg' cannot be read: ")


def test_read_arrow_layer_curves_in_geoparquet_are_told(tmp_path: Path) -> None:
    path, problems = tmp_path / "parcels.parquet", ProblemList()
    gpd.GeoDataFrame({"parcel_id": ["A"]}, geometry=[SQUARE], crs=CRS).to_parquet(path)
    table = pyarrow.parquet.read_table(path)
    curve = struct.pack("<BII", 1, 10, 0)
    wkb = pa.array([curve], table.schema.field("geometry").type)
    pyarrow.parquet.write_table(table.set_column(1, table.schema.field("geometry"), wkb), path)
    assert read_arrow_layer(path, "parcels", PARCELS, problems) is None
    assert "cannot be read: " in problems.problems[0]
