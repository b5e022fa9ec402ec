"""The sample sites: built by their script, the same each time, and what they are said to be."""

from __future__ import annotations

import hashlib
import importlib
import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio

from geoirrig.climate.mean_year import mean_year
from geoirrig.errors import ProblemList
from geoirrig.io.read_climate import read_climate
from geoirrig.io.read_nozzle_set import read_nozzle_set
from geoirrig.io.read_site import SiteSources, read_site
from geoirrig.physics.plant_water_use import monthly_coefficients

SAMPLES = Path(__file__).parents[1] / "sample_gis"
GEOPACKAGES = ("hillside_site.gpkg", "four_heads.gpkg", "hill_quarter_site.gpkg")
RASTERS = ("hillside_slope_pct.tif", "hillside_elevation_m.tif")


@pytest.fixture(scope="module")
def builder() -> Iterator[ModuleType]:
    """The script beside the samples, as a module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(SAMPLES))
        yield importlib.import_module("build_sample_gis")


@pytest.fixture(scope="module")
def rebuilt(builder: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with freshly built samples."""
    folder = tmp_path_factory.mktemp("samples")
    builder.build(folder)
    return folder


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_build_twice_gives_the_same_bytes(
    builder: ModuleType, rebuilt: Path, tmp_path: Path
) -> None:
    builder.build(tmp_path)

    for name in GEOPACKAGES + RASTERS:
        assert sha256(tmp_path / name) == sha256(rebuilt / name), name


@pytest.mark.parametrize("name", GEOPACKAGES)
def test_build_gives_the_committed_layers(rebuilt: Path, name: str) -> None:
    # Other library versions may lay out the file differently; the content may not differ.
    committed, fresh = SAMPLES / name, rebuilt / name
    layers = {row[0]: row[1] for row in pyogrio.list_layers(committed)}
    assert {row[0]: row[1] for row in pyogrio.list_layers(fresh)} == layers

    for layer in layers:
        old = pyogrio.read_dataframe(committed, layer=layer)
        new = pyogrio.read_dataframe(fresh, layer=layer)
        if isinstance(old, gpd.GeoDataFrame):
            assert isinstance(new, gpd.GeoDataFrame)
            assert new.crs == old.crs
            assert new.geometry.geom_equals_exact(old.geometry, tolerance=0.0).all(), layer
            old, new = old.drop(columns="geometry"), new.drop(columns="geometry")
        pd.testing.assert_frame_equal(pd.DataFrame(new), pd.DataFrame(old))


@pytest.mark.parametrize("name", RASTERS)
def test_build_gives_the_committed_rasters(rebuilt: Path, name: str) -> None:
    with rasterio.open(SAMPLES / name) as old, rasterio.open(rebuilt / name) as new:
        assert (new.crs, new.transform, new.units) == (old.crs, old.transform, old.units)
        # exp() may differ in its last bit from one platform to the next; float32 has 7 digits
        np.testing.assert_allclose(new.read(1), old.read(1), rtol=1e-6)


def test_build_gives_the_committed_climate(rebuilt: Path) -> None:
    name = "hillside_climate.csv"
    assert (rebuilt / name).read_text() == (SAMPLES / name).read_text()


@pytest.mark.parametrize("name", ["hillside_rotary.csv", "hillside_repairs.csv"])
def test_build_gives_the_committed_nozzle_sets_and_they_fit_the_hillside(
    rebuilt: Path, name: str
) -> None:
    assert (rebuilt / name).read_text() == (SAMPLES / name).read_text()
    problems = ProblemList()
    nozzle_set = read_nozzle_set(SAMPLES / name, problems)
    assert nozzle_set is not None
    sources = SiteSources(
        site=SAMPLES / "hillside_site.gpkg", slope=SAMPLES / "hillside_slope_pct.tif"
    )
    reading = read_site(sources, problems, cell_size_m=0.25, nozzle_sets=[nozzle_set])
    assert problems == ProblemList()
    (found,) = reading.alternatives
    assert found.warnings == ()
    assert reading.layout is not None
    changed = np.count_nonzero(found.layout.flow_lpm != reading.layout.flow_lpm)
    # sprays: 20 on the edge of the forecourt and 7 inside; 6 + 8 + 10 + 12 on the bank; 12 and 1
    # on the gate lawn
    assert changed == {"hillside_rotary.csv": 76, "hillside_repairs.csv": 3}[name]


def test_hillside_climate_is_what_the_description_says() -> None:
    problems = ProblemList()
    record = read_climate(
        SAMPLES / "hillside_climate.csv", problems, latitude_deg=41.9, altitude_m=420.0
    )
    assert record is not None
    assert problems == ProblemList()
    year = mean_year(record)

    assert year.years.tolist() == [3] * 12
    assert year.evapotranspiration_method == "fao56_penman_monteith"
    assert float(np.sum(year.eto_mm)) == pytest.approx(1190.0, abs=1.0)
    assert float(np.sum(year.rain_mm)) == pytest.approx(702.0, abs=1.0)
    # wet winters, dry summers
    assert float(np.sum(year.rain_mm[5:8])) < 0.03 * float(np.sum(year.rain_mm))
    # cool-season turf needs about a metre a year
    need = np.sum(year.eto_mm * monthly_coefficients("cool_season_turf"))
    assert float(need) == pytest.approx(1027.0, abs=1.0)


