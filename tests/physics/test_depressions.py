"""Pits and level ground: bowls and steps by hand, landlab, and a brute-force search."""

from __future__ import annotations

import heapq
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.depressions import SMALLEST_FALL_M, drained_elevation_m
from geoirrig.physics.flow_direction import flow_bearing_deg

STEPS = [(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if (r, c) != (0, 0)]
MICROMETRE = 1e-6  # far above what the falls across level ground add up to here


def ponds(elevation: np.ndarray) -> list[tuple[int, int]]:
    """Pixels without a way down."""
    bearing = flow_bearing_deg(elevation, pixel_width_m=1.0, pixel_height_m=1.0)
    return [(int(r), int(c)) for r, c in np.argwhere(np.isnan(bearing) & ~np.isnan(elevation))]


def plane(n_rows: int = 9, n_cols: int = 9) -> np.ndarray:
    """Falling 20 mm a pixel to the south."""
    return 5.0 - 0.02 * np.arange(n_rows)[:, None] + np.zeros(n_cols)


def test_drained_elevation_m_inclined_plane_is_left_alone() -> None:
    ground = plane()
    assert np.array_equal(drained_elevation_m(ground, deepest_m=0.02), ground)


def test_drained_elevation_m_shallow_pit_is_filled_to_where_it_spills() -> None:
    # The pixel to the south lies at 5 − 0.02·5 = 4.90. The pit at (4, 4) reaches 5 mm below that.
    ground = plane()
    ground[4, 4] = 4.895
    drained = drained_elevation_m(ground, deepest_m=0.02)
    assert drained[4, 4] == pytest.approx(4.90 + SMALLEST_FALL_M, abs=1e-12)
    changed = np.argwhere(drained != ground)
    assert changed.tolist() == [[4, 4]]
    assert ponds(ground) == [(4, 4)]
    assert ponds(drained) == []


@pytest.mark.parametrize(("deepest_m", "is_filled"), [(0.0, False), (0.004, False), (0.005, True)])
def test_drained_elevation_m_pit_as_deep_as_is_allowed_is_filled(
    deepest_m: float, is_filled: bool
) -> None:
    ground = plane()
    ground[4, 4] = 4.895  # 5 mm deep
    drained = drained_elevation_m(ground, deepest_m=deepest_m)
    assert (ponds(drained) == []) is is_filled
    assert np.array_equal(drained, ground) is not is_filled


def test_drained_elevation_m_bowl_holds_its_water() -> None:
    x, y = np.meshgrid(np.arange(-4.0, 5.0), np.arange(-4.0, 5.0))
    bowl = 0.01 * (x**2 + y**2)
    assert np.array_equal(drained_elevation_m(bowl, deepest_m=0.02), bowl)
    assert ponds(bowl) == [(4, 4)]


def test_drained_elevation_m_small_pit_in_the_side_of_a_bowl_drains_into_it() -> None:
    x, y = np.meshgrid(np.arange(-4.0, 5.0), np.arange(-4.0, 5.0))
    bowl = 0.01 * (x**2 + y**2)
    bowl[4, 6] -= 0.035  # 0.040 becomes 0.005, 5 mm below the 0.010 at (4, 5)
    assert ponds(bowl) == [(4, 4), (4, 6)]
    drained = drained_elevation_m(bowl, deepest_m=0.02)
    assert drained[4, 6] == pytest.approx(0.010, abs=1e-8)
    assert drained[4, 4] == bowl[4, 4]
    assert ponds(drained) == [(4, 4)]


def test_drained_elevation_m_twin_pits_are_one_depression() -> None:
    # Two pits of one depression in a walled trench that spills at 1.00: 0.985 and 0.990, with a
    # sill of 0.995 between them. The deeper is 15 mm deep; the other spills into it at 5 mm.
    trench = np.full((3, 8), 2.0)
    trench[1] = [1.5, 0.990, 0.995, 0.985, 1.0, 0.9, 0.8, 0.7]
    trench[:, -1] = [2.0, 0.7, 2.0]
    assert ponds(drained_elevation_m(trench, deepest_m=0.016)) == []
    assert ponds(drained_elevation_m(trench, deepest_m=0.010)) == [(1, 3)]
    assert ponds(drained_elevation_m(trench, deepest_m=0.004)) == [(1, 1), (1, 3)]


def test_drained_elevation_m_staircase_steps_drain_forward() -> None:
    # Steps of 4 level rows and a last row that lies lower: the ground falls on from there.
    stairs = np.repeat([3.0, 2.0, 1.0], 4)[:, None] + np.zeros(12)
    stairs[-1] = 0.5
    drained = drained_elevation_m(stairs, deepest_m=0.0)
    assert np.max(drained - stairs) < 5 * SMALLEST_FALL_M
    assert np.array_equal(drained[[3, 7, 10, 11]], stairs[[3, 7, 10, 11]])  # the lips and below
    assert ponds(stairs)
    assert ponds(drained) == []
    bearing = flow_bearing_deg(drained, pixel_width_m=1.0, pixel_height_m=1.0)
    # Straight to the lip, away from the sides: there the riser carried on lets some out sideways.
    assert (bearing[:, 4:-4] == 180.0).all()


def test_drained_elevation_m_level_ground_stays_level() -> None:
    for height in (0.0, 12.3, 4806.1):
        level = np.full((5, 6), height)
        level[2, 3] = np.nan
        assert np.array_equal(drained_elevation_m(level, deepest_m=1.0), level, equal_nan=True)
        assert len(ponds(level)) == 29


def test_drained_elevation_m_level_bottom_of_a_deep_pit_stays_level() -> None:
    ground = np.full((7, 7), 2.0)
    ground[0] = 3.0
    ground[2:5, 2:5] = 1.0
    drained = drained_elevation_m(ground, deepest_m=0.02)
    assert (drained[2:5, 2:5] == 1.0).all()
    # The level rim drains into it, but for what lies on the way out at the southern edge: none.
    assert ponds(drained) == [(row, col) for row in range(2, 5) for col in range(2, 5)]


def test_drained_elevation_m_gap_lets_water_out_where_the_ground_falls_to_it() -> None:
    # A funnel around a gap: no pit, since the ground goes on falling into it.
    x, y = np.meshgrid(np.arange(-4.0, 5.0), np.arange(-4.0, 5.0))
    funnel = np.hypot(x, y)
    funnel[4, 4] = np.nan
    assert np.array_equal(drained_elevation_m(funnel, deepest_m=0.0), funnel, equal_nan=True)
    assert ponds(funnel) == []


@pytest.mark.parametrize("ground", [np.empty((0, 0)), np.full((2, 2), np.nan), np.array([[1.0]])])
def test_drained_elevation_m_nothing_to_drain_is_left_alone(ground: np.ndarray) -> None:
    assert np.array_equal(drained_elevation_m(ground, deepest_m=1.0), ground, equal_nan=True)


def test_drained_elevation_m_does_not_change_its_argument() -> None:
    ground = plane()
    ground[4, 4] = 4.895
    before = ground.copy()
    drained_elevation_m(ground, deepest_m=1.0)
    assert np.array_equal(ground, before)


def test_drained_elevation_m_rough_ground_fills_as_in_landlab() -> None:
    # Around the rough ground a border that falls away, so that it lets water out in both.
    landlab = pytest.importorskip("landlab")
    components = pytest.importorskip("landlab.components")
    ground = np.full((44, 54), -9.0)
    ground[1:-1, 1:-1] = -8.0
    ground[2:-2, 2:-2] = np.random.default_rng(8).normal(size=(40, 50))
    grid = landlab.RasterModelGrid(ground.shape, xy_spacing=1.0)
    heights = grid.add_field("topographic__elevation", ground[::-1].ravel().copy(), at="node")
    components.SinkFillerBarnes(grid, method="D8", fill_flat=True).run_one_step()
    theirs = heights.reshape(ground.shape)[::-1]
    ours = drained_elevation_m(ground, deepest_m=math.inf)
    assert np.count_nonzero(ours > ground) > 100
    assert np.max(np.abs(ours - theirs)) < MICROMETRE
    assert ponds(ours) == []


def depth_to_spill(ground: np.ndarray, row: int, col: int, *, or_level: bool = False) -> float:
    """Depth of water over a pixel when it spills to lower ground or out; infinite if never.

    With ``or_level`` also when it spills to another pit with as low a bottom.
    """
    padded = np.pad(ground, 1, constant_values=np.nan)
    start = (row + 1, col + 1)
    bottom, seen, front = padded[start], {start}, [(padded[start], start)]
    while front:
        level, here = heapq.heappop(front)
        if padded[here] < bottom or (or_level and padded[here] == bottom < level):
            return level - bottom
        for step in STEPS:
            there = (here[0] + step[0], here[1] + step[1])
            back = padded[here[0] - step[0], here[1] - step[1]]
            if np.isnan(padded[there]):
                if back > padded[here]:  # the ground falls on to where nothing is known
                    return level - bottom
            elif there not in seen:
                seen.add(there)
                heapq.heappush(front, (max(level, padded[there]), there))
    return math.inf


@given(
    seed=st.integers(0, 100_000),
    deepest_mm=st.sampled_from([0, 5, 10, 15, 30, 1000]),
    gaps=st.sampled_from([0.0, 0.1, 0.4]),
    heights=st.sampled_from([3, 8, 1000]),
)
def test_drained_elevation_m_what_ponds_is_what_is_deeper(
    seed: int, deepest_mm: int, gaps: float, heights: int
) -> None:
    """On random ground, often with ties and level parts, against a search from each pixel."""
    rng = np.random.default_rng(seed)
    ground = 0.01 * rng.integers(0, heights, size=(7, 8)) + 0.0005 * rng.integers(0, 3, (7, 8))
    ground[rng.random(ground.shape) < gaps] = np.nan
    deepest = deepest_mm / 1000.0 + 0.0001  # off any depth that occurs
    drained = drained_elevation_m(ground, deepest_m=deepest)
    assert np.array_equal(np.isnan(drained), np.isnan(ground))
    raised = (drained - ground)[~np.isnan(ground)]
    assert np.all(raised >= 0.0)
    assert np.all(raised <= deepest + MICROMETRE)
    padded = np.pad(drained, 1, constant_values=np.nan)
    for row, col in np.argwhere(~np.isnan(drained)):
        around = [padded[row + 1 + r, col + 1 + c] for r, c in STEPS]
        has_lower = any(height < drained[row, col] for height in around)
        falls_out = any(
            np.isnan(padded[row + 1 + r, col + 1 + c])
            and padded[row + 1 - r, col + 1 - c] > drained[row, col]
            for r, c in STEPS
        )
        must_pond = depth_to_spill(ground, row, col) > deepest
        if must_pond and not has_lower and not falls_out:
            assert drained[row, col] == ground[row, col]
        assert has_lower or falls_out or must_pond, (row, col)
    for row, col in np.argwhere(~np.isnan(ground)):
        lowest = min(
            (h for r, c in STEPS if not np.isnan(h := padded[row + 1 + r, col + 1 + c])),
            default=math.inf,
        )
        is_pit = ground[row, col] <= lowest
        if is_pit and depth_to_spill(ground, row, col, or_level=True) > deepest:
            assert drained[row, col] == ground[row, col]  # deep pits stay


@given(seed=st.integers(0, 10_000))
def test_drained_elevation_m_water_always_comes_to_rest_or_leaves(seed: int) -> None:
    ground = np.random.default_rng(seed).normal(size=(12, 13))
    drained = drained_elevation_m(ground, deepest_m=0.5)
    padded = np.pad(drained, 1, constant_values=np.nan)
    for row, col in np.argwhere(np.isfinite(drained)):
        here, heights = (row + 1, col + 1), []
        while not np.isnan(padded[here]):
            heights.append(padded[here])
            lower = min(
                ((padded[here[0] + r, here[1] + c], (r, c)) for r, c in STEPS
                 if padded[here[0] + r, here[1] + c] < padded[here]),
                default=None,
            )  # fmt: skip
            if lower is None:
                break
            here = (here[0] + lower[1][0], here[1] + lower[1][1])
        assert heights == sorted(heights, reverse=True)
        assert len(set(heights)) == len(heights)
