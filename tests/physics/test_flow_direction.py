"""Flow directions: planes, hand-worked windows, and landlab on rough ground."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.flow_direction import flow_bearing_deg

STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]
METHODS = ["tarboton_1997", "steepest_neighbour"]


def bearing_of(elevation, *, width: float = 1.0, height: float = 1.0, **options) -> np.ndarray:
    return flow_bearing_deg(elevation, pixel_width_m=width, pixel_height_m=height, **options)


def falling_towards(bearing_deg: float, shape=(7, 6), *, width=1.0, height=1.0, fall=0.1):
    """A plane that falls towards a bearing."""
    east, north = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    x, y = width * np.arange(shape[1]), -height * np.arange(shape[0])[:, None]
    return 50.0 - fall * (east * x + north * y)


def shares(bearing_deg: float) -> list[tuple[tuple[int, int], float]]:
    """Steps to the pixels that a bearing sends water to, square pixels, and the share of each."""
    if np.isnan(bearing_deg):
        return []
    first, part = int(bearing_deg // 45.0), float(bearing_deg / 45.0 % 1.0)
    both = [(STEPS[first % 8], 1.0 - part), (STEPS[(first + 1) % 8], part)]
    return [(step, share) for step, share in both if share > 0.0]


def accumulated(elevation: np.ndarray) -> np.ndarray:
    """Pixels off the border that drain through each of them, itself included."""
    bearing = bearing_of(elevation)
    area = np.zeros(elevation.shape)
    area[1:-1, 1:-1] = 1.0
    for flat in np.argsort(-elevation[1:-1, 1:-1].ravel(), kind="stable"):
        row, col = 1 + flat // (elevation.shape[1] - 2), 1 + flat % (elevation.shape[1] - 2)
        for (row_step, col_step), share in shares(bearing[row, col]):
            area[row + row_step, col + col_step] += share * area[row, col]
    return area


@given(
    bearing=st.floats(0.0, 359.99),
    width=st.floats(0.2, 50.0),
    height=st.floats(0.2, 50.0),
    rows=st.integers(2, 6),
    cols=st.integers(2, 6),
)
def test_flow_bearing_deg_inclined_plane_keeps_its_bearing_to_the_edges(
    bearing: float, width: float, height: float, rows: int, cols: int
) -> None:
    plane = falling_towards(bearing, (rows, cols), width=width, height=height)
    off = bearing_of(plane, width=width, height=height) - bearing
    # 32-bit bearings are good to 1.5e-5°; closer than 3e-7 to a neighbour is the neighbour.
    assert np.max(np.abs((off + 180.0) % 360.0 - 180.0)) < 5e-5


@pytest.mark.parametrize("bearing", range(0, 360, 45))
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_flow_bearing_deg_straight_to_a_neighbour_is_exact(
    bearing: int, method: str, dtype
) -> None:
    # Rises of 1 and 0 per pixel are exact in binary, and so must the bearing be.
    row_step, col_step = STEPS[bearing // 45]
    rows, cols = np.arange(5.0)[:, None], np.arange(6.0)
    plane = (20.0 - row_step * rows - col_step * cols).astype(dtype)
    found = bearing_of(plane, method=method)
    assert found.dtype == np.float32
    assert (found == bearing).all()


@pytest.mark.parametrize("bearing", range(0, 360, 45))
def test_flow_bearing_deg_rounding_of_the_elevations_does_not_split_flow(bearing: int) -> None:
    # sin and cos of 45° and sums with 50 m are rounded: the way is off by 1e-13, meant straight.
    plane = falling_towards(float(bearing), (30, 30), width=0.25, height=0.25, fall=0.02)
    assert (bearing_of(plane, width=0.25, height=0.25) == bearing).all()


def test_flow_bearing_deg_hand_worked_window() -> None:
    # 9 9 9
    # 9 5 3    East facet to the south: s₁ = 2, s₂ = 1: slope √5 at 90° + arctan ½ = 116.565°.
    # 9 4 2    South: s₁ = 1, s₂ = 2 leaves the facet. Corner: 3/√2 = 2.12 < √5 = 2.24.
    window = np.array([[9, 9, 9], [9, 5, 3], [9, 4, 2]])
    assert bearing_of(window)[1, 1] == pytest.approx(116.56505, abs=1e-5)
    # Straight: east falls 2 per pixel, the corner 2.12 per pixel.
    assert bearing_of(window, method="steepest_neighbour")[1, 1] == 135.0
    # Pixels 1 m wide and 2 m high: s₁ = 2, s₂ = 0.5: 90° + arctan ¼; the corner lies at 153.4°.
    assert bearing_of(window, height=2.0)[1, 1] == pytest.approx(104.03624, abs=1e-5)


def test_flow_bearing_deg_way_beyond_a_facet_follows_its_edge() -> None:
    # Only the corner is low: every facet's own gradient points beyond its edge.
    window = np.full((3, 3), 9.0)
    window[1, 1], window[2, 0] = 5.0, 1.0
    assert bearing_of(window)[1, 1] == 225.0
    # 1 m wide, 2 m high: the south-west neighbour is 1 m west and 2 m south, 180° + arctan ½.
    assert bearing_of(window, height=2.0)[1, 1] == pytest.approx(206.56505, abs=1e-4)


def test_flow_bearing_deg_of_equal_neighbours_the_first_from_north() -> None:
    window = np.array([[9.0, 9.0, 9.0], [1.0, 5.0, 1.0], [9.0, 1.0, 9.0]])
    assert bearing_of(window, method="steepest_neighbour")[1, 1] == 90.0
    assert bearing_of(window)[1, 1] == 90.0


def test_flow_bearing_deg_pits_level_ground_and_gaps_are_nan() -> None:
    assert np.isnan(bearing_of(np.full((4, 5), 12.3))).all()
    pit = np.full((3, 3), 9.0)
    pit[1, 1] = 5.0
    assert np.isnan(bearing_of(pit)[1, 1])
    plane = falling_towards(200.0)
    plane[3, 2] = np.nan
    assert np.array_equal(np.isnan(bearing_of(plane)), np.isnan(plane))
    assert np.nanmax(np.abs(bearing_of(plane) - 200.0)) < 5e-5
    assert np.isnan(bearing_of([[7.0]])).all()
    assert bearing_of(np.empty((0, 3))).shape == (0, 3)


@given(seed=st.integers(0, 10_000))
def test_flow_bearing_deg_turns_and_mirrors_with_the_ground(seed: int) -> None:
    field = np.random.default_rng(seed).normal(size=(6, 5))
    field[2, 3] = np.nan
    once = bearing_of(field, width=2.0, height=3.0)
    turned = bearing_of(np.rot90(field), width=3.0, height=2.0)  # 90° against the clock
    mirrored = bearing_of(field[:, ::-1], width=2.0, height=3.0)
    assert np.rot90(turned, -1) == pytest.approx((once - 90.0) % 360.0, nan_ok=True, abs=1e-4)
    assert mirrored[:, ::-1] == pytest.approx((360.0 - once) % 360.0, nan_ok=True, abs=1e-4)


@given(seed=st.integers(0, 10_000), gaps=st.floats(0.0, 0.5))
def test_flow_bearing_deg_receivers_are_strictly_lower(seed: int, gaps: float) -> None:
    # Few different heights, so that there are ties and level ground.
    rng = np.random.default_rng(seed)
    field = rng.integers(0, 4, size=(8, 9)).astype(np.float64)
    field[rng.random(field.shape) < gaps] = np.nan
    bearing = bearing_of(field)
    padded = np.pad(field, 1, constant_values=np.nan)
    for row, col in np.argwhere(np.isfinite(bearing)):
        for (row_step, col_step), _share in shares(bearing[row, col]):
            receiver = padded[1 + row + row_step, 1 + col + col_step]
            assert np.isnan(receiver) or receiver < field[row, col]


def test_flow_bearing_deg_bands_of_rows_do_not_show() -> None:
    field = np.random.default_rng(5).normal(size=(200, 7))
    whole = bearing_of(field)
    assert np.array_equal(bearing_of(field[60:140])[1:-1], whole[61:139], equal_nan=True)


def test_flow_bearing_deg_unknown_method_raises() -> None:
    with pytest.raises(ValueError, match=r"method must be one of .*; got 'd4'"):
        bearing_of(np.zeros((3, 3)), method="d4")


def test_flow_bearing_deg_plane_between_two_neighbours_spreads_as_in_landlab() -> None:
    # Falling 22.5° east of south, 11 × 11 pixels: each sends half to the south and half to the
    # south-east. Area along the row above the southern border, from landlab's D-infinity
    # accumulator as well; the first is 1 + ½ + ¼ + … = 2 − 2⁻⁸.
    area = accumulated(falling_towards(157.5, (11, 11)))[-2, 1:-1]
    assert area[0] == pytest.approx(2.0 - 2.0**-8, abs=1e-5)
    assert np.round(area, 2).tolist() == [2.0, 3.96, 5.78, 7.27, 8.27, 8.78, 8.96, 9.0, 9.0]
    south = accumulated(falling_towards(180.0, (11, 11)))[-2, 1:-1]
    assert south.tolist() == [9.0] * 9


def landlab_grid(elevation: np.ndarray, pixel: float):
    landlab = pytest.importorskip("landlab")
    grid = landlab.RasterModelGrid(elevation.shape, xy_spacing=pixel)
    heights = elevation[::-1].ravel().copy()  # its rows run from south to north
    grid.add_field("topographic__elevation", heights, at="node")
    return grid


def test_flow_bearing_deg_plane_accumulates_as_in_landlab() -> None:
    components = pytest.importorskip("landlab.components")
    plane = falling_towards(157.5, (11, 11))
    grid = landlab_grid(plane, 1.0)
    components.FlowAccumulator(grid, flow_director="FlowDirectorDINF").run_one_step()
    theirs = grid.at_node["drainage_area"].reshape(11, 11)[::-1]
    inside = (slice(1, -1), slice(1, -1))
    assert np.max(np.abs(accumulated(plane)[inside] - theirs[inside])) < 1e-5


@pytest.mark.parametrize("method", METHODS)
def test_flow_bearing_deg_rough_ground_agrees_with_landlab(method: str) -> None:
    components = pytest.importorskip("landlab.components")
    rough = np.random.default_rng(0).normal(size=(30, 40))
    grid = landlab_grid(rough, 2.0)
    n_rows, n_cols = rough.shape
    if method == "tarboton_1997":
        components.FlowDirectorDINF(grid).run_one_step()
        receivers = grid.at_node["flow__receiver_node"]
        parts = grid.at_node["flow__receiver_proportions"]
    else:
        components.FlowDirectorD8(grid).run_one_step()
        receivers = grid.at_node["flow__receiver_node"][:, None]
        parts = np.ones(receivers.shape)
    bearing = bearing_of(rough, width=2.0, height=2.0, method=method)
    n_compared = 0
    for row in range(1, n_rows - 1):
        for col in range(1, n_cols - 1):
            node = (n_rows - 1 - row) * n_cols + col
            theirs = {
                int(receiver): part
                for receiver, part in zip(receivers[node], parts[node], strict=True)
                if part > 0.0 and receiver not in (-1, node)
            }
            ours = {
                (n_rows - 1 - row - row_step) * n_cols + col + col_step: share
                for (row_step, col_step), share in shares(bearing[row, col])
            }
            assert ours == pytest.approx(theirs, abs=1e-6), (row, col)
            n_compared += 1
    assert n_compared == 28 * 38
