"""Every kind of bad input, through the command: refused with its message, or handled rightly."""

from __future__ import annotations

import json
import sqlite3
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from geoirrig.units import METRES_PER_US_SURVEY_FOOT
from tests.io import site_builder as build
from tests.run_command import refusal, run

X0, Y0, SIDE = build.X0, build.Y0, build.SIDE_M
Layers = Mapping[str, pd.DataFrame | None]


def refused(folder: Path, layers: Layers, *options: object) -> str:
    """Analyze the good site with some layers changed; the text of the refusal."""
    site = build.write_site(folder / "site.gpkg", build.good_layers(**layers))
    out = folder / "out"
    return refusal(run("analyze", site, "--cell", "0.5", "--out", out, *options), out)


def handled(folder: Path, layers: Layers, *options: object) -> dict[str, Any]:
    """Analyze the good site with some layers changed; its summary."""
    site = build.write_site(folder / "site.gpkg", build.good_layers(**layers))
    out = folder / "out"
    result = run("analyze", site, "--cell", "0.5", "--out", out, "--json", *options)
    assert result.exit_code == 0, result.stderr
    summary: dict[str, Any] = json.loads(result.stdout)
    return summary


def own_throw(**columns: Any) -> gpd.GeoDataFrame:
    """Heads that state radius and flow themselves."""
    stated = {"nozzle": None, "radius_m": [6.0] * 4, "flow_lpm": [3.0] * 4}
    return build.heads(**(stated | columns))


def first(value: object, *, rest: object) -> list[object]:
    """Four values of which the first, that of head SW, is the odd one."""
    return [value, rest, rest, rest]


# --- layers and columns --------------------------------------------------------------------------

