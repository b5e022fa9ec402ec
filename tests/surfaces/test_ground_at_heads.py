"""The slope that a head stands on, where the throw follows the ground."""

from __future__ import annotations

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import SprinklerLayout, TerrainSurface
from geoirrig.surfaces.precipitation_surface import precipitation_surface

# Turf of 8 m × 8 m in a grid of 24 m × 24 m, rising to the north by 20 %.
GRID = RasterGrid(left_m=-8.0, top_m=16.0, cell_size_m=0.25, n_rows=96, n_cols=96)
ON_TURF = np.zeros(GRID.shape, dtype=bool)
ON_TURF[32:64, 32:64] = True
TERRAIN = TerrainSurface(
    grid=GRID,
    slope_pct=np.where(ON_TURF, np.float32(20.0), np.float32(np.nan)),
    uphill_bearing_deg=np.where(ON_TURF, np.float32(0.0), np.float32(np.nan)),
)


def one_head(x_m, y_m):
    return SprinklerLayout(
        head_id=np.array(["H"], dtype=object),
        zone_index=np.array([0]),
        x_m=np.array([x_m]),
        y_m=np.array([y_m]),
        flow_lpm=np.array([10.0]),
        radius_m=np.array([4.0]),
        arc_deg=np.array([360.0]),
        start_bearing_deg=np.array([0.0]),
        trajectory_deg=np.array([25.0]),
        profile_index=np.array([0]),
        profiles=(trapezoid_profile(0.6),),
        nozzle=np.array([""], dtype=object),
        device=np.array([""], dtype=object),
        pressure_kpa=np.array([np.nan]),
        pressure_min_kpa=np.array([np.nan]),
        pressure_max_kpa=np.array([np.nan]),
        rotation_s=np.array([np.nan]),
        attributes={},
    )


def throw_north_and_south_m(x_m, y_m):
    """Reach of a head up and down the column of cells beside it."""
    surface = precipitation_surface(one_head(x_m, y_m), 1, GRID, on_turf=ON_TURF, terrain=TERRAIN)
    rates = surface.precipitation_rate_mm_h
    column = int((x_m - GRID.left_m) / GRID.cell_size_m)
    wet = GRID.cell_centre_y_m()[rates[:, column] > 0.0]
    return wet.max() - y_m, y_m - wet.min()


def test_throw_is_the_same_on_every_edge_of_the_turf():
    # R·(1 ∓ 0.2/tan 25°)^¼ = 4·0.8693 = 3.477 m uphill and 4·1.0933 = 4.373 m downhill, so that the
    # furthest wet centres of 0.25 m cells are 3.375 m and 4.125 m away (the next is 4.375 m).

    for place in ((4.0, 4.0), (4.0, 0.0), (4.0, 8.0), (0.0, 4.0), (8.0, 4.0), (0.0, 0.0)):
        found = throw_north_and_south_m(*place)
        np.testing.assert_allclose(found, (3.375, 4.125), err_msg=str(place))


def test_throw_follows_the_slope_a_hand_off_the_turf_and_not_far_from_it():
    beside = throw_north_and_south_m(4.0, -0.25)
    far = throw_north_and_south_m(4.0, -3.0)

    np.testing.assert_allclose(beside, (3.375, 4.125))
    np.testing.assert_allclose(far, (3.875, 3.875))  # R = 4 m on the level
