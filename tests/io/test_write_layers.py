"""The GeoPackage of results, read back by other programs than the one that wrote it."""

from __future__ import annotations

import datetime as dt
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import fiona
import numpy as np
import pyogrio
import pytest
import shapely

from geoirrig.city_records import packed_bytes
from geoirrig.errors import OutputError
from geoirrig.io.result_columns import LAYER_TITLES, RESULT_COLUMNS
from geoirrig.io.write_layers import write_layers
from geoirrig.records import ResultTable
from geoirrig.units import METRES_PER_US_SURVEY_FOOT, UnitSystem
from tests.external import require_program
from tests.made_up_analysis import HOSTILE_ID, MadeUp, made_up, survey_foot_plane, utm_plane

LAYERS = ("turf_results", "zone_results", "head_results", "dry_spots", "overspray",
          "runoff_hotspots")  # fmt: skip


def written(tmp_path: Path, site: MadeUp, *, units: UnitSystem = "si") -> Path:
    path = tmp_path / "results.gpkg"
    write_layers(
        path,
        site.analysis.tables,
        site.analysis.plane,
        units=units,
        run_info={"version": "0.1.0", "site": HOSTILE_ID},
    )
    return path


def one_table(tmp_path: Path, columns: dict, **about: object) -> Path:
    path = tmp_path / "one.gpkg"
    table = ResultTable(name="turf_results", columns=columns, geometry=None)
    write_layers(
        path, [replace(table, **about)], utm_plane(), units=about.pop("units", "si"), run_info={}
    )
    return path


def rows(path: Path, query: str) -> list[tuple]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("with_findings", [True, False])
def test_write_layers_file_satisfies_the_geopackage_validator(
    tmp_path: Path, units: UnitSystem, with_findings: bool
) -> None:
    require_program("gdaldem")  # it comes with the package that holds the validator
    path = written(tmp_path, made_up(turf_id=HOSTILE_ID, with_findings=with_findings), units=units)
    command = ["/usr/bin/python3", "-W", "error", "-m", "osgeo_utils.samples.validate_gpkg", path]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")


def test_write_layers_old_gdal_reads_every_layer_without_a_warning(tmp_path: Path) -> None:
    ogrinfo = require_program("ogrinfo")
    path = written(tmp_path, made_up())
    run = subprocess.run(
        [ogrinfo, "-so", "-al", str(path)], capture_output=True, text=True, check=True
    )
    assert run.stderr == ""
    for layer in (*LAYERS, "run_info"):
        assert f"Layer name: {layer}\n" in run.stdout


def test_write_layers_version_is_1_2(tmp_path: Path) -> None:
    # OGC 12-128r14, requirement 2: user_version 10200 says 1.2, application_id says GPKG.
    path = written(tmp_path, made_up())
    assert rows(path, "PRAGMA user_version") == [(10200,)]
    assert rows(path, "PRAGMA application_id") == [(0x47504B47,)]
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    assert rows(path, "PRAGMA foreign_key_check") == []


def test_write_layers_fiona_and_pyogrio_read_the_same_layers(tmp_path: Path) -> None:
    site = made_up()
    path = written(tmp_path, site)
    types = {"turf_results": "MultiPolygon", "head_results": "Point", "dry_spots": "MultiPolygon"}
    counts = {"turf_results": 3, "zone_results": 6, "head_results": 54, "dry_spots": 1}
    for layer, geometry_type in types.items():
        info = pyogrio.read_info(path, layer=layer)
        with fiona.open(path, layer=layer) as source:
            assert source.schema["geometry"] == info["geometry_type"] == geometry_type
            assert list(source.schema["properties"]) == list(info["fields"])
            assert len(source) == info["features"] == counts[layer]
            assert source.crs.to_epsg() == 32610