FAULTS: dict[str, tuple[Callable[[], Layers], str]] = {
    "no heads layer": (lambda: {"heads": None}, "'site.gpkg' has no layer 'heads'"),
    "no turf layer": (lambda: {"turf": None}, "'site.gpkg' has no layer 'turf'"),
    "no id column": (
        lambda: {"heads": build.heads(head_id=None)},
        "Layer 'heads' of 'site.gpkg' has no column 'head_id'. Add it.",
    ),
    "no zone column": (lambda: {"heads": build.heads(zone=None)}, "has no column 'zone'"),
    "no texture column": (
        lambda: {"turf": build.turf(soil_texture=None)},
        "Layer 'turf' of 'site.gpkg' has no column 'soil_texture'. Add it.",
    ),
    "neither nozzle nor throw": (
        lambda: {"heads": build.heads(nozzle=None)},
        "needs either a column 'nozzle', or both a radius",
    ),
    "radius without flow": (
        lambda: {"heads": own_throw(flow_lpm=None)},
        "needs either a column 'nozzle', or both a radius",
    ),
    "nozzle table without flow": (
        lambda: {"nozzles": build.nozzles(flow_lpm=None)},
        "has no column 'flow_lpm' or 'flow_gpm'. Add it.",
    ),
    "no zone in a row": (
        lambda: {"heads": build.heads(zone=first(None, rest="A"))},
        "zone is empty for head_id 'SW'. Every row needs one.",
    ),
    # units
    "radius without unit": (
        lambda: {"heads": own_throw(radius_m=None, radius=[6.0] * 4)},
        "column 'radius' names no unit. Rename it 'radius_m' or 'radius_ft', whichever it is.",
    ),
    "flow without unit": (
        lambda: {"nozzles": build.nozzles(flow_lpm=None, flow=[12.0])},
        "column 'flow' names no unit. Rename it 'flow_lpm' or 'flow_gpm'",
    ),
    "pressure without unit": (
        lambda: {"heads": build.heads(pressure=[200.0] * 4)},
        "column 'pressure' names no unit. Rename it 'pressure_kpa' or 'pressure_psi' or",
    ),
    "radius in two units": (
        lambda: {"heads": own_throw(radius_ft=[20.0] * 4)},
        "has 'radius_m' and 'radius_ft', two spellings of one quantity. Keep one of them.",
    ),
    "flow in two units": (
        lambda: {"nozzles": build.nozzles(flow_gpm=[3.0])},
        "has 'flow_lpm' and 'flow_gpm', two spellings of one quantity. Keep one of them.",
    ),
    "root depth in two units": (
        lambda: {"turf": build.turf(root_depth_mm=[150.0], root_depth_in=[6.0])},
        "has 'root_depth_mm' and 'root_depth_in', two spellings",
    ),
    # ids
    "head twice": (
        lambda: {"heads": build.heads(head_id=["H1", "H1", "H2", "H2"])},
        "head_id must be unique; met more than once: 'H1' and 'H2'. Give every row its own.",
    ),
    "turf twice": (
        lambda: {
            "turf": build.turf(
                [shapely.box(X0, Y0, X0 + 3, Y0 + 6), shapely.box(X0 + 3, Y0, X0 + 6, Y0 + 6)],
                turf_id=["T", "T"],
            )
        },
        "turf_id must be unique; met more than once: 'T'.",
    ),
    "head without id": (
        lambda: {"heads": build.heads(head_id=[None, "B", "C", "D"])},
        "head_id is empty for feature 1. Every row needs one.",
    ),
    # arcs and bearings
    "arc of zero": (
        lambda: {"heads": build.heads(arc_deg=first(0.0, rest=90.0))},
        "arc_deg must be greater than 0; got 0.0 for head_id 'SW'.",
    ),
    "arc below zero": (
        lambda: {"heads": build.heads(arc_deg=first(-90.0, rest=90.0))},
        "arc_deg must be greater than 0; got -90.0 for head_id 'SW'.",
    ),
    "arc above 360": (
        lambda: {"heads": build.heads(arc_deg=first(360.5, rest=90.0))},
        "arc_deg must be at most 360; got 360.5 for head_id 'SW'.",
    ),
    "arc that is text": (
        lambda: {"heads": build.heads(arc_deg=["a quarter", "90", "90", "90"])},
        "arc_deg must be a number; got 'a quarter' for head_id 'SW'.",
    ),
    "bearing missing in a row": (
        lambda: {"heads": build.heads(start_bearing_deg=first(np.nan, rest=90.0))},
        "start_bearing_deg is needed where arc_deg is below 360; it is missing for head_id 'SW'.",
    ),
    "bearing column missing": (
        lambda: {"heads": build.heads(start_bearing_deg=None)},
        "it is missing for head_id 'SW', 'NW', 'NE' and 1 more.",
    ),
    # words
    "unknown nozzle": (
        lambda: {"heads": build.heads(nozzle=first("QQ", rest="Q"))},
        "unknown nozzle; got 'QQ' for head_id 'SW'. Correct the name or add it to the nozzles",
    ),
    "no nozzle table": (
        lambda: {"nozzles": None},
        "unknown nozzle, there is no usable nozzles table; got 'Q' for head_id 'SW'",
    ),
    "unknown profile": (
        lambda: {
            "nozzles": build.nozzles(profile=["flat"]),
            "profiles": pd.DataFrame(
                {"profile": ["flet"] * 2, "distance_fraction": [0.0, 1.0], "relative_rate": [1, 1]}
            ),
        },
        "unknown profile, the profiles table lacks it; got 'flat' for nozzle 'Q'.",
    ),
    "unknown texture": (
        lambda: {"turf": build.turf(soil_texture=["lome"])},
        "soil_texture must be one of sand, loamy_sand, sandy_loam,",
    ),
    "unknown compaction": (
        lambda: {"turf": build.turf(compaction=["hard"])},
        "compaction must be one of none, typical, trafficked; got 'hard' for turf_id 'T1'.",
    ),
    # coordinates and geometry
    "heads without CRS": (
        lambda: {"heads": build.heads().set_crs(None, allow_override=True)},
        "Layer 'heads' of 'site.gpkg' has no CRS. Assign the one it was surveyed in.",
    ),
    "turf without CRS": (
        lambda: {"turf": build.turf().set_crs(None, allow_override=True)},
        "Layer 'turf' of 'site.gpkg' has no CRS. Assign the one it was surveyed in.",
    ),
    "empty point": (
        lambda: {"heads": _moved(shapely.Point())},
        "the geometry is empty, or cannot be read, for head_id 'SW'. Draw it or remove the row.",
    ),
    "no geometry": (lambda: {"heads": _moved(None)}, "the geometry is empty, or cannot be read"),
    "empty polygon": (
        lambda: {"turf": build.turf([*build.turf().geometry, shapely.Polygon()])},
        "the geometry is empty, or cannot be read, for turf_id 'T2'.",
    ),
    "multipoint of two": (
        lambda: {"heads": _moved(shapely.MultiPoint([(X0, Y0), (X0 + 1, Y0)]))},
        "a multipoint must have one member; got 2 for head_id 'SW'. Split it into points.",
    ),
    "lines for heads": (
        lambda: {"heads": _moved(shapely.LineString([(X0, Y0), (X0 + 1, Y0)]))},
        "the geometry must be Point or MultiPoint; got 'LineString' for head_id 'SW'.",
    ),
    "points for turf": (
        lambda: {"turf": build.turf([shapely.Point(X0, Y0)])},
        "the geometry must be Polygon or MultiPolygon; got 'Point' for turf_id 'T1'.",
    ),
    "bow tie": (
        lambda: {
            "turf": build.turf(
                [shapely.Polygon([(X0, Y0), (X0 + 6, Y0 + 6), (X0 + 6, Y0), (X0, Y0 + 6)])]
            )
        },
        "the polygon crosses itself, and a repair would change its area by more than 1%",
    ),
    "polygon without area": (
        lambda: {"turf": build.turf([shapely.Polygon([(X0, Y0), (X0 + 6, Y0), (X0 + 3, Y0)])])},
        "for turf_id 'T1'",
    ),
    # heads
    "zero heads": (
        lambda: {"heads": build.heads().iloc[:0]},
        "Layer 'heads' of 'site.gpkg' holds no heads. Draw them first.",
    ),
    "zero turf": (lambda: {"turf": build.turf().iloc[:0]}, "Layer 'turf' of 'site.gpkg' holds no"),
    "all heads off the turf": (
        lambda: {"heads": build.heads().set_geometry(build.heads().translate(100.0, 0.0))},
        "no turf is near; the nearest is",
    ),
    "one head in another country": (
        lambda: {"heads": _moved(shapely.Point(X0 - 300_000.0, Y0))},
        "no turf is near; the nearest is 300000 m or more from head_id 'SW'.",
    ),
}