@pytest.mark.parametrize("name", GEOPACKAGES)
def test_geopackage_is_of_version_1_2_and_bears_no_date_of_making(name: str) -> None:
    with sqlite3.connect(f"file:{SAMPLES / name}?mode=ro", uri=True) as connection:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        dates = connection.execute("SELECT DISTINCT last_change FROM gpkg_contents").fetchall()
    connection.close()

    assert version == 10200
    assert dates == [("2024-01-01T00:00:00.000Z",)]


def test_folder_stays_below_a_megabyte() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.glob("*.*")) < 1_000_000


def test_hillside_slope_is_the_gradient_of_the_elevation() -> None:
    # Central differences with a step of h = 1 m miss the gradient by at most h²/6·|z‴|. The
    # sharpest bend, 0.255·logistic(y/0.8 m), has |z‴| ≤ 0.255/0.8²·0.0962 = 0.0383: 0.64 %.
    # The knoll (1.2 m high, spread 7 m) adds 1.38·1.2/7³/6 = 0.08 %, float32 less than 0.01 %.
    with rasterio.open(SAMPLES / "hillside_elevation_m.tif") as raster:
        elevation = raster.read(1).astype(float)
        assert raster.units == ("metre",)
        north = raster.transform[5] - np.arange(raster.height) - 0.5 - 4_643_200.0
    with rasterio.open(SAMPLES / "hillside_slope_pct.tif") as raster:
        slope = raster.read(1)[1:-1, 1:-1]
        assert raster.units == ("percent",)

    rise_y = (elevation[:-2, 1:-1] - elevation[2:, 1:-1]) / 2.0
    rise_x = (elevation[1:-1, 2:] - elevation[1:-1, :-2]) / 2.0
    difference = np.abs(100.0 * np.hypot(rise_x, rise_y) - slope)
    is_plain = np.min([np.abs(north[1:-1] - y) for y in (16, 39.5, 54.5, 72, 40)], axis=0) > 12
    assert difference.max() < 0.75
    assert is_plain.sum() > 5
    assert difference[is_plain].max() < 0.01


def test_hillside_has_what_the_description_counts() -> None:
    site = SAMPLES / "hillside_site.gpkg"
    heads = gpd.read_file(site, layer="heads")
    turf = gpd.read_file(site, layer="turf")
    hardscape = gpd.read_file(site, layer="hardscape")
    zones = pyogrio.read_dataframe(site, layer="zones")
    nozzles = pyogrio.read_dataframe(site, layer="nozzles").set_index("nozzle")

    assert len(heads) == 202
    assert heads["head_id"].is_unique
    assert heads["note"].notna().sum() == 6  # five faults, of which the two sprays bear a note each
    assert list(zones["zone"]) == sorted(heads["zone"].unique())
    assert len(zones) == 14
    assert zones["run_minutes"].isna().any()
    assert zones["run_minutes"].notna().any()
    assert set(heads["nozzle"]) == set(nozzles.index.unique())
    assert len(turf) == 10
    assert turf["soil_texture"].nunique() == 7
    assert set(turf["compaction"]) == {"none", "typical", "trafficked"}
    assert turf.geometry.is_valid.all()
    assert hardscape.geometry.is_valid.all()
    assert turf.geometry.interiors.map(len).sum() == 1
    assert turf.union_all().area == pytest.approx(turf.area.sum(), abs=1e-3)  # none overlap
    assert (heads["start_bearing_deg"].notna() == (heads["arc_deg"] < 360.0)).all()


def test_hillside_heads_stand_on_turf_or_its_edge() -> None:
    site = SAMPLES / "hillside_site.gpkg"
    heads = gpd.read_file(site, layer="heads")
    turf = gpd.read_file(site, layer="turf").union_all()

    # Curved edges are drawn as chords of 2°: a head on the true arc is up to R(1 − cos 1°), 3 mm
    # of 22 m, off them.
    assert heads.geometry.distance(turf).max() < 0.005


def test_hillside_areas_match_their_formulas() -> None:
    turf = gpd.read_file(SAMPLES / "hillside_site.gpkg", layer="turf").set_index("turf_id")

    # 36·9; 50·20; 60·12 m²
    assert turf.area["forecourt_west"] == pytest.approx(324.0)
    assert turf.area["play_lawn"] == pytest.approx(1000.0)
    assert turf.area["hill_lawn"] == pytest.approx(720.0)
    # 36·12 less the cut corner 6·6/2
    assert turf.area["forecourt_east"] == pytest.approx(414.0)
    # a third of a ring, drawn with chords of 2°: π/3·(22² − 10²) · sin 2°/2° in radians
    chord = math.sin(math.radians(2.0)) / math.radians(2.0)
    ring = math.pi / 3.0 * (22.0**2 - 10.0**2) * chord
    assert turf.area["stage_bank"] == pytest.approx(ring, abs=0.05)
    # 40·16 less the round stone, drawn with 180 chords
    assert turf.area["upper_terrace"] == pytest.approx(640.0 - math.pi * 2.5**2 * chord, abs=0.01)
