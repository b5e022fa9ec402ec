"""Whole sites: what comes together, and all problems at once."""

from __future__ import annotations

import os
import sqlite3
import stat
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from geoirrig.errors import GeoirrigError, InputError, ProblemList
from geoirrig.io.open_layer import LayerSource
from geoirrig.io.read_site import SiteSources, read_site
from geoirrig.units import LITRES_PER_US_GALLON, METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT
from tests.io import site_builder as build


def test_read_site_good_site_is_complete_without_warning(tmp_path: Path) -> None:
    reading, problems = build.read(tmp_path)
    assert problems == ProblemList()
    inputs = reading.complete(("said",))
    assert inputs.warnings == ("said",)
    assert inputs.plane.crs_name == "WGS 84 / UTM zone 11N"
    assert inputs.plane.metres_per_unit == 1.0
    assert inputs.layout.head_id.tolist() == ["SW", "NW", "NE", "SE"]
    # A full-circle flow of 12 L/min at the tested pressure; a quarter of it for an arc of 90°.
    np.testing.assert_allclose(inputs.layout.flow_lpm, 3.0, rtol=1e-12)
    np.testing.assert_allclose(inputs.layout.radius_m, 6.0, rtol=1e-12)
    assert inputs.layout.start_bearing_deg.tolist() == [0.0, 90.0, 180.0, 270.0]
    assert inputs.zone_plan.zone == ("A",)
    assert shapely.area(inputs.turf.geometry).tolist() == [36.0]
    assert [(f.role, f.name, len(f.sha256)) for f in inputs.files] == [("site", "site.gpkg", 64)]


def test_read_site_many_faults_come_out_together(tmp_path: Path) -> None:
    heads = build.heads(
        head_id=["H1", "H1", "H3", "H4"],
        nozzle=["Q", "Qx", "Q", "Q"],
        arc_deg=[90.0, 400.0, 90.0, 90.0],
        start_bearing_deg=[np.nan, 0.0, 0.0, 0.0],
        pressure_kpa=[-5.0, 200.0, 200.0, 200.0],
    )
    turf = build.turf(soil_texture=["lome"], slope_pct=None).set_crs(None, allow_override=True)
    _, problems = build.read(tmp_path, heads=heads, turf=turf)
    text = "\n".join(problems.problems)
    for part in (
        "head_id must be unique",
        "unknown nozzle",
        "arc_deg must be at most 360",
        "start_bearing_deg is needed",
        "pressure_kpa must be greater than 0 kPa; got -5.0 for head_id 'H1'",
        "soil_texture must be one of",
        "has no CRS",
        "The slope is not known",
    ):
        assert part in text, part
    assert len(problems.problems) == 8
    with pytest.raises(InputError) as raised:
        problems.raise_if_any()
    assert len(raised.value.problems) == 8


def test_complete_after_a_problem_is_refused(tmp_path: Path) -> None:
    reading, _ = build.read(tmp_path, heads=None)
    with pytest.raises(GeoirrigError, match="not read whole"):
        reading.complete(())


def test_read_site_no_files_asks_for_heads_and_turf() -> None:
    _, problems = build.read_file(None)
    assert problems.problems == [
        "No heads layer was given. Name a site GeoPackage or give --heads FILE.",
        "No turf layer was given. Name a site GeoPackage or give --turf FILE.",
    ]


def test_read_site_missing_layer_is_named_with_the_nearest(tmp_path: Path) -> None:
    _, problems = build.read(tmp_path, heads=None, haeds=build.heads())
    assert build.only(problems.problems) == (
        "'site.gpkg' has no layer 'heads'; it has 'turf', 'haeds' and 'nozzles'. Add it or give "
        "--heads FILE. The nearest known is 'haeds'."
    )