def _moved(geometry: Any) -> gpd.GeoDataFrame:
    """The good heads with another geometry for head SW."""
    heads = build.heads()
    shapes = [geometry, *heads.geometry[1:]]
    return gpd.GeoDataFrame(heads.drop(columns="geometry"), geometry=shapes, crs=build.CRS)


@pytest.mark.parametrize("name", FAULTS)
def test_analyze_fault_in_a_layer_is_refused(tmp_path: Path, name: str) -> None:
    layers, words = FAULTS[name]
    assert words in refused(tmp_path, layers())


@pytest.mark.parametrize("value", [-1.0, 0.0, np.inf, -np.inf])
@pytest.mark.parametrize("column", ["radius_m", "flow_lpm", "pressure_kpa"])
def test_analyze_number_out_of_range_is_refused(tmp_path: Path, column: str, value: float) -> None:
    heads = own_throw(**{column: first(value, rest=200.0 if column == "pressure_kpa" else 5.0)})
    wanted = "a finite number" if np.isinf(value) else "greater than 0"
    text = refused(tmp_path, {"heads": heads})
    assert f"{column} must be {wanted}" in text
    assert f"got {value} for head_id 'SW'" in text


@pytest.mark.parametrize("column", ["radius_m", "flow_lpm", "pressure_kpa"])
@pytest.mark.parametrize("value", [-1.0, 0.0, np.inf])
def test_analyze_number_out_of_range_in_the_nozzle_table_is_refused(
    tmp_path: Path, column: str, value: float
) -> None:
    text = refused(tmp_path, {"nozzles": build.nozzles(**{column: [value]})})
    assert f"{column} must be " in text
    assert "1 problem in the input" in text  # heads that use the nozzle do not add another