def test_write_layers_columns_keep_names_order_and_values(tmp_path: Path) -> None:
    site = made_up(turf_id=HOSTILE_ID)
    frame = pyogrio.read_dataframe(written(tmp_path, site), layer="turf_results")
    table = site.analysis.table("turf_results")
    assert list(frame.columns) == [*table.columns, "geometry"]
    assert frame["turf_id"].tolist() == [HOSTILE_ID, "bank", "strip"]
    np.testing.assert_array_equal(frame["runoff_rank"], [2, 1, 3])
    np.testing.assert_allclose(frame.geometry.area, table.columns["area_m2"], rtol=1e-12)


def test_write_layers_values_that_are_missing_are_null(tmp_path: Path) -> None:
    path = written(tmp_path, made_up())
    query = "SELECT du_lq IS NULL, runoff_probability IS NULL, mean_depth_mm FROM turf_results"
    assert rows(path, query) == [(0, 0, 12.7), (0, 0, 6.35), (1, 1, 0.0)]


def test_write_layers_empty_layers_keep_their_columns_and_type(tmp_path: Path) -> None:
    path = written(tmp_path, made_up(with_findings=False))
    for layer in ("dry_spots", "overspray", "runoff_hotspots"):
        info = pyogrio.read_info(path, layer=layer)
        assert (info["features"], info["geometry_type"]) == (0, "MultiPolygon")
        assert "area_m2" in info["fields"]
        assert "finding" in info["fields"]


def test_write_layers_booleans_are_booleans(tmp_path: Path) -> None:
    columns = {
        "head_to_head": np.array([True, None, False], dtype=object),
        "plain": np.array([True, False, True]),
    }
    path = one_table(tmp_path, columns)
    with fiona.open(path, layer="turf_results") as source:
        assert source.schema["properties"] == {"head_to_head": "bool", "plain": "bool"}
    query = "SELECT head_to_head, plain FROM turf_results"
    assert rows(path, query) == [(1, 1), (None, 0), (0, 1)]


def test_write_layers_us_units_convert_and_rename(tmp_path: Path) -> None:
    path = written(tmp_path, made_up(), units="us")
    # 25.4 mm/h is 1 in/h; 12.7 mm is 0.5 in; 12 L over 3.785411784 L is 3.1701 US gal.
    query = "SELECT mean_rate_in_h, mean_depth_in, runoff_gal FROM turf_results"
    assert rows(path, query)[0] == pytest.approx((1.0, 0.5, 3.17006), rel=1e-5)
    # 3 L/min is 0.79252 US gal/min; 4.5 m is 14.7638 ft.
    query = "SELECT flow_gpm, radius_ft FROM head_results"
    assert rows(path, query)[0] == pytest.approx((0.792516, 14.76378), rel=1e-6)


def test_write_layers_us_units_leave_an_input_layer_in_si(tmp_path: Path) -> None:
    table = ResultTable(name="heads", columns={"radius_m": np.array([4.5])}, geometry=None)
    path = tmp_path / "input.gpkg"
    write_layers(
        path,
        [replace(table, name="changes")],
        utm_plane(),
        units="us",
        run_info={},
        input_layers=[table],
    )
    assert rows(path, "SELECT radius_m FROM heads") == [(4.5,)]
    assert rows(path, "SELECT radius_ft FROM changes")[0][0] == pytest.approx(4.5 / 0.3048)
    titles = rows(path, "SELECT table_name, title FROM gpkg_data_columns ORDER BY table_name")
    assert titles[:2] == [("changes", "Radius of throw [ft]"), ("heads", "Radius of throw [m]")]


def test_write_layers_us_units_leave_carried_columns_alone(tmp_path: Path) -> None:
    path = tmp_path / "one.gpkg"
    columns = {"turf_id": np.array(["a"], dtype=object), "hose_m": np.array([3.0])}
    table = ResultTable(name="turf_results", columns=columns, geometry=None)
    write_layers(path, [table], utm_plane(), units="us", run_info={})
    assert rows(path, "SELECT turf_id, hose_m FROM turf_results") == [("a", 3.0)]


