"""Superposed sectors against cells counted by hand, plain NumPy, and their own symmetries."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.block_instructions import BLOCK
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import (
    RadialProfile,
    hinges,
    relative_rate,
    trapezoid_profile,
)
from geoirrig.physics.throw_on_slope import rate_ratio, throw_ratio
from geoirrig.records import SprinklerLayout
from geoirrig.surfaces import sector_superposition
from geoirrig.surfaces.sector_superposition import (
    SuperposedSectors,
    bearing_vector,
    sector_set,
    superpose_sectors,
)
from tests.surfaces.lattice import CONE, RING_BETA_2_2, UNIFORM, layout_of

MASS_TOLERANCE = 1e-9
SINGLE_PRECISION = 1e-6  # of the peak
# A bench leg of seven nodes, uneven and stepped at the end: more hinges than a trapezoid has.
BENCH_LEG = RadialProfile(
    name="bench leg",
    distance_fraction=(0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0),
    relative_rate=(0.3, 0.9, 0.7, 1.0, 0.8, 0.6, 0.2),
)
PROFILES = (CONE, UNIFORM, trapezoid_profile(0.6), RING_BETA_2_2, BENCH_LEG)


def square_grid(n: int = 40, cell_size_m: float = 1.0) -> RasterGrid:
    """A grid of n by n cells with its south-west corner at the origin."""
    return RasterGrid(
        left_m=0.0, top_m=n * cell_size_m, cell_size_m=cell_size_m, n_rows=n, n_cols=n
    )


def lay(
    grid: RasterGrid,
    x_m: Any,
    y_m: Any,
    *,
    flow_lpm: Any = 6.0,
    profile: RadialProfile = UNIFORM,
    radius_m: Any = 5.0,
    arc_deg: Any = 360.0,
    start_bearing_deg: Any = 0.0,
    target: np.ndarray | None = None,
) -> SuperposedSectors:
    """Heads on level ground, superposed."""
    x_m = np.atleast_1d(np.asarray(x_m, dtype=np.float64))
    layout = replace(
        layout_of(
            x_m,
            np.atleast_1d(np.asarray(y_m, dtype=np.float64)),
            flow_lpm,
            profile=profile,
            arc_deg=arc_deg,
            start_bearing_deg=start_bearing_deg,
        ),
        radius_m=np.broadcast_to(np.asarray(radius_m, dtype=np.float64), len(x_m)).copy(),
    )
    return superpose_sectors(sector_set(layout, grid), grid, target=target)


def litres_per_minute(surface: SuperposedSectors, grid: RasterGrid) -> float:
    """What falls on the grid."""
    return float(surface.rate_mm_h.sum()) * grid.cell_area_m2 / 60.0


def plain_numpy(
    layout: SprinklerLayout, grid: RasterGrid, head: int
) -> tuple[np.ndarray, np.ndarray]:
    """One head on level ground, by distance and bearing, on a grid that holds it all."""
    east = grid.cell_centre_x_m() - layout.x_m[head]
    north = grid.cell_centre_y_m()[:, None] - layout.y_m[head]
    distance = np.hypot(east, north)
    bearing = np.degrees(np.arctan2(east, north))
    turned = np.mod(bearing - layout.start_bearing_deg[head] + 1e-7, 360.0)
    inside = (distance <= layout.radius_m[head] * (1 + 1e-12)) & (
        (turned <= layout.arc_deg[head] + 2e-7) | (distance == 0.0)
    )
    fraction = np.minimum(distance / layout.radius_m[head], 1.0)
    value = np.where(
        inside, relative_rate(layout.profiles[layout.profile_index[head]], fraction), 0.0
    )
    rate = value / value.sum() * layout.flow_lpm[head] * 60.0 / grid.cell_area_m2
    return rate, inside


# --- worked by hand ------------------------------------------------------------------------------


def test_superpose_sectors_quarter_circle_wets_the_cells_counted_by_hand() -> None:
    # Cells of 1 m; the head stands on a corner of the grid's lattice, throws 3 m, from north to
    # east. Centres lie at (0.5, 1.5, 2.5) east and north: 0.5² + 2.5² = 6.5 and 1.5² + 2.5² = 8.5
    # are within 9, 2.5² + 2.5² = 12.5 is not. So 3 + 3 + 2 = 8 cells. A uniform profile gives
    # 6 L/min / 8 m² = 0.75 mm/min = 45 mm/h to each.
    surface = lay(square_grid(), 20.0, 20.0, radius_m=3.0, arc_deg=90.0)
    expected = np.zeros((40, 40))
    expected[17, 20:22] = expected[18, 20:23] = expected[19, 20:23] = 45.0
    np.testing.assert_allclose(surface.rate_mm_h, expected, rtol=1e-12, atol=0.0)
    np.testing.assert_array_equal(surface.heads_reaching, expected > 0.0)


def test_superpose_sectors_wedge_falls_with_distance_as_worked_by_hand() -> None:
    # A head on a cell's centre, cells of 1 m, throw 2 m, rate falling straight to 0 at 2 m:
    # 1 at the head, ½ at four cells 1 m off, 1 − √2/2 at four cells √2 m off, 0 at 2 m.
    # Sum 1 + 2 + 4 − 2√2 = 7 − 2√2; 6 L/min is 360 mm/h on one cell.
    surface = lay(square_grid(), 20.5, 20.5, radius_m=2.0, profile=CONE)
    unit = 360.0 / (7.0 - 2.0 * math.sqrt(2.0))
    around = surface.rate_mm_h[17:22, 18:23]
    diagonal = 1.0 - math.sqrt(0.5)
    expected = unit * np.array(
        [
            [0.0, 0.0, 0.0, 0.0, 0.0],
            [0.0, diagonal, 0.5, diagonal, 0.0],
            [0.0, 0.5, 1.0, 0.5, 0.0],
            [0.0, diagonal, 0.5, diagonal, 0.0],
            [0.0, 0.0, 0.0, 0.0, 0.0],
        ]
    )
    np.testing.assert_allclose(around, expected, rtol=SINGLE_PRECISION, atol=1e-5)
    assert surface.heads_reaching.sum() == 13  # with the four at just 2 m


@pytest.mark.parametrize(
    ("start_bearing_deg", "arc_deg", "cells"),
    [
        # Head on a centre, throw 2 m on cells of 1 m: 13 cells in the circle, of them the head's
        # own, 2 on each half axis and 1 on each diagonal. Edges are closed.
        (0.0, 90.0, 1 + 2 * 2 + 1),
        (90.0, 90.0, 1 + 2 * 2 + 1),
        (45.0, 90.0, 1 + 2 + 2),  # the axis in the middle, a diagonal on either edge
        (45.0, 180.0, 1 + 2 * 2 + 3),
        (0.0, 180.0, 1 + 3 * 2 + 2),
        (270.0, 180.0, 1 + 3 * 2 + 2),
        (0.0, 270.0, 1 + 4 * 2 + 3),  # only the diagonal inside the left-out quarter is dry
        (90.0, 270.0, 1 + 4 * 2 + 3),
        (180.0, 270.0, 1 + 4 * 2 + 3),
        (270.0, 270.0, 1 + 4 * 2 + 3),
        (45.0, 270.0, 1 + 3 * 2 + 4),  # only the axis inside the left-out quarter is dry
        (135.0, 270.0, 1 + 3 * 2 + 4),
        (225.0, 270.0, 1 + 3 * 2 + 4),
        (315.0, 270.0, 1 + 3 * 2 + 4),
        (0.0, 359.0, 13),
        (90.0, 1.0, 3),
        (45.0, 1.0, 2),
    ],
)
def test_superpose_sectors_centres_on_an_edge_count_as_inside(
    start_bearing_deg: float, arc_deg: float, cells: int
) -> None:
    surface = lay(
        square_grid(), 20.5, 20.5, radius_m=2.0,
        arc_deg=arc_deg, start_bearing_deg=start_bearing_deg,
    )  # fmt: skip
    assert surface.heads_reaching.sum() == cells
    assert surface.heads_reaching.max() == 1


def test_superpose_sectors_wedge_to_the_west_leaves_its_cells_dry() -> None:
    # 270° from 315° leaves out the quarter around west; the cell 2 m west lies just on the circle.
    surface = lay(square_grid(), 20.5, 20.5, radius_m=2.0, arc_deg=270.0, start_bearing_deg=315.0)
    row = surface.heads_reaching[19, 17:24]
    assert row.tolist() == [0, 0, 0, 1, 1, 1, 0]


def test_superpose_sectors_arc_above_half_circle_has_two_runs_in_a_row() -> None:
    # The left-out quarter points north: in the row 2 m north of the head there is water on both
    # sides of it. Half-width of the chord √(25 − 4) = 4.58; of the wedge 2 m.
    surface = lay(square_grid(), 20.5, 20.5, radius_m=5.0, arc_deg=270.0, start_bearing_deg=45.0)
    row = surface.heads_reaching[17, 15:26]
    assert row.tolist() == [0, 1, 1, 1, 0, 0, 0, 1, 1, 1, 0]


def test_superpose_sectors_head_smaller_than_a_cell_waters_its_own_cell() -> None:
    grid = square_grid()
    surface = lay(grid, [20.1, 5.9], [20.1, 7.2], radius_m=0.2, profile=CONE)
    assert np.count_nonzero(surface.rate_mm_h) == 2
    assert surface.rate_mm_h[19, 20] == surface.rate_mm_h[32, 5] == 360.0
    assert surface.heads_reaching.sum() == 2


def test_superpose_sectors_without_heads_is_dry() -> None:
    surface = lay(square_grid(), [], [])
    assert not surface.rate_mm_h.any()
    assert not surface.heads_reaching.any()
    assert surface.head_on_target_fraction.shape == (0,)


def test_superpose_sectors_on_target_is_the_share_of_target_cells() -> None:
    # The quarter of eight equal cells of the first test: 2 in its northern row.
    grid = square_grid()
    target = np.zeros(grid.shape, dtype=np.bool_)
    target[17] = True
    for x_m, y_m in ((20.0, 20.0), ([20.0, 37.0], [20.0, 2.0])):
        surface = lay(grid, x_m, y_m, radius_m=3.0, arc_deg=90.0, target=target)
        assert surface.head_on_target_fraction[0] == pytest.approx(0.25, rel=1e-12)
    # Heads on the four corners of the grid: their quarter on the grid, all of it target.
    corners = lay(
        grid, [0.0, 40.0, 40.0, 0.0], [0.0, 0.0, 40.0, 40.0], radius_m=3.0,
        target=np.ones(grid.shape, dtype=np.bool_),
    )  # fmt: skip
    np.testing.assert_allclose(corners.head_on_target_fraction, 0.25, rtol=1e-12)


def test_superpose_sectors_more_than_255_heads_count_as_255() -> None:
    for where in (20.0, 0.5):  # in the middle, by blocks; in the corner, cell by cell
        surface = lay(square_grid(), np.full(300, where), np.full(300, where), radius_m=3.0)
        assert surface.heads_reaching.max() == 255


# --- against plain NumPy -------------------------------------------------------------------------


@pytest.mark.parametrize("profile", PROFILES, ids=lambda profile: profile.name)
def test_superpose_sectors_agrees_with_plain_numpy(profile: RadialProfile) -> None:
    rng = np.random.default_rng(7)
    n = 60
    grid = square_grid(160, 0.25)
    layout = layout_of(
        rng.uniform(10.0, 30.0, n),
        rng.uniform(10.0, 30.0, n),
        rng.uniform(2.0, 12.0, n),
        profile=profile,
        arc_deg=rng.choice([1.0, 45.0, 90.0, 123.0, 180.0, 181.0, 270.0, 340.0, 360.0], n),
        start_bearing_deg=rng.uniform(0.0, 360.0, n),
    )
    layout = replace(layout, radius_m=rng.uniform(1.0, 9.5, n))
    surface = superpose_sectors(sector_set(layout, grid), grid)
    single = [plain_numpy(layout, grid, head) for head in range(n)]
    rate, count = sum(rate for rate, _ in single), sum(inside.astype(int) for _, inside in single)
    assert np.max(np.abs(surface.rate_mm_h - rate)) <= SINGLE_PRECISION * np.max(rate)
    np.testing.assert_array_equal(surface.heads_reaching, count)


@pytest.mark.parametrize("arc_deg", [360.0, 90.0, 250.0])
@pytest.mark.parametrize("profile", [CONE, UNIFORM, BENCH_LEG], ids=lambda profile: profile.name)
def test_superpose_sectors_on_a_slope_follows_throw_and_rate_ratio(
    profile: RadialProfile, arc_deg: float
) -> None:
    grid = square_grid(120, 0.25)
    slope, uphill, trajectory = 0.2, 30.0, 25.0
    layout = replace(
        layout_of(
            [15.03, 15.4], [15.11, 14.2], 6.0,
            profile=profile, radius_m=6.0, arc_deg=arc_deg, start_bearing_deg=200.0,
        ),
        trajectory_deg=np.full(2, trajectory),
    )  # fmt: skip
    surface = superpose_sectors(
        sector_set(
            layout, grid, slope_ratio=np.full(2, slope), uphill_bearing_deg=np.full(2, uphill)
        ),
        grid,
    )
    expected, count = np.zeros(grid.shape), np.zeros(grid.shape)
    for head in range(2):
        east = grid.cell_centre_x_m() - layout.x_m[head]
        north = grid.cell_centre_y_m()[:, None] - layout.y_m[head]
        bearing = np.degrees(np.arctan2(east, north))
        throw = 6.0 * throw_ratio(slope, bearing - uphill, trajectory)
        fraction = np.hypot(east, north) / throw
        inside = (fraction <= 1.0) & (np.mod(bearing - 200.0, 360.0) <= arc_deg)
        value = relative_rate(profile, np.minimum(fraction, 1.0))
        value = np.where(inside, value * rate_ratio(slope, bearing - uphill, trajectory), 0.0)
        expected += value / value.sum() * 6.0 * 60.0 / grid.cell_area_m2
        count += inside
    assert np.max(np.abs(surface.rate_mm_h - expected)) <= 1e-5 * expected.max()
    np.testing.assert_array_equal(surface.heads_reaching, count)
    assert litres_per_minute(surface, grid) == pytest.approx(12.0, rel=MASS_TOLERANCE)


def test_superpose_sectors_on_level_ground_with_known_trajectory_is_level() -> None:
    grid = square_grid(120, 0.25)
    layout = replace(layout_of([15.0], [15.0], 6.0, profile=CONE), trajectory_deg=np.array([25.0]))
    level = superpose_sectors(sector_set(layout, grid), grid)
    tilted = superpose_sectors(
        sector_set(layout, grid, slope_ratio=np.array([1e-9]), uphill_bearing_deg=np.array([77.0])),
        grid,
    )
    np.testing.assert_allclose(tilted.rate_mm_h, level.rate_mm_h, atol=1e-6 * level.rate_mm_h.max())


def test_superpose_sectors_in_threads_equals_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    grid = square_grid(400, 0.25)
    layout = layout_of(
        rng.uniform(-3.0, 103.0, 900), rng.uniform(-3.0, 103.0, 900), 5.0, profile=CONE
    )
    sectors = sector_set(layout, grid)
    threaded = superpose_sectors(sectors, grid)
    monkeypatch.setattr(sector_superposition, "run_on_all_processors", lambda work, **_: work())
    single = superpose_sectors(sectors, grid)
    np.testing.assert_array_equal(threaded.rate_mm_h, single.rate_mm_h)
    np.testing.assert_array_equal(threaded.heads_reaching, single.heads_reaching)


@pytest.mark.parametrize("n_cols", [1, 3, 9, 40])
def test_superpose_sectors_narrow_grid_equals_its_part_of_a_wide_one(n_cols: int) -> None:
    rng = np.random.default_rng(n_cols)
    grid = square_grid(300, 0.5)
    layout = layout_of(
        rng.uniform(50.0, 60.0 + n_cols, 400), rng.uniform(5.0, 145.0, 400), 5.0,
        profile=CONE, radius_m=3.0,
    )  # fmt: skip
    whole = superpose_sectors(sector_set(layout, grid), grid)
    part = grid.window(0, 110, 300, n_cols)
    narrow = superpose_sectors(sector_set(layout, part), part)
    np.testing.assert_allclose(
        narrow.rate_mm_h, whole.rate_mm_h[:, 110 : 110 + n_cols], rtol=1e-6, atol=1e-5
    )


# --- properties ----------------------------------------------------------------------------------

# On slopes the longest throw is 1.13 times the radius: everything falls on a grid of 40 m.
HEADS = st.lists(
    st.tuples(
        st.floats(10.0, 30.0),  # x
        st.floats(10.0, 30.0),  # y
        st.floats(0.3, 8.5),  # radius
        st.one_of(st.sampled_from([45.0, 90.0, 180.0, 270.0, 360.0]), st.floats(1.0, 360.0)),
        st.one_of(st.sampled_from([0.0, 45.0, 90.0, 225.0, 270.0]), st.floats(0.0, 359.0)),
        st.floats(0.5, 20.0),  # flow
        st.sampled_from([0.0, 0.1, 0.3]),  # slope
        st.floats(0.0, 359.0),  # uphill
    ),
    min_size=1,
    max_size=6,
)


def layout_and_slope(
    heads: list[tuple[float, ...]], profile: RadialProfile
) -> tuple[SprinklerLayout, dict[str, np.ndarray]]:
    """A layout of drawn heads, and the keyword arguments for their slope."""
    x, y, radius, arc, start, flow, slope, uphill = np.array(heads).T
    x, y = x + 0.0137, y + 0.0137  # not on the border of two cells, of which one has to be taken
    layout = layout_of(x, y, flow, profile=profile, arc_deg=arc, start_bearing_deg=start)
    layout = replace(layout, radius_m=radius, trajectory_deg=np.full(len(x), 25.0))
    return layout, {"slope_ratio": slope, "uphill_bearing_deg": uphill}


@settings(max_examples=60, deadline=None)
@given(heads=HEADS, profile=st.sampled_from(PROFILES))
def test_superpose_sectors_all_heads_on_the_grid_mass_closes(
    heads: list[tuple[float, ...]], profile: RadialProfile
) -> None:
    grid = square_grid(80, 0.5)
    layout, slope = layout_and_slope(heads, profile)
    target = np.ones(grid.shape, dtype=np.bool_)
    surface = superpose_sectors(sector_set(layout, grid, **slope), grid, target=target)
    assert litres_per_minute(surface, grid) == pytest.approx(
        layout.flow_lpm.sum(), rel=MASS_TOLERANCE
    )
    np.testing.assert_allclose(surface.head_on_target_fraction, 1.0, rtol=MASS_TOLERANCE)
    assert surface.rate_mm_h.min() >= -1e-6 * surface.rate_mm_h.max()


@settings(max_examples=40, deadline=None)
@given(heads=HEADS)
def test_superpose_sectors_doubled_flow_doubles_the_rate(heads: list[tuple[float, ...]]) -> None:
    grid = square_grid(80, 0.5)
    layout, slope = layout_and_slope(heads, CONE)
    once = superpose_sectors(sector_set(layout, grid, **slope), grid)
    layout = replace(layout, flow_lpm=2.0 * layout.flow_lpm)
    twice = superpose_sectors(sector_set(layout, grid, **slope), grid)
    np.testing.assert_array_equal(twice.rate_mm_h, 2.0 * once.rate_mm_h)


@settings(max_examples=40, deadline=None)
@given(
    heads=HEADS,
    profile=st.sampled_from(PROFILES),
    row=st.integers(-10, 70),
    col=st.integers(-10, 70),
    n_rows=st.integers(1, 60),
    n_cols=st.integers(1, 60),
)
def test_superpose_sectors_any_window_equals_the_whole(
    heads: list[tuple[float, ...]],
    profile: RadialProfile,
    row: int,
    col: int,
    n_rows: int,
    n_cols: int,
) -> None:
    grid = square_grid(100, 0.5)
    layout, slope = layout_and_slope(heads, profile)
    whole = superpose_sectors(sector_set(layout, grid, **slope), grid)
    window = grid.window(row, col, n_rows, n_cols)
    part = superpose_sectors(sector_set(layout, window, **slope), window)
    r, c = slice(max(0, -row), max(0, 100 - row)), slice(max(0, -col), max(0, 100 - col))
    rows = slice(max(0, row), max(0, row + n_rows))
    cols = slice(max(0, col), max(0, col + n_cols))
    np.testing.assert_allclose(
        part.rate_mm_h[r, c], whole.rate_mm_h[rows, cols],
        atol=SINGLE_PRECISION * whole.rate_mm_h.max(), rtol=0.0,
    )  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(heads=HEADS, order=st.randoms(use_true_random=False))
def test_superpose_sectors_shuffled_rows_change_nothing(
    heads: list[tuple[float, ...]], order: Any
) -> None:
    grid = square_grid(80, 0.5)
    shuffled = list(heads)
    order.shuffle(shuffled)
    surfaces = []
    for rows in (heads, shuffled):
        layout, slope = layout_and_slope(rows, CONE)
        surfaces.append(superpose_sectors(sector_set(layout, grid, **slope), grid))
    np.testing.assert_allclose(
        surfaces[0].rate_mm_h, surfaces[1].rate_mm_h,
        rtol=1e-12, atol=1e-12 * surfaces[0].rate_mm_h.max(),
    )  # fmt: skip
    np.testing.assert_array_equal(surfaces[0].heads_reaching, surfaces[1].heads_reaching)


def rounding_share(layout: SprinklerLayout, profile: RadialProfile, slope_ratio: Any) -> float:
    """Largest rounding of a rate in single precision, over the peak.

    Where a cell lies from its head is rounded as the start of its block is: beside a head, by as
    much more as the block is longer than the way to the head. The profile counts it as often as it
    is steep, and the gain on a slope by how near the jet is to the bank. A rate is a running sum of
    hinges, each rounded once more.
    """
    base, knots, slopes = hinges(profile)
    peak = base + max(0.0, *(np.sum(slopes * np.maximum(0.0, knots - k)) for k in (0.0, *knots)))
    steepest = np.max(np.abs(np.cumsum(slopes)), initial=0.0) / peak
    off = [np.abs(np.mod(place / 0.5, 1.0) - 0.5) for place in (layout.x_m, layout.y_m)]
    nearest_cells = np.min(np.hypot(*off))
    bank = np.max(slope_ratio / np.tan(np.deg2rad(layout.trajectory_deg)))
    factor = (10.0 + BLOCK / nearest_cells) * (1.0 + steepest + 0.5 / (1.0 - bank)) + len(knots)
    return float(factor * np.finfo(np.float32).eps / 2.0)


@settings(max_examples=40, deadline=None)
@given(heads=HEADS, profile=st.sampled_from(PROFILES))
def test_superpose_sectors_mirrored_heads_give_the_mirrored_surface(
    heads: list[tuple[float, ...]], profile: RadialProfile
) -> None:
    grid = square_grid(80, 0.5)
    layout, slope = layout_and_slope(heads, profile)
    surface = superpose_sectors(sector_set(layout, grid, **slope), grid)
    mirrored = replace(
        layout,
        x_m=40.0 - layout.x_m,
        start_bearing_deg=np.mod(-layout.start_bearing_deg - layout.arc_deg, 360.0),
    )
    slope["uphill_bearing_deg"] = np.mod(-slope["uphill_bearing_deg"], 360.0)
    other = superpose_sectors(sector_set(mirrored, grid, **slope), grid)
    share = rounding_share(layout, profile, slope["slope_ratio"])
    np.testing.assert_allclose(
        other.rate_mm_h[:, ::-1], surface.rate_mm_h,
        atol=share * surface.rate_mm_h.max(), rtol=0.0,
    )  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(heads=HEADS, east=st.integers(-8, 8), north=st.integers(-8, 8))
def test_superpose_sectors_shift_by_whole_cells_shifts_the_surface(
    heads: list[tuple[float, ...]], east: int, north: int
) -> None:
    grid = square_grid(120, 0.5)
    layout, slope = layout_and_slope(heads, CONE)
    layout = replace(layout, x_m=layout.x_m + 10.0, y_m=layout.y_m + 10.0)
    surface = superpose_sectors(sector_set(layout, grid, **slope), grid)
    moved = replace(layout, x_m=layout.x_m + 0.5 * east, y_m=layout.y_m + 0.5 * north)
    other = superpose_sectors(sector_set(moved, grid, **slope), grid)
    np.testing.assert_allclose(
        np.roll(other.rate_mm_h, (north, -east), axis=(0, 1)), surface.rate_mm_h,
        atol=SINGLE_PRECISION * surface.rate_mm_h.max(), rtol=0.0,
    )  # fmt: skip


def test_bearing_vector_quarter_points_are_exact() -> None:
    east, north = bearing_vector(np.array([0.0, 90.0, 180.0, 270.0, 360.0, 450.0]))
    assert east.tolist() == [0.0, 1.0, 0.0, -1.0, 0.0, 1.0]
    assert north.tolist() == [1.0, 0.0, -1.0, 0.0, 1.0, 0.0]


@given(
    st.lists(st.integers(-800, 1600), min_size=1, max_size=30),
    st.floats(0.001, 359.9).filter(lambda degrees: degrees % 1.0 != 0.0),
)
def test_bearing_vector_whole_degrees_are_the_same_among_others(
    whole_deg: list[int], other_deg: float
) -> None:
    whole = bearing_vector(np.array(whole_deg, dtype=np.float64))
    among = bearing_vector(np.array([other_deg, *whole_deg]))
    for found, expected in zip(whole, among, strict=True):
        np.testing.assert_array_equal(found, expected[1:])
    np.testing.assert_allclose(whole[0], np.sin(np.radians(whole_deg)), atol=1e-12)
    np.testing.assert_allclose(whole[1], np.cos(np.radians(whole_deg)), atol=1e-12)


@pytest.mark.parametrize("profiles", [PROFILES, (CONE, trapezoid_profile(0.6))])
def test_sector_set_every_head_has_the_hinges_of_its_profile(
    profiles: tuple[RadialProfile, ...],
) -> None:
    number = np.array([1, 0, 1, len(profiles) - 1])
    layout = replace(
        layout_of([1.0, 2.0, 3.0, 4.0], [1.0] * 4, 5.0, profile=CONE),
        profile_index=number,
        profiles=profiles,
    )
    sectors = sector_set(layout, square_grid())
    for head, profile in enumerate(number):
        base, knots, slopes = hinges(profiles[profile])
        own = slice(*sectors.hinge_start[head : head + 2])
        assert sectors.base[head] == base
        np.testing.assert_array_equal(sectors.knots[own], knots.astype(np.float32))
        np.testing.assert_array_equal(sectors.slopes[own], slopes.astype(np.float32))


def test_superpose_sectors_leaves_its_arguments_alone() -> None:
    grid = square_grid()
    sectors = sector_set(layout_of([20.0, 3.0], [20.0, 4.0], 5.0, profile=CONE), grid)
    before = {field.name: getattr(sectors, field.name).copy() for field in fields(sectors)}
    superpose_sectors(sectors, grid)
    for name, values in before.items():
        np.testing.assert_array_equal(getattr(sectors, name), values)


def test_superpose_sectors_failure_in_a_band_is_raised_and_not_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: Any) -> None:
        raise MemoryError("no room")

    grid = square_grid(300)
    layout = layout_of(
        np.linspace(5.0, 295.0, 400), np.linspace(5.0, 295.0, 400), 5.0, profile=CONE
    )
    monkeypatch.setattr(sector_superposition, "superpose_heads", fail)
    with pytest.raises(MemoryError, match="no room"):
        superpose_sectors(sector_set(layout, grid), grid)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 1000), n_rows=st.integers(1, 300), n_cols=st.sampled_from([1, 4, 60, 300])
)
def test_superpose_sectors_memory_used_before_leaves_no_trace(
    seed: int, n_rows: int, n_cols: int
) -> None:
    rng = np.random.default_rng(seed)
    grid = RasterGrid(left_m=20.0, top_m=200.0, cell_size_m=0.5, n_rows=n_rows, n_cols=n_cols)
    n = int(rng.integers(1, 400))
    layout = layout_of(
        rng.uniform(15.0, 25.0 + 0.5 * n_cols, n), rng.uniform(20.0, 205.0, n), 5.0,
        profile=CONE, radius_m=float(rng.uniform(0.4, 6.0)),
    )  # fmt: skip
    sectors = sector_set(layout, grid)
    plain = superpose_sectors(sectors, grid)

    def used(shape: Any, dtype: Any = np.float64) -> np.ndarray:
        return np.full(shape, 77, dtype=dtype)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(np, "empty", used)
        dirty = superpose_sectors(sectors, grid)
    np.testing.assert_array_equal(dirty.rate_mm_h, plain.rate_mm_h)
    np.testing.assert_array_equal(dirty.heads_reaching, plain.heads_reaching)
    assert np.all(np.isfinite(plain.rate_mm_h))
    assert plain.heads_reaching.max() <= n
