"""The rasters of a run, read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import rasterio

from geoirrig.errors import OutputError
from geoirrig.io.write_rasters import write_rasters
from geoirrig.symbology import SCALES
from geoirrig.units import METRES_PER_US_SURVEY_FOOT
from tests.made_up_analysis import BOTTOM_M, LEFT_M, MadeUp, made_up, survey_foot_plane

NAMES = (
    "precipitation_rate_mm_h", "applied_depth_mm", "heads_reaching", "slope_pct",
    "minutes_to_runoff", "runoff_depth_mm", "runoff_probability",
)  # fmt: skip


def write(tmp_path: Path, site: MadeUp) -> MadeUp:
    analysis = site.analysis
    write_rasters(tmp_path, analysis.rasters, analysis.grid, analysis.plane)
    return site


def test_write_rasters_one_grid_and_the_tags_of_each(tmp_path: Path) -> None:
    site = write(tmp_path, made_up(cell_size_m=0.5))
    for raster in site.analysis.rasters:
        with rasterio.open(tmp_path / f"{raster.name}.tif") as source:
            assert source.shape == (80, 120)  # 40 m by 60 m in cells of 0.5 m
            assert source.crs.to_epsg() == 32610
            assert tuple(source.transform)[:6] == (0.5, 0, LEFT_M, 0, -0.5, BOTTOM_M + 40.0)
            assert source.descriptions == (raster.description,)
            assert source.units == (raster.unit,)
            assert source.nodata == raster.nodata
            expected = "uint8" if raster.name == "heads_reaching" else "float32"
            assert source.dtypes == (expected,)
    assert {path.name for path in tmp_path.iterdir()} == {
        f"{name}.{ending}" for name in NAMES for ending in ("tif", "qml")
    }


def test_write_rasters_values_come_back_to_the_last_bit(tmp_path: Path) -> None:
    site = write(tmp_path, made_up())
    for raster in site.analysis.rasters:
        with rasterio.open(tmp_path / f"{raster.name}.tif") as source:
            read = source.read(1, masked=True)
        known = (
            raster.values != 255 if raster.name == "heads_reaching" else ~np.isnan(raster.values)
        )
        np.testing.assert_array_equal(~np.ma.getmaskarray(read), known)
        np.testing.assert_array_equal(read.data[known], raster.values[known])


def test_write_rasters_nan_as_nodata_stays_nan(tmp_path: Path) -> None:
    site = made_up()
    raster = replace(site.analysis.raster("slope_pct"), nodata=float("nan"))
    write_rasters(tmp_path, [raster], site.analysis.grid, site.analysis.plane)
    with rasterio.open(tmp_path / "slope_pct.tif") as source:
        assert np.isnan(source.nodata)
        np.testing.assert_array_equal(source.read(1), raster.values)


def test_write_rasters_file_is_cloud_optimised_with_overviews(tmp_path: Path) -> None:
    write(tmp_path, made_up(width_m=300.0, height_m=300.0, cell_size_m=0.25))
    for name in NAMES:
        with rasterio.open(tmp_path / f"{name}.tif") as source:
            assert source.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert source.tags(ns="IMAGE_STRUCTURE")["COMPRESSION"] == "DEFLATE"
            assert source.block_shapes == [(512, 512)]
            assert source.overviews(1) == [2, 4]  # 1200 cells: 600, then 300, below one block


def test_write_rasters_overview_of_counts_holds_only_counts_that_are_there(tmp_path: Path) -> None:
    # A checkerboard of 1 and 5 heads, three to one: a mean would be 2 heads, which no cell has.
    site = made_up(width_m=300.0, height_m=300.0, cell_size_m=0.25)
    values = np.full(site.analysis.grid.shape, 1, dtype=np.uint8)
    values[::2, ::2] = 5
    raster = replace(site.analysis.raster("heads_reaching"), values=values)
    write_rasters(tmp_path, [raster], site.analysis.grid, site.analysis.plane)
    with rasterio.open(tmp_path / "heads_reaching.tif", overview_level=0) as source:
        assert np.unique(source.read(1)).tolist() == [1]


def test_write_rasters_transform_goes_back_to_survey_feet(tmp_path: Path) -> None:
    write(tmp_path, made_up(plane=survey_foot_plane(), cell_size_m=0.5))
    with rasterio.open(tmp_path / "slope_pct.tif") as source:
        assert source.crs.to_epsg() == 2227
        np.testing.assert_allclose(source.res, 0.5 / METRES_PER_US_SURVEY_FOOT, rtol=1e-12)
        np.testing.assert_allclose(
            (source.bounds.left, source.bounds.bottom),
            (LEFT_M / METRES_PER_US_SURVEY_FOOT, BOTTOM_M / METRES_PER_US_SURVEY_FOOT),
            rtol=1e-12,
        )


def test_write_rasters_style_beside_has_the_classes_of_the_scale(tmp_path: Path) -> None:
    write(tmp_path, made_up())
    for name in NAMES:
        items = list(ET.parse(tmp_path / f"{name}.qml").iter("item"))
        assert [item.get("color") for item in items] == list(SCALES[name].colours)
        uppers = [float(item.get("value", "")) for item in items]
        assert uppers == [*SCALES[name].limits_si, np.inf]


def test_write_rasters_one_cell_is_written(tmp_path: Path) -> None:
    write(tmp_path, made_up(width_m=1.0, height_m=1.0, cell_size_m=1.0))
    with rasterio.open(tmp_path / "runoff_probability.tif") as source:
        assert source.shape == (1, 1)


def test_write_rasters_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"A raster could not be written: .*Check the space"):
        write(tmp_path / "nowhere", made_up())