def test_write_layers_carried_column_gives_way_to_a_result_of_its_name(tmp_path: Path) -> None:
    path = tmp_path / "one.gpkg"
    columns = {
        "radius_ft": np.array([99.0]),  # as the user wrote it
        "ZONE": np.array(["typed"], dtype=object),
        "zone": np.array(["Z1"], dtype=object),
        "radius_m": np.array([3.048]),  # the result: 10 ft
    }
    table = ResultTable(name="head_results", columns=columns, geometry=None)
    write_layers(path, [table], utm_plane(), units="us", run_info={})
    query = "SELECT radius_ft_input, ZONE_input, zone, radius_ft FROM head_results"
    assert rows(path, query) == [(99.0, "typed", "Z1", pytest.approx(10.0, rel=1e-12))]


def test_write_layers_columns_named_like_the_hidden_ones_survive(tmp_path: Path) -> None:
    path = tmp_path / "one.gpkg"
    columns = {"FID": np.array(["x", "x"], dtype=object), "Geom": np.array([1.5, 2.5])}
    table = ResultTable(
        name="turf_results",
        columns=columns,
        geometry=np.array([shapely.box(0, 0, 1, 1)] * 2, dtype=object),
        geometry_type="MultiPolygon",
    )
    write_layers(path, [table], utm_plane(), units="si", run_info={})
    frame = pyogrio.read_dataframe(path, layer="turf_results")
    assert frame["FID"].tolist() == ["x", "x"]
    assert frame["Geom"].tolist() == [1.5, 2.5]
    assert frame.geometry.area.tolist() == [1.0, 1.0]


@pytest.mark.parametrize(
    "text",
    [HOSTILE_ID, "=cmd|' /C calc'!A0", '"', "a'b", "Wiese Süd 草", "x" * 5000, "", "  ", "NaN"],
)
def test_write_layers_hostile_names_and_values_stay_text(tmp_path: Path, text: str) -> None:
    path = one_table(tmp_path, {(text.strip() or "blank"): np.array([text, None], dtype=object)})
    with closing(sqlite3.connect(path)) as connection:
        cursor = connection.execute("SELECT * FROM turf_results")
        assert [column[0] for column in cursor.description] == ["fid", text.strip() or "blank"]
        assert [row[1] for row in cursor] == [text, None]
    assert ("turf_results",) in rows(path, "SELECT table_name FROM gpkg_contents")


def test_write_layers_nul_and_lone_surrogate_are_replaced(tmp_path: Path) -> None:
    path = one_table(tmp_path, {"note": np.array(["a\x00b", "a\udcffb"], dtype=object)})
    assert rows(path, "SELECT note FROM turf_results") == [("a\ufffdb",), ("a?b",)]


def test_write_layers_mixed_columns_become_numbers_or_text(tmp_path: Path) -> None:
    columns = {
        "numbers": np.array([1, None, 2.5], dtype=object),
        "counts": np.array([3, None, 0], dtype=object),
        "mixed": np.array([1, "two", None], dtype=object),
        "infinite": np.array([np.inf, -np.inf, 1.0]),
        "nothing": np.array([None, None, np.nan], dtype=object),
    }
    assert rows(one_table(tmp_path, columns), "SELECT * FROM turf_results") == [
        (1, 1.0, 3, "1", None, None),
        (2, None, None, "two", None, None),
        (3, 2.5, 0, None, 1.0, None),
    ]
    assert pyogrio.read_info(tmp_path / "one.gpkg", layer="turf_results")["dtypes"][1] == "int64"


def test_write_layers_geometry_goes_back_to_survey_feet(tmp_path: Path) -> None:
    site = made_up(plane=survey_foot_plane())
    frame = pyogrio.read_dataframe(written(tmp_path, site), layer="turf_results")
    assert frame.crs.to_epsg() == 2227
    metres = shapely.bounds(site.inputs.turf.geometry[0])
    np.testing.assert_allclose(
        frame.geometry.bounds.iloc[0], metres / METRES_PER_US_SURVEY_FOOT, rtol=1e-12
    )