@pytest.mark.parametrize("suffix", [".gpkg", ".fgb", ".geojson", ".parquet", ".shp"])
def test_read_site_heads_of_any_format_are_the_same(tmp_path: Path, suffix: str) -> None:
    reference, _ = build.read(tmp_path)
    path = tmp_path / f"other{suffix}"
    frame = build.heads()
    build.write_layer(path, frame.to_crs(4326) if suffix == ".geojson" else frame)
    (tmp_path / "site.gpkg").unlink()
    reading, problems = build.read(tmp_path, heads=None, sources={"heads": LayerSource(path=path)})
    assert problems.problems == []
    assert reference.layout is not None
    assert reading.layout is not None
    order = np.argsort(reading.layout.head_id.astype(str))  # a FlatGeobuf sorts its features
    expected = np.argsort(reference.layout.head_id.astype(str))
    for name in ("flow_lpm", "radius_m", "arc_deg", "start_bearing_deg", "x_m", "y_m"):
        np.testing.assert_allclose(
            getattr(reading.layout, name)[order],
            getattr(reference.layout, name)[expected],
            rtol=0,
            atol=0.02,  # GeoJSON is written in degrees with 7 decimals or more: 1 cm
        )


def test_read_site_shapefile_names_cut_off_are_completed(tmp_path: Path) -> None:
    path = tmp_path / "turf.shp"
    build.write_layer(path, build.turf())  # soil_texture becomes soil_textu
    reading, problems = build.read(tmp_path, turf=None, sources={"turf": LayerSource(path=path)})
    assert problems.problems == []
    assert problems.warnings == [
        "Layer 'turf' of 'turf.shp': column 'soil_textu', cut off by the Shapefile, is taken for "
        "'soil_texture'."
    ]
    assert reading.turf is not None
    assert reading.turf.soil_texture.tolist() == ["loam"]
    roles = {(file.role, file.name) for file in reading.files}
    assert {("turf", "turf.shp"), ("turf", "turf.dbf"), ("turf", "turf.prj")} <= roles


def test_read_site_shapefile_name_of_two_meanings_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "turf.shp"
    build.write_layer(path, build.turf(root_depth_mm=[150.0]))
    _, problems = build.read(tmp_path, turf=None, sources={"turf": LayerSource(path=path)})
    assert (
        "column 'root_depth' is cut off by the Shapefile and may be any of 'root_depth_in' and "
        "'root_depth_mm'. Give the layer as a GeoPackage." in build.only(problems.problems)
    )


def test_read_site_tables_as_csv_are_read(tmp_path: Path) -> None:
    nozzles = tmp_path / "nozzles.csv"
    nozzles.write_text("nozzle,flow_gpm,radius_ft,pressure_psi\nQ,3,20,30\n", encoding="utf-8")
    zones = tmp_path / "zones.csv"
    zones.write_text("\ufeffzone,run_minutes,cycles\nA,12.5,2\n", encoding="utf-8")
    reading, problems = build.read(
        tmp_path,
        nozzles=None,
        sources={"nozzles": LayerSource(path=nozzles), "zones": LayerSource(path=zones)},
    )
    assert problems == ProblemList()
    assert reading.layout is not None
    assert reading.zone_plan is not None
    # 3 US gal/min × 3.785411784 L/gal × 90°/360°
    np.testing.assert_allclose(reading.layout.flow_lpm, 0.75 * LITRES_PER_US_GALLON, rtol=1e-12)
    np.testing.assert_allclose(reading.layout.radius_m, 20.0 * METRES_PER_FOOT, rtol=1e-12)
    assert reading.zone_plan.run_minutes.tolist() == [12.5]
    assert reading.zone_plan.cycles.tolist() == [2]


# --- coordinates ---------------------------------------------------------------------------------


def _in_crs(frame: gpd.GeoDataFrame, crs: int) -> gpd.GeoDataFrame:
    return frame.to_crs(crs)


@pytest.mark.parametrize(
    ("crs", "words"),
    [(4326, "is in degrees (WGS 84)"), (3857, "is in a Mercator map of false areas")],
)
def test_read_site_degrees_and_web_mercator_have_true_areas(
    tmp_path: Path, crs: int, words: str
) -> None:
    ring = shapely.Point(build.X0 + 40_000.0, build.Y0).buffer(60.0, quad_segs=64)
    turf = gpd.GeoDataFrame(
        {"turf_id": ["T1"], "soil_texture": ["loam"], "slope_pct": [2.0]},
        geometry=[ring],
        crs=build.CRS,
    )
    heads = gpd.GeoDataFrame(
        {"head_id": ["H"], "zone": ["A"], "nozzle": ["Q"]},
        geometry=[ring.centroid],
        crs=build.CRS,
    )
    reading, problems = build.read(tmp_path, turf=_in_crs(turf, crs), heads=_in_crs(heads, crs))
    assert problems.problems == []
    warning = build.only(problems.warnings)
    assert words in warning
    assert "the run works in WGS 84 / UTM zone 11N" in warning
    assert reading.turf is not None
    true_area, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(
        turf.to_crs(4326).geometry.iloc[0]
    )
    assert shapely.area(reading.turf.geometry[0]) == pytest.approx(abs(true_area), rel=2e-3)
    assert reading.layout is not None
    assert reading.layout.x_m[0] == pytest.approx(ring.centroid.x, abs=0.01)
    assert reading.layout.y_m[0] == pytest.approx(ring.centroid.y, abs=0.01)


