"""Bearings along turf edges, by hand on a square lawn."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.surfaces.sector_bearings import (
    edge_bearings_deg,
    sector_bearings_deg,
    share_on_turf,
    with_sector_sides,
)

LAWN = shapely.box(0.0, 0.0, 10.0, 10.0)


@pytest.mark.parametrize(
    ("x", "y", "expected"),
    [(0.0, 0.0, [0.0, 90.0]), (10.0, 10.0, [180.0, 270.0]), (5.0, 0.0, [90.0, 270.0]),
     (0.2, 5.0, [0.0, 180.0]), (5.0, 5.0, [])],
)  # fmt: skip
def test_edge_bearings_lead_away_from_a_head_on_the_edge(
    x: float, y: float, expected: list[float]
) -> None:
    assert edge_bearings_deg(LAWN, x, y).tolist() == pytest.approx(expected)


def test_edge_bearings_of_a_hole_count() -> None:
    ring = LAWN.difference(shapely.box(4.0, 4.0, 6.0, 6.0))
    assert edge_bearings_deg(ring, 5.0, 6.0).tolist() == pytest.approx([90.0, 270.0])


def test_sector_bearings_put_one_side_along_an_edge() -> None:
    # In the south-west corner a quarter fits at 0; its other turns look over the edge.
    found = sector_bearings_deg(90.0, np.array([0.0, 90.0]), step_deg=np.inf)
    assert found.tolist() == [0.0, 90.0, 270.0]
    assert sector_bearings_deg(360.0, np.array([0.0, 90.0]), step_deg=10.0).tolist() == [0.0]
    assert len(sector_bearings_deg(90.0, np.empty(0), step_deg=30.0)) == 12


def test_share_on_turf_of_a_corner_head() -> None:
    share = share_on_turf(
        LAWN, 0.0, 0.0, radius_m=[5.0] * 3, arc_deg=[90.0, 180.0, 360.0],
        start_bearing_deg=[0.0, 0.0, 0.0],
    )  # fmt: skip
    assert share.tolist() == [1.0, 0.5, 0.25]


def test_sector_sides_replace_edges_within_a_degree() -> None:
    # a quarter from 359.5 to 89.5: both edges at 0 and 90 are what it is set to already
    found = with_sector_sides(np.array([0.0, 90.0, 200.0]), 90.0, 359.5)
    assert found.tolist() == pytest.approx([200.0, 359.5, 89.5])