def test_write_layers_geometry_of_other_kinds_is_made_to_fit(tmp_path: Path) -> None:
    square = shapely.box(0, 0, 2, 2)
    far = shapely.box(5, 5, 6, 6)
    line = shapely.LineString([(0, 0), (1, 1)])
    geometry = [
        square,
        shapely.MultiPolygon([square, far]),
        shapely.GeometryCollection([line, square, shapely.MultiPolygon([far])]),
        shapely.force_3d(square, 7.0),
        shapely.Polygon(),
        None,
    ]
    table = ResultTable(
        name="dry_spots",
        columns={"dry_spot_id": np.arange(6)},
        geometry=np.array(geometry, dtype=object),
        geometry_type="MultiPolygon",
    )
    path = tmp_path / "one.gpkg"
    write_layers(path, [table], utm_plane(), units="si", run_info={})
    read = pyogrio.read_dataframe(path, layer="dry_spots").geometry
    assert read.area.fillna(0.0).tolist() == [4.0, 5.0, 5.0, 4.0, 0.0, 0.0]
    assert set(read.dropna().geom_type) == {"MultiPolygon"}
    assert read.isna().tolist() == [False] * 4 + [True] * 2
    assert not read.dropna().has_z.any()


@pytest.mark.parametrize("height_m", [None, 7.0])
def test_write_layers_polygons_alone_become_multipolygons(
    tmp_path: Path, height_m: float | None
) -> None:
    squares = shapely.box(np.arange(3.0), 0.0, np.arange(3.0) + 2.0, 2.0)
    if height_m is not None:
        squares = shapely.force_3d(squares, height_m)
    geometry = np.array([squares[0], None, squares[1], shapely.Polygon(), squares[2]], dtype=object)
    table = ResultTable(
        name="dry_spots",
        columns={"dry_spot_id": np.arange(5)},
        geometry=geometry,
        geometry_type="MultiPolygon",
    )
    path = tmp_path / "one.gpkg"
    write_layers(path, [table], utm_plane(), units="si", run_info={})
    read = pyogrio.read_dataframe(path, layer="dry_spots").geometry
    assert read.isna().tolist() == [False, True, False, True, False]
    assert set(read.dropna().geom_type) == {"MultiPolygon"}
    assert read.dropna().bounds["minx"].tolist() == [0.0, 1.0, 2.0]
    assert not read.dropna().has_z.any()
    assert geometry[3].is_empty  # what was handed over is as it was


SQUARE = shapely.box(0.0, 0.0, 3.0, 3.0)
RING = shapely.difference(SQUARE, shapely.box(1.0, 1.0, 2.0, 2.0))
TWO = shapely.MultiPolygon([shapely.box(5.0, 0.0, 6.0, 1.0), RING])
HIGH = shapely.force_3d(SQUARE, 4.0)