def test_read_site_us_survey_feet_equal_the_same_site_in_metres(tmp_path: Path) -> None:
    feet = tmp_path / "feet"
    metres = tmp_path / "metres"
    feet.mkdir()
    metres.mkdir()
    # EPSG:2227 and EPSG:26943 are one zone, in US survey feet and in metres.
    metre_layers = {"heads": build.heads(), "turf": build.turf()}
    for name, frame in metre_layers.items():
        moved = frame.geometry.translate(2_000_000.0 - build.X0, 600_000.0 - build.Y0)
        metre_layers[name] = frame.set_geometry(moved).set_crs(26943, allow_override=True)
    foot_layers = {name: frame.to_crs(2227) for name, frame in metre_layers.items()}
    in_metres, problems_m = build.read(metres, **metre_layers)
    in_feet, problems_ft = build.read(feet, **foot_layers)
    assert problems_m == ProblemList()
    assert problems_ft == ProblemList()
    assert in_feet.plane is not None
    assert in_feet.plane.metres_per_unit == METRES_PER_US_SURVEY_FOOT == 1200.0 / 3937.0
    assert in_feet.layout is not None
    assert in_metres.layout is not None
    # The false origin of the foot zone, (6561666.667, 1640416.667) ft, is rounded up by 1/3000 ft.
    rounding_m = 1200.0 / 3937.0 / 3000.0
    for axis in ("x_m", "y_m"):
        np.testing.assert_allclose(
            getattr(in_feet.layout, axis) - rounding_m,
            getattr(in_metres.layout, axis),
            rtol=0,
            atol=1e-6,
        )
    np.testing.assert_array_equal(in_feet.layout.flow_lpm, in_metres.layout.flow_lpm)
    assert in_feet.turf is not None
    np.testing.assert_allclose(shapely.area(in_feet.turf.geometry), 36.0, rtol=1e-7)


def test_read_site_layers_in_different_crs_meet_in_that_of_the_turf(tmp_path: Path) -> None:
    reading, problems = build.read(tmp_path, heads=build.heads().to_crs(3857))
    assert problems == ProblemList()
    assert reading.layout is not None
    np.testing.assert_allclose(
        reading.layout.x_m, [build.X0, build.X0, build.X0 + 6.0, build.X0 + 6.0], atol=1e-5
    )


def test_read_site_layer_without_crs_is_a_problem(tmp_path: Path) -> None:
    heads = build.heads().set_crs(None, allow_override=True)
    _, problems = build.read(tmp_path, heads=heads)
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg' has no CRS. Assign the one it was surveyed in."
    )


def test_read_site_datum_shift_known_roughly_is_told(tmp_path: Path) -> None:
    # EPSG:27700 to a WGS 84 zone needs a grid that wheels do not carry.
    place = gpd.GeoSeries([shapely.box(530_000, 180_000, 530_006, 180_006)], crs=27700)
    turf = build.turf([place.to_crs(32630).iloc[0]]).set_crs(32630, allow_override=True)
    heads = gpd.GeoDataFrame(
        {"head_id": ["H"], "zone": ["A"], "nozzle": ["Q"]},
        geometry=[shapely.Point(530_003, 180_003)],
        crs=27700,
    )
    _, problems = build.read(tmp_path, turf=turf, heads=heads)
    assert problems.problems == []
    warning = build.only(problems.warnings)
    assert "was brought from OSGB36 / British National Grid into WGS 84 / UTM zone 30N" in warning
    assert "with an accuracy of 2 m" in warning


