"""The compiled loops of the advice on arcs, against shapely and plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.physics.radial_distribution import RadialProfile, hinges, relative_rate
from geoirrig.surfaces.arc_turn_kernels import (
    DIRECTIONS,
    Arcs,
    ThrownWater,
    TurfEdges,
    count_needing_cells,
    sum_turf_water,
)

PROFILE = RadialProfile(
    name="uneven", distance_fraction=(0.1, 0.4, 0.7, 0.9), relative_rate=(0.5, 1.0, 0.8, 0.1)
)
# A lawn with an inner corner and a hole, seen from outside, inside, an edge and a corner.
LAWN = shapely.Polygon(
    [(0, 0), (9, 0), (9, 4), (5, 5), (4, 9), (0, 9)], [[(2, 2), (4, 2), (4, 3), (2, 4)]]
)
HEADS = [(-1.5, 2.0), (1.0, 1.0), (4.5, 0.0), (0.0, 0.0), (3.0, 2.5), (5.0, 5.0)]


def thrown(x: float, y: float, radius: float) -> ThrownWater:
    base, knots, slopes = hinges(PROFILE)
    return ThrownWater(
        x=np.array([x]), y=np.array([y]), radius=np.array([radius]), base=np.array([base]),
        hinge_start=np.array([0, len(knots)]), knots=knots.astype(np.float32),
        slopes=slopes.astype(np.float32),
    )  # fmt: skip


@pytest.mark.parametrize(("x", "y"), HEADS)
def test_sum_turf_water_against_rays_cut_by_the_polygon(x: float, y: float) -> None:
    radius = 6.0
    rings = shapely.get_rings(shapely.normalize(LAWN))
    ends = np.concatenate([np.hstack([c[:-1], c[1:]]) for c in map(shapely.get_coordinates, rings)])
    edges = TurfEdges(
        near_start=np.array([0, 1]), near=np.array([0]), edge_start=np.array([0, len(ends)]),
        ends=ends,
    )  # fmt: skip
    found = np.zeros((1, DIRECTIONS))
    sum_turf_water(0, 1, thrown(x, y, radius), edges, found)
    # Middles of 3000 steps along each ray: the rate weighs with the distance.
    fraction = (np.arange(3000) + 0.5) / 3000
    weight = fraction * relative_rate(PROFILE, fraction)
    for direction in range(0, DIRECTIONS, 7):
        bearing = np.radians(direction + 0.5)
        along = radius * fraction
        on_turf = shapely.contains_xy(
            LAWN, x + along * np.sin(bearing), y + along * np.cos(bearing)
        )
        share = np.sum(weight[on_turf]) / np.sum(weight)
        assert found[0, direction] == pytest.approx(share, abs=2e-3)


def test_count_needing_cells_against_plain_numpy() -> None:
    rng = np.random.default_rng(5)
    spare = rng.uniform(-2.0, 12.0, (40, 50)).astype(np.float32)
    spare[rng.random(spare.shape) < 0.2] = np.nan
    x, top, radius = 21.3, 16.8, 15.4  # the sector runs off the top of the grid
    arcs = Arcs(
        start_bearing_deg=np.array([300.0]), arc_deg=np.array([150.0]), depth_mm=np.array([9.0])
    )
    found = np.zeros((1, DIRECTIONS))
    count_needing_cells(0, 1, thrown(x, -top, radius), arcs, spare, found)
    east, north = np.meshgrid(np.arange(50) + 0.5 - x, top - (np.arange(40) + 0.5))
    fraction = np.hypot(east, north) / radius
    own = 9.0 * relative_rate(PROFILE, fraction)
    bearing = np.degrees(np.arctan2(east, north)) % 360.0
    is_needing = (
        (fraction <= 1.0) & (spare >= 0.0) & (spare < own) & ((bearing - 300.0) % 360.0 <= 150.0)
    )
    expected = np.bincount(bearing[is_needing].astype(int), minlength=DIRECTIONS)
    assert expected.sum() > 50
    np.testing.assert_array_equal(found[0], expected)
