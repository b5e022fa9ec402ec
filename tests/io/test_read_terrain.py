"""Slope and elevation rasters."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.transform import Affine
from rasterio.warp import Resampling, calculate_default_transform, reproject

from geoirrig.physics.terrain_slope import terrain_slope_pct
from geoirrig.records import TerrainRaster
from geoirrig.units import METRES_PER_FOOT
from tests.io import site_builder as build

N = 40  # the default raster: 40 m × 40 m around the turf of 6 m, in pixels of 1 m


def ramp() -> NDArray[np.float32]:
    """Slope that rises by 0.1 % per metre eastward: x of the pixel centre, in tenths."""
    x = build.X0 - 10.0 + np.arange(N) + 0.5
    return np.tile(((x - build.X0) / 10.0 + 5.0).astype(np.float32), (N, 1))


def terrain_of(folder: Path, path: Path, **options: Any) -> tuple[TerrainRaster, list[str]]:
    reading, problems = build.read(folder, slope=path, **options)
    assert problems.problems == []
    assert reading.terrain is not None
    return reading.terrain, problems.warnings


def problem_of(folder: Path, **options: Any) -> str:
    reading, problems = build.read(folder, **options)
    assert reading.terrain is None
    return build.only(problems.problems)


def value_at(terrain: TerrainRaster, x_m: float, y_m: float) -> float:
    col = int((x_m - terrain.left_m) // terrain.pixel_width_m)
    row = int((terrain.top_m - y_m) // terrain.pixel_height_m)
    return float(terrain.values[row, col])


def test_read_terrain_reads_only_the_window_around_the_turf(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp())
    terrain, warnings = terrain_of(tmp_path, path)
    assert warnings == []
    assert terrain.quantity == "slope_pct"
    # The turf is 6 m; a margin of three cells makes it 7.5 m, which touches 8 pixels; 3 more on
    # either side make 14.
    assert terrain.values.shape == (14, 14)
    assert terrain.values.dtype == np.float64
    assert (terrain.left_m, terrain.top_m) == (build.X0 - 4.0, build.Y0 + 10.0)
    assert (terrain.pixel_width_m, terrain.pixel_height_m) == (1.0, 1.0)
    # At x = X0 + 2.5 the ramp is 0.25 + 5.
    assert value_at(terrain, build.X0 + 2.5, build.Y0 + 2.5) == pytest.approx(5.25, abs=1e-6)


@pytest.mark.parametrize(
    ("unit", "stored", "percent"),
    [("percent", 12.5, 12.5), ("%", 12.5, 12.5), ("degrees", 45.0, 100.0), ("ratio", 0.2, 20.0)],
)
def test_read_terrain_slope_unit_of_the_tag_is_followed(
    tmp_path: Path, unit: str, stored: float, percent: float
) -> None:
    path = build.write_raster(tmp_path / "slope.tif", np.full((N, N), stored), unit=unit)
    terrain, _ = terrain_of(tmp_path, path)
    np.testing.assert_allclose(terrain.values, percent, rtol=1e-12)


@pytest.mark.parametrize(
    ("unit", "metres"),
    [
        ("metre", 100.0),
        ("m", 100.0),
        ("ft", 100.0 * METRES_PER_FOOT),
        ("US survey foot", 100.0 * 1200.0 / 3937.0),
    ],
)
def test_read_terrain_elevation_unit_of_the_tag_is_followed(
    tmp_path: Path, unit: str, metres: float
) -> None:
    path = build.write_raster(tmp_path / "dem.tif", np.full((N, N), 100, dtype=np.int16), unit=unit)
    reading, problems = build.read(tmp_path, elevation=path)
    assert problems.problems == []
    assert reading.terrain is not None
    assert reading.terrain.quantity == "elevation_m"
    np.testing.assert_allclose(reading.terrain.values, metres, rtol=1e-12)
    assert {file.role for file in reading.files} == {"site", "elevation"}


def elevation_plane() -> NDArray[np.float64]:
    """Elevation that rises 0.1 per unit of the map eastward, from 100."""
    return np.tile(100.0 + 0.1 * (np.arange(N) + 0.5), (N, 1))


def moved_layers(crs: int) -> dict[str, Any]:
    """Heads and turf of the good site somewhere in a foot CRS, near its natural origin."""
    layers = {"heads": build.heads(), "turf": build.turf()}
    return {
        name: layer.set_crs(26943, allow_override=True)
        .set_geometry(layer.geometry.translate(1_500_000.0, -3_400_000.0))
        .to_crs(crs)
        for name, layer in layers.items()
    }


@pytest.mark.parametrize(
    ("crs", "unit", "slope_pct"),
    [
        # In EPSG:2227 a map unit is a US survey foot: 0.1 of it per unit is 10 %, 0.1 m per unit
        # 0.1·3937/1200 = 32.808 %, 0.1 international feet per unit 10·0.999998 %.
        ("EPSG:2227", "US survey foot", 10.0),
        ("EPSG:2227", "metre", 10.0 * 3937.0 / 1200.0),
        ("EPSG:2227", "foot", 10.0 * 0.3048 * 3937.0 / 1200.0),
        ("EPSG:2227+6360", None, 10.0),  # NAVD88 height (ftUS)
        ("EPSG:2227+5703", None, 10.0 * 3937.0 / 1200.0),  # NAVD88 height, in metres
        ("EPSG:2227+8228", None, 10.0 * 0.3048 * 3937.0 / 1200.0),  # NAVD88 height (ft)
    ],
)
def test_read_terrain_elevation_in_a_foot_crs_gives_the_right_slope(
    tmp_path: Path, crs: str, unit: str | None, slope_pct: float
) -> None:
    layers = moved_layers(2227)
    left_ft, bottom_ft, *_ = layers["turf"].total_bounds
    path = build.write_raster(
        tmp_path / "dem.tif",
        elevation_plane(),
        left=left_ft - 10.0,
        top=bottom_ft + 30.0,
        crs=crs,
        unit=unit,
    )
    reading, problems = build.read(tmp_path, elevation=path, **layers)
    assert problems.problems == []
    terrain = reading.terrain
    assert terrain is not None
    slope = terrain_slope_pct(
        terrain.values, pixel_width_m=terrain.pixel_width_m, pixel_height_m=terrain.pixel_height_m
    )
    np.testing.assert_allclose(slope, slope_pct, rtol=1e-9)


@pytest.mark.parametrize(
    ("raster_crs", "factor"),
    [("EPSG:2227", 1.0), ("EPSG:26943", 3937.0 / 1200.0)],
)
def test_read_terrain_elevation_in_the_other_unit_of_the_same_zone_gives_the_right_slope(
    tmp_path: Path, raster_crs: str, factor: float
) -> None:
    """California zone 3 in feet and in metres: turf in the one, elevations in the other."""
    layers = moved_layers(26943 if raster_crs == "EPSG:2227" else 2227)
    west, south, *_ = layers["turf"].to_crs(raster_crs).total_bounds
    rows = np.tile(100.0 + 0.1 * (np.arange(300) + 0.5), (300, 1))  # 0.1 per unit of the raster
    path = build.write_raster(
        tmp_path / "dem.tif",
        rows,
        left=west - 150.0,
        top=south + 150.0,
        crs=raster_crs,
        unit="US survey foot",
    )
    reading, problems = build.read(tmp_path, elevation=path, **layers)
    assert problems.problems == []
    terrain = reading.terrain
    assert terrain is not None
    slope = terrain_slope_pct(
        terrain.values, pixel_width_m=terrain.pixel_width_m, pixel_height_m=terrain.pixel_height_m
    )
    inside = slope[2:-2, 2:-2]
    assert np.isfinite(inside).all()
    # Feet of height per metre are a foot's metres less steep. The warper's positions, good to an
    # eighth of a pixel, blur single pixels but not the mean.
    assert np.mean(inside) == pytest.approx(10.0 / factor, rel=0.01)


def test_read_terrain_heights_by_crs_and_option_at_odds_are_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(
        tmp_path / "dem.tif", elevation_plane(), crs="EPSG:26911+5703", unit="foot"
    )
    assert problem_of(tmp_path, elevation=path) == (
        "Raster 'dem.tif' has heights in 'metre' by its CRS, but its unit tag says 'foot'. Assign "
        "the CRS with the right vertical part, or none, and correct the other."
    )


def test_read_terrain_heights_of_a_3d_crs_at_odds_with_the_option_are_a_problem(
    tmp_path: Path,
) -> None:
    path = build.write_raster(
        tmp_path / "dem.tif", elevation_plane(), pixel=1e-5, left=-117.0, top=36.144,
        crs="EPSG:4979", unit=None,
    )  # fmt: skip
    assert problem_of(tmp_path, elevation=path, elevation_unit="foot") == (
        "Raster 'dem.tif' has heights in 'metre' by its CRS, but --elevation-unit says 'foot'. "
        "Assign the CRS with the right vertical part, or none, and correct the other."
    )


def test_read_terrain_depths_are_a_problem(tmp_path: Path) -> None:
    # EPSG:5715 is the depth below mean sea level, in metres.
    path = build.write_raster(
        tmp_path / "dem.tif", elevation_plane(), crs="EPSG:26911+5715", unit="metre"
    )
    message = problem_of(tmp_path, elevation=path)
    assert message.startswith("Raster 'dem.tif' counts its heights downward by its CRS (")
    assert message.endswith("Give elevations, which rise uphill.")


def test_read_terrain_vertical_part_says_nothing_of_slopes(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp(), crs="EPSG:26911+5703")
    reading, problems = build.read(tmp_path, slope=path)
    assert problems.problems == []
    assert reading.terrain is not None


def test_read_terrain_unit_by_option_is_followed(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", np.full((N, N), 0.1), unit=None)
    terrain, _ = terrain_of(tmp_path, path, slope_unit="ratio")
    np.testing.assert_allclose(terrain.values, 10.0, rtol=1e-12)


def test_read_terrain_unit_not_declared_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp(), unit=None)
    assert problem_of(tmp_path, slope=path) == (
        "Raster 'slope.tif' has no unit tag, and no unit is assumed. Say it with --slope-unit "
        "percent|degrees|ratio."
    )


def test_read_terrain_unknown_unit_tag_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "dem.tif", ramp(), unit="furlong")
    assert problem_of(tmp_path, elevation=path) == (
        "Raster 'dem.tif' has the unknown unit tag 'furlong', and no unit is assumed. Say it with "
        "--elevation-unit metre|foot|us_survey_foot."
    )


def test_read_terrain_tag_and_option_at_odds_are_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp())
    assert problem_of(tmp_path, slope=path, slope_unit="degrees") == (
        "Raster 'slope.tif' has the unit tag 'percent', but --slope-unit says 'degrees'. Correct "
        "the tag or leave the option out."
    )


def test_read_terrain_unknown_option_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp())
    assert problem_of(tmp_path, slope=path, slope_unit="gon") == (
        "--slope-unit must be one of percent, degrees, ratio; got 'gon'."
    )


def test_read_terrain_without_crs_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp(), crs=None)
    assert problem_of(tmp_path, slope=path) == (
        "Raster 'slope.tif' has no CRS. Assign the one it was made in."
    )


def test_read_terrain_that_misses_the_turf_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp(), left=build.X0 + 500.0)
    message = problem_of(tmp_path, slope=path)
    assert message.startswith(
        "Raster 'slope.tif' does not meet the turf: it covers x 500500 to 500540, y "
    )
    assert message.endswith("Give a raster of this site, or assign the right CRS.")


def test_read_terrain_that_covers_a_part_is_read(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp(), left=build.X0 + 3.0)
    terrain, _ = terrain_of(tmp_path, path)
    assert terrain.left_m == build.X0 + 3.0  # the hole in the cover is told on the grid


def test_read_terrain_no_data_is_nan(tmp_path: Path) -> None:
    values = ramp()
    values[17, 12] = -9999.0
    path = build.write_raster(tmp_path / "slope.tif", values)
    terrain, _ = terrain_of(tmp_path, path)
    assert int(np.isnan(terrain.values).sum()) == 1
    # Row 17 of the file is 17.5 m below its top edge at Y0 + 20; column 12 is X0 + 2.5.
    assert np.isnan(value_at(terrain, build.X0 + 2.5, build.Y0 + 2.5))


def test_read_terrain_rotated_raster_is_a_problem(tmp_path: Path) -> None:
    transform = Affine(1.0, 0.2, build.X0 - 10.0, 0.2, -1.0, build.Y0 + 20.0)
    path = build.write_raster(tmp_path / "slope.tif", ramp(), transform=transform)
    assert problem_of(tmp_path, slope=path) == (
        "Raster 'slope.tif' is rotated against its map. Resample it north up."
    )


def test_read_terrain_without_position_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", ramp(), transform=Affine.identity())
    assert "has no position on the map. Georeference it." in problem_of(tmp_path, slope=path)


def test_read_terrain_south_up_raster_is_turned(tmp_path: Path) -> None:
    values = ramp()
    values[17, 12] = 77.0
    north_up = build.write_raster(tmp_path / "north.tif", values)
    bottom = build.Y0 + 20.0 - N
    south_up = build.write_raster(
        tmp_path / "south.tif",
        values[::-1],
        transform=Affine(1.0, 0.0, build.X0 - 10.0, 0.0, 1.0, bottom),
    )
    first, _ = terrain_of(tmp_path, north_up)
    (tmp_path / "site.gpkg").unlink()
    second, _ = terrain_of(tmp_path, south_up)
    np.testing.assert_array_equal(first.values, second.values)
    assert first.top_m == second.top_m


@pytest.mark.parametrize(
    ("unit", "value", "words"),
    [
        ("percent", -1.0, "a slope must be from 0 to 1000 (percent); got -1 in 1 pixels."),
        ("percent", 1001.0, "a slope must be from 0 to 1000 (percent); got 1001 in 1 pixels."),
        ("ratio", 11.0, "a slope must be from 0 to 10 (ratio); got 11 in 1 pixels."),
        ("degrees", 90.0, "a slope must be at least 0 and below 90 degrees; got 90 in 1 pixels."),
    ],
)
def test_read_terrain_impossible_slope_is_a_problem(
    tmp_path: Path, unit: str, value: float, words: str
) -> None:
    values = np.full((N, N), 1.0)
    values[17, 12] = value
    path = build.write_raster(tmp_path / "slope.tif", values, unit=unit)
    assert words in problem_of(tmp_path, slope=path)


def test_read_terrain_in_another_projection_is_resampled(tmp_path: Path) -> None:
    """A linear ramp survives bilinear resampling: the value is known everywhere."""
    big = 200
    x = build.X0 - 100.0 + np.arange(big) + 0.5
    values = np.tile((x - build.X0) / 10.0 + 15.0, (big, 1))
    source = build.write_raster(
        tmp_path / "own.tif", values, left=build.X0 - 100.0, top=build.Y0 + 100.0
    )
    other = tmp_path / "other.tif"
    with rasterio.open(source) as dataset:
        transform, width, height = calculate_default_transform(
            dataset.crs, "EPSG:32610", big, big, *dataset.bounds, resolution=0.5
        )
        profile = dataset.profile | {
            "crs": "EPSG:32610",
            "transform": transform,
            "width": width,
            "height": height,
        }
        with rasterio.open(other, "w", **profile) as copy:
            reproject(
                rasterio.band(dataset, 1),
                rasterio.band(copy, 1),
                resampling=Resampling.bilinear,
            )
            copy.set_band_unit(1, "percent")
    terrain, warnings = terrain_of(tmp_path, other)
    assert warnings == []
    for dx, dy in ((0.5, 0.5), (3.0, 3.0), (5.7, 1.2)):
        col = (build.X0 + dx - terrain.left_m) / terrain.pixel_width_m - 0.5
        at = terrain.left_m + (round(col) + 0.5) * terrain.pixel_width_m
        # GDAL's warper approximates positions to an eighth of a pixel: 0.125 × 0.05 % per pixel
        assert value_at(terrain, at, build.Y0 + dy) == pytest.approx(
            (at - build.X0) / 10.0 + 15.0, abs=0.0125
        )
    assert not np.isnan(terrain.values).any()


def test_read_terrain_in_degrees_covers_the_turf(tmp_path: Path) -> None:
    # At 36.14° north one second of arc is about 31 m; 1e-5° is about 1 m.
    path = build.write_raster(
        tmp_path / "slope.tif",
        np.full((100, 100), 4.0),
        left=-117.0 - 5e-4,
        top=36.144 + 5e-4,
        pixel=1e-5,
        crs="EPSG:4326",
    )
    x, y = Transformer.from_crs(4326, 32611, always_xy=True).transform(-117.0, 36.144)
    heads, turf = build.heads(), build.turf()
    heads = heads.set_geometry(heads.geometry.translate(x - build.X0, y - build.Y0))
    turf = turf.set_geometry(turf.geometry.translate(x - build.X0, y - build.Y0))
    reading, problems = build.read(tmp_path, slope=path, heads=heads, turf=turf)
    assert problems.problems == []
    assert reading.terrain is not None
    np.testing.assert_allclose(reading.terrain.values, 4.0, rtol=1e-9)
    # 1e-5° of latitude is 1.11 m, of longitude 1.11 m · cos 36.144° = 0.90 m
    assert reading.terrain.pixel_height_m == pytest.approx(1.11, abs=0.01)
    assert reading.terrain.pixel_width_m == pytest.approx(0.90, abs=0.01)


def test_read_terrain_hole_stays_a_hole_when_resampled(tmp_path: Path) -> None:
    values = np.full((400, 400), 4.0)
    values[190:210, 190:210] = -9999.0  # 10 m × 10 m around the turf's corner
    x, y = Transformer.from_crs(32611, 32610, always_xy=True).transform(build.X0, build.Y0)
    path = build.write_raster(
        tmp_path / "slope.tif", values, left=x - 100.0, top=y + 100.0, pixel=0.5, crs="EPSG:32610"
    )
    terrain, _ = terrain_of(tmp_path, path)
    assert np.isnan(value_at(terrain, build.X0 + 1.0, build.Y0 + 1.0))
    assert value_at(terrain, build.X0 + 5.9, build.Y0 + 5.9) == pytest.approx(4.0)


def test_read_terrain_in_us_survey_feet_is_placed_in_metres(tmp_path: Path) -> None:
    foot = 1200.0 / 3937.0
    turf = build.turf().set_crs(26943, allow_override=True)
    turf = turf.set_geometry(turf.geometry.translate(1_500_000.0, -3_400_000.0)).to_crs(2227)
    heads = build.heads().set_crs(26943, allow_override=True)
    heads = heads.set_geometry(heads.geometry.translate(1_500_000.0, -3_400_000.0)).to_crs(2227)
    left_ft, bottom_ft, *_ = turf.total_bounds
    path = build.write_raster(
        tmp_path / "slope.tif",
        np.full((100, 100), 7, dtype=np.uint8),
        left=left_ft - 30.0,
        top=bottom_ft + 70.0,
        crs="EPSG:2227",
        nodata=255,
    )
    reading, problems = build.read(tmp_path, slope=path, heads=heads, turf=turf)
    assert problems.problems == []
    assert reading.terrain is not None
    assert reading.terrain.pixel_width_m == pytest.approx(foot, rel=1e-12)
    np.testing.assert_allclose(reading.terrain.values, 7.0)


def test_read_terrain_virtual_raster_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "slope.tif"
    path.write_text("<VRTDataset rasterXSize='1' rasterYSize='1'/>", encoding="utf-8")
    assert "is named as a GeoTIFF, but its content is a virtual raster (VRT)" in problem_of(
        tmp_path, slope=path
    )


def test_read_terrain_truncated_raster_is_a_problem(tmp_path: Path) -> None:
    path = build.write_raster(tmp_path / "slope.tif", np.full((300, 300), 4.0))
    path.write_bytes(path.read_bytes()[:5000])
    assert problem_of(tmp_path, slope=path).startswith("Raster 'slope.tif' cannot be read: ")


def test_read_terrain_second_band_is_left_out_with_a_warning(tmp_path: Path) -> None:
    path = tmp_path / "slope.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=N, height=N, count=2, dtype="float32", crs=build.CRS,
        transform=Affine(1.0, 0.0, build.X0 - 10.0, 0.0, -1.0, build.Y0 + 20.0),
    ) as dataset:  # fmt: skip
        dataset.write(ramp(), 1)
        dataset.write(ramp(), 2)
        dataset.set_band_unit(1, "percent")
    _, warnings = terrain_of(tmp_path, path)
    assert warnings == ["Raster 'slope.tif' has 2 bands; the first is taken."]


def test_read_terrain_ascii_grid_is_read(tmp_path: Path) -> None:
    path = tmp_path / "slope.asc"
    rows = "\n".join(" ".join(["3"] * N) for _ in range(N))
    path.write_text(
        f"ncols {N}\nnrows {N}\nxllcorner {build.X0 - 10}\nyllcorner {build.Y0 - 20}\n"
        f"cellsize 1\nNODATA_value -9999\n{rows}\n",
        encoding="ascii",
    )
    path.with_suffix(".prj").write_text(
        rasterio.crs.CRS.from_string(build.CRS).to_wkt(), encoding="ascii"
    )
    terrain, _ = terrain_of(tmp_path, path, slope_unit="percent")
    np.testing.assert_allclose(terrain.values, 3.0)