def test_read_site_projected_crs_with_false_areas_is_told(tmp_path: Path) -> None:
    # 15° from the central meridian the areal scale of UTM is about 1 + (15° in radians · cos φ)².
    turf = build.turf([shapely.box(1_850_000, 4_000_000, 1_850_006, 4_000_006)])
    heads = gpd.GeoDataFrame(
        {"head_id": ["H"], "zone": ["A"], "nozzle": ["Q"]},
        geometry=[shapely.Point(1_850_003, 4_000_003)],
        crs=build.CRS,
    )
    _, problems = build.read(tmp_path, turf=turf, heads=heads)
    assert problems.problems == []
    assert "times the true ones at this site" in build.only(problems.warnings)


def test_read_site_coordinates_that_are_no_degrees_are_a_problem(tmp_path: Path) -> None:
    turf = build.turf().set_crs(4326, allow_override=True)
    _, problems = build.read(tmp_path, turf=turf)
    assert build.only(problems.problems) == (
        "Layer 'turf' of 'site.gpkg' has positions, such as (500006, 4e+06), that WGS 84 does not "
        "reach. Assign the CRS that it was surveyed in."
    )


def test_read_site_axes_that_run_west_and_south_are_a_problem(tmp_path: Path) -> None:
    turf = build.turf().set_crs(2053, allow_override=True)
    _, problems = build.read(tmp_path, turf=turf)
    assert "axes run west and south (Hartebeesthoek94 / Lo29)" in build.only(problems.problems)


# --- files ---------------------------------------------------------------------------------------


def test_read_site_missing_file_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "nowhere.gpkg"
    _, problems = build.read_file(path)
    assert problems.problems == [f"{str(path)!r} does not exist. Check the path."]


def test_read_site_folder_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "folder.gpkg"
    path.mkdir()
    _, problems = build.read_file(path)
    assert problems.problems == [f"{str(path)!r} is a folder, not a file. Give the file itself."]


def test_read_site_empty_file_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    path.touch()
    _, problems = build.read_file(path)
    assert problems.problems == [f"{str(path)!r} is empty (0 bytes). Export it again."]


def test_read_site_pipe_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    os.mkfifo(path)
    assert stat.S_ISFIFO(path.stat().st_mode)
    _, problems = build.read_file(path)
    assert "is not a regular file" in build.only(problems.problems)


def test_read_site_unreadable_file_is_a_problem(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = build.write_site(tmp_path / "site.gpkg", build.good_layers())

    def refuse(self: Path, *args: object, **kwargs: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)  # the super-user may read anything, so it is mocked
    _, problems = build.read_file(path)
    assert problems.problems == [
        f"{str(path)!r} cannot be read: Permission denied. Check its permissions."
    ]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"<OGRVRTDataSource><OGRVRTLayer/></OGRVRTDataSource>", "a virtual layer (VRT)"),
        (b"head_id,zone\nA,B\n", "plain text of another kind"),
        (b"PK\x03\x04rest", "a zip archive (unpack it first)"),
        (b"SQLite format 3\0" + bytes(100), "an SQLite database that is not marked"),
        (b"\x89PNG\r\n\x1a\n", "a PNG picture"),
        (b"<!DOCTYPE html><html></html>", "a web page"),
    ],
)
def test_read_site_other_content_under_a_geopackage_name_is_a_problem(
    tmp_path: Path, content: bytes, words: str
) -> None:
    path = tmp_path / "site.gpkg"
    path.write_bytes(content)
    _, problems = build.read_file(path)
    message = build.only(problems.problems)
    assert message.startswith(f"{str(path)!r} is named as a GeoPackage, but its content is {words}")


def test_read_site_truncated_geopackage_is_a_problem(tmp_path: Path) -> None:
    path = build.write_site(tmp_path / "site.gpkg", build.good_layers())
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    _, problems = build.read_file(path)
    assert problems.problems == [
        f"{str(path)!r} is cut off: its header states {len(whole)} bytes, the file has "
        f"{len(whole) // 2}. Copy or export it again."
    ]


