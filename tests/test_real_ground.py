"""One run on real ground: cadastral plots, buildings and elevations that packages ship.

Plots and buildings: data set ``bubenec`` of the package momepy (a part of Prague; in Web Mercator,
whose areas are 2.43 times the truth there). Elevations: ``jacksboro_fault_dem`` of matplotlib, real
terrain of another place, draped under the plots with both axes scaled alike so that its slopes stay
what they are. No open survey of sprinkler heads exists, so the test places them.
"""

from __future__ import annotations

import json
import os
import subprocess
from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import rasterio.transform
import shapely
from matplotlib.cbook import get_sample_data

from geoirrig.cli import app
from tests.external import require_program

PIXEL_M = 10.0
MEAN_REAL_PIXEL_M = 84.0  # 75 m by 93 m
HEAD_SPACING_M = 7.0


def bubenec() -> Path:
    found = find_spec("momepy")
    path = None if found is None else Path(str(found.origin)).parent / "datasets" / "bubenec.gpkg"
    if path is None or not path.is_file():
        if os.environ.get("GEOIRRIG_REQUIRE_ALL"):
            pytest.fail("momepy with its data set is not installed")
        pytest.skip("momepy with its data set is not installed")
    return path


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lay out the site and analyse it once; the folder holds site, elevations and results."""
    from typer.testing import CliRunner

    folder = tmp_path_factory.mktemp("real")
    plots = gpd.read_file(bubenec(), layer="plots").iloc[:80]
    buildings = gpd.read_file(bubenec(), layer="buildings")
    open_ground = plots.geometry.difference(buildings.union_all()).buffer(0)
    turf = gpd.GeoDataFrame(
        {"turf_id": [f"plot {n}" for n in range(len(plots))], "soil_texture": "clay_loam"},
        geometry=open_ground,
        crs=plots.crs,
    )
    turf = turf[turf.geometry.area > 100.0]
    turf.to_file(folder / "site.gpkg", layer="turf")
    true = turf.to_crs(32633)
    west, south, east, north = true.total_bounds
    x, y = np.meshgrid(np.arange(west, east, HEAD_SPACING_M), np.arange(south, north, 7.0))
    inside = shapely.contains_xy(true.union_all(), x.ravel(), y.ravel())
    heads = gpd.GeoDataFrame(
        {
            "head_id": [f"H{n}" for n in range(np.count_nonzero(inside))],
            "zone": [f"Z{int(at // 60.0)}" for at in x.ravel()[inside] - west],
            "radius_ft": HEAD_SPACING_M / 0.3048,
            "flow_lpm": 9.0,
            "trajectory_deg": 25.0,
        },
        geometry=gpd.points_from_xy(x.ravel()[inside], y.ravel()[inside]),
        crs=32633,
    )
    heads.to_file(folder / "site.gpkg", layer="heads")
    with get_sample_data("jacksboro_fault_dem.npz") as sample:
        elevation = sample["elevation"].astype(np.float32) * (PIXEL_M / MEAN_REAL_PIXEL_M)
    with rasterio.open(
        folder / "dem.tif",
        "w",
        driver="GTiff",
        height=elevation.shape[0],
        width=elevation.shape[1],
        count=1,
        dtype="float32",
        crs="EPSG:32633",
        transform=rasterio.transform.from_origin(west - 500.0, north + 500.0, PIXEL_M, PIXEL_M),
    ) as dem:
        dem.write(elevation, 1)
        dem.set_band_unit(1, "metre")
    result = CliRunner().invoke(
        app,
        [
            "analyze",
            str(folder / "site.gpkg"),
            *("--elevation", str(folder / "dem.tif"), "--cell", "0.5"),
            *("--out", str(folder / "out"), "--quiet"),
        ],
    )
    assert result.exit_code == 0, result.output
    return folder


def gdal_area_m2(path: Path, layer: str, *, epsg: int) -> float:
    require_program("ogrinfo")
    sql = f"SELECT SUM(ST_Area(ST_Transform(geom, {epsg}))) AS a FROM {layer}"
    answer = subprocess.run(
        ["ogrinfo", "-q", "-dialect", "SQLITE", "-sql", sql, str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(answer.stdout.split("=")[-1])


def test_real_ground_areas_in_web_mercator_come_out_true(run: Path) -> None:
    summary = json.loads((run / "out" / "summary.json").read_text(encoding="utf-8"))
    false_area = gdal_area_m2(run / "site.gpkg", "turf", epsg=3857)
    true_area = gdal_area_m2(run / "site.gpkg", "turf", epsg=32633)
    assert false_area / true_area == pytest.approx(2.43, abs=0.02)  # the trap is there
    assert summary["totals"]["turf_area_m2"] == pytest.approx(true_area, rel=1e-6)
    assert sum(row["area_m2"] for row in summary["turf"]) == pytest.approx(true_area, rel=1e-6)
    assert any("UTM" in warning for warning in summary["warnings"])


def test_real_ground_water_is_accounted_for(run: Path) -> None:
    summary = json.loads((run / "out" / "summary.json").read_text(encoding="utf-8"))
    totals = summary["totals"]
    flows = {row["zone"]: row["flow_lpm"] * row["run_minutes"] for row in summary["zones"]}
    assert totals["applied_l"] == pytest.approx(sum(flows.values()), rel=1e-9)
    assert totals["on_target_l"] + totals["overspray_l"] == pytest.approx(totals["applied_l"])
    patches = pyogrio.read_dataframe(run / "out" / "results.gpkg", layer="overspray")
    assert patches["overspray_l"].sum() == pytest.approx(totals["overspray_l"], rel=1e-5)
    with rasterio.open(run / "out" / "applied_depth_mm.tif") as depth:
        litres = depth.read(1, masked=True).astype(np.float64).sum() * 0.5**2
    assert litres == pytest.approx(totals["applied_l"], rel=1e-5)


def test_real_ground_results_are_within_their_meaning(run: Path) -> None:
    turf = pyogrio.read_dataframe(run / "out" / "results.gpkg", layer="turf_results")
    assert len(turf) > 40  # the filter on tiny plots must not eat the case
    wet = turf[turf["mean_depth_mm"] > 0.0]
    assert len(wet) > 40
    assert wet["du_lq"].between(0.0, 1.0).all()
    assert (wet["cu"] <= wet["du_lh"] + 1e-9).all()
    assert turf["runoff_probability"].between(0.0, 1.0).all()
    assert (turf["max_slope_pct"] >= turf["mean_slope_pct"]).all()
    assert turf.loc[turf["mean_depth_mm"] == 0.0, "du_lq"].isna().all()