@pytest.mark.parametrize("column", ["radius_m", "flow_lpm"])
def test_analyze_missing_number_is_refused(tmp_path: Path, column: str) -> None:
    heads = own_throw(**{column: first(np.nan, rest=5.0)})
    text = refused(tmp_path, {"heads": heads})
    assert f"no nozzle and no {column.split('_')[0]} for head_id 'SW'" in text


# --- slope ---------------------------------------------------------------------------------------


def _bare_turf() -> gpd.GeoDataFrame:
    return build.turf(slope_pct=None)


def test_analyze_without_slope_is_refused(tmp_path: Path) -> None:
    assert "The slope is not known" in refused(tmp_path, {"turf": _bare_turf()})


def test_analyze_slope_raster_without_unit_is_refused(tmp_path: Path) -> None:
    raster = build.write_raster(tmp_path / "s.tif", np.full((40, 40), 5.0, np.float32), unit=None)
    text = refused(tmp_path, {"turf": _bare_turf()}, "--slope", raster)
    assert (
        "Raster 's.tif' has no unit tag, and no unit is assumed. Say it with --slope-unit "
        "percent|degrees|ratio." in text
    )


def test_analyze_elevation_raster_without_unit_is_refused(tmp_path: Path) -> None:
    raster = build.write_raster(tmp_path / "z.tif", np.full((40, 40), 5.0, np.float32), unit=None)
    text = refused(tmp_path, {"turf": _bare_turf()}, "--elevation", raster)
    assert "Say it with --elevation-unit metre|foot|us_survey_foot." in text


def test_analyze_slope_raster_that_misses_the_turf_is_refused(tmp_path: Path) -> None:
    raster = build.write_raster(
        tmp_path / "s.tif", np.full((40, 40), 5.0, np.float32), left=X0 + 500.0
    )
    text = refused(tmp_path, {"turf": _bare_turf()}, "--slope", raster)
    assert "Raster 's.tif' does not meet the turf: it covers x 500500 to 500540" in text


def test_analyze_slope_raster_that_misses_half_the_turf_is_refused(tmp_path: Path) -> None:
    raster = build.write_raster(
        tmp_path / "s.tif", np.full((40, 40), 5.0, np.float32), left=X0 + 3.0
    )
    text = refused(tmp_path, {"turf": _bare_turf()}, "--slope", raster)
    assert "all turf without a slope_pct of its own needs a slope" in text
    assert "has no value under 50.0 % of 'T1' (turf_id)." in text


def test_analyze_slope_raster_with_a_gap_is_refused(tmp_path: Path) -> None:
    # One pixel of 1 m² of the lawn's 36 m² has no data: 2.8 %.
    slope = np.full((40, 40), 5.0, np.float32)
    slope[17, 13] = -9999.0  # the pixel from (3, 2) to (4, 3) of the lawn
    raster = build.write_raster(tmp_path / "s.tif", slope)
    text = refused(tmp_path, {"turf": _bare_turf()}, "--slope", raster)
    assert "has no value under 2.8 % of 'T1' (turf_id)" in text


def test_analyze_slope_raster_with_a_gap_under_stated_slope_is_used(tmp_path: Path) -> None:
    slope = np.full((40, 40), -9999.0, np.float32)
    raster = build.write_raster(tmp_path / "s.tif", slope)
    (turf,) = handled(tmp_path, {}, "--slope", raster)["turf"]
    assert turf["mean_slope_pct"] == 2.0