def test_read_site_damaged_page_names_the_bad_feature(tmp_path: Path) -> None:
    n = 3000
    heads = gpd.GeoDataFrame(
        {
            "head_id": [f"H{k:04d}" for k in range(n)],
            "zone": ["A"] * n,
            "nozzle": ["Q"] * n,
            "note": ["x" * 100] * n,
        },
        geometry=gpd.points_from_xy(build.X0 + np.arange(n) * 1e-3, np.full(n, build.Y0)),
        crs=build.CRS,
    )
    path = build.write_site(tmp_path / "site.gpkg", build.good_layers(heads=heads))
    content = bytearray(path.read_bytes())
    with sqlite3.connect(path) as connection:
        page_bytes = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    page = content.find(b"H1500") // page_bytes
    content[page * page_bytes : (page + 1) * page_bytes] = b"\xff" * page_bytes
    path.write_bytes(content)
    _, problems = build.read_file(path)
    message = build.only(problems.problems)
    assert message.startswith("Layer 'heads' of 'site.gpkg' cannot be read: ")
    last_good = int(message.split("(head_id 'H")[1][:4])
    # The bad page holds H1500 and some 20 features around it.
    assert 1460 < last_good < 1500
    assert f"Feature {last_good + 2} of 3000 of layer 'heads' cannot be read." in message
    assert f"The last good one is feature {last_good + 1} (head_id 'H{last_good:04d}')." in message


