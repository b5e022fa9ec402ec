"""Formats, told by the first bytes."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoirrig.errors import GeoirrigError
from geoirrig.io.file_formats import (
    CSV,
    FLATGEOBUF,
    GEOJSON,
    GEOPACKAGE,
    GEOPARQUET,
    GEOTIFF,
    SHAPEFILE,
    files_of,
    raster_format,
    vector_format,
)
from tests.io import site_builder as build


def test_vector_format_of_real_files_is_recognised(tmp_path: Path) -> None:
    expected = {
        "a.gpkg": GEOPACKAGE,
        "a.fgb": FLATGEOBUF,
        "a.geojson": GEOJSON,
        "a.parquet": GEOPARQUET,
        "a.shp": SHAPEFILE,
    }
    for name, file_format in expected.items():
        path = build.write_layer(tmp_path / name, build.turf().to_crs(4326))
        assert vector_format(path) is file_format
    (tmp_path / "a.csv").write_text("zone\nA\n", encoding="utf-8")
    assert vector_format(tmp_path / "a.csv") is CSV


def test_raster_format_of_a_real_file_is_recognised(tmp_path: Path) -> None:
    assert raster_format(build.write_raster(tmp_path / "a.TIF", [[1.0]])) is GEOTIFF


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.geojson", b'{"x": "<OGRVRTDataSource>"}', "is named as a GeoJSON, but its content"),
        ("a.geojson", b"[1, 2]", "plain text of another kind"),
        ("a.fgb", b"{}", "JSON text"),
        ("a.csv", b"a\0b", "binary data of another kind"),
        ("a.csv", b"<html>", "a web page"),
        ("a.shp", b"PAR1", "a Parquet file"),
        ("a.parquet", b"\x00\x00\x27\x0a", "a Shapefile"),
        ("a.dxf", b"<svg/>", "XML text"),
        ("a.dxf", b"%PDF-1.4", "a PDF document"),
    ],
)
def test_vector_format_of_other_content_is_refused(
    tmp_path: Path, name: str, content: bytes, words: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(GeoirrigError) as raised:
        vector_format(path)
    assert words in str(raised.value)


def test_vector_format_of_a_path_with_control_characters_stays_on_one_line(tmp_path: Path) -> None:
    with pytest.raises(GeoirrigError) as raised:
        vector_format(tmp_path / "a\n\x1b[31mb.gpkg")
    assert "\n" not in str(raised.value)
    assert "\x1b" not in str(raised.value)


def test_vector_format_of_a_path_with_nul_is_refused() -> None:
    with pytest.raises(GeoirrigError):
        vector_format(Path("a\0.gpkg"))


def test_vector_format_of_a_remote_path_is_a_missing_file() -> None:
    with pytest.raises(GeoirrigError, match="does not exist"):
        vector_format(Path("/vsicurl/http://localhost/site.gpkg"))


def test_files_of_a_shapefile_are_all_its_companions(tmp_path: Path) -> None:
    path = build.write_layer(tmp_path / "a.shp", build.turf())
    assert [p.suffix for p in files_of(path)] == [".shp", ".shx", ".dbf", ".prj", ".cpg"]
    assert files_of(tmp_path / "a.gpkg") == (tmp_path / "a.gpkg",)