@pytest.mark.parametrize(
    ("unit", "value"), [("percent", 5.0), ("degrees", 2.862405), ("ratio", 0.05)]
)
def test_analyze_slope_unit_option_is_obeyed(tmp_path: Path, unit: str, value: float) -> None:
    # arctan 0.05 = 2.862405°
    raster = build.write_raster(tmp_path / "s.tif", np.full((40, 40), value, np.float32), unit=None)
    summary = handled(tmp_path, {"turf": _bare_turf()}, "--slope", raster, "--slope-unit", unit)
    assert summary["turf"][0]["mean_slope_pct"] == pytest.approx(5.0, rel=1e-6)


# --- handled coordinates and geometry ------------------------------------------------------------


def _ring_site() -> dict[str, gpd.GeoDataFrame]:
    """A round lawn of 20 m radius, 40 km off the central meridian, with a head in its middle."""
    middle = shapely.Point(X0 + 40_000.0, Y0)
    lawn = build.turf([middle.buffer(20.0, quad_segs=64)])
    head = gpd.GeoDataFrame(
        {"head_id": ["H"], "zone": ["A"], "nozzle": ["Q"]}, geometry=[middle], crs=build.CRS
    )
    return {"turf": lawn, "heads": head}


@pytest.mark.parametrize(("crs", "words"), [(4326, "is in degrees"), (3857, "of false areas")])
def test_analyze_degrees_and_web_mercator_give_true_areas(
    tmp_path: Path, crs: int, words: str
) -> None:
    layers = _ring_site()
    summary = handled(tmp_path, {name: frame.to_crs(crs) for name, frame in layers.items()})
    (warning,) = summary["warnings"]
    assert words in warning
    assert summary["crs"] == "WGS 84 / UTM zone 11N"
    true_m2, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(
        layers["turf"].to_crs(4326).geometry.iloc[0]
    )
    # The scale of the zone 40 km from its meridian is 0.99962: 0.08 % of the area.
    assert summary["turf"][0]["area_m2"] == pytest.approx(abs(true_m2), rel=1e-3)
    # π 6² m² of 1,256 m² of lawn is wetted by 12 L/min.
    assert summary["zones"][0]["served_area_m2"] == pytest.approx(np.pi * 36.0, rel=0.02)


def test_analyze_us_survey_feet_equals_the_site_in_metres(tmp_path: Path) -> None:
    # EPSG:2227 and EPSG:26943 are one zone, in US survey feet and in metres. The false easting in
    # feet is rounded to 1e-4 m, so that the two grids lie that far apart.
    metres = {}
    for name, frame in {"heads": build.heads(), "turf": build.turf()}.items():
        moved = frame.geometry.translate(2_000_000.0 - X0, 600_000.0 - Y0)
        metres[name] = frame.set_geometry(moved).set_crs(26943, allow_override=True)
    (tmp_path / "m").mkdir()
    (tmp_path / "ft").mkdir()
    in_metres = handled(tmp_path / "m", metres)
    in_feet = handled(tmp_path / "ft", {name: f.to_crs(2227) for name, f in metres.items()})
    assert in_feet["warnings"] == in_metres["warnings"]
    for name, value in in_metres["totals"].items():
        assert in_feet["totals"][name] == pytest.approx(value, rel=1e-3, abs=1e-9), name
    assert in_feet["turf"][0]["area_m2"] == pytest.approx(36.0, rel=1e-6)
    info = pyogrio.read_info(tmp_path / "ft" / "out" / "results.gpkg", layer="turf_results")
    west = info["total_bounds"][0]
    assert west * METRES_PER_US_SURVEY_FOOT == pytest.approx(2_000_000.0, abs=1e-3)