def test_read_site_broken_geometry_names_the_head(tmp_path: Path) -> None:
    path = build.write_site(tmp_path / "site.gpkg", build.good_layers())
    connection = sqlite3.connect(path)
    for (name,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall():
        connection.execute(f'DROP TRIGGER "{name}"')
    connection.execute("UPDATE heads SET geom = ? WHERE head_id = 'NE'", (b"garbage",))
    connection.commit()
    connection.close()
    _, problems = build.read_file(path)
    assert build.only(problems.problems) == (
        "Layer 'heads' of 'site.gpkg': the geometry is empty, or cannot be read, for head_id 'NE'. "
        "Draw it or remove the row."
    )


def test_read_site_truncated_parquet_and_flatgeobuf_are_problems(tmp_path: Path) -> None:
    for name in ("heads.parquet", "turf.fgb"):
        frame = build.heads() if name.startswith("heads") else build.turf()
        path = tmp_path / name
        build.write_layer(path, frame)
        path.write_bytes(path.read_bytes()[:-60])
    _, problems = build.read_file(
        None,
        sources={
            "heads": LayerSource(path=tmp_path / "heads.parquet"),
            "turf": LayerSource(path=tmp_path / "turf.fgb"),
        },
    )
    assert len(problems.problems) == 2
    assert "is cut off: a Parquet file ends with the mark 'PAR1'" in problems.problems[0]
    assert "'turf.fgb' cannot be" in problems.problems[1]


def test_read_site_unreadable_nozzles_do_not_make_every_nozzle_unknown(tmp_path: Path) -> None:
    path = tmp_path / "nozzles.csv"
    path.write_bytes(b"")
    _, problems = build.read(tmp_path, nozzles=None, sources={"nozzles": LayerSource(path=path)})
    assert problems.problems == [f"{str(path)!r} is empty (0 bytes). Export it again."]


# rasterio fails to decode the library's own error text where that holds a damaged byte.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("seed", range(12))
def test_read_site_random_damage_never_raises(tmp_path: Path, seed: int) -> None:
    path = build.write_site(tmp_path / "site.gpkg", build.good_layers())
    raster = build.write_raster(tmp_path / "slope.tif", np.full((40, 40), 3.0))
    rng = np.random.default_rng(seed)
    for damaged in (path, raster):
        content = bytearray(damaged.read_bytes())
        for position in rng.integers(8, len(content), size=int(rng.choice([1, 30, 300]))):
            content[position] = rng.integers(256)
        damaged.write_bytes(content)
    _, problems = build.read_file(path, slope=raster)
    assert all("\n" not in message for message in problems.problems)


def test_read_site_shapefile_without_companions_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "heads.shp"
    build.write_layer(path, build.heads())
    for suffix in (".shx", ".dbf"):
        path.with_suffix(suffix).unlink()
    _, problems = build.read(tmp_path, heads=None, sources={"heads": LayerSource(path=path)})
    assert "lacks its companion .shx and .dbf" in build.only(problems.problems)


def test_read_site_shapefile_without_prj_says_why_it_has_no_crs(tmp_path: Path) -> None:
    path = tmp_path / "heads.shp"
    build.write_layer(path, build.heads())
    path.with_suffix(".prj").unlink()
    _, problems = build.read(tmp_path, heads=None, sources={"heads": LayerSource(path=path)})
    assert "has no CRS; its companion .prj is missing." in build.only(problems.problems)


def test_read_site_dxf_plan_tells_what_it_lacks(tmp_path: Path) -> None:
    path = tmp_path / "plan.dxf"
    path.write_text(
        "  0\nSECTION\n  2\nENTITIES\n  0\nPOINT\n  8\nHEADS\n 10\n1.0\n 20\n2.0\n 30\n0.0\n"
        "  0\nENDSEC\n  0\nEOF\n",
        encoding="ascii",
    )
    _, problems = build.read(tmp_path, heads=None, sources={"heads": LayerSource(path=path)})
    text = "\n".join(problems.problems)
    assert "has no CRS; a DXF plan never has one." in text
    assert "has no column 'head_id'" in text


def test_read_site_unknown_suffix_lists_the_formats(tmp_path: Path) -> None:
    path = tmp_path / "heads.vrt"
    path.write_text("<OGRVRTDataSource/>", encoding="utf-8")
    _, problems = build.read(tmp_path, heads=None, sources={"heads": LayerSource(path=path)})
    message = build.only(problems.problems)
    assert "has the suffix '.vrt', which names no format read for a layer" in message
    assert "GeoPackage (.gpkg), FlatGeobuf (.fgb), GeoJSON (.geojson)" in message


def test_read_site_one_file_of_many_layers_asks_which(tmp_path: Path) -> None:
    other = build.write_site(
        tmp_path / "other.gpkg", {"east": build.heads(), "west": build.heads()}
    )
    source = LayerSource(path=other)
    _, problems = build.read(tmp_path, heads=None, sources={"heads": source})
    assert "none of them named 'heads'. Say which one is meant with --heads-layer NAME." in (
        build.only(problems.problems)
    )
    (tmp_path / "site.gpkg").unlink()
    reading, problems = build.read(
        tmp_path, heads=None, sources={"heads": LayerSource(path=other, layer="west")}
    )
    assert problems == ProblemList()
    assert reading.layout is not None
    (tmp_path / "site.gpkg").unlink()
    _, problems = build.read(
        tmp_path, heads=None, sources={"heads": LayerSource(path=other, layer="wset")}
    )
    assert "has no layer 'wset'; it has 'east' and 'west'. The nearest known is 'west'." in (
        build.only(problems.problems)
    )


def test_read_site_site_of_another_format_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "site.fgb"
    build.write_layer(path, build.heads())
    _, problems = build.read_file(path)
    assert "is not a GeoPackage. Give the site as a GeoPackage" in build.only(problems.problems)


def test_read_site_without_any_slope_is_a_problem(tmp_path: Path) -> None:
    _, problems = build.read(tmp_path, turf=build.turf(slope_pct=None))
    assert build.only(problems.problems) == (
        "The slope is not known: there is no slope or elevation raster, and the turf layer has no "
        "column 'slope_pct'. Give --slope FILE or --elevation FILE, or fill in slope_pct."
    )


def test_read_site_with_slope_of_some_turf_only_is_a_problem(tmp_path: Path) -> None:
    shapes = [shapely.box(build.X0, build.Y0, build.X0 + 3, build.Y0 + 6)]
    shapes.append(shapely.box(build.X0 + 3, build.Y0, build.X0 + 6, build.Y0 + 6))
    _, problems = build.read(tmp_path, turf=build.turf(shapes, slope_pct=[2.0, np.nan]))
    assert "slope_pct is empty for turf_id 'T2'" in build.only(problems.problems)


def test_read_site_slope_and_elevation_together_are_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", np.ones((40, 40), dtype=np.float32))
    _, problems = build.read(tmp_path, slope=path, elevation=path)
    assert build.only(problems.problems) == (
        "Both --slope and --elevation were given. Give one of them."
    )


# --- hostile content -----------------------------------------------------------------------------

HOSTILE = ["'; DROP TABLE heads; --", "=1+1", "<script>alert(1)</script>", "naïve ☂ $x^2$ {y}"]


def test_read_site_hostile_ids_come_out_as_text(tmp_path: Path) -> None:
    heads = build.heads(head_id=HOSTILE, zone=HOSTILE)
    reading, problems = build.read(tmp_path, heads=heads)
    assert problems == ProblemList()
    assert reading.layout is not None
    assert reading.layout.head_id.tolist() == HOSTILE
    assert reading.zone_plan is not None
    assert sorted(reading.zone_plan.zone) == sorted(HOSTILE)


def test_read_site_whole_number_ids_are_text_and_case_counts(tmp_path: Path) -> None:
    reading, problems = build.read(tmp_path, heads=build.heads(head_id=[7, 8, 9, 10]))
    assert problems == ProblemList()
    assert reading.layout is not None
    assert reading.layout.head_id.tolist() == ["7", "8", "9", "10"]
    (tmp_path / "site.gpkg").unlink()
    reading, problems = build.read(tmp_path, heads=build.heads(head_id=["a", "A", "b", "B"]))
    assert problems == ProblemList()


def test_read_site_junk_columns_are_bounded(tmp_path: Path) -> None:
    frame = build.heads()
    junk = pd.DataFrame(
        {f'c{k}"; DROP TABLE heads; =<b>{"y" * 60}': np.arange(4) for k in range(1900)}
    )
    wide = gpd.GeoDataFrame(pd.concat([junk, frame], axis=1), geometry="geometry", crs=build.CRS)
    reading, problems = build.read(tmp_path, heads=wide)
    assert problems.problems == []
    assert build.only(problems.warnings) == (
        "Layer 'heads' of 'site.gpkg' has 1900 columns that the program does not know; the first "
        "200 are carried through, 1700 are left out."
    )
    assert reading.layout is not None
    assert len(reading.layout.attributes) == 205
    assert reading.layout.head_id.tolist() == ["SW", "NW", "NE", "SE"]


def test_read_site_unknown_columns_are_carried_through(tmp_path: Path) -> None:
    reading, _ = build.read(tmp_path, heads=build.heads(installed=["x", None, "y", "=A1"]))
    assert reading.layout is not None
    assert list(reading.layout.attributes["installed"]) == ["x", None, "y", "=A1"]


def test_read_site_two_thousand_heads_take_no_time(tmp_path: Path) -> None:
    import time

    n, side = 2000, 15
    x = build.X0 + np.arange(n) % 50 * 4.0
    y = build.Y0 + np.arange(n) // 50 * 4.0
    rng = np.random.default_rng(1)
    heads = gpd.GeoDataFrame(
        {
            "head_id": [f"H{k}" for k in range(n)],
            "zone": [f"Z{k % 40}" for k in range(n)],
            "nozzle": ["Q"] * n,
            "arc_deg": rng.uniform(60.0, 360.0, n),
            "start_bearing_deg": rng.uniform(0.0, 360.0, n),
            "pressure_kpa": rng.uniform(150.0, 300.0, n),
        },
        geometry=gpd.points_from_xy(x, y),
        crs=build.CRS,
    )
    shapes = [
        shapely.box(build.X0 + 14 * (k % side), build.Y0 + 9 * (k // side),
                    build.X0 + 14 * (k % side) + 13, build.Y0 + 9 * (k // side) + 8)
        for k in range(300)
    ]  # fmt: skip
    path = build.write_site(
        tmp_path / "site.gpkg", build.good_layers(heads=heads, turf=build.turf(shapes))
    )
    build.read_file(path)
    start = time.perf_counter()
    for layer in ("heads", "turf", "nozzles"):
        pyogrio.raw.read(path, layer=layer)
    bare_s = time.perf_counter() - start
    start = time.perf_counter()
    _, problems = build.read_file(path)
    assert problems.problems == []
    # The wanted limit is 0.3 s; a shared machine is given three times that.
    assert time.perf_counter() - start - bare_s < 0.9


def test_read_site_leaves_the_input_as_it_was(tmp_path: Path) -> None:
    path = build.write_site(tmp_path / "site.gpkg", build.good_layers())
    before = path.read_bytes()
    read_site(SiteSources(site=path), ProblemList(), cell_size_m=0.25)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["site.gpkg"]