@pytest.mark.parametrize(
    "wkb",
    [
        [SQUARE.wkb, RING.wkb, SQUARE.wkb],
        [SQUARE.wkb, None, RING.wkb],
        [None, None],
        [],
        [SQUARE.wkb, TWO.wkb],
        [SQUARE.wkb, shapely.Polygon().wkb],
        [shapely.to_wkb(RING, byte_order=0), SQUARE.wkb],
        [shapely.to_wkb(HIGH, flavor="iso"), SQUARE.wkb],
        [shapely.to_wkb(HIGH, flavor="extended"), SQUARE.wkb],
    ],
    ids=[
        "polygons", "one missing", "all missing", "no rows", "two parts", "empty",
        "highest byte first", "with height", "with height, extended",
    ],
)  # fmt: skip
@pytest.mark.parametrize("metres_per_unit", [1.0, METRES_PER_US_SURVEY_FOOT])
def test_write_layers_outlines_as_bytes_are_the_same_layer(
    wkb: list[bytes | None], metres_per_unit: float, tmp_path: Path
) -> None:
    plane = utm_plane() if metres_per_unit == 1.0 else survey_foot_plane()
    rows_of_it = {"turf_id": np.array([f"T{n}" for n in range(len(wkb))], dtype=object)}
    given = np.array([*wkb, None], dtype=object)[:-1]
    bare = ResultTable(
        name="parcels", columns=rows_of_it, geometry=None, geometry_type="MultiPolygon"
    )
    drawn = replace(bare, geometry=shapely.from_wkb(given))
    found = []
    for name, table, outlines in (
        ("bytes", bare, {"parcels": packed_bytes(given)}),
        ("drawn", drawn, {}),
    ):
        path = tmp_path / f"{name}.gpkg"
        write_layers(
            path, [table], plane, units="si", run_info={}, outlines=outlines,
            dated=dt.datetime(2000, 1, 1, tzinfo=dt.UTC),
        )  # fmt: skip
        found.append(
            (path.read_bytes(), path.with_suffix(".qgs").read_text().replace(name, "NAME"))
        )
    assert found[0] == found[1]
    read = pyogrio.read_dataframe(tmp_path / "bytes.gpkg", layer="parcels").geometry.to_numpy()
    assert all(shape is None or shape.geom_type == "MultiPolygon" for shape in read)
    in_metres = shapely.transform(read, lambda units: units * plane.metres_per_unit)
    expected = [None if w is None else shapely.force_2d(shapely.from_wkb(w)) for w in wkb]
    for shape, one in zip(in_metres, expected, strict=True):
        assert (shape is None) == (one is None or one.is_empty)
        assert shape is None or shapely.normalize(shape).equals_exact(
            shapely.normalize(shapely.MultiPolygon(shapely.get_parts(one).tolist())), 1e-9
        )


def written_as_bytes(folder: Path, wkb: list[bytes | None], kind: str) -> Path:
    """A layer of outlines alone."""
    given = np.array([*wkb, None], dtype=object)[:-1]
    columns = {"turf_id": np.arange(len(wkb)).astype(str).astype(object)}
    table = ResultTable(name="parcels", columns=columns, geometry=None, geometry_type=kind)
    path, outlines = folder / "bytes.gpkg", {"parcels": packed_bytes(given)}
    write_layers(path, [table], utm_plane(), units="si", run_info={}, outlines=outlines)
    return path


def kinds_read(path: Path) -> list[str | None]:
    read = pyogrio.read_dataframe(path, layer="parcels").geometry
    return [None if shape is None else shape.geom_type for shape in read]