def test_analyze_multipoint_of_one_and_z_are_points(tmp_path: Path) -> None:
    heads = build.heads()
    heads.geometry = [shapely.MultiPoint([(p.x, p.y, 123.0)]) for p in heads.geometry]
    turf = build.turf()
    turf.geometry = shapely.force_3d(turf.geometry.values, z=50.0)
    (tmp_path / "flat").mkdir()
    (tmp_path / "z").mkdir()
    flat, with_z = (
        handled(tmp_path / "flat", {}),
        handled(tmp_path / "z", {"heads": heads, "turf": turf}),
    )
    assert with_z["warnings"] == flat["warnings"]
    for part in ("totals", "turf", "zones"):
        assert with_z[part] == flat[part]


def test_analyze_self_touching_polygon_is_repaired_and_told(tmp_path: Path) -> None:
    # The outline of a square of 6 m also goes round a small square of 2 m diagonal (2 m²), and so
    # touches itself in one point: 36 − 2 = 34 m².
    ring = [(0, 0), (3, 0), (2, 1), (3, 2), (4, 1), (3, 0), (6, 0), (6, 6), (0, 6)]
    lawn = shapely.Polygon([(X0 + x, Y0 + y) for x, y in ring])
    assert not lawn.is_valid
    summary = handled(tmp_path, {"turf": build.turf([lawn])})
    assert summary["turf"][0]["area_m2"] == pytest.approx(34.0)
    (warning,) = summary["warnings"]
    assert "the polygon touches or crosses itself and was repaired" in warning
    assert "'T1'" in warning


def test_analyze_one_head_off_the_turf_is_told_and_is_all_overspray(tmp_path: Path) -> None:
    summary = handled(tmp_path, {"heads": _moved(shapely.Point(X0 - 50.0, Y0))})
    assert any(
        "no turf within the throw of head_id 'SW'; all their water is overspray." in warning
        for warning in summary["warnings"]
    )
    # The other three quarter circles of 6 m lie within the lawn of 6 m.
    assert summary["totals"]["overspray_fraction"] == pytest.approx(0.25, rel=1e-6)


# --- files ---------------------------------------------------------------------------------------


def _truncated(path: Path) -> None:
    build.write_site(path, build.good_layers())
    path.write_bytes(path.read_bytes()[:20_000])


def _database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE heads (head_id TEXT)")
    connection.close()


FILES: dict[str, tuple[Callable[[Path], Any], str]] = {
    "missing": (lambda path: None, "does not exist. Check the path."),
    "a folder": (Path.mkdir, "is a folder, not a file. Give the file itself."),
    "empty": (Path.touch, "is empty (0 bytes). Export it again."),
    "truncated": (_truncated, "is cut off: its header states"),
    "text": (lambda path: path.write_text("head_id,zone\n"), "its content is plain text"),
    "noise": (
        lambda path: path.write_bytes(np.random.default_rng(1).bytes(9000)),
        "its content is binary data of another kind",
    ),
    "another database": (_database, "an SQLite database that is not marked as a GeoPackage"),
    "header alone": (
        lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(52) + b"GPKG" + bytes(30)),
        "cannot be opened as a GeoPackage",
    ),
    "virtual layer": (
        lambda path: path.write_text(
            '<OGRVRTDataSource><OGRVRTLayer name="heads"><SrcDataSource>/etc/passwd'
            "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
        ),
        "a virtual layer (VRT), which only points at other sources",
    ),
}


@pytest.mark.parametrize("name", FILES)
def test_analyze_file_that_is_no_geopackage_is_refused(tmp_path: Path, name: str) -> None:
    make, words = FILES[name]
    site, out = tmp_path / "site.gpkg", tmp_path / "out"
    make(site)
    text = refusal(run("analyze", site, "--out", out), out)
    assert words in text
    assert "1 problem in the input" in text


