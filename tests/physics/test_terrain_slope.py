"""Slope and the way uphill: inclined planes, hand-worked windows, GDAL on real elevations."""

from __future__ import annotations

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.cbook import get_sample_data
from rasterio.transform import Affine

from geoirrig.physics.terrain_slope import (
    elevation_gradient,
    terrain_slope_pct,
    uphill_bearing_deg,
)
from tests.external import require_program

METHODS = ["horn_1981", "zevenbergen_thorne_1987"]
INTERIOR = (slice(1, -1), slice(1, -1))


def real_elevation_m() -> np.ndarray:
    """Elevations around Jacksboro, Tennessee (344 × 403), a sample that matplotlib ships.

    Its own georeference has north and south the wrong way round; here it is a grid in metres.
    """
    with np.load(get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as sample:
        return sample["elevation"].astype(np.float64)


def gdal_terrain(
    mode: list[str], elevation_m: np.ndarray, pixel: tuple[float, float], folder: Path
) -> np.ndarray:
    program = require_program("gdaldem")
    source, result = folder / "elevation.tif", folder / "result.tif"
    with rasterio.open(
        source,
        "w",
        driver="GTiff",
        height=elevation_m.shape[0],
        width=elevation_m.shape[1],
        count=1,
        dtype="float32",
        crs="EPSG:32616",
        transform=Affine(pixel[0], 0.0, 500_000.0, 0.0, -pixel[1], 4_000_000.0),
    ) as raster:
        raster.write(elevation_m.astype(np.float32), 1)
    command = [program, mode[0], str(source), str(result), *mode[1:], "-q"]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    with rasterio.open(result) as raster:
        return raster.read(1, masked=True).astype(np.float64).filled(np.nan)


@pytest.mark.parametrize(
    ("method", "name"),
    [("horn_1981", "Horn"), ("zevenbergen_thorne_1987", "ZevenbergenThorne")],
)
def test_terrain_slope_pct_real_elevations_agree_with_gdal(
    method: str, name: str, tmp_path: Path
) -> None:
    elevation = real_elevation_m()
    gdal = gdal_terrain(["slope", "-p", "-alg", name], elevation, (75.0, 93.0), tmp_path)
    own = terrain_slope_pct(elevation, pixel_width_m=75.0, pixel_height_m=93.0, method=method)
    assert own.shape == gdal.shape == (344, 403)
    assert np.isfinite(gdal[INTERIOR]).all()
    assert np.max(gdal[INTERIOR]) > 50.0  # real hills, in percent
    assert np.max(np.abs(own - gdal)[INTERIOR]) < 1e-3


def test_uphill_bearing_deg_real_elevations_agree_with_gdal(tmp_path: Path) -> None:
    # GDAL's aspect is the way down. Square pixels: its older versions leave the pixel size out.
    elevation = real_elevation_m()
    aspect = gdal_terrain(["aspect", "-alg", "Horn"], elevation, (75.0, 75.0), tmp_path)
    own = uphill_bearing_deg(elevation, pixel_width_m=75.0, pixel_height_m=75.0)
    assert np.array_equal(np.isnan(own[INTERIOR]), np.isnan(aspect[INTERIOR]))  # level ground
    turn = (own - aspect - 180.0)[INTERIOR]
    turn = turn[np.isfinite(turn)]
    assert np.max(np.abs((turn + 180.0) % 360.0 - 180.0)) < 1e-3


@pytest.mark.parametrize("method", METHODS)
@given(
    east=st.floats(-0.5, 0.5),
    north=st.floats(-0.5, 0.5),
    width=st.floats(0.2, 100.0),
    height=st.floats(0.2, 100.0),
    rows=st.integers(2, 7),
    cols=st.integers(2, 7),
)
def test_elevation_gradient_inclined_plane_is_exact_to_the_edges(
    method: str, east: float, north: float, width: float, height: float, rows: int, cols: int
) -> None:
    x, y = np.arange(cols) * width, -np.arange(rows)[:, None] * height
    to_east, to_north = elevation_gradient(
        100.0 + east * x + north * y, pixel_width_m=width, pixel_height_m=height, method=method
    )
    # Elevations near 1e3 carry 1e-13 of rounding, over pixels of at least 0.2 m.
    assert np.max(np.abs(to_east - east)) < 1e-11
    assert np.max(np.abs(to_north - north)) < 1e-11


@pytest.mark.parametrize("method", METHODS)
def test_terrain_slope_pct_plane_with_gaps_is_exact_beside_them(method: str) -> None:
    # 3 m per 10 m east and 4 m per 10 m south: slope 50 %. Pixels beside a gap that still have a
    # neighbour on one side of each axis keep it.
    plane = 0.3 * np.arange(0.0, 90.0, 10.0) + 0.4 * np.arange(0.0, 80.0, 10.0)[:, None]
    plane[3, 4] = np.nan
    plane[5:, 7:] = np.nan
    slope = terrain_slope_pct(plane, pixel_width_m=10.0, pixel_height_m=10.0, method=method)
    assert np.array_equal(np.isnan(slope), np.isnan(plane))
    assert slope[~np.isnan(plane)] == pytest.approx(np.full(np.sum(~np.isnan(plane)), 50.0))


def test_terrain_slope_pct_hand_worked_window() -> None:
    # 1 2 4
    # 2 5 8   pixels 2 m wide, 4 m high, centre pixel:
    # 3 6 7
    # Horn: east (4 + 2·8 + 7 − 1 − 2·2 − 3)/(8·2) = 19/16 = 1.1875;
    #       north (1 + 2·2 + 4 − 3 − 2·6 − 7)/(8·4) = −13/32 = −0.40625.
    # Zevenbergen and Thorne: east (8 − 2)/4 = 1.5; north (2 − 6)/8 = −0.5.
    window = np.array([[1, 2, 4], [2, 5, 8], [3, 6, 7]], dtype=np.int16)
    east, north = elevation_gradient(window, pixel_width_m=2.0, pixel_height_m=4.0)
    assert (east[1, 1], north[1, 1]) == (1.1875, -0.40625)
    east, north = elevation_gradient(
        window, pixel_width_m=2.0, pixel_height_m=4.0, method="zevenbergen_thorne_1987"
    )
    assert (east[1, 1], north[1, 1]) == (1.5, -0.5)


@pytest.mark.parametrize("method", METHODS)
def test_terrain_slope_pct_strip_one_pixel_wide_is_level_across(method: str) -> None:
    # Rising 1 m per 4 m along the strip, nothing known across: 25 %.
    strip = np.array([[0.0, 1.0, 2.0]])
    for field in (strip, strip.T):
        slope = terrain_slope_pct(field, pixel_width_m=4.0, pixel_height_m=4.0, method=method)
        assert slope == pytest.approx(np.full(field.shape, 25.0))
    lone = terrain_slope_pct([[7.0]], pixel_width_m=1.0, pixel_height_m=1.0, method=method)
    assert lone.tolist() == [[0.0]]


@pytest.mark.parametrize(
    ("east", "north", "bearing"),
    [(0, 1, 0), (1, 1, 45), (1, 0, 90), (0, -1, 180), (-1, 0, 270), (-1, 1, 315)],
)
def test_uphill_bearing_deg_planes_point_uphill(east: int, north: int, bearing: float) -> None:
    plane = east * np.arange(5.0) - north * np.arange(4.0)[:, None]
    bearings = uphill_bearing_deg(plane, pixel_width_m=1.0, pixel_height_m=1.0)
    assert bearings == pytest.approx(np.full(plane.shape, float(bearing)))


def test_uphill_bearing_deg_level_ground_and_gaps_are_nan() -> None:
    field = np.full((3, 3), 12.0)
    field[0, 0] = np.nan
    assert np.isnan(uphill_bearing_deg(field, pixel_width_m=1.0, pixel_height_m=1.0)).all()


def test_uphill_bearing_deg_a_hair_west_of_north_stays_below_360() -> None:
    plane = -1e-17 * np.arange(3.0) - 1.0 * np.arange(3.0)[:, None]
    bearings = uphill_bearing_deg(plane, pixel_width_m=1.0, pixel_height_m=1.0)
    assert ((bearings >= 0.0) & (bearings < 360.0)).all()


@given(st.integers(0, 10_000))
def test_terrain_slope_pct_turned_and_mirrored_ground_has_the_same_slopes(seed: int) -> None:
    field = np.random.default_rng(seed).normal(size=(6, 5))
    field[2, 3] = np.nan
    once = terrain_slope_pct(field, pixel_width_m=2.0, pixel_height_m=3.0)
    mirrored = terrain_slope_pct(field[:, ::-1], pixel_width_m=2.0, pixel_height_m=3.0)
    turned = terrain_slope_pct(np.rot90(field), pixel_width_m=3.0, pixel_height_m=2.0)
    assert mirrored[:, ::-1] == pytest.approx(once, nan_ok=True)
    assert np.rot90(turned, -1) == pytest.approx(once, nan_ok=True)
    raised = terrain_slope_pct(field + 500.0, pixel_width_m=2.0, pixel_height_m=3.0)
    assert raised == pytest.approx(once, nan_ok=True, rel=1e-9)


def test_terrain_slope_pct_feet_converted_to_metres_agree() -> None:
    field = np.random.default_rng(3).normal(size=(5, 5))
    metric = terrain_slope_pct(field * 0.3048, pixel_width_m=0.3048, pixel_height_m=0.3048)
    assert metric == pytest.approx(
        terrain_slope_pct(field, pixel_width_m=1.0, pixel_height_m=1.0), rel=1e-9
    )


def gradient_with_numpy(
    elevation: np.ndarray, width: float, height: float, corner: float
) -> tuple[np.ndarray, np.ndarray]:
    """The same rules for edges and gaps, written with whole arrays."""
    padded = np.pad(elevation, 1, constant_values=np.nan)

    def shifted(row_step: int, col_step: int) -> np.ndarray:
        rows, cols = elevation.shape
        return padded[1 + row_step : 1 + row_step + rows, 1 + col_step : 1 + col_step + cols]

    def filled(row_step: int, col_step: int, last_resort: np.ndarray) -> np.ndarray:
        value, opposite = shifted(row_step, col_step), shifted(-row_step, -col_step)
        stand_in = np.where(np.isnan(opposite), last_resort, 2.0 * elevation - opposite)
        return np.where(np.isnan(value), stand_in, value)

    n, s, w, e = (filled(r, c, elevation) for r, c in ((-1, 0), (1, 0), (0, -1), (0, 1)))
    nw, ne = filled(-1, -1, n + w - elevation), filled(-1, 1, n + e - elevation)
    sw, se = filled(1, -1, s + w - elevation), filled(1, 1, s + e - elevation)
    weight = 2.0 * (1.0 + 2.0 * corner)
    hole = np.where(np.isnan(elevation), np.nan, 0.0)
    east = (e - w) + (corner * (ne + se - nw - sw) if corner else 0.0) + hole
    north = (n - s) + (corner * (nw + ne - sw - se) if corner else 0.0) + hole
    return east / (weight * width), north / (weight * height)


@pytest.mark.parametrize(("method", "corner"), [(METHODS[0], 0.5), (METHODS[1], 0.0)])
@given(
    seed=st.integers(0, 100_000),
    rows=st.integers(1, 9),
    cols=st.integers(1, 9),
    gaps=st.sampled_from([0.0, 0.1, 0.5, 0.9]),
)
def test_elevation_gradient_rough_ground_with_gaps_agrees_with_numpy(
    method: str, corner: float, seed: int, rows: int, cols: int, gaps: float
) -> None:
    rng = np.random.default_rng(seed)
    field = 300.0 + rng.normal(size=(rows, cols))
    field[rng.random(field.shape) < gaps] = np.nan
    found = elevation_gradient(field, pixel_width_m=0.5, pixel_height_m=0.75, method=method)
    expected = gradient_with_numpy(field, 0.5, 0.75, corner)
    for ours, theirs in zip(found, expected, strict=True):
        np.testing.assert_allclose(ours, theirs, rtol=0.0, atol=1e-12)


@pytest.mark.parametrize("method", METHODS)
@given(height=st.floats(-500.0, 9000.0))
def test_elevation_gradient_level_ground_of_any_height_is_exactly_level(
    method: str, height: float
) -> None:
    level = np.full((5, 20), height)
    east, north = elevation_gradient(level, pixel_width_m=0.3, pixel_height_m=0.7, method=method)
    assert not east.any()
    assert not north.any()


@pytest.mark.parametrize("method", METHODS)
def test_terrain_slope_pct_float32_is_read_in_place_and_computed_in_double(method: str) -> None:
    field = (300.0 + np.random.default_rng(1).normal(size=(40, 50))).astype(np.float32)
    single = terrain_slope_pct(field, pixel_width_m=0.5, pixel_height_m=0.5, method=method)
    double = terrain_slope_pct(
        field.astype(np.float64), pixel_width_m=0.5, pixel_height_m=0.5, method=method
    )
    assert single.dtype == np.float32
    assert np.array_equal(single, double.astype(np.float32))


@pytest.mark.parametrize("method", METHODS)
def test_terrain_slope_pct_bands_of_rows_do_not_show(method: str) -> None:
    field = np.random.default_rng(2).normal(size=(200, 6))
    whole = terrain_slope_pct(field, pixel_width_m=1.0, pixel_height_m=1.0, method=method)
    part = terrain_slope_pct(field[60:140], pixel_width_m=1.0, pixel_height_m=1.0, method=method)
    assert np.array_equal(part[1:-1], whole[61:139])


def test_terrain_slope_pct_edges_with_side_neighbours_agree_with_gdal(tmp_path: Path) -> None:
    # gdaldem leaves the outermost pixels without data or, asked for them, carries each missing row
    # straight on. So do we for the sides, which are all that Zevenbergen and Thorne look at. Its
    # four corner pixels follow a rule of their own.
    elevation = real_elevation_m()
    mode = ["slope", "-p", "-alg", "ZevenbergenThorne", "-compute_edges"]
    gdal = gdal_terrain(mode, elevation, (75.0, 75.0), tmp_path)
    own = terrain_slope_pct(elevation, pixel_width_m=75.0, pixel_height_m=75.0, method=METHODS[1])
    difference = np.abs(own - gdal)
    difference[np.ix_([0, -1], [0, -1])] = 0.0
    assert np.max(difference) < 1e-3


def test_elevation_gradient_unknown_method_raises() -> None:
    with pytest.raises(ValueError, match=r"method must be one of .*horn_1981.*; got 'steepest'"):
        elevation_gradient(
            np.zeros((3, 3)),
            pixel_width_m=1.0,
            pixel_height_m=1.0,
            method="steepest",  # type: ignore[arg-type]
        )


def test_terrain_slope_pct_cone_mean_is_the_cone() -> None:
    # A cone of 30 % all round, away from its tip: each 3 × 3 window sees a nearly straight slope.
    # Curvature makes the difference quotient short by (h/r)²/4 at most: at r ≥ 20 pixels 0.06 %.
    x, y = np.meshgrid(np.arange(-60.0, 61.0), np.arange(-60.0, 61.0))
    distance = np.hypot(x, y)
    slope = terrain_slope_pct(0.3 * distance, pixel_width_m=1.0, pixel_height_m=1.0)
    away = (distance > 20.0) & (distance < 58.0)
    assert np.max(np.abs(slope[away] - 30.0)) < 30.0 * 0.0013
    assert math.isclose(slope[60, 60], 0.0, abs_tol=1e-9)  # the tip, by symmetry