def test_write_layers_outlines_that_a_wrapping_is_enough_for_are_not_made_geometries(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def made(_: object) -> None:
        raise AssertionError("a geometry was made")

    with monkeypatch.context() as patched:
        patched.setattr("geoirrig.io.write_layers.shapely.from_wkb", made)
        outlines = [SQUARE.wkb, None, TWO.wkb, RING.wkb]
        path = written_as_bytes(tmp_path, outlines, "MultiPolygon")
    assert kinds_read(path) == ["MultiPolygon", None, "MultiPolygon", "MultiPolygon"]


def test_write_layers_outlines_of_a_layer_of_polygons_stay_polygons(tmp_path: Path) -> None:
    path = written_as_bytes(tmp_path, [SQUARE.wkb, RING.wkb], "Polygon")
    assert kinds_read(path) == ["Polygon", "Polygon"]


def test_write_layers_run_info_is_a_table_of_text(tmp_path: Path) -> None:
    path = written(tmp_path, made_up())
    assert rows(path, "SELECT key, value FROM run_info") == [
        ("version", "0.1.0"),
        ("site", HOSTILE_ID),
    ]
    query = "SELECT data_type FROM gpkg_contents WHERE table_name = 'run_info'"
    assert rows(path, query) == [("attributes",)]


def test_write_layers_titles_are_in_the_file(tmp_path: Path) -> None:
    path = written(tmp_path, made_up(), units="us")
    query = "SELECT identifier FROM gpkg_contents WHERE table_name = 'dry_spots'"
    assert rows(path, query) == [("Dry spots",)]
    query = (
        "SELECT title, description FROM gpkg_data_columns "
        "WHERE table_name = 'turf_results' AND column_name = 'mean_rate_in_h'"
    )
    expected = ("Mean rate [in/h]", "Mean precipitation rate over the area. [in/h]")
    assert rows(path, query) == [expected]


def test_write_layers_titles_of_a_layer_differ_from_one_another(tmp_path: Path) -> None:
    # OGC 12-128, table gpkg_data_columns: names are unique in a table.
    titles = [title for title, _ in RESULT_COLUMNS.values()]
    assert len(set(titles)) == len(titles)
    identifiers = [title for title, _ in LAYER_TITLES.values()]
    assert len(set(identifiers)) == len(identifiers)


@pytest.mark.parametrize("units", ["si", "us"])
def test_write_layers_every_layer_has_one_default_style(tmp_path: Path, units: UnitSystem) -> None:
    path = written(tmp_path, made_up(), units=units)
    for layer in LAYERS:
        styles = rows(
            path,
            "SELECT useAsDefault, styleQML, styleSLD, f_geometry_column, f_table_schema "
            f"FROM layer_styles WHERE f_table_name = '{layer}'",
        )
        assert [row[0] for row in styles] == [1] + [0] * (len(styles) - 1)
        fields = set(pyogrio.read_info(path, layer=layer)["fields"])
        for _, qml, sld, geometry_column, schema in styles:
            assert (geometry_column, schema) == ("geom", "")
            aliases = {alias.get("field") for alias in ET.fromstring(qml).iter("alias")}
            assert aliases <= fields
            names = ET.fromstring(sld).iter("{http://www.opengis.net/ogc}PropertyName")
            assert {name.text for name in names} <= fields


def test_write_layers_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    site = made_up()
    with pytest.raises(OutputError, match=r"results\.gpkg could not be written: .*Check the space"):
        written(tmp_path / "nowhere", site)


def test_write_layers_leaves_the_tables_as_they_were(tmp_path: Path) -> None:
    site = made_up()
    before = {
        name: values.copy() for name, values in site.analysis.table("turf_results").columns.items()
    }
    written(tmp_path, site, units="us")
    for name, values in site.analysis.table("turf_results").columns.items():
        np.testing.assert_array_equal(values, before[name])


@pytest.mark.parametrize(
    ("values", "declared", "stored"),
    [
        (np.array([1, 2**53 + 1], np.uint64), "INTEGER", [1, 2**53 + 1]),
        (np.array([1, 2**64 - 1], np.uint64), "TEXT", ["1", str(2**64 - 1)]),
        (np.array([1, 2], np.int16), "SMALLINT", [1, 2]),
        (np.array([1, 2], np.int32), "MEDIUMINT", [1, 2]),
        (np.array([1.5, np.nan]), "REAL", [1.5, None]),
        (np.array([True, False]), "BOOLEAN", [1, 0]),
        (np.array(["a\x00b", "c"]), "TEXT", ["a\ufffdb", "c"]),
        (np.array(["a\x00b", None], object), "TEXT", ["a\ufffdb", None]),
        (np.array([None, None], object), "TEXT", [None, None]),
        (np.array([b"a", b"b"], object), "TEXT", ["b'a'", "b'b'"]),
    ],
)
def test_write_layers_kind_of_column_by_kind_of_values(
    tmp_path: Path, values: np.ndarray, declared: str, stored: list[object]
) -> None:
    path = one_table(tmp_path, {"own": values})
    ((_, _, kind, *_),) = [
        row for row in rows(path, "PRAGMA table_info(turf_results)") if row[1] == "own"
    ]
    assert kind == declared
    assert [row[0] for row in rows(path, "SELECT own FROM turf_results")] == stored