@pytest.mark.parametrize(
    "path",
    ["/vsicurl/http://127.0.0.1:9/site.gpkg", "GPKG:site.gpkg:heads", "/vsizip/site.zip/site.gpkg"],
)
def test_analyze_virtual_path_is_taken_for_a_file(tmp_path: Path, path: str) -> None:
    out = tmp_path / "out"
    assert "does not exist. Check the path." in refusal(run("analyze", path, "--out", out), out)


def test_analyze_unreadable_file_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = build.write_site(tmp_path / "site.gpkg", build.good_layers())

    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)  # the super-user may read anything, so it is mocked
    out = tmp_path / "out"
    text = refusal(run("analyze", site, "--out", out), out)
    assert "cannot be read: Permission denied. Check its permissions." in text


def test_analyze_virtual_raster_is_refused(tmp_path: Path) -> None:
    raster = tmp_path / "slope.tif"
    raster.write_text('<VRTDataset rasterXSize="1" rasterYSize="1"/>', encoding="utf-8")
    text = refused(tmp_path, {"turf": _bare_turf()}, "--slope", raster)
    assert "a virtual raster (VRT), which only points at other sources" in text


def test_analyze_truncated_raster_is_refused(tmp_path: Path) -> None:
    values = np.random.default_rng(2).random((200, 200)).astype(np.float32)
    raster = build.write_raster(tmp_path / "slope.tif", values, top=Y0 + 190.0)
    raster.write_bytes(raster.read_bytes()[:3_000])
    text = refused(tmp_path, {"turf": _bare_turf()}, "--slope", raster)
    assert "Raster 'slope.tif'" in text


# --- hostile content -----------------------------------------------------------------------------


def test_analyze_table_of_a_hundred_thousand_junk_columns_is_bounded(tmp_path: Path) -> None:
    # A GeoPackage holds 2,000 columns at most, a CSV any number.
    names = [f"junk_{number}" for number in range(100_000)]
    table = tmp_path / "nozzles.csv"
    table.write_text(
        "nozzle,flow_lpm,radius_m,pressure_kpa," + ",".join(names) + "\n"
        + "Q,12,6,200," + ",".join(["1"] * len(names)) + "\n",
        encoding="utf-8",
    )  # fmt: skip
    summary = handled(tmp_path, {"nozzles": None}, "--nozzles", table)
    (warning,) = summary["warnings"]
    assert warning == (
        "'nozzles.csv' has 100000 columns that the program does not know; the first 200 are "
        "carried through, 99800 are left out."
    )
    assert summary["totals"]["flow_lpm"] == pytest.approx(12.0)


def test_analyze_layer_with_junk_names_is_bounded(tmp_path: Path) -> None:
    frame = build.heads()
    names = [f'c{k}"; DROP TABLE heads; =<b>{"y" * 60}' for k in range(1900)]
    junk = pd.DataFrame(dict.fromkeys(names, np.arange(4)))
    wide = gpd.GeoDataFrame(pd.concat([junk, frame], axis=1), geometry="geometry", crs=build.CRS)
    summary = handled(tmp_path, {"heads": wide})
    (warning,) = summary["warnings"]
    assert "has 1900 columns that the program does not know; the first 200 are carried" in warning
    found = pyogrio.read_info(tmp_path / "out" / "results.gpkg", layer="head_results")["fields"]
    assert set(names[:200]) <= set(found)
    assert not set(names[200:]) & set(found)


HOSTILE = (
    "'; DROP TABLE heads; --",
    '=HYPERLINK("http://x.invalid")',
    "<script>alert(1)</script>&amp;",
    "[bold red]{x} $\\frac{1}{2}$ %s ☂",
)


def test_analyze_hostile_ids_come_out_as_text_everywhere(tmp_path: Path) -> None:
    heads = build.heads(head_id=HOSTILE, zone=HOSTILE, note=HOSTILE)
    turf = build.turf(turf_id=[HOSTILE[2]], parcel_id=[HOSTILE[0]])
    walk = gpd.GeoDataFrame(
        {"surface": [HOSTILE[3]]},
        geometry=[shapely.box(X0 - 3, Y0 - 3, X0, Y0 + 6)],
        crs=build.CRS,
    )
    layers = {"heads": heads, "turf": turf, "hardscape": walk}
    site = build.write_site(tmp_path / "[red]site.gpkg", build.good_layers(**layers))
    out = tmp_path / "out"
    result = run("analyze", site, "--cell", "0.5", "--out", out)
    assert result.exit_code == 0, result.stderr

    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert {zone["zone"] for zone in summary["zones"]} == set(HOSTILE)
    assert summary["turf"][0]["turf_id"] == HOSTILE[2]
    assert summary["inputs"][0]["name"] == "[red]site.gpkg"

    results = out / "results.gpkg"
    table = pyogrio.read_dataframe(results, layer="head_results", read_geometry=False)
    assert tuple(table["head_id"]) == HOSTILE
    assert tuple(table["note"]) == HOSTILE
    zones = pyogrio.read_dataframe(results, layer="zone_results", read_geometry=False)
    assert set(zones["zone"]) == set(HOSTILE)
    with sqlite3.connect(results) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        for (qml,) in connection.execute("SELECT styleQML FROM layer_styles").fetchall():
            ET.fromstring(qml)  # well formed
    connection.close()
    for style in out.glob("*.qml"):
        ET.parse(style)
    # The report folds long ids over lines; unfolded, they stand there letter by letter.
    letters = "".join(result.stdout.split())
    for word in ("bold", "script", "DROP", "HYPER"):
        assert word in letters


# --- everything at once --------------------------------------------------------------------------


def test_validate_many_faults_come_out_at_once(tmp_path: Path) -> None:
    heads = build.heads(
        head_id=["H1", "H1", "H3", "H4"],
        nozzle=["Q", "Qx", "Q", "Q"],
        arc_deg=[90.0, 400.0, 90.0, -2.0],
        start_bearing_deg=[np.nan, 0.0, 0.0, 0.0],
        pressure_kpa=[-5.0, 200.0, 0.0, np.inf],
        riser=[0.1] * 4,
    )
    turf = build.turf(soil_texture=["lome"], slope_pct=None).set_crs(None, allow_override=True)
    nozzles = build.nozzles(flow_gpm=[3.0], profile=["none such"])
    site = build.write_site(
        tmp_path / "site.gpkg", build.good_layers(heads=heads, turf=turf, nozzles=nozzles)
    )
    raster = build.write_raster(tmp_path / "s.tif", np.ones((4, 4), np.float32), unit="parsec")
    zones = tmp_path / "zones.csv"
    zones.write_text("zone,run_minutes,cycles\nA,-3,0.5\n", encoding="utf-8")
    out = tmp_path / "out"
    arguments = (site, "--slope", raster, "--zones", zones, "--hardscape", tmp_path / "no.gpkg")
    text = refusal(run("validate", *arguments), out)
    parts = (
        "head_id must be unique",
        "unknown nozzle",
        "arc_deg must be at most 360; got 400.0",
        "arc_deg must be greater than 0; got -2.0",
        "start_bearing_deg is needed",
        "pressure_kpa must be greater than 0 kPa; got -5.0 for head_id 'H1', 0.0 for 'H3'",
        "pressure_kpa must be a finite number; got inf for head_id 'H4'",
        "column 'riser' names no unit",
        "soil_texture must be one of",
        "'turf' of 'site.gpkg' has no CRS",
        "'flow_lpm' and 'flow_gpm', two spellings",
        "unknown profile, there is no profiles table",
        "has the unknown unit tag 'parsec'",
        "run_minutes must be",
        "cycles must be",
        "no.gpkg' does not exist",
    )
    for part in parts:
        assert part in text, part
    problems = [line for line in text.splitlines() if line.startswith("  - ")]
    assert f"geoirrig: {len(problems)} problems in the input; nothing was written." in text
    assert refusal(run("analyze", *arguments, "--out", out, "--quiet"), out) == text
